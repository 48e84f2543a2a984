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
    /// Frame to plate. Exactly the identity for a still camera, and where the estimate can't be trusted.
    pub map: Map,
    /// What was estimated, trusted or not, plate minus frame, px.
    pub shift: [f64; 2],
    /// Standard deviation of the shift, px.
    pub deviation: [f64; 2],
    /// How far the map moves the frame's corners at most, px.
    pub corner: f64,
    /// Correlation reached, 0..1.
    pub correlation: f64,
    pub trust: Trust,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    Sure,
    /// The two pictures are alike, but noise hides by more than a twentieth of a pixel where they lie.
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
    /// Frame pixels where the change is strongest.
    pub place: Rect,
    /// Largest ratio to the plate after the global gains, minus 1.
    pub amount: f64,
}
