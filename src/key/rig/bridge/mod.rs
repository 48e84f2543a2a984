//! Thin parts of the piece before which a rod runs: their coverage and colour carried across beneath it.
//!
//! The matte is read along both banks of the rod. What comes to the rod on one side and leaves it on the other is one
//! part where each end leads to the other; between them its outline bends as little as it can, and keeps the softness
//! it has on the banks.

mod laid;
#[cfg(test)]
mod tests;

use super::axis::Axis;
use super::look::tint;
use super::rod::Rod;
use crate::geom::Rect;
use crate::raster::{Light, Matte};
pub(super) use laid::light;
use laid::{laid, tone};

/// Where a rod runs beside and before the piece.
#[derive(Debug)]
pub(super) struct Course {
    pub axis: Axis,
    low: f64,
    high: f64,
    /// Rows on which the piece may be beside it.
    rows: (f64, f64),
    /// Its tint where it hangs alone.
    tint: Option<[f32; 3]>,
}

/// Pixels before the joint, or before the mask closes beside the rod, from which the piece may be beside it.
const BEFORE: f64 = 24.0;
/// Pixels from the rod's side to its bank, where nothing of it is seen.
const BANK: f64 = 1.5;
/// Lines along each bank that are read, a pixel apart, fewest on which a part must be seen, and steps of a row.
const LINES: usize = 9;
const FEWEST: usize = 4;
const STEP: f64 = 0.5;
/// Lines from which on a bend is told.
const BENDS: usize = 7;
/// A part ends where coverage falls below the first; it is a part where it comes above the second.
const ENDS: f32 = 0.5;
const SOLID: f32 = 0.8;
/// Longest part, in widths of the rod: what is longer is a face.
const LONGEST: f64 = 6.0;
/// Rows by which an edge may jump from line to line, and steepest course, in rows for a pixel across.
const JUMP: f64 = 3.0;
const STEEP: f64 = 3.0;
/// How far off the rod's other side the two ends may meet: pixels, and as a share of the way between them.
const MISS: (f64, f64) = (1.0, 0.15);
/// How much their slopes may differ, and the shares in which their lengths may.
const BENT: f64 = 0.9;
const UNEVEN: f64 = 1.6;
/// Coverage between the banks from which the part itself is seen: the rod is behind it.
const SEEN: f32 = 0.6;
/// Rows before the joint that tell a rod's tint. From so much between it and the part's own, what is seen between the
/// banks is told to be the rod, where it is nearer to that by so much.
const ALONE: i32 = 60;
const APART: f32 = 0.06;
const NEARER: f32 = 0.6;

fn far([a, b, c]: [f32; 3], [d, e, f]: [f32; 3]) -> f32 {
    (a - d).abs() + (b - e).abs() + (c - f).abs()
}

/// A rod's tint on the last rows before the piece.
fn alone(rod: &Rod) -> Option<[f32; 3]> {
    let last = rod.reach.nearest() as i32;
    let mut sum = [0.0f32; 3];
    let rows = rod.strip.rows(last - ALONE, last);
    for p in rows.iter().filter(|p| rod.look.coverage(p.u) > 0.9) {
        sum = std::array::from_fn(|k| sum[k] + p.frame[k]);
    }
    (sum.iter().sum::<f32>() > 0.0).then(|| tint(sum))
}

impl Course {
    pub fn of(rod: &Rod) -> Course {
        // Of a rod that is seen all along in front of a thin part, the joint lies far behind that.
        let closed = rod.closed.iter().flatten().map(|row| *row as f32);
        let first = closed.fold(rod.reach.nearest(), f32::min);
        let rows = (f64::from(first) - BEFORE, f64::from(rod.end()));
        let sides = (rod.look.low, rod.look.high);
        Course {
            tint: alone(rod),
            ..Course::new(rod.axis.clone(), sides, rows)
        }
    }

    /// Along `axis`, its sides so far beside it, where the piece may be beside it on `rows`.
    pub fn new(axis: Axis, (low, high): (f64, f64), rows: (f64, f64)) -> Course {
        Course {
            axis,
            low,
            high,
            rows,
            tint: None,
        }
    }

    /// How wide the rod is.
    pub fn width(&self) -> f64 {
        self.high - self.low
    }

    /// Rows on which the piece may begin, and some more.
    pub fn looked(&self, more: f64) -> (f64, f64) {
        (self.rows.0, self.rows.1 + more)
    }

    pub fn banks(&self) -> [f64; 2] {
        [self.low - BANK, self.high + BANK]
    }

    /// How wide the way from bank to bank is.
    fn across(&self) -> f64 {
        self.high - self.low + 2.0 * BANK
    }
}

/// An edge of a part as it comes to a bank: its row there, and rows gained for a pixel to the right.
#[derive(Clone, Copy, Debug)]
struct Edge {
    row: f64,
    slope: f64,
}

impl Edge {
    fn at(&self, aside: f64) -> f64 {
        self.row + self.slope * aside
    }
}

/// A part as it comes to a bank: where it begins and where it ends.
#[derive(Clone, Copy, Debug)]
struct End {
    edges: [Edge; 2],
}

