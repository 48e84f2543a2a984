//! The frame as square blocks of half-size cells: fine enough for a flag's penumbra, few enough for a sheet.

use super::super::super::tools::distance;
use super::sheet;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Blocks along the longest side at most.
const SIDE: u32 = 64;

/// Where the blocks lie.
#[derive(Clone, Copy, Debug)]
pub(super) struct Blocks {
    pub rect: Rect,
    /// Cells to a side.
    pub side: i32,
    pub width: usize,
    pub height: usize,
}

/// What is known of each block: logarithms of the mean ratios, and how much of it is seen.
pub(super) struct Seen {
    pub logs: [Vec<f64>; 3],
    pub known: Vec<f64>,
}

impl Blocks {
    pub fn of(rect: Rect) -> Blocks {
        let longest = rect.width().max(rect.height());
        let side = longest.div_ceil(SIDE).max(1);
        Blocks {
            rect,
            side: side as i32,
            width: rect.width().div_ceil(side) as usize,
            height: rect.height().div_ceil(side) as usize,
        }
    }

    pub fn count(&self) -> usize {
        self.width * self.height
    }

    /// The cells of a block.
    pub fn cells(&self, at: usize) -> Rect {
        let (x, y) = ((at % self.width) as i32, (at / self.width) as i32);
        let side = self.side as u32;
        Rect::new(
            self.rect.x0 + x * self.side,
            self.rect.y0 + y * self.side,
            side,
            side,
        )
        .intersected(&self.rect)
    }

    /// Means of the ratios over what is `seen` (1).
    pub fn seen(&self, ratios: &Raster<[f32; 3]>, seen: &Raster<u8>) -> Seen {
        let mut logs = [const { Vec::new() }; 3];
        let mut known = Vec::with_capacity(self.count());
        for at in 0..self.count() {
            let cells = self.cells(at);
            let (mut count, mut sums) = (0u32, [0.0f64; 3]);
            for y in cells.y0..cells.y1 {
                let ratios = ratios.span(y, cells.x0, cells.x1);
                let seen = seen.span(y, cells.x0, cells.x1);
                for (ratio, _) in ratios.iter().zip(seen).filter(|(_, seen)| **seen > 0) {
                    count += 1;
                    for k in 0..3 {
                        sums[k] += f64::from(ratio[k]);
                    }
                }
            }
            known.push(f64::from(count) / cells.area().max(1) as f64);
            for (logs, sum) in logs.iter_mut().zip(sums) {
                let mean = sum / f64::from(count.max(1));
                logs.push(if mean > 0.0 { libm::log(mean) } else { 0.0 });
            }
        }
        Seen { logs, known }
    }

    /// How far each block lies from the piece, in cells; infinite without a piece.
    pub fn away(
        &self,
        silhouette: &Raster<f32>,
        account: &Account,
    ) -> Result<Vec<f64>, OverBudget> {
        let small = Rect::of_size(self.width as u32, self.height as u32);
        let mut hides = Raster::filled(small, 0u8, account)?;
        for (at, hides) in hides.data_mut().iter_mut().enumerate() {
            let cells = self.cells(at);
            let covered = (cells.y0..cells.y1)
                .flat_map(|y| silhouette.span(y, cells.x0, cells.x1))
                .any(|cover| *cover > 0.5);
            *hides = u8::from(covered);
        }
        let nearest = distance::nearest(&hides, account)?;
        let away = nearest.data().iter().enumerate().map(|(at, &near)| {
            if near == distance::NONE {
                f64::INFINITY
            } else {
                let squared = distance::squared(self.width, at, near);
                f64::from(self.side) * (squared as f64).sqrt()
            }
        });
        Ok(away.collect())
    }

    /// The largest value of cells in each block.
    pub fn most(&self, values: &Raster<f32>) -> Vec<f32> {
        let most = |at| {
            let cells = self.cells(at);
            (cells.y0..cells.y1)
                .flat_map(|y| values.span(y, cells.x0, cells.x1))
                .fold(0.0f32, |most, v| most.max(*v))
        };
        (0..self.count()).map(most).collect()
    }

    /// A smooth sheet through what is seen outside of the blocks that are `left` out.
    pub fn sheet(&self, seen: &Seen, left: &[bool]) -> [Vec<f64>; 3] {
        let known: Vec<f64> = (seen.known.iter().zip(left))
            .map(|(known, left)| if *left { 0.0 } else { *known })
            .collect();
        let whole: f64 = known.iter().sum();
        let laid = |logs: &Vec<f64>| {
            let sum: f64 = logs.iter().zip(&known).map(|(l, k)| l * k).sum();
            let mean = sum / whole.max(1e-9);
            sheet::laid(logs, &known, self.width, vec![mean; logs.len()])
        };
        let [r, g, b] = &seen.logs;
        let ((r, g), b) = rayon::join(|| rayon::join(|| laid(r), || laid(g)), || laid(b));
        [r, g, b]
    }

    /// Between the middles of four blocks: the first of them, and how far on to the next ones, for the cell (x, y).
    pub fn between(&self, x: i32, y: i32) -> ([usize; 4], f32, f32) {
        let along = |at: i32, low: i32, count: usize| {
            let place = ((at - low) as f32 + 0.5) / self.side as f32 - 0.5;
            let place = place.clamp(0.0, (count - 1) as f32);
            let first = (place as usize).min(count.saturating_sub(2));
            (first, place - first as f32)
        };
        let (i, u) = along(x, self.rect.x0, self.width);
        let (j, v) = along(y, self.rect.y0, self.height);
        let right = usize::from(i + 1 < self.width);
        let down = if j + 1 < self.height { self.width } else { 0 };
        let at = j * self.width + i;
        ([at, at + right, at + down, at + down + right], u, v)
    }

    /// A block's neighbours that share a side with it; `None` beyond the frame.
    pub fn beside(&self, at: usize) -> [Option<usize>; 4] {
        let (x, y) = (at % self.width, at / self.width);
        [
            (x > 0).then(|| at - 1),
            (x + 1 < self.width).then(|| at + 1),
            (y > 0).then(|| at - self.width),
            (y + 1 < self.height).then(|| at + self.width),
        ]
    }

    /// Marked blocks with everything within so many steps of them.
    pub fn grown(&self, marked: &[bool], steps: usize) -> Vec<bool> {
        let mut grown = marked.to_vec();
        for _ in 0..steps {
            let from = grown.clone();
            for (at, grown) in grown.iter_mut().enumerate() {
                *grown = from[at] || self.beside(at).into_iter().flatten().any(|n| from[n]);
            }
        }
        grown
    }
}
