//! How far frame and plate differ where nothing happened: noise of both, and what laying one onto the other left.
//!
//! Variance = p B + q + r |grad B|^2 per channel: photon noise, read noise, and edges that don't quite meet.

use rayon::prelude::*;

use super::super::tools::gauss;
use super::super::tools::linear::solved;
use super::super::tools::twice::half;
use super::super::{Ask, Noise};
use super::cells::Around;
use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Raster};

/// Least variance believed: a tenth of a thousandth of full light, squared; what 16 bits leave in the shadows.
const FLOOR: f32 = 1e-8;

/// Sum of the squares that a normal variable's median absolute value stands for.
const MEDIAN_TO_DEVIATION: f64 = 1.4826;

const LIGHTS: usize = 10;
/// Upper ends of the bins of what is darker than that.
const DARK: [f32; 3] = [0.0006, 0.0015, 0.004];

/// Light that is cut off at white or black is the same from pixel to pixel, and in frame and plate: squared slope and error
/// up to which that is so.
const STILL: (f32, f32) = (1e-12, 1e-6);

/// Lights between which nothing is cut off: noise that black or white takes off is no measure of it.
const WHOLE: (f32, f32) = (1e-5, 0.995);

/// Times that the weights of the model's fit are made anew.
const TURNS: usize = 4;

/// Cells of one piece of parallel work where each stands for itself.
const PIECE: usize = 4096;

/// Upper ends of the gradient bins, per px.
const SLOPES: [f32; 5] = [0.004, 0.01, 0.025, 0.06, 0.15];

impl Noise {
    /// Variance of the difference at a pixel of plate light `light` with squared gradient `slope`.
    pub(crate) fn variance(&self, channel: usize, light: f32, slope: f32) -> f32 {
        let v = self.p[channel] * light.max(0.0) + self.q[channel] + self.r[channel] * slope;
        v.max(FLOOR)
    }
}

/// What was measured.
pub(in crate::key) struct Measured {
    pub noise: Noise,
    /// Half-size: cells whose difference is noise as far as can be told before anything is known. 1 = quiet.
    pub quiet: Raster<u8>,
}

/// One pixel of the difference.
#[derive(Clone, Copy)]
struct Sample {
    light: f32,
    slope: f32,
    error: f32,
    whole: bool,
}

impl Sample {
    fn is_sound(&self) -> bool {
        self.whole && (self.slope > STILL.0 || self.error > STILL.1)
    }
}

pub(in crate::key) fn measured(ask: &Ask, account: &Account) -> Result<Measured, OverBudget> {
    let ratio = coarse_ratio(ask.frame, ask.plate, account)?;
    let mut quiet = Raster::filled(ratio.rect(), 0u8, account)?;
    for (quiet, ratio) in quiet.data_mut().iter_mut().zip(ratio.data()) {
        let mean = (ratio[0] + ratio[1] + ratio[2]) / 3.0;
        let even = ratio.iter().all(|v| (v - mean).abs() < 0.12 * mean);
        *quiet = u8::from(even && mean > 0.3 && mean < 1.6);
    }
    let mut noise = fitted(ask, &ratio, &quiet, account)?;
    // Once more without what the first model finds too loud: pieces and rods.
    let loud = loudness(ask, &ratio, &noise, account)?;
    for (quiet, loud) in quiet.data_mut().iter_mut().zip(loud.data()) {
        *quiet &= u8::from(*loud < 2.5);
    }
    if quiet.data().contains(&1) {
        noise = fitted(ask, &ratio, &quiet, account)?;
    }
    Ok(Measured { noise, quiet })
}

