//! A rod seen through a hole that is known already, of which it leaves one side only: the piece may begin at its other
//! side. It is looked for nowhere but beside pixels that are open, and on from where it was seen between two strips of
//! the set, so that no stripe of a face is taken for it.

use super::AGAIN;
use super::again::{Again, BESIDE, FEWEST, NEXT, ROWS, SET, bent, best};
use super::look::tint;
use super::rod::{MISFIT, Rod, off};
use super::strip::Sample;
use crate::key::holes::is_open;
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
/// The same next to rows on which it was seen again: they leave grain, and no other light.
const GRAIN: f32 = 0.7;
/// A twisted wire has no two rows alike: where one in four of so many rows on which a rod hangs alone, before the joint,
/// would not pass for it, this much may be left over.
const ALONE: i32 = 120;
const UNEVEN: f32 = 3.0;
/// How far off a pixel of such a wire may be in tint, in shares of the sum of its channels.
const TINT: f32 = 0.04;
/// How well that light is known, as a square share: as learnt, and as seen last.
const SOFT: (f32, f32) = (0.01, 0.03);

/// What is seen of `rod` beside what is `open`; and on from where it was seen again, as long as the set, which `body` is
/// none of, lies on one side.
pub(super) fn through(rod: &Rod, open: &Raster<u8>, body: &Raster<u8>) -> Vec<Sight> {
    let hole = |p: &Sample| is_open(open, p.x, p.y);
    let twisted = is_twisted(rod);
    let look = |p: &Sample, u: f32| rod.look.light(p.s, u, p.set);
    let learnt = Like {
        rod,
        twisted,
        most: if twisted { UNEVEN } else { OTHER },
        soft: SOFT.0,
        light: &look,
    };
    let mut sights = beside_holes(&learnt, &hole);
    let set = |p: &Sample| {
        let (i, j) = (p.x.div_euclid(2), p.y.div_euclid(2));
        hole(p) || (body.rect().contains(i, j) && body.at(i, j) == 0)
    };
    for seen in &rod.again {
        for (first, step, last) in [(seen.from - 1, -1, 1), (seen.to() - ROWS + 1, 1, ROWS)] {
            // Beside the piece it is lit by that as well: as it was seen last, if that leads further.
            let near = Near::of(rod, seen, step);
            let light = |p: &Sample, u: f32| near.at(u).unwrap_or_else(|| look(p, u));
            let as_last = Like {
                light: &light,
                most: learnt.most.max(GRAIN),
                soft: SOFT.1,
                ..learnt
            };
            let led = |like| on_from(like, &set, seen, (first, step));
            let (mut like, mut rows) = (&learnt, led(&learnt));
            if seen.to() - seen.from >= LONG {
                let other = led(&as_last);
                if other.len() > rows.len() {
                    (like, rows) = (&as_last, other);
                }
            }
            if step < 0 {
                rows.reverse();
            }
            shown(like, &rows, last, &mut sights);
        }
    }
    sights
}

/// What a rod is compared with: its light at a place, `u` beside its axis.
#[derive(Clone, Copy)]
struct Like<'a> {
    rod: &'a Rod,
    twisted: bool,
    /// What may be left over, as a share of squares, and how well the light of a pixel is known, as a square share.
    most: f32,
    soft: f32,
    light: &'a dyn Fn(&Sample, f32) -> [f32; 3],
}

impl Like<'_> {
    /// The rod, lit by `share` of what it was.
    fn lit(&self, p: &Sample, u: f32, share: f32) -> [f32; 3] {
        let gain = 1.0 + (share - 1.0) * self.rod.look.coverage(u);
        (self.light)(p, u).map(|v| v * gain)
    }
}

/// Rows of a rod seen again that say how it looks next to them, and fewest in all that do.
const LAST: i32 = 16;
const LONG: i32 = 30;

/// The mean light across a rod on the first or the last rows on which it was seen again.
struct Near {
    first: f32,
    columns: Vec<([f32; 3], f32)>,
}

