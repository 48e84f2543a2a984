//! Rebuilding the piece where a rod crossed its face: light between the two banks, along the lines whose ends look
//! most alike, and the grain that such a mean loses, taken from beside the rod.
//!
//! Only pixels where the matte is near 1 and the area is 0 are ever a source.

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};
use rayon::prelude::*;

/// Coverage of the area from which a pixel is rebuilt, and of the piece from which one may be a source.
const TOUCHED: f32 = 0.03;
const SURE: f32 = 0.98;
/// Shifts tried: this many directions (exact quarter turns of five vectors), at these distances in half-widths of
/// the area's own band.
const LENGTHS: [f64; 6] = [1.2, 1.7, 2.3, 3.0, 4.0, 5.5];
/// Most surroundings compared for one pixel.
const COMPARED: usize = 60;

/// What of a pixel is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    /// Neither: outside the piece.
    Other,
    Source,
    Lost,
}

struct Plan {
    places: Raster<Place>,
    lost: Vec<(i32, i32)>,
    /// For each lost pixel, how far the nearest known one lies at most, in pixels.
    deep: i32,
}

impl Plan {
    fn place(&self, x: i32, y: i32) -> Place {
        if self.places.rect().contains(x, y) {
            self.places.at(x, y)
        } else {
            Place::Other
        }
    }
}

/// Where the area, and `ring` pixels around it, lies in `rect`, and what may serve as source there.
fn planned(
    rect: Rect,
    sure: impl Fn(i32, i32) -> bool,
    area: &Matte,
    ring: i32,
    account: &Account,
) -> Result<Plan, OverBudget> {
    let touched = |x: i32, y: i32| area.rect().contains(x, y) && area.at(x, y) > TOUCHED;
    let mut bounds = Rect::EMPTY;
    let inner = area.rect().intersected(&rect);
    for y in inner.y0..inner.y1 {
        for x in inner.x0..inner.x1 {
            if touched(x, y) {
                bounds = bounds.united(&Rect::new(x, y, 1, 1));
            }
        }
    }
    let mut lost = Vec::new();
    let mut places = Raster::filled(bounds.grown(160).intersected(&rect), Place::Other, account)?;
    let here = places.rect();
    for y in here.y0..here.y1 {
        for x in here.x0..here.x1 {
            let near = bounds.grown(ring as u32).contains(x, y)
                && (-ring..=ring).any(|b| (-ring..=ring).any(|a| touched(x + a, y + b)));
            let place = match (near, sure(x, y)) {
                (true, _) => Place::Lost,
                (false, true) => Place::Source,
                (false, false) => Place::Other,
            };
            places.put(x, y, place);
            if near {
                lost.push((x, y));
            }
        }
    }
    let deep = depth(&places, &lost);
    Ok(Plan { places, lost, deep })
}

/// Half the width of the band of lost pixels, by rings from its banks.
fn depth(places: &Raster<Place>, lost: &[(i32, i32)]) -> i32 {
    let rect = places.rect();
    let mut left: Vec<(i32, i32)> = lost.to_vec();
    let mut gone: std::collections::BTreeSet<(i32, i32)> = lost.iter().copied().collect();
    let mut deep = 0;
    while !left.is_empty() && deep < 64 {
        let ring: Vec<(i32, i32)> = left
            .iter()
            .copied()
            .filter(|&(x, y)| {
                [(1, 0), (-1, 0), (0, 1), (0, -1)]
                    .iter()
                    .any(|(a, b)| rect.contains(x + a, y + b) && !gone.contains(&(x + a, y + b)))
            })
            .collect();
        if ring.is_empty() {
            break;
        }
        for p in &ring {
            gone.remove(p);
        }
        left.retain(|p| gone.contains(p));
        deep += 1;
    }
    deep
}

