//! What is solid behind a sharp edge, whatever it looks like there.
//!
//! A piece may turn a shaded side to its outline: a curl's dark inner end beside its bright face, grey on a grey set.
//! Seen from the bright face such a side looks like a faint veil over the set. But a veil out of focus rises slowly
//! and keeps rising inward; where the light leaves the set's at once and then keeps its level, or runs back past the
//! set's own, the edge is in focus and ends there. What lies behind is the piece, and its own colour is known.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined};
use super::super::tools::linear::dot;
use super::super::tools::{distance, floor, gauss};
use super::measure::Sensed;
use super::outline::Outline;
use super::strands::like_plate;
use crate::budget::{Account, OverBudget};
use crate::raster::{Matte, Raster};

/// How steep the blurred body is, per two pixels, at the outline of anything wide: at tips and thin parts less.
const WIDE: f32 = 0.3;
/// The body blurred so much tells which way its outline faces (deviation in pixels).
const FACING: f64 = 2.0;
/// Places looked at across the outline, in pixels, positive inside; means run over so many pixels along it to both
/// sides.
const OUTER: i32 = -6;
const INNER: i32 = 24;
const PLACES: usize = (INNER - OUTER + 1) as usize;
const ALONG: i32 = 3;
/// Places outside that must show the set, and how far inside the edge may begin: the outline is made of cells.
const BARE: i32 = -4;
const LATEST: i32 = 3;
/// The set's light is known as well as this, relative: the unit of difference where noise is less.
const KNOWN: f32 = 0.01;
/// A difference begins to be one, and is a plain one, in units.
const SEEN: f32 = 4.0;
const PLAIN: f32 = 5.0;
/// Pixels in which a sharp edge is over, and how much it may grow in any channel in how many behind it.
const RISE: i32 = 4;
const KEPT: i32 = 6;
const GROWTH: f32 = 0.25;
/// What is darker than the set and differs from it in tint by less than so many units and this share of that may be
/// shadow, unless it is so much less dark so many pixels further in.
const TINT: f32 = 3.0;
const TINT_SHARE: f32 = 0.2;
const FADES: f32 = 0.7;
const FADED: i32 = 3;
/// So many pixels behind the rise begins what is surely solid.
const BEHIND: i32 = 2;
/// A piece less deep than this, in pixels, has no shade of its own that could be told from an edge.
const DEEP: i32 = 6;
/// As many places that show the set again are no shade that runs past it.
const AGAIN: i32 = 3;
/// Within so many pixels to both sides a shade that passes through the set's light is plainly brighter and darker.
const ASIDE: i32 = 3;
/// Side of the square of outline that must agree, in pixels to both sides, and the share of it that must.
const NEAR: usize = 5;
const AGREE: f32 = 0.6;

/// An area is taken for a veil where coverage is less than `FIRM`, of so many pixels less than `VEIL`.
const FIRM: f32 = 0.9;
const VEIL: f32 = 0.5;
const FEW: u64 = 12;

