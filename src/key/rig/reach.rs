//! Where a rod is seen: to the piece's edge, but not where something crosses in front of it, and again through the
//! piece's holes.

use super::CARRY;
use super::axis::Axis;
use super::domain::{Cell, Domain};
use super::look::{Look, Rest};
use super::rod::{Flanks, MISFIT, misfit, off};
use super::strip::Strip;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::key::tools::labels::{self, Joined, Part};
use crate::raster::Raster;

pub(super) struct Reach {
    /// First row and column of the table; rows before it are rod throughout.
    start: i32,
    first: i32,
    columns: usize,
    /// Row of the piece's edge for each column; beyond the strip's end when there is no piece.
    joints: Vec<f32>,
    /// How far behind the piece's edge the rod is worth knowing, for each column.
    carries: Vec<f32>,
    /// Whether the rod is seen, row by row.
    seen: Vec<bool>,
    /// The last row on which it is.
    pub last: f32,
}

/// Pixels that the outline seen beside the rod may be off, and on which a rod may look unlike itself before it.
const NEAR: f32 = 4.0;
const SHADED: f32 = 24.0;
/// Misfit, in the usual limit's, under which a piece is hardly told from the rod.
const ALIKE: f32 = 3.0;
/// Pixels under the piece on which the light last seen on the rod holds, and as many on which it fades.
const FADE: f32 = 24.0;
/// Cells of the table under which a misfit, and a sight of the rod behind the piece, is taken for noise.
const FEWEST_BAD: u64 = 5;
const FEWEST_SEEN: u64 = 10;

impl Reach {
    pub fn of(
        domain: &Domain,
        axis: &Axis,
        strip: &Strip,
        look: &Look,
        learnt: i32,
        flanks: &Flanks,
        account: &Account,
    ) -> Result<Reach, OverBudget> {
        let first = look.low.floor() as i32;
        let columns = ((look.high.ceil() as i32) - first).max(1) as usize;
        let start = (learnt - 12).max(strip.first);
        let count = (strip.end() - start).max(0) as usize;
        let (fits, bare) = fits(strip, look, (start, count), (first, columns));
        // As well as where it was learnt.
        let mut usual: Vec<f32> = fits[..(12 * columns).min(fits.len())]
            .iter()
            .flatten()
            .copied()
            .collect();
        usual.sort_by(f32::total_cmp);
        let usual = usual.get(usual.len() * 4 / 5).copied().unwrap_or(1.0);
        let clearly = (1.5 * usual + 0.5).min(0.5 * MISFIT);
        let slack = 6.0f32.max((look.high - look.low) as f32 / 2.0);
        let far = strip.end() as f32 + 64.0;
        // How far a rod of another look than learnt may be taken for itself, while nothing is beside it.
        let trusted = SHADED.max(2.5 * (look.high - look.low) as f32);
        let joints: Vec<Option<f32>> = (0..columns)
            .map(|column| {
                let across = flanks
                    .across(
                        f64::from(first) + column as f64 + 0.5,
                        (look.low, look.high),
                    )
                    .map(|v| v as f32);
                // Beyond the row from which both sides are closed the rod can't be seen beside the piece.
                let limit = match (across, flanks.both()) {
                    (Some(across), Some(both)) => across.max(both as f32) + slack,
                    _ => far,
                };
                let rows = ((limit as i32 - start).max(0) as usize).min(count);
                // The edge lies where what fits before and what doesn't after come to most.
                let (mut sum, mut most, mut edge) = (0.0f32, 0.0f32, 0usize);
                for row in 0..rows {
                    let cell = row * columns + column;
                    if let Some(fit) = fits[cell] {
                        // What the bare set explains as well says nothing.
                        let gain = (MISFIT - fit).min(bare[cell] - fit + 0.5);
                        sum += (gain / MISFIT).clamp(-1.0, 1.0);
                        if sum >= most {
                            (most, edge) = (sum, row + 1);
                        }
                    }
                }
                let seen = (start + edge as i32) as f32;
                match across {
                    // It still fits where it can't be: in front of the piece, or the piece is like it.
                    Some(across) if edge + 2 >= rows && rows < count => Some(across),
                    Some(across) if flanks.sure && seen > across + NEAR && rows < count => {
                        Some(across)
                    }
                    // Nothing but the rod is there until the piece closes around it.
                    Some(across) if flanks.sure && seen < across && seen > across - trusted => {
                        Some(across)
                    }
                    _ if most < 1.0 => None,
                    None if edge + 2 >= count => Some(far),
                    _ => Some(seen),
                }
            })
            .collect();
        let joints = filled(&joints, (start + 12) as f32);
        let joints = middled(&joints);
        let mut reach = Reach {
            start,
            first,
            columns,
            seen: vec![false; count * columns],
            last: 0.0,
            joints,
            carries: Vec::new(),
        };
        reach.last = reach.furthest().min(strip.end() as f32);
        let open = open(domain, axis, strip, look, (start, count));
        reach.carries = reach.carried(&fits, look, flanks.sure);
        let table = Rect::of_size(columns as u32, count as u32);
        let mut bad = Raster::filled(table, 0u8, account)?;
        let mut behind = Raster::filled(table, 0u8, account)?;
        for row in 0..count {
            let s = (start + row as i32) as f32;
            for column in 0..columns {
                let cell = row * columns + column;
                let before = s < reach.joints[column];
                let fit = fits[cell].unwrap_or(0.0);
                let unlike = before
                    && fit > MISFIT
                    && start + row as i32 >= learnt
                    && s < reach.joints[column] - trusted;
                let again = !before
                    && fits[cell].is_some()
                    && fit < clearly
                    && bare[cell] > 2.0 * MISFIT
                    && open[row];
                bad.data_mut()[cell] = u8::from(unlike);
                behind.data_mut()[cell] = u8::from(again);
            }
        }
        for (marks, fewest) in [(&mut bad, FEWEST_BAD), (&mut behind, FEWEST_SEEN)] {
            let large = |part: &Part| part.area >= fewest;
            labels::retained(marks, Joined::SidesAndCorners, large, account)?;
        }
        for row in 0..count {
            let s = (start + row as i32) as f32;
            for column in 0..columns {
                let cell = row * columns + column;
                let (bad, behind) = (bad.data()[cell] != 0, behind.data()[cell] != 0);
                reach.seen[cell] = behind || (s < reach.joints[column] && !bad);
                if behind {
                    reach.last = reach.last.max(s + 1.0);
                }
            }
        }
        Ok(reach)
    }

