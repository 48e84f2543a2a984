//! A camera's small movement as eight numbers, all in pixels at the frame's corner.

use crate::geom::{Map, Rect};

/// Offsets of the homography from the identity in coordinates centred on the frame and scaled to its half diagonal:
/// shift x, y; the four cells of the linear part; the two of the last row, negated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pose {
    pub parts: [f64; 8],
    centre: [f64; 2],
    radius: f64,
}

/// A direction in which a pose may change.
pub(super) type Way = [f64; 8];

const fn single(k: usize) -> Way {
    let mut way = [0.0; 8];
    way[k] = 1.0;
    way
}

pub(super) const SHIFT: [Way; 2] = [single(0), single(1)];
pub(super) const TURN: Way = [0.0, 0.0, 0.0, -1.0, 1.0, 0.0, 0.0, 0.0];
pub(super) const GROWTH: Way = [0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0];

/// All eight.
pub(super) fn perspective() -> Vec<Way> {
    (0..8).map(single).collect()
}

impl Pose {
    pub(super) fn still(frame: &Rect) -> Pose {
        let (width, height) = (f64::from(frame.width()), f64::from(frame.height()));
        Pose {
            parts: [0.0; 8],
            centre: [
                f64::from(frame.x0) + width / 2.0,
                f64::from(frame.y0) + height / 2.0,
            ],
            radius: (width * width + height * height).sqrt() / 2.0,
        }
    }

    pub(super) fn shift(&self) -> [f64; 2] {
        [self.parts[0], self.parts[1]]
    }

    /// The same frame moved by `shift` alone.
    pub(super) fn placed(&self, [x, y]: [f64; 2]) -> Pose {
        Pose {
            parts: [x, y, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
            ..*self
        }
    }

    /// How far two shifts lie apart along the worse axis, px.
    pub(super) fn apart(&self, other: &Pose) -> f64 {
        let (a, b) = (self.shift(), other.shift());
        (a[0] - b[0]).abs().max((a[1] - b[1]).abs())
    }

    /// Frame to plate.
    pub(super) fn map(&self) -> Map {
        let p = self.parts;
        let [cx, cy] = self.centre;
        let r = self.radius;
        if p[2..] == [0.0; 6] {
            return Map::translation(p[0], p[1]);
        }
        let linear = [[1.0 + p[2] / r, p[3] / r], [p[4] / r, 1.0 + p[5] / r]];
        let across = [
            linear[0][0],
            linear[0][1],
            p[0] - linear[0][0] * cx - linear[0][1] * cy,
        ];
        let down = [
            linear[1][0],
            linear[1][1],
            p[1] - linear[1][0] * cx - linear[1][1] * cy,
        ];
        if p[6] == 0.0 && p[7] == 0.0 {
            return Map([
                [across[0], across[1], across[2] + cx],
                [down[0], down[1], down[2] + cy],
                [0.0, 0.0, 1.0],
            ]);
        }
        let (s, t) = (-p[6] / (r * r), -p[7] / (r * r));
        let last = [s, t, 1.0 - s * cx - t * cy];
        let row = |part: [f64; 3], c: f64| [0, 1, 2].map(|k| (part[k] + c * last[k]) / last[2]);
        Map([row(across, cx), row(down, cy), last.map(|v| v / last[2])])
    }

    /// How a point moves with each of `ways`, px a px.
    pub(super) fn moves(&self, point: [f64; 2], ways: &[Way]) -> Vec<[f64; 2]> {
        let u = (point[0] - self.centre[0]) / self.radius;
        let v = (point[1] - self.centre[1]) / self.radius;
        let across = [1.0, 0.0, u, v, 0.0, 0.0, u * u, u * v];
        let down = [0.0, 1.0, 0.0, 0.0, u, v, u * v, v * v];
        let along = |row: &[f64; 8], way: &Way| row.iter().zip(way).map(|(a, b)| a * b).sum();
        ways.iter()
            .map(|way| [along(&across, way), along(&down, way)])
            .collect()
    }

    pub(super) fn moved(&self, ways: &[Way], amounts: &[f64]) -> Pose {
        let mut moved = *self;
        for (way, amount) in ways.iter().zip(amounts) {
            for (part, step) in moved.parts.iter_mut().zip(way) {
                *part += amount * step;
            }
        }
        moved
    }

    /// How far the map moves the frame's corners at most, px.
    pub(super) fn corner(&self, frame: &Rect) -> f64 {
        self.off(&Pose::still(frame), frame)
    }

    /// How far two poses lie apart at most, at the frame's corners, px.
    pub(super) fn off(&self, other: &Pose, frame: &Rect) -> f64 {
        let maps = [self.map(), other.map()];
        let mut farthest = 0.0f64;
        for x in [frame.x0, frame.x1] {
            for y in [frame.y0, frame.y1] {
                let [(u, v), (x, y)] =
                    [0, 1].map(|k: usize| maps[k].apply(f64::from(x), f64::from(y)));
                farthest = farthest.max(((u - x) * (u - x) + (v - y) * (v - y)).sqrt());
            }
        }
        farthest
    }
}

/// The inverse of a symmetric matrix by elimination with pivots; `None` where it is not positive.
pub(super) fn inverse(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    let mut work: Vec<Vec<f64>> = matrix
        .iter()
        .enumerate()
        .map(|(r, row)| {
            let mut row = row.clone();
            row.extend((0..n).map(|c| f64::from(u8::from(c == r))));
            row
        })
        .collect();
    for k in 0..n {
        // Of a positive matrix every pivot on the diagonal is positive.
        let pivot = work[k][k];
        if pivot <= 1e-12 * matrix[k][k].abs() || !pivot.is_finite() {
            return None;
        }
        let scaled: Vec<f64> = work[k].iter().map(|v| v / pivot).collect();
        for (r, row) in work.iter_mut().enumerate() {
            let factor = row[k];
            for (cell, own) in row.iter_mut().zip(&scaled) {
                *cell = if r == k { *own } else { *cell - factor * own };
            }
        }
    }
    Some(work.into_iter().map(|row| row[n..].to_vec()).collect())
}
