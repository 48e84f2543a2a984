//! Gaussian blurs in two passes with taps out to three deviations; beyond the raster its border goes on.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// A pixel made of `CHANNELS` floats in a row.
pub trait Pixel: Copy + Default + Send + Sync {
    const CHANNELS: usize;

    fn flat(row: &[Self]) -> &[f32];
    fn flat_mut(row: &mut [Self]) -> &mut [f32];
}

impl Pixel for f32 {
    const CHANNELS: usize = 1;

    fn flat(row: &[f32]) -> &[f32] {
        row
    }

    fn flat_mut(row: &mut [f32]) -> &mut [f32] {
        row
    }
}

impl<const N: usize> Pixel for [f32; N]
where
    [f32; N]: Default,
{
    const CHANNELS: usize = N;

    fn flat(row: &[[f32; N]]) -> &[f32] {
        row.as_flattened()
    }

    fn flat_mut(row: &mut [[f32; N]]) -> &mut [f32] {
        row.as_flattened_mut()
    }
}

/// One half of the taps, the middle first; all of them sum to 1. `sigma` in pixels.
pub fn taps(sigma: f64) -> Vec<f32> {
    // NaN and negative deviations blur nothing.
    let reach = if sigma > 0.0 {
        (3.0 * sigma).ceil().min(4096.0) as usize
    } else {
        0
    };
    let weight = |i: usize| {
        if i == 0 {
            1.0
        } else {
            libm::exp(-0.5 * (i * i) as f64 / (sigma * sigma))
        }
    };
    let sum: f64 = (1..=reach).map(|i| 2.0 * weight(i)).sum::<f64>() + 1.0;
    (0..=reach).map(|i| (weight(i) / sum) as f32).collect()
}

/// Rows of a band, in reaches of the blur: what a band sees of its neighbours is blurred along the rows twice.
const BAND: usize = 16;

/// The picture blurred by a Gaussian of `sigma` pixels: along the rows of a band and of what it sees beside itself, then
/// across them.
pub fn blurred<P: Pixel>(
    source: &Raster<P>,
    sigma: f64,
    account: &Account,
) -> Result<Raster<P>, OverBudget> {
    let taps = taps(sigma);
    let rect = source.rect();
    let mut out = Raster::filled(rect, P::default(), account)?;
    let width = source.width();
    if width == 0 {
        return Ok(out);
    }
    let rows = rect.height() as usize;
    let reach = taps.len() - 1;
    let threads = rayon::current_num_threads().max(1);
    let bands = (rows / (BAND * reach).max(BAND)).next_multiple_of(threads);
    let tall = rows.div_ceil(bands.max(threads));
    let room = (tall + 2 * reach).min(rows) * width * size_of::<P>() * threads;
    let _held = account.charge(room as u64, "bands of a blur")?;
    out.data_mut()
        .par_chunks_mut(width * tall)
        .enumerate()
        .for_each_init(
            || (Vec::new(), Vec::new()),
            |(padded, across), (band, out)| {
                let first = band * tall;
                let low = first.saturating_sub(reach);
                let high = (first + out.len() / width + reach).min(rows);
                across.resize((high - low) * width, P::default());
                let seen = &source.data()[low * width..high * width];
                for (out, row) in across.chunks_mut(width).zip(seen.chunks(width)) {
                    row_blurred::<P>(row, out, &taps, padded);
                }
                for (out, y) in out.chunks_mut(width).zip(first..) {
                    let row = |y: usize| P::flat(&across[(y - low) * width..][..width]);
                    let out = P::flat_mut(out);
                    for (out, v) in out.iter_mut().zip(row(y)) {
                        *out = v * taps[0];
                    }
                    spread(out, &taps, |i| {
                        (row(y.saturating_sub(i)), row((y + i).min(rows - 1)))
                    });
                }
            },
        );
    Ok(out)
}

fn row_blurred<P: Pixel>(row: &[P], out: &mut [P], taps: &[f32], padded: &mut Vec<f32>) {
    let reach = taps.len() - 1;
    let n = P::CHANNELS;
    padded.clear();
    for _ in 0..reach {
        padded.extend_from_slice(P::flat(&row[..1]));
    }
    padded.extend_from_slice(P::flat(row));
    for _ in 0..reach {
        padded.extend_from_slice(P::flat(&row[row.len() - 1..]));
    }
    let out = P::flat_mut(out);
    let middle = &padded[reach * n..];
    for (out, v) in out.iter_mut().zip(middle) {
        *out = v * taps[0];
    }
    spread(out, taps, |i| {
        (&padded[(reach - i) * n..], &padded[(reach + i) * n..])
    });
}