impl End {
    fn long(&self) -> f64 {
        self.edges[1].row - self.edges[0].row
    }
}

/// What comes to the rod on the left and leaves it on the right.
struct Bridge {
    ends: [End; 2],
    across: f64,
}

impl Bridge {
    /// Row of an edge at part `t` of the way: a cubic with the slopes of both ends.
    fn row(&self, edge: usize, t: f64) -> f64 {
        let [a, b] = [0, 1].map(|side| self.ends[side].edges[edge]);
        let (square, cube) = (t * t, t * t * t);
        (2.0 * cube - 3.0 * square + 1.0) * a.row
            + (cube - 2.0 * square + t) * a.slope * self.across
            + (3.0 * square - 2.0 * cube) * b.row
            + (cube - square) * b.slope * self.across
    }

    /// How far the ends lead past each other, in pixels; `None` when they are not one.
    fn miss(&self) -> Option<f64> {
        let [left, right] = &self.ends;
        let ratio = left.long() / right.long();
        if !(1.0 / UNEVEN..=UNEVEN).contains(&ratio) {
            return None;
        }
        let mut most = 0.0f64;
        for (a, b) in left.edges.iter().zip(&right.edges) {
            if (a.slope - b.slope).abs() > BENT {
                return None;
            }
            let led = b.row - a.row - 0.5 * (a.slope + b.slope) * self.across;
            most = most.max(led.abs() / libm::sqrt(1.0 + a.slope * a.slope));
        }
        (most <= MISS.0 + MISS.1 * self.across).then_some(most)
    }
}

/// Carries thin parts across beneath the rods, and marks in `crossing` where, no more in `rods`; the places.
pub(super) fn carried(
    courses: &[Course],
    matte: &mut Matte,
    colour: &mut Light,
    (rods, crossing): (&mut Matte, &mut Matte),
) -> Vec<Rect> {
    let mut places = Vec::new();
    for course in courses {
        let ends = [0, 1].map(|side| ends(course, matte, side));
        let bridges = paired(course, &ends, (matte, colour));
        if bridges.is_empty() {
            continue;
        }
        let laid = laid(course, &bridges, matte, colour);
        for pixel in &laid {
            matte.put(pixel.x, pixel.y, pixel.coverage);
            if colour.rect().contains(pixel.x, pixel.y)
                && let Some(light) = pixel.light
            {
                colour.put(pixel.x, pixel.y, light);
            }
            if crossing.rect().contains(pixel.x, pixel.y) {
                let before = crossing.at(pixel.x, pixel.y).max(pixel.hidden);
                crossing.put(pixel.x, pixel.y, before);
            }
            // A rod before the piece is none beside it.
            if rods.rect().contains(pixel.x, pixel.y) {
                let beside = rods.at(pixel.x, pixel.y) * (1.0 - pixel.coverage);
                rods.put(pixel.x, pixel.y, beside);
            }
        }
        let place = (laid.iter().filter(|pixel| pixel.coverage > ENDS))
            .fold(Rect::EMPTY, |place, pixel| {
                place.united(&Rect::new(pixel.x, pixel.y, 1, 1))
            });
        if !place.is_empty() {
            places.push(place);
        }
    }
    places
}

/// Value of `matte` at a point, between pixels' centres; nothing beyond it.
pub(super) fn read(matte: &Matte, (x, y): (f64, f64)) -> f32 {
    let (i, j) = ((x - 0.5).floor(), (y - 0.5).floor());
    let (u, v) = ((x - 0.5 - i) as f32, (y - 0.5 - j) as f32);
    let at = |a: i32, b: i32| {
        let (x, y) = (i as i32 + a, j as i32 + b);
        if matte.rect().contains(x, y) {
            matte.at(x, y)
        } else {
            0.0
        }
    };
    let (top, low) = (
        at(0, 0) + (at(1, 0) - at(0, 0)) * u,
        at(0, 1) + (at(1, 1) - at(0, 1)) * u,
    );
    top + (low - top) * v
}

/// The parts of the piece that come to the rod on one side, in order of their rows.
fn ends(course: &Course, matte: &Matte, side: usize) -> Vec<End> {
    let (from, to) = (course.rows.0, course.rows.1 + BEFORE);
    let count = ((to - from) / STEP).max(0.0) as usize;
    let way = [-1.0, 1.0][side];
    let bank = course.banks()[side];
    let lines: Vec<Vec<(f64, f64)>> = (0..LINES)
        .map(|line| {
            let u = bank + way * line as f64;
            let values: Vec<f32> = (0..count)
                .map(|n| read(matte, course.axis.point(from + n as f64 * STEP, u)))
                .collect();
            runs(&values)
                .into_iter()
                .map(|(a, b)| (from + a * STEP, from + b * STEP))
                .collect()
        })
        .collect();
    let longest = LONGEST * (course.high - course.low);
    lines[0]
        .iter()
        .filter_map(|first| {
            let mut seen = vec![*first];
            for line in &lines[1..] {
                let last = seen[seen.len() - 1];
                let step = match seen.len() {
                    1 => (0.0, 0.0),
                    n => (last.0 - seen[n - 2].0, last.1 - seen[n - 2].1),
                };
                let hoped = (last.0 + step.0, last.1 + step.1);
                let off = |run: &(f64, f64)| (run.0 - hoped.0).abs().max((run.1 - hoped.1).abs());
                match line.iter().min_by(|a, b| off(a).total_cmp(&off(b))) {
                    Some(run) if off(run) <= JUMP => seen.push(*run),
                    _ => break,
                }
            }
            if seen.len() < FEWEST {
                return None;
            }
            let edges = [
                fitted(seen.iter().map(|run| run.0), way),
                fitted(seen.iter().map(|run| run.1), way),
            ];
            let end = End { edges };
            let steep = edges.iter().any(|edge| edge.slope.abs() > STEEP);
            (!steep && end.long() > 1.0 && end.long() <= longest).then_some(end)
        })
        .collect()
}