/// Frame against plate over some cells around, unweighted: before noise is known.
fn coarse_ratio(
    frame: &Light,
    plate: &Light,
    account: &Account,
) -> Result<Raster<[f32; 3]>, OverBudget> {
    let rect = half(frame.rect());
    let mut sums = Raster::filled(rect, [0.0f32; 6], account)?;
    let width = sums.width().max(1);
    sums.data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(j, row)| {
            for (i, out) in row.iter_mut().enumerate() {
                let mut sum = [0.0f32; 6];
                Around::cell(frame, plate, rect.x0 + i as i32, rect.y0 + j as i32).each(|p| {
                    for k in 0..3 {
                        sum[k] += p.frame[k] * p.plate[k];
                        sum[3 + k] += p.plate[k] * p.plate[k];
                    }
                });
                *out = sum;
            }
        });
    let sums = gauss::blurred(&sums, 2.0, account)?;
    let mut ratio = Raster::filled(rect, [1.0; 3], account)?;
    let cells = ratio.data_mut().par_iter_mut().with_min_len(PIECE);
    cells.zip(sums.data()).for_each(|(ratio, sum)| {
        for k in 0..3 {
            if sum[3 + k] > 1e-12 {
                ratio[k] = (sum[k] / sum[3 + k]).clamp(0.0, 16.0);
            }
        }
    });
    Ok(ratio)
}

