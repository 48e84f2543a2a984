//! Brightness on a reduced or full grid, split into smooth light and detail: what registration looks at.
//!
//! Brightness is the square root of light, in which a sensor's noise is about the same everywhere. Detail is what
//! lies between two Gaussians (0.9 px at full size, 0.6 px of a reduced grid, and 5 px); the smooth part tells local
//! exposure, so that shadows and bounce light are divided out before two pictures are compared.

use std::sync::Arc;

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster, Seen};

/// Added to light before the root: keeps black noise from ruling, about 8 stops below white.
const BLACK: f32 = 0.003;
/// Light above this is as good as this; also keeps sums finite.
const BRIGHTEST: f32 = 16.0;
/// Where detail begins, on a reduced grid and at full size: what a raw converter fills in between a sensor's pixels repeats
/// every other pixel, stands still while the camera moves, and would hold a fit there.
const FINE: f64 = 0.6;
const FULL: f64 = 0.9;
const SMOOTH: f64 = 5.0;
/// Softening of the finest octave's upper end, px; each octave ends at twice what it begins with.
const FINEST: f64 = 0.4;
/// Octaves: 0.4 to 6.4 px. What is coarser is light as much as it is texture.
const OCTAVES: usize = 4;
/// Smallest side of an octave's grid.
const LEAST: u32 = 40;
/// Pixels read at a time and thread.
const BAND: u64 = 1 << 19;

/// One picture as registration sees it.
#[derive(Debug)]
pub(super) struct Plane {
    pub detail: Matte,
    pub base: Arc<Matte>,
    /// Unsplit, until the octaves are made of it.
    brightness: Option<Matte>,
    /// Full-size coordinates of the grid's corner.
    pub origin: [f64; 2],
}

impl Plane {
    pub(super) fn size(&self) -> [usize; 2] {
        let rect = self.detail.rect();
        [rect.width() as usize, rect.height() as usize]
    }
}

/// `rect` of a picture, `step` x `step` pixels in one; what is left over at the right and bottom is not used.
pub(super) fn seen<S: Seen>(
    picture: &S,
    rect: Rect,
    step: u32,
    account: &Account,
) -> Result<Plane, S::Fault> {
    let (width, height) = (rect.width() / step, rect.height() / step);
    let mut brightness = Raster::filled(Rect::of_size(width, height), 0.0f32, account)?;
    let rows = (BAND / (u64::from(width.max(1)) * u64::from(step * step)).max(1)).max(1) as u32;
    let read = |(band, cells): (usize, &mut [f32])| -> Result<(), S::Fault> {
        let first = band as u32 * rows;
        let tall = (cells.len() / width as usize) as u32;
        let part = Rect::new(
            rect.x0,
            rect.y0 + (first * step) as i32,
            width * step,
            tall * step,
        );
        let light = picture.light(part)?;
        let share = 1.0 / (step * step) as f32;
        for (line, y) in cells.chunks_exact_mut(width as usize).zip(0..) {
            for dy in 0..step as i32 {
                let row = light.row(part.y0 + y * step as i32 + dy);
                for (cell, pixels) in line.iter_mut().zip(row.chunks_exact(step as usize)) {
                    let sum = pixels.iter().map(|&pixel| luma(pixel)).sum::<f32>();
                    *cell = if dy == 0 { sum } else { *cell + sum };
                }
            }
            for cell in line {
                *cell = (*cell * share + BLACK).sqrt();
            }
        }
        Ok(())
    };
    if width > 0 && height > 0 {
        let chunk = width as usize * rows as usize;
        let done: Vec<Result<(), S::Fault>> = brightness
            .data_mut()
            .par_chunks_mut(chunk)
            .enumerate()
            .map(read)
            .collect();
        done.into_iter().collect::<Result<(), S::Fault>>()?;
    }
    let begins = if step == 1 { FULL } else { FINE };
    let mut detail = blurred(&brightness, begins, account)?;
    let base = blurred(&brightness, SMOOTH, account)?;
    less(&mut detail, &base);
    Ok(Plane {
        detail,
        base: Arc::new(base),
        brightness: Some(brightness),
        origin: [f64::from(rect.x0), f64::from(rect.y0)],
    })
}

fn less(detail: &mut Matte, smooth: &Matte) {
    for (detail, smooth) in detail.data_mut().iter_mut().zip(smooth.data()) {
        *detail -= smooth;
    }
}

