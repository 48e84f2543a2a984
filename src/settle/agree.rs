//! Whether the files of one plate show the same empty set: something moved, or left in, must not enter their mean.
//!
//! Each file is held against the mean of its fellows, band by band at full size. The noise is the files' own: the
//! median difference at each brightness, so that a lamp that flickers for the whole picture is no difference.

use super::runs::Parts;
use super::sight::PlateSight;
use crate::budget::Account;
use crate::diag::{Finding, Space};
use crate::frame::SampleKind;
use crate::geom::Rect;
use crate::plan::{PlateSet, Shot};
use crate::raster::{Light, Seen};
use rayon::prelude::*;

/// A pixel differs beyond this many standard deviations.
const DEVIATIONS: f32 = 5.0;

/// So many connected pixels that differ are a thing.
const PIXELS: u64 = 25;

/// Pixels of movement forgiven at an edge.
const MOVEMENT: f32 = 0.1;

/// Two files that stand out by this share of one another stand out alike: with two files they always do, but for
/// rounding, and the later one is named.
const ALMOST: f32 = 0.999;

/// Brightness bins, even in the square root of light.
const BINS: usize = 16;

/// Bins of a difference by its exponent and the first four bits of its mantissa: 1/16 of an octave and finer.
const SIZES: usize = 1 << 12;

/// Files that differ from their fellows are a `stop` that names the worst. `shots` are those of `set`.
pub(super) fn agreed(set: &PlateSet, shots: &[&Shot], account: &Account) -> Result<(), Finding> {
    if shots.len() < 2 {
        return Ok(());
    }
    let noise = noise(shots, account)?;
    let mut parts: Vec<Parts> = shots.iter().map(|_| Parts::default()).collect();
    for band in bands(shots) {
        let lights = lights(shots, band, account)?;
        let rows: Vec<Vec<(usize, i32, i32, f32)>> = (band.y0..band.y1)
            .into_par_iter()
            .map(|y| differing(&lights, &noise, y))
            .collect();
        for (y, runs) in (band.y0..).zip(&rows) {
            for (k, parts) in parts.iter_mut().enumerate() {
                parts.row(y, runs.iter().filter(|r| r.0 == k).map(|r| (r.1, r.2, r.3)));
            }
        }
    }
    let worst = parts
        .into_iter()
        .enumerate()
        .filter_map(|(k, parts)| parts.largest().map(|part| (k, part)))
        .filter(|(_, part)| part.pixels >= PIXELS)
        // The first of equals.
        .rev()
        .max_by_key(|(_, part)| part.pixels);
    let Some((k, part)) = worst else {
        return Ok(());
    };
    let shown = shots[k].shown();
    Err(Finding::stop(
        "plate-differs",
        format!(
            "{shown} differs from the other files of its plate by {:.1} standard deviations of their noise, over {} connected px",
            part.strongest, part.pixels
        ),
    )
    .at(set.spans[k])
    .frame(shown)
    .place(Space::Frame, part.place)
    .measured(f64::from(part.strongest), f64::from(DEVIATIONS))
    .remedy("leave this file out of the plate, or shoot the empty set again"))
}

/// Fewer rows at a time for many files: all are held side by side.
fn bands(shots: &[&Shot]) -> impl Iterator<Item = Rect> + use<> {
    shots[0]
        .rect()
        .bands((512 / shots.len() as u32).clamp(16, 256))
}

fn lights(shots: &[&Shot], band: Rect, account: &Account) -> Result<Vec<Light>, Finding> {
    shots
        .iter()
        .map(|shot| {
            PlateSight {
                shots: &[shot],
                held: None,
                account: account.clone(),
            }
            .light(band)
        })
        .collect()
}

/// Mean of all files at a pixel.
fn mean(lights: &[Light], x: i32, y: i32) -> [f32; 3] {
    let sum = lights.iter().fold([0.0f32; 3], |sum, light| {
        let pixel = light.at(x, y);
        std::array::from_fn(|c| sum[c] + pixel[c])
    });
    sum.map(|v| v / lights.len() as f32)
}

/// What file `k` differs by from the mean of the others: n / (n - 1) of what it differs by from the mean of all.
fn difference(light: &Light, mean: [f32; 3], files: usize, x: i32, y: i32) -> [f32; 3] {
    let pixel = light.at(x, y);
    let most = files as f32 / (files - 1) as f32;
    std::array::from_fn(|c| (pixel[c] - mean[c]).abs() * most)
}

fn bin(light: f32) -> usize {
    ((light.max(0.0).sqrt() * (BINS as f32 - 1.0)) as usize).min(BINS - 1)
}

