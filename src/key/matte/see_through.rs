//! See-through pieces: where the plate has texture, what of it shows through tells coverage.
//!
//! Inside a piece 1 - a is the slope of frame on backdrop, both without their slow parts, over Gaussian windows.
//! Opaque pieces show slope 0 within its standard deviation and are left alone.

use rayon::prelude::*;

use super::super::tools::{gauss, push_pull};
use super::band::Band;
use super::measure::{Data, Sensed};
use super::solve;
use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Matte, Raster};

/// Gaussians, pixels: what is slow, and the window.
const SCALES: [(f64, f64); 2] = [(3.0, 6.0), (4.0, 15.0)];
/// The method's own number of standard deviations.
const OWN_SIGMA: f64 = 5.5;
/// A slope counts when beyond this many of its standard deviations and this large.
const SURE: f32 = 4.0;
const LARGE: f32 = 0.10;
/// A slope is a mean over a window: each of its pixels may count only for its share.
const WINDOWED: f32 = 200.0;
/// Weight of the bound that light sets, and of smoothness (1 / variance of coverage).
const FLOOR: f32 = 20.0;
const SMOOTH: f32 = 20.0;
const ROUNDS: usize = 2;
/// A slope above this is bare plate.
const BARE: f32 = 0.9;
/// Over a see-through piece little is left beside plate and noise: this many times the noise's variance.
const PLAIN: f32 = 6.0;
/// See-through when so much of a piece shows such slopes.
const SHARE: f32 = 0.25;