/// 1 where the piece hides the backdrop.
pub fn solid(
    sensed: &Sensed,
    outline: &Outline,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = sensed.frame.rect();
    let mut solid = Raster::filled(rect, 0u8, account)?;
    let width = solid.width();
    if width == 0 {
        return Ok(solid);
    }
    let mut soft = Raster::filled(rect, 0.0f32, account)?;
    for (s, &i) in soft.data_mut().iter_mut().zip(outline.inside.data()) {
        *s = f32::from(i);
    }
    let soft = gauss::blurred(&soft, FACING, account)?;
    let mut at_outline = Raster::filled(rect, 0u8, account)?;
    let pairs = outline.inside.data().iter().zip(outline.across.data());
    for (_, &edge) in pairs.filter(|&(&inside, &edge)| inside != 0 && edge != distance::NONE) {
        at_outline.data_mut()[edge as usize] = 1;
    }
    let mut found = Raster::filled(rect, Place::NONE, account)?;
    let places = found.data_mut().par_iter_mut().with_min_len(1024);
    places
        .enumerate()
        .zip(at_outline.data())
        .filter(|(_, at)| **at != 0)
        .for_each(|((i, place), _)| {
            place.is = true;
            place.behind = behind(sensed, &soft, i).unwrap_or_default();
        });
    let agreed = agreed(&found, account)?;
    let height = solid.data().len() / width;
    let all = solid.data_mut().par_iter_mut().with_min_len(1024);
    all.enumerate().for_each(|(i, solid)| {
        let edge = outline.across.data()[i];
        if outline.inside.data()[i] == 0 || edge == distance::NONE {
            return;
        }
        if agreed.data()[edge as usize] == 0 {
            return;
        }
        let depth = (outline.depth.data()[i] + 0.5).round() as u32;
        let behind = found.data()[edge as usize].behind;
        let (x, y) = (i % width, i / width);
        let shows = || {
            (y.saturating_sub(1)..(y + 2).min(height)).all(|v| {
                (x.saturating_sub(1)..(x + 2).min(width))
                    .all(|u| !like_plate(sensed, v * width + u))
            })
        };
        let at = 1u32.checked_shl(depth).unwrap_or(0);
        *solid = u8::from(behind.crossing & at != 0 || (behind.plain & at != 0 && shows()));
    });
    Ok(solid)
}

/// Leaves of `faces` the areas that `matte` takes for a veil; says whether there are any.
pub fn missed(
    faces: &mut Raster<u8>,
    matte: &Matte,
    account: &Account,
) -> Result<bool, OverBudget> {
    let mut veiled = Raster::filled(faces.rect(), 0u8, account)?;
    let pairs = faces.data().iter().zip(matte.data());
    for (veiled, (&face, &a)) in veiled.data_mut().iter_mut().zip(pairs) {
        *veiled = u8::from(face != 0 && a < FIRM);
    }
    let parts = labels::parts(&veiled, Joined::SidesAndCorners, account)?;
    let mut thin = vec![0u64; parts.parts.len()];
    for (&label, &a) in parts.labels.data().iter().zip(matte.data()) {
        if label > 0 && a < VEIL {
            thin[label as usize - 1] += 1;
        }
    }
    let mut any = false;
    for (face, &label) in faces.data_mut().iter_mut().zip(parts.labels.data()) {
        *face = u8::from(label > 0 && thin[label as usize - 1] >= FEW);
        any |= *face != 0;
    }
    Ok(any)
}

/// What lies behind a place of the outline: a bit for every pixel of depth.
#[derive(Clone, Copy, Debug, Default)]
struct Behind {
    /// The piece, where it differs from the set.
    plain: u32,
    /// The piece, passing through the set's light from brighter to darker or back.
    crossing: u32,
}

#[derive(Clone, Copy, Debug)]
struct Place {
    /// Whether it is one of the outline.
    is: bool,
    behind: Behind,
}

impl Place {
    const NONE: Place = Place {
        is: false,
        behind: Behind {
            plain: 0,
            crossing: 0,
        },
    };
}

/// Where enough of the outline near by has a sharp edge.
fn agreed(found: &Raster<Place>, account: &Account) -> Result<Raster<u8>, OverBudget> {
    let width = found.width();
    let height = found.data().len() / width.max(1);
    let mut agreed = Raster::filled(found.rect(), 0u8, account)?;
    let all = agreed.data_mut().par_iter_mut().with_min_len(1024);
    all.enumerate().for_each(|(i, agreed)| {
        if found.data()[i].behind.plain == 0 {
            return;
        }
        let (x, y) = (i % width, i / width);
        let (mut count, mut sharp) = (0.0f32, 0.0f32);
        for v in y.saturating_sub(NEAR)..(y + NEAR + 1).min(height) {
            for place in
                &found.data()[v * width..][x.saturating_sub(NEAR)..(x + NEAR + 1).min(width)]
            {
                count += f32::from(u8::from(place.is));
                sharp += f32::from(u8::from(place.behind.plain != 0));
            }
        }
        *agreed = u8::from(sharp >= AGREE * count);
    });
    Ok(agreed)
}

/// Differences to the backdrop across the outline, in units.
type Across = [Option<[f32; 3]>; PLACES];

