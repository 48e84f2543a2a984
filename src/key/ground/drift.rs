//! The drift of light across a frame: what lamps and lenses do as a whole, no finer than a low polynomial.

use rayon::prelude::*;

use super::super::tools::linear::solved;
use crate::raster::Raster;

/// Terms of a polynomial of third degree in two directions: lamps drift no finer across a frame.
const TERMS: usize = 10;
/// Every so many cells are enough for the drift.
const STRIDE: usize = 3;
/// Cells of one piece of parallel work.
const PIECE: usize = 1024;
/// Departure from the drift at which a cell counts a quarter, relative, round by round, with the terms in use.
const ROUNDS: [(usize, f64); 7] = [
    (1, 0.06),
    (3, 0.04),
    (3, 0.03),
    (6, 0.02),
    (6, 0.015),
    (10, 0.012),
    (10, 0.01),
];
/// What is darker counts less at this share of the departure: a piece takes more light from the set than it throws on
/// it, and a drift that follows the tails of its shadow would dip below the piece.
const DARKER: f64 = 0.75;

/// A low polynomial per channel over the frame.
pub(super) struct Drift {
    terms: [[f64; TERMS]; 3],
    middle: (f64, f64),
    scale: f64,
}

impl Drift {
    /// Fitted to the light where the set is seen, with ever less weight for what departs: shadows and bounce.
    pub fn of(light: &Raster<[f32; 3]>, far: &Raster<u8>) -> Drift {
        let rect = light.rect();
        let mut drift = Drift {
            terms: [[0.0; TERMS]; 3],
            middle: (
                f64::from(rect.x0 + rect.x1) / 2.0,
                f64::from(rect.y0 + rect.y1) / 2.0,
            ),
            scale: f64::from(rect.width().max(rect.height()).max(2)) / 2.0,
        };
        let mut cells = Vec::new();
        for y in (rect.y0..rect.y1).step_by(STRIDE) {
            for x in (rect.x0..rect.x1).step_by(STRIDE) {
                if far.at(x, y) > 0 {
                    cells.push((x, y));
                }
            }
        }
        let start = usual(cells.iter().map(|&(x, y)| light.at(x, y)));
        for (terms, start) in drift.terms.iter_mut().zip(start) {
            terms[0] = start;
        }
        if cells.len() < 200 {
            return drift;
        }
        for (count, width) in ROUNDS {
            // One weight for all channels: they share the left side.
            let mut square = [[0.0f64; TERMS]; TERMS];
            let mut right = [[0.0f64; TERMS]; 3];
            let weighed: Vec<([f64; TERMS], f64, [f32; 3])> = cells
                .par_iter()
                .with_min_len(PIECE)
                .map(|&(x, y)| {
                    let basis = drift.basis(x, y);
                    let now = drift.at(x, y);
                    let value = light.at(x, y);
                    // One weight for all channels, by brightness: a shadow is left out as a whole.
                    let off = (0..3)
                        .map(|k| f64::from(value[k] / now[k].max(0.05)) - 1.0)
                        .sum::<f64>()
                        / 3.0;
                    let width = if off < 0.0 { DARKER * width } else { width };
                    let near = 1.0 / (1.0 + off * off / (width * width));
                    (basis, near * near, value)
                })
                .collect();
            for (basis, weight, value) in &weighed {
                for i in 0..count {
                    let share = weight * basis[i];
                    for j in 0..count {
                        square[i][j] += share * basis[j];
                    }
                    for k in 0..3 {
                        right[k][i] += share * f64::from(value[k]);
                    }
                }
            }
            for k in 0..3 {
                let mut a = [[0.0f64; TERMS + 1]; TERMS];
                for (i, row) in a.iter_mut().enumerate() {
                    row[..TERMS].copy_from_slice(&square[i]);
                    row[TERMS] = right[k][i];
                }
                let pull = 1e-3 * a[0][0].max(1e-9);
                for (i, row) in a.iter_mut().enumerate() {
                    // What nothing decides stays 0.
                    row[i] += if i == 0 { 0.0 } else { pull };
                }
                if let Some(terms) = solved(a) {
                    drift.terms[k] = terms;
                }
            }
        }
        drift
    }

    fn basis(&self, x: i32, y: i32) -> [f64; TERMS] {
        let u = (f64::from(x) + 0.5 - self.middle.0) / self.scale;
        let v = (f64::from(y) + 0.5 - self.middle.1) / self.scale;
        [
            1.0,
            u,
            v,
            u * u,
            u * v,
            v * v,
            u * u * u,
            u * u * v,
            u * v * v,
            v * v * v,
        ]
    }

    /// The light without the drift.
    pub fn taken_off(&self, cells: &mut Raster<[f32; 3]>) {
        self.applied(cells, |cell, slow| (cell / slow).clamp(0.0, 16.0));
    }

    pub fn laid_on(&self, cells: &mut Raster<[f32; 3]>) {
        self.applied(cells, |cell, slow| cell * slow);
    }

    fn applied(&self, cells: &mut Raster<[f32; 3]>, with: impl Fn(f32, f32) -> f32 + Sync) {
        let rect = cells.rect();
        let width = cells.width().max(1);
        let rows = cells.data_mut().par_chunks_mut(width).zip(rect.y0..rect.y1);
        rows.for_each(|(row, y)| {
            for (cell, x) in row.iter_mut().zip(rect.x0..) {
                let slow = self.at(x, y);
                for k in 0..3 {
                    cell[k] = with(cell[k], slow[k].max(0.05));
                }
            }
        });
    }

    fn at(&self, x: i32, y: i32) -> [f32; 3] {
        let basis = self.basis(x, y);
        self.terms
            .map(|terms| (0..TERMS).map(|i| terms[i] * basis[i]).sum::<f64>() as f32)
    }
}

/// The most frequent brightness, with the mean of each channel there: shadows only darken some of the frame.
fn usual(light: impl Iterator<Item = [f32; 3]>) -> [f64; 3] {
    const BINS: usize = 200;
    let mut bins = vec![(0u32, [0.0f64; 3]); BINS];
    for value in light {
        let mean = (value[0] + value[1] + value[2]) / 3.0;
        let bin = ((mean * 100.0) as usize).min(BINS - 1);
        bins[bin].0 += 1;
        for k in 0..3 {
            bins[bin].1[k] += f64::from(value[k]);
        }
    }
    let around = |i: usize| i.saturating_sub(2)..(i + 3).min(BINS);
    let count = |i: usize| around(i).map(|j| bins[j].0).sum::<u32>();
    let best = (0..BINS).rev().max_by_key(|&i| count(i)).unwrap_or(0);
    let whole = count(best);
    if whole == 0 {
        return [1.0; 3];
    }
    std::array::from_fn(|k| around(best).map(|j| bins[j].1[k]).sum::<f64>() / f64::from(whole))
}
