//! What lies on a see-through piece and hides it and the plate: a label, a highlight.
//!
//! Where the plate shows through, C = P + t B' with P, the piece's own light, and t slow. Found over windows of what
//! surely is see-through, they foretell the rest of the piece; what departs from that in one lump is something else,
//! and hides the plate when nothing of its texture shows there.

use rayon::prelude::*;

use super::super::tools::{distance, gauss, labels, push_pull};
use super::measure::Sensed;
use super::slope;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster};

/// Windows over which P and t are found, and over which t is steadied: deviations in pixels of half size.
const WINDOW: f64 = 6.0;
const WIDE: f64 = 10.0;
/// The wide window's say in units of the near one's own (squared signal over noise of the plate's texture).
const STEADY: f32 = 0.6;
/// How well slow fields foretell light, as a share of it.
const SHADED: f32 = 0.04;
/// Departs: mean squared deviation beyond this.
const DEPARTS: f32 = 3.0;
/// A lump is somewhere this deep, in pixels; no further than the second from there belongs to it.
const DEEP: i64 = 3;
const NEAR: i64 = 4;
/// This deep below a sharp rim, and below the rim of something even such as a highlight, it covers wholly; the rim
/// reaches so far outside as a sharp one does inside.
const SHARP: i64 = 2;
const SOFT: i64 = 6;
/// Even: its light varies by no more than this share of itself.
const EVEN: f32 = 0.1;
/// More of the plate's texture than this (slope) and it hides nothing.
const SHOWS: f64 = 0.32;
/// So many neighbouring pixels of a texture speak with one voice.
const ALIKE: f64 = 12.0;
/// Lumps that make up more of the piece than this are no exception: then the piece is not slow.
const MOST: f64 = 0.6;
const ROUNDS: usize = 3;

/// Own light P and slope t at half size.
type Slow = [f32; 4];

/// Half-size means of frame and backdrop where all four pixels are in `clear`, as sums for windows: weight, C, B',
/// C B', B' B'.
fn sums(
    sensed: &Sensed,
    clear: &Raster<u8>,
    account: &Account,
) -> Result<Raster<[f32; 13]>, OverBudget> {
    let (width, height) = (clear.width(), clear.rect().height() as usize);
    let half = Rect::of_size((width / 2) as u32, (height / 2) as u32);
    let mut sums = Raster::filled(half, [0.0f32; 13], account)?;
    let across = width / 2;
    if across == 0 {
        return Ok(sums);
    }
    sums.data_mut()
        .par_chunks_mut(across)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, out) in row.iter_mut().enumerate() {
                let first = 2 * y * width + 2 * x;
                let four = [first, first + 1, first + width, first + width + 1];
                if four.iter().any(|&i| clear.data()[i] == 0) {
                    continue;
                }
                out[0] = 1.0;
                for k in 0..3 {
                    let c = four.iter().map(|&i| sensed.frame.data()[i][k]).sum::<f32>() / 4.0;
                    let b = four
                        .iter()
                        .map(|&i| sensed.backdrop.data()[i][k])
                        .sum::<f32>()
                        / 4.0;
                    (out[1 + k], out[4 + k], out[7 + k], out[10 + k]) = (c, b, c * b, b * b);
                }
            }
        });
    Ok(sums)
}

/// P and t everywhere, from where `clear` is set.
fn slow(
    sensed: &Sensed,
    clear: &Raster<u8>,
    account: &Account,
) -> Result<Raster<Slow>, OverBudget> {
    let sums = sums(sensed, clear, account)?;
    let rect = sums.rect();
    let mut certain = Raster::filled(rect, 0.0f32, account)?;
    for (c, s) in certain.data_mut().iter_mut().zip(sums.data()) {
        *c = s[0];
    }
    let near = gauss::blurred(&sums, WINDOW, account)?;
    drop(sums);
    // Covariance of frame and backdrop, variance of the backdrop, over the noise's variance.
    let mut slopes = Raster::filled(rect, [0.0f32; 2], account)?;
    for (out, s) in slopes.data_mut().iter_mut().zip(near.data()) {
        let w = s[0];
        if w < 1e-4 {
            continue;
        }
        for k in 0..3 {
            let (c, b) = (s[1 + k] / w, s[4 + k] / w);
            let v = sensed.p[k] * c.max(0.0) + sensed.q[k];
            out[0] += w * (s[7 + k] / w - c * b) / v;
            out[1] += w * (s[10 + k] / w - b * b).max(0.0) / v;
        }
    }
    let wide = gauss::blurred(&slopes, WIDE, account)?;
    let mut fields = Raster::filled(rect, [0.0f32; 4], account)?;
    for (i, out) in fields.data_mut().iter_mut().enumerate() {
        let (s, n, f) = (near.data()[i], slopes.data()[i], wide.data()[i]);
        let w = s[0];
        if w < 1e-4 || f[1].is_nan() || f[1] <= 0.0 {
            certain.data_mut()[i] = 0.0;
            continue;
        }
        let t = ((n[0] + STEADY * f[0] / f[1]) / (n[1] + STEADY)).clamp(0.0, 1.0);
        for k in 0..3 {
            out[k] = s[1 + k] / w - t * s[4 + k] / w;
        }
        out[3] = t;
    }
    push_pull::filled(&fields, &certain, account)
}

