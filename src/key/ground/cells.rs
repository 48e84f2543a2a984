//! Frame against plate at half size: per cell of 2 x 2 px the ratio that explains it best, how sure that is, and
//! how badly the plate's texture fits.

use rayon::prelude::*;

use super::super::clipped::WHITE;
use super::super::tools::gauss;
use super::super::tools::twice::half;
use super::super::{Ask, Noise};
use super::held;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Raster};

/// Sums of blocks of two by two cells, on the grid of half the size.
pub(super) fn pooled<const N: usize>(
    sums: &Raster<[f32; N]>,
    account: &Account,
) -> Result<Raster<[f32; N]>, OverBudget> {
    let rect = half(sums.rect());
    let mut out = Raster::filled(rect, [0.0f32; N], account)?;
    let width = out.width().max(1);
    out.data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(j, row)| {
            for (i, out) in row.iter_mut().enumerate() {
                let mut sum = [0.0f32; N];
                let (x, y) = (2 * (rect.x0 + i as i32), 2 * (rect.y0 + j as i32));
                for (x, y) in [(x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)] {
                    if sums.rect().contains(x, y) {
                        let v = sums.at(x, y);
                        for k in 0..N {
                            sum[k] += v[k];
                        }
                    }
                }
                *out = sum;
            }
        });
    Ok(out)
}

/// A pixel of both pictures.
pub(super) struct Pixel {
    pub frame: [f32; 3],
    /// Never negative.
    pub plate: [f32; 3],
    /// Squared gradient of the plate, per px.
    pub slope: [f32; 3],
}

/// The pixels of one cell, with what lies around them in the plate.
pub(super) struct Around<'a> {
    frame: &'a Light,
    plate: &'a Light,
    x: i32,
    y: i32,
}

impl<'a> Around<'a> {
    pub fn cell(frame: &'a Light, plate: &'a Light, i: i32, j: i32) -> Around<'a> {
        Around {
            frame,
            plate,
            x: 2 * i,
            y: 2 * j,
        }
    }

    pub fn each(&self, mut act: impl FnMut(Pixel)) {
        for y in self.y..self.y + 2 {
            for x in self.x..self.x + 2 {
                if let Some(p) = self.pixel(x, y) {
                    act(p);
                }
            }
        }
    }

    /// `None` outside the frame and where a number isn't finite.
    pub fn pixel(&self, x: i32, y: i32) -> Option<Pixel> {
        let rect = self.plate.rect();
        if !self.frame.rect().contains(x, y) || !rect.contains(x, y) {
            return None;
        }
        let width = self.plate.width();
        let at = (y - rect.y0) as usize * width + (x - rect.x0) as usize;
        let data = self.plate.data();
        let (frame, plate) = (self.frame.at(x, y), data[at]);
        let l = data[at - usize::from(x > rect.x0)];
        let r = data[at + usize::from(x + 1 < rect.x1)];
        let u = data[if y > rect.y0 { at - width } else { at }];
        let d = data[if y + 1 < rect.y1 { at + width } else { at }];
        let slope: [f32; 3] = std::array::from_fn(|k| {
            let (gx, gy) = ((r[k] - l[k]) * 0.5, (d[k] - u[k]) * 0.5);
            gx * gx + gy * gy
        });
        let sum: f32 = (0..3).map(|k| frame[k] + plate[k] + slope[k]).sum();
        sum.is_finite().then(|| Pixel {
            frame,
            plate: plate.map(|v| v.max(0.0)),
            slope,
        })
    }
}

/// The half-size measurements.
pub(super) struct Cells {
    /// Best ratio of the frame to the plate.
    pub ratio: Raster<[f32; 3]>,
    /// One over the ratio's variance.
    pub weight: Raster<[f32; 3]>,
    /// Misfit of the texture inside the cell: 1 on the average where the plate is seen.
    pub misfit: Raster<f32>,
    /// Ratio times weight, and weight, as a mean over `SOFT` cells.
    pub soft: Raster<[f32; 6]>,
    /// Ratio over some more: the course of the light.
    pub course: Raster<[f32; 3]>,
    /// Misfit over about as many as `soft`.
    pub soft_misfit: Raster<f32>,
}

