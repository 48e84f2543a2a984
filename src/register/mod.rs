//! Laying a frame onto its plate: where the camera moved, and how exposure and white changed.
//!
//! Works on what did not change between the two pictures; pieces, rods, shadows and noise are no part of the fit.
//! Promise: a still camera gives exactly the identity, and a result says how far it can be trusted.

mod align;
mod balance;
mod carry;
#[cfg(test)]
mod tests;

pub use align::aligned;
pub use balance::balanced;
pub use carry::carried;

use crate::geom::{Map, Rect};

/// What kind of movement is looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Motion {
    Shift,
    Similarity,
    Perspective,
}

/// Where a frame lies on its plate.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// Frame to plate. Exactly the identity for a still camera, and where the estimate can be trusted neither as
    /// sure nor as rough.
    pub map: Map,
    /// What was estimated, trusted or not, plate minus frame, px.
    pub shift: [f64; 2],
    /// Standard deviation of the shift, px.
    pub deviation: [f64; 2],
    /// Three deviations of where the frame's worst corner comes to lie, px; infinite where nothing is known.
    pub within: f64,
    /// How far the map moves the frame's corners at most, px.
    pub corner: f64,
    /// Correlation reached, 0..1.
    pub correlation: f64,
    /// Where a shift was asked for and the frame is turned or scaled too, beyond doubt: how far its corners stay off at
    /// most, px; else 0.
    pub turned: f64,
    pub trust: Trust,
}

impl Alignment {
    /// What `within` may come to for an alignment to be sure, px: more shows at a piece's edge.
    pub fn close(&self) -> f64 {
        let [across, down, _] = self.map.0;
        let shifts = across[..2] == [1.0, 0.0] && down[..2] == [0.0, 1.0] && self.map.is_affine();
        if shifts { CLOSE } else { CLOSE_TURNED }
    }
}

/// `Alignment::close` for a shift, and for what turns, where corners are known half as well as the middle.
const CLOSE: f64 = 0.05;
const CLOSE_TURNED: f64 = 0.1;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    Sure,
    /// The two pictures are alike, but noise or light hides where they lie: by more than `CLOSE` (`CLOSE_TURNED` under
    /// a turn or tilt), by less than 0.8 px. The estimate is taken all the same.
    Rough,
    /// Too little of the two pictures looks alike.
    NoMatch,
    /// The best match lies at the edge of what was searched.
    BeyondSearch,
    /// Nothing to hold on to: a featureless plate.
    Featureless,
}

/// Gains that bring a frame to its plate's exposure and white: light is multiplied by them.
#[derive(Clone, Debug, PartialEq)]
pub struct Balance {
    pub gains: [f64; 3],
    /// Exposure change of the frame against its plate in stops (positive: the frame is brighter).
    pub exposure: f64,
    /// Share of the frame that could be used, 0..1.
    pub used: f64,
    /// Standard deviation of the gains, relative.
    pub deviation: f64,
    /// A local change of light (a flag moved), where there is one.
    pub uneven: Option<Uneven>,
}

/// Light that changed in one place only.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Uneven {
    /// Frame pixels where it is half as strong as at its strongest, or more.
    pub place: Rect,
    /// Largest ratio to the plate after the global gains, minus 1.
    pub amount: f64,
}