/// The light the slow fields foretell at pixel `i`.
fn foretold(sensed: &Sensed, fields: &Raster<Slow>, i: usize) -> [f32; 3] {
    let width = sensed.frame.width();
    let (last_x, last_y) = (fields.rect().x1 - 1, fields.rect().y1 - 1);
    let f = fields.at(
        ((i % width / 2) as i32).min(last_x),
        ((i / width / 2) as i32).min(last_y),
    );
    let b = sensed.backdrop.data()[i];
    std::array::from_fn(|k| f[k] + f[3] * b[k])
}

/// Where the frame departs from what is foretold, in lumps.
fn lumps(
    sensed: &Sensed,
    solid: &Raster<f32>,
    fields: &Raster<Slow>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = solid.rect();
    let width = solid.width();
    let mut off = Raster::filled(rect, 0.0f32, account)?;
    for (i, off) in off.data_mut().iter_mut().enumerate() {
        if solid.data()[i] > 0.0 {
            let (c, f) = (sensed.frame.data()[i], foretold(sensed, fields, i));
            let v = sensed.variance(i, 0.5);
            let sum: f32 = (0..3)
                .map(|k| {
                    let room = v[k] + (SHADED * f[k]) * (SHADED * f[k]);
                    ((c[k] - f[k]) * (c[k] - f[k]) / room).min(10.0 * DEPARTS)
                })
                .sum();
            *off = sum / 3.0;
        }
    }
    let off = gauss::blurred(&off, 1.0, account)?;
    let mut rest = Raster::filled(rect, 1u8, account)?;
    for (i, rest) in rest.data_mut().iter_mut().enumerate() {
        if solid.data()[i] > 0.0 && off.data()[i] > DEPARTS {
            *rest = 0;
        }
    }
    let edge = distance::nearest(&rest, account)?;
    let mut deep = Raster::filled(rect, 0u8, account)?;
    for (i, deep) in deep.data_mut().iter_mut().enumerate() {
        *deep = u8::from(distance::squared(width, i, edge.data()[i]) > DEEP * DEEP);
    }
    let to_deep = distance::nearest(&deep, account)?;
    let mut lumps = Raster::filled(rect, 0u8, account)?;
    for (i, lump) in lumps.data_mut().iter_mut().enumerate() {
        let close = distance::squared(width, i, to_deep.data()[i]) <= NEAR * NEAR;
        *lump = u8::from(rest.data()[i] == 0 && close);
    }
    Ok(lumps)
}

/// Takes away lumps in which the plate's texture shows; their rims, which may reach beyond what is laid, don't count.
fn without_open(
    sensed: &Sensed,
    lumps: &mut Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let mut rest = Raster::filled(lumps.rect(), 0u8, account)?;
    for (r, l) in rest.data_mut().iter_mut().zip(lumps.data()) {
        *r = 1 - l;
    }
    let edge = distance::nearest(&rest, account)?;
    let mut mask = Raster::filled(lumps.rect(), 0.0f32, account)?;
    for (i, m) in mask.data_mut().iter_mut().enumerate() {
        let deep = distance::squared(lumps.width(), i, edge.data()[i]) > DEEP * DEEP;
        *m = f32::from(u8::from(lumps.data()[i] != 0 && deep));
    }
    let products = slope::products(sensed, &mask, slope::FINE, account)?;
    let parts = labels::parts(lumps, labels::Joined::Sides, account)?;
    let mut totals = vec![[0.0f64; 4]; parts.parts.len()];
    for (label, p) in parts.labels.data().iter().zip(products.data()) {
        if let Some(n) = label.checked_sub(1) {
            for (total, v) in totals[n as usize].iter_mut().zip(p) {
                *total += f64::from(*v);
            }
        }
    }
    for (lump, label) in lumps.data_mut().iter_mut().zip(parts.labels.data()) {
        if let Some(n) = label.checked_sub(1) {
            let [count, cross, square, energy] = totals[n as usize];
            // A print of its own meets the plate's texture by chance.
            let left = (energy - cross * cross / square.max(1e-9)).max(0.0);
            let chance = 3.0 * (left * ALIKE * square / count.max(1.0)).sqrt();
            *lump = u8::from(cross <= SHOWS * square || cross <= chance);
        }
    }
    Ok(())
}

