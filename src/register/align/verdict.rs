//! What of a fit is significant, and how far it can be trusted.

use super::super::{Alignment, Motion, Trust};
use super::fit::Fit;
use super::patch::{Patch, typical};
use super::pose::{GROWTH, Pose, SHIFT, TURN, Way};
use super::refine::refitted;
use crate::geom::{Map, Rect};

/// The correlation of cut detail must stand so many standard deviations above chance.
pub(super) const EVIDENCE: f64 = 5.0;
/// A match beyond the range must correlate at least so well: it is an unlikely one.
pub(super) const ALIKE: f64 = 0.3;
/// A direction whose shift, and a corner whose place, is known to within more than this (`SIGNIFICANT` deviations, px)
/// is not known.
const KNOWN: f64 = 0.8;
/// Unless its start proves it, a direction must hold the match by so many standard deviations of what noise alone
/// makes: a chance match of two noises, the best of some hundred, comes to about three.
const HELD: f64 = 4.5;
/// The same of the other direction: where one holds, chance has but a line to choose from.
const HELD_TOO: f64 = 3.0;
/// Shifts below this many of their deviations, or px, are zero.
const SIGNIFICANT: f64 = 3.0;
const LEAST: f64 = 0.05;
/// Turns and scales count beyond so many of their deviations.
const SURE: f64 = 4.5;
/// A turn or a scale that was not asked for is told from so many px at a corner: half of it shows where a piece is.
const TURNED: f64 = 0.3;
/// A plate whose detail is so many times what its finest structure would give as noise has texture.
const TEXTURE: f32 = 2.0;

/// Nothing is known.
pub(super) fn unknown(trust: Trust) -> Alignment {
    Alignment {
        map: Map::IDENTITY,
        shift: [0.0; 2],
        deviation: [f64::INFINITY; 2],
        within: f64::INFINITY,
        corner: 0.0,
        correlation: 0.0,
        turned: 0.0,
        trust,
    }
}

/// The best match lies beyond the range.
pub(super) fn beyond(shift: [f64; 2]) -> Alignment {
    Alignment {
        shift,
        corner: (shift[0] * shift[0] + shift[1] * shift[1]).sqrt(),
        ..unknown(Trust::BeyondSearch)
    }
}

/// The answer, from the last fit; it is fitted again with fewer ways where not all of them count.
pub(super) fn judged(
    patches: &[Patch],
    octaves: &[Vec<Patch>],
    fit: Fit,
    motion: Motion,
    frame: &Rect,
) -> Alignment {
    let fit = match motion {
        Motion::Shift => fit,
        Motion::Similarity => simplified(octaves, fit, &[TURN, GROWTH]),
        Motion::Perspective => {
            let tilts = significant(&fit, 2).iter().any(|&counts| counts);
            if tilts {
                fit
            } else {
                let ways = [SHIFT[0], SHIFT[1], TURN, GROWTH];
                let start = Fit {
                    pose: only_shift(&fit, frame),
                    ..fit
                };
                simplified(octaves, refitted(octaves, start, &ways), &[TURN, GROWTH])
            }
        }
    };
    let numbers = |trust| Alignment {
        shift: fit.pose.shift(),
        corner: fit.pose.corner(frame),
        correlation: fit.correlation,
        deviation: deviation(&fit),
        ..unknown(trust)
    };
    if fit.evidence < EVIDENCE {
        return numbers(if textured(patches) {
            Trust::NoMatch
        } else {
            Trust::Featureless
        });
    }
    let known = directions(&fit);
    let within = within(&fit, known.flatten(), frame);
    let Some(known) = known.filter(|_| within <= KNOWN) else {
        return Alignment {
            within,
            ..numbers(Trust::Featureless)
        };
    };
    let mut pose = fit.pose;
    let [x, y] = pose.shift();
    let kept = known.map_or([x, y], |[a, b]| {
        let along = a * x + b * y;
        [a * along, b * along]
    });
    pose.parts[0] = kept[0];
    pose.parts[1] = kept[1];
    let still_shift = pose.parts[2..] == [0.0; 6] && insignificant(&fit, kept);
    let still = still_shift || pose.corner(frame) < LEAST;
    let mut found = Alignment {
        map: if still { Map::IDENTITY } else { pose.map() },
        corner: if still { 0.0 } else { pose.corner(frame) },
        within,
        ..numbers(Trust::Sure)
    };
    if found.within > found.close() {
        found.trust = Trust::Rough;
    }
    if motion == Motion::Shift {
        found.turned = turned(octaves, &fit, frame);
    }
    found
}

/// How far a shift alone leaves the frame's corners off, px, where a turn or a change of scale is beyond doubt.
fn turned(octaves: &[Vec<Patch>], fit: &Fit, frame: &Rect) -> f64 {
    let wider = refitted(octaves, fit.clone(), &[SHIFT[0], SHIFT[1], TURN, GROWTH]);
    let wider = simplified(octaves, wider, &[TURN, GROWTH]);
    if wider.ways.len() == SHIFT.len() || within(&wider, None, frame) > KNOWN {
        return 0.0;
    }
    let off = wider.pose.off(&fit.pose, frame);
    if off < TURNED { 0.0 } else { off }
}

fn deviation(fit: &Fit) -> [f64; 2] {
    match &fit.covariance {
        Some(c) => [c[0][0].max(0.0).sqrt(), c[1][1].max(0.0).sqrt()],
        None => [f64::INFINITY; 2],
    }
}

/// Which ways from `first` on lie beyond `SURE` of their deviations.
fn significant(fit: &Fit, first: usize) -> Vec<bool> {
    let Some(covariance) = &fit.covariance else {
        return Vec::new();
    };
    (first..covariance.len())
        .map(|k| {
            let amount = fit.amount(k);
            amount * amount > SURE * SURE * covariance[k][k]
        })
        .collect()
}

