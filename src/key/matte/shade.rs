//! Light between strands: shadow falls on what is seen of the plate there, and no smooth light from outside tells
//! how much.
//!
//! From the outline inward, layer by layer: a pixel is bare plate when it is the backdrop times about the ratio of
//! the bare pixels found near it so far. Strands are another colour, or far too sudden a step.

use rayon::prelude::*;

use super::super::tools::windows::{inverse, times};
use super::super::tools::{gauss, push_pull};
use super::measure::Sensed;
use super::outline::Outline;
use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Raster};

/// Half side of the square that bare pixels are looked for in, and the deviation of their weights, in pixels.
const REACH: usize = 10;
const NEAR: f64 = 4.5;
/// How far brightness and tint may depart from what is near, as shares.
const BRIGHTNESS: f32 = 0.06;
const TINT: f32 = 0.02;
/// Squared deviations that three channels may show.
const SAME: f32 = 9.0;
/// Outside the zone it goes on only while at least this share of what is near, by weight, is bare plate.
const OPEN: f32 = 0.04;
/// Deepest layer, in pixels.
const DEEPEST: usize = 160;
/// Deviation of the last smoothing, and the share of bare plate that settles a place.
const SMOOTH: f64 = 5.0;
const ENOUGH: f32 = 0.10;

/// Ratio of what is seen between strands to the backdrop: 1 outside. `dense` marks where thin parts are many.
pub fn between(
    sensed: &Sensed,
    outline: &Outline,
    dense: &Raster<u8>,
    account: &Account,
) -> Result<Light, OverBudget> {
    let rect = dense.rect();
    let mut layers: Vec<Vec<u32>> = vec![Vec::new(); DEEPEST];
    let mut listed = 0u64;
    for (i, &d) in outline.depth.data().iter().enumerate() {
        if outline.inside.data()[i] != 0 && (d as usize) < DEEPEST {
            layers[d as usize].push(i as u32);
            listed += 1;
        }
    }
    let _charge = account.charge(listed * 4, "layers of strands")?;
    // Per pixel and channel, of bare pixels: seen x backdrop and backdrop squared.
    let mut bare = Raster::filled(rect, [0.0f32; 6], account)?;
    let products = |i: usize, seen: [f32; 3]| {
        let b = sensed.backdrop.data()[i].map(|b| b.max(0.0) + 1e-4);
        [
            seen[0] * b[0],
            seen[1] * b[1],
            seen[2] * b[2],
            b[0] * b[0],
            b[1] * b[1],
            b[2] * b[2],
        ]
    };
    bare.data_mut()
        .par_iter_mut()
        .enumerate()
        .with_min_len(4096)
        .filter(|(i, _)| outline.inside.data()[*i] == 0)
        .for_each(|(i, out)| {
            *out = products(i, sensed.backdrop.data()[i].map(|b| b.max(0.0) + 1e-4));
        });
    let taps = gauss::taps(NEAR);
    for layer in layers {
        let found: Vec<(u32, [f32; 6])> = layer
            .par_chunks(256)
            .flat_map_iter(|pixels| {
                let told = |(&pixel, near): (&u32, Near)| {
                    let i = pixel as usize;
                    let open = dense.data()[i] != 0 || near.worth > OPEN * near.all;
                    let sums = near.sums;
                    if !open || sums[3].is_nan() || sums[3] <= 0.0 {
                        return None;
                    }
                    let ratio: [f32; 3] = std::array::from_fn(|k| sums[k] / sums[3 + k]);
                    is_bare(sensed, i, ratio).then(|| (pixel, products(i, sensed.frame.data()[i])))
                };
                let near = near(&bare, &taps, pixels);
                let found: Vec<_> = pixels.iter().zip(near).filter_map(told).collect();
                found
            })
            .collect();
        for (pixel, sums) in found {
            bare.data_mut()[pixel as usize] = sums;
        }
    }
    smoothed(&bare, account)
}

/// What is bare near a pixel, by weight.
#[derive(Clone, Copy)]
struct Near {
    sums: [f32; 6],
    worth: f32,
    /// The weight of everything there.
    all: f32,
}

impl Near {
    const NOTHING: Near = Near {
        sums: [0.0; 6],
        worth: 0.0,
        all: 0.0,
    };

    /// What is not bare is zero and adds nothing.
    fn add(&mut self, tap: f32, bare: &[f32; 6]) {
        self.all += tap;
        self.worth += if bare[3] > 0.0 { tap } else { 0.0 };
        for k in 0..6 {
            self.sums[k] += tap * bare[k];
        }
    }
}

/// Pixels whose sums are made side by side: none waits for its own last addition then.
const ABREAST: usize = 4;