/// Rebuilds `colour` inside `area` from the piece's own surroundings.
pub fn mended(
    colour: &mut Light,
    matte: &Matte,
    area: &Matte,
    account: &Account,
) -> Result<(), OverBudget> {
    let sure = |x: i32, y: i32| {
        matte.rect().contains(x, y)
            && matte.at(x, y) >= SURE
            && colour.at(x, y).iter().all(|v| v.is_finite())
    };
    let plan = planned(colour.rect(), sure, area, 0, account)?;
    let shifts = shifts(plan.deep);
    let seen: &Light = colour;
    let rebuilt: Vec<Option<[f32; 3]>> = plan
        .lost
        .par_iter()
        .map(|&(x, y)| rebuilt(seen, &plan, &shifts, x, y))
        .collect();
    for (&(x, y), value) in plan.lost.iter().zip(&rebuilt) {
        if let Some(value) = value {
            colour.put(x, y, *value);
        }
    }
    Ok(())
}

/// Shifts that lead out of a band so deep, nearest first.
fn shifts(deep: i32) -> Vec<(i32, i32)> {
    let base = f64::from(2 * deep + 3);
    // A right angle in five steps: Pythagorean fractions, near enough and exact.
    let turns = [
        (1.0, 0.0),
        (0.96, 0.28),
        (0.8, 0.6),
        (0.6, 0.8),
        (0.28, 0.96),
    ];
    let mut shifts = Vec::new();
    for length in LENGTHS {
        for (a, b) in turns {
            for (a, b) in [(a, b), (-b, a), (-a, -b), (b, -a)] {
                let shift = (
                    (a * base * length).round() as i32,
                    (b * base * length).round() as i32,
                );
                if !shifts.contains(&shift) {
                    shifts.push(shift);
                }
            }
        }
    }
    shifts
}

/// A line through a lost pixel, with its ends where the piece is known.
struct Line {
    weight: f32,
    ahead: (i32, i32),
    behind: (i32, i32),
    /// Share of the way from `behind` to `ahead`.
    part: f32,
}

impl Line {
    fn light(&self, colour: &Light, (dx, dy): (i32, i32)) -> [f32; 3] {
        let (a, b) = (
            colour.at(self.ahead.0 + dx, self.ahead.1 + dy),
            colour.at(self.behind.0 + dx, self.behind.1 + dy),
        );
        std::array::from_fn(|k| b[k] + (a[k] - b[k]) * self.part)
    }
}

/// The lines through (x, y), heavier the more alike their two ends are.
fn lines(colour: &Light, plan: &Plan, x: i32, y: i32) -> Vec<Line> {
    let most = 4 * plan.deep + 24;
    let mut lines = Vec::new();
    for (dx, dy) in LINES {
        let long = ((dx * dx + dy * dy) as f32).sqrt();
        let steps = most / dx.abs().max(dy.abs());
        let end = |sign: i32| {
            (1..=steps)
                .map(|n| (n, (x + sign * n * dx, y + sign * n * dy)))
                .find(|(_, p)| plan.place(p.0, p.1) != Place::Lost)
                .filter(|(_, p)| plan.place(p.0, p.1) == Place::Source)
        };
        let (Some((n, ahead)), Some((m, behind))) = (end(1), end(-1)) else {
            continue;
        };
        let (mut unlike, mut power, mut count) = (0.0f32, 0.0f32, 0.0f32);
        for v in -2..=2 {
            for u in -2..=2 {
                let (p, q) = ((ahead.0 + u, ahead.1 + v), (behind.0 + u, behind.1 + v));
                if plan.place(p.0, p.1) == Place::Source && plan.place(q.0, q.1) == Place::Source {
                    let (c, d) = (colour.at(p.0, p.1), colour.at(q.0, q.1));
                    for k in 0..3 {
                        unlike += (c[k] - d[k]) * (c[k] - d[k]);
                        power += 0.5 * (c[k] * c[k] + d[k] * d[k]);
                    }
                    count += 1.0;
                }
            }
        }
        if count < 4.0 {
            continue;
        }
        // A twentieth of the light is alike; a longer way is less sure.
        let cost = unlike / (power + 1e-6) + 0.0025 + 0.0004 * long * (n + m) as f32;
        lines.push(Line {
            weight: 1.0 / (cost * cost),
            ahead,
            behind,
            part: m as f32 / (n + m) as f32,
        });
    }
    let sum: f32 = lines.iter().map(|line| line.weight).sum();
    for line in &mut lines {
        line.weight /= sum;
    }
    lines
}

