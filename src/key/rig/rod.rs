//! One rod: its axis bettered by its own look, and followed to where the piece begins.

use super::again::{Again, again};
use super::axis::{Axis, Stop};
use super::beside::Beside;
use super::crossing::crossing;
use super::domain::{Cell, Domain};
use super::fits::{fits_to, goes_on};
use super::look::Look;
use super::reach::Reach;
use super::strip::{Sample, Strip};
use super::trail::Trail;
use crate::budget::{Account, OverBudget};
use crate::key::Ask;
use crate::key::ground::{Ground, Line};

pub(super) struct Rod {
    pub axis: Axis,
    pub look: Look,
    pub strip: Strip,
    /// Half the width of its mask, in pixels.
    pub half: f64,
    pub reach: Reach,
    /// The row to which its look was learnt.
    learnt: i32,
    /// Rows on which it crosses the piece's face.
    pub crossing: Option<(f32, f32)>,
    /// Rows behind the joint on which it is seen again.
    pub again: Vec<Again>,
    /// Rows from which the mask is closed right beside the rod, left and right.
    pub closed: [Option<i32>; 2],
    /// Thin parts of the piece beside it, before that.
    pub beside: Beside,
}

impl Rod {
    /// The last row on which it is seen, beside the piece or over it.
    pub fn end(&self) -> f32 {
        let beside = (self.again.iter())
            .map(|run| run.to() as f32)
            .fold(self.reach.last, f32::max);
        self.crossing.map_or(beside, |(_, end)| end.max(beside))
    }

    /// How far its middle lies off the line between its ends where it is seen beside the piece, as a share of that.
    pub fn bow(&self) -> f64 {
        let (first, last) = (f64::from(self.strip.first), f64::from(self.reach.nearest()));
        let [a, m, b] = [first, 0.5 * (first + last), last].map(|s| self.axis.point(s, 0.0));
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let square = dx * dx + dy * dy;
        let off = (m.0 - a.0) * dy - (m.1 - a.1) * dx;
        off.abs() / square.max(1.0)
    }

    /// As much of a trail as the rod lies on, where its look misfits at the end of it.
    fn as_far_as_it_fits(&self, trail: &Trail) -> Option<Trail> {
        let learnt = (self.strip.first, self.learnt);
        let fits = fits_to(&self.strip, &self.look, learnt);
        if fits >= self.learnt {
            return None;
        }
        let on = |&(x, y): &(f64, f64)| self.axis.place(x, y).0 < f64::from(fits);
        let points: Vec<(f64, f64)> = trail.points.iter().copied().take_while(on).collect();
        (points.len() > 1).then_some(Trail { points, ..*trail })
    }

    /// Where it runs, from `beyond` pixels outside the frame to the piece.
    pub fn line(&self, beyond: u32) -> Line {
        let halved = |(x, y): (f64, f64)| (x / 2.0, y / 2.0);
        let (first, end) = (f64::from(self.strip.first), f64::from(self.end()));
        let begins = self.axis.point(first, 0.0);
        let next = self.axis.point(first + 1.0, 0.0);
        let beyond = f64::from(beyond);
        // Straight on outside: no bend was seen there.
        let outside = (
            begins.0 - beyond * (next.0 - begins.0),
            begins.1 - beyond * (next.1 - begins.1),
        );
        let mut points = vec![halved(outside)];
        let rows = (self.strip.first..).step_by(LINE);
        let rows = rows.map(f64::from).take_while(|s| *s < end);
        points.extend(rows.map(|s| halved(self.axis.point(s, 0.0))));
        points.push(halved(self.axis.point(end.max(first), 0.0)));
        let (low, high) = (self.look.low, self.look.high);
        Line {
            points,
            half: ((high - low) / 4.0).max(0.1),
        }
    }

    /// The rows on which it is seen again that `s` is of, or next to.
    pub fn again_at(&self, s: f32) -> Option<&Again> {
        let soft = 1.0 + self.look.softness();
        (self.again.iter()).find(|run| s >= run.from as f32 - soft && s < run.to() as f32 + soft)
    }
}