    /// What is seen of the rod beyond its look, near the joint; under the piece the last of it goes on and fades.
    pub fn rest(&self, strip: &Strip, look: &Look) -> Option<Rest> {
        let rows = self.seen.len() / self.columns;
        let mut sums = vec![([0.0f32; 3], 0.0f32); self.seen.len()];
        for p in strip.rows(self.start, strip.end()) {
            let (row, column) = ((p.s.floor() as i32 - self.start) as usize, self.column(p.u));
            let cell = row * self.columns + column;
            if row >= rows || !self.seen[cell] || p.s > self.joints[column] - 1.0 {
                continue;
            }
            let light = look.light(p.s, p.u, p.set);
            for k in 0..3 {
                sums[cell].0[k] += p.frame[k] - light[k];
            }
            sums[cell].1 += 1.0;
        }
        let mut light = vec![[0.0f32; 3]; sums.len()];
        for column in 0..self.columns {
            let mut last = [0.0f32; 3];
            for row in 0..rows {
                let s = (self.start + row as i32) as f32;
                let cell = row * self.columns + column;
                let past = s - self.joints[column];
                if past > 1.0 {
                    let fade = (1.0 - (past - FADE) / FADE).clamp(0.0, 1.0);
                    light[cell] = last.map(|v| v * fade);
                    continue;
                }
                let (mut sum, mut weight) = ([0.0f32; 3], 0.0f32);
                for near in row.saturating_sub(3)..(row + 4).min(rows) {
                    let (of, count) = sums[near * self.columns + column];
                    let w = 1.0 / (2.0 + near.abs_diff(row) as f32);
                    weight += w * count;
                    for k in 0..3 {
                        sum[k] += w * of[k];
                    }
                }
                // Begins softly, so that no step is seen.
                let begin = (row as f32 / 8.0).min(1.0);
                if weight > 0.0 {
                    last = sum.map(|v| v / (weight + 0.3));
                    light[cell] = last.map(|v| v * begin);
                } else {
                    light[cell] = last.map(|v| v * begin);
                }
            }
        }
        Some(Rest {
            start: self.start,
            first: self.first,
            columns: self.columns,
            light,
        })
    }

    /// The width of the piece's band of mixed pixels: the rod is as much in focus where it meets the piece. More
    /// is taken where the edge is not well known, less where the piece looks like the rod.
    fn carried(&self, fits: &[Option<f32>], look: &Look, sure: bool) -> Vec<f32> {
        let soft = look.softness();
        (0..self.columns)
            .map(|column| {
                let edge = (self.joints[column] as i32 - self.start).max(0) as usize;
                let near = (edge + 2..edge + 6)
                    .filter_map(|row| fits.get(row * self.columns + column).copied().flatten());
                let (sum, count) = near.fold((0.0f32, 0.0f32), |s, fit| (s.0 + fit, s.1 + 1.0));
                let alike = count > 0.0 && sum < ALIKE * MISFIT * count;
                if alike {
                    soft
                } else if sure {
                    (0.5 + 1.5 * soft).min(CARRY)
                } else {
                    (4.0 + 4.0 * soft).min(CARRY)
                }
            })
            .collect()
    }

    /// How far behind the piece's edge the rod is known at `u`, in pixels.
    pub fn carry(&self, u: f32) -> f32 {
        self.carries[self.column(u)]
    }