/// Light of what lies on top, carried on from below its rim.
struct Rim {
    /// Weight, light, squared light, blurred.
    sums: Raster<[f32; 5]>,
}

impl Rim {
    fn below(
        sensed: &Sensed,
        deep: impl Fn(usize) -> bool,
        blur: f64,
        account: &Account,
    ) -> Result<Rim, OverBudget> {
        let mut own = Raster::filled(sensed.frame.rect(), [0.0f32; 5], account)?;
        for (i, own) in own.data_mut().iter_mut().enumerate() {
            if deep(i) {
                let c = sensed.frame.data()[i];
                *own = [
                    1.0,
                    c[0],
                    c[1],
                    c[2],
                    c[0] * c[0] + c[1] * c[1] + c[2] * c[2],
                ];
            }
        }
        let sums = gauss::blurred(&own, blur, account)?;
        Ok(Rim { sums })
    }

    /// The light near pixel `i`, where there is any and it varies by no more than `most` of itself.
    fn light(&self, i: usize, most: f32) -> Option<[f32; 3]> {
        let s = self.sums.data()[i];
        if s[0] < 1e-4 {
            return None;
        }
        let mean = [s[1] / s[0], s[2] / s[0], s[3] / s[0]];
        let square = mean[0] * mean[0] + mean[1] * mean[1] + mean[2] * mean[2];
        (s[4] / s[0] - square <= most * most * square).then_some(mean)
    }
}

/// How much of `own` is in `seen` over `under`.
fn share(seen: [f32; 3], under: [f32; 3], own: [f32; 3]) -> f32 {
    let (mut along, mut square) = (0.0f32, 1e-9f32);
    for k in 0..3 {
        let d = own[k] - under[k];
        along += (seen[k] - under[k]) * d;
        square += d * d;
    }
    (along / square).clamp(0.0, 1.0)
}

/// How much of each pixel something that lies on the see-through piece hides, 0 to 1, inside `solid`; `None` when
/// nothing does. `clear` marks what surely is see-through.
pub fn found(
    sensed: &Sensed,
    solid: &Raster<f32>,
    clear: &Raster<u8>,
    account: &Account,
) -> Result<Option<Matte>, OverBudget> {
    let rect = solid.rect();
    let width = solid.width();
    if rect.width() < 2 || rect.height() < 2 {
        return Ok(None);
    }
    let mut open = clear.cropped(rect, account)?;
    let mut lumps = Raster::filled(rect, 0u8, account)?;
    let mut fields = Raster::filled(Rect::EMPTY, [0.0f32; 4], account)?;
    for _ in 0..ROUNDS {
        fields = slow(sensed, &open, account)?;
        lumps = self::lumps(sensed, solid, &fields, account)?;
        for (i, o) in open.data_mut().iter_mut().enumerate() {
            *o = u8::from(solid.data()[i] > 0.0 && lumps.data()[i] == 0);
        }
    }
    without_open(sensed, &mut lumps, account)?;
    let count = |data: &[u8]| data.iter().filter(|&&v| v != 0).count() as f64;
    let covered = count(lumps.data());
    let whole = solid.data().iter().filter(|&&s| s > 0.0).count() as f64;
    if covered == 0.0 || covered > MOST * whole {
        return Ok(None);
    }
    let mut rest = Raster::filled(rect, 0u8, account)?;
    for (r, l) in rest.data_mut().iter_mut().zip(lumps.data()) {
        *r = 1 - l;
    }
    let (to_rest, to_lump) = (
        distance::nearest(&rest, account)?,
        distance::nearest(&lumps, account)?,
    );
    drop(rest);
    let depth = |i: usize| distance::squared(width, i, to_rest.data()[i]);
    let sharp = Rim::below(
        sensed,
        |i| lumps.data()[i] != 0 && depth(i) > SHARP * SHARP,
        1.5,
        account,
    )?;
    let soft = Rim::below(
        sensed,
        |i| lumps.data()[i] != 0 && depth(i) > SOFT * SOFT,
        2.5,
        account,
    )?;
    let mut cover = Matte::filled(rect, 0.0, account)?;
    for (i, cover) in cover.data_mut().iter_mut().enumerate() {
        let beside = distance::squared(width, i, to_lump.data()[i]) <= SHARP * SHARP;
        if !beside || solid.data()[i] <= 0.0 {
            continue;
        }
        let (inside, own) = (
            depth(i),
            [soft.light(i, EVEN), sharp.light(i, f32::INFINITY)],
        );
        let below = |deep: i64| lumps.data()[i] != 0 && inside > deep * deep;
        *cover = match own {
            _ if below(SOFT) => 1.0,
            [Some(own), _] => share(sensed.frame.data()[i], foretold(sensed, &fields, i), own),
            _ if below(SHARP) => 1.0,
            [None, Some(own)] => share(sensed.frame.data()[i], foretold(sensed, &fields, i), own),
            [None, None] => 0.0,
        };
    }
    Ok(Some(cover))
}

