//! The piece's outline where a rod ends at it.
//!
//! Beneath a rod the matte only guesses where the piece begins. On both sides of it the outline is seen: where the two
//! sides are one smooth line, the piece keeps to that line between them. A bite of the rod is filled, a stub of it is taken
//! off. What is wider than the rod stays: it may be putty, or a knob of the piece.

use super::super::tools::surface::{Surface, value};
use super::bridge::{Course, light, read};
use crate::geom::Rect;
use crate::raster::{Light, Matte};

/// Lengths here are in units: a pixel, or a share of the rod's width where that is more.
const UNIT: f64 = 0.1;
/// Most lines that are read on a side, a unit apart, the more the better; fewest there, and on both sides.
const MOST_LINES: [usize; 4] = [12, 9, 6, 4];
const FEWEST: (usize, usize) = (3, 8);
/// Coverage at the outline, what is solid, and units behind the outline that must be so.
const HALF: f32 = 0.5;
const SOLID: f32 = 0.9;
const DEEP: f64 = 6.0;
/// Root of the mean square by which rows may lie off the line, in pixels; steepest line, in rows a pixel across, and most
/// by which that may differ from side to side.
const EVEN: f64 = 0.2;
const STEEP: f64 = 1.5;
const BENT: f64 = 0.6;
/// Pixels by which the matte must be off the line beside twice that, and most units of it: more is another thing.
const OFF: f64 = 0.5;
const MOST: f64 = 8.0;
/// Units before and behind the line whose coverage is carried over, and how near to none and all it must come.
const SOFT: f64 = 6.0;
const NEARLY: f32 = 0.06;
/// Steps of a row.
const STEP: f64 = 0.5;

/// The line between the two sides, and the way across on which it holds.
struct Outline {
    terms: [f64; 3],
    low: f64,
    high: f64,
    /// Places across of the lines it was fitted to.
    lines: Vec<f64>,
    /// Root of the mean square by which they lie off it.
    even: f64,
}

fn powers(u: f64) -> [f64; 3] {
    [1.0, u, u * u]
}

impl Outline {
    fn row(&self, u: f64) -> f64 {
        value(self.terms, powers(u))
    }
}

/// Brings the piece's outline beneath the ends of `courses` onto the line that both sides show.
pub(super) fn evened(
    courses: &[Course],
    matte: &mut Matte,
    colour: &mut Light,
    (rods, crossing): (&mut Matte, &mut Matte),
) {
    for course in courses {
        let unit = (UNIT * course.width()).max(1.0);
        let Some(outline) = outline(course, matte, unit) else {
            continue;
        };
        let Some(profile) = Profile::of(course, matte, &outline, unit) else {
            continue;
        };
        let Some(most) = most_off(course, matte, &outline, unit) else {
            continue;
        };
        let reach = profile.soft.max(most + 2.0 * unit);
        for pixel in laid(course, (matte, colour), &outline, &profile, reach) {
            let (x, y) = (pixel.x, pixel.y);
            let before = matte.at(x, y);
            matte.put(x, y, pixel.coverage);
            if pixel.coverage <= before {
                continue;
            }
            if let Some(light) = pixel.light {
                // What was seen of it keeps its own.
                let (seen, share) = (colour.at(x, y), before / pixel.coverage);
                let mixed = std::array::from_fn(|k| light[k] + (seen[k] - light[k]) * share);
                colour.put(x, y, mixed);
            }
            if rods.rect().contains(x, y) {
                let hidden = (pixel.coverage - before).max(crossing.at(x, y));
                crossing.put(x, y, hidden);
                rods.put(x, y, rods.at(x, y) * (1.0 - pixel.coverage));
            }
        }
    }
}

/// Row from which the piece lasts at `u`, looked for along the rod.
fn begins(course: &Course, matte: &Matte, u: f64, unit: f64) -> Option<f64> {
    let (from, to) = course.looked(unit * (MOST + SOFT));
    let count = ((to - from) / STEP) as usize;
    let at = |n: usize| read(matte, course.axis.point(from + n as f64 * STEP, u));
    let deep = (DEEP * unit / STEP) as usize;
    // From where it is solid back through its soft edge.
    let mut solid = 0;
    let first = (1..count + deep).find(|&n| {
        solid = if at(n) >= SOLID { solid + 1 } else { 0 };
        solid > deep / 2
    })?;
    let first = first - deep / 2;
    if first == 1 {
        return None;
    }
    let soft = (SOFT * unit / STEP) as usize;
    let edge = (first.saturating_sub(soft)..first)
        .rev()
        .find(|&n| at(n) < HALF);
    Some(match edge {
        Some(n) => {
            let (a, b) = (at(n), at(n + 1));
            from + (n as f64 + f64::from((HALF - a) / (b - a))) * STEP
        }
        None => from + first as f64 * STEP,
    })
}

