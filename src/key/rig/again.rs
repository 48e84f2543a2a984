//! A rod seen again behind the joint, through a hole of the piece: a thin thing in line with it, as wide and about as
//! bright, with the set on both sides; or with the set on one side and the hole's rim on the other, and just as bright.

use super::look::Look;
use super::rod::{MISFIT, off};
use super::strip::{Sample, Strip};

/// Rows looked at together, and fewest in a run.
const ROWS: i32 = 4;
const FEWEST: i32 = 6;
/// Pixels beside the rod that must show the set, and their share.
const BESIDE: (f32, f32) = (0.5, 4.0);
const SET: f32 = 0.75;
/// How far the rod may have bent away by the first row behind the joint, per row that nothing was seen, and at most.
const BENT: (f32, f32, f32) = (1.0, 0.05, 3.0);
const STEP: f32 = 0.25;
/// How strongly the rod may be lit against where it was learnt, and what may be left over, as a share.
const LIT: (f32, f32) = (0.5, 1.7);
const OTHER: f32 = 0.5;
/// Share of the rod that must look as learnt where the set is on one side of it only.
const FITS: f32 = 0.5;

/// Rows on which it is seen again, each with how far beside the axis.
#[derive(Clone, Debug)]
pub(super) struct Again {
    pub from: i32,
    rows: Vec<Row>,
}

#[derive(Clone, Copy, Debug)]
struct Row {
    beside: f32,
    /// Its light against where it was learnt, if the piece is on one side of it and may hide some of it.
    shut: Option<f32>,
}

impl Again {
    pub fn to(&self) -> i32 {
        self.from + self.rows.len() as i32
    }

    /// Offset on the row of `s`; its first and last hold on.
    pub fn beside(&self, s: f32) -> f32 {
        self.row(s).beside
    }

    /// Whether the piece hides what it shows of a sample, `u` across the rod: it looks neither like the rod nor the set.
    pub fn hides(&self, look: &Look, p: &Sample, u: f32) -> bool {
        self.row(p.s).shut.is_some_and(|share| {
            let light = lit(look, p, u, share);
            off(&light, p, 0.0064) >= MISFIT && off(&p.set, p, 0.0064) >= MISFIT
        })
    }

    fn row(&self, s: f32) -> Row {
        let row = (s.floor() as i32 - self.from).clamp(0, self.rows.len() as i32 - 1);
        self.rows[row as usize]
    }

    /// Whether the row of `s` is one of these.
    pub fn holds(&self, s: f32) -> bool {
        (self.from..self.to()).contains(&(s.floor() as i32))
    }
}

/// Runs of rows behind `joint`.
pub(super) fn again(strip: &Strip, look: &Look, joint: i32) -> Vec<Again> {
    let mut runs: Vec<Again> = Vec::new();
    let (mut at, mut blind) = (0.0f32, 0);
    let mut open: Option<Again> = None;
    for s in joint + 1..strip.end() - ROWS {
        let slack = (BENT.0 + BENT.1 * blind as f32).min(BENT.2);
        let slack = if open.is_some() { 2.0 * STEP } else { slack };
        match best(strip, look, s, (at, slack)) {
            Some(row) => {
                (at, blind) = (row.beside, 0);
                let new = Again {
                    from: s,
                    rows: Vec::new(),
                };
                open.get_or_insert(new).rows.push(row);
            }
            None => {
                blind += 1;
                runs.extend(open.take());
            }
        }
    }
    runs.extend(open);
    for run in &mut runs {
        // Each row was one of several looked at together.
        let last = run.rows[run.rows.len() - 1];
        run.rows.extend([last; ROWS as usize - 1]);
    }
    runs.retain(|run| run.rows.len() as i32 >= FEWEST + ROWS - 1);
    runs
}

/// Where beside the axis the rod is seen on the rows from `s`, within `slack` of `at`.
fn best(strip: &Strip, look: &Look, s: i32, (at, slack): (f32, f32)) -> Option<Row> {
    let steps = (slack / STEP) as i32;
    (-steps..=steps)
        .filter_map(|n| {
            let beside = at + n as f32 * STEP;
            seen(strip, look, s, beside).map(|(left, shut)| (left, Row { beside, shut }))
        })
        .min_by(|a, b| {
            let near = a.1.beside.abs().total_cmp(&b.1.beside.abs());
            a.0.total_cmp(&b.0).then(near)
        })
        .map(|(_, row)| row)
}