fn along(colour: &Light, lines: &[Line], shift: (i32, i32)) -> [f32; 3] {
    let mut sum = [0.0f32; 3];
    for line in lines {
        let light = line.light(colour, shift);
        for k in 0..3 {
            sum[k] += line.weight * light[k];
        }
    }
    sum
}

/// The light of (x, y): between the ends of the lines through it, and the grain such a mean has lost, as the same
/// lines lose it where the piece is seen.
fn rebuilt(colour: &Light, plan: &Plan, shifts: &[(i32, i32)], x: i32, y: i32) -> Option<[f32; 3]> {
    let lines = lines(colour, plan, x, y);
    let around = around(plan, x, y);
    if lines.is_empty() {
        return mean(colour, &around, x, y);
    }
    let base = along(colour, &lines, (0, 0));
    let mut best: Option<(f32, (i32, i32))> = None;
    for &(dx, dy) in shifts {
        let here = |p: (i32, i32)| plan.place(p.0 + dx, p.1 + dy) == Place::Source;
        if !here((x, y))
            || !lines
                .iter()
                .all(|line| here(line.ahead) && here(line.behind))
        {
            continue;
        }
        let (mut count, mut sum, mut square) = (0.0f32, [0.0f32; 3], [0.0f32; 3]);
        for &(a, b) in around.iter().filter(|(a, b)| here((x + a, y + b))) {
            let (c, d) = (colour.at(x + a, y + b), colour.at(x + a + dx, y + b + dy));
            let w = weight(a, b);
            count += w;
            for k in 0..3 {
                sum[k] += w * (c[k] - d[k]);
                square[k] += w * (c[k] - d[k]) * (c[k] - d[k]);
            }
        }
        if count > 0.0 {
            let cost: f32 = (0..3)
                .map(|k| square[k] / count - 0.8 * (sum[k] / count) * (sum[k] / count))
                .sum();
            if best.is_none_or(|(least, _)| cost < least) {
                best = Some((cost, (dx, dy)));
            }
        }
    }
    let Some((_, shift)) = best else {
        return Some(base);
    };
    let (there, lost) = (
        colour.at(x + shift.0, y + shift.1),
        along(colour, &lines, shift),
    );
    // Between two grainy ends half the grain is left, and what is lost shows one and a half: so much of it makes it
    // whole again. More than grain is structure that belongs elsewhere.
    let grain = grain(colour, plan, &around, x, y);
    Some(std::array::from_fn(|k| {
        let most = 2.0 * grain[k];
        (base[k] + 0.58 * (there[k] - lost[k]).clamp(-most, most)).max(0.0)
    }))
}

/// The median difference of known pixels around (x, y) from the mean of their own four neighbours, as a standard
/// deviation of single pixels.
fn grain(colour: &Light, plan: &Plan, around: &[(i32, i32)], x: i32, y: i32) -> [f32; 3] {
    let mut off: [Vec<f32>; 3] = Default::default();
    for &(a, b) in around {
        let (x, y) = (x + a, y + b);
        let beside = [(x - 1, y), (x + 1, y), (x, y - 1), (x, y + 1)];
        if beside.iter().all(|p| plan.place(p.0, p.1) == Place::Source) {
            let own = colour.at(x, y);
            let near = beside.map(|p| colour.at(p.0, p.1));
            for k in 0..3 {
                let mean = (near[0][k] + near[1][k] + near[2][k] + near[3][k]) / 4.0;
                off[k].push((own[k] - mean).abs());
            }
        }
    }
    // 1.4826 for a median, and the mean of four has a quarter of the variance.
    off.map(|mut off| {
        off.sort_by(f32::total_cmp);
        off.get(off.len() / 2)
            .map_or(0.0, |v| v * 1.4826 / 1.25f32.sqrt())
    })
}

fn weight(a: i32, b: i32) -> f32 {
    1.0 / (a * a + b * b + 4) as f32
}