/// First and last places of what is solid, in steps, where coverage passes `ENDS`.
fn runs(values: &[f32]) -> Vec<(f64, f64)> {
    let mut runs = Vec::new();
    let mut open: Option<(f64, f32)> = None;
    for n in 1..values.len() {
        let (a, b) = (values[n - 1], values[n]);
        let place = || (n - 1) as f64 + f64::from((ENDS - a) / (b - a));
        if a < ENDS && b >= ENDS {
            open = Some((place(), b));
        } else if a >= ENDS && b < ENDS {
            if let Some((begin, most)) = open.take()
                && most >= SOLID
            {
                runs.push((begin, place()));
            }
        } else if let Some((_, most)) = &mut open {
            *most = most.max(b);
        }
    }
    runs
}

/// The edge through rows read a pixel apart from the bank on, by least squares: a parabola where enough are read.
fn fitted(rows: impl Iterator<Item = f64>, way: f64) -> Edge {
    let rows: Vec<f64> = rows.collect();
    let count = rows.len() as f64;
    let middle = (count - 1.0) / 2.0;
    // About the middle line, a row's mean, slope and bend are told apart by sums.
    let (mut mean, mut first, mut second) = (0.0, 0.0, 0.0);
    let (mut square, mut fourth) = (0.0, 0.0);
    for (line, row) in rows.iter().enumerate() {
        let x = line as f64 - middle;
        mean += row / count;
        first += x * row;
        second += x * x * row;
        square += x * x;
        fourth += x * x * x * x;
    }
    let slope = first / square.max(1.0);
    let spread = fourth - square * square / count;
    let bend = if rows.len() >= BENDS {
        (second - square * mean) / spread
    } else {
        0.0
    };
    let level = mean - bend * square / count;
    Edge {
        row: level - slope * middle + bend * middle * middle,
        slope: way * (slope - 2.0 * bend * middle),
    }
}

/// Ends that lead to each other and between which the rod hides the piece, the best first.
fn paired(course: &Course, ends: &[Vec<End>; 2], (matte, colour): (&Matte, &Light)) -> Vec<Bridge> {
    let across = course.across();
    let mut all = Vec::new();
    for (i, left) in ends[0].iter().enumerate() {
        for (j, right) in ends[1].iter().enumerate() {
            let bridge = Bridge {
                ends: [*left, *right],
                across,
            };
            let middle = 0.5 * (bridge.row(0, 0.5) + bridge.row(1, 0.5));
            if let Some(miss) = bridge.miss()
                && middle > course.rows.0
                && middle < course.rows.1
            {
                all.push((miss, i, j, bridge));
            }
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let (mut lefts, mut rights) = (Vec::new(), Vec::new());
    let mut bridges = Vec::new();
    for (_, i, j, bridge) in all {
        if !lefts.contains(&i) && !rights.contains(&j) {
            lefts.push(i);
            rights.push(j);
            if is_hidden(course, &bridge, (matte, colour)) {
                bridges.push(bridge);
            }
        }
    }
    bridges
}

/// Whether the piece is not seen between the two ends: nothing is, or the rod.
fn is_hidden(course: &Course, bridge: &Bridge, (matte, colour): (&Matte, &Light)) -> bool {
    let left = course.banks()[0];
    let (mut sum, mut count) = (0.0f32, 0.0f32);
    let (mut from_rod, mut from_part, mut apart) = (0.0f32, 0.0f32, 0.0f32);
    for n in 0..5 {
        let t = 0.4 + 0.05 * f64::from(n);
        let (a, b) = (bridge.row(0, t), bridge.row(1, t));
        for m in 0..5 {
            let part = 0.3 + 0.1 * f64::from(m);
            let point = course
                .axis
                .point(a + (b - a) * part, left + t * bridge.across);
            sum += read(matte, point);
            count += 1.0;
            let seen = light(colour, matte, point);
            let own = tone(course, bridge, (matte, colour), (part, t));
            if let (Some(seen), Some(own), Some(rod)) = (seen, own, course.tint) {
                from_rod += far(tint(seen), rod);
                from_part += far(tint(seen), tint(own));
                apart += far(tint(own), rod);
            }
        }
    }
    sum < SEEN * count || (apart > APART * count && from_rod < NEARER * from_part)
}
