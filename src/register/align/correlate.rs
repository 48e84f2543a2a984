//! The whole-pixel start: whitened cross-correlation of detail, summed over patches.

use rayon::prelude::*;

use super::fourier::{self, Complex, times};
use super::patch::{Patch, typical};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Standard deviation of the low-pass on the whitened spectrum, cycles a pixel: finer detail is mostly noise.
pub(super) const COMMON: f64 = 0.18;
/// The same where nothing but fine grain is to be seen.
pub(super) const GRAIN: f64 = 0.3;
/// Detail beyond so many of its typical deviations is cut there, so that a piece does not outweigh its set.
const CUT: f32 = 2.0;

/// The best match found.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peak {
    /// Frame to plate, full-size px.
    pub shift: [f64; 2],
    /// How far beside it the surface is highest, full-size px.
    pub summit: [f64; 2],
    /// Its height over the surface's root mean square.
    pub height: f64,
}

/// The best match within `range` full-size px either way, and the best of all.
pub(super) fn peaks(
    patches: &[Patch],
    range: f64,
    low_pass: f64,
    account: &Account,
) -> Result<Option<[Peak; 2]>, OverBudget> {
    let Some(first) = patches.first() else {
        return Ok(None);
    };
    let longest = patches.iter().flat_map(|patch| {
        let ([a, b], [c, d]) = (patch.frame.size(), patch.plate.size());
        [a, b, c, d]
    });
    let side = longest.max().unwrap_or(0).next_power_of_two();
    let square = Rect::of_size(side as u32, side as u32);
    let mut sum = Raster::filled(square, [0.0f32; 2], account)?;
    let mut field = Raster::filled(square, [0.0f32; 2], account)?;
    let mut scratch = Raster::filled(square, [0.0f32; 2], account)?;
    for patch in patches {
        field.data_mut().fill([0.0; 2]);
        lay(patch, field.data_mut(), side);
        fourier::transform(field.data_mut(), scratch.data_mut(), side);
        add_cross(field.data(), sum.data_mut(), side);
    }
    whiten(sum.data_mut(), side, low_pass);
    fourier::transform(sum.data_mut(), scratch.data_mut(), side);
    let surface = sum.data();
    let square_sum: f64 = surface.iter().map(|c| f64::from(c[0] * c[0])).sum();
    let level = (square_sum / surface.len() as f64).sqrt();
    if level <= 0.0 || level.is_nan() {
        return Ok(None);
    }
    let (rest, _) = remainder(first);
    let signed = |k: usize| {
        if k * 2 < side {
            k as f64
        } else {
            k as f64 - side as f64
        }
    };
    let mut best = [(0.0f32, 0usize); 2];
    for (at, value) in surface.iter().enumerate() {
        let far = signed(at % side).abs().max(signed(at / side).abs()) * first.step;
        for (best, open) in best.iter_mut().zip([far <= range, true]) {
            if open && value[0] > best.0 {
                *best = (value[0], at);
            }
        }
    }
    Ok(Some(best.map(|(height, at)| {
        let [x, y] = [at % side, at / side];
        let along = |dx: usize, dy: usize| {
            let at = |k: usize| {
                let (x, y) = (x + k * dx + (side - 1) * dx, y + k * dy + (side - 1) * dy);
                f64::from(surface[y % side * side + x % side][0])
            };
            summit([at(0), at(1), at(2)])
        };
        Peak {
            shift: [
                signed(x) * first.step + rest[0],
                signed(y) * first.step + rest[1],
            ],
            summit: [along(1, 0), along(0, 1)].map(|v| v * first.step),
            height: f64::from(height) / level,
        }
    })))
}