/// Blur of the soft means, in cells, and how many cells one of them holds (4 pi sigma^2).
pub(super) const SOFT: f64 = 1.0;
pub(super) const CELLS_IN_SOFT: f32 = 12.6;
/// Blur of the course of the light, in cells.
const COURSE_MEAN: f64 = 2.0;
/// Relative departure from a prediction that smooth light may have in one cell,
const SLACK: f32 = 0.02;
/// and in a soft mean: in brightness, where a narrow penumbra runs ahead of what is predicted, and in tint.
const SLACK_BRIGHTNESS: f32 = 0.05;
const SLACK_TINT: f32 = 0.015;

/// Relative deviation of smooth light from its mean inside a cell: a penumbra of 1 % per px.
const SHADE: f32 = 0.006;

/// How far a course of brightness is looked at, in cells, and how steep it may well be, per cell.
const COURSE: i32 = 4;
const STEEP: f32 = 0.04;

/// Cells of one piece of parallel work where each stands for itself.
pub(super) const PIECE: usize = 4096;

/// Ratio, weight and course before cells are held against quiet ones: what the light is told from once more, when it is
/// known which cells show the set.
#[derive(Debug)]
pub(in crate::key) struct Unheld {
    ratio: Raster<[f32; 3]>,
    weight: Raster<[f32; 3]>,
    course: Raster<[f32; 3]>,
}

impl Unheld {
    /// Cells for the light alone, held against `quiet` ones.
    pub(super) fn weighed(
        self,
        quiet: &Raster<u8>,
        account: &Account,
    ) -> Result<Cells, OverBudget> {
        let nothing = || Raster::filled(Rect::EMPTY, 0.0f32, account);
        let mut cells = Cells {
            ratio: self.ratio,
            weight: self.weight,
            misfit: nothing()?,
            soft: Raster::filled(Rect::EMPTY, [0.0; 6], account)?,
            course: self.course,
            soft_misfit: nothing()?,
        };
        held::together(&mut cells, quiet, account)?;
        Ok(cells)
    }
}