/// Runs of pixels of row `y` that stand out: file, from, to, how much in deviations. A pixel is the fault of the file
/// that stands out most; of two files, the later one's.
fn differing(lights: &[Light], noise: &[[f32; 3]], y: i32) -> Vec<(usize, i32, i32, f32)> {
    let rect = lights[0].rect();
    let mut runs: Vec<(usize, i32, i32, f32)> = Vec::new();
    for x in rect.x0..rect.x1 {
        let here = mean(lights, x, y);
        let worst = lights
            .iter()
            .enumerate()
            .map(|(k, light)| {
                let d = difference(light, here, lights.len(), x, y);
                let z = (0..3).fold(0.0f32, |z, c| z.max(d[c] / noise[bin(here[c])][c]));
                (k, z)
            })
            .fold((0, 0.0), |worst, one| {
                if one.1 >= worst.1 * ALMOST {
                    one
                } else {
                    worst
                }
            });
        if worst.1 <= DEVIATIONS {
            continue;
        }
        // Only now the slower look: is it an edge that moved a little?
        let slope = slope(lights, rect, x, y);
        let d = difference(&lights[worst.0], here, lights.len(), x, y);
        let z = (0..3).fold(0.0f32, |z, c| {
            let (own, edge) = (noise[bin(here[c])][c], MOVEMENT * slope[c]);
            z.max(d[c] / (own * own + edge * edge).sqrt())
        });
        if z <= DEVIATIONS {
            continue;
        }
        match runs.last_mut() {
            Some((k, _, to, strongest)) if *k == worst.0 && *to == x => {
                *to = x + 1;
                *strongest = strongest.max(z);
            }
            _ => runs.push((worst.0, x, x + 1, z)),
        }
    }
    runs
}

/// Change of the mean a pixel, in each channel.
fn slope(lights: &[Light], rect: Rect, x: i32, y: i32) -> [f32; 3] {
    let (left, right) = ((x - 1).max(rect.x0), (x + 1).min(rect.x1 - 1));
    let (above, below) = ((y - 1).max(rect.y0), (y + 1).min(rect.y1 - 1));
    let (l, r) = (mean(lights, left, y), mean(lights, right, y));
    let (a, b) = (mean(lights, x, above), mean(lights, x, below));
    let (w, h) = ((right - left).max(1) as f32, (below - above).max(1) as f32);
    std::array::from_fn(|c| ((r[c] - l[c]).abs() / w).max((b[c] - a[c]).abs() / h))
}

/// Standard deviation of [`difference`] by brightness and channel: 1.4826 x its median, never under half a step of the
/// files' own codes, and never over twice what the whole picture says of noise that grows with the root of light: all
/// of some brightness may be the thing that was left in.
fn noise(shots: &[&Shot], account: &Account) -> Result<Vec<[f32; 3]>, Finding> {
    let cells = (BINS + 1) * 3 * SIZES;
    let _charge = account.charge((cells * size_of::<u64>()) as u64, "a plate's noise")?;
    let mut counts = vec![0u64; cells];
    for band in bands(shots) {
        let lights = lights(shots, band, account)?;
        // Every fourth row tells as much as all.
        for y in (band.y0..band.y1).step_by(4) {
            for x in band.x0..band.x1 {
                let here = mean(&lights, x, y);
                for light in &lights {
                    let d = difference(light, here, lights.len(), x, y);
                    for c in 0..3 {
                        let rooted = d[c] / shot_noise(here[c]);
                        for (bin, size) in [(bin(here[c]), d[c]), (BINS, rooted)] {
                            let size = (size.to_bits() >> 19) as usize;
                            counts[(bin * 3 + c) * SIZES + size.min(SIZES - 1)] += 1;
                        }
                    }
                }
            }
        }
    }
    let step = shots
        .iter()
        .map(|shot| match shot.frame.header().kind {
            SampleKind::U8 => 1.0 / 255.0,
            SampleKind::U16 => 1.0 / 65535.0,
            SampleKind::F16 => 1.0 / 2048.0,
            SampleKind::U32 | SampleKind::F32 => 1e-6,
        })
        .fold(0.0f32, f32::max);
    let deviation =
        |bin: usize, c: usize| 1.4826 * median(&counts[(bin * 3 + c) * SIZES..][..SIZES]);
    Ok((0..BINS)
        .map(|bin| {
            // The steepest an everyday curve is near this brightness.
            let root = (bin as f32 + 1.0) / (BINS as f32 - 1.0);
            let least = 0.5 * step * (0.1 + 2.4 * root);
            std::array::from_fn(|c| {
                let most = 2.0 * deviation(BINS, c) * shot_noise(root * root);
                deviation(bin, c).min(most).max(least)
            })
        })
        .collect())
}

/// Noise of photons grows with the root of light; the rest of it is always there.
fn shot_noise(light: f32) -> f32 {
    (light.max(0.0) + 0.01).sqrt()
}

fn median(counts: &[u64]) -> f32 {
    let total: u64 = counts.iter().sum();
    let mut seen = 0;
    for (size, count) in counts.iter().enumerate() {
        seen += count;
        if seen * 2 >= total.max(1) {
            return f32::from_bits((size as u32) << 19);
        }
    }
    0.0
}