/// What is bare near each of `pixels`.
fn near(bare: &Raster<[f32; 6]>, taps: &[f32], pixels: &[u32]) -> Vec<Near> {
    let (width, data) = (bare.width(), bare.data());
    let height = data.len().checked_div(width).unwrap_or(0);
    let place = |pixel: u32| (pixel as usize % width, pixel as usize / width);
    let within = |&pixel: &u32| {
        let (x, y) = place(pixel);
        x >= REACH && y >= REACH && x + REACH < width && y + REACH < height
    };
    let mut all = Vec::with_capacity(pixels.len());
    for some in pixels.chunks(ABREAST) {
        if let Ok(some) = <[u32; ABREAST]>::try_from(some)
            && some.iter().all(within)
        {
            let mut near = [Near::NOTHING; ABREAST];
            for v in 0..2 * REACH + 1 {
                let down = taps[v.abs_diff(REACH)];
                let rows = some.map(|pixel| {
                    let first = pixel as usize + v * width - REACH * (width + 1);
                    &data[first..first + 2 * REACH + 1]
                });
                for u in 0..2 * REACH + 1 {
                    let tap = down * taps[u.abs_diff(REACH)];
                    for (near, row) in near.iter_mut().zip(&rows) {
                        near.add(tap, &row[u]);
                    }
                }
            }
            all.extend(near);
            continue;
        }
        for &pixel in some {
            let (x, y) = place(pixel);
            let mut near = Near::NOTHING;
            for v in y.saturating_sub(REACH)..(y + REACH + 1).min(height) {
                let down = taps[v.abs_diff(y)];
                for u in x.saturating_sub(REACH)..(x + REACH + 1).min(width) {
                    near.add(down * taps[u.abs_diff(x)], &data[v * width + u]);
                }
            }
            all.push(near);
        }
    }
    all
}

/// Whether a pixel is the backdrop times about `ratio`.
fn is_bare(sensed: &Sensed, i: usize, ratio: [f32; 3]) -> bool {
    let (c, b) = (sensed.frame.data()[i], sensed.backdrop.data()[i]);
    let v = sensed.plain(i, 0.0);
    let l: [f32; 3] = std::array::from_fn(|k| ratio[k] * b[k]);
    let off = std::array::from_fn(|k| c[k] - l[k]);
    let (all, own) = (BRIGHTNESS * BRIGHTNESS, TINT * TINT);
    let m = inverse([
        v[0] + (all + own) * l[0] * l[0],
        all * l[0] * l[1],
        all * l[0] * l[2],
        v[1] + (all + own) * l[1] * l[1],
        all * l[1] * l[2],
        v[2] + (all + own) * l[2] * l[2],
    ]);
    let t = times(&m, off);
    off[0] * t[0] + off[1] * t[1] + off[2] * t[2] < SAME
}

/// The ratio smoothed, and carried over what is not bare.
fn smoothed(bare: &Raster<[f32; 6]>, account: &Account) -> Result<Light, OverBudget> {
    let rect = bare.rect();
    let mut marked = Raster::filled(rect, 0.0f32, account)?;
    for (m, b) in marked.data_mut().iter_mut().zip(bare.data()) {
        *m = if b[3] > 0.0 { 1.0 } else { 0.0 };
    }
    let share = gauss::blurred(&marked, SMOOTH, account)?;
    drop(marked);
    let sums = gauss::blurred(bare, SMOOTH, account)?;
    let mut ratio = Light::filled(rect, [1.0; 3], account)?;
    let mut weight = Raster::filled(rect, 0.0f32, account)?;
    for (i, s) in sums.data().iter().enumerate() {
        if s[3] > 0.0 && s[4] > 0.0 && s[5] > 0.0 {
            ratio.data_mut()[i] = std::array::from_fn(|k| s[k] / s[3 + k]);
            weight.data_mut()[i] = (share.data()[i] / ENOUGH).min(1.0);
        }
    }
    push_pull::filled(&ratio, &weight, account)
}

#[cfg(test)]
mod tests {
    use super::super::super::Noise;
    use super::*;
    use crate::geom::Rect;

    #[test]
    fn a_shadow_among_strands_is_found_between_them() {
        let account = Account::unlimited();
        let rect = Rect::of_size(120, 80);
        let noise = Noise {
            p: [2e-5; 3],
            q: [2e-7; 3],
            r: [0.0; 3],
        };
        // From x = 30 on strands, two pixels of every five; light falls from 1 to 0.5 over 60 px; solid from x = 90.
        let truth = |x: i32| 1.0 - 0.5 * ((x - 30).clamp(0, 60) as f32) / 60.0;
        let backdrop = Light::filled(rect, [0.4, 0.41, 0.38], &account).unwrap();
        let mut frame = Light::filled(rect, [0.0; 3], &account).unwrap();
        let mut outline = Outline {
            seen: Raster::filled(rect, 0, &account).unwrap(),
            inside: Raster::filled(rect, 0, &account).unwrap(),
            depth: Raster::filled(rect, 0.0, &account).unwrap(),
            across: Raster::filled(rect, 0, &account).unwrap(),
        };
        for y in 0..80 {
            for x in 0..120 {
                let strand = x >= 90 || (x >= 30 && y % 5 < 2);
                let red = [0.6, 0.1, 0.05];
                let b = backdrop.at(x, y).map(|b| b * truth(x));
                frame.put(x, y, if strand { red } else { b });
                outline.inside.put(x, y, u8::from(x >= 30));
                outline.depth.put(x, y, (x - 30) as f32 + 0.5);
            }
        }
        let dense = Raster::filled(rect, 0, &account).unwrap();
        let sensed = Sensed::new(&frame, &backdrop, &noise, 1, &account).unwrap();
        let ratio = between(&sensed, &outline, &dense, &account).unwrap();
        for x in [5, 40, 55, 70, 85] {
            for v in ratio.at(x, 40) {
                assert!((v - truth(x)).abs() < 0.04, "{x}: {v} for {}", truth(x));
            }
        }
    }
}
