//! A smooth piece on a plate without texture: is it see-through?
//!
//! No pixel tells. But where plate shows through a coloured piece, more here and less there, its colours run toward
//! the backdrop along one line, and the faint grain of the plate is found again in the frame. Colours that come more
//! than half way are taken for see-through unless the grain denies it; less than that is only worth a notice (a sheen
//! on something solid looks the same). Detail is a solid surface's own, but along that line it may be thickness. The
//! piece's own colour then lies on that line, at or beyond the strongest seen and before the last that light can have:
//! the middle of these is taken, and coverage follows.

use super::super::tools::gauss;
use super::super::tools::linear::dot;
use super::measure::Sensed;
use super::sheet::{LEAST, OFF, SLOW, Sheet, off};
use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Matte, Raster};

/// Squared deviations beyond which a pixel shows detail of its own colour (what lies along the line is taken off: the
/// piece may be as unevenly thick as it likes), and the share by which one piece of stuff may show it more often than
/// the set beside. `WHOLLY` where all detail counts: a third number is summed.
const DETAIL: f32 = 9.5;
const WHOLLY: f32 = 12.0;
const SMOOTH: f64 = 0.09;
/// Through it that of the plate may be seen, by one of these shares.
const THROUGH: [f32; 3] = [0.0, 0.35, 0.7];
/// Detail counts where so much of the window is inside (a mean at the rim leans inward), if that is so much of all.
const WHOLE: f32 = 0.95;
const CORE: f64 = 0.1;
/// So many of the colours must, and they must depart so far from mere shading (a share of their brightness).
const MOST: f64 = 0.75;
const COLOURED: f64 = 0.02;
/// Below this they are so near to shading that all detail counts, the line's too.
const TINTED: f64 = 0.03;
/// Part of the way from backdrop to piece that counts as the line's end.
const END: f64 = 0.97;
/// See-through when this part of the colours comes at least so near the backdrop, as a share of the line.
const NEAREST: f64 = 0.05;
const REACHED: f64 = 0.65;
/// A sheet lies near the backdrop as a whole: where its middle does, those few need come no nearer than this.
const MIDDLE: f64 = 0.8;
const SHEET: f64 = 0.7;
/// How well the line alone gives what shows through on average (standard deviation).
const LINE: f64 = 0.12;
/// Neighbouring pixels share grain and noise: the doubt of their mean is so many times that of as many strangers.
const SHARED: f64 = 1.6;

#[derive(Debug)]
pub enum Look {
    /// Nothing speaks for see-through.
    Solid,
    /// Its colours alone would allow it.
    Doubtful,
    /// Coverage inside.
    Through(Matte),
}

/// Unit vector and its length before.
fn unit(v: [f64; 3]) -> ([f64; 3], f64) {
    let length = dot(v, v).sqrt();
    if length > 1e-9 {
        (v.map(|v| v / length), length)
    } else {
        ([0.0; 3], 0.0)
    }
}

/// The direction most of `ways` (unit vectors) share.
fn shared(ways: impl Iterator<Item = [f64; 3]>) -> [f64; 3] {
    let mut m = [[0.0f64; 3]; 3];
    let mut sum = [0.0f64; 3];
    for w in ways {
        for j in 0..3 {
            sum[j] += w[j];
            for k in 0..3 {
                m[j][k] += w[j] * w[k];
            }
        }
    }
    let (mut u, _) = unit(sum);
    for _ in 0..60 {
        u = unit(std::array::from_fn(|j| dot(m[j], u))).0;
    }
    u
}

/// Frame and backdrop without detail where `mask` is: how much of the window that is, frame, backdrop.
fn slow(
    sensed: &Sensed,
    mask: &Raster<f32>,
    account: &Account,
) -> Result<Raster<[f32; 7]>, OverBudget> {
    let mut both = Raster::filled(mask.rect(), [0.0f32; 7], account)?;
    for (i, out) in both.data_mut().iter_mut().enumerate() {
        let s = mask.data()[i];
        if s > 0.0 {
            let (c, b) = (sensed.frame.data()[i], sensed.backdrop.data()[i]);
            *out = [s, c[0], c[1], c[2], b[0], b[1], b[2]];
        }
    }
    let mut means = gauss::blurred(&both, SLOW, account)?;
    for (i, m) in means.data_mut().iter_mut().enumerate() {
        if mask.data()[i] > 0.0 && m[0] > 0.0 {
            for k in 1..7 {
                m[k] /= m[0];
            }
        } else {
            *m = [0.0; 7];
        }
    }
    Ok(means)
}