/// The smooth line through what both sides show, by as much of it as is one.
fn outline(course: &Course, matte: &Matte, unit: f64) -> Option<Outline> {
    let banks = course.banks();
    let sides = [0, 1].map(|side| -> Vec<(f64, f64)> {
        let way = [-1.0, 1.0][side];
        (0..MOST_LINES[0])
            .map_while(|line| {
                let u = banks[side] + way * unit * line as f64;
                begins(course, matte, u, unit).map(|row| (u, row))
            })
            .collect()
    });
    MOST_LINES.into_iter().find_map(|most| {
        let [left, right] = [0, 1].map(|side| &sides[side][..most.min(sides[side].len())]);
        if left.len().min(right.len()) < FEWEST.0 || left.len() + right.len() < FEWEST.1 {
            return None;
        }
        fitted([left, right].concat(), banks)
    })
}

/// The line through places and rows, if they are one.
fn fitted(seen: Vec<(f64, f64)>, [low, high]: [f64; 2]) -> Option<Outline> {
    let mut surface = Surface::default();
    for &(u, row) in &seen {
        surface.add(powers(u), 1.0, row);
    }
    let mut outline = Outline {
        terms: surface.fitted(),
        low,
        high,
        lines: seen.iter().map(|(u, _)| *u).collect(),
        even: 0.0,
    };
    let off = |&(u, row): &(f64, f64)| (row - outline.row(u)) * (row - outline.row(u));
    outline.even = (seen.iter().map(off).sum::<f64>() / seen.len() as f64).sqrt();
    let [a, b] = [low, high].map(|u| outline.terms[1] + 2.0 * u * outline.terms[2]);
    let one = outline.even <= EVEN && a.abs().max(b.abs()) <= STEEP && (a - b).abs() <= BENT;
    one.then_some(outline)
}

/// Pixels by which the matte leaves the line between the banks, if it does and not for something else.
fn most_off(course: &Course, matte: &Matte, outline: &Outline, unit: f64) -> Option<f64> {
    let mut most = 0.0f64;
    let count = ((outline.high - outline.low) / STEP) as usize;
    for n in 0..=count {
        let u = outline.low + n as f64 * STEP;
        let row = begins(course, matte, u, unit)?;
        most = most.max((row - outline.row(u)).abs());
    }
    (most > OFF + 2.0 * outline.even && most <= MOST * unit).then_some(most)
}

/// Coverage across the outline, as both sides show it.
struct Profile {
    values: Vec<f32>,
    soft: f64,
}

impl Profile {
    fn of(course: &Course, matte: &Matte, outline: &Outline, unit: f64) -> Option<Profile> {
        let soft = SOFT * unit;
        let count = (2.0 * soft / STEP) as usize + 1;
        let values: Vec<f32> = (0..count)
            .map(|n| {
                let off = n as f64 * STEP - soft;
                let sum: f32 = (outline.lines.iter())
                    .map(|&u| read(matte, course.axis.point(outline.row(u) + off, u)))
                    .sum();
                sum / outline.lines.len() as f32
            })
            .collect();
        let known = values[0] < NEARLY && values[count - 1] > 1.0 - NEARLY;
        known.then_some(Profile { values, soft })
    }

    fn at(&self, off: f64) -> f32 {
        let place = ((off + self.soft) / STEP).clamp(0.0, (self.values.len() - 1) as f64);
        let n = (place as usize).min(self.values.len() - 2);
        let part = (place - n as f64) as f32;
        self.values[n] + (self.values[n + 1] - self.values[n]) * part
    }
}

struct Laid {
    x: i32,
    y: i32,
    coverage: f32,
    light: Option<[f32; 3]>,
}

/// The pixels between the banks whose coverage the line changes.
fn laid(
    course: &Course,
    (matte, colour): (&Matte, &Light),
    outline: &Outline,
    profile: &Profile,
    reach: f64,
) -> Vec<Laid> {
    let mut bounds = Rect::EMPTY;
    for n in 0..=8 {
        let u = outline.low + (outline.high - outline.low) * f64::from(n) / 8.0;
        for off in [-reach, reach] {
            let (x, y) = course.axis.point(outline.row(u) + off, u);
            let here = Rect::new(x.floor() as i32, y.floor() as i32, 1, 1);
            bounds = bounds.united(&here.grown(1));
        }
    }
    let mut laid = Vec::new();
    bounds = bounds
        .intersected(&matte.rect())
        .intersected(&colour.rect());
    for y in bounds.y0..bounds.y1 {
        for x in bounds.x0..bounds.x1 {
            let (s, u) = course.axis.place(f64::from(x) + 0.5, f64::from(y) + 0.5);
            let off = s - outline.row(u);
            if u <= outline.low || u >= outline.high || off.abs() > reach {
                continue;
            }
            let (before, coverage) = (matte.at(x, y), profile.at(off));
            if (coverage - before).abs() < 0.02 {
                continue;
            }
            let deep = off.max(1.0);
            let [a, b] = [outline.low, outline.high].map(|bank| {
                light(
                    colour,
                    matte,
                    course.axis.point(outline.row(bank) + deep, bank),
                )
            });
            let part = ((u - outline.low) / (outline.high - outline.low)) as f32;
            let between = match (a, b) {
                (Some(a), Some(b)) => Some(std::array::from_fn(|k| a[k] + (b[k] - a[k]) * part)),
                (one, other) => one.or(other),
            };
            laid.push(Laid {
                x,
                y,
                coverage,
                light: between,
            });
        }
    }
    laid
}

