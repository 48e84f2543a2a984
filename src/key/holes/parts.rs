//! Parts of the piece that show the plate under one light and end at a rim.

use rayon::prelude::*;

use super::super::LightField;
use super::super::tools::labels::{self, Joined};
use super::super::tools::surface::{Surface, value};
use super::fit::{Fitted, Pixel};
use super::lit::Lit;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Light a hole may have against the backdrop's where texture shows it to be the plate; without, so near to the
/// backdrop's, or between the darkest and the brightest light around the piece to this share.
const SHADED: (f32, f32) = (0.75, 1.2);
const SAME: f32 = 0.06;
const AROUND: f32 = 0.04;
/// Tint the mean of a hole may have where texture shows it to be the plate, by all its light, and where nothing does.
const TINTED: f32 = 0.06;
const TINT: f32 = 0.02;
/// Tint the mean of a shaded hole may have: its shade is measured, and may not hide a colour.
const NEUTRAL: f32 = 0.001;
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
/// Most times that a shaded hole grows.
const SPREAD: usize = 12;
const RIM: usize = 3;
const USUAL: usize = 16;
/// A rim pixel differs by this many variances, light known to a share.
const DIFFERS: f32 = 60.0;
const STEP: f32 = 0.03;
/// Share of a rim that must differ, where texture shows the plate, and where the piece's shadow lies in it; and share of
/// it that must be piece.
const RIMMED: f32 = 0.85;
const RIMMED_TEXTURE: f32 = 0.6;
const RIMMED_SHADED: f32 = 0.75;
const ENCLOSED: f32 = 0.5;
/// Share of the rim where the frame itself must change by so many variances against the part within so many pixels.
const EDGED: f32 = 0.5;
const EDGE: f32 = 15.0;
const NEAR: usize = 4;
/// Share of the piece around that may have the plate's colour to this tolerance, without texture.
const COMMON: f32 = 0.10;
const ABOUT: f32 = 0.08;
/// The same of a hole that has the shape of one: so many pixels from its middle to its rim, so much of that rim piece,
/// and so much of it different. Stripes of light on a curved face are narrow, or fade at their ends.
const SHAPED: f32 = 0.3;
const DEEP: usize = 4;
const CLOSED: f32 = 0.85;
const SHARP: f32 = 0.93;
/// A hole of that shape whose light is the backdrop's and neutral, each to this share, is believed whatever colours the
/// piece has: by chance no face is so like the plate that close to its edge. So is, as other shaped ones are, one that
/// is only so deep, of so many pixels.
const EXACT: f32 = 0.004;
const NARROW: usize = 2;
const ENOUGH: usize = 24;
/// Texture decides from this much evidence, in variances, with so many standard deviations of what noise alone makes of
/// it; for a hole above the one share of what it should be, against it below the other. Above the last it is something
/// else that varies about like the plate, if the frame shows no edge around it.
const DECISIVE: f64 = 60.0;
const BEYOND: f64 = 4.0;
const SHOWN: f64 = 0.6;
const MISSED: f64 = 0.35;
const OTHERWISE: f64 = 1.5;
/// The plate's share of the variance of a difference, when it is one frame.
const PLATE: f64 = 0.5;

/// A hole.
pub struct Hole {
    /// Indices of its pixels that show nothing but the plate.
    pub pixels: Vec<u32>,
    /// Its light against the backdrop's.
    pub light: Lit,
}

struct Found {
    hole: Hole,
    /// Texture says it is the plate.
    textured: bool,
    /// It has the shape of a hole.
    shaped: bool,
    /// It shows the plate just as that is expected.
    exact: bool,
}