fn size(v: [f32; 3]) -> f32 {
    (dot(v, v) / 3.0).sqrt()
}

/// What is solid behind place `i` of the outline, if its edge is sharp.
fn behind(sensed: &Sensed, soft: &Raster<f32>, i: usize) -> Option<Behind> {
    let across = across(sensed, soft, i)?;
    let at = |t: i32| {
        let n = usize::try_from(t - OUTER).ok()?;
        across.get(n).copied().flatten()
    };
    if !(OUTER..=BARE).all(|t| at(t).is_some_and(|v| size(v) < SEEN)) {
        return None;
    }
    let shows = |t: i32| at(t).filter(|&v| size(v) >= SEEN);
    let begin = (BARE + 1..=LATEST).find(|&t| shows(t).is_some())?;
    let over = (begin..begin + RISE).find(|&t| {
        let Some(here) = at(t).filter(|&v| size(v) >= PLAIN) else {
            return false;
        };
        // Out of focus some channel goes on, whatever the piece's colours do in the others.
        let most = GROWTH * size(here);
        let is_kept =
            |next: [f32; 3]| (0..3).all(|k| (next[k] - here[k]) * here[k].signum() < most);
        // A shadow lies darkest at the piece's foot and fades outward.
        let fades = || at(t + FADED).is_some_and(|next| size(next) < FADES * size(here));
        (!may_be_shadow(here) || fades()) && (t + 1..=t + KEPT).all(|t| at(t).is_some_and(is_kept))
    })?;
    // What ends is a thin part, and its other edge begins sooner.
    let last = (over..INNER)
        .find(|&t| (t..t + AGAIN).all(|t| shows(t).is_none()))
        .map_or(INNER, |t| t - 1 - BEHIND);
    if last - over < DEEP {
        return None;
    }
    let mut behind = Behind::default();
    for t in (over + BEHIND).max(1)..=last {
        let crosses = (1..=ASIDE).any(|a| {
            (1..=ASIDE).any(|b| match (shows(t - a), shows(t + b)) {
                (Some(before), Some(after)) => t - a >= over && dot(before, after) < 0.0,
                _ => false,
            })
        });
        behind.plain |= 1 << t;
        behind.crossing |= u32::from(crosses) << t;
    }
    Some(behind)
}

/// Whether such a difference may be the set's in shadow.
fn may_be_shadow(v: [f32; 3]) -> bool {
    let most = v.iter().copied().fold(f32::MIN, f32::max);
    let least = v.iter().copied().fold(f32::MAX, f32::min);
    most < 0.0 && most - least < TINT - TINT_SHARE * least
}

fn across(sensed: &Sensed, soft: &Raster<f32>, i: usize) -> Option<Across> {
    let width = soft.width();
    let height = soft.data().len() / width;
    let (x, y) = (i % width, i / width);
    let s = |x: usize, y: usize| soft.data()[y * width + x];
    let u = s((x + 1).min(width - 1), y) - s(x.saturating_sub(1), y);
    let v = s(x, (y + 1).min(height - 1)) - s(x, y.saturating_sub(1));
    let long = (u * u + v * v).sqrt();
    if long < WIDE {
        return None;
    }
    let (nx, ny) = (u / long, v / long);
    Some(std::array::from_fn(|n| {
        let t = (OUTER + n as i32) as f32;
        let (mut off, mut loose, mut lit) = ([0.0f32; 3], [0.0f32; 3], [0.0f32; 3]);
        let mut count = 0.0f32;
        for along in -ALONG..=ALONG {
            let a = along as f32;
            let px = floor(x as f32 + 0.5 + nx * t - ny * a);
            let py = floor(y as f32 + 0.5 + ny * t + nx * a);
            if px < 0.0 || py < 0.0 || px >= width as f32 || py >= height as f32 {
                continue;
            }
            let j = py as usize * width + px as usize;
            if sensed.rods.data()[j] != 0 {
                continue;
            }
            let (d, var, b) = (
                sensed.difference(j),
                sensed.variance(j, 0.5),
                sensed.backdrop.data()[j],
            );
            for k in 0..3 {
                off[k] += d[k];
                loose[k] += var[k];
                lit[k] += b[k];
            }
            count += 1.0;
        }
        (count > ALONG as f32).then(|| {
            std::array::from_fn(|k| {
                let known = KNOWN * lit[k];
                off[k] / (loose[k] + known * known).max(1e-12).sqrt()
            })
        })
    }))
}

