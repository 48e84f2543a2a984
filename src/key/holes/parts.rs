//! Parts of the piece that show the plate under one light and end at a rim.

use super::super::tools::labels::{self, Joined};
use super::fit::{Fitted, Pixel};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Light of a hole against the light outside, where texture shows it to be the plate, and where nothing does.
const SHADED: (f32, f32) = (0.75, 1.2);
const SAME: f32 = 0.06;
/// Tint the mean of a hole may have where texture shows it to be the plate, and where nothing does.
const TINTED: f32 = 0.06;
const TINT: f32 = 0.02;
/// From so many holes shown by texture on, others in about their light are believed without.
const SEVERAL: usize = 3;
const ABOUT_THEIRS: f32 = 0.05;
/// Limits of sums of squares in variances: 99 % of pixels of the plate with two, three and eight degrees of freedom.
const WRONG: f32 = 9.2;
const LIKE: f32 = 11.3;
const UNEVEN: f32 = 20.1;
/// How well light is known from pixel to pixel, and across a hole, as a share.
const FINE: f32 = 0.008;
const LIGHT: f32 = 0.02;
/// Mean square a hole's ratio may spread, in variances.
const FLAT: f64 = 2.0;
/// Rings a core may grow by, and of the piece around it that are asked for its rim and for its usual colours.
const GROWN: usize = 3;
const RIM: usize = 3;
const USUAL: usize = 16;
/// A rim pixel differs by this many variances, light known to a share.
const DIFFERS: f32 = 60.0;
const STEP: f32 = 0.03;
/// Share of a rim that must differ, and share of it that must be piece.
const RIMMED: f32 = 0.85;
const ENCLOSED: f32 = 0.5;
/// Share of the piece around that may have the plate's colour to this tolerance, without texture.
const COMMON: f32 = 0.10;
const ABOUT: f32 = 0.08;
/// Texture decides from this much evidence, in variances; and against a hole below this share of what it should be.
const DECISIVE: f64 = 60.0;
const MISSED: f64 = 0.35;

/// A hole.
pub struct Hole {
    /// Indices of its pixels that show nothing but the plate.
    pub pixels: Vec<u32>,
    /// Its light against the backdrop's.
    pub light: f32,
}

struct Found {
    hole: Hole,
    /// Texture says it is the plate.
    textured: bool,
}

pub fn holes(fitted: &Fitted, account: &Account) -> Result<Vec<Hole>, OverBudget> {
    let mut core = Raster::filled(fitted.rect, 0u8, account)?;
    for (i, core) in core.data_mut().iter_mut().enumerate() {
        *core = u8::from(even(fitted, i));
    }
    let parts = labels::parts(&core, Joined::SidesAndCorners, account)?;
    // Lists that double as they grow, kept once more as holes; and a mark a pixel.
    let listed: u64 = parts.parts.iter().map(|part| part.area).sum();
    let lists = 12 * listed + fitted.pixels.len() as u64;
    let _lists = account.charge(lists, "holes in the piece")?;
    let mut members: Vec<Vec<u32>> = vec![Vec::new(); parts.parts.len()];
    for (i, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 {
            members[label as usize - 1].push(i as u32);
        }
    }
    let found: Vec<Found> = members
        .into_iter()
        .filter_map(|core| rimmed(fitted, core))
        .collect();
    let mut taken = vec![false; fitted.pixels.len()];
    for found in &found {
        for &i in &found.hole.pixels {
            taken[i as usize] = true;
        }
    }
    let mut sure = (0, f32::INFINITY, 0.0f32);
    for found in found.iter().filter(|found| found.textured) {
        let light = found.hole.light;
        sure = (sure.0 + 1, sure.1.min(light), sure.2.max(light));
    }
    let theirs = sure.1 - ABOUT_THEIRS..sure.2 + ABOUT_THEIRS;
    let lit =
        |light: f32| (light - 1.0).abs() < SAME || (sure.0 >= SEVERAL && theirs.contains(&light));
    Ok(found
        .into_iter()
        .filter(|found| {
            let hole = &found.hole;
            found.textured || (lit(hole.light) && rare(fitted, hole, &taken))
        })
        .map(|found| found.hole)
        .collect())
}

/// Whether a pixel and those around it show the plate under one light.
fn even(fitted: &Fitted, i: usize) -> bool {
    let (x, y) = (i % fitted.width, i / fitted.width);
    if !fitted.inside[i] || x == 0 || y == 0 || x + 1 == fitted.width || y + 1 == fitted.height {
        return false;
    }
    let all = || std::iter::once(i).chain(fitted.around(i));
    let (mut sum, mut weight) = (0.0, 0.0);
    for j in all() {
        let p = &fitted.pixels[j];
        let may = p.wrong < WRONG && p.light > SHADED.0 && p.light < SHADED.1;
        if !may {
            return false;
        }
        sum += p.firm * p.light;
        weight += p.firm;
    }
    let mean = sum / weight;
    let spread: f32 = all()
        .map(|j| {
            let p = &fitted.pixels[j];
            (p.light - mean) * (p.light - mean) / (1.0 / p.firm + FINE * FINE)
        })
        .sum();
    spread < UNEVEN
}