/// Fitted again without those `more` ways beside the shift that do not count.
fn simplified(octaves: &[Vec<Patch>], fit: Fit, more: &[Way]) -> Fit {
    let counts = significant(&fit, 2);
    if counts.len() == more.len() && counts.iter().all(|&c| c) {
        return fit;
    }
    let mut ways = SHIFT.to_vec();
    let kept = more.iter().zip(&counts).filter(|(_, counts)| **counts);
    ways.extend(kept.map(|(way, _)| *way));
    let mut pose = fit.pose;
    for (way, _) in more.iter().zip(0..) {
        if !ways.contains(way) {
            let size: f64 = way.iter().map(|v| v * v).sum();
            let amount = pose.parts.iter().zip(way).map(|(a, b)| a * b).sum::<f64>() / size;
            pose = pose.moved(&[*way], &[-amount]);
        }
    }
    refitted(octaves, Fit { pose, ..fit }, &ways)
}

fn only_shift(fit: &Fit, frame: &Rect) -> Pose {
    Pose::still(frame).moved(&SHIFT, &fit.pose.shift())
}

/// `None`: no direction of the shift is known; `Some(None)`: all are; else the one that is.
fn directions(fit: &Fit) -> Option<Option<[f64; 2]>> {
    let c = fit.covariance.as_ref()?;
    let (a, b, d) = (c[0][0], c[0][1], c[1][1]);
    let half = ((a - d) * (a - d) / 4.0 + b * b).sqrt();
    // The axis of the smaller deviation.
    let (x, y) = if a <= d {
        (half + (d - a) / 2.0, -b)
    } else {
        (-b, half + (a - d) / 2.0)
    };
    let length = (x * x + y * y).sqrt();
    let axis = if length > 0.0 {
        [x / length, y / length]
    } else {
        [1.0, 0.0]
    };
    let known = |[x, y]: [f64; 2], held: f64| {
        let along = |[xx, xy, yy]: [f64; 3]| x * x * xx + 2.0 * x * y * xy + y * y * yy;
        SIGNIFICANT * SIGNIFICANT * along([a, b, d]) <= KNOWN * KNOWN
            && (fit.proven || along(fit.hold) >= held)
    };
    match [known(axis, HELD), known([-axis[1], axis[0]], HELD_TOO)] {
        [true, true] => Some(None),
        [true, false] => Some(Some(axis)),
        [false, _] => None,
    }
}

/// Three deviations of where the worst corner comes to lie, px; of the shift only `along` its known direction, where one
/// is not known.
fn within(fit: &Fit, along: Option<[f64; 2]>, frame: &Rect) -> f64 {
    let Some(covariance) = &fit.covariance else {
        return f64::INFINITY;
    };
    let largest = |[xx, xy, yy]: [f64; 3]| match along {
        Some([x, y]) => x * x * xx + 2.0 * x * y * xy + y * y * yy,
        None => {
            let half = ((xx - yy) * (xx - yy) / 4.0 + xy * xy).sqrt();
            (xx + yy) / 2.0 + half
        }
    };
    let corners = [frame.x0, frame.x1]
        .into_iter()
        .flat_map(|x| [frame.y0, frame.y1].map(|y| [f64::from(x), f64::from(y)]));
    let worst = corners.fold(0.0f64, |worst, corner| {
        let moves = fit.pose.moves(corner, &fit.ways);
        let mut parts = [0.0; 3];
        for (row, [a, b]) in covariance.iter().zip(&moves) {
            for (cell, [d, e]) in row.iter().zip(&moves) {
                let more = [a * d, a * e, b * e];
                for (part, more) in parts.iter_mut().zip(more) {
                    *part += cell * more;
                }
            }
        }
        worst.max(largest(parts))
    });
    SIGNIFICANT * worst.sqrt()
}

/// Whether a shift is shorter than three of its deviations along itself.
fn insignificant(fit: &Fit, [x, y]: [f64; 2]) -> bool {
    let Some(c) = &fit.covariance else {
        return true;
    };
    let square = x * x + y * y;
    let variance = (x * x * c[0][0] + 2.0 * x * y * c[0][1] + y * y * c[1][1]) / square;
    variance.is_nan() || square <= SIGNIFICANT * SIGNIFICANT * variance
}

/// Whether the plates' detail is more than noise: noise alone is known from second differences, which smooth
/// structure does not reach (Immerkaer, Computer Vision and Image Understanding 64(2), 1996).
fn textured(patches: &[Patch]) -> bool {
    patches.iter().any(|patch| {
        let detail = &patch.plate.detail;
        let [width, height] = patch.plate.size();
        let mut seconds = Vec::new();
        for y in (1..height.saturating_sub(1)).step_by(3) {
            let rows = [y - 1, y, y + 1].map(|y| &detail.data()[y * width..(y + 1) * width]);
            for x in (1..width.saturating_sub(1)).step_by(3) {
                let across = |row: &[f32]| row[x - 1] - 2.0 * row[x] + row[x + 1];
                seconds.push(across(rows[0]) - 2.0 * across(rows[1]) + across(rows[2]));
            }
        }
        let size = typical(detail.data());
        size > FLAT && size > TEXTURE * NOISE_SHARE * typical(&seconds)
    })
}

/// Detail below this is rounding.
const FLAT: f32 = 1e-5;

/// For white noise: deviation of its detail (Gaussian 0.9 minus Gaussian 5) over that of the detail's second
/// differences across and down; from the kernels' sums of squares.
const NOISE_SHARE: f32 = 1.33;
