//! Light that changed in one place because a flag or a lamp moved, told from what a piece takes and throws.
//!
//! A piece's shadow is thrown by a lamp: it lies beside the piece, or farther away with the piece's outline, and fades
//! with distance from that. What is fitted as the piece's own, and what lies close about it, is left out; through all
//! other light a smooth sheet is laid, which goes on beneath. Where the sheet departs from the drift of the whole frame
//! in one broad place, a flag did that. Promise: where nothing is found, nothing changes.

mod blocks;
mod judge;
mod sheet;
mod slope;

use super::super::{LightField, Notice};
use super::cast;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;
use blocks::{Blocks, Seen};
use judge::{AMOUNT, Place, SEEN};

/// What lies within so many roots of the piece's area is not looked at until its shadow is known, and then within so
/// many: contact shadows and the light it throws back.
const AROUND: f64 = 0.6;
const CLOSE: f64 = 0.12;
/// From this share of the light on, a fitted shadow keeps a place for the piece.
const FAINT: f32 = 0.004;
/// From this share on it is a shadow that a flag's work can be mistaken for.
const PLAIN: f32 = 0.03;
/// A departure counts from so much, in stops, where light drifts little: 3 %.
pub const CHANGED: f64 = AMOUNT / std::f64::consts::LN_2;
/// The least departure that is followed outward from a place.
const LEAST: f64 = 0.004;
/// A piece darkens the frame's border along less than so many roots of its area.
const LONG: f64 = 3.0;
/// The share of the frame that must be left to be looked at.
const ENOUGH: f64 = 0.15;
/// A quartile in deviations stands for this much.
const QUARTILE: f64 = 0.3186;

/// What was found.
#[derive(Debug)]
pub(in super::super) struct Found {
    /// What flags did to the light, 1 where they did nothing; `None` where none did.
    pub field: Option<LightField>,
    /// With places in cells.
    pub notices: Vec<Notice>,
}