/// The measurements, the weights as they were before the cells were held against quiet ones, and how many times as much as a
/// plain sensor's noise would means scatter.
pub(super) fn measured(
    ask: &Ask,
    noise: &Noise,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<(Cells, Raster<[f32; 3]>, f32), OverBudget> {
    let mut cells = compared(ask, noise, account)?;
    let weight = cells.weight.cropped(cells.weight.rect(), account)?;
    held::together(&mut cells, quiet, account)?;
    let converted = held::is_converted(ask, noise, &cells, quiet, account)?;
    if converted {
        held::misfits(ask, noise, &mut cells, quiet, account)?;
    }
    cells.forgive();
    cells.soft = gauss::blurred(&cells.sums(account)?, SOFT, account)?;
    let grain = match converted {
        true => held::means(&mut cells, quiet, account)?,
        false => 1.0,
    };
    cells.soft_misfit = gauss::blurred(&cells.misfit, 0.8, account)?;
    Ok((cells, weight, grain))
}

/// Every cell by itself, without soft means.
fn compared(ask: &Ask, noise: &Noise, account: &Account) -> Result<Cells, OverBudget> {
    let rect = half(ask.frame.rect());
    // The plate's part of the noise: the mean of n frames has 1/n of one frame's.
    let share = 1.0 / (1.0 + ask.plate_frames.max(1) as f32);
    let mut cells = Cells {
        ratio: Raster::filled(rect, [1.0; 3], account)?,
        weight: Raster::filled(rect, [0.0; 3], account)?,
        misfit: Raster::filled(rect, 0.0, account)?,
        soft: Raster::filled(Rect::EMPTY, [0.0; 6], account)?,
        course: Raster::filled(Rect::EMPTY, [0.0; 3], account)?,
        soft_misfit: Raster::filled(Rect::EMPTY, 0.0, account)?,
    };
    let width = cells.misfit.width().max(1);
    cells
        .ratio
        .data_mut()
        .par_chunks_mut(width)
        .zip(cells.weight.data_mut().par_chunks_mut(width))
        .zip(cells.misfit.data_mut().par_chunks_mut(width))
        .enumerate()
        .for_each(|(j, ((ratio, weight), misfit))| {
            let j = rect.y0 + j as i32;
            for i in 0..ratio.len() {
                let around = Around::cell(ask.frame, ask.plate, rect.x0 + i as i32, j);
                (ratio[i], weight[i], misfit[i]) = one(&around, noise, share);
            }
        });
    cells.course = cells.smoothed(COURSE_MEAN, account)?;
    Ok(cells)
}

fn one(around: &Around, noise: &Noise, share: f32) -> ([f32; 3], [f32; 3], f32) {
    let mut sums = [[0.0f32; 3]; 3];
    let mut plates = [0.0f32; 3];
    let mut count = 0.0f32;
    let mut cut = [false; 3];
    around.each(|p| {
        count += 1.0;
        for k in 0..3 {
            cut[k] |= p.plate[k] >= WHITE;
            let one = 1.0 / noise.variance(k, p.plate[k], p.slope[k]);
            sums[0][k] += p.frame[k] * p.plate[k] * one;
            sums[1][k] += p.plate[k] * p.plate[k] * one;
            sums[2][k] += p.frame[k] * p.frame[k] * one;
            plates[k] += share * noise.variance(k, p.plate[k], 0.0) * one;
        }
    });
    let [cross, own, frame] = sums;
    let ratio: [f32; 3] = std::array::from_fn(|k| {
        if own[k] > 1e-6 {
            (cross[k] / own[k]).clamp(0.0, 16.0)
        } else {
            1.0
        }
    });
    if count < 1.5 {
        return (ratio, own, 1.0);
    }
    // The plate's own noise stands in its squares: without it the ratio would fall short in the dark.
    let clean: [f32; 3] = std::array::from_fn(|k| (own[k] - plates[k]).max(0.3 * own[k]));
    let fair = std::array::from_fn(|k| (ratio[k] * own[k] / clean[k].max(1e-6)).min(16.0));
    let left = |k: usize| (frame[k] - ratio[k] * (2.0 * cross[k] - ratio[k] * own[k])).max(0.0);
    // Of a channel that white cut off the others tell, while one is whole.
    let told = if cut == [true; 3] {
        [true; 3]
    } else {
        cut.map(|cut| !cut)
    };
    let told = [0, 1, 2].into_iter().filter(|&k| told[k]);
    let (sum, channels) = told
        .clone()
        .fold((0.0, 0.0), |(sum, n), k| (sum + left(k), n + 1.0));
    let mut clear = [0.0; 3];
    told.for_each(|k| clear[k] = clean[k]);
    (fair, clear, sum / (channels * (count - 1.0)))
}

/// What a departure asks of a cell beside its ratio, made once.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Ready {
    /// The ratio's variance; infinite where nothing is known.
    loose: [f32; 3],
    /// The soft mean and its variance.
    mean: [f32; 3],
    unsure: [f32; 3],
}

fn four([a, b, c]: [f32; 3]) -> [f32; 4] {
    [a, b, c, a]
}

