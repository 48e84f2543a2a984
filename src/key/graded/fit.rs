//! The slopes of a response from windows of the set.
//!
//! In stops, a picture changes by the slope at a tone times the change of light. Per window and channel light is a plane,
//! which is taken off; what a tone is off by in any light (noise, edges that don't quite meet) is a second unknown beside
//! the slope, which light does not multiply.

use rayon::prelude::*;

use super::super::tools::linear::solved;
use super::windows::Window;
use crate::color::{Response, slope, tone};

const TONES: usize = Response::TONES;
const BOTH: usize = 2 * TONES;

/// Windows that it takes at least.
const FEW: usize = 20;
/// Times that light is told by the slopes and slopes by the light.
const TURNS: usize = 4;
/// How much slopes are held to a straight course, how much of that to 1, and how much more what is off in any light.
const STRAIGHT: f64 = 90.0;
const ONE: f64 = 3.0;
const ANYHOW: f64 = 30.0;
/// Slopes no recipe has: what seems to is another thing, such as what shines in a set and is in no shadow.
const LIMITS: (f64, f64) = (0.3, 3.0);
/// Up to this share of all that is known a slope is not told.
const FAINT: f64 = 0.005;
/// Squared deviations that a curve must explain, and by how much it must bend where it is told.
const EXPLAINS: f64 = 250.0;
const BENDS: f64 = 0.05;
/// How far two halves of the windows may be off each other, as a share of how much it bends.
const AGREES: f64 = 0.35;

/// A window's share of the equations, before light multiplies.
struct Part {
    squares: [[f64; TONES]; TONES],
    right: [f64; TONES],
    rest: f64,
    light: f64,
}

/// What the windows say together: squares of slopes, of what is off anyhow, and of both; their right sides.
struct Sums {
    all: [[f64; BOTH]; BOTH],
    right: [f64; BOTH],
    rest: f64,
}

/// Slopes at [`Response::stops`], where they can be told and are not one and the same.
pub(super) fn fitted(windows: &[Window]) -> Option<[f64; TONES]> {
    if windows.len() < FEW {
        return None;
    }
    let mut slopes = [1.0; TONES];
    let mut known = [0.0; TONES];
    let mut explains = 0.0;
    for _ in 0..TURNS {
        let parts = parts(windows, &slopes);
        let sums = summed(parts.iter());
        let told = told(&sums)?;
        explains = explained(&sums, &told)?;
        // Most pictures have no curve, and the first turn says so.
        if explains < 0.5 * EXPLAINS {
            return None;
        }
        (slopes, known) = leveled(&sums, &told)?;
    }
    let bent = off(&known, &slopes, &[1.0; TONES]);
    let all: f64 = known.iter().sum();
    let seen: Vec<usize> = (0..TONES).filter(|&i| known[i] > FAINT * all).collect();
    let has = |&i: &usize| slopes[i] > LIMITS.0 && slopes[i] < LIMITS.1;
    if explains < EXPLAINS || bent < BENDS || !seen.iter().all(has) {
        return None;
    }
    // What one half of the windows says the other must say too.
    let parts = parts(windows, &slopes);
    let [one, other] = [0, 1].map(|first| {
        let sums = summed(parts.iter().skip(first).step_by(2));
        Some(leveled(&sums, &told(&sums)?)?.0)
    });
    let agree = off(&known, &one?, &other?) < AGREES * bent;
    // A tone that nothing tells has the slope of the nearest that is told.
    let nearest = |i: usize| {
        seen.iter()
            .min_by_key(|&&n| n.abs_diff(i))
            .map_or(1.0, |&n| slopes[n])
    };
    agree.then(|| std::array::from_fn(nearest))
}

/// Slopes of 1 on the average over what is known, within their limits, and how much is known of each.
fn leveled(sums: &Sums, told: &[f64; BOTH]) -> Option<([f64; TONES], [f64; TONES])> {
    let known: [f64; TONES] = std::array::from_fn(|i| sums.all[i][i].max(1e-9));
    let mean = weighted(&known, |i| told[i]);
    let slopes = std::array::from_fn(|i| (told[i] / mean).clamp(LIMITS.0, LIMITS.1));
    (mean > 0.0).then_some((slopes, known))
}

/// How far two courses are off each other.
fn off(known: &[f64; TONES], one: &[f64; TONES], other: &[f64; TONES]) -> f64 {
    let squared = weighted(known, |i| (one[i] - other[i]) * (one[i] - other[i]));
    squared.sqrt()
}

fn weighted(weights: &[f64; TONES], of: impl Fn(usize) -> f64) -> f64 {
    let sum: f64 = (0..TONES).map(|i| weights[i] * of(i)).sum();
    sum / weights.iter().sum::<f64>()
}

/// How much of the slope between two stated ones a tone has.
fn hats(stops: f64) -> [f64; TONES] {
    let (i, share) = tone(stops);
    let mut hats = [0.0; TONES];
    hats[i] = 1.0 - share;
    hats[i + 1] = share;
    hats
}

fn parts(windows: &[Window], slopes: &[f64; TONES]) -> Vec<Part> {
    let parts = windows.par_iter().map(|window| part(window, slopes));
    parts.collect()
}

