//! What lies between the two banks: coverage as far from each edge as on the banks, light as it lies beyond them.

use super::{Bridge, Course, read};
use crate::geom::Rect;
use crate::raster::{Light, Matte};

/// Rows of soft edge beside a part that are carried too.
const SOFT: f64 = 4.0;
/// Pixels beyond a bank where coverage is read: every end is seen so far, and the rod leaves nothing of itself there.
const CLEAR: f64 = 3.0;
/// Furthest pixels beyond a bank from which colour is taken.
const MIRROR: f64 = 5.0;

/// A pixel between the banks, as it goes on beneath the rod.
pub(super) struct Laid {
    pub x: i32,
    pub y: i32,
    pub coverage: f32,
    /// How much of it the rod hides.
    pub hidden: f32,
    /// Light of its own, where the piece shows any beside it.
    pub light: Option<[f32; 3]>,
}

/// The pixels between the banks, as `bridges` say.
pub(super) fn laid(
    course: &Course,
    bridges: &[Bridge],
    matte: &Matte,
    colour: &Light,
) -> Vec<Laid> {
    let left = course.banks()[0];
    let mut bounds = Rect::EMPTY;
    for bridge in bridges {
        for n in 0..=8 {
            let t = f64::from(n) / 8.0;
            for row in [bridge.row(0, t) - SOFT, bridge.row(1, t) + SOFT] {
                let (x, y) = course.axis.point(row, left + t * bridge.across);
                let here = Rect::new(x.floor() as i32, y.floor() as i32, 1, 1);
                bounds = bounds.united(&here.grown(1));
            }
        }
    }
    bounds = bounds.intersected(&matte.rect());
    let mut laid = Vec::new();
    for y in bounds.y0..bounds.y1 {
        for x in bounds.x0..bounds.x1 {
            let (s, u) = course.axis.place(f64::from(x) + 0.5, f64::from(y) + 0.5);
            let t = (u - left) / course.across();
            if !(0.0..=1.0).contains(&t) {
                continue;
            }
            let mut best: Option<Laid> = None;
            for bridge in bridges {
                let (a, b) = (bridge.row(0, t), bridge.row(1, t));
                if s < a - SOFT || s > b + SOFT {
                    continue;
                }
                let coverage = coverage(course, bridge, matte, (s, t));
                if best.as_ref().is_none_or(|best| coverage > best.coverage) {
                    let part = ((s - a) / (b - a)).clamp(0.05, 0.95);
                    let light = tone(course, bridge, (matte, colour), (part, t));
                    let beside = (course.low - u).max(u - course.high);
                    best = Some(Laid {
                        x,
                        y,
                        coverage,
                        hidden: coverage * (0.5 - beside).clamp(0.0, 1.0) as f32,
                        light,
                    });
                }
            }
            laid.extend(best);
        }
    }
    laid
}

/// Coverage on a row: as far from the nearer edge as beyond both banks.
fn coverage(course: &Course, bridge: &Bridge, matte: &Matte, (s, t): (f64, f64)) -> f32 {
    let (a, b) = (bridge.row(0, t), bridge.row(1, t));
    let edge = usize::from(s - a > b - s);
    let off = s - [a, b][edge];
    let [left, right] = [0, 1].map(|side| {
        let end = &bridge.ends[side];
        // Not past the middle of the end.
        let half = 0.5 * end.long();
        let off = if edge == 0 {
            off.min(half)
        } else {
            off.max(-half)
        };
        let aside = [-CLEAR, CLEAR][side];
        let row = end.edges[edge].at(aside) + off;
        read(matte, course.axis.point(row, course.banks()[side] + aside))
    });
    left + (right - left) * t as f32
}

/// Light at a part of the way along and across: what lies as far beyond both banks, the nearer counting more.
pub(super) fn tone(
    course: &Course,
    bridge: &Bridge,
    (matte, colour): (&Matte, &Light),
    (part, t): (f64, f64),
) -> Option<[f32; 3]> {
    let [left, right] = [0, 1].map(|side| {
        let way = [-1.0, 1.0][side];
        let far = [t, 1.0 - t][side] * bridge.across;
        let [a, b] = bridge.ends[side].edges;
        [far.min(MIRROR), 0.0].iter().find_map(|beyond| {
            let aside = way * beyond;
            let row = a.at(aside) + part * (b.at(aside) - a.at(aside));
            let point = course.axis.point(row, course.banks()[side] + aside);
            light(colour, matte, point)
        })
    });
    match (left, right) {
        (Some(left), Some(right)) => Some(std::array::from_fn(|k| {
            left[k] + (right[k] - left[k]) * t as f32
        })),
        (one, other) => one.or(other),
    }
}

/// Light of the piece at a point, where it is seen there.
pub fn light(colour: &Light, matte: &Matte, (x, y): (f64, f64)) -> Option<[f32; 3]> {
    let (i, j) = ((x - 0.5).floor(), (y - 0.5).floor());
    let (u, v) = ((x - 0.5 - i) as f32, (y - 0.5 - j) as f32);
    let (mut sum, mut weight) = ([0.0f32; 3], 0.0f32);
    for (b, q) in [(0, 1.0 - v), (1, v)] {
        for (a, p) in [(0, 1.0 - u), (1, u)] {
            let (x, y) = (i as i32 + a, j as i32 + b);
            if matte.rect().contains(x, y) && colour.rect().contains(x, y) {
                let w = p * q * matte.at(x, y);
                let c = colour.at(x, y);
                weight += w;
                for k in 0..3 {
                    sum[k] += w * c[k];
                }
            }
        }
    }
    (weight > 0.3).then(|| sum.map(|v| v / weight))
}