/// How much of the plate's grain is in the frame: mean product of both details, and its variance.
fn grain(sensed: &Sensed, means: &Raster<[f32; 7]>) -> (f64, f64) {
    let (mut sum, mut square, mut count) = (0.0f64, 0.0f64, 0.0f64);
    for (i, m) in means.data().iter().enumerate() {
        if m[0] <= 0.0 {
            continue;
        }
        let (c, b) = (sensed.frame.data()[i], sensed.backdrop.data()[i]);
        let mut product = 0.0f32;
        for k in 0..3 {
            // Grain is a share of light, in and beside the piece.
            product += (c[k] - m[1 + k]) * (b[k] - m[4 + k]) / (m[4 + k] * m[4 + k]).max(1e-6);
        }
        sum += f64::from(product);
        square += f64::from(product) * f64::from(product);
        count += 1.0;
    }
    let count = count.max(1.0);
    (sum / count, square / (count * count))
}

/// The share of pixels with detail in the frame beside that of the plate, of which so much is `shown`; where `line` is
/// given, with detail that leaves it.
fn detailed(sensed: &Sensed, means: &Raster<[f32; 7]>, line: Option<[f64; 3]>, shown: f32) -> f64 {
    let most = if line.is_some() { DETAIL } else { WHOLLY };
    let (mut all, mut core) = ([0.0f64; 2], [0.0f64; 2]);
    for (i, m) in means.data().iter().enumerate() {
        if m[0] <= 0.0 {
            continue;
        }
        let (c, b) = (sensed.frame.data()[i], sensed.backdrop.data()[i]);
        let v = sensed.variance(i, 1.0 - shown);
        let (mut energy, mut across, mut along) = (0.0f32, 0.0f32, 0.0f32);
        for k in 0..3 {
            let detail = c[k] - m[1 + k] - shown * (b[k] - m[4 + k]);
            let way = line.map_or(0.0, |l| l[k] as f32);
            energy += detail * detail / v[k];
            across += detail * way / v[k];
            along += way * way / v[k];
        }
        let off = f64::from(u8::from(energy - across * across / along.max(1e-20) > most));
        all = [all[0] + off, all[1] + 1.0];
        if m[0] > WHOLE {
            core = [core[0] + off, core[1] + 1.0];
        }
    }
    let told = if core[1] > CORE * all[1] { core } else { all };
    told[0] / told[1].max(1.0)
}

/// How far along `line` from the backdrop the last colour lies that is neither below black nor above what the frame
/// can hold.
fn last(sensed: &Sensed, means: &Raster<[f32; 7]>, line: [f64; 3]) -> f64 {
    let (mut sum, mut count) = ([0.0f64; 3], 0.0);
    for m in means.data().iter().filter(|m| m[0] > 0.0) {
        for k in 0..3 {
            sum[k] += f64::from(m[4 + k]);
        }
        count += 1.0;
    }
    let room = |k: usize| {
        let b = sum[k] / f64::max(count, 1.0);
        if line[k] < -1e-3 {
            b / -line[k]
        } else if line[k] > 1e-3 {
            (f64::from(sensed.ceiling) - b) / line[k]
        } else {
            f64::MAX
        }
    };
    room(0).min(room(1)).min(room(2)).max(0.0)
}

