//! What of a frame is no part of the set: pieces, rods, hard shadows.
//!
//! Weights by a pixel's own difference do not leave out a piece's outline: somewhere along it the difference passes
//! through zero, and its slope there outweighs hundreds of pixels of a faint set. So places are judged by how far they
//! differ around a pixel, and left out whole.

use rayon::prelude::*;

use super::measure::REACH;
use super::patch::Patch;
use super::warped::Warped;
use crate::budget::{Account, OverBudget};
use crate::geom::{Map, Rect};
use crate::raster::Raster;

/// Side of a cell, px.
const CELL: u32 = 4;
/// Side of what is compared at a time, px.
const TILE: u32 = 32;
/// A place is strange where the mean squared difference of 3 x 3 cells exceeds this many times what the set has.
/// Noise alone comes to 1.0 +- 0.2.
const TIMES: f32 = 2.0;
/// What is off by so much (px, squared) is still the set: under a whole-pixel start, and under a fit that may not have
/// followed a turn.
pub(super) const STARTED: f32 = 0.5;
pub(super) const FITTED: f32 = 0.1;

/// Sums of one cell: squared differences, squared slopes, pixels.
type Cell = [f32; 3];

/// Which pixels of a grid are the set, by cells.
#[derive(Debug)]
pub(super) struct Set {
    cells: Raster<u8>,
    /// Grid pixels a cell is wide.
    side: u32,
}

/// What of the patch's frame is the set under `map`, where differences have the deviation `spread`; a place that lies
/// within `off` (px squared) of where it belongs still is.
pub(super) fn found(
    patch: &Patch,
    map: &Map,
    spread: f32,
    off: f32,
    account: &Account,
) -> Result<Set, OverBudget> {
    let rect = patch.frame.detail.rect();
    let (wide, high) = (rect.width().div_ceil(CELL), rect.height().div_ceil(CELL));
    let all = Rect::of_size(wide, high);
    let mut cells = Raster::filled(all, [0.0f32; 3], account)?;
    let tiles: Vec<Rect> = rect.tiles(TILE, TILE);
    let measured: Vec<Option<Vec<Cell>>> = tiles
        .par_iter()
        .map(|tile| compared(patch, *tile, map))
        .collect();
    for (tile, found) in tiles.iter().zip(measured) {
        let across = tile.width().div_ceil(CELL) as usize;
        for (n, cell) in found.into_iter().flatten().enumerate() {
            let x = (tile.x0 - rect.x0) / CELL as i32 + (n % across) as i32;
            let y = (tile.y0 - rect.y0) / CELL as i32 + (n / across) as i32;
            cells.put(x, y, cell);
        }
    }
    let limit = TIMES * spread * spread;
    let mut set = Raster::filled(all, 1u8, account)?;
    for y in 0..high as i32 {
        for x in 0..wide as i32 {
            let around = Rect::new(x - 1, y - 1, 3, 3).intersected(&all);
            let mut sum = [0.0f32; 3];
            for line in around.y0..around.y1 {
                for cell in cells.span(line, around.x0, around.x1) {
                    for (sum, more) in sum.iter_mut().zip(cell) {
                        *sum += more;
                    }
                }
            }
            let [difference, slope, count] = sum;
            if difference > limit * count + off * slope {
                set.put(x, y, 0);
            }
        }
    }
    Ok(Set {
        cells: set,
        side: CELL,
    })
}

/// The cells of a tile, row by row; `None` where the plate ends. What lies within the derivative's reach of the frame's
/// border is left out.
fn compared(patch: &Patch, tile: Rect, map: &Map) -> Option<Vec<Cell>> {
    let detail = &patch.frame.detail;
    let inner = tile.intersected(&derivable(detail.rect()));
    if inner.is_empty() {
        return None;
    }
    let around = inner.grown(REACH as u32);
    let warped = Warped::of(patch, around, map)?;
    let wide = around.width() as usize;
    let across = tile.width().div_ceil(CELL) as usize;
    let down = tile.height().div_ceil(CELL) as usize;
    let mut cells = vec![[0.0f32; 3]; across * down];
    for y in inner.y0..inner.y1 {
        let row = (y - tile.y0) as usize / CELL as usize * across;
        let own = detail.span(y, inner.x0, inner.x1);
        let smooth = patch.frame.base.span(y, inner.x0, inner.x1);
        let line = (y - around.y0) as usize;
        let lows = warped.lows(patch, line, REACH as usize, own.len());
        for (k, (own, (smooth, low))) in own.iter().zip(smooth.iter().zip(lows)).enumerate() {
            let at = line * wide + k + REACH as usize;
            let ratio = smooth / low;
            let seen = &warped.values;
            let error = ratio * seen[at] - own;
            let slopes = [
                seen[at + 1] - seen[at - 1],
                seen[at + wide] - seen[at - wide],
            ];
            let slope = slopes.map(|v| 0.25 * ratio * ratio * v * v);
            let column = (inner.x0 - tile.x0) as usize + k;
            let cell = &mut cells[row + column / CELL as usize];
            cell[0] += error * error;
            cell[1] += slope[0] + slope[1];
            cell[2] += 1.0;
        }
    }
    Some(cells)
}

/// Where derivatives can be taken.
fn derivable(rect: Rect) -> Rect {
    Rect {
        x0: rect.x0 + REACH,
        y0: rect.y0 + REACH,
        x1: rect.x1 - REACH,
        y1: rect.y1 - REACH,
    }
}

impl Set {
    /// The same on a grid `step` times as coarse, without what lies within `cells` of something strange.
    pub(super) fn shrunk(
        &self,
        cells: u32,
        step: u32,
        account: &Account,
    ) -> Result<Set, OverBudget> {
        let all = self.cells.rect();
        let mut out = Raster::filled(all, 1u8, account)?;
        for y in all.y0..all.y1 {
            for x in all.x0..all.x1 {
                if self.cells.at(x, y) == 0 {
                    let around = Rect::new(x, y, 1, 1).grown(cells).intersected(&all);
                    for line in around.y0..around.y1 {
                        out.span_mut(line, around.x0, around.x1).fill(0);
                    }
                }
            }
        }
        Ok(Set {
            cells: out,
            side: (self.side / step).max(1),
        })
    }

    /// 1 where a pixel of row `y` from `x0` on is the set, else 0.
    pub(super) fn row(&self, y: i32, x0: i32, out: &mut [f32]) {
        let side = self.side as i32;
        let all = self.cells.rect();
        let line = self.cells.row((y / side).min(all.y1 - 1));
        let (mut column, mut left) = ((x0 / side) as usize, side - x0 % side);
        let mut rest = out;
        while !rest.is_empty() {
            let count = (left as usize).min(rest.len());
            let (own, more) = rest.split_at_mut(count);
            own.fill(f32::from(line[column.min(line.len() - 1)]));
            (rest, left) = (more, side);
            column += 1;
        }
    }
}
