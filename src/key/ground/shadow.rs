//! The light a piece takes from the set and throws on it: S without the drift of light across the frame, without the
//! rod's shadow, and exactly 1 where nothing stands out of the noise.

use rayon::prelude::*;

use super::super::LightField;
use super::super::tools::labels::{self, Joined};
use super::super::tools::{gauss, push_pull};
use super::noise::solved;
use super::{Ground, at_border, cast};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster};

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
/// Blur in cells before anything is compared with the noise.
const SOFT: f64 = 3.0;
/// Deviations at which light begins to be an effect, is one wholly, and must be reached somewhere in an area.
const BEGINS: f32 = 1.5;
const WHOLE: f32 = 3.0;
const SURE: f32 = 4.5;
/// Cells of the smallest effect.
const SMALLEST: u64 = 60;
/// What departs by less than this at the frame's border, and has no part beneath the piece, is a finer drift than the
/// polynomial's: relative.
const DRIFTS: f32 = 0.04;
/// Least deviation believed: what the 16th part of a stop's hundredth shows, relative.
const LEAST: f32 = 0.0008;

pub(in super::super) fn thrown(
    ground: &Ground,
    body: &Raster<u8>,
    matte: &Matte,
    (rods, rod_shadow): (&[cast::Line], &Raster<u8>),
    account: &Account,
) -> Result<LightField, OverBudget> {
    let light = &ground.light.cells;
    let rect = light.rect();
    let mut known = Raster::filled(rect, 1.0f32, account)?;
    let mut far = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let dark = set(rod_shadow, x, y);
            let seen = set(&ground.background, x, y) && !set(body, x, y);
            if dark {
                known.put(x, y, 0.0);
            }
            far.put(x, y, u8::from(seen && !dark));
        }
    }
    let mut cells = push_pull::filled(light, &known, account)?;
    let drift = Drift::of(&cells, &far);
    drift.taken_off(&mut cells);
    // Now that coverage is known: hair and holes throw less than their body did.
    let silhouette = halved(matte, rect, account)?;
    let mut cells = cast::carried_on(&cells, &far, &silhouette, rods, account)?;
    quietened(&mut cells, &far, body, account)?;
    Ok(LightField { cells })
}

/// The light on the set with the shadow carried on under the `body` by what that casts.
pub(in super::super) fn carried_on(
    ground: &mut Ground,
    body: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = ground.light.cells.rect();
    let mut far = Raster::filled(rect, 0u8, account)?;
    let mut silhouette = Raster::filled(rect, 0.0f32, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let hides = set(body, x, y);
            far.put(x, y, u8::from(set(&ground.background, x, y) && !hides));
            silhouette.put(x, y, f32::from(u8::from(hides)));
        }
    }
    let drift = Drift::of(&ground.light.cells, &far);
    drift.taken_off(&mut ground.light.cells);
    let mut cells = cast::carried_on(&ground.light.cells, &far, &silhouette, &[], account)?;
    drift.laid_on(&mut cells);
    ground.light.cells = cells;
    Ok(())
}

/// Mean coverage in each half-size cell.
fn halved(matte: &Matte, rect: Rect, account: &Account) -> Result<Raster<f32>, OverBudget> {
    let mut out = Raster::filled(rect, 0.0f32, account)?;
    let full = matte.rect();
    for y in full.y0..full.y1 {
        for x in full.x0..full.x1 {
            let (i, j) = (x.div_euclid(2), y.div_euclid(2));
            if rect.contains(i, j) {
                out.put(i, j, out.at(i, j) + 0.25 * matte.at(x, y));
            }
        }
    }
    Ok(out)
}

/// A low polynomial per channel over the frame.
struct Drift {
    terms: [[f64; TERMS]; 3],
    middle: (f64, f64),
    scale: f64,
}

impl Drift {
    /// Fitted to the light where the set is seen, with ever less weight for what departs: shadows and bounce.
    fn of(light: &Raster<[f32; 3]>, far: &Raster<u8>) -> Drift {
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
    fn taken_off(&self, cells: &mut Raster<[f32; 3]>) {
        self.applied(cells, |cell, slow| (cell / slow).clamp(0.0, 16.0));
    }

    fn laid_on(&self, cells: &mut Raster<[f32; 3]>) {
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

fn set(mask: &Raster<u8>, x: i32, y: i32) -> bool {
    mask.rect().contains(x, y) && mask.at(x, y) > 0
}

/// Makes exactly 1 of what doesn't stand out of the noise.
fn quietened(
    cells: &mut Raster<[f32; 3]>,
    far: &Raster<u8>,
    body: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let soft = gauss::blurred(cells, SOFT, account)?;
    let rect = cells.rect();
    let width = cells.width().max(1);
    let mut offs: Vec<f32> = (soft.data().iter().zip(far.data()))
        .filter(|(_, far)| **far > 0)
        .map(|(s, _)| ((s[0] + s[1] + s[2]) / 3.0 - 1.0).abs())
        .collect();
    let deviation = if offs.is_empty() {
        LEAST
    } else {
        // The quieter half: shadows may lie on much of the set. A quartile stands for 0.3186 deviations.
        let quarter = offs.len() / 4;
        let low = *offs.select_nth_unstable_by(quarter, f32::total_cmp).1;
        (low / 0.3186).max(LEAST)
    };
    let size = |s: &[f32; 3]| {
        let mean = (s[0] + s[1] + s[2]) / 3.0 - 1.0;
        // Tint counts where it is as plain as brightness.
        let tint = (s[0] - s[1]).abs().max((s[2] - s[1]).abs());
        f32::max(mean.abs(), 0.5 * tint) / deviation
    };
    let mut loud = Raster::filled(rect, 0u8, account)?;
    for (loud, s) in loud.data_mut().iter_mut().zip(soft.data()) {
        *loud = u8::from(size(s) > BEGINS);
    }
    let parts = labels::parts(&loud, Joined::Sides, account)?;
    let mut most = vec![0.0f32; parts.parts.len()];
    let mut near = vec![false; parts.parts.len()];
    for (at, (&label, s)) in parts.labels.data().iter().zip(soft.data()).enumerate() {
        if label > 0 {
            let most = &mut most[label as usize - 1];
            *most = most.max(size(s));
            let (x, y) = (rect.x0 + (at % width) as i32, rect.y0 + (at / width) as i32);
            near[label as usize - 1] |= set(body, x, y);
        }
    }
    let drifts = |i: usize| {
        let rim = at_border(&parts.parts[i].place, &rect);
        rim && !near[i] && most[i] * deviation < DRIFTS
    };
    for (at, cell) in cells.data_mut().iter_mut().enumerate() {
        let part = parts.labels.data()[at].checked_sub(1).map(|i| i as usize);
        let kept =
            part.is_some_and(|i| most[i] >= SURE && parts.parts[i].area >= SMALLEST && !drifts(i));
        if !kept {
            *cell = [1.0; 3];
            continue;
        }
        let t = ((size(&soft.data()[at]) - BEGINS) / (WHOLE - BEGINS)).clamp(0.0, 1.0);
        let share = t * t * (3.0 - 2.0 * t);
        *cell = cell.map(|v| 1.0 + (v - 1.0) * share);
    }
    Ok(())
}