impl Plane {
    /// The same picture split into octaves, finest first, each on a grid as coarse as it can stand; empty where the
    /// brightness itself is gone.
    pub(super) fn octaves(&mut self, account: &Account) -> Result<Vec<Plane>, OverBudget> {
        let Some(brightness) = self.brightness.take() else {
            return Ok(Vec::new());
        };
        let mut octaves = Vec::new();
        let mut fine = blurred(&brightness, FINEST, account)?;
        drop(brightness);
        let mut grid = Grid {
            base: Arc::clone(&self.base),
            origin: self.origin,
        };
        let mut begins = FINEST;
        for level in 0..OCTAVES {
            // From a Gaussian to that of twice its deviation.
            let smooth = blurred(&fine, begins * 3.0f64.sqrt(), account)?;
            less(&mut fine, &smooth);
            octaves.push(Plane {
                detail: fine,
                base: Arc::clone(&grid.base),
                brightness: None,
                origin: grid.origin,
            });
            begins *= 2.0;
            if level + 2 < OCTAVES {
                fine = smooth;
                continue;
            }
            // A Gaussian of three pixels leaves nothing that every other pixel would show as false pattern; one of
            // half of that leaves enough to move the answer by hundredths.
            let size = smooth.rect();
            if level + 1 == OCTAVES || size.width().min(size.height()) / 2 < LEAST {
                break;
            }
            fine = every_other(&smooth, account)?;
            grid = Grid {
                base: Arc::new(every_other(&grid.base, account)?),
                // The first pixel kept lies with its middle where it was: its cell of twice the size begins half a
                // pixel further out.
                origin: grid.origin.map(|v| v - 0.5),
            };
            begins /= 2.0;
        }
        Ok(octaves)
    }
}

/// What octaves of one grid share.
struct Grid {
    base: Arc<Matte>,
    origin: [f64; 2],
}

/// Every other pixel across and down, from the first on.
fn every_other(source: &Matte, account: &Account) -> Result<Matte, OverBudget> {
    let rect = source.rect();
    let (width, height) = (rect.width().div_ceil(2), rect.height().div_ceil(2));
    let mut result = Raster::filled(Rect::of_size(width, height), 0.0f32, account)?;
    for y in 0..height as i32 {
        let row = source.row(rect.y0 + 2 * y);
        for (out, value) in result.row_mut(y).iter_mut().zip(row.iter().step_by(2)) {
            *out = *value;
        }
    }
    Ok(result)
}

/// A plain mean of the channels with green twice; which working space it is does not matter here.
fn luma([r, g, b]: [f32; 3]) -> f32 {
    let sum = (r + 2.0 * g + b) * 0.25;
    // Not a number compares false and counts as black.
    if sum > 0.0 { sum.min(BRIGHTEST) } else { 0.0 }
}

/// Gaussian of standard deviation `sigma`, cut at three of them; the border goes on outside.
fn blurred(source: &Matte, sigma: f64, account: &Account) -> Result<Matte, OverBudget> {
    let rect = source.rect();
    let (width, height) = (rect.width() as usize, rect.height() as usize);
    let mut across = Raster::filled(rect, 0.0f32, account)?;
    let mut result = Raster::filled(rect, 0.0f32, account)?;
    if rect.is_empty() {
        return Ok(result);
    }
    let taps = taps(sigma);
    let radius = taps.len() / 2;
    let rows = across.data_mut().par_chunks_mut(width);
    rows.zip(source.data().par_chunks(width))
        .for_each_init(Vec::new, |padded, (out, row)| {
            padded.clear();
            padded.resize(radius, row[0]);
            padded.extend_from_slice(row);
            padded.resize(width + 2 * radius, row[width - 1]);
            added(out, &taps, |k| &padded[k..k + width]);
        });
    let lines = result.data_mut().par_chunks_mut(width);
    lines.enumerate().for_each(|(y, out)| {
        added(out, &taps, |k| {
            let from = (y + k).saturating_sub(radius).min(height - 1);
            &across.data()[from * width..(from + 1) * width]
        });
    });
    Ok(result)
}

/// Sums up what each tap sees, tap after tap; four at a time, so that a sum is loaded and stored less often. What was in
/// `out` is not looked at: memory that is read before it is first written is given out twice.
fn added<'a>(out: &mut [f32], taps: &[f32], seen: impl Fn(usize) -> &'a [f32]) {
    let whole = taps.len() / 4 * 4;
    if whole == 0 {
        out.fill(0.0);
    }
    for k in (0..whole).step_by(4) {
        let [a, b, c, d] = [0, 1, 2, 3].map(|n| seen(k + n));
        let [p, q, r, s] = [0, 1, 2, 3].map(|n| taps[k + n]);
        let values = a.iter().zip(b).zip(c.iter().zip(d));
        let all = out.iter_mut().zip(values);
        if k == 0 {
            for (out, ((a, b), (c, d))) in all {
                *out = 0.0 + p * a + q * b + r * c + s * d;
            }
        } else {
            for (out, ((a, b), (c, d))) in all {
                *out = *out + p * a + q * b + r * c + s * d;
            }
        }
    }
    for (k, tap) in taps.iter().enumerate().skip(whole) {
        for (out, value) in out.iter_mut().zip(seen(k)) {
            *out += tap * value;
        }
    }
}

fn taps(sigma: f64) -> Vec<f32> {
    let radius = (3.0 * sigma).ceil() as i32;
    let weights: Vec<f64> = (-radius..=radius)
        .map(|x| libm::exp(-0.5 * f64::from(x * x) / (sigma * sigma)))
        .collect();
    let sum: f64 = weights.iter().sum();
    weights.iter().map(|w| (w / sum) as f32).collect()
}