/// What the look leaves unexplained at an offset where a rod is seen, and its light if the piece is on one side of it.
fn seen(strip: &Strip, look: &Look, s: i32, beside: f32) -> Option<(f32, Option<f32>)> {
    let (low, high) = (look.low as f32, look.high as f32);
    let mut flanks = [(0.0f32, 0.0f32); 2];
    let (mut there, mut hoped) = ([0.0f32; 3], [0.0f32; 3]);
    let (mut bare, mut left, mut count) = (0.0f32, 0.0f32, 0.0f32);
    for p in strip.rows(s, s + ROWS) {
        let u = p.u - beside;
        let out = (low - u).max(u - high);
        if out > BESIDE.0 && out < BESIDE.1 {
            let side = &mut flanks[usize::from(u > high)];
            side.0 += 1.0;
            side.1 += f32::from(u8::from(off(&p.set, p, 0.0025) < MISFIT));
        } else if look.coverage(u) > 0.5 {
            let light = look.light(p.s, u, p.set);
            for k in 0..3 {
                there[k] += p.frame[k] - p.set[k];
                hoped[k] += light[k] - p.set[k];
            }
            bare += off(&p.set, p, 0.0064).min(60.0);
            left += off(&light, p, 0.0064).min(60.0);
            count += 1.0;
        }
    }
    if count == 0.0 || bare < MISFIT * count {
        return None;
    }
    let open = flanks.map(|(all, set)| all >= 4.0 && set >= SET * all);
    match open {
        [true, true] => {}
        [false, false] => return None,
        [left_open, _] => return half_seen(strip, look, s, beside, left_open),
    }
    let dot = |a: [f32; 3], b: [f32; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    let whole = dot(hoped, hoped);
    let share = dot(there, hoped) / whole;
    let rest: [f32; 3] = std::array::from_fn(|k| there[k] - share * hoped[k]);
    let like = share > LIT.0 && share < LIT.1 && dot(rest, rest) < OTHER * OTHER * whole;
    like.then_some((left / count, None))
}

/// The same where the set is on one side only: the rod's light is learnt on that side of it, and must hold for most of
/// the rest.
fn half_seen(
    strip: &Strip,
    look: &Look,
    s: i32,
    beside: f32,
    left_open: bool,
) -> Option<(f32, Option<f32>)> {
    let middle = 0.5 * (look.low + look.high) as f32;
    let covered = || {
        let rows = strip.rows(s, s + ROWS).iter();
        rows.map(|p| (p, p.u - beside))
            .filter(|&(_, u)| look.coverage(u) > 0.5)
    };
    let (mut cross, mut square) = (0.0f32, 0.0f32);
    for (p, u) in covered().filter(|&(_, u)| (u < middle) == left_open) {
        let light = look.light(p.s, u, p.set);
        for k in 0..3 {
            let hoped = light[k] - p.set[k];
            cross += hoped * (p.frame[k] - p.set[k]);
            square += hoped * hoped;
        }
    }
    let share = cross / square;
    if !(share > LIT.0 && share < LIT.1) {
        return None;
    }
    let (mut left, mut fit, mut count) = (0.0f32, 0.0f32, 0.0f32);
    for (p, u) in covered() {
        let off = off(&lit(look, p, u, share), p, 0.0064);
        left += off.min(60.0);
        fit += f32::from(u8::from(off < MISFIT));
        count += 1.0;
    }
    (fit > FITS * count).then_some((left / count, Some(share)))
}

/// The rod's light on a sample, `u` across it, with a `share` of its usual difference from the set.
fn lit(look: &Look, p: &Sample, u: f32, share: f32) -> [f32; 3] {
    let light = look.light(p.s, u, p.set);
    std::array::from_fn(|k| p.set[k] + share * (light[k] - p.set[k]))
}
