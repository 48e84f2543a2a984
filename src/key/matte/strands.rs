//! Where a piece is hair, fur or threads: many parts too thin to have an inside.

use super::super::tools::distance;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Parts that a disc of this radius (pixels) does not fit into are thin.
const THIN: f32 = 5.0;
/// Half the side of the square over which thin parts are counted, and the share that makes a zone.
const REACH: usize = 20;
const DENSE: f32 = 0.10;
/// Threads within this of a zone (half side of a square) are part of it.
const OWN: usize = 150;

/// Sums over squares of half side `reach`, cut at the border.
fn box_sums(
    marks: &Raster<u8>,
    reach: usize,
    account: &Account,
) -> Result<Raster<u32>, OverBudget> {
    let width = marks.width();
    let height = marks.data().len().checked_div(width).unwrap_or(0);
    let table = Rect::of_size(width as u32 + 1, height as u32 + 1);
    let mut upto = Raster::filled(table, 0u32, account)?;
    let across = width + 1;
    for y in 0..height {
        let mut run = 0;
        for x in 0..width {
            run += u32::from(marks.data()[y * width + x]);
            upto.data_mut()[(y + 1) * across + x + 1] = upto.data()[y * across + x + 1] + run;
        }
    }
    let mut sums = Raster::filled(marks.rect(), 0u32, account)?;
    let t = upto.data();
    for y in 0..height {
        let (y0, y1) = (y.saturating_sub(reach), (y + reach + 1).min(height));
        for x in 0..width {
            let (x0, x1) = (x.saturating_sub(reach), (x + reach + 1).min(width));
            sums.data_mut()[y * width + x] = t[y1 * across + x1] + t[y0 * across + x0]
                - t[y0 * across + x1]
                - t[y1 * across + x0];
        }
    }
    Ok(sums)
}

/// 1 in zones of strands. `depth` is the depth below the outline, `inside` the body.
pub fn zone(
    depth: &Raster<f32>,
    inside: &Raster<u8>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let width = depth.width();
    let mut core = Raster::filled(depth.rect(), 0u8, account)?;
    for (c, &d) in core.data_mut().iter_mut().zip(depth.data()) {
        *c = u8::from(d > THIN);
    }
    let to_core = distance::nearest(&core, account)?;
    let mut thin = Raster::filled(depth.rect(), 0u8, account)?;
    let mut any = false;
    for i in 0..thin.data().len() {
        let far = distance::squared(width, i, to_core.data()[i]) as f64
            > f64::from((THIN + 0.5) * (THIN + 0.5));
        if inside.data()[i] != 0 && far {
            thin.data_mut()[i] = 1;
            any = true;
        }
    }
    if !any {
        return Ok(thin);
    }
    let counts = box_sums(&thin, REACH, account)?;
    let side = (2 * REACH + 1) as f32;
    let enough = (DENSE * side * side) as u32;
    let lone = box_sums(&thin, 5, account)?;
    let mut dense = thin;
    for (d, &n) in dense.data_mut().iter_mut().zip(counts.data()) {
        *d = u8::from(n > enough);
    }
    // Single threads that leave the zone belong to it.
    let near = box_sums(&dense, REACH + 6, account)?;
    let around = box_sums(&dense, OWN, account)?;
    for (i, d) in dense.data_mut().iter_mut().enumerate() {
        *d = u8::from(near.data()[i] > 0 || around.data()[i] > 0 && lone.data()[i] != 0);
    }
    Ok(dense)
}
