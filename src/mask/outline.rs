//! Outlines of ellipses, polygons and paths as straight edges that stay within a stated distance of the curve.
//!
//! How a curve is divided depends on the curve alone; only pieces that meet the wanted rows are kept, so a circle a
//! million pixels wide costs what shows of it.

use std::f64::consts::{FRAC_PI_2, PI};

use kurbo::{PathEl, Point};

use super::fill::Edges;
use crate::budget::OverBudget;

/// Furthest distance of an ellipse's chords from the ellipse, px.
const ELLIPSE_ERROR: f64 = 1e-5;

/// Chords of a quarter ellipse at most; reached only by ellipses tens of millions of pixels wide.
const QUARTER_CHORDS: f64 = 1_048_576.0;

/// Furthest distance of a path's chords from its curves, px.
const PATH_ERROR: f64 = 2e-4;

/// Chords of one Bezier curve at most; reached only by curves ten million pixels wide.
const CURVE_CHORDS: f64 = 262_144.0;

pub(super) fn polygon(edges: &mut Edges, points: &[(f64, f64)]) -> Result<(), OverBudget> {
    for (k, &point) in points.iter().enumerate() {
        edges.push(point, points[(k + 1) % points.len()])?;
    }
    Ok(())
}

/// Chords between points on the ellipse at equal parameter steps: sagitta r (1 - cos(step / 2)) for the longer radius.
pub(super) fn ellipse(
    edges: &mut Edges,
    (cx, cy): (f64, f64),
    (rx, ry): (f64, f64),
) -> Result<(), OverBudget> {
    let radius = rx.max(ry);
    if !(rx > 0.0 && ry > 0.0 && radius.is_finite()) {
        return Ok(());
    }
    let chords = PI * (radius / (2.0 * ELLIPSE_ERROR)).sqrt();
    let quarter = (chords / 4.0).ceil().clamp(8.0, QUARTER_CHORDS) as i64;
    let step = FRAC_PI_2 / quarter as f64;
    let point = |k: i64| {
        let angle = k.rem_euclid(quarter) as f64 * step;
        let (sin, cos) = (libm::sin(angle), libm::cos(angle));
        let (x, y) = match k.div_euclid(quarter).rem_euclid(4) {
            0 => (cos, sin),
            1 => (-sin, cos),
            2 => (-cos, -sin),
            _ => (sin, -cos),
        };
        (cx + rx * x, cy + ry * y)
    };
    // Right side: parameters -90..90 degrees, y growing; left side: the same heights on the way back.
    let (first, last) = edges.rows();
    let index = |y: f64| libm::asin(((y - cy) / ry).clamp(-1.0, 1.0)) / step;
    let from = (index(first).floor() as i64 - 2).max(-quarter);
    let to = (index(last).ceil() as i64 + 2).min(quarter);
    for k in from..to {
        edges.push(point(k), point(k + 1))?;
        edges.push(point(2 * quarter - k - 1), point(2 * quarter - k))?;
    }
    Ok(())
}

pub(super) fn path(edges: &mut Edges, path: &kurbo::BezPath) -> Result<(), OverBudget> {
    let mut start = Point::ZERO;
    let mut at = Point::ZERO;
    for element in path.elements() {
        match *element {
            PathEl::MoveTo(to) => {
                line(edges, at, start)?;
                start = to;
                at = to;
            }
            PathEl::LineTo(to) => {
                line(edges, at, to)?;
                at = to;
            }
            PathEl::QuadTo(c, to) => {
                // The same curve raised to a cubic.
                let near = |end: Point| end + (c - end) * (2.0 / 3.0);
                cubic(edges, [at, near(at), near(to), to])?;
                at = to;
            }
            PathEl::CurveTo(c, d, to) => {
                cubic(edges, [at, c, d, to])?;
                at = to;
            }
            PathEl::ClosePath => {
                line(edges, at, start)?;
                at = start;
            }
        }
    }
    line(edges, at, start)
}

fn line(edges: &mut Edges, a: Point, b: Point) -> Result<(), OverBudget> {
    edges.push((a.x, a.y), (b.x, b.y))
}

/// Equal parameter steps: a chord over a step h lies within h^2/8 max|B''| of the curve, and |B''| is at most
/// 6 max(|p0 - 2 p1 + p2|, |p1 - 2 p2 + p3|).
fn cubic(edges: &mut Edges, p: [Point; 4]) -> Result<(), OverBudget> {
    let (first, last) = edges.rows();
    if p.iter().all(|q| q.y <= first) || p.iter().all(|q| q.y >= last) {
        return Ok(());
    }
    let bend = |a: Point, b: Point, c: Point| {
        let (x, y) = (a.x - 2.0 * b.x + c.x, a.y - 2.0 * b.y + c.y);
        (x * x + y * y).sqrt()
    };
    let second = bend(p[0], p[1], p[2]).max(bend(p[1], p[2], p[3]));
    let chords = (0.75 * second / PATH_ERROR).sqrt().ceil();
    let chords = chords.clamp(1.0, CURVE_CHORDS) as u32;
    let mut from = p[0];
    for k in 1..=chords {
        let to = if k == chords {
            p[3]
        } else {
            let t = f64::from(k) / f64::from(chords);
            let u = 1.0 - t;
            let (b0, b1, b2, b3) = (u * u * u, 3.0 * u * u * t, 3.0 * u * t * t, t * t * t);
            Point::new(
                b0 * p[0].x + b1 * p[1].x + b2 * p[2].x + b3 * p[3].x,
                b0 * p[0].y + b1 * p[1].y + b2 * p[2].y + b3 * p[3].y,
            )
        };
        line(edges, from, to)?;
        from = to;
    }
    Ok(())
}