/// Pixels beside the mask of a rod that its strip takes in, and where its flanks are watched.
const MARGIN: f64 = 9.0;
const FLANK: [f64; 3] = [4.0, 9.0, 14.0];
/// Most looks at a rod, each with a better axis; the last ones only where more of it came to be seen.
const ROUNDS: usize = 6;
/// Most steps along a bend in one look.
const STEPS: usize = 24;
/// Rows in a block of the axis' refinement.
pub(super) const BLOCK: i32 = 24;
/// Rows from one point of its line to the next.
const LINE: usize = 16;
/// Mean square of the misfit in standard deviations from which a row shows something else.
pub(super) const MISFIT: f32 = 6.0;

/// Follows the rod that `trail` begins; `None` when it can't be told from the set or is not straight.
pub(super) fn followed(
    ask: &Ask,
    ground: &Ground,
    domain: &Domain,
    trail: &Trail,
    account: &Account,
) -> Result<Option<Rod>, OverBudget> {
    let rod = once(ask, ground, domain, trail, account)?;
    // A hair may lead the mask's end off the rod, and the axis with it.
    let Some(less) = rod.as_ref().and_then(|rod| rod.as_far_as_it_fits(trail)) else {
        return Ok(rod);
    };
    let again = once(ask, ground, domain, &less, account)?;
    let further =
        |again: &Rod| (rod.as_ref()).is_none_or(|rod| again.reach.nearest() > rod.reach.nearest());
    Ok(again.filter(further).or(rod))
}

/// The same without another try.
fn once(
    ask: &Ask,
    ground: &Ground,
    domain: &Domain,
    trail: &Trail,
    account: &Account,
) -> Result<Option<Rod>, OverBudget> {
    let half = trail.width / 2.0;
    let reach = half + MARGIN;
    let stops: Vec<Stop> = trail
        .points
        .iter()
        .map(|&(x, y)| Stop { x, y, weight: 1.0 })
        .collect();
    let Some(mut axis) = Axis::through(&stops) else {
        return Ok(None);
    };
    let tip = trail.points[trail.points.len() - 1];
    // How far the rod is known, where no look at the mask's flanks is needed any more.
    let mut sure = 0;
    let mut known = 0;
    for round in 0..ROUNDS {
        let (from, to) = extent(ask, &axis, reach);
        let flanks = Flanks::seen(domain, &axis, half, to);
        let wall = flanks.wall(from, to).max(sure) - 4;
        // The mask's own end first; then as far as the look goes on.
        let tip = axis.place(tip.0, tip.1).0 as i32;
        let mut end = tip.max(known).min(wall).max(from + 8).min(to);
        let last = round + 1 == ROUNDS;
        let needed = if round < 3 { (end + 400).min(to) } else { to };
        let mut strip = Strip::along(ask, ground, &axis, (from, needed), reach, account)?;
        let Some(mut look) = Look::learnt(&strip, (from, end), reach, half) else {
            return Ok(None);
        };
        if round > 0 && axis.is_bent() {
            // A bend is known only as far as it was seen: step by step.
            for _ in 0..STEPS {
                let further = goes_on(&strip, &look, end, wall.min(end + 2 * BLOCK));
                if further <= end + 4 {
                    break;
                }
                end = further;
                let Some(better) = bettered(&strip, &look, &axis, (from, end)) else {
                    return Ok(None);
                };
                axis = better;
                strip = Strip::along(ask, ground, &axis, (from, needed), reach, account)?;
                let Some(more) = Look::learnt(&strip, (from, end), reach, half) else {
                    return Ok(None);
                };
                look = more;
                known = end;
            }
        } else if round > 0 {
            let further = goes_on(&strip, &look, end, wall);
            if further > end + 4 {
                end = further;
                known = end;
                let Some(more) = Look::learnt(&strip, (from, end), reach, half) else {
                    return Ok(None);
                };
                look = more;
            }
        }
        if round >= 3 {
            look.drift = (strip.first, drift(&strip, &look));
            let flanks = flanks.checked(&strip, &look);
            let seen = Reach::of(domain, &axis, &strip, &look, end, &flanks, account)?;
            // Between flanks that show the set there is nothing but the rod, however it looks.
            let nearest = match flanks.open_to() {
                Some(row) => (seen.nearest() as i32).max(row).min(to),
                None => (seen.nearest() as i32).min(to),
            };
            if last || nearest < end + 24 {
                let closed = flanks.near;
                let crossing = crossing(&strip, &look, &seen, flanks.both());
                let again = again(&strip, &look, seen.furthest() as i32);
                look.rest = seen.rest(&strip, &look);
                let beside = Beside::of(&strip, &look, seen.nearest() as i32, account)?;
                return Ok(Some(Rod {
                    axis,
                    look,
                    strip,
                    half,
                    reach: seen,
                    learnt: end,
                    crossing,
                    again,
                    closed,
                    beside,
                }));
            }
            // Hairs hid the flanks: the axis is worth another look over all that is seen.
            sure = nearest;
            known = nearest - 4;
            end = known;
        }
        let Some(better) = bettered(&strip, &look, &axis, (from, end)) else {
            return Ok(None);
        };
        axis = better;
    }
    Ok(None)
}