/// Known pixels around (x, y), as offsets, nearest first.
fn around(plan: &Plan, x: i32, y: i32) -> Vec<(i32, i32)> {
    let mut reach = plan.deep + 5;
    let mut around = Vec::new();
    for _ in 0..3 {
        let step = ((2 * reach + 1) / 25).max(1);
        around.clear();
        for b in (-reach..=reach).step_by(step as usize) {
            for a in (-reach..=reach).step_by(step as usize) {
                if plan.place(x + a, y + b) == Place::Source {
                    around.push((a, b));
                }
            }
        }
        if around.len() >= 24 {
            break;
        }
        reach *= 2;
    }
    around.sort_by_key(|&(a, b)| (a * a + b * b, b, a));
    around.truncate(COMPARED);
    around
}

fn mean(colour: &Light, around: &[(i32, i32)], x: i32, y: i32) -> Option<[f32; 3]> {
    let (mut sum, mut count) = ([0.0f32; 3], 0.0f32);
    for &(a, b) in around {
        let (w, c) = (weight(a, b), colour.at(x + a, y + b));
        count += w;
        for k in 0..3 {
            sum[k] += w * c[k];
        }
    }
    (count > 0.0).then(|| sum.map(|v| v / count))
}

/// Continues the coverage inside `area` from the outline on both sides of it: each pixel is read along the line, of
/// those through it, whose two ends look most alike.
pub(super) fn closed(matte: &mut Matte, area: &Matte, account: &Account) -> Result<(), OverBudget> {
    let plan = planned(matte.rect(), |_, _| true, area, 1, account)?;
    let seen: &Matte = matte;
    let values: Vec<Option<f32>> = plan
        .lost
        .par_iter()
        .map(|&(x, y)| continued(seen, &plan, x, y))
        .collect();
    for (&(x, y), value) in plan.lost.iter().zip(&values) {
        if let Some(value) = value {
            matte.put(x, y, *value);
        }
    }
    Ok(())
}

/// Half turns of the lines tried: whole steps, so that every machine walks the same pixels.
const LINES: [(i32, i32); 16] = [
    (1, 0),
    (0, 1),
    (1, 1),
    (1, -1),
    (2, 1),
    (1, 2),
    (2, -1),
    (1, -2),
    (3, 1),
    (1, 3),
    (3, -1),
    (1, -3),
    (3, 2),
    (2, 3),
    (3, -2),
    (2, -3),
];

fn continued(matte: &Matte, plan: &Plan, x: i32, y: i32) -> Option<f32> {
    let rect = matte.rect();
    let read = |x: i32, y: i32| {
        if rect.contains(x, y) {
            matte.at(x, y)
        } else {
            0.0
        }
    };
    let lost =
        |x: i32, y: i32| plan.places.rect().contains(x, y) && plan.places.at(x, y) == Place::Lost;
    let most = 4 * plan.deep + 24;
    let mut best: Option<(f32, f32)> = None;
    for (dx, dy) in LINES {
        let long = ((dx * dx + dy * dy) as f32).sqrt();
        let end = |sign: i32| {
            (1..=most / dx.abs().max(dy.abs()))
                .find(|n| !lost(x + sign * n * dx, y + sign * n * dy))
        };
        let (Some(ahead), Some(behind)) = (end(1), end(-1)) else {
            continue;
        };
        let (a, b) = (
            (x + ahead * dx, y + ahead * dy),
            (x - behind * dx, y - behind * dy),
        );
        let mut unlike = 0.0;
        for v in -2..=2 {
            for u in -2..=2 {
                let (p, q) = ((a.0 + u, a.1 + v), (b.0 + u, b.1 + v));
                if !lost(p.0, p.1) && !lost(q.0, q.1) {
                    let d = read(p.0, p.1) - read(q.0, q.1);
                    unlike += d * d;
                }
            }
        }
        let cost = unlike + 0.004 * long * (ahead + behind) as f32;
        if best.is_none_or(|(least, _)| cost < least) {
            let part = behind as f32 / (ahead + behind) as f32;
            let (from, to) = (read(b.0, b.1), read(a.0, a.1));
            best = Some((cost, from + (to - from) * part));
        }
    }
    best.map(|(_, value)| value)
}
