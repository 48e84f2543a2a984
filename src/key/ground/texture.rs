//! Does an area carry the plate's own texture? Fine detail of frame and plate is multiplied cell by cell: over an area
//! their products add up where the plate is seen and cancel where it isn't, whatever the noise.

use rayon::prelude::*;

use super::super::clipped::WHITE;
use super::super::tools::gauss;
use super::super::tools::twice::half;
use super::super::{Ask, Noise};
use super::cells::Around;
use super::held;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Detail is what a mean over this many cells leaves.
const FINE: f64 = 2.0;
/// Standard deviations by which the expected texture must stand out for an answer.
const DECIDABLE: f64 = 4.0;

/// Share of the expected texture that is enough: plate and frame may lie some tenths of a pixel apart.
const SEEN: f64 = 0.45;

/// Detail up to this many times the plate's own noise is weak.
const WEAK: f32 = 16.0;

/// Detail of the frame counts up to this many times the plate's and two deviations of noise.
const MOST: f32 = 1.5;

/// Cells that tell how noise adds up.
const FEWEST: usize = 300;
/// What a plate alone that is carried to the frame makes of it: every limit reckons with it.
const CARRIED: f32 = 1.6;

/// What an area says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Answer {
    Plate,
    Other,
    /// The plate has too little texture here for the noise and the area.
    Undecided,
}

/// Products of detail per cell, in units of noise.
pub(super) struct Texture {
    /// Frame times plate, plate times plate times the light, the light, and the first again from detail no stronger
    /// than the plate's may be; in units of noise.
    parts: Raster<[f32; 4]>,
    /// Frame times plate where the plate's detail is weak and the background is seen, as a multiple of the light.
    usual: f32,
}

/// Sums over an area.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sum {
    seen: f64,
    squares: f64,
    left: f64,
    expected: f64,
}

/// Frame and plate cell by cell, and their means around: what detail is measured from.
pub(super) struct Detail {
    means: Raster<[f32; 6]>,
    around: Raster<[f32; 6]>,
}

impl Detail {
    pub fn seen(ask: &Ask, account: &Account) -> Result<Detail, OverBudget> {
        let rect = half(ask.frame.rect());
        let mut means = Raster::filled(rect, [0.0f32; 6], account)?;
        let width = means.width().max(1);
        means
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(j, row)| {
                for (i, mean) in row.iter_mut().enumerate() {
                    let (mut sum, mut count) = ([0.0f32; 6], 0.0f32);
                    let (x, y) = (rect.x0 + i as i32, rect.y0 + j as i32);
                    Around::cell(ask.frame, ask.plate, x, y).each(|p| {
                        count += 1.0;
                        for k in 0..3 {
                            sum[k] += p.frame[k];
                            sum[3 + k] += p.plate[k];
                        }
                    });
                    if count > 0.0 {
                        *mean = sum.map(|v| v / count);
                    }
                }
            });
        let around = gauss::blurred(&means, FINE, account)?;
        Ok(Detail { means, around })
    }
}

impl Texture {
    pub fn measured(
        ask: &Ask,
        noise: &Noise,
        Detail { means, around }: Detail,
        light: &Raster<[f32; 3]>,
        background: &Raster<u8>,
        account: &Account,
    ) -> Result<Texture, OverBudget> {
        let rect = means.rect();
        let coarse = sided(&means, around, background, account)?;
        let grain = grain(&means, &coarse, noise, light, background, account)?;
        let mut parts = Raster::filled(rect, [0.0f32; 4], account)?;
        let share = 1.0 / (1.0 + ask.plate_frames.max(1) as f32);
        parts
            .data_mut()
            .par_iter_mut()
            .zip(means.data().par_iter().zip(coarse.data()))
            .zip(light.data())
            .for_each(|((part, (mean, coarse)), light)| {
                for k in (0..3).filter(|&k| coarse[3 + k].max(mean[3 + k]) < WHITE) {
                    let variance = grain * 0.25 * noise.variance(k, coarse[3 + k], 0.0);
                    let (c, b) = (mean[k] - coarse[k], mean[3 + k] - coarse[3 + k]);
                    part[0] += c * b / variance;
                    part[1] += light[k] * b * b / variance;
                    part[2] += light[k] * share;
                    // An edge beside the cell is no texture of it.
                    let most = MOST * (light[k] * b.abs() + 2.0 * variance.sqrt());
                    part[3] += c.clamp(-most, most) * b / variance;
                }
            });
        let (mut seen, mut lights) = (0.0f64, 0.0f64);
        for (part, &background) in parts.data().iter().zip(background.data()) {
            if background > 0 && weak(part) {
                seen += f64::from(part[0]);
                lights += f64::from(part[2]);
            }
        }
        let usual = if lights > 0.0 {
            (seen / lights).max(0.0) as f32
        } else {
            0.0
        };
        Ok(Texture { parts, usual })
    }

    /// Detail of the frame times the plate's at a cell, the plate's own in the light, both in units of noise, that
    /// light, and 1 cell.
    pub fn sums(&self, x: i32, y: i32) -> [f32; 4] {
        let [_, own, light, seen] = self.parts.at(x, y);
        [seen, own, light, 1.0]
    }

    pub fn add(&self, x: i32, y: i32, sum: &mut Sum) {
        let part = self.parts.at(x, y);
        let [_, own, light, _] = part;
        let expected = match weak(&part) {
            true => self.usual * light,
            false => own - light,
        };
        let (seen, expected) = (f64::from(part[0]), f64::from(expected));
        sum.seen += seen;
        sum.squares += seen * seen;
        sum.left += (seen - expected) * (seen - expected);
        sum.expected += expected;
    }
}