impl Near {
    fn of(rod: &Rod, seen: &Again, step: i32) -> Near {
        let first = (rod.look.low as f32).floor();
        let count = (rod.look.high as f32 - first).ceil().max(1.0) as usize;
        let mut columns = vec![([0.0f32; 3], 0.0f32); count];
        let (from, to) = match step < 0 {
            true => (seen.from, seen.to().min(seen.from + LAST)),
            false => (seen.from.max(seen.to() - LAST), seen.to()),
        };
        for p in rod.strip.rows(from, to) {
            let column = p.u - seen.beside(p.s) - first;
            if column >= 0.0 && (column as usize) < count {
                let (sum, all) = &mut columns[column as usize];
                *all += 1.0;
                for (sum, v) in sum.iter_mut().zip(p.frame) {
                    *sum += v;
                }
            }
        }
        Near { first, columns }
    }

    fn at(&self, u: f32) -> Option<[f32; 3]> {
        let column = u - self.first;
        let known = (column >= 0.0).then(|| self.columns.get(column as usize));
        let (sum, all) = known.flatten().filter(|(_, all)| *all > 0.0)?;
        Some(sum.map(|v| v / all))
    }
}

/// The first row behind the joint.
fn start(rod: &Rod) -> i32 {
    rod.reach.furthest() as i32 + 1
}

/// Runs of rows on which the rod lies beside a `hole`.
fn beside_holes(like: &Like, hole: &impl Fn(&Sample) -> bool) -> Vec<Sight> {
    let rod = like.rod;
    let mut sights = Vec::new();
    let (mut at, mut blind) = (0.0f32, 0);
    let mut run: Vec<Row> = Vec::new();
    // The last row sees nothing, and ends a run.
    for s in start(rod)..rod.strip.end() {
        let slack = run.last().map_or(bent(blind), |_| NEXT);
        let next = rod
            .again_at(s as f32)
            .is_none()
            .then(|| row(like, hole, s, (at, slack)))
            .flatten();
        match next {
            Some(row) => {
                (at, blind) = (row.beside, 0);
                run.push(row);
            }
            None => {
                blind += 1;
                if run.len() >= FEWEST as usize {
                    // Each row was one of several looked at together.
                    shown(like, &run, ROWS, &mut sights);
                }
                run.clear();
            }
        }
    }
    sights
}

/// Rows from `first` on, by `step`, on which the rod lies beside the `set`.
fn on_from(
    like: &Like,
    set: &impl Fn(&Sample) -> bool,
    seen: &Again,
    (first, step): (i32, i32),
) -> Vec<Row> {
    let (mut at, mut s) = (seen.beside(first as f32), first);
    let mut run = Vec::new();
    while s >= start(like.rod)
        && let Some(row) = row(like, set, s, (at, NEXT))
    {
        at = row.beside;
        run.push(row);
        s += step;
    }
    run
}

/// A row on which the rod is seen: how far beside its axis, and how strongly lit.
#[derive(Clone, Copy, Debug)]
struct Row {
    s: i32,
    beside: f32,
    share: f32,
}

