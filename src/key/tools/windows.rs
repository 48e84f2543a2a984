//! Smoothness of a matte along the colours of a picture: the closed-form matting Laplacian ("A closed-form solution
//! to natural image matting", IEEE TPAMI 30(2), 2008), applied window by window and never built as a matrix.
//!
//! In every 3 x 3 window the matte should be a linear function of the colour; what is left over is the penalty.
//! Only windows that touch an unknown pixel are kept.

use rayon::prelude::*;

use crate::budget::{Account, Charge, OverBudget};
use crate::raster::{Light, Raster};

/// Items of one parallel piece of work; sums are made per piece and then in order.
pub const PIECE: usize = 4096;
const NONE: u32 = u32::MAX;

/// The windows that touch unknown pixels.
#[derive(Debug)]
pub struct Windows {
    width: usize,
    /// Index of the middle pixel of each window.
    middles: Vec<u32>,
    /// Mean colour and inverse covariance (xx xy xz yy yz zz) of each window.
    shape: Vec<([f32; 3], [f32; 6])>,
    /// Pixel to window, `NONE` where its window is not kept.
    slot: Raster<u32>,
    _charge: Charge,
}

/// Inverse of a symmetric 3 x 3 matrix (xx xy xz yy yz zz) that is safely positive.
pub fn inverse(m: [f32; 6]) -> [f32; 6] {
    let [a, b, c, d, e, f] = m.map(f64::from);
    let (aa, ab, ac) = (d * f - e * e, c * e - b * f, b * e - c * d);
    let det = a * aa + b * ab + c * ac;
    let scale = if det > 0.0 { 1.0 / det } else { 0.0 };
    [aa, ab, ac, a * f - c * c, b * c - a * e, a * d - b * b].map(|v| (v * scale) as f32)
}

/// A symmetric matrix times a vector.
pub fn times(m: &[f32; 6], v: [f32; 3]) -> [f32; 3] {
    [
        m[0] * v[0] + m[1] * v[1] + m[2] * v[2],
        m[1] * v[0] + m[3] * v[1] + m[4] * v[2],
        m[2] * v[0] + m[4] * v[1] + m[5] * v[2],
    ]
}

/// The nine indices of a window in a raster `width` wide.
fn around(middle: usize, width: usize) -> [usize; 9] {
    let top = middle - width - 1;
    let (mid, low) = (top + width, top + 2 * width);
    [
        top,
        top + 1,
        top + 2,
        mid,
        mid + 1,
        mid + 2,
        low,
        low + 1,
        low + 2,
    ]
}

impl Windows {
    /// Windows of `picture` around every pixel marked in `unknown` (same rectangle). `epsilon` is the variance of
    /// noise in one channel of one pixel.
    pub fn over(
        picture: &Light,
        unknown: &Raster<u8>,
        epsilon: f32,
        account: &Account,
    ) -> Result<Windows, OverBudget> {
        let width = picture.width();
        let height = picture.data().len().checked_div(width).unwrap_or(0);
        let mut slot = Raster::filled(picture.rect(), NONE, account)?;
        let marks = unknown.data();
        let mut count = 0u32;
        if width > 2 && height > 2 {
            for y in 1..height - 1 {
                for x in 1..width - 1 {
                    let middle = y * width + x;
                    if around(middle, width).iter().any(|&i| marks[i] != 0) {
                        slot.data_mut()[middle] = count;
                        count += 1;
                    }
                }
            }
        }
        let charge = account.charge(u64::from(count) * 56, "matte windows")?;
        let mut middles = Vec::with_capacity(count as usize);
        for (i, &s) in slot.data().iter().enumerate() {
            if s != NONE {
                middles.push(i as u32);
            }
        }
        let mut shape = vec![([0.0; 3], [0.0; 6]); middles.len()];
        let light = picture.data();
        shape
            .par_chunks_mut(PIECE)
            .zip(middles.par_chunks(PIECE))
            .for_each(|(shape, middles)| {
                for (shape, &middle) in shape.iter_mut().zip(middles) {
                    let here = around(middle as usize, width);
                    let mut mean = [0.0f32; 3];
                    for &i in &here {
                        for k in 0..3 {
                            mean[k] += light[i][k];
                        }
                    }
                    let mean = mean.map(|v| v / 9.0);
                    let mut m = [0.0f32; 6];
                    for &i in &here {
                        let d: [f32; 3] = std::array::from_fn(|k| light[i][k] - mean[k]);
                        m[0] += d[0] * d[0];
                        m[1] += d[0] * d[1];
                        m[2] += d[0] * d[2];
                        m[3] += d[1] * d[1];
                        m[4] += d[1] * d[2];
                        m[5] += d[2] * d[2];
                    }
                    for k in [0, 3, 5] {
                        m[k] += epsilon;
                    }
                    *shape = (mean, inverse(m));
                }
            });
        Ok(Windows {
            width,
            middles,
            shape,
            slot,
            _charge: charge,
        })
    }

