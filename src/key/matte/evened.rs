//! Coverage of a see-through body at full resolution: its own colour is smoother than its coverage.
//!
//! Windows of the plate's texture tell coverage on average; given the colour F that follows, every pixel measures
//! its own a by C = a F + (1 - a) B', F in brighter and darker shades of one hue. Where it thickens toward its rim this
//! shows what no window can.

use super::super::tools::gauss;
use super::super::tools::windows::{inverse, times};
use super::measure::{self, Data, Sensed};
use super::solve;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

/// Over what deviation the body's colour is the same but for shading, in pixels.
const ALIKE: f64 = 22.0;
const BLOCK: usize = 4;
/// How far it varies there in brightness and otherwise, as shares of itself (deviations).
const SHADES: f32 = 0.12;
const HUES: f32 = 0.03;
/// A pixel's say at most, against the windows' average (1 / variance).
const MOST: f32 = 400.0;
/// Squared deviations of three channels beyond which a pixel is no shade of the body's colour.
const STRANGE: f32 = 9.0;
/// Weight of smoothness.
const SMOOTH: f32 = 30.0;
/// Colour needs so much coverage to be known.
const LEAST: f32 = 0.08;

/// Blurred by `ALIKE`, in blocks of 4 x 4 pixels: sums that only ratios are taken of.
fn slow<const N: usize>(
    sums: &Raster<[f32; N]>,
    account: &Account,
) -> Result<Raster<[f32; N]>, OverBudget>
where
    [f32; N]: Default + gauss::Pixel,
{
    let width = sums.width();
    let rect = Rect::of_size(
        sums.rect().width().div_ceil(BLOCK as u32),
        sums.rect().height().div_ceil(BLOCK as u32),
    );
    let mut blocks = Raster::filled(rect, [0.0f32; N], account)?;
    let across = blocks.width();
    for (i, s) in sums.data().iter().enumerate() {
        let place = (i / width / BLOCK) * across + i % width / BLOCK;
        for (sum, v) in blocks.data_mut()[place].iter_mut().zip(s) {
            *sum += v;
        }
    }
    gauss::blurred(&blocks, ALIKE / BLOCK as f64, account)
}