/// The pixels of a run of rows, the last of which stands for `last` rows, that look like the rod.
fn shown(like: &Like, run: &[Row], last: i32, sights: &mut Vec<Sight>) {
    let (rod, twisted) = (like.rod, like.twisted);
    let (Some(first), Some(end)) = (run.first(), run.last()) else {
        return;
    };
    let last = if twisted { 1 } else { last };
    for p in rod.strip.rows(first.s, end.s + last) {
        let row = run[((p.s.floor() as i32 - first.s) as usize).min(run.len() - 1)];
        let u = p.u - row.beside;
        let covers = rod.look.coverage(u);
        let beside = (rod.look.low as f32 - u).max(u - rod.look.high as f32);
        let fits = |light: [f32; 3]| match twisted {
            // Light and dark of an uneven rod say little; its tint does.
            true => between(p.frame, light, p.set),
            false => off(&light, p, like.soft) < MISFIT,
        };
        let is_rod = covers > 0.0 && fits(like.lit(p, u, row.share));
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

/// Whether a colour's tint lies within `TINT` of those from one colour's to another's.
fn between(seen: [f32; 3], one: [f32; 3], other: [f32; 3]) -> bool {
    let (seen, one, other) = (tint(seen), tint(one), tint(other));
    let way: [f32; 3] = std::array::from_fn(|k| other[k] - one[k]);
    let dot = |a: [f32; 3], b: [f32; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    let from = |at: f32| -> [f32; 3] { std::array::from_fn(|k| seen[k] - one[k] - at * way[k]) };
    let left = from((dot(from(0.0), way) / dot(way, way).max(1e-9)).clamp(0.0, 1.0));
    dot(left, left) < TINT * TINT
}

/// Where beside the axis, within `slack` of `at`, the rod is seen on the rows from `s`.
fn row(
    like: &Like,
    free: &impl Fn(&Sample) -> bool,
    s: i32,
    (at, slack): (f32, f32),
) -> Option<Row> {
    if s + ROWS > like.rod.strip.end() {
        return None;
    }
    best((at, slack), |beside| seen(like, free, s, beside)).map(|(beside, share)| Row {
        s,
        beside,
        share,
    })
}

/// What is left unexplained, and the share of light, where one side of the rod is free and it is seen itself.
fn seen(like: &Like, free: &impl Fn(&Sample) -> bool, s: i32, beside: f32) -> Option<(f32, f32)> {
    let (rod, twisted) = (like.rod, like.twisted);
    let (low, high) = (rod.look.low as f32, rod.look.high as f32);
    let mut flanks = [(0.0f32, 0.0f32); 2];
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
    let (share, rest) = likeness(like, rows, beside);
    let alike = share > LIT.0 && share < LIT.1 && rest < like.most;
    if !alike {
        return None;
    }
    let core = (rows.iter()).filter(|p| rod.look.coverage(p.u - beside) > 0.5);
    let (mut bare, mut left, mut count) = (0.0f32, 0.0f32, 0.0f32);
    for p in core {
        bare += off(&p.set, p, 0.0064).min(60.0);
        left += off(&like.lit(p, p.u - beside, share), p, like.soft).min(60.0);
        count += 1.0;
    }
    let better = twisted || left < 0.5 * bare;
    (bare > MISFIT * count && better).then_some((left / count, share))
}

/// How strongly the rod is lit on some rows against its look, and what that leaves over of them pixel by pixel, as a share
/// of the square by which it stands out from the set: a rod has a look, a stripe of a face another.
fn likeness(like: &Like, rows: &[Sample], beside: f32) -> (f32, f32) {
    let (mut dot, mut own, mut there, mut apart) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
    for p in rows {
        let covers = like.rod.look.coverage(p.u - beside);
        if covers <= 0.5 {
            continue;
        }
        let light = (like.light)(p, p.u - beside);
        for k in 0..3 {
            let (more, full) = (p.frame[k] - light[k], covers * light[k]);
            dot += more * full;
            own += full * full;
            there += more * more;
            apart += (light[k] - p.set[k]) * (light[k] - p.set[k]);
        }
    }
    (1.0 + dot / own, (there - dot * dot / own) / apart)
}

/// Whether a rod's own rows, where it hangs alone, are too unlike each other to pass for it.
pub(super) fn is_twisted(rod: &Rod) -> bool {
    let look = |p: &Sample, u: f32| rod.look.light(p.s, u, p.set);
    let like = Like {
        rod,
        twisted: false,
        most: OTHER,
        soft: SOFT.0,
        light: &look,
    };
    let last = rod.reach.nearest() as i32;
    let first = (last - ALONE).max(rod.strip.first);
    let mut all: Vec<f32> = (first..last - ROWS)
        .map(|s| likeness(&like, rod.strip.rows(s, s + ROWS), 0.0).1)
        .filter(|rest| rest.is_finite())
        .collect();
    all.sort_by(f32::total_cmp);
    all.get(all.len() * 3 / 4).is_some_and(|&rest| rest > OTHER)
}