/// First and last row along at which the strip still touches the frame.
fn extent(ask: &Ask, axis: &Axis, reach: f64) -> (i32, i32) {
    let rect = ask.frame.rect();
    let touches = |s: i32| {
        [-reach, 0.0, reach].iter().any(|u| {
            let (x, y) = axis.point(f64::from(s), *u);
            rect.contains(x.floor() as i32, y.floor() as i32)
        })
    };
    let mut from = 0;
    while from > -2000 && touches(from - 1) {
        from -= 1;
    }
    // A row reaches from its number to the next: the one before may end in the frame.
    from -= 1;
    let most = (rect.width() + rect.height()) as i32 * 2;
    let mut to = 1;
    while to < most && touches(to) {
        to += 1;
    }
    (from, to)
}

/// Where the mask is closed beside the rod, for both sides.
pub(super) struct Flanks {
    /// First rows from which it stays so right beside the rod: more than one rod is seen from there on.
    near: [Option<i32>; 2],
    /// The same some way beside it, so that a hair along the rod is no piece.
    wide: [Option<i32>; 2],
    /// Whether the pixels beside the rod themselves show the outline on both sides.
    pub sure: bool,
    /// The piece's outline continued to the rod's sides.
    outline: [Option<f64>; 2],
}

/// Offsets from the rod's side at which the piece's outline is read.
const OUTLINE: [f64; 5] = [3.0, 6.0, 9.0, 12.0, 15.0];

/// Borders of the strips beside the rod whose pixels are asked for the outline.
const BINS: [f64; 6] = [0.5, 2.0, 3.5, 5.0, 6.5, 8.0];

/// The first row from which most are marked.
fn lasting(marked: &[bool]) -> Option<usize> {
    (0..marked.len()).find(|row| {
        let ahead = &marked[*row..(row + 16).min(marked.len())];
        marked[*row] && ahead.iter().filter(|c| **c).count() >= 12.min(ahead.len())
    })
}

/// The row at which an outline read at `OUTLINE` meets the rod's side: the middle slope of its neighbours leads there.
fn to_side(rows: &[Option<i32>]) -> Option<f64> {
    let known: Vec<(f64, f64)> = OUTLINE
        .iter()
        .zip(rows)
        .filter_map(|(off, row)| row.map(|row| (*off, f64::from(row))))
        .collect();
    led_to_side(&known)
}

fn led_to_side(known: &[(f64, f64)]) -> Option<f64> {
    let &(off, row) = known.first()?;
    let mut slopes: Vec<f64> = known
        .windows(2)
        .map(|pair| (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0))
        .collect();
    slopes.sort_by(f64::total_cmp);
    let slope = slopes.get(slopes.len() / 2).copied().unwrap_or(0.0);
    Some(row - (slope * off).clamp(-8.0, 8.0))
}

impl Flanks {
    fn seen(domain: &Domain, axis: &Axis, half: f64, to: i32) -> Flanks {
        let closed = |s: i32, side: f64, off: f64| {
            let (x, y) = axis.point(f64::from(s) + 0.5, side * (half + off));
            domain.under(x, y) == Cell::Mask
        };
        let first = |side: f64, enough: usize, offs: &[f64]| {
            let rows: Vec<bool> = (0..to)
                .map(|s| offs.iter().filter(|off| closed(s, side, **off)).count() >= enough)
                .collect();
            (4..rows.len())
                .find(|s| {
                    let ahead = &rows[*s..(*s + 16).min(rows.len())];
                    rows[*s] && ahead.iter().filter(|c| **c).count() >= 12
                })
                .map(|s| s as i32)
        };
        Flanks {
            near: [-1.0, 1.0].map(|side| first(side, 1, &FLANK[..1])),
            wide: [-1.0, 1.0].map(|side| first(side, 2, &FLANK)),
            sure: false,
            outline: [-1.0, 1.0].map(|side| to_side(&OUTLINE.map(|off| first(side, 1, &[off])))),
        }
    }