#[cfg(test)]
mod tests {
    use super::super::axis::{Axis, Stop};
    use super::*;
    use crate::budget::Account;

    /// Row on which a piece begins that bends gently, at `aside` of the rod's middle.
    fn edge(aside: f64) -> f64 {
        60.0 + 0.3 * aside - 0.01 * aside * aside
    }

    /// Matte and colour of that piece below a rod 8 px wide, its outline off by `off` at `aside`.
    fn piece(off: impl Fn(f64) -> f64) -> (Matte, Light) {
        let account = Account::unlimited();
        let rect = Rect::of_size(100, 100);
        let mut matte = Matte::filled(rect, 0.0, &account).unwrap();
        let mut colour = Light::filled(rect, [0.5, 0.4, 0.3], &account).unwrap();
        for y in 0..100 {
            for x in 0..100 {
                let aside = f64::from(x) + 0.5 - 50.0;
                let row = edge(aside) + off(aside);
                matte.put(x, y, (f64::from(y) + 1.0 - row).clamp(0.0, 1.0) as f32);
                // What a rod before it leaves of its colour.
                if aside.abs() < 4.0 && f64::from(y) < row + 4.0 {
                    colour.put(x, y, [0.05; 3]);
                }
            }
        }
        (matte, colour)
    }

    fn evened(off: impl Fn(f64) -> f64) -> (Matte, Light, Matte) {
        let account = Account::unlimited();
        let (mut matte, mut colour) = piece(off);
        let mut rods = Matte::filled(matte.rect(), 1.0, &account).unwrap();
        let mut crossing = Matte::filled(matte.rect(), 0.0, &account).unwrap();
        let stops = [0.0, 30.0, 62.0].map(|y| Stop {
            x: 50.0,
            y,
            weight: 1.0,
        });
        let axis = Axis::through(&stops).unwrap();
        let course = Course::new(axis, (-4.0, 4.0), (36.0, 62.0));
        let marks = (&mut rods, &mut crossing);
        super::evened(&[course], &mut matte, &mut colour, marks);
        (matte, colour, crossing)
    }

    /// The most that the matte is off the piece's own.
    fn most(matte: &Matte) -> f32 {
        let (whole, _) = piece(|_| 0.0);
        let off = whole.data().iter().zip(matte.data());
        off.map(|(a, b)| (a - b).abs()).fold(0.0, f32::max)
    }

    #[test]
    fn a_bite_of_the_rod_is_filled_in_the_colour_beside_it() {
        let bite = |aside: f64| if aside.abs() < 4.0 { 3.0 } else { 0.0 };
        assert!(most(&piece(bite).0) > 0.9);
        let (matte, colour, crossing) = evened(bite);
        assert!(most(&matte) < 0.2, "{}", most(&matte));
        assert!((colour.at(50, 61)[0] - 0.5).abs() < 0.02);
        assert!(crossing.at(50, 61) > 0.9, "the face was not seen there");
        assert!(crossing.at(50, 66) < 0.01);
    }

    #[test]
    fn a_stub_of_the_rod_is_taken_off() {
        let stub = |aside: f64| if aside.abs() < 4.0 { -5.0 } else { 0.0 };
        let (matte, ..) = evened(stub);
        assert!(most(&matte) < 0.2, "{}", most(&matte));
    }

    #[test]
    fn what_is_no_line_is_left_alone() {
        let same = |off: &dyn Fn(f64) -> f64| assert_eq!(evened(off).0.data(), piece(off).0.data());
        // As it should be; a notch that is too deep; an outline that turns a corner under the rod; a knob that it holds.
        same(&|_| 0.0);
        same(&|aside: f64| if aside.abs() < 9.0 { -5.0 } else { 0.0 });
        same(&|aside: f64| if aside.abs() < 4.0 { 14.0 } else { 0.0 });
        same(&|aside: f64| 0.8 * aside.abs() + if aside.abs() < 4.0 { 2.0 } else { 0.0 });
    }
}
