//! What is compared: the whole of both pictures at reduced size, or tiles of them at full size.

use super::plane::{self, Plane};
use super::strange::Set;
use crate::budget::{Account, OverBudget};
use crate::geom::{Map, Rect};
use crate::raster::Seen;

/// The same part of both pictures.
#[derive(Debug)]
pub(super) struct Patch {
    pub frame: Plane,
    pub plate: Plane,
    /// Full-size pixels to one pixel of the grids.
    pub step: f64,
    /// What of the frame is the set, once that is known.
    pub set: Option<Set>,
}

/// Beside a tile the plate is read this much further, for what the start is off and for the filters.
const MARGIN: u32 = 24;

/// Both pictures whole, `step` x `step` pixels in one.
pub(super) fn whole<F: Seen, P: Seen<Fault = F::Fault>>(
    frame: &F,
    plate: &P,
    step: u32,
    account: &Account,
) -> Result<Patch, F::Fault> {
    Ok(Patch {
        frame: plane::seen(frame, frame.rect(), step, account)?,
        plate: plane::seen(plate, plate.rect(), step, account)?,
        step: f64::from(step),
        set: None,
    })
}

/// `tile` of the frame and what of the plate lies under it, at full size; `None` where the plate ends.
pub(super) fn tile<F: Seen, P: Seen<Fault = F::Fault>>(
    frame: &F,
    plate: &P,
    tile: Rect,
    map: &Map,
    account: &Account,
) -> Result<Option<Patch>, F::Fault> {
    let (x0, y0, x1, y1) = map.bounds(&tile);
    let under = Rect::around(x0, y0, x1, y1)
        .grown(MARGIN)
        .intersected(&plate.rect());
    if under.width() < tile.width() / 2 || under.height() < tile.height() / 2 {
        return Ok(None);
    }
    Ok(Some(Patch {
        frame: plane::seen(frame, tile, 1, account)?,
        plate: plane::seen(plate, under, 1, account)?,
        step: 1.0,
        set: None,
    }))
}

/// So many cells (of 4 px) around something strange an octave still sees of it.
const BESIDE: [u32; 4] = [1, 1, 2, 3];

/// The typical deviation of values around zero: 1.4826 times their median size, from a thousand or so of them.
pub(super) fn typical(values: &[f32]) -> f32 {
    let stride = (values.len() / 4096).max(1) | 1;
    let sizes: Vec<f32> = values.iter().step_by(stride).map(|v| v.abs()).collect();
    1.4826 * median(sizes)
}

fn median(mut values: Vec<f32>) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

impl Patch {
    /// The same part by octaves, finest first.
    pub(super) fn octaves(&mut self, account: &Account) -> Result<Vec<Patch>, OverBudget> {
        let frame = self.frame.octaves(account)?;
        let plate = self.plate.octaves(account)?;
        let steps = [1, 1, 1, 2].into_iter().zip(BESIDE);
        frame
            .into_iter()
            .zip(plate)
            .zip(steps)
            .map(|((frame, plate), (step, beside))| {
                let set = self.set.as_ref();
                Ok(Patch {
                    frame,
                    plate,
                    step: f64::from(step) * self.step,
                    set: set
                        .map(|set| set.shrunk(beside, step, account))
                        .transpose()?,
                })
            })
            .collect()
    }

    /// Full-size frame coordinates of a point of the frame's grid.
    pub(super) fn full(&self, x: f64, y: f64) -> [f64; 2] {
        let [left, top] = self.frame.origin;
        [left + self.step * x, top + self.step * y]
    }
}
