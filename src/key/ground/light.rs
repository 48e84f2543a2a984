//! The light S under everything: accepted ratios made smooth, carried on under what hides the set.

use rayon::prelude::*;

use super::super::LightField;
use super::super::tools::{gauss, push_pull};
use super::cells::Cells;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// How far brightness and tint are averaged, in cells: eyes and lamps both change tint slowly.
const BRIGHTNESS: f64 = 2.0;
const TINT: f64 = 8.0;
/// Rounds that smooth the joints of the fill.
const ROUNDS: usize = 24;

/// Light of the accepted cells, filled under all others.
pub(super) fn filled(
    cells: &Cells,
    accepted: &Raster<u8>,
    account: &Account,
) -> Result<LightField, OverBudget> {
    let mut sums = cells.sums(account)?;
    sums.data_mut()
        .par_iter_mut()
        .zip(accepted.data())
        .for_each(|(sum, &accepted)| {
            if accepted == 0 {
                *sum = [0.0; 6];
            }
        });
    let near = gauss::blurred(&sums, BRIGHTNESS, account)?;
    let wide = gauss::blurred(&sums, TINT, account)?;
    let rect = accepted.rect();
    let mut values = Raster::filled(rect, [1.0f32; 3], account)?;
    let mut weight = Raster::filled(rect, 0.0f32, account)?;
    values
        .data_mut()
        .par_iter_mut()
        .zip(weight.data_mut())
        .zip(near.data().par_iter().zip(wide.data()))
        .zip(accepted.data())
        .for_each(|(((value, weight), (near, wide)), &accepted)| {
            let whole = near[3] + near[4] + near[5];
            if accepted > 0 && whole > 1e-4 {
                *value = mixed(near, wide);
                *weight = 1.0;
            }
        });
    let mut light = push_pull::filled(&values, &weight, account)?;
    if weight.data().iter().all(|&w| w == 0.0) {
        light.data_mut().fill([1.0; 3]);
    }
    relaxed(&mut light, &weight, account)?;
    Ok(LightField { cells: light })
}

/// Brightness of the near mean with the tint of the wide one.
fn mixed(near: &[f32; 6], wide: &[f32; 6]) -> [f32; 3] {
    let (mut own, mut far, mut whole) = (0.0, 0.0, 0.0);
    let mut tint = [1.0f32; 3];
    for k in 0..3 {
        if near[3 + k] > 1e-6 && wide[3 + k] > 1e-6 {
            tint[k] = wide[k] / wide[3 + k];
            // The near sum is of ratios, the far one of what the tint says in their place.
            own += near[k];
            far += near[3 + k] * tint[k];
            whole += near[3 + k];
        }
    }
    let scale = if whole > 0.0 && far > 1e-9 {
        own / far
    } else {
        1.0
    };
    tint.map(|v| (v * scale).clamp(0.0, 16.0))
}

/// Each unknown cell becomes the mean of its neighbours, some rounds long.
pub(super) fn relaxed(
    light: &mut Raster<[f32; 3]>,
    weight: &Raster<f32>,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = light.rect();
    let width = light.width();
    if width == 0 {
        return Ok(());
    }
    let mut next = Raster::filled(rect, [0.0; 3], account)?;
    // Where unknown cells lie, row by row.
    let unknown: Vec<_> = (weight.data().par_chunks(width))
        .zip(next.data_mut().par_chunks_mut(width))
        .zip(light.data().par_chunks(width))
        .map(|((row, next), light)| {
            next.copy_from_slice(light);
            let first = row.iter().position(|&w| w <= 0.0).unwrap_or(width);
            let last = row.iter().rposition(|&w| w <= 0.0);
            first..last.map_or(first, |last| last + 1)
        })
        .collect();
    for _ in 0..ROUNDS {
        next.data_mut()
            .par_chunks_mut(width)
            .zip(&unknown)
            .enumerate()
            .filter(|(_, (_, unknown))| !unknown.is_empty())
            .for_each(|(j, (out, unknown))| {
                let y = rect.y0 + j as i32;
                let own = light.row(y);
                let up = light.row((y - 1).max(rect.y0));
                let down = light.row((y + 1).min(rect.y1 - 1));
                let known = weight.row(y);
                for x in unknown.clone() {
                    if known[x] > 0.0 {
                        continue;
                    }
                    let (l, r) = (own[x.saturating_sub(1)], own[(x + 1).min(width - 1)]);
                    out[x] =
                        std::array::from_fn(|k| 0.25 * ((l[k] + r[k]) + (up[x][k] + down[x][k])));
                }
            });
        std::mem::swap(light, &mut next);
    }
    Ok(())
}