/// Judges the piece inside `solid`; `beside` is where nothing hides the plate.
pub fn judged(
    sensed: &Sensed,
    solid: &Raster<f32>,
    beside: &Raster<f32>,
    account: &Account,
) -> Result<Look, OverBudget> {
    let means = slow(sensed, solid, account)?;
    let frame = |m: &[f32; 7]| -> [f64; 3] { std::array::from_fn(|k| f64::from(m[1 + k])) };
    let seen = || means.data().iter().filter(|m| m[0] > 0.0);
    let line = shared(seen().map(|m| unit(off(m)).0));
    // How far along the line, when on it.
    let along = |m: &[f32; 7]| {
        let d = off(m);
        let (q, all) = (dot(d, line), dot(d, d));
        (q > 0.0 && all - q * q < OFF * OFF * all).then_some(q)
    };
    let mut far: Vec<f64> = seen().filter_map(along).collect();
    let count = seen().count();
    if count == 0 || (far.len() as f64) < MOST * count as f64 {
        return Ok(Look::Solid);
    }
    let shade = shared(seen().map(|m| unit(frame(m)).0));
    let (mut tint, mut bright) = (0.0, 0.0);
    for m in seen().filter(|m| along(m).is_some()) {
        let c = frame(m);
        let q = dot(c, shade);
        tint += dot(c, c) - q * q;
        bright += dot(c, c);
    }
    if tint.max(0.0) <= COLOURED * COLOURED * bright {
        return Ok(Look::Solid);
    }
    let out = slow(sensed, beside, account)?;
    // Noise that neighbours share shows more detail; the plate's texture is none of the piece's.
    let line_of = (tint > TINTED * TINTED * bright).then_some(line);
    let bare = detailed(sensed, &out, line_of, 1.0);
    let rough = |&shown: &f32| detailed(sensed, &means, line_of, shown) - bare > SMOOTH;
    if THROUGH.iter().all(rough) {
        return Ok(Look::Solid);
    }
    let (inner, inner_variance) = grain(sensed, &means);
    let (outer, outer_variance) = grain(sensed, &out);
    drop(out);
    far.sort_by(f64::total_cmp);
    let at = |part: f64| far[((far.len() - 1) as f64 * part) as usize];
    let end = at(END);
    let reached = if at(0.5) < MIDDLE * end {
        SHEET
    } else {
        REACHED
    };
    if at(NEAREST) > reached * end {
        return Ok(Look::Doubtful);
    }
    // The piece's own colour lies on the line between the strongest colour seen and the last one light can have.
    let limit = last(sensed, &means, line).max(end);
    let whole = 0.5 * (end + limit);
    let covered = |q: f64| (q / whole).min(1.0);
    let shown = far.iter().map(|&q| 1.0 - covered(q)).sum::<f64>() / far.len() as f64;
    // Without grain on the plate the frame's says nothing.
    let (open, doubt) = if outer > 3.0 * outer_variance.sqrt() {
        (inner / outer, SHARED * inner_variance.sqrt() / outer)
    } else {
        (shown, 1e3)
    };
    if open + 2.0 * doubt < 0.5 * shown {
        return Ok(Look::Solid);
    }
    // Both say how much shows on average; each counts by its own doubt.
    let (by_line, by_grain) = (1.0 / (LINE * LINE), 1.0 / (doubt * doubt + 1e-4));
    let mean = (shown * by_line + open.clamp(0.0, 0.9) * by_grain) / (by_line + by_grain);
    let share = (1.0 - mean) / (1.0 - shown).max(0.05);
    let sheet = Sheet {
        line,
        end,
        whole,
        share,
    };
    Ok(Look::Through(sheet.coverage(sensed, &means, account)?))
}

/// Carries coverage from `solid` on to the edge.
pub fn carried(
    inside: &mut Matte,
    solid: &Raster<f32>,
    account: &Account,
) -> Result<(), OverBudget> {
    let mut known = Raster::filled(solid.rect(), [0.0f32; 1], account)?;
    for (k, a) in known.data_mut().iter_mut().zip(inside.data()) {
        *k = [*a];
    }
    let filled = super::super::tools::push_pull::filled(&known, solid, account)?;
    for (i, a) in inside.data_mut().iter_mut().enumerate() {
        if solid.data()[i] <= 0.0 {
            *a = filled.data()[i][0].clamp(LEAST, 1.0);
        }
    }
    Ok(())
}

/// Detail of the piece's own surface: energy of `own` above its surroundings in units of noise, over small windows.
pub fn detail(sensed: &Sensed, own: &Light, account: &Account) -> Result<Raster<f32>, OverBudget> {
    let calm = gauss::blurred(own, 1.5, account)?;
    let mut energy = Raster::filled(own.rect(), 0.0f32, account)?;
    for (i, e) in energy.data_mut().iter_mut().enumerate() {
        let (o, m, v) = (own.data()[i], calm.data()[i], sensed.variance(i, 0.5));
        let sum: f32 = (0..3).map(|k| (o[k] - m[k]) * (o[k] - m[k]) / v[k]).sum();
        // A hard edge must not speak for all around it.
        *e = (sum / 3.0).min(20.0);
    }
    gauss::blurred(&energy, 1.5, account)
}