/// Refines `inner` where `solid`; `hold` is a bound from below by pixel.
pub fn refined(
    sensed: &Sensed,
    solid: &Raster<f32>,
    inner: &mut Matte,
    hold: impl Fn(usize) -> f32,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = solid.rect();
    let mut own = Light::filled(rect, [0.0; 3], account)?;
    let mut sums = Raster::filled(rect, [0.0f32; 5], account)?;
    let mut unknown = Raster::filled(rect, 0u8, account)?;
    let mut list = Vec::new();
    for i in 0..own.data().len() {
        let (c, b, a) = (
            sensed.frame.data()[i],
            sensed.backdrop.data()[i],
            inner.data()[i],
        );
        let p: [f32; 3] = std::array::from_fn(|k| c[k] - (1.0 - a) * b[k]);
        own.data_mut()[i] = p;
        if solid.data()[i] > 0.0 {
            sums.data_mut()[i] = [1.0, p[0], p[1], p[2], a];
            unknown.data_mut()[i] = 1;
            list.push(i as u32);
        }
    }
    let _charge = account.charge(list.len() as u64 * 4, "pixels of a body")?;
    let sums = slow(&sums, account)?;
    let width = own.width();
    let across = sums.width();
    let block = |i: usize| (i / width / BLOCK) * across + i % width / BLOCK;
    // What pixels measure, and what of it is slow.
    let mut measured = Raster::filled(rect, [0.0f32; 3], account)?;
    let mut strange = Raster::filled(rect, 0u8, account)?;
    let mut data = Data::silent(list.len(), account)?;
    for (n, &pixel) in list.iter().enumerate() {
        let i = pixel as usize;
        let s = sums.data()[block(i)];
        let a = inner.data()[i];
        if s[4] < LEAST * s[0] {
            continue;
        }
        let f: [f32; 3] = std::array::from_fn(|k| (s[1 + k] / s[4]).clamp(0.0, sensed.ceiling));
        let (bright, other) = (SHADES * SHADES, HUES * HUES);
        let size = f[0] * f[0] + f[1] * f[1] + f[2] * f[2];
        let spread = [
            bright * f[0] * f[0] + other * size,
            bright * f[0] * f[1],
            bright * f[0] * f[2],
            bright * f[1] * f[1] + other * size,
            bright * f[1] * f[2],
            bright * f[2] * f[2] + other * size,
        ];
        let (told, weight) = measure::projected(sensed, i, (f, spread), a);
        let noise = sensed.variance(i, told);
        let room = inverse(measure::crossed(noise, told * told, &spread));
        let (c, b) = (sensed.frame.data()[i], sensed.backdrop.data()[i]);
        let off: [f32; 3] = std::array::from_fn(|k| c[k] - told * f[k] - (1.0 - told) * b[k]);
        let way = times(&room, off);
        if off[0] * way[0] + off[1] * way[1] + off[2] * way[2] > STRANGE {
            // Of another colour than the body: what the windows say stands.
            data.asked[n] = a;
            data.weight[n] = MOST;
            strange.data_mut()[i] = 1;
            continue;
        }
        let weight = weight.min(MOST);
        data.asked[n] = told;
        data.weight[n] = weight;
        measured.data_mut()[i] = [weight, weight * told, weight * a];
    }
    let level = slow(&measured, account)?;
    for (n, &pixel) in list.iter().enumerate() {
        let i = pixel as usize;
        let s = level.data()[block(i)];
        // On average the windows are right.
        if s[0] > 0.0 && strange.data()[i] == 0 {
            data.asked[n] += (s[2] - s[1]) / s[0];
        }
        let floor = hold(i);
        if data.asked[n] < floor {
            data.asked[n] = floor;
        }
        data.asked[n] = data.asked[n].min(1.0);
    }
    let epsilon = (4.0 * sensed.floor).max(1e-6);
    let system = solve::System::over(&own, &unknown, &list, epsilon, account)?;
    system.solve(&data, SMOOTH, solve::CLOSE, inner, account)
}

#[cfg(test)]
mod tests {
    use super::super::super::Noise;
    use super::*;

    /// A blue body that thickens toward its left rim, over a plate of two tones; its mean coverage over windows is known.
    #[test]
    fn a_rim_is_found_that_windows_smear() {
        let account = Account::unlimited();
        let rect = Rect::of_size(120, 100);
        let truth = |x: i32| 0.4 + 0.4 * (1.0 - x as f32 / 12.0).max(0.0);
        let (blue, tones) = ([0.05, 0.15, 0.45], [[0.3, 0.22, 0.15], [0.15, 0.1, 0.08]]);
        let tone = |x: i32, y: i32| tones[((x / 7 + y / 5) % 2) as usize];
        let mut frame = Light::filled(rect, [0.0; 3], &account).unwrap();
        let mut backdrop = Light::filled(rect, [0.0; 3], &account).unwrap();
        for y in 0..100 {
            for x in 0..120 {
                let (a, b) = (truth(x), tone(x, y));
                backdrop.put(x, y, b);
                frame.put(
                    x,
                    y,
                    std::array::from_fn(|k| a * blue[k] + (1.0 - a) * b[k]),
                );
            }
        }
        let noise = Noise {
            p: [2e-5; 3],
            q: [2e-7; 3],
            r: [0.0; 3],
        };
        let sensed = Sensed::new(&frame, &backdrop, &noise, 1, &account).unwrap();
        let solid = Raster::filled(rect, 1.0f32, &account).unwrap();
        let mut inner = Matte::filled(rect, 0.42, &account).unwrap();
        let off = |inner: &Matte| {
            (0..12)
                .map(|x| (inner.at(x, 50) - truth(x)).abs())
                .sum::<f32>()
        };
        let before = off(&inner);
        for _ in 0..2 {
            refined(&sensed, &solid, &mut inner, |_| 0.0, &account).unwrap();
        }
        let after = off(&inner);
        assert!(after < 0.85 * before, "{before} {after}");
        assert!(
            (inner.at(80, 50) - 0.4).abs() < 0.06,
            "{}",
            inner.at(80, 50)
        );
    }
}
