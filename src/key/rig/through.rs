//! A rod seen through a hole that is known already, of which it leaves one side only: the piece may begin at its other
//! side. It is looked for nowhere but beside pixels that are open, so that no stripe of a face is taken for it.

use super::AGAIN;
use super::again::{BENT, BESIDE, FEWEST, ROWS, SET, STEP};
use super::rod::{MISFIT, Rod, off};
use super::strip::Sample;
use crate::raster::Raster;

/// A pixel of the strip behind the joint, where the rod or the set right beside it is seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sight {
    pub x: i32,
    pub y: i32,
    /// What is seen of the set and the rod.
    pub light: [f32; 3],
    /// Coverage of the rod.
    pub covers: f32,
}

/// How strongly the rod may be lit against where it was learnt, and what may be left over then, as a share of squares.
const LIT: (f32, f32) = (0.5, 2.0);
const OTHER: f32 = 0.15;
/// How well that light is known, as a square share.
const SOFT: f32 = 0.01;

/// What is seen of `rod` beside the pixels of `open` that are 255; and on from where it was seen between two strips of
/// the set, as long as the set, which `body` is none of, lies on one side.
pub(super) fn through(rod: &Rod, open: &Raster<u8>, body: &Raster<u8>) -> Vec<Sight> {
    let mut sights = Vec::new();
    let strip = &rod.strip;
    let hole = |p: &Sample| open.rect().contains(p.x, p.y) && open.at(p.x, p.y) == 255;
    let (mut at, mut blind) = (0.0f32, 0);
    let mut run: Vec<Row> = Vec::new();
    let start = rod.reach.last as i32 + 1;
    for s in start..strip.end() {
        let slack = match run.is_empty() {
            true => (BENT.0 + BENT.1 * blind as f32).min(BENT.2),
            false => 2.0 * STEP,
        };
        let next = (s + ROWS <= strip.end() && rod.again_at(s as f32).is_none())
            .then(|| best(rod, &hole, s, (at, slack)))
            .flatten();
        match next {
            Some(row) => {
                (at, blind) = (row.beside, 0);
                run.push(row);
            }
            None => {
                blind += 1;
                // Each row was one of several looked at together.
                if run.len() >= FEWEST as usize {
                    shown(rod, &run, ROWS, &mut sights);
                }
                run.clear();
            }
        }
    }
    if run.len() >= FEWEST as usize {
        shown(rod, &run, ROWS, &mut sights);
    }
    let set = |p: &Sample| {
        let (i, j) = (p.x.div_euclid(2), p.y.div_euclid(2));
        hole(p) || (body.rect().contains(i, j) && body.at(i, j) == 0)
    };
    for seen in &rod.again {
        let mut on = |first: i32, step: i32| {
            let (mut run, mut s): (Vec<Row>, i32) = (Vec::new(), first);
            let mut at = seen.beside(s as f32);
            while s >= start && s + ROWS <= strip.end() {
                let Some(row) = best(rod, &set, s, (at, 2.0 * STEP)) else {
                    break;
                };
                at = row.beside;
                run.push(row);
                s += step;
            }
            if step < 0 {
                run.reverse();
            }
            shown(rod, &run, if step < 0 { 1 } else { ROWS }, &mut sights);
        };
        on(seen.from - 1, -1);
        on(seen.to() - ROWS + 1, 1);
    }
    sights
}

/// A row on which the rod is seen: how far beside its axis, and how strongly lit.
#[derive(Clone, Copy, Debug)]
struct Row {
    s: i32,
    beside: f32,
    share: f32,
}

/// The pixels of a run of rows, the last of which stands for `last` rows, that look like the rod.
fn shown(rod: &Rod, run: &[Row], last: i32, sights: &mut Vec<Sight>) {
    let (Some(first), Some(end)) = (run.first(), run.last()) else {
        return;
    };
    for p in rod.strip.rows(first.s, end.s + last) {
        let row = run[((p.s.floor() as i32 - first.s) as usize).min(run.len() - 1)];
        let u = p.u - row.beside;
        let covers = rod.look.coverage(u);
        let beside = (rod.look.low as f32 - u).max(u - rod.look.high as f32);
        let is_rod = covers > 0.0 && off(&lit(rod, p, u, row.share), p, SOFT) < MISFIT;
        if is_rod || (beside < AGAIN && off(&p.set, p, 0.0025) < MISFIT) {
            sights.push(Sight {
                x: p.x,
                y: p.y,
                light: p.frame,
                covers,
            });
        }
    }
}

/// The rod `u` beside its axis, lit by `share` of what it was.
fn lit(rod: &Rod, p: &Sample, u: f32, share: f32) -> [f32; 3] {
    let gain = 1.0 + (share - 1.0) * rod.look.coverage(u);
    rod.look.light(p.s, u, p.set).map(|v| v * gain)
}

/// Where beside the axis, within `slack` of `at`, the rod is seen on the rows from `s`.
fn best(
    rod: &Rod,
    free: &impl Fn(&Sample) -> bool,
    s: i32,
    (at, slack): (f32, f32),
) -> Option<Row> {
    let steps = (slack / STEP) as i32;
    (-steps..=steps)
        .filter_map(|n| {
            let beside = at + n as f32 * STEP;
            seen(rod, free, s, beside).map(|(left, share)| (left, Row { s, beside, share }))
        })
        .min_by(|(a, x), (b, y)| {
            a.total_cmp(b)
                .then(x.beside.abs().total_cmp(&y.beside.abs()))
        })
        .map(|(_, row)| row)
}

/// What is left unexplained, and the share of light, where one side of the rod is free and it is seen itself.
fn seen(rod: &Rod, free: &impl Fn(&Sample) -> bool, s: i32, beside: f32) -> Option<(f32, f32)> {
    let (low, high) = (rod.look.low as f32, rod.look.high as f32);
    let mut flanks = [(0.0f32, 0.0f32); 2];
    let (mut dot, mut own, mut there, mut apart) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
    let rows = rod.strip.rows(s, s + ROWS);
    for p in rows {
        let u = p.u - beside;
        let out = (low - u).max(u - high);
        if out > BESIDE.0 && out < BESIDE.1 {
            let side = &mut flanks[usize::from(u > high)];
            side.0 += 1.0;
            side.1 += f32::from(u8::from(free(p)));
        }
    }
    if !(flanks.iter()).any(|&(all, set)| all >= 4.0 && set >= SET * all) {
        return None;
    }
    let core = || {
        rows.iter()
            .filter(|p| rod.look.coverage(p.u - beside) > 0.5)
    };
    for p in core() {
        let covers = rod.look.coverage(p.u - beside);
        let light = rod.look.light(p.s, p.u - beside, p.set);
        for k in 0..3 {
            let (more, full) = (p.frame[k] - light[k], covers * light[k]);
            dot += more * full;
            own += full * full;
            there += more * more;
            apart += (light[k] - p.set[k]) * (light[k] - p.set[k]);
        }
    }
    let share = 1.0 + dot / own;
    // Pixel by pixel: a rod has a look, a stripe of a face another.
    let rest = there - dot * dot / own;
    let like = share > LIT.0 && share < LIT.1 && rest < OTHER * apart;
    if !like {
        return None;
    }
    let (mut bare, mut left, mut count) = (0.0f32, 0.0f32, 0.0f32);
    for p in core() {
        bare += off(&p.set, p, 0.0064).min(60.0);
        left += off(&lit(rod, p, p.u - beside, share), p, SOFT).min(60.0);
        count += 1.0;
    }
    (bare > MISFIT * count && left < 0.5 * bare).then_some((left / count, share))
}