#[cfg(test)]
mod tests {
    use super::super::super::Noise;
    use super::super::super::tools::dice::Dice;
    use super::*;
    use crate::geom::Rect;

    const GREY: [f32; 3] = [0.27, 0.28, 0.29];
    const NOISE: Noise = Noise {
        p: [2e-5; 3],
        q: [2e-7; 3],
        r: [0.0; 3],
    };

    /// A piece on a flat sweep, its light by place.
    fn look(light: impl Fn(i32, i32) -> [f32; 3]) -> Look {
        look_in(&NOISE, || 0.0, light)
    }

    /// The same, all channels of a pixel off by the same `noise`, in deviations.
    fn look_in(
        told: &Noise,
        noise: impl FnMut() -> f32,
        light: impl Fn(i32, i32) -> [f32; 3],
    ) -> Look {
        look_on(|_, _| GREY, told, noise, light)
    }

    /// The same on a set with texture.
    fn look_on(
        set: impl Fn(i32, i32) -> [f32; 3],
        told: &Noise,
        mut noise: impl FnMut() -> f32,
        light: impl Fn(i32, i32) -> [f32; 3],
    ) -> Look {
        let account = Account::unlimited();
        let rect = Rect::of_size(120, 90);
        let mut frame = Light::filled(rect, GREY, &account).unwrap();
        let mut backdrop = Light::filled(rect, GREY, &account).unwrap();
        for y in 0..90 {
            for x in 0..120 {
                frame.put(x, y, set(x, y));
                backdrop.put(x, y, set(x, y));
            }
        }
        let mut solid = Raster::filled(rect, 0.0f32, &account).unwrap();
        let mut beside = Raster::filled(rect, 1.0f32, &account).unwrap();
        for y in 20..70 {
            for x in 20..100 {
                frame.put(x, y, light(x, y));
                solid.put(x, y, 1.0);
                beside.put(x, y, 0.0);
            }
        }
        for c in frame.data_mut() {
            let much = noise();
            // A frame has half the noise that it differs from its plate by.
            *c = c.map(|v| v + much * (0.5 * told.variance(0, v, 0.0)).sqrt());
        }
        let sensed = Sensed::new(&frame, &backdrop, told, 1, &account).unwrap();
        judged(&sensed, &solid, &beside, &account).unwrap()
    }

    #[test]
    fn colours_that_run_to_the_backdrop_are_seen_through() {
        let truth = |x: i32| 0.3 + 0.4 * (x - 20) as f32 / 80.0;
        let yellow = [0.75, 0.62, 0.10];
        let got = look(|x, _| {
            let a = truth(x);
            std::array::from_fn(|k| a * yellow[k] + (1.0 - a) * GREY[k])
        });
        let Look::Through(inside) = got else {
            panic!("not seen through");
        };
        for x in 21..99 {
            let a = inside.at(x, 45);
            assert!((a - truth(x)).abs() < 0.15, "{x}: {a} for {}", truth(x));
            assert!(a >= inside.at(x - 1, 45) - 1e-3, "{x}");
        }
    }

    #[test]
    fn noise_that_channels_share_is_no_detail() {
        let mut dice = Dice(7);
        let shared = || 1.3 * dice.normal();
        let yellow = [0.75, 0.62, 0.10];
        let got = look_in(&NOISE, shared, |x, _| {
            let a = 0.3 + 0.4 * (x - 20) as f32 / 80.0;
            std::array::from_fn(|k| a * yellow[k] + (1.0 - a) * GREY[k])
        });
        assert!(matches!(got, Look::Through(_)));
    }

    /// A blue so thick at a place.
    fn through(a: f32) -> [f32; 3] {
        const BLUE: [f32; 3] = [0.02, 0.03, 0.16];
        std::array::from_fn(|k| a * BLUE[k] + (1.0 - a) * GREY[k])
    }