/// Holes of the piece; `lights` holds the darkest and the brightest light around the piece, against the plate's. Of a rim
/// it is not asked what is `held`: a rod, or right beside one.
pub fn holes(
    fitted: &Fitted,
    held: &(impl Fn(usize) -> bool + Sync),
    light: &LightField,
    lights: (f32, f32),
    account: &Account,
) -> Result<Vec<Hole>, OverBudget> {
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
        .into_par_iter()
        .filter_map(|core| rimmed(fitted, held, core))
        .collect();
    let mut taken = vec![false; fitted.pixels.len()];
    for found in &found {
        for &i in &found.hole.pixels {
            taken[i as usize] = true;
        }
    }
    let mut sure = (0, f32::INFINITY, 0.0f32);
    for found in found.iter().filter(|found| found.textured) {
        let light = found.hole.light.mean();
        sure = (sure.0 + 1, sure.1.min(light), sure.2.max(light));
    }
    let theirs = sure.1 - ABOUT_THEIRS..sure.2 + ABOUT_THEIRS;
    let lit =
        |light: f32| (light - 1.0).abs() < SAME || (sure.0 >= SEVERAL && theirs.contains(&light));
    let as_around = |hole: &Hole| {
        let i = hole.pixels[0] as usize;
        let x = fitted.rect.x0 + (i % fitted.width) as i32;
        let y = fitted.rect.y0 + (i / fitted.width) as i32;
        let whole = hole.light.at(i, fitted.width) * light.at(x, y)[1];
        whole > lights.0 * (1.0 - AROUND) && whole < lights.1 * (1.0 + AROUND)
    };
    Ok(found
        .into_par_iter()
        .filter(|found| {
            let hole = &found.hole;
            let alike = |most: f32| rare(fitted, hole, &taken, most);
            if !hole.light.is_even() {
                return found.textured || (found.shaped && as_around(hole) && alike(SHAPED));
            }
            let lit = |light: Lit| lit(light.mean());
            found.textured
                || (found.shaped && found.exact)
                || (lit(hole.light) && alike(COMMON))
                || (found.shaped && (lit(hole.light) || as_around(hole)) && alike(SHAPED))
                || (found.exact && alike(SHAPED))
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
fn rimmed(fitted: &Fitted, held: &impl Fn(usize) -> bool, core: Vec<u32>) -> Option<Found> {
    let (mut sum, mut weight) = (0.0f64, 0.0f64);
    for &i in &core {
        let p = &fitted.pixels[i as usize];
        sum += f64::from(p.firm * p.light);
        weight += f64::from(p.firm);
    }
    let mean = (sum / weight) as f32;
    if !mean.is_finite() {
        return None;
    }
    let width = fitted.width;
    let mut light = [Lit::even(mean), Lit::shaded(fitted, LIGHT, &core)]
        .into_iter()
        .find(|light| {
            let spread = core.iter().map(|&i| {
                let p = &fitted.pixels[i as usize];
                let off = p.light - light.at(i as usize, width);
                f64::from(off * off / (1.0 / p.firm + LIGHT * LIGHT))
            });
            spread.sum::<f64>() <= FLAT * core.len() as f64
        })?;
    let mut pixels = core;
    // A surface is told the better the more of it is seen, and may lead on past the light that was looked for.
    for _ in 0..if light.is_even() { 1 } else { SPREAD } {
        let like = |i: usize| {
            fitted.inside[i] && fitted.pixels[i].off_plate(light.at(i, width), LIGHT) < LIKE
        };
        let grown = fitted.grown(&pixels, GROWN, like);
        if grown.iter().all(Vec::is_empty) {
            break;
        }
        pixels.extend(grown.into_iter().flatten());
        if !light.is_even() {
            light = Lit::shaded(fitted, LIGHT, &pixels);
        }
    }
    let off = |i: usize, share| fitted.pixels[i].off_plate(light.at(i, width), share);
    let rim = fitted.grown(&pixels, RIM, |_| true);
    let (mut all, mut piece, mut differ, mut rod) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
    for &i in rim.iter().skip(1).flatten() {
        if fitted.inside[i as usize] {
            all += 1.0;
            piece += 1.0;
            differ += f32::from(u8::from(off(i as usize, STEP) > DIFFERS));
        } else if held(i as usize) {
            rod += 1.0;
        } else {
            all += 1.0;
        }
    }
    // A slit that a rod crosses stays one.
    let bay = (rod > 0.0).then(|| depth(fitted, &pixels));
    if bay.is_some_and(|deep| deep < DEEP) {
        all += rod;
    }
    let closed = piece >= CLOSED * all;
    let rimmed = if closed { RIMMED_TEXTURE } else { RIMMED };
    if piece < ENCLOSED * all || differ < rimmed * piece || piece == 0.0 {
        return None;
    }
    let told = texture(fitted, &pixels, &light);
    let enough = DECISIVE + BEYOND * (3.0 * pixels.len() as f64).sqrt();
    if told.expected > enough && told.gained < MISSED * told.expected {
        return None;
    }
    let edged = || edged(fitted, &pixels, &rim) > EDGED;
    let most = (OTHERWISE * told.expected).max(told.expected + enough);
    let textured = told.gained > enough
        && told.gained > SHOWN * told.expected
        && (told.gained < most || edged());
    let tinted = match textured {
        true => told.stain > TINTED,
        false => told.tint > TINT,
    };
    if tinted {
        return None;
    }
    if !textured && (differ < RIMMED * piece || !edged()) {
        return None;
    }
    let sharp = closed && differ >= SHARP * piece;
    let deep = match sharp || !light.is_even() {
        true => bay.unwrap_or_else(|| depth(fitted, &pixels)),
        false => 0,
    };
    // A surface fits many a shred of a face: a hole in shade is closed, deep, neutral, and ends nearly all around.
    let neutral = told.tint < NEUTRAL;
    let whole = closed && deep >= DEEP && neutral && differ >= RIMMED_SHADED * piece;
    if !light.is_even() && !whole {
        return None;
    }
    // What noise leaves open of the mean, at two standard deviations.
    let loose = 2.0 / weight.sqrt() as f32;
    let as_expected =
        light.is_even() && (light.mean() - 1.0).abs() < EXACT + loose && told.tint < EXACT;
    let exact = as_expected && deep >= NARROW && pixels.len() >= ENOUGH;
    Some(Found {
        hole: Hole { pixels, light },
        textured,
        shaped: sharp && deep >= DEEP,
        exact,
    })
}

/// Share of the rim around a part at which the frame changes. Where the set is striped a plain face has its light in some
/// stripes and not in those beside: that the rim differs from the plate is no edge then.
fn edged(fitted: &Fitted, pixels: &[u32], rim: &[Vec<u32>]) -> f32 {
    let mut part = pixels.to_vec();
    part.sort_unstable();
    let (mut all, mut edges) = (0.0f32, 0.0f32);
    for &i in rim.iter().skip(1).flatten() {
        let i = i as usize;
        if !fitted.inside[i] {
            continue;
        }
        let (x, y) = (i % fitted.width, i / fitted.width);
        let (mut sum, mut count) = ([0.0f32; 3], 0.0f32);
        for v in y.saturating_sub(NEAR)..(y + NEAR + 1).min(fitted.height) {
            let row = v * fitted.width;
            let first = part.partition_point(|&at| (at as usize) < row + x.saturating_sub(NEAR));
            let own = part[first..].iter().map(|&at| at as usize);
            for at in own.take_while(|&at| at <= row + x + NEAR && at < row + fitted.width) {
                let seen = fitted.pixels[at].frame;
                sum = std::array::from_fn(|k| sum[k] + seen[k]);
                count += 1.0;
            }
        }
        if count == 0.0 {
            continue;
        }
        let (mean, p) = (sum.map(|v| v / count), &fitted.pixels[i]);
        let off: f32 = (0..3)
            .map(|k| {
                let (off, loose) = (p.frame[k] - mean[k], STEP * mean[k]);
                off * off / (p.variance[k] + loose * loose)
            })
            .sum();
        all += 1.0;
        edges += f32::from(u8::from(off > EDGE));
    }
    if all > 0.0 { edges / all } else { 1.0 }
}

/// Pixels from the rim of a part to its middle, by rows and columns.
fn depth(fitted: &Fitted, pixels: &[u32]) -> usize {
    let width = fitted.width;
    let mut left: std::collections::BTreeSet<u32> = pixels.iter().copied().collect();
    let mut depth = 0;
    while !left.is_empty() && depth < DEEP {
        depth += 1;
        let whole = |&i: &u32| {
            let i = i as usize;
            i >= width
                && [i - 1, i + 1, i - width, i + width]
                    .iter()
                    .all(|&j| left.contains(&(j as u32)))
        };
        left = left.iter().copied().filter(whole).collect();
    }
    depth
}

/// What a part says of the plate's own texture, in variances; slopes of light say nothing.
struct Told {
    /// How much better texture would explain it than a slope of flat colour if it were the plate.
    expected: f64,
    /// How much better it does.
    gained: f64,
    /// The largest departure of a channel's mean from neutral light.
    tint: f32,
    /// The same, of a dark channel as a share of the light of all: what is nearly black says little.
    stain: f32,
}

fn texture(fitted: &Fitted, pixels: &[u32], light: &Lit) -> Told {
    let place = |i: u32| {
        let (x, y) = (i as usize % fitted.width, i as usize / fitted.width);
        let first = pixels[0] as usize;
        let of = (first % fitted.width, first / fitted.width);
        [1.0, x as f64 - of.0 as f64, y as f64 - of.1 as f64]
    };
    let mut told = Told {
        expected: 0.0,
        gained: 0.0,
        tint: 0.0,
        stain: 0.0,
    };
    let mut means = [0.0f64; 3];
    let mut tints = [0.0f64; 3];
    for k in 0..3 {
        let values = |i: u32| {
            let (p, light) = (
                &fitted.pixels[i as usize],
                light.at(i as usize, fitted.width),
            );
            let lit = f64::from(light * p.plate[k]);
            (worth(p, k, light), f64::from(p.frame[k]), lit)
        };
        let mut sums = [0.0f64; 3];
        let (mut seen, mut plate) = (Surface::default(), Surface::default());
        for &i in pixels {
            let (w, c, b) = values(i);
            sums[0] += w;
            sums[1] += w * c;
            sums[2] += w * b;
            seen.add(place(i), w, c);
            plate.add(place(i), w, b);
        }
        let (seen, plate) = (seen.fitted(), plate.fitted());
        for &i in pixels {
            let (w, c, b) = values(i);
            let (c, b) = (c - value(seen, place(i)), b - value(plate, place(i)));
            // The plate's own noise is no texture of the set.
            let p = &fitted.pixels[i as usize];
            let noise = PLATE * w * f64::from(p.variance[k]);
            told.expected += w * b * b - noise;
            told.gained += w * (c * c - (c - b) * (c - b)) + noise;
        }
        let mean = (sums[2] / sums[0]).max(1e-6);
        let loose = 2.0 / (sums[0].sqrt() * mean);
        means[k] = mean;
        tints[k] = (sums[1] / sums[0] / mean - 1.0).abs() - loose;
    }
    let whole = means.iter().sum::<f64>() / 3.0;
    for (tint, mean) in tints.into_iter().zip(means) {
        told.tint = told.tint.max(tint as f32);
        told.stain = told.stain.max((tint * (mean / whole).min(1.0)) as f32);
    }
    told
}

/// 1 / variance of a channel under light that is known to a share.
fn worth(pixel: &Pixel, channel: usize, light: f32) -> f64 {
    let loose = FINE * light * pixel.plate[channel];
    1.0 / f64::from(pixel.variance[channel] + loose * loose)
}

/// Whether at `most` that share of the piece around a hole has the plate's colour. Other holes are not the piece.
fn rare(fitted: &Fitted, hole: &Hole, taken: &[bool], most: f32) -> bool {
    let rings = fitted.grown(&hole.pixels, USUAL, |i| fitted.inside[i]);
    let (mut all, mut alike) = (0.0f32, 0.0f32);
    for &i in rings.iter().skip(RIM).flatten() {
        if taken[i as usize] || fitted.around(i as usize).any(|j| taken[j]) {
            continue;
        }
        all += 1.0;
        let light = hole.light.at(i as usize, fitted.width);
        let near = fitted.pixels[i as usize].off_plate(light, ABOUT) < LIKE;
        alike += f32::from(u8::from(near));
    }
    all > 0.0 && alike < most * all
}