    /// The first row on which the look can't be learnt.
    fn wall(&self, from: i32, to: i32) -> i32 {
        let first = |rows: &[Option<i32>; 2]| rows.iter().flatten().copied().min().unwrap_or(to);
        let near = first(&self.near);
        // A hair that lies beside the rod from the start must not leave too little of it.
        if near - from > 60 {
            near
        } else {
            near.max(first(&self.wide))
        }
    }

    /// The same where the flanks' own pixels are not the set: the mask of a fringe of hair is closed, but between
    /// the hairs a rod is seen.
    fn checked(mut self, strip: &Strip, look: &Look) -> Flanks {
        for (side, wall) in self.wide.iter_mut().enumerate() {
            let Some(row) = *wall else { continue };
            let start = row - 8;
            let count = (strip.end() - start).max(0) as usize;
            let mut flank = vec![(0u32, 0u32); count];
            for p in strip.rows(start, strip.end()) {
                let beside = if side == 0 {
                    look.low - f64::from(p.u)
                } else {
                    f64::from(p.u) - look.high
                };
                if beside > 1.0 && beside < 6.0 {
                    let cell =
                        &mut flank[((p.s.floor() as i32 - start).max(0) as usize).min(count - 1)];
                    cell.0 += 1;
                    cell.1 += u32::from(off(&p.set, p, 0.0064) > MISFIT);
                }
            }
            let closed: Vec<bool> = flank
                .iter()
                .map(|(all, differ)| differ * 10 > all * 6)
                .collect();
            *wall = lasting(&closed).map(|row| start + row as i32);
        }
        let seen = [0, 1].map(|side| self.outlined(strip, look, side));
        let wide = look.high - look.low;
        self.sure = matches!(seen, [Some(a), Some(b)] if (a - b).abs() < (2.5 * wide).max(32.0));
        if self.sure {
            self.outline = seen;
        }
        self
    }

    /// The piece's outline by the pixels beside the rod that are not the set: the mask fills the corner between
    /// rod and piece. `None` where the piece is like the set.
    fn outlined(&self, strip: &Strip, look: &Look, side: usize) -> Option<f64> {
        let mask = self.outline[side]?;
        let start = mask as i32 - 12;
        let count = (strip.end() - start).max(0) as usize;
        let bins = BINS.len() - 1;
        let mut differ = vec![(0u32, 0u32); count * bins];
        for p in strip.rows(start, strip.end()) {
            let beside = match side {
                0 => look.low - f64::from(p.u),
                _ => f64::from(p.u) - look.high,
            };
            let bin = (0..bins).find(|b| beside >= BINS[*b] && beside < BINS[*b + 1]);
            if let Some(bin) = bin {
                let row = (p.s.floor() as i32 - start).max(0) as usize;
                let cell = &mut differ[row.min(count - 1) * bins + bin];
                cell.0 += 1;
                cell.1 += u32::from(off(&p.set, p, 0.0064) > MISFIT);
            }
        }
        let mut known: Vec<(f64, f64)> = Vec::new();
        for bin in 0..bins {
            let closed: Vec<bool> = (0..count)
                .map(|row| {
                    let (all, off) = differ[row * bins + bin];
                    off * 2 > all
                })
                .collect();
            if let Some(row) = lasting(&closed) {
                known.push((
                    0.5 * (BINS[bin] + BINS[bin + 1]),
                    f64::from(start + row as i32),
                ));
            }
        }
        if known.len() < 2 {
            return None;
        }
        led_to_side(&known)
    }

    /// The piece's outline continued across the rod, if both sides show it.
    pub fn across(&self, u: f64, (low, high): (f64, f64)) -> Option<f64> {
        let ([Some(_), Some(_)], [Some(a), Some(b)]) = (self.wide, self.outline) else {
            return None;
        };
        let part = ((u - low) / (high - low).max(1.0)).clamp(0.0, 1.0);
        Some(a + (b - a) * part)
    }

    /// The row to which the set is seen on both sides.
    fn open_to(&self) -> Option<i32> {
        let ([Some(a), Some(b)], true) = (self.outline, self.sure) else {
            return None;
        };
        Some(a.min(b) as i32 - 2)
    }

