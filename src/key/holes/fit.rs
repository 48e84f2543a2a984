//! Every pixel against the plate under the one light that fits it best.

use rayon::prelude::*;

use super::super::Noise;
use super::super::tools::twice;
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

/// How far tint of light may be off, as a share.
const TINT: f32 = 0.015;

/// A pixel of the rectangle looked at.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pixel {
    pub frame: [f32; 3],
    pub plate: [f32; 3],
    /// Variance of their difference where the plate is seen.
    pub variance: [f32; 3],
    /// The light that fits best, and how firmly noise lets it be known (1 / variance).
    pub light: f32,
    pub firm: f32,
    /// What that light leaves unexplained, in variances; two degrees of freedom.
    pub wrong: f32,
}

impl Pixel {
    /// How far a pixel is from the plate under `light`, known to a `share`: in variances, three degrees of freedom.
    pub fn off_plate(&self, light: f32, share: f32) -> f32 {
        (0..3)
            .map(|k| {
                let lit = light * self.plate[k];
                let off = self.frame[k] - lit;
                off * off / (self.variance[k] + (share * lit) * (share * lit))
            })
            .sum()
    }
}

pub struct Fitted {
    pub rect: Rect,
    pub width: usize,
    pub height: usize,
    pub pixels: Vec<Pixel>,
    /// In the body, and no rod.
    pub inside: Vec<bool>,
    _charge: Charge,
}