    /// Number of windows: the length of the scratch that [`Windows::apply`] wants.
    pub fn len(&self) -> usize {
        self.middles.len()
    }

    /// The Laplacian times `matte` (all pixels of the raster), at the pixels of `list`.
    pub fn apply(
        &self,
        matte: &[f32],
        picture: &Light,
        list: &[u32],
        lines: &mut [[f32; 4]],
        out: &mut [f32],
    ) {
        let (width, light) = (self.width, picture.data());
        lines
            .par_chunks_mut(PIECE)
            .zip(self.middles.par_chunks(PIECE))
            .zip(self.shape.par_chunks(PIECE))
            .for_each(|((lines, middles), shapes)| {
                for ((line, &middle), (mean, inverse)) in lines.iter_mut().zip(middles).zip(shapes)
                {
                    let here = around(middle as usize, width);
                    let mut sum = 0.0f32;
                    for &i in &here {
                        sum += matte[i];
                    }
                    let level = sum / 9.0;
                    let mut slope = [0.0f32; 3];
                    for &i in &here {
                        let d = matte[i] - level;
                        for k in 0..3 {
                            slope[k] += d * (light[i][k] - mean[k]);
                        }
                    }
                    let s = times(inverse, slope);
                    let base = level - s[0] * mean[0] - s[1] * mean[1] - s[2] * mean[2];
                    *line = [s[0], s[1], s[2], base];
                }
            });
        let lines = &*lines;
        let slots = self.slot.data();
        let pixels = slots.len();
        out.par_chunks_mut(PIECE)
            .zip(list.par_chunks(PIECE))
            .for_each(|(out, list)| {
                for (out, &pixel) in out.iter_mut().zip(list) {
                    let pixel = pixel as usize;
                    let c = light[pixel];
                    let mut sum = 0.0f32;
                    for step in offsets(width) {
                        let Some(i) = pixel.checked_add_signed(step).filter(|&i| i < pixels) else {
                            continue;
                        };
                        if slots[i] != NONE {
                            let l = lines[slots[i] as usize];
                            sum += matte[pixel] - (l[0] * c[0] + l[1] * c[1] + l[2] * c[2] + l[3]);
                        }
                    }
                    *out = sum;
                }
            });
    }

    /// The Laplacian's diagonal at the pixels of `list`, for a preconditioner.
    pub fn diagonal(&self, picture: &Light, list: &[u32], out: &mut [f32]) {
        let (width, light) = (self.width, picture.data());
        let slots = self.slot.data();
        out.par_chunks_mut(PIECE)
            .zip(list.par_chunks(PIECE))
            .for_each(|(out, list)| {
                for (out, &pixel) in out.iter_mut().zip(list) {
                    let pixel = pixel as usize;
                    let mut sum = 0.0;
                    for step in offsets(width) {
                        let Some(i) = pixel.checked_add_signed(step).filter(|&i| i < slots.len())
                        else {
                            continue;
                        };
                        if slots[i] == NONE {
                            continue;
                        }
                        let (mean, inverse) = &self.shape[slots[i] as usize];
                        let d: [f32; 3] = std::array::from_fn(|k| light[pixel][k] - mean[k]);
                        let s = times(inverse, d);
                        sum += 1.0 - 1.0 / 9.0 - (d[0] * s[0] + d[1] * s[1] + d[2] * s[2]);
                    }
                    *out = sum.max(0.0);
                }
            });
    }
}

fn offsets(width: usize) -> [isize; 9] {
    let w = width as isize;
    [-w - 1, -w, -w + 1, -1, 0, 1, w - 1, w, w + 1]
}