/// How many times four pixels' share of the noise detail of the set really differs by from the plate's: pixels next to
/// each other share some of it. Asked where the plate has little texture, which may not quite meet.
fn grain(
    means: &Raster<[f32; 6]>,
    coarse: &Raster<[f32; 6]>,
    noise: &Noise,
    light: &Raster<[f32; 3]>,
    background: &Raster<u8>,
    account: &Account,
) -> Result<f32, OverBudget> {
    let _held = account.charge(4 * means.data().len() as u64, "grain of noise")?;
    let mut squares = Vec::new();
    let all = means.data().iter().zip(coarse.data()).zip(light.data());
    for (at, (((mean, coarse), light), &background)) in all.zip(background.data()).enumerate() {
        let k = at % 3;
        let variance = 0.25 * noise.variance(k, coarse[3 + k], 0.0);
        let (c, b) = (mean[k] - coarse[k], mean[3 + k] - coarse[3 + k]);
        if background > 0 && b * b < WEAK * variance {
            let off = c - light[k] * b;
            squares.push(off * off / variance);
        }
    }
    if squares.len() < FEWEST {
        return Ok(1.0);
    }
    let more = held::share(&mut squares, 0.5, held::MEDIAN_ONE);
    Ok((more / CARRIED).max(1.0))
}

/// Whether detail is no stronger than noise: there the plate's squares say nothing; what the background shows does.
fn weak(part: &[f32; 4]) -> bool {
    part[1] < WEAK * part[2].max(0.1)
}

/// Means around each cell, over the cells on its own side of the background's outline: what lies beyond an edge is no
/// part of the texture on this side.
fn sided(
    means: &Raster<[f32; 6]>,
    mut around: Raster<[f32; 6]>,
    background: &Raster<u8>,
    account: &Account,
) -> Result<Raster<[f32; 6]>, OverBudget> {
    let mut seen = Raster::filled(means.rect(), [0.0f32; 7], account)?;
    for ((seen, mean), &set) in
        (seen.data_mut().iter_mut().zip(means.data())).zip(background.data())
    {
        if set > 0 {
            seen[..6].copy_from_slice(mean);
            seen[6] = 1.0;
        }
    }
    let seen = gauss::blurred(&seen, FINE, account)?;
    let sides = around.data_mut().iter_mut().zip(seen.data());
    for ((out, seen), &set) in sides.zip(background.data()) {
        let share = if set > 0 { seen[6] } else { 1.0 - seen[6] };
        for k in 0..6 {
            let sum = if set > 0 { seen[k] } else { out[k] - seen[k] };
            out[k] = sum / share.max(1e-3);
        }
    }
    Ok(around)
}

impl Sum {
    /// What is seen of the expected, as sure as white noise leaves it.
    #[cfg(test)]
    pub fn of(seen: f64, expected: f64) -> Sum {
        Sum {
            seen,
            expected,
            ..Sum::default()
        }
    }

    /// Both areas together.
    pub fn join(&mut self, other: &Sum) {
        self.seen += other.seen;
        self.squares += other.squares;
        self.left += other.left;
        self.expected += other.expected;
    }

    /// Whether the whole texture may be there, as far as three deviations tell.
    pub fn may_be_plate(&self) -> bool {
        self.seen > self.expected - 3.0 * self.deviation()
    }

    /// Share of the expected texture that is seen.
    pub fn share(&self) -> f64 {
        self.seen / self.expected.max(1e-9)
    }

    /// Whether what little texture there should be speaks for the plate rather than against it.
    pub fn is_rather_plate(&self) -> bool {
        self.expected > self.deviation() && self.seen > 0.5 * self.expected
    }

    /// Scatter of the sum, whichever of the two it is; no less than white noise gives.
    fn deviation(&self) -> f64 {
        self.squares.min(self.left).max(self.expected + 1.0).sqrt()
    }

    pub fn answer(&self) -> Answer {
        let deviation = self.deviation();
        if self.expected < DECIDABLE * deviation {
            Answer::Undecided
        } else if self.seen > SEEN * self.expected {
            Answer::Plate
        } else {
            Answer::Other
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    /// What `grain` makes of cells whose mean is off by `more` times what four pixels' noise leaves.
    fn grain_of(more: f32) -> f32 {
        let account = Account::unlimited();
        let rect = Rect::of_size(60, 60);
        let noise = Noise {
            p: [4e-5; 3],
            q: [1e-7; 3],
            r: [0.0; 3],
        };
        let mut means = Raster::filled(rect, [0.3f32; 6], &account).unwrap();
        let coarse = Raster::filled(rect, [0.3f32; 6], &account).unwrap();
        let deviation = 0.5 * noise.variance(0, 0.3, 0.0).sqrt();
        for (n, mean) in means.data_mut().iter_mut().enumerate() {
            // Every height of a normal variable once: a sum of even steps is near enough to one.
            let even = |by: usize| (n * by % 97) as f32 / 97.0 - 0.5;
            let normal = 2.0 * (even(1) + even(31) + even(57));
            mean[n % 3] += more * normal * deviation;
        }
        let light = Raster::filled(rect, [1.0f32; 3], &account).unwrap();
        let background = Raster::filled(rect, 1u8, &account).unwrap();
        grain(&means, &coarse, &noise, &light, &background, &account).unwrap()
    }

    #[test]
    fn noise_that_neighbours_share_is_no_texture() {
        assert_eq!(grain_of(1.0), 1.0);
        let smooth = grain_of(2.0);
        assert!((smooth - 4.0 / CARRIED).abs() < 0.4, "{smooth}");
    }
}