impl Ready {
    /// As [`Cells::departure`] of a cell of this ratio. Channels side by side, the fourth a copy that counts for nothing:
    /// quotients of four take as long as one.
    pub fn departure(&self, ratio: [f32; 3], expected: [(f32, f32); 3]) -> f32 {
        let ratio = four(ratio);
        let [loose, mean, unsure] = [self.loose, self.mean, self.unsure].map(four);
        let level = four(expected.map(|e| e.0));
        let whole = four(expected.map(|e| e.1));
        let mut terms = [0.0f32; 4];
        let mut offs = [0.0f32; 4];
        let mut sures = [0.0f32; 4];
        for k in 0..4 {
            let off = ratio[k] - level[k];
            let slack = SLACK * level[k];
            terms[k] = off * off / (loose[k] + 1.0 / whole[k] + slack * slack);
            let level = level[k].max(0.02);
            offs[k] = mean[k] / level - 1.0;
            let variance = unsure[k] + 1.0 / whole[k];
            sures[k] = 1.0 / (variance / (level * level));
        }
        let mut alone = 0.0;
        let mut brightness = 0.0;
        for k in 0..3 {
            if !(whole[k] > 1e-6 && loose[k] < f32::INFINITY) {
                (offs[k], sures[k]) = (0.0, 0.0);
                continue;
            }
            alone += terms[k];
            brightness += offs[k] * sures[k];
        }
        let sure = (sures[0] + sures[1] + sures[2]).max(1e-6);
        brightness /= sure;
        let slack = SLACK_BRIGHTNESS * SLACK_BRIGHTNESS;
        let mut together = brightness * brightness * sure / (1.0 + slack * sure);
        for k in 0..4 {
            let off = offs[k] - brightness;
            terms[k] = off * off * sures[k] / (1.0 + SLACK_TINT * SLACK_TINT * sures[k]);
        }
        for term in &terms[..3] {
            together += term;
        }
        f32::max(alone, together) / 3.0
    }
}

impl Cells {
    /// What can be told again with other quiet cells; `weight` is what [`measured`] gave beside the cells.
    pub fn unheld(self, weight: Raster<[f32; 3]>) -> Unheld {
        Unheld {
            ratio: self.ratio,
            weight,
            course: self.course,
        }
    }

    /// Light changes inside a cell too: where noise is lower than that, it is no misfit.
    fn forgive(&mut self) {
        for (misfit, weight) in self.misfit.data_mut().iter_mut().zip(self.weight.data()) {
            // Squared light of a pixel in units of its variance: four pixels and three channels.
            let clear = (weight[0] + weight[1] + weight[2]) / 12.0;
            *misfit /= (SHADE * SHADE * clear).max(1.0);
        }
    }

    /// Departure of a cell from an expected ratio of some weight, in variances: the larger of what the cell alone
    /// says and what the cells around it say together.
    pub fn departure(&self, x: i32, y: i32, expected: [(f32, f32); 3]) -> f32 {
        self.ready(x, y).departure(self.ratio.at(x, y), expected)
    }

    /// What [`Cells::departure`] asks of a cell.
    pub fn ready(&self, x: i32, y: i32) -> Ready {
        let weight = self.weight.at(x, y);
        let [a, b, c, u, v, w] = self.soft.at(x, y);
        let (soft, whole) = ([a, b, c], [u, v, w]);
        Ready {
            loose: std::array::from_fn(|k| match weight[k] > 1e-6 && whole[k] > 1e-6 {
                true => 1.0 / weight[k],
                false => f32::INFINITY,
            }),
            mean: std::array::from_fn(|k| soft[k] / whole[k]),
            unsure: std::array::from_fn(|k| 1.0 / (CELLS_IN_SOFT * whole[k])),
        }
    }

