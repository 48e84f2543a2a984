//! Slope of frame on backdrop, both without their slow parts: what shows through of the plate's texture.

use rayon::prelude::*;

use super::super::tools::gauss;
use super::measure::Sensed;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Deviation of the blur whose rest is a texture's finest, in pixels.
pub const FINE: f64 = 3.0;

/// Products of what is left of frame and backdrop without their slow parts, in units of noise: weight, frame x
/// backdrop, backdrop squared, frame squared.
pub fn products(
    sensed: &Sensed,
    solid: &Raster<f32>,
    slow: f64,
    account: &Account,
) -> Result<Raster<[f32; 4]>, OverBudget> {
    let rect = solid.rect();
    let mut both = Raster::filled(rect, [0.0f32; 7], account)?;
    let (frame, backdrop) = (sensed.frame.data(), sensed.backdrop.data());
    for (i, out) in both.data_mut().iter_mut().enumerate() {
        let s = solid.data()[i];
        let (c, b) = (frame[i], backdrop[i]);
        *out = [
            s,
            s * c[0],
            s * c[1],
            s * c[2],
            s * b[0],
            s * b[1],
            s * b[2],
        ];
    }
    let means = gauss::blurred(&both, slow, account)?;
    drop(both);
    // What a high-pass leaves of white noise.
    let kept = (1.0 - 1.0 / (4.0 * std::f64::consts::PI * slow * slow)) as f32;
    let mut products = Raster::filled(rect, [0.0f32; 4], account)?;
    products
        .data_mut()
        .par_iter_mut()
        .with_min_len(4096)
        .enumerate()
        .for_each(|(i, out)| {
            let (s, m) = (solid.data()[i], means.data()[i]);
            if s <= 0.0 || m[0] < 0.02 {
                return;
            }
            let (c, b) = (frame[i], backdrop[i]);
            let v = sensed.variance(i, 0.5);
            let mut sums = [s, 0.0, 0.0, 0.0];
            for k in 0..3 {
                let (dc, db) = (c[k] - m[1 + k] / m[0], b[k] - m[4 + k] / m[0]);
                sums[1] += s * dc * db / v[k];
                sums[2] += s * (db * db - kept * sensed.loose.data()[i][k]) / v[k];
                sums[3] += s * dc * dc / v[k];
            }
            *out = sums;
        });
    Ok(products)
}

/// Slope of frame on backdrop, its precision (1 / variance) and what is left over the noise's variance, at one pair
/// of scales.
pub fn slopes(
    sensed: &Sensed,
    solid: &Raster<f32>,
    (slow, window): (f64, f64),
    account: &Account,
) -> Result<Raster<[f32; 3]>, OverBudget> {
    let rect = solid.rect();
    let products = products(sensed, solid, slow, account)?;
    let sums = gauss::blurred(&products, window, account)?;
    let pixels = (std::f64::consts::PI * window * window) as f32;
    let mut out = Raster::filled(rect, [0.0f32; 3], account)?;
    for (out, s) in out.data_mut().iter_mut().zip(sums.data()) {
        if s[0] < 0.02 || s[2].is_nan() || s[2] <= 1e-3 * s[0] {
            continue;
        }
        let slope = s[1] / s[2];
        let left = ((s[3] - slope * s[1]) / s[0]).max(3.0) / 3.0;
        // Neighbouring pixels of a texture are not independent: a quarter of the window's pixels count.
        let precision = s[2] * pixels / left;
        *out = [slope, precision, left];
    }
    Ok(out)
}

/// The slope measured where nothing hides the plate: 1 but for what carrying the plate did to it.
pub fn bare_slope(
    sensed: &Sensed,
    beside: &Raster<f32>,
    slow: f64,
    account: &Account,
) -> Result<f32, OverBudget> {
    let products = products(sensed, beside, slow, account)?;
    let (mut cross, mut square) = (0.0f64, 0.0f64);
    for p in products.data() {
        cross += f64::from(p[1]);
        square += f64::from(p[2]);
    }
    Ok(if square > 1e3 {
        ((cross / square) as f32).clamp(0.7, 1.2)
    } else {
        1.0
    })
}