    /// The row from which both sides are closed.
    pub fn both(&self) -> Option<i32> {
        let [Some(a), Some(b)] = self.wide else {
            return None;
        };
        Some(a.max(b))
    }
}

/// Moves the axis to where the look fits best, block by block.
fn bettered(strip: &Strip, look: &Look, axis: &Axis, (from, end): (i32, i32)) -> Option<Axis> {
    let mut stops = Vec::new();
    // A short rod needs its direction too.
    let block = BLOCK.min((end - from) / 4).max(5);
    let mut s = from;
    while s < end {
        let next = if end - s < block * 3 / 2 {
            end
        } else {
            s + block
        };
        let (mut across, mut square) = (0.0f64, 0.0f64);
        for p in strip.rows(s, next) {
            let (a, b) = (
                look.light(p.s, p.u - 0.25, p.set),
                look.light(p.s, p.u + 0.25, p.set),
            );
            let seen = look.light(p.s, p.u, p.set);
            let mut off = 0.0f32;
            for k in 0..3 {
                let d = p.frame[k] - seen[k];
                off += d * d / (p.variance[k] + 0.01 * seen[k] * seen[k]);
            }
            let trust = f64::from(1.0 / (1.0 + off / 12.0));
            for k in 0..3 {
                let slope = f64::from(b[k] - a[k]) * 2.0;
                let weight = trust / f64::from(p.variance[k]);
                across -= weight * f64::from(p.frame[k] - seen[k]) * slope;
                square += weight * slope * slope;
            }
        }
        let middle = f64::from(s + next) / 2.0;
        let shift = (across / (square + 25.0)).clamp(-1.5, 1.5);
        let (x, y) = axis.point(middle, shift);
        stops.push(Stop {
            x,
            y,
            weight: (square / (square + 400.0)).max(0.01),
        });
        s = next;
    }
    if stops.len() < 2 {
        return Some(axis.clone());
    }
    // A curve through few blocks must not swing beyond them: the ends count as they are.
    Axis::through(&stops)
}

/// How much brighter the rod is than its look, row by row, followed in steps small enough that it can't turn into a
/// piece; as far as it is seen.
fn drift(strip: &Strip, look: &Look) -> Vec<f32> {
    const STEP: i32 = 6;
    /// Trust in the gain before, in squares of standard deviations.
    const HOLD: f64 = 30.0;
    let mut rows = Vec::new();
    let mut gain = 1.0f32;
    let mut s = strip.first;
    while s < strip.end() {
        let (mut cross, mut square, mut kept, mut count) = (0.0f64, 0.0f64, 0, 0);
        for p in strip
            .rows(s, s + STEP)
            .iter()
            .filter(|p| look.coverage(p.u) > 0.8)
        {
            let seen = look.light(p.s, p.u, p.set).map(|v| v * gain);
            count += 1;
            if off(&seen, p, 0.015) < MISFIT {
                kept += 1;
                for k in 0..3 {
                    let weight = 1.0 / f64::from(p.variance[k] + 0.01 * seen[k] * seen[k]);
                    cross += weight * f64::from(p.frame[k] * seen[k]);
                    square += weight * f64::from(seen[k] * seen[k]);
                }
            }
        }
        let before = gain;
        if kept * 3 > count && square > 0.0 {
            let step = ((cross + HOLD) / (square + HOLD)).clamp(0.9, 1.11) as f32;
            gain = (gain * step).clamp(0.5, 1.6);
        }
        for row in 0..STEP {
            rows.push(before + (gain - before) * (row as f32 + 0.5) / STEP as f32);
        }
        s += STEP;
    }
    rows
}

/// How badly the look explains a sample; light may be a little off along a rod.
pub(super) fn misfit(look: &Look, p: &Sample) -> f32 {
    off(&look.light(p.s, p.u, p.set), p, 0.0064)
}

/// Mean square difference of a sample from `seen`, in its variance and a square share `soft` of the light.
pub(super) fn off(seen: &[f32; 3], p: &Sample, soft: f32) -> f32 {
    (0..3)
        .map(|k| {
            let d = p.frame[k] - seen[k];
            d * d / (p.variance[k] + soft * seen[k] * seen[k] + 4e-6)
        })
        .sum::<f32>()
        / 3.0
}