/// Looks for flags' work in the `light` on the set where it is `seen` (1). All at half size, on one rectangle.
pub(super) fn found(
    light: &Raster<[f32; 3]>,
    seen: &Raster<u8>,
    silhouette: &Raster<f32>,
    account: &Account,
) -> Result<Found, OverBudget> {
    let nothing = Found {
        field: None,
        notices: Vec::new(),
    };
    let rect = light.rect();
    let blocks = Blocks::of(rect);
    if blocks.count() < 64 {
        return Ok(nothing);
    }
    let area: f64 = silhouette.data().iter().map(|c| f64::from(*c)).sum();
    let (size, side) = (area.sqrt(), f64::from(blocks.side));
    let away = blocks.away(silhouette, account)?;
    let within = |far: f64| -> Vec<bool> { away.iter().map(|away| *away <= far).collect() };

    // First with all left out that a piece's shadow may well be.
    let means = blocks.seen(light, seen);
    let mut own = within(AROUND * size);
    let left = |own: &[bool]| -> f64 {
        let open = means.known.iter().zip(own).filter(|(_, own)| !**own);
        open.map(|(known, _)| known).sum::<f64>() / blocks.count() as f64
    };
    if left(&own) < ENOUGH {
        own = within(CLOSE * size);
    }
    let first = Departure::of(&blocks, &means, &own);
    if judge::places(&blocks, &first.bright, &means.known, (&own, &own), AMOUNT).is_empty() {
        return Ok(nothing);
    }

    // Then with what is known of the piece's shadow: as it lies in the light, and beside what seems a flag's. The first
    // finds one that lies far from the piece, the second one that a flag's edge runs across.
    let (mut share, mut thrown) = (vec![0.0f32; blocks.count()], false);
    for even in [&first.drift, &first.whole()] {
        let mut ratios = light.cropped(rect, account)?;
        divided(&mut ratios, &blocks, even);
        let found = cast::owned(&ratios, seen, silhouette, account)?;
        thrown |= found.thrown;
        for (share, found) in share.iter_mut().zip(blocks.most(&found.share)) {
            *share = share.max(found);
        }
    }
    let close = within((CLOSE * size).max(2.0 * side));
    let own: Vec<bool> = (close.iter().zip(&share))
        .map(|(close, share)| *close || *share > FAINT)
        .collect();
    if left(&own) < ENOUGH {
        return Ok(nothing);
    }
    let departure = Departure::of(&blocks, &means, &own);
    let bright = &departure.bright;
    let deviation = deviation(
        (0..blocks.count())
            .filter(|&at| !own[at] && means.known[at] > SEEN)
            .map(|at| bright[at]),
    );
    let limit = judge::limit(deviation);
    let places = judge::places(&blocks, bright, &means.known, (&own, &close), AMOUNT);
    let places = judge::flags(places, limit);

    let least = LEAST.max(deviation);
    let mut acts = vec![false; blocks.count()];
    let mut notices = Vec::new();
    let mut told = vec![false; blocks.count()];
    for place in places {
        // One that a piece's own shadow cuts in two is told once.
        if told[place.at] {
            continue;
        }
        // Where the piece's shadow is not known, what is dark beside it may be that, if it is not far longer than it.
        let long = place.along as f64 * side >= LONG * size;
        let unsure = place.fades || (place.touches && !thrown && !long);
        // What a piece throws back fades away from it too, and is its own.
        if place.fades && place.peak > 0.0 {
            continue;
        }
        let unsure = unsure && place.peak < 0.0;
        let reached = judge::reached(&blocks, bright, &place, least);
        for (told, reached) in told.iter_mut().zip(&reached) {
            *told |= reached;
        }
        let meets = (0..blocks.count())
            .any(|at| reached[at] && share[at] > PLAIN && bright[at].abs() > 0.5 * limit);
        let stops = place.peak / std::f64::consts::LN_2;
        let place = bounds(&blocks, bright, &reached, &place);
        notices.push(match unsure {
            true => Notice::LightOrShadow { place, stops },
            false => Notice::LightUneven {
                place,
                stops,
                meets,
            },
        });
        if !unsure {
            for (acts, reached) in acts.iter_mut().zip(reached) {
                *acts |= reached;
            }
        }
    }
    let field = if acts.contains(&true) {
        let shares = shares(bright, &acts, least);
        let measured = measured(&blocks, &own);
        let mut ratios = light.cropped(rect, account)?;
        divided(&mut ratios, &blocks, &departure.drift);
        let logs = &departure.logs;
        Some(field(&blocks, ratios, logs, &shares, &measured))
    } else {
        None
    };
    Ok(Found { field, notices })
}

/// The sheet through the light, as a drift across the whole frame and what departs from it; logarithms.
struct Departure {
    drift: [Vec<f64>; 3],
    logs: [Vec<f64>; 3],
    bright: Vec<f64>,
}

impl Departure {
    fn of(blocks: &Blocks, means: &Seen, own: &[bool]) -> Departure {
        let mut logs = blocks.sheet(means, own);
        let known: Vec<f64> = (means.known.iter().zip(own))
            .map(|(known, own)| if *own { 0.0 } else { *known })
            .collect();
        let drift = slope::fitted(blocks, &logs, &known);
        for (logs, drift) in logs.iter_mut().zip(&drift) {
            for (log, drift) in logs.iter_mut().zip(drift) {
                *log -= drift;
            }
        }
        let bright = slope::brightness(&logs);
        Departure {
            drift,
            logs,
            bright,
        }
    }

    /// Drift and departure.
    fn whole(&self) -> [Vec<f64>; 3] {
        [0, 1, 2].map(|k| {
            let both = self.drift[k].iter().zip(&self.logs[k]);
            both.map(|(drift, log)| drift + log).collect()
        })
    }
}

/// How far light departs where it departs little: of the nearer half.
fn deviation(light: impl Iterator<Item = f64>) -> f64 {
    let mut sizes: Vec<f64> = light.map(f64::abs).collect();
    if sizes.is_empty() {
        return 0.0;
    }
    let quarter = sizes.len() / 4;
    *sizes.select_nth_unstable_by(quarter, f64::total_cmp).1 / QUARTILE
}