/// Adds every tap but the middle one times what lies on both its sides, tap after tap; three at a time, so that a
/// sum is loaded and stored less often.
fn spread<'a>(out: &mut [f32], taps: &[f32], sides: impl Fn(usize) -> (&'a [f32], &'a [f32])) {
    let n = out.len();
    let mut i = 1;
    while i + 3 <= taps.len() {
        let [a, b, c] = [0, 1, 2].map(|j| {
            let (one, other) = sides(i + j);
            (taps[i + j], &one[..n], &other[..n])
        });
        for (x, out) in out.iter_mut().enumerate() {
            let sum = *out + (a.1[x] + a.2[x]) * a.0;
            let sum = sum + (b.1[x] + b.2[x]) * b.0;
            *out = sum + (c.1[x] + c.2[x]) * c.0;
        }
        i += 3;
    }
    for (i, &tap) in taps.iter().enumerate().skip(i) {
        let (one, other) = sides(i);
        for ((out, a), b) in out.iter_mut().zip(one).zip(other) {
            *out += (a + b) * tap;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    #[test]
    fn a_point_becomes_the_bell_and_a_flat_field_stays() {
        let account = Account::unlimited();
        let mut point = Raster::filled(Rect::new(-3, 5, 31, 29), [0.0f32; 3], &account).unwrap();
        point.put(10, 19, [1.0, 2.0, 0.0]);
        let out = blurred(&point, 2.0, &account).unwrap();
        // exp(-(1 + 9) / 8) beside the peak, whatever the peak is.
        let peak = out.at(10, 19)[0];
        let ratio = f64::from(out.at(11, 22)[0] / peak);
        assert!((ratio - libm::exp(-1.25)).abs() < 1e-5, "{ratio}");
        assert!((f64::from(out.at(11, 22)[1] / peak) - 2.0 * ratio).abs() < 1e-5);
        let sum: f32 = out.data().iter().map(|p| p[0]).sum();
        assert!((sum - 1.0).abs() < 1e-4, "{sum}");
        let flat = Raster::filled(Rect::new(0, 0, 3, 2), 0.7f32, &account).unwrap();
        for v in blurred(&flat, 5.0, &account).unwrap().data() {
            assert!((v - 0.7).abs() < 1e-5);
        }
    }

    #[test]
    fn bands_do_not_show() {
        let account = Account::unlimited();
        let mut tall = Raster::filled(Rect::new(0, 0, 5, 260), [0.0f32; 3], &account).unwrap();
        for (n, pixel) in tall.data_mut().iter_mut().enumerate() {
            *pixel = [0, 1, 2].map(|k| (n * n % (97 + k)) as f32);
        }
        for sigma in [0.8, 2.0, 8.0] {
            let taps = taps(sigma);
            let out = blurred(&tall, sigma, &account).unwrap();
            let whole =
                |of: &Raster<[f32; 3]>, x: i32, y: i32| of.at(x.clamp(0, 4), y.clamp(0, 259));
            let tap = |i: i32| taps.get(i.unsigned_abs() as usize).copied().unwrap_or(0.0);
            let reach = taps.len() as i32;
            for y in 0..260 {
                let mut sum = 0.0f64;
                for v in -reach..=reach {
                    for u in -reach..=reach {
                        sum += f64::from(tap(u) * tap(v) * whole(&tall, 2 + u, y + v)[1]);
                    }
                }
                assert!(
                    (f64::from(out.at(2, y)[1]) - sum).abs() < 1e-3,
                    "{sigma} {y}"
                );
            }
        }
    }

    #[test]
    fn nothing_is_left_of_nothing() {
        let account = Account::unlimited();
        let empty = Raster::filled(Rect::EMPTY, 0.0f32, &account).unwrap();
        assert!(blurred(&empty, 2.0, &account).unwrap().data().is_empty());
        let one = Raster::filled(Rect::new(0, 0, 1, 1), 2.0f32, &account).unwrap();
        assert_eq!(blurred(&one, f64::NAN, &account).unwrap().data(), [2.0]);
    }
}