    #[test]
    fn a_sheet_with_a_rim_is_seen_through_and_a_shaded_solid_is_not() {
        let sheet = look(|x, _| through(if x > 93 { 0.98 } else { 0.6 + 0.001 * x as f32 }));
        assert!(matches!(sheet, Look::Through(_)));
        let shaded = look(|x, _| through(0.98 * (0.64 + 0.36 * (x - 20) as f32 / 80.0)));
        assert!(matches!(shaded, Look::Doubtful));
    }

    #[test]
    fn a_piece_may_be_unevenly_thick() {
        let got = look(|x, y| {
            let rim = [x - 20, 99 - x, y - 20, 69 - y].into_iter().min().unwrap();
            let slow = 0.25 + 0.4 * (x - 20) as f32 / 80.0;
            through(slow + 0.3 / (1 + rim) as f32 + 0.06 * ((x / 2 + y / 2) % 2) as f32)
        });
        let Look::Through(inside) = got else {
            panic!("not seen through");
        };
        let a = inside.at(60, 45);
        assert!((a - 0.49).abs() < 0.1, "{a}");
        // As much detail of another colour is something solid, on cloth too.
        let checked = |x: i32, y: i32| ((x / 3 + y / 2) % 2) as f32;
        let specked = |x: i32, y: i32| {
            let [r, g, b] = through(0.25 + 0.4 * (x - 20) as f32 / 80.0);
            [r + 0.06 * checked(x, y), g, b]
        };
        assert!(matches!(look(specked), Look::Solid));
        let cloth = |x: i32, y: i32| GREY.map(|v| v * (1.0 + 0.2 * checked(x, y)));
        let got = look_on(cloth, &NOISE, || 0.0, specked);
        assert!(matches!(got, Look::Solid));
    }

    #[test]
    fn no_hole_lies_around_a_gleam() {
        let smooth = |t: f32| t.max(0.0) * t.max(0.0) * (3.0 - 2.0 * t);
        let gleam = |x: i32, y: i32| {
            let r = libm::hypotf((x - 60) as f32, (y - 45) as f32);
            0.7 * smooth(1.0 - r / 14.0)
        };
        // A camera so noisy that so small a gleam is no detail.
        let noisy = Noise {
            p: [2e-3; 3],
            ..NOISE
        };
        let got = look_in(
            &noisy,
            || 0.0,
            |x, y| {
                let g = gleam(x, y);
                through(0.3 + 0.5 * (x - 20) as f32 / 80.0).map(|c| c + g * (1.0 - c))
            },
        );
        let Look::Through(inside) = got else {
            panic!("not seen through");
        };
        for y in 28..62 {
            for x in 43..77 {
                let a = inside.at(x, y);
                assert!(a > 0.3, "{x} {y}: {a}");
            }
        }
        assert!(inside.at(60, 45) > 0.75, "{}", inside.at(60, 45));
    }

    #[test]
    fn shaded_sheened_and_patterned_pieces_are_not() {
        let red = [0.6f32, 0.1, 0.05];
        let shaded = look(|x, _| red.map(|v| v * (0.6 + 0.4 * (x - 20) as f32 / 80.0)));
        assert!(matches!(shaded, Look::Solid), "shaded");
        let sheen = look(|x, _| red.map(|v| v + 0.08 * (x - 20) as f32 / 80.0));
        assert!(!matches!(sheen, Look::Through(_)), "sheen");
        let grey = look(|x, _| [0.15 + 0.2 * (x - 20) as f32 / 80.0; 3]);
        assert!(matches!(grey, Look::Solid), "grey");
        // Hardly more than shading, and rough: metal.
        let metal = look(|x, y| {
            let a = 0.3 + 0.6 * (x - 20) as f32 / 80.0 + 0.08 * ((x / 2 + y / 2) % 2) as f32;
            let steel = [0.053, 0.062, 0.083];
            std::array::from_fn(|k| a * steel[k] + (1.0 - a) * GREY[k])
        });
        assert!(matches!(metal, Look::Solid), "metal");
        let pattern = look(|x, y| if (x + y) % 4 < 2 { red } else { GREY });
        assert!(matches!(pattern, Look::Solid), "pattern");
    }
}