impl Fitted {
    pub fn measured(
        frame: &Light,
        backdrop: &Light,
        noise: &Noise,
        rods: &Matte,
        body: &Raster<u8>,
        rect: Rect,
        account: &Account,
    ) -> Result<Fitted, OverBudget> {
        let (width, height) = (rect.width() as usize, rect.height() as usize);
        let charge = account.charge(
            (width * height * (size_of::<Pixel>() + 1)) as u64,
            "holes in the piece",
        )?;
        let mut pixels = vec![Pixel::default(); width * height];
        let all = backdrop.rect();
        pixels
            .par_chunks_mut(width.max(1))
            .zip(rect.y0..rect.y1)
            .for_each(|(row, y)| {
                for (out, x) in row.iter_mut().zip(rect.x0..) {
                    let (c, b) = (frame.at(x, y), backdrop.at(x, y));
                    let (left, right) = ((x - 1).max(all.x0), (x + 1).min(all.x1 - 1));
                    let (up, down) = ((y - 1).max(all.y0), (y + 1).min(all.y1 - 1));
                    let across = (backdrop.at(left, y), backdrop.at(right, y));
                    let along = (backdrop.at(x, up), backdrop.at(x, down));
                    let variance = std::array::from_fn(|k| {
                        let gx = 0.5 * (across.1[k] - across.0[k]);
                        let gy = 0.5 * (along.1[k] - along.0[k]);
                        noise.variance(k, b[k], gx * gx + gy * gy)
                    });
                    *out = fitted(c, b, variance);
                }
            });
        let cells = body.rect();
        let mut inside = Vec::with_capacity(width * height);
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                let (i, j) = (x.div_euclid(2), y.div_euclid(2));
                let rod = rods.rect().contains(x, y) && rods.at(x, y) > 0.0;
                inside.push(cells.contains(i, j) && body.at(i, j) != 0 && !rod);
            }
        }
        Ok(Fitted {
            rect,
            width,
            height,
            pixels,
            inside,
            _charge: charge,
        })
    }

    /// The same at half the size: pixel (i, j) is the mean of pixels 2i..2i+2 x 2j..2j+2.
    pub fn halved(&self, account: &Account) -> Result<Fitted, OverBudget> {
        let rect = twice::half(self.rect);
        let (width, height) = (rect.width() as usize, rect.height() as usize);
        let bytes = width * height * (size_of::<Pixel>() + 1);
        let charge = account.charge(bytes as u64, "holes in the piece, half size")?;
        let mut pixels = vec![Pixel::default(); width * height];
        let mut inside = vec![false; width * height];
        (pixels.par_chunks_mut(width.max(1)))
            .zip(inside.par_chunks_mut(width.max(1)))
            .zip(rect.y0..rect.y1)
            .for_each(|((pixels, inside), y)| {
                for ((pixel, inside), x) in pixels.iter_mut().zip(inside).zip(rect.x0..) {
                    (*pixel, *inside) = self.mean(Rect::new(2 * x, 2 * y, 2, 2));
                }
            });
        Ok(Fitted {
            rect,
            width,
            height,
            pixels,
            inside,
            _charge: charge,
        })
    }

    /// The mean of the pixels of a place, and whether all are inside.
    fn mean(&self, place: Rect) -> (Pixel, bool) {
        let place = place.intersected(&self.rect);
        let mut sums = [[0.0f32; 3]; 3];
        let mut inside = true;
        for y in place.y0..place.y1 {
            for x in place.x0..place.x1 {
                let i = (y - self.rect.y0) as usize * self.width + (x - self.rect.x0) as usize;
                let p = &self.pixels[i];
                for k in 0..3 {
                    sums[0][k] += p.frame[k];
                    sums[1][k] += p.plate[k];
                    sums[2][k] += p.variance[k];
                }
                inside &= self.inside[i];
            }
        }
        let count = place.area().max(1) as f32;
        let [frame, plate, variance] = sums.map(|sum| sum.map(|v| v / count));
        (fitted(frame, plate, variance.map(|v| v / count)), inside)
    }

    /// Indices of the up to eight neighbours of a pixel.
    pub fn around(&self, i: usize) -> impl Iterator<Item = usize> {
        let (x, y, width, height) = (i % self.width, i / self.width, self.width, self.height);
        (y.saturating_sub(1)..(y + 2).min(height)).flat_map(move |v| {
            (x.saturating_sub(1)..(x + 2).min(width))
                .map(move |u| v * width + u)
                .filter(move |&n| n != i)
        })
    }

    /// Pixels around a part, ring by ring, through what `may` be entered.
    pub fn grown(&self, part: &[u32], rings: usize, may: impl Fn(usize) -> bool) -> Vec<Vec<u32>> {
        // Marks on the box that so many rings can fill.
        let place = |i: usize| (i % self.width, i / self.width);
        let (mut x0, mut y0, mut x1, mut y1) = (self.width, self.height, 0, 0);
        for &i in part {
            let (x, y) = place(i as usize);
            (x0, y0, x1, y1) = (x0.min(x), y0.min(y), x1.max(x + 1), y1.max(y + 1));
        }
        let (x0, y0) = (x0.saturating_sub(rings), y0.saturating_sub(rings));
        let across = (x1 + rings).min(self.width).saturating_sub(x0);
        let down = (y1 + rings).min(self.height).saturating_sub(y0);
        let mut met = vec![false; across * down];
        let mark = |i: usize| {
            let (x, y) = place(i);
            (y - y0) * across + x - x0
        };
        for &i in part {
            met[mark(i as usize)] = true;
        }
        let mut out: Vec<Vec<u32>> = Vec::with_capacity(rings);
        for n in 0..rings {
            let mut next = Vec::new();
            let last: &[u32] = if n == 0 { part } else { &out[n - 1] };
            for &i in last {
                for j in self.around(i as usize) {
                    let met = &mut met[mark(j)];
                    if !*met && may(j) {
                        *met = true;
                        next.push(j as u32);
                    }
                }
            }
            out.push(next);
        }
        out
    }
}

fn fitted(frame: [f32; 3], plate: [f32; 3], variance: [f32; 3]) -> Pixel {
    let (mut top, mut low, mut firm) = (0.0, 0.0, 0.0);
    for k in 0..3 {
        let v = variance[k] + (TINT * plate[k]) * (TINT * plate[k]);
        top += frame[k] * plate[k] / v;
        low += plate[k] * plate[k] / v;
        firm += plate[k] * plate[k] / variance[k];
    }
    let light = if low > 0.0 { top / low } else { f32::NAN };
    let wrong = (0..3)
        .map(|k| {
            let off = frame[k] - light * plate[k];
            off * off / (variance[k] + (TINT * plate[k]) * (TINT * plate[k]))
        })
        .sum();
    Pixel {
        frame,
        plate,
        variance,
        light,
        firm,
        wrong,
    }
}