#[cfg(test)]
mod tests {
    use super::super::contour::step;
    use super::super::tests::{NOISE, Scene, scene};
    use super::*;

    /// A bright face before an even set of light 0.2, and in front of it its inner end, which shows so much of itself and
    /// runs from brighter than the set to darker; seen through a Gaussian of so many pixels.
    fn curl(soft: f64, shown: f64) -> Scene {
        let within = |v: f64, low: f64, high: f64| {
            let one = |d: f64| f64::from(step((d / soft) as f32));
            one(v - low) * one(high - v)
        };
        let face = |x: f64, y: f64| within(x, 60.0, 120.0) * within(y, 30.0, 92.0);
        let end = |x: f64, y: f64| shown * within(x, 44.0, 90.0) * within(y, 84.0, 92.0);
        let mut made = scene(
            150,
            |x, y| 1.0 - (1.0 - face(x, y)) * (1.0 - end(x, y)),
            |_, _| [0.0; 3],
        );
        for y in 0..150 {
            for x in 0..150 {
                let (u, v) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
                let (face, end) = (face(u, v), end(u, v));
                let shade = 0.26 - 0.1 * (v - 84.0).clamp(0.0, 8.0) / 8.0;
                let light = 0.2 * (1.0 - face) + 0.6 * face;
                let light = (light * (1.0 - end) + shade * end) as f32;
                made.frame.put(x, y, [light; 3]);
                made.backdrop.put(x, y, [0.2; 3]);
            }
        }
        made
    }

    /// Pixels found behind a sharp edge.
    fn found(made: &Scene) -> Raster<u8> {
        let account = Account::unlimited();
        made.known(None, |known| {
            let outline = Outline::of(known, made.frame.rect(), &account).unwrap();
            let sensed = Sensed::new(known.frame, known.backdrop, &NOISE, 1, &account).unwrap();
            solid(&sensed, &outline, &account).unwrap()
        })
    }

    #[test]
    fn a_shaded_end_beside_a_bright_face_is_solid() {
        let made = curl(0.6, 1.0);
        let solved = made.solved(None);
        for y in 87..90 {
            for x in 48..58 {
                let got = solved.matte.at(x, y);
                assert!(got > 0.97, "{x} {y}: {got}");
            }
        }
        // And it ends where it ends.
        for x in 48..54 {
            for y in [81, 95] {
                let got = solved.matte.at(x, y);
                assert!(got < 0.03, "{x} {y}: {got}");
            }
        }
    }

    #[test]
    fn shadow_at_the_foot_of_a_piece_is_left_to_the_matte() {
        // A strip of set that the body holds, darkest beside the piece or beside the open set.
        let strip = |begins: f32, ends: f32| {
            let mut made = scene(120, |x, _| f64::from(u8::from(x > 48.0)), |_, _| [0.0; 3]);
            for y in 0..120 {
                for x in 0..120 {
                    let t = (x - 48) as f32 / 12.0;
                    let light = match x {
                        ..48 => 1.0,
                        48..60 => 1.0 - begins + (begins - ends) * t,
                        _ => 1.15,
                    };
                    made.frame.put(x, y, [0.2 * light; 3]);
                    made.backdrop.put(x, y, [0.2; 3]);
                }
            }
            let found = found(&made);
            (0..120).any(|y| (48..59).any(|x| found.at(x, y) != 0))
        };
        assert!(!strip(0.1, 0.12));
        assert!(strip(0.4, -0.2));
    }

    #[test]
    fn an_edge_out_of_focus_hides_nothing() {
        let count = |made: &Scene| found(made).data().iter().filter(|v| **v != 0).count();
        for soft in [1.6, 2.5, 4.0] {
            assert_eq!(count(&curl(soft, 0.0)), 0, "{soft}");
        }
        assert!(count(&curl(0.6, 0.0)) > 200);
    }
}