/// The model fitted to one pixel of every quiet cell.
fn fitted(
    ask: &Ask,
    ratio: &Raster<[f32; 3]>,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<Noise, OverBudget> {
    let bytes = 36 * quiet.data().len() as u64;
    let _held = account.charge(bytes, "samples of noise")?;
    let rect = quiet.rect();
    let rows: Vec<Vec<[Sample; 3]>> = (rect.y0..rect.y1)
        .into_par_iter()
        .map(|j| {
            let mut out = Vec::new();
            for i in rect.x0..rect.x1 {
                if quiet.at(i, j) == 0 {
                    continue;
                }
                let around = Around::cell(ask.frame, ask.plate, i, j);
                let (x, y) = (2 * i + (j & 1), 2 * j + (i & 1));
                if let Some(p) = around.pixel(x, y) {
                    let g = ratio.at(i, j);
                    let whole = |v: f32| v > WHOLE.0 && v < WHOLE.1;
                    out.push(std::array::from_fn(|k| Sample {
                        light: p.plate[k],
                        slope: p.slope[k],
                        error: (p.frame[k] - g[k] * p.plate[k]).abs(),
                        whole: whole(p.frame[k]) && whole(p.plate[k]),
                    }));
                }
            }
            out
        })
        .collect();
    let fits: Vec<[f64; 3]> = (0..3usize)
        .into_par_iter()
        .map(|k| fit(rows.iter().flatten().map(|s| s[k]).filter(Sample::is_sound)))
        .collect();
    let mut noise = Noise::default();
    for (k, [p, q, r]) in fits.into_iter().enumerate() {
        noise.p[k] = p as f32;
        noise.q[k] = (q as f32).max(FLOOR);
        noise.r[k] = r as f32;
    }
    Ok(noise)
}

/// One bin: its mean light and slope, the variance measured there, how much it counts.
struct Bin {
    known: [f64; 3],
    variance: f64,
    count: f64,
}

impl Bin {
    fn model(&self, x: &[f64; 3]) -> f64 {
        (0..3).map(|i| x[i] * self.known[i]).sum()
    }

    /// How far the model is off, squared, as a share of the larger of both.
    fn left(&self, x: &[f64; 3]) -> f64 {
        let model = self.model(x);
        let off = (self.variance - model) / self.variance.max(model);
        self.count * off * off
    }
}

fn fit(samples: impl Iterator<Item = Sample>) -> [f64; 3] {
    let mut bins: Vec<(Vec<f32>, f64, f64)> = Vec::new();
    bins.resize_with((DARK.len() + LIGHTS) * (SLOPES.len() + 1), Default::default);
    for s in samples {
        // Equal steps of the square root: as many bins in the shadows as in the lights.
        let light = match s.light {
            dark if dark < DARK[2] => DARK.iter().take_while(|&&end| dark >= end).count(),
            light => DARK.len() + ((light.sqrt() * LIGHTS as f32) as usize).min(LIGHTS - 1),
        };
        let root = s.slope.sqrt();
        let slope = SLOPES.iter().take_while(|&&end| root >= end).count();
        let bin = &mut bins[light * (SLOPES.len() + 1) + slope];
        bin.0.push(s.error);
        bin.1 += f64::from(s.light);
        bin.2 += f64::from(s.slope);
    }
    let mut kept = Vec::new();
    for (mut errors, light, slope) in bins {
        let count = errors.len();
        if count < 24 {
            continue;
        }
        let (_, median, _) = errors.select_nth_unstable_by(count / 2, f32::total_cmp);
        let deviation = f64::from(*median) * MEDIAN_TO_DEVIATION;
        kept.push(Bin {
            known: [light / count as f64, 1.0, slope / count as f64],
            variance: (deviation * deviation).max(f64::from(FLOOR)),
            count: (count as f64).min(2000.0),
        });
    }
    not_negative(&kept)
}

/// Least squares of relative errors over three unknowns none of which may be negative: the best of all choices of
/// unknowns that are not 0. No bin is further off than by all of itself or of the model: one whose noise is nearly none,
/// for whatever reason, does not decide for all.
fn not_negative(bins: &[Bin]) -> [f64; 3] {
    let mut variances: Vec<f64> = bins.iter().map(|bin| bin.variance).collect();
    variances.sort_by(f64::total_cmp);
    let usual = [
        0.0,
        variances.get(variances.len() / 2).copied().unwrap_or(0.0),
        0.0,
    ];
    let mut best = ([0.0, f64::from(FLOOR), 0.0], f64::INFINITY);
    // From noise as loud as usual and from none: on its way from the one or the other a choice may fall below zero.
    let starts = [usual, [0.0; 3]];
    for (choice, start) in (1u8..8).flat_map(|choice| starts.map(|start| (choice, start))) {
        let mut x = Some(start);
        for _ in 0..TURNS {
            x = x.and_then(|x| weighted(bins, choice, &x));
        }
        let Some(x) = x else { continue };
        let left: f64 = bins.iter().map(|bin| bin.left(&x)).sum();
        if left < best.1 {
            best = (x, left);
        }
    }
    best.0
}

/// The unknowns of a choice, by weights of a model before; `None` where one is negative or they can't be told.
fn weighted(bins: &[Bin], choice: u8, before: &[f64; 3]) -> Option<[f64; 3]> {
    let mut a = [[0.0f64; 4]; 3];
    for bin in bins {
        let scale = bin.variance.max(bin.model(before));
        let weight = bin.count / (scale * scale);
        for i in 0..3 {
            for j in 0..3 {
                a[i][j] += weight * bin.known[i] * bin.known[j];
            }
            a[i][3] += weight * bin.known[i] * bin.variance;
        }
    }
    for i in 0..3 {
        if choice >> i & 1 == 0 {
            for j in 0..3 {
                a[i][j] = 0.0;
                a[j][i] = 0.0;
            }
            a[i][i] = 1.0;
            a[i][3] = 0.0;
        }
    }
    solved(a).filter(|x| x.iter().all(|&v| v >= 0.0))
}

/// Mean squared error around every cell in units of the model's variance; 1 where the model holds.
fn loudness(
    ask: &Ask,
    ratio: &Raster<[f32; 3]>,
    noise: &Noise,
    account: &Account,
) -> Result<Raster<f32>, OverBudget> {
    let rect = ratio.rect();
    let mut loud = Raster::filled(rect, 0.0f32, account)?;
    let width = loud.width().max(1);
    loud.data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(j, row)| {
            let j = rect.y0 + j as i32;
            for (i, loud) in (rect.x0..).zip(row) {
                let g = ratio.at(i, j);
                let (mut sum, mut count) = (0.0, 0.0f32);
                Around::cell(ask.frame, ask.plate, i, j).each(|p| {
                    for k in 0..3 {
                        let error = p.frame[k] - g[k] * p.plate[k];
                        let var = noise.variance(k, p.plate[k], p.slope[k]);
                        sum += (error * error / var).min(25.0);
                        count += 1.0;
                    }
                });
                *loud = if count > 0.0 { sum / count } else { 25.0 };
            }
        });
    gauss::blurred(&loud, 2.0, account)
}
