//! Walls: lines where the light ratio steps as no smooth light does. They stop the flood at soft, weak edges.
//!
//! Along a line's normal four means lie at -o, -i, i, o cells. The step between the inner two, minus what the
//! slopes outside it predict, is 0 for any straight or parabolic course: a wide penumbra gives nothing.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined};
use super::steps::{NORMALS, Of, Steps};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Where a wall begins to be seen, in standard deviations over the three channels together.
const CERTAIN: f32 = 5.5;
/// How weak it may become while it goes on.
const FOLLOWED: f32 = 3.8;
/// Cells of the shortest wall kept.
const SHORTEST: u64 = 12;
/// A penumbra's rim: weaker than this, and than this share of the strongest wall within `BESIDE` cells.
const RIM: f32 = 9.0;
const RIM_SHARE: f32 = 0.35;
const BESIDE: usize = 24;
/// A coarse wall this near to a fine one says nothing new.
const BESIDE_FINE: i32 = 8;

/// A step of tint this plain that is still more than a share of itself so many cells to both sides is no edge but
/// the wide course of bounced light.
const PLAIN: f32 = 9.0;
const RAMP: f32 = 5.0;
const RAMP_SHARE: f32 = 0.5;

/// Adds walls found at half this size where no finer wall runs beside them: within `BESIDE_FINE` cells along their
/// normal. At a finer wall's end they go on.
pub(super) fn joined(
    fine: &mut Raster<u8>,
    coarse: &Raster<u8>,
    steps: &Steps,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = fine.rect();
    let mut added = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let (half_x, half_y) = (x.div_euclid(2), y.div_euclid(2));
            if coarse.at(half_x, half_y) == 0 {
                continue;
            }
            let (nx, ny) = NORMALS[usize::from(steps.normal.at(half_x, half_y))];
            let beside = (-BESIDE_FINE..=BESIDE_FINE).any(|d| {
                (-1..=1).any(|t| {
                    let (d, t) = (d as f32, t as f32);
                    let px = x + (nx * d - ny * t).round() as i32;
                    let py = y + (ny * d + nx * t).round() as i32;
                    rect.contains(px, py) && fine.at(px, py) > 0
                })
            });
            added.put(x, y, u8::from(!beside));
        }
    }
    for (fine, &added) in fine.data_mut().iter_mut().zip(added.data()) {
        *fine |= added;
    }
    Ok(())
}

/// Cells on walls; `scale` multiplies the thresholds.
pub(super) fn walls(
    steps: &Steps,
    scale: f32,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let crest_share = match steps.of {
        Of::Ratio => 0.66,
        Of::Tint => 0.85,
    };
    let ridge = ridges(steps, crest_share, scale, account)?;
    let parts = labels::parts(&ridge, Joined::SidesAndCorners, account)?;
    let mut strongest = vec![0.0f32; parts.parts.len()];
    for (at, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 {
            let top = &mut strongest[label as usize - 1];
            *top = top.max(steps.strength.data()[at]);
        }
    }
    let held = |label: u32| {
        label > 0 && {
            let part = label as usize - 1;
            strongest[part] >= CERTAIN * scale && parts.parts[part].area >= SHORTEST
        }
    };
    let mut kept = Raster::filled(ridge.rect(), 0.0f32, account)?;
    for (at, kept) in kept.data_mut().iter_mut().enumerate() {
        if held(parts.labels.data()[at]) {
            *kept = steps.strength.data()[at];
        }
    }
    let beside = highest(&kept, BESIDE, account)?;
    // Median strength of each wall, and of the strongest beside each of its cells.
    let mut of: Vec<(Vec<f32>, Vec<f32>)> = vec![Default::default(); parts.parts.len()];
    let _charge = account.charge(8 * kept.data().len() as u64, "walls")?;
    for (at, &label) in parts.labels.data().iter().enumerate() {
        if held(label) {
            let (own, others) = &mut of[label as usize - 1];
            own.push(kept.data()[at]);
            others.push(beside.data()[at]);
        }
    }
    let median = |values: &mut Vec<f32>| {
        let middle = values.len() / 2;
        *values.select_nth_unstable_by(middle, f32::total_cmp).1
    };
    let rim: Vec<bool> = of
        .iter_mut()
        .map(|(own, others)| {
            !own.is_empty() && {
                let own = median(own);
                own < RIM * scale && own < RIM_SHARE * median(others)
            }
        })
        .collect();
    let mut walls = Raster::filled(ridge.rect(), 0u8, account)?;
    for (wall, &label) in walls.data_mut().iter_mut().zip(parts.labels.data()) {
        *wall = u8::from(held(label) && !rim[label as usize - 1]);
    }
    Ok(walls)
}

/// Cells near the crest of their step: a sharp step has weaker echoes some cells beside it.
fn ridges(
    steps: &Steps,
    crest_share: f32,
    scale: f32,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = steps.strength.rect();
    let mut ridge = Raster::filled(rect, 0u8, account)?;
    let width = ridge.width().max(1);
    ridge
        .data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(j, row)| {
            let y = rect.y0 + j as i32;
            for (x, ridge) in (rect.x0..).zip(row) {
                let own = steps.strength.at(x, y);
                if own < FOLLOWED * scale {
                    continue;
                }
                let (nx, ny) = NORMALS[usize::from(steps.normal.at(x, y))];
                let crest = (-5i32..=5)
                    .map(|d| {
                        let (px, py) = (
                            x + (nx * d as f32).round() as i32,
                            y + (ny * d as f32).round() as i32,
                        );
                        if rect.contains(px, py) {
                            steps.strength.at(px, py)
                        } else {
                            0.0
                        }
                    })
                    .fold(0.0, f32::max);
                let wide = steps.of == Of::Tint && own >= PLAIN * scale && {
                    let beside = |d: f32| {
                        let (px, py) = (x + (nx * d).round() as i32, y + (ny * d).round() as i32);
                        if rect.contains(px, py) {
                            steps.strength.at(px, py)
                        } else {
                            0.0
                        }
                    };
                    beside(-RAMP) + beside(RAMP) > 2.0 * RAMP_SHARE * own
                };
                *ridge = u8::from(own >= crest_share * crest && !wide);
            }
        });
    Ok(ridge)
}

/// The highest value within a square of `reach` cells around.
fn highest(of: &Raster<f32>, reach: usize, account: &Account) -> Result<Raster<f32>, OverBudget> {
    let rect = of.rect();
    let mut across = Raster::filled(rect, 0.0f32, account)?;
    let mut out = Raster::filled(rect, 0.0f32, account)?;
    let width = of.width();
    if width == 0 {
        return Ok(out);
    }
    // Reach doubled step by step: the highest of two overlapping runs is the highest of both together.
    across
        .data_mut()
        .par_chunks_mut(width)
        .zip(of.data().par_chunks(width))
        .for_each(|(out, row)| {
            for (x, out) in out.iter_mut().enumerate() {
                let near = &row[x.saturating_sub(reach)..(x + reach + 1).min(width)];
                *out = near.iter().fold(0.0, |a, &b| f32::max(a, b));
            }
        });
    let across = across.data();
    let rows = rect.height() as usize;
    out.data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, out)| {
            for near in y.saturating_sub(reach)..(y + reach + 1).min(rows) {
                for (out, &v) in out.iter_mut().zip(&across[near * width..][..width]) {
                    *out = f32::max(*out, v);
                }
            }
        });
    Ok(out)
}
