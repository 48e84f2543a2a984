//! Brightness on a reduced or full grid, split into smooth light and detail: what registration looks at.
//!
//! Brightness is the square root of light, in which a sensor's noise is about the same everywhere. Detail is what
//! lies between two Gaussians (0.6 and 5 px of its grid); the smooth part tells local exposure, so that shadows and
//! bounce light are divided out before two pictures are compared.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster, Seen};

/// Added to light before the root: keeps black noise from ruling, about 8 stops below white.
const BLACK: f32 = 0.003;
/// Light above this is as good as this; also keeps sums finite.
const BRIGHTEST: f32 = 16.0;
const FINE: f64 = 0.6;
const SMOOTH: f64 = 5.0;
/// Where noise does not rule, detail softer than `FINE`: what is finer than two pixels is there as false pattern,
/// which stands still while the camera moves. On a set that runs one way it draws the answer along by tenths of a
/// pixel.
const SOFT: f64 = 1.0;
/// Pixels read at a time and thread.
const BAND: u64 = 1 << 19;
/// Pixels of one piece of work where each stands for itself.
const LINE: usize = 1 << 14;

/// One picture as registration sees it.
#[derive(Debug)]
pub(super) struct Plane {
    pub detail: Matte,
    pub base: Matte,
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
                    *cell += pixels.iter().map(|&pixel| luma(pixel)).sum::<f32>();
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
    let fine = blurred(&brightness, FINE, account)?;
    let base = blurred(&brightness, SMOOTH, account)?;
    drop(brightness);
    let mut detail = fine;
    detail
        .data_mut()
        .par_chunks_mut(LINE)
        .zip(base.data().par_chunks(LINE))
        .for_each(|(detail, base)| {
            for (detail, base) in detail.iter_mut().zip(base) {
                *detail -= base;
            }
        });
    Ok(Plane {
        detail,
        base,
        origin: [f64::from(rect.x0), f64::from(rect.y0)],
    })
}

impl Plane {
    /// Blurs the detail to what a Gaussian of `SOFT` leaves, and returns the detail as it was.
    pub(super) fn soften(&mut self, account: &Account) -> Result<Matte, OverBudget> {
        let soft = blurred(&self.detail, (SOFT * SOFT - FINE * FINE).sqrt(), account)?;
        Ok(std::mem::replace(&mut self.detail, soft))
    }
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
            summed(out, &taps, |k| &padded[k..]);
        });
    let lines = result.data_mut().par_chunks_mut(width);
    lines.enumerate().for_each(|(y, out)| {
        summed(out, &taps, |k| {
            let from = (y + k).saturating_sub(radius).min(height - 1);
            &across.data()[from * width..(from + 1) * width]
        });
    });
    Ok(result)
}

/// Adds `line(k)` times tap k to `out`, tap after tap; four at a time, so that a sum is loaded and stored less often.
fn summed<'a>(out: &mut [f32], taps: &[f32], line: impl Fn(usize) -> &'a [f32]) {
    let n = out.len();
    let fours = taps.len() / 4 * 4;
    for k in (0..fours).step_by(4) {
        let [a, b, c, d] = [0, 1, 2, 3].map(|j| (taps[k + j], &line(k + j)[..n]));
        for (x, out) in out.iter_mut().enumerate() {
            let sum = *out + a.0 * a.1[x];
            let sum = sum + b.0 * b.1[x];
            let sum = sum + c.0 * c.1[x];
            *out = sum + d.0 * d.1[x];
        }
    }
    for k in fours..taps.len() {
        for (out, value) in out.iter_mut().zip(line(k)) {
            *out += taps[k] * value;
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
