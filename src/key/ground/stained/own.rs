//! The set's own tint: how red and blue stand to green over the frame, as lamps and a lens have it.

use super::super::super::tools::linear::solved;
use super::{BLOCKS, tint};
use crate::raster::Raster;

/// Terms of the set's own tint across the frame: a polynomial of second degree.
const TERMS: usize = 6;
/// Samples it is fitted to at most, and departure at which one counts a quarter, relative, with the terms in use.
const SAMPLES: usize = 8000;
const ROUNDS: [(usize, f64); 6] = [
    (1, 0.02),
    (3, 0.015),
    (3, 0.012),
    (6, 0.01),
    (6, 0.008),
    (6, 0.006),
];
/// The set's own tint over the frame.
pub(super) struct Own {
    terms: [[f64; TERMS]; 2],
    middle: (f64, f64),
    scale: f64,
    /// Median brightness.
    pub bright: f32,
}

impl Own {
    /// Fitted to windows whose blocks are `block` cells wide, with ever less weight for what departs.
    pub fn of(windows: &Raster<[f32; 6]>, block: i32) -> Option<Own> {
        let rect = windows.rect();
        let stride = 1 + (windows.data().len() / SAMPLES) as i32;
        let side = f64::from(stride).sqrt().ceil() as usize;
        let mut samples = Vec::new();
        for y in (rect.y0..rect.y1).step_by(side) {
            for x in (rect.x0..rect.x1).step_by(side) {
                if let Some((tint, loose)) = tint(&windows.at(x, y)) {
                    let loose = f64::from((loose[0] + loose[1]) / BLOCKS);
                    samples.push((block * x, block * y, tint.map(f64::from), loose));
                }
            }
        }
        if samples.len() < 100 {
            return None;
        }
        let middle = |k: usize| {
            let mut all: Vec<f64> = samples.iter().map(|s| s.2[k]).collect();
            let half = all.len() / 2;
            *all.select_nth_unstable_by(half, f64::total_cmp).1
        };
        let start = [middle(0), middle(1)];
        let mut brights: Vec<f32> = (samples.iter())
            .map(|&(x, y, ..)| {
                let s = windows.at(x.div_euclid(block), y.div_euclid(block));
                (0..3).map(|k| s[k] / s[3 + k]).sum::<f32>() / 3.0
            })
            .collect();
        let half = brights.len() / 2;
        let mut own = Own {
            bright: *brights.select_nth_unstable_by(half, f32::total_cmp).1,
            terms: [[0.0; TERMS]; 2],
            middle: (
                f64::from(block * (rect.x0 + rect.x1)) / 2.0,
                f64::from(block * (rect.y0 + rect.y1)) / 2.0,
            ),
            scale: f64::from(block) * f64::from(rect.width().max(rect.height()).max(2)) / 2.0,
        };
        for k in 0..2 {
            own.terms[k][0] = start[k];
        }
        for (count, width) in ROUNDS {
            let mut square = [[0.0f64; TERMS + 1]; TERMS];
            let mut right = [[0.0f64; TERMS]; 2];
            for &(x, y, tint, loose) in &samples {
                let (basis, now) = (own.basis(x, y), own.exact(x, y));
                let off = |k: usize| tint[k] / now[k].max(0.05) - 1.0;
                let apart = off(0) * off(0) + off(1) * off(1);
                let near = 1.0 / (1.0 + apart / (width * width + loose));
                let weight = near * near / (1.0 + loose / (width * width));
                for i in 0..count {
                    let share = weight * basis[i];
                    for j in 0..count {
                        square[i][j] += share * basis[j];
                    }
                    for k in 0..2 {
                        right[k][i] += share * tint[k];
                    }
                }
            }
            let pull = 1e-3 * square[0][0].max(1e-9);
            for k in 0..2 {
                let mut a = square;
                for (i, row) in a.iter_mut().enumerate() {
                    row[TERMS] = right[k][i];
                    row[i] += if i == 0 { 0.0 } else { pull };
                }
                if let Some(terms) = solved(a) {
                    own.terms[k] = terms;
                }
            }
        }
        Some(own)
    }

    fn basis(&self, x: i32, y: i32) -> [f64; TERMS] {
        let u = (f64::from(x) + 0.5 - self.middle.0) / self.scale;
        let v = (f64::from(y) + 0.5 - self.middle.1) / self.scale;
        [1.0, u, v, u * u, u * v, v * v]
    }

    fn exact(&self, x: i32, y: i32) -> [f64; 2] {
        let basis = self.basis(x, y);
        self.terms
            .map(|terms| (0..TERMS).map(|i| terms[i] * basis[i]).sum())
    }

    pub fn at(&self, x: i32, y: i32) -> [f32; 2] {
        self.exact(x, y).map(|v| v as f32)
    }
}
