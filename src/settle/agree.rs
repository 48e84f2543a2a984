//! Whether the files of one plate show the same empty set: something moved, or left in, must not enter their mean.
//!
//! Each file, as it lies on the first, is held against the mean of its fellows, band by band at full size. The noise is
//! the files' own: the median difference at each brightness, so that a lamp that flickers for the whole picture is no
//! difference.

use super::fellows;
use super::lay::Laid;
use super::plate::{Mend, PlateFile, detail};
use super::runs::Parts;
use crate::budget::Account;
use crate::diag::{Finding, Space};
use crate::frame::SampleKind;
use crate::geom::Rect;
use crate::raster::Light;
use rayon::prelude::*;

/// A pixel differs beyond this many standard deviations.
const DEVIATIONS: f32 = 5.0;

/// So many connected pixels that differ are a thing.
const PIXELS: u64 = 25;

/// Pixels of movement forgiven at an edge.
const MOVEMENT: f32 = 0.1;

/// The share of a second difference that half a pixel of movement may lose for good: a pattern that changes from pixel to
/// pixel is not seen at all between its pixels.
const LOST: f32 = 0.25;

/// Deviations of noise that second differences around a pixel reach by themselves.
const GRAIN: f32 = 4.0;

/// Rows and columns around a pixel that are looked at for its detail, and one more.
const AROUND: u32 = 3;

/// Two files that stand out by this share of one another stand out alike: with two files they always do, but for
/// rounding, and the later one is named.
const ALMOST: f32 = 0.999;

/// No exposure is noisier than this share of its light: beyond, the files differ everywhere (one was shot without its flash).
const NOISIEST: f32 = 0.08;

/// Brightness bins, even in the square root of light.
const BINS: usize = 16;

/// Bins of a difference by its exponent and the first four bits of its mantissa: 1/16 of an octave and finer.
const SIZES: usize = 1 << 12;

/// Which file of a plate is at fault, and what is wrong with it.
#[derive(Debug)]
pub(super) struct Fault {
    pub file: usize,
    pub finding: Finding,
}

impl From<(usize, Finding)> for Fault {
    fn from((file, finding): (usize, Finding)) -> Fault {
        Fault { file, finding }
    }
}

/// Files that differ from their fellows are a `stop` that names the worst. `fellows` is how all but the first lie.
pub(super) fn agreed(
    files: &[PlateFile],
    fellows: &[Laid],
    account: &Account,
) -> Result<(), Fault> {
    if files.len() < 2 {
        return Ok(());
    }
    let noise = noise(files, account)?;
    let mut parts: Vec<Parts> = files.iter().map(|_| Parts::default()).collect();
    for band in bands(files) {
        let lights = lights(files, band, account)?;
        let rows: Vec<Vec<(usize, i32, i32, f32)>> = (band.y0..band.y1)
            .into_par_iter()
            .map(|y| differing(files, &lights, &noise, y))
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
    let shown = files[k].shot.shown();
    let laid = k.checked_sub(1).and_then(|k| fellows.get(k));
    let why = laid.and_then(fellows::why_not);
    let finding = Finding::stop(
        "plate-differs",
        format!(
            "{shown} differs from the other files of its plate by {:.1} standard deviations of their noise, over {} connected px{}",
            part.strongest,
            part.pixels,
            why.map_or(String::new(), |why| format!("; {why}"))
        ),
    )
    .frame(shown)
    .place(Space::Frame, part.place)
    .measured(f64::from(part.strongest), f64::from(DEVIATIONS))
    .remedy("leave this file out of the plate, or shoot the empty set again");
    Err(Fault { file: k, finding })
}

/// Fewer rows at a time for many files: all are held side by side.
fn bands(files: &[PlateFile]) -> impl Iterator<Item = Rect> + use<> {
    let rect = files[0].shot.rect();
    rect.bands((512 / files.len() as u32).clamp(16, 256))
}

/// Every file's light on the first one's grid, for rows `band` and some around them.
fn lights(files: &[PlateFile], band: Rect, account: &Account) -> Result<Vec<Light>, Fault> {
    let whole = files[0].shot.rect();
    let wide = band.grown(AROUND).intersected(&whole);
    let mut lights: Vec<Light> = Vec::new();
    for (k, file) in files.iter().enumerate() {
        let mut light = file.light(wide, account).map_err(|fault| (k, fault))?;
        if let Some(first) = lights.first() {
            file.mended(&mut light, first, Mend::Edge);
        }
        lights.push(light);
    }
    Ok(lights)
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
fn differing(
    files: &[PlateFile],
    lights: &[Light],
    noise: &[[f32; 3]],
    y: i32,
) -> Vec<(usize, i32, i32, f32)> {
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
        let detail = match files.iter().any(PlateFile::moved) {
            true => finest(lights, x, y),
            false => [0.0; 3],
        };
        let d = difference(&lights[worst.0], here, lights.len(), x, y);
        let z = (0..3).fold(0.0f32, |z, c| {
            let own = noise[bin(here[c])][c];
            let edge = MOVEMENT * slope[c];
            let lost = LOST * (detail[c] - GRAIN * own).max(0.0);
            z.max(d[c] / (own * own + edge * edge + lost * lost).sqrt())
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

/// How fine the picture is here, in the file that has least of it: what was left in one file is no detail of the others.
fn finest(lights: &[Light], x: i32, y: i32) -> [f32; 3] {
    lights.iter().fold([f32::INFINITY; 3], |least, light| {
        let own = detail(light, AROUND - 1, x, y);
        std::array::from_fn(|c| least[c].min(own[c]))
    })
}

/// Standard deviation of [`difference`] by brightness and channel: 1.4826 x its median, never under half a step of the
/// files' own codes nor over [`NOISIEST`], and never over twice what the whole picture says of noise that grows with the root of light: all
/// of some brightness may be the thing that was left in.
fn noise(files: &[PlateFile], account: &Account) -> Result<Vec<[f32; 3]>, Fault> {
    let cells = (BINS + 1) * 3 * SIZES;
    let _charge = account
        .charge((cells * size_of::<u64>()) as u64, "a plate's noise")
        .map_err(|fault| (0, Finding::from(fault)))?;
    let mut counts = vec![0u64; cells];
    for band in bands(files) {
        let lights = lights(files, band, account)?;
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
    let step = files
        .iter()
        .map(|file| match file.shot.frame.header().kind {
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
                let light = root * root;
                let most = 2.0 * deviation(BINS, c) * shot_noise(light);
                let ever = NOISIEST * (light + 0.1);
                deviation(bin, c).min(most).min(ever).max(least)
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