    /// What brightness at a cell is expected to be against the mean `level` of what is accepted around it, when its
    /// course goes on: a straight line through the accepted cells, held back where noise hides its slope.
    pub fn course(
        &self,
        x: i32,
        y: i32,
        level: [f32; 3],
        accepted: impl Fn(i32, i32) -> bool,
    ) -> f32 {
        let rect = self.ratio.rect();
        let (mut n, mut sx, mut sy, mut sv) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
        let (mut xx, mut xy, mut yy, mut xv, mut yv) = (0.0f32, 0.0f32, 0.0f32, 0.0f32, 0.0f32);
        for py in (y - COURSE).max(rect.y0)..(y + COURSE + 1).min(rect.y1) {
            for px in (x - COURSE).max(rect.x0)..(x + COURSE + 1).min(rect.x1) {
                if !accepted(px, py) {
                    continue;
                }
                let (r, w) = (self.ratio.at(px, py), self.weight.at(px, py));
                let (mut value, mut whole) = (0.0f32, 0.0f32);
                for k in 0..3 {
                    let own = w[k] * level[k] * level[k];
                    value += own * (r[k] / level[k].max(0.02) - 1.0);
                    whole += own;
                }
                let (dx, dy) = ((px - x) as f32, (py - y) as f32);
                n += whole;
                sx += whole * dx;
                sy += whole * dy;
                sv += value;
                xx += whole * dx * dx;
                xy += whole * dx * dy;
                yy += whole * dy * dy;
                xv += value * dx;
                yv += value * dy;
            }
        }
        if n < 1e-6 {
            return 1.0;
        }
        // About the centre of what is accepted; slopes of more than some hundredths are unlikely.
        let prior = 1.0 / (STEEP * STEEP);
        let (mx, my) = (sx / n, sy / n);
        let (a, b, c) = (
            xx - n * mx * mx + prior,
            xy - n * mx * my,
            yy - n * my * my + prior,
        );
        let (p, q) = (xv - sv * mx, yv - sv * my);
        let all = (a * c - b * b).max(1e-12);
        let (gx, gy) = ((c * p - b * q) / all, (a * q - b * p) / all);
        (1.0 + sv / n - gx * mx - gy * my).clamp(0.8, 1.25)
    }

    /// The ratio averaged by its weights over a Gaussian of `sigma` cells.
    pub fn smoothed(&self, sigma: f64, account: &Account) -> Result<Raster<[f32; 3]>, OverBudget> {
        self.smoothed_in(self.ratio.rect(), sigma, account)
    }

    /// The same of a part, beyond which its border goes on.
    pub fn smoothed_in(
        &self,
        part: Rect,
        sigma: f64,
        account: &Account,
    ) -> Result<Raster<[f32; 3]>, OverBudget> {
        let sums = gauss::blurred(&self.sums_in(part, account)?, sigma, account)?;
        let mut mean = Raster::filled(sums.rect(), [1.0; 3], account)?;
        mean.data_mut()
            .par_iter_mut()
            .with_min_len(PIECE)
            .zip(sums.data())
            .for_each(|(mean, sum)| {
                for k in 0..3 {
                    if sum[3 + k] > 1e-6 {
                        mean[k] = sum[k] / sum[3 + k];
                    }
                }
            });
        Ok(mean)
    }

    /// Ratio times weight, and weight, of one cell.
    pub fn sum(&self, x: i32, y: i32) -> [f32; 6] {
        summed(&self.ratio.at(x, y), &self.weight.at(x, y))
    }

    /// The same of all.
    pub fn sums(&self, account: &Account) -> Result<Raster<[f32; 6]>, OverBudget> {
        self.sums_in(self.ratio.rect(), account)
    }

    /// The same of a part.
    pub fn sums_in(&self, part: Rect, account: &Account) -> Result<Raster<[f32; 6]>, OverBudget> {
        let mut sums = Raster::filled(part, [0.0; 6], account)?;
        let width = sums.width().max(1);
        let rows = sums.data_mut().par_chunks_mut(width).zip(part.y0..part.y1);
        rows.for_each(|(sums, y)| {
            let [ratio, weight] =
                [&self.ratio, &self.weight].map(|of| of.span(y, part.x0, part.x1));
            for (sum, (r, w)) in sums.iter_mut().zip(ratio.iter().zip(weight)) {
                *sum = summed(r, w);
            }
        });
        Ok(sums)
    }
}

#[inline]
fn summed(r: &[f32; 3], w: &[f32; 3]) -> [f32; 6] {
    [r[0] * w[0], r[1] * w[1], r[2] * w[2], w[0], w[1], w[2]]
}