/// Ratios over what blocks say.
fn divided(ratios: &mut Raster<[f32; 3]>, blocks: &Blocks, logs: &[Vec<f64>; 3]) {
    let factors = factors(logs, |_| 1.0);
    let rect = ratios.rect();
    for y in rect.y0..rect.y1 {
        for (ratio, x) in ratios.row_mut(y).iter_mut().zip(rect.x0..) {
            let by = read(&factors, blocks.between(x, y));
            for k in 0..3 {
                ratio[k] /= by[k].max(0.02);
            }
        }
    }
}

/// The sheet as ratios, each departing by its share only.
fn factors(logs: &[Vec<f64>; 3], share: impl Fn(usize) -> f64) -> Vec<[f32; 3]> {
    let ratio = |at: usize| {
        let share = share(at);
        [0, 1, 2].map(|k| (1.0 + share * (libm::exp(logs[k][at]) - 1.0)) as f32)
    };
    (0..logs[0].len()).map(ratio).collect()
}

fn read<const N: usize>(values: &[[f32; N]], (at, u, v): ([usize; 4], f32, f32)) -> [f32; N] {
    std::array::from_fn(|k| {
        let [a, b, c, d] = at.map(|at| values[at][k]);
        let (top, low) = (a + (b - a) * u, c + (d - c) * u);
        top + (low - top) * v
    })
}

/// How much of a departure is the flag's: all of it where it `acts`, running out to nothing where it departs `least`.
fn shares(bright: &[f64], acts: &[bool], least: f64) -> Vec<f64> {
    let share = |(bright, acts): (&f64, &bool)| match acts {
        true => smooth((bright.abs() - least) / least),
        false => 0.0,
    };
    bright.iter().zip(acts).map(share).collect()
}

/// How much of the light is the flag's as it was measured, not as the sheet has it: all of it far from what is the
/// piece's own.
fn measured(blocks: &Blocks, own: &[bool]) -> Vec<f64> {
    let steps = [1, 2, 3].map(|n| blocks.grown(own, n));
    let far = |at: usize| steps.iter().filter(|near| !near[at]).count() as f64 / 3.0;
    (0..blocks.count())
        .map(|at| if own[at] { 0.0 } else { smooth(far(at)) })
        .collect()
}

fn smooth(t: f64) -> f64 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// What the flag did to each cell's light, of which `cells` hold the ratio to the drift.
fn field(
    blocks: &Blocks,
    mut cells: Raster<[f32; 3]>,
    logs: &[Vec<f64>; 3],
    shares: &[f64],
    measured: &[f64],
) -> LightField {
    let factors = factors(logs, |at| shares[at]);
    let weights: Vec<[f32; 2]> = (shares.iter().zip(measured))
        .map(|(share, measured)| [*share as f32, *measured as f32])
        .collect();
    let rect = cells.rect();
    for y in rect.y0..rect.y1 {
        for (cell, x) in cells.row_mut(y).iter_mut().zip(rect.x0..) {
            let place = blocks.between(x, y);
            let [share, seen] = read(&weights, place);
            let sheet = read(&factors, place);
            for k in 0..3 {
                let own = 1.0 + share * (cell[k] - 1.0);
                cell[k] = (sheet[k] + seen * (own - sheet[k])).clamp(0.05, 16.0);
            }
        }
    }
    LightField { cells }
}

/// Where a place departs by half of its most, in cells.
fn bounds(blocks: &Blocks, bright: &[f64], reached: &[bool], place: &Place) -> Rect {
    let strong = |at: &usize| reached[*at] && bright[*at].abs() >= 0.5 * place.peak.abs();
    let all = (0..blocks.count()).filter(strong);
    all.fold(blocks.cells(place.at), |all, at| {
        all.united(&blocks.cells(at))
    })
}

#[cfg(test)]
mod tests;