/// Slope of frame on backdrop, its precision (1 / variance) and what is left over the noise's variance, at one pair of scales.
fn slopes(
    sensed: &Sensed,
    solid: &Raster<f32>,
    (slow, window): (f64, f64),
    account: &Account,
) -> Result<Raster<[f32; 3]>, OverBudget> {
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
    drop(means);
    let sums = gauss::blurred(&products, window, account)?;
    let pixels = (std::f64::consts::PI * window * window) as f32;
    let mut out = Raster::filled(rect, [0.0f32; 3], account)?;
    for (out, s) in out.data_mut().iter_mut().zip(sums.data()) {
        if s[0] < 0.02 || !(s[2] > 1e-3 * s[0]) {
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

/// What shows through, or `None` when the piece is opaque as far as can be told: the piece's own coverage inside,
/// 1 where opaque, on the sensed rectangle.
pub fn inner_coverage(
    sensed: &Sensed,
    band: &Band,
    sigma: Option<f64>,
    account: &Account,
) -> Result<Option<Matte>, OverBudget> {
    let rect = sensed.frame.rect();
    let mut solid = Raster::filled(rect, 0.0f32, account)?;
    let mut count = 0u32;
    for (i, s) in solid.data_mut().iter_mut().enumerate() {
        if band.first_trust(i) > 0.0 {
            *s = 1.0;
            count += 1;
        }
    }
    // Hair shows the plate between its strands, which is another thing.
    if count < 400 || band.strand_pixels() as f32 > 0.1 * count as f32 {
        return Ok(None);
    }
    let mut seen = Raster::filled(rect, [0.0f32; 2], account)?;
    let mut clear = 0u32;
    // Asked for more or fewer deviations, this asks for more or fewer in proportion.
    let enough = sigma.map_or(SURE, |s| SURE * (s / OWN_SIGMA) as f32);
    for (n, scale) in SCALES.into_iter().enumerate() {
        let found = slopes(sensed, &solid, scale, account)?;
        for (i, (sum, f)) in seen.data_mut().iter_mut().zip(found.data()).enumerate() {
            sum[0] += f[0] * f[1];
            sum[1] += f[1];
            // A mean of bare plate and piece leaves the piece's own texture over; and bare plate is a hole.
            let sure = f[0] > LARGE && f[0] < BARE && f[0] * f[1].sqrt() > enough && f[2] < PLAIN;
            if n == 0 && solid.data()[i] > 0.0 && sure {
                clear += 1;
            }
        }
    }
    if (clear as f32) < SHARE * count as f32 {
        return Ok(None);
    }
    for sum in seen.data_mut() {
        if sum[1] > 0.0 {
            sum[0] /= sum[1];
        }
    }
    let mut asked = Raster::filled(rect, [0.0f32; 1], account)?;
    let mut firm = Raster::filled(rect, 0.0f32, account)?;
    for (i, s) in seen.data().iter().enumerate() {
        if solid.data()[i] > 0.0 && s[1] > 0.0 {
            asked.data_mut()[i] = [1.0 - s[0].clamp(0.0, 1.0)];
            firm.data_mut()[i] = s[1].min(1e4);
        }
    }
    let filled = push_pull::filled(&asked, &firm, account)?;
    let mut inner = Matte::filled(rect, 1.0, account)?;
    for (out, f) in inner.data_mut().iter_mut().zip(filled.data()) {
        *out = f[0].clamp(0.02, 1.0);
    }
    for _ in 0..ROUNDS {
        refined(sensed, &solid, &asked, &firm, &mut inner, account)?;
    }
    // Beyond the solid part the same goes on to the edge.
    for (a, f) in asked.data_mut().iter_mut().zip(inner.data()) {
        *a = [*f];
    }
    let filled = push_pull::filled(&asked, &solid, account)?;
    for (i, out) in inner.data_mut().iter_mut().enumerate() {
        if solid.data()[i] <= 0.0 {
            *out = filled.data()[i][0].clamp(0.02, 1.0);
        }
        *out = out.max(least(sensed, i));
    }
    Ok(Some(inner))
}

/// One round: smooth along the premultiplied picture C - (1 - a) B', whose edges are the piece's, not the plate's.
fn refined(
    sensed: &Sensed,
    solid: &Raster<f32>,
    asked: &Raster<[f32; 1]>,
    firm: &Raster<f32>,
    inner: &mut Matte,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = solid.rect();
    let mut own = Light::filled(rect, [0.0; 3], account)?;
    let mut unknown = Raster::filled(rect, 0u8, account)?;
    let mut list = Vec::new();
    for (i, out) in own.data_mut().iter_mut().enumerate() {
        let (c, b, a) = (
            sensed.frame.data()[i],
            sensed.backdrop.data()[i],
            inner.data()[i],
        );
        *out = std::array::from_fn(|k| c[k] - (1.0 - a) * b[k]);
        if solid.data()[i] > 0.0 {
            unknown.data_mut()[i] = 1;
            list.push(i as u32);
        }
    }
    let mut data = Data::silent(list.len(), account)?;
    for (n, &pixel) in list.iter().enumerate() {
        let i = pixel as usize;
        let floor = least(sensed, i);
        let (a, w) = (asked.data()[i][0], firm.data()[i] / WINDOWED);
        if floor > a {
            (data.asked[n], data.weight[n]) = (floor, w.max(FLOOR));
        } else {
            (data.asked[n], data.weight[n]) = (a, w);
        }
    }
    let epsilon = (4.0 * sensed.floor).max(1e-6);
    let system = solve::System::over(&own, &unknown, &list, epsilon, account)?;
    system.solve(&data, SMOOTH, inner, account)
}

/// The least coverage that keeps F within what light can be, by two standard deviations.
fn least(sensed: &Sensed, i: usize) -> f32 {
    let (c, b) = (sensed.frame.data()[i], sensed.backdrop.data()[i]);
    let v = sensed.variance(i, 0.5);
    let mut least = 0.0f32;
    for k in 0..3 {
        let room = 2.0 * v[k].sqrt();
        if b[k] > 1e-3 {
            least = least.max((b[k] - c[k] - room) / b[k]);
        }
        if sensed.ceiling - b[k] > 1e-3 {
            least = least.max((c[k] - b[k] - room) / (sensed.ceiling - b[k]));
        }
    }
    least.min(1.0)
}