fn part(window: &Window, slopes: &[f64; TONES]) -> Part {
    let (mut along, mut whole) = (0.0f64, 0.0f64);
    for cell in window.iter().flatten() {
        let (slope, weight) = (slope(slopes, cell.tone.into()), f64::from(cell.weight));
        along += weight * slope * f64::from(cell.change);
        whole += weight * slope * slope;
    }
    let mut part = Part {
        squares: [[0.0; TONES]; TONES],
        right: [0.0; TONES],
        rest: 0.0,
        light: along / whole,
    };
    for channel in window {
        // The slopes between where a tone was and where light took it, and the change.
        let mut columns: [Vec<f64>; TONES + 1] = Default::default();
        let mut plane: [Vec<f64>; 3] = Default::default();
        for cell in channel {
            let root = f64::from(cell.weight).sqrt();
            let from = f64::from(cell.tone);
            let (a, b) = (hats(from), hats(from + part.light * slope(slopes, from)));
            for i in 0..TONES {
                columns[i].push(0.5 * (a[i] + b[i]) * root);
            }
            columns[TONES].push(f64::from(cell.change) * root);
            let of = [1.0, f64::from(cell.x), f64::from(cell.y)];
            for (column, of) in plane.iter_mut().zip(of) {
                column.push(of * root);
            }
        }
        for i in 0..3 {
            let (done, rest) = plane.split_at_mut(i);
            done.iter().for_each(|unit| taken_off(&mut rest[0], unit));
            let length = dot(&rest[0], &rest[0]).sqrt().max(1e-12);
            rest[0].iter_mut().for_each(|v| *v /= length);
        }
        for column in &mut columns {
            plane.iter().for_each(|unit| taken_off(column, unit));
        }
        let change = &columns[TONES];
        for i in 0..TONES {
            for j in 0..=i {
                let square = dot(&columns[i], &columns[j]);
                part.squares[i][j] += square;
                if j < i {
                    part.squares[j][i] += square;
                }
            }
            part.right[i] += dot(&columns[i], change);
        }
        part.rest += dot(change, change);
    }
    part
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn taken_off(column: &mut [f64], unit: &[f64]) {
    let along = dot(column, unit);
    for (v, unit) in column.iter_mut().zip(unit) {
        *v -= along * unit;
    }
}

fn summed<'a>(parts: impl Iterator<Item = &'a Part>) -> Sums {
    let mut sums = Sums {
        all: [[0.0; BOTH]; BOTH],
        right: [0.0; BOTH],
        rest: 0.0,
    };
    for part in parts {
        let powers = [part.light, 1.0];
        for i in 0..BOTH {
            let own = powers[i / TONES];
            for j in 0..BOTH {
                let square = part.squares[i % TONES][j % TONES];
                sums.all[i][j] += own * powers[j / TONES] * square;
            }
            sums.right[i] += own * part.right[i % TONES];
        }
        sums.rest += part.rest;
    }
    sums
}

/// What holds one kind of unknown to a straight course: squares of second differences, and of itself.
fn held(i: usize, j: usize) -> f64 {
    let bend = |row: usize, i: usize| match i.wrapping_sub(row) {
        0 | 2 => 1.0,
        1 => -2.0,
        _ => 0.0,
    };
    let straight: f64 = (0..TONES - 2).map(|row| bend(row, i) * bend(row, j)).sum();
    STRAIGHT * straight + if i == j { ONE } else { 0.0 }
}

/// Slopes and what is off anyhow.
fn told(sums: &Sums) -> Option<[f64; BOTH]> {
    let mut rows = [[0.0; BOTH + 1]; BOTH];
    for (i, row) in rows.iter_mut().enumerate() {
        row[..BOTH].copy_from_slice(&sums.all[i]);
        row[BOTH] = sums.right[i];
        for j in 0..TONES {
            match i < TONES {
                true => {
                    row[j] += held(i, j);
                    row[BOTH] += held(i, j);
                }
                false => row[TONES + j] += ANYHOW * held(i - TONES, j),
            }
        }
    }
    solved(rows)
}

/// How much less is left with these slopes than with slopes of 1.
fn explained(sums: &Sums, told: &[f64; BOTH]) -> Option<f64> {
    let left = |x: &[f64; BOTH]| {
        let squares: f64 = (0..BOTH).map(|i| x[i] * dot(&sums.all[i], x)).sum();
        sums.rest - 2.0 * dot(&sums.right, x) + squares
    };
    let mut rows = [[0.0; TONES + 1]; TONES];
    for (i, row) in rows.iter_mut().enumerate() {
        let own = &sums.all[TONES + i];
        for j in 0..TONES {
            row[j] = own[TONES + j] + ANYHOW * held(i, j);
        }
        row[TONES] = sums.right[TONES + i] - own[..TONES].iter().sum::<f64>();
    }
    let anyhow: [f64; TONES] = solved(rows)?;
    let straight = std::array::from_fn(|i| match i < TONES {
        true => 1.0,
        false => anyhow[i - TONES],
    });
    Some(left(&straight) - left(told))
}
