//! A stroked polyline as parts that all turn the same way, so that the nonzero rule takes their union.
//!
//! Parts: a rectangle on each segment, a sector on the outer side of each join, a half disc on each round end. Each
//! point within half a width of the line is nearest to a segment, a join or an end, and lies in that one's part.

use super::Cap;
use super::fill::Edges;
use crate::budget::OverBudget;

/// Furthest distance of an arc's chords from the arc, px.
const ARC_ERROR: f64 = 2e-5;

/// Chords of one arc at most; reached only by lines a million pixels wide.
const ARC_CHORDS: f64 = 262_144.0;

type Point = (f64, f64);

pub(super) fn line(
    edges: &mut Edges,
    points: &[Point],
    width: f64,
    cap: Cap,
) -> Result<(), OverBudget> {
    let radius = width / 2.0;
    let Some(&start) = points.first() else {
        return Ok(());
    };
    let mut end = start;
    let mut first: Option<Point> = None;
    let mut before: Option<Point> = None;
    for &point in points {
        let (dx, dy) = (point.0 - end.0, point.1 - end.1);
        let length = (dx * dx + dy * dy).sqrt();
        if length == 0.0 || !length.is_finite() {
            continue;
        }
        // The direction of the segment as an arm of the stroke's half width.
        let arm = (dx / length * radius, dy / length * radius);
        let (left, right) = (sided(arm), back(sided(arm)));
        let corner = |p: Point, side: Point| (p.0 + side.0, p.1 + side.1);
        let quad = [
            corner(end, left),
            corner(end, right),
            corner(point, right),
            corner(point, left),
        ];
        for k in 0..4 {
            edges.push(quad[k], quad[(k + 1) % 4])?;
        }
        if let Some(before) = before {
            join(edges, end, before, arm)?;
        }
        first = first.or(Some(arm));
        before = Some(arm);
        end = point;
    }
    if cap == Cap::Butt {
        return Ok(());
    }
    match (first, before) {
        (Some(first), Some(last)) => {
            sector(edges, start, sided(first), 180.0_f64.to_radians())?;
            sector(edges, end, back(sided(last)), 180.0_f64.to_radians())
        }
        _ => {
            sector(edges, start, (radius, 0.0), 180.0_f64.to_radians())?;
            sector(edges, start, (-radius, 0.0), 180.0_f64.to_radians())
        }
    }
}

fn back(v: Point) -> Point {
    (-v.0, -v.1)
}

/// Turned by a quarter, the way all parts turn: from (1, 0) to (0, 1).
fn sided(v: Point) -> Point {
    (-v.1, v.0)
}

/// The wedge between the ends of two segments, on the side the line turns away from.
fn join(edges: &mut Edges, at: Point, before: Point, after: Point) -> Result<(), OverBudget> {
    let cross = before.0 * after.1 - before.1 * after.0;
    let dot = before.0 * after.0 + before.1 * after.1;
    let angle = libm::atan2(cross, dot);
    if angle >= 0.0 {
        sector(edges, at, back(sided(before)), angle)
    } else {
        sector(edges, at, sided(after), -angle)
    }
}

/// A sector of the disc around `at`, from the arm given, turning from (1, 0) toward (0, 1) by `angle` radians, 0..pi.
fn sector(edges: &mut Edges, at: Point, arm: Point, angle: f64) -> Result<(), OverBudget> {
    let radius = (arm.0 * arm.0 + arm.1 * arm.1).sqrt();
    let (first, last) = edges.rows();
    if at.1 + radius <= first || at.1 - radius >= last || angle <= 0.0 {
        return Ok(());
    }
    // A chord over an angle a leaves r (1 - cos(a / 2)) < r a^2 / 8.
    let chords = angle * (radius / (8.0 * ARC_ERROR)).sqrt();
    let chords = chords.ceil().clamp(1.0, ARC_CHORDS) as u32;
    let on_arc = |k: u32| {
        let turned = angle * (f64::from(k) / f64::from(chords));
        let (sin, cos) = (libm::sin(turned), libm::cos(turned));
        (
            at.0 + arm.0 * cos - arm.1 * sin,
            at.1 + arm.0 * sin + arm.1 * cos,
        )
    };
    let mut from = on_arc(0);
    edges.push(at, from)?;
    for k in 1..=chords {
        let to = on_arc(k);
        edges.push(from, to)?;
        from = to;
    }
    edges.push(from, at)
}