/// Where the parabola through three values, the middle one the largest, is highest.
fn summit([before, middle, behind]: [f64; 3]) -> f64 {
    let bend = before - 2.0 * middle + behind;
    if bend < 0.0 {
        (0.5 * (before - behind) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

/// How far the frame's grid lies from the plate's: whole pixels, and what is left, in full-size px.
fn remainder(patch: &Patch) -> ([f64; 2], [i64; 2]) {
    let apart = [0, 1].map(|k| (patch.frame.origin[k] - patch.plate.origin[k]) / patch.step);
    let whole = apart.map(|v| v.round());
    let rest = [0, 1].map(|k| (whole[k] - apart[k]) * patch.step);
    (rest, whole.map(|v| v as i64))
}

/// The frame as real (of it the set alone, where that is known), the plate as imaginary part, both under a window that
/// falls to zero at the border.
fn lay(patch: &Patch, field: &mut [Complex], side: usize) {
    let (_, whole) = remainder(patch);
    for (part, plane, offset) in [(0, &patch.frame, whole), (1, &patch.plate, [0, 0])] {
        let [width, height] = plane.size();
        let limit = CUT * typical(plane.detail.data());
        let (across, down) = (window(width), window(height));
        let mut set = vec![1.0; width];
        for (y, row) in plane.detail.data().chunks_exact(width.max(1)).enumerate() {
            if let (0, Some(known)) = (part, &patch.set) {
                known.row(y as i32, 0, &mut set);
            }
            let line = (y as i64 + offset[1]).rem_euclid(side as i64) as usize * side;
            for (x, (value, set)) in row.iter().zip(&set).enumerate() {
                let column = (x as i64 + offset[0]).rem_euclid(side as i64) as usize;
                field[line + column][part] =
                    set * value.clamp(-limit, limit) * across[x] * down[y.min(height - 1)];
            }
        }
    }
}

/// Flat but for a cosine ramp over an eighth of the length at either end.
fn window(length: usize) -> Vec<f32> {
    let ramp = length as f64 / 8.0;
    (0..length)
        .map(|k| {
            let inward = (k.min(length - 1 - k) as f64 + 0.5) / ramp;
            let turn = std::f64::consts::PI * inward.min(1.0);
            (0.5 - 0.5 * libm::cos(turn)) as f32
        })
        .collect()
}

/// Adds the plate's spectrum times the frame's conjugate; both come from one transform of a complex field.
fn add_cross(field: &[Complex], sum: &mut [Complex], side: usize) {
    sum.par_chunks_mut(side).enumerate().for_each(|(u, line)| {
        let mirrored = (side - u) % side * side;
        for (v, cell) in line.iter_mut().enumerate() {
            let a = field[u * side + v];
            let b = field[mirrored + (side - v) % side];
            let frame = [a[0] + b[0], a[1] - b[1]];
            let plate = [a[1] + b[1], b[0] - a[0]];
            let cross = times(plate, [frame[0], -frame[1]]);
            *cell = [cell[0] + cross[0], cell[1] + cross[1]];
        }
    });
}

/// Levels the spectrum, low-passes it and conjugates, so that the next transform goes back. Frequencies far below
/// the mean stay weak: a set of few frequencies (a mesh, stripes) would drown in the noise of all the others.
fn whiten(sum: &mut [Complex], side: usize, low_pass: f64) {
    let pass: Vec<f32> = (0..side)
        .map(|k| {
            let frequency = k.min(side - k) as f64 / side as f64 / low_pass;
            libm::exp(-0.5 * frequency * frequency) as f32
        })
        .collect();
    let sizes = sum
        .iter()
        .map(|c| f64::from((c[0] * c[0] + c[1] * c[1]).sqrt()));
    let mean = (sizes.sum::<f64>() / sum.len() as f64) as f32;
    sum.par_chunks_mut(side).enumerate().for_each(|(u, line)| {
        for (v, cell) in line.iter_mut().enumerate() {
            let size = (cell[0] * cell[0] + cell[1] * cell[1]).sqrt();
            let level = size + mean;
            let keep = if level > 0.0 {
                pass[u] * pass[v] / level
            } else {
                0.0
            };
            *cell = [cell[0] * keep, -cell[1] * keep];
        }
    });
}