/// A part grown from a core, if its light is one and its rim is sharp.
fn rimmed(fitted: &Fitted, core: Vec<u32>) -> Option<Found> {
    let (mut sum, mut weight) = (0.0f64, 0.0f64);
    for &i in &core {
        let p = &fitted.pixels[i as usize];
        sum += f64::from(p.firm * p.light);
        weight += f64::from(p.firm);
    }
    let light = (sum / weight) as f32;
    let spread: f64 = core
        .iter()
        .map(|&i| {
            let p = &fitted.pixels[i as usize];
            f64::from((p.light - light) * (p.light - light) / (1.0 / p.firm + LIGHT * LIGHT))
        })
        .sum();
    if spread > FLAT * core.len() as f64 || !light.is_finite() {
        return None;
    }
    let like = |i: usize| fitted.inside[i] && fitted.pixels[i].off_plate(light, LIGHT) < LIKE;
    let grown = fitted.grown(&core, GROWN, like);
    let mut pixels = core;
    pixels.extend(grown.into_iter().flatten());
    let rim = fitted.grown(&pixels, RIM, |_| true);
    let (mut all, mut piece, mut differ) = (0.0f32, 0.0f32, 0.0f32);
    for &i in rim.iter().skip(1).flatten() {
        all += 1.0;
        if fitted.inside[i as usize] {
            piece += 1.0;
            let far = fitted.pixels[i as usize].off_plate(light, STEP) > DIFFERS;
            differ += f32::from(u8::from(far));
        }
    }
    if piece < ENCLOSED * all || differ < RIMMED * piece || piece == 0.0 {
        return None;
    }
    let (expected, gained, tint) = texture(fitted, &pixels, light);
    if expected > DECISIVE && gained < MISSED * expected {
        return None;
    }
    let textured = gained > DECISIVE;
    if tint > if textured { TINTED } else { TINT } {
        return None;
    }
    Some(Found {
        hole: Hole { pixels, light },
        textured,
    })
}

/// How much better the plate's own texture would explain a part of it than a flat colour, how much better it does
/// (both in variances), and the largest departure of a channel's mean from neutral light.
fn texture(fitted: &Fitted, pixels: &[u32], light: f32) -> (f64, f64, f32) {
    let (mut expected, mut gained, mut tint) = (0.0f64, 0.0f64, 0.0f32);
    for k in 0..3 {
        let mut s = [0.0f64; 3];
        for &i in pixels {
            let p = &fitted.pixels[i as usize];
            let w = worth(p, k, light);
            s[0] += w;
            s[1] += w * f64::from(p.frame[k]);
            s[2] += w * f64::from(light * p.plate[k]);
        }
        let (seen, lit) = (s[1] / s[0], s[2] / s[0]);
        for &i in pixels {
            let p = &fitted.pixels[i as usize];
            let w = worth(p, k, light);
            let c = f64::from(p.frame[k]) - seen;
            let b = f64::from(light * p.plate[k]) - lit;
            expected += w * b * b;
            gained += w * (c * c - (c - b) * (c - b));
        }
        let loose = 2.0 / (s[0].sqrt() * lit.max(1e-6));
        tint = tint.max(((seen / lit.max(1e-6) - 1.0).abs() - loose) as f32);
    }
    (expected, gained, tint)
}

/// 1 / variance of a channel under light that is known to a share.
fn worth(pixel: &Pixel, channel: usize, light: f32) -> f64 {
    let loose = FINE * light * pixel.plate[channel];
    1.0 / f64::from(pixel.variance[channel] + loose * loose)
}

/// Whether the piece around a hole hardly ever has the plate's colour. Other holes are not the piece.
fn rare(fitted: &Fitted, hole: &Hole, taken: &[bool]) -> bool {
    let rings = fitted.grown(&hole.pixels, USUAL, |i| fitted.inside[i]);
    let (mut all, mut alike) = (0.0f32, 0.0f32);
    for &i in rings.iter().skip(RIM).flatten() {
        if taken[i as usize] || fitted.around(i as usize).any(|j| taken[j]) {
            continue;
        }
        all += 1.0;
        let near = fitted.pixels[i as usize].off_plate(hole.light, ABOUT) < LIKE;
        alike += f32::from(u8::from(near));
    }
    all > 0.0 && alike < COMMON * all
}