    fn column(&self, u: f32) -> usize {
        (u.floor() as i32 - self.first).clamp(0, self.columns as i32 - 1) as usize
    }

    /// Row of the piece's edge.
    pub fn joint(&self, u: f32) -> f32 {
        self.joints[self.column(u)]
    }

    /// The row on which the last of its columns comes to the piece.
    pub fn furthest(&self) -> f32 {
        self.joints
            .iter()
            .copied()
            .fold(f32::NEG_INFINITY, f32::max)
    }

    /// The row on which the first of its columns does.
    pub fn nearest(&self) -> f32 {
        self.joints.iter().copied().fold(f32::INFINITY, f32::min)
    }

    /// How much of the rod is seen at (s, u), 0..1: all or nothing but for the joint's own pixel.
    pub fn seen(&self, s: f32, u: f32) -> f32 {
        let row = s.floor() as i32 - self.start;
        if row < 0 {
            return 1.0;
        }
        let cell = row as usize * self.columns + self.column(u);
        if self.seen.get(cell).copied().unwrap_or(false) {
            return 1.0;
        }
        (self.joint(u) - s + 0.5).clamp(0.0, 0.5)
    }
}

/// Rows beside which the set is seen, by the mask or by the pixels themselves.
fn open(
    domain: &Domain,
    axis: &Axis,
    strip: &Strip,
    look: &Look,
    (start, count): (i32, usize),
) -> Vec<bool> {
    let mut beside = vec![[(0u32, 0u32); 2]; count];
    for p in strip.rows(start, strip.end()) {
        let u = f64::from(p.u);
        let (left, right) = (look.low - u, u - look.high);
        let side = usize::from(right > 0.0);
        if (0.5..4.0).contains(&left.max(right)) {
            let row = ((p.s.floor() as i32 - start).max(0) as usize).min(count - 1);
            beside[row][side].0 += 1;
            beside[row][side].1 += u32::from(off(&p.set, p, 0.0025) < 0.5 * MISFIT);
        }
    }
    (0..count)
        .map(|row| {
            let s = f64::from(start + row as i32) + 0.5;
            let by_mask = [look.low - 1.0, look.high + 1.0].iter().any(|u| {
                let (x, y) = axis.point(s, *u);
                domain.under(x, y) == Cell::Background
            });
            by_mask || beside[row].iter().all(|(all, set)| set * 4 > all * 3)
        })
        .collect()
}

/// Smoothed misfit of each cell of the table, none where the rod does not cover; and that of the bare set.
fn fits(
    strip: &Strip,
    look: &Look,
    (start, count): (i32, usize),
    (first, columns): (i32, usize),
) -> (Vec<Option<f32>>, Vec<f32>) {
    let mut sums = vec![(0.0f32, 0.0f32, 0.0f32); count * columns];
    for p in strip.rows(start, strip.end()) {
        let c = p.u.floor() as i32 - first;
        if c < 0 || c >= columns as i32 || look.coverage(p.u) < 0.4 {
            continue;
        }
        let row = ((p.s.floor() as i32 - start).max(0) as usize).min(count - 1);
        let cell = &mut sums[row * columns + c as usize];
        cell.0 += misfit(look, p).min(60.0);
        cell.1 += 1.0;
        cell.2 += off(&p.set, p, 0.0064).min(60.0);
    }
    let around = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
    (0..count * columns)
        .map(|cell| {
            let (mut sum, mut weight, mut bare) = (0.0, 0.0, 0.0);
            for r in around(cell / columns, count) {
                for c in around(cell % columns, columns) {
                    sum += sums[r * columns + c].0;
                    weight += sums[r * columns + c].1;
                    bare += sums[r * columns + c].2;
                }
            }
            let some = weight > 0.0;
            (
                some.then(|| sum / weight),
                if some { bare / weight } else { 0.0 },
            )
        })
        .unzip()
}

/// Columns that say nothing take the middle of what the three nearest say: the last that does may be off by itself.
fn filled(joints: &[Option<f32>], without: f32) -> Vec<f32> {
    let known: Vec<(usize, f32)> = (joints.iter().enumerate())
        .filter_map(|(n, row)| row.map(|row| (n, row)))
        .collect();
    (0..joints.len())
        .map(|k| {
            if let Some(row) = joints[k] {
                return row;
            }
            let mut near = known.clone();
            near.sort_by_key(|(n, _)| n.abs_diff(k));
            near.truncate(3);
            near.sort_by(|a, b| a.1.total_cmp(&b.1));
            near.get(near.len() / 2).map_or(without, |(_, row)| *row)
        })
        .collect()
}

/// The median of five neighbours: the outline of a piece does not jump from column to column.
fn middled(rows: &[f32]) -> Vec<f32> {
    (0..rows.len())
        .map(|k| {
            let mut near: Vec<f32> = rows[k.saturating_sub(2)..(k + 3).min(rows.len())].to_vec();
            near.sort_by(f32::total_cmp);
            near[near.len() / 2]
        })
        .collect()
}