#[cfg(test)]
mod tests {
    use super::super::super::Noise;
    use super::*;
    use crate::raster::Light;

    const NOISE: Noise = Noise {
        p: [2e-5; 3],
        q: [2e-7; 3],
        r: [0.0; 3],
    };
    const WHOLE: Rect = Rect {
        x0: 0,
        y0: 0,
        x1: 200,
        y1: 160,
    };

    /// A number from 0 to 1 that belongs to a place.
    fn grain(x: i32, y: i32) -> f32 {
        let mut v = (x as u32).wrapping_mul(0x9E37_79B1) ^ (y as u32).wrapping_mul(0x85EB_CA77);
        v = (v ^ (v >> 15)).wrapping_mul(0x2C1B_3C6D);
        v = (v ^ (v >> 12)).wrapping_mul(0x297A_2D39);
        ((v ^ (v >> 15)) >> 8) as f32 / 16_777_216.0
    }

    /// Cover found on a see-through piece over a textured plate: what lies on it has coverage and light by place.
    fn cover(on_top: impl Fn(i32, i32) -> (f32, [f32; 3])) -> Option<Matte> {
        let account = Account::unlimited();
        let mut frame = Light::filled(WHOLE, [0.0; 3], &account).unwrap();
        let mut backdrop = Light::filled(WHOLE, [0.0; 3], &account).unwrap();
        let mut solid = Raster::filled(WHOLE, 0.0f32, &account).unwrap();
        let mut clear = Raster::filled(WHOLE, 0u8, &account).unwrap();
        for y in 0..WHOLE.y1 {
            for x in 0..WHOLE.x1 {
                let tone = 0.2 + 0.15 * (grain(x, y) - 0.5);
                let plate = [tone, 0.9 * tone, 0.8 * tone];
                backdrop.put(x, y, plate);
                let inside = (10..190).contains(&x) && (10..150).contains(&y);
                let t = if inside { 0.4 + 0.001 * x as f32 } else { 1.0 };
                let (h, own) = on_top(x, y);
                frame.put(
                    x,
                    y,
                    std::array::from_fn(|k| {
                        let glass = (1.0 - t) * [0.05, 0.12, 0.3][k] + t * plate[k];
                        (1.0 - h) * glass + h * own[k]
                    }),
                );
                solid.put(x, y, f32::from(u8::from(inside)));
                let far = !(60..150).contains(&x) || !(40..120).contains(&y);
                clear.put(x, y, u8::from(inside && far));
            }
        }
        let sensed = Sensed::new(&frame, &backdrop, &NOISE, 1, &account).unwrap();
        found(&sensed, &solid, &clear, &account).unwrap()
    }

    fn label(x: i32, y: i32) -> bool {
        (70..140).contains(&x) && (50..110).contains(&y)
    }

    #[test]
    fn a_label_covers_wholly_and_nothing_beside_it() {
        let found = cover(|x, y| {
            let print = if grain(x / 6, y / 6) > 0.5 { 0.7 } else { 0.02 };
            (f32::from(u8::from(label(x, y))), [print; 3])
        })
        .expect("a label");
        for y in 10..150 {
            for x in 10..190 {
                let truth = f32::from(u8::from(label(x, y)));
                let near = (65..145).contains(&x) && (45..115).contains(&y);
                let deep = (73..137).contains(&x) && (53..107).contains(&y);
                if deep || !near {
                    assert!((found.at(x, y) - truth).abs() < 0.02, "{x} {y}");
                }
            }
        }
    }

    #[test]
    fn a_soft_highlight_keeps_its_soft_rim() {
        let soft = |x: i32, y: i32| {
            let away = |v: i32, low: i32, high: i32| (low - v).max(v - high).max(0) as f32;
            let d = away(x, 90, 110).max(away(y, 60, 100));
            (1.0 - d / 4.0).clamp(0.0, 1.0)
        };
        let found = cover(|x, y| (soft(x, y), [0.95; 3])).expect("a highlight");
        let (mut off, mut count) = (0.0, 0);
        for y in 55..105 {
            for x in 83..118 {
                off += (found.at(x, y) - soft(x, y)).abs();
                count += 1;
            }
        }
        assert!(off / (count as f32) < 0.05, "{}", off / count as f32);
        assert_eq!(found.at(100, 80), 1.0);
    }

    #[test]
    fn nothing_lies_on_what_only_has_another_tint() {
        assert!(cover(|_, _| (0.0, [0.0; 3])).is_none());
        // A second sheet of the same film: half of the plate still shows.
        let film = cover(|x, y| (0.3 * f32::from(u8::from(label(x, y))), [0.02, 0.05, 0.1]));
        assert!(film.is_none());
    }
}
