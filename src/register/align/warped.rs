//! The plate under a map, on a block of the frame's grid.

use super::measure::SPOILT;
use super::patch::Patch;
use crate::geom::{Map, Rect};

/// The plate as the frame's grid sees it.
pub(super) struct Warped {
    pub values: Vec<f32>,
    base: Base,
    /// Pixels across.
    wide: usize,
}

/// The smooth part.
enum Base {
    /// The plate's own rows, from this pixel of it on.
    Plain(usize),
    Own(Vec<f32>),
}

impl Warped {
    /// `None` where it would leave the plate's unspoilt part.
    pub(super) fn of(patch: &Patch, around: Rect, map: &Map) -> Option<Warped> {
        let [width, height] = patch.plate.size();
        let spoilt = SPOILT.min(width.min(height) as i32 / 6).max(3);
        let low = f64::from(spoilt);
        let high = [width, height].map(|side| side as f64 - 1.0 - low);
        let place = |x: i32, y: i32| {
            let [x, y] = patch.full(f64::from(x) + 0.5, f64::from(y) + 0.5);
            let (x, y) = map.apply(x, y);
            [
                (x - patch.plate.origin[0]) / patch.step - 0.5,
                (y - patch.plate.origin[1]) / patch.step - 0.5,
            ]
        };
        for (x, y) in [
            (around.x0, around.y0),
            (around.x1 - 1, around.y0),
            (around.x0, around.y1 - 1),
            (around.x1 - 1, around.y1 - 1),
        ] {
            let at = place(x, y);
            let inside = |k: usize| at[k] >= low && at[k] < high[k] - 1.0;
            if !inside(0) || !inside(1) {
                return None;
            }
        }
        let apart = |x: i32, y: i32| {
            let at = place(x, y);
            [at[0] - f64::from(x), at[1] - f64::from(y)]
        };
        let count = around.area() as usize;
        let mut values = Vec::with_capacity(count);
        let wide = around.width() as usize;
        let (detail, base) = (patch.plate.detail.data(), patch.plate.base.data());
        let ends = [
            apart(around.x0, around.y0),
            apart(around.x1 - 1, around.y1 - 1),
        ];
        let others = [
            apart(around.x1 - 1, around.y0),
            apart(around.x0, around.y1 - 1),
        ];
        let mean = [0, 1].map(|k| (ends[0][k] + ends[1][k]) / 2.0);
        let even = |at: &[f64; 2]| (0..2).all(|k| (at[k] - mean[k]).abs() < EVEN);
        if ends.iter().chain(&others).all(even) {
            let first = [
                f64::from(around.x0) + mean[0],
                f64::from(around.y0) + mean[1],
            ];
            let base = shifted(&mut values, patch, around, first);
            return Some(Warped { values, base, wide });
        }
        let mut smooth = Vec::with_capacity(count);
        for y in around.y0..around.y1 {
            for x in around.x0..around.x1 {
                let at = place(x, y);
                let (u, v) = (at[0].floor(), at[1].floor());
                let (across, down) = (six((at[0] - u) as f32), six((at[1] - v) as f32));
                // Under perspective a point between the corners may stick out by a hair.
                let column = (u as usize).clamp(2, width - 4) - 2;
                let row = (v as usize).clamp(2, height - 4) - 2;
                let mut sum = 0.0;
                for (k, weight) in down.iter().enumerate() {
                    let line = &detail[(row + k) * width + column..][..6];
                    sum += weight * weighed(line, &across);
                }
                values.push(sum);
                let near = |v: f64, side: usize| ((v + 0.5) as usize).min(side - 1);
                smooth.push(base[near(at[1], height) * width + near(at[0], width)]);
            }
        }
        let base = Base::Own(smooth);
        Some(Warped { values, base, wide })
    }

    /// The smooth part of `count` pixels of a line, from the pixel `from` on.
    pub(super) fn lows<'a>(
        &'a self,
        patch: &'a Patch,
        line: usize,
        from: usize,
        count: usize,
    ) -> &'a [f32] {
        match &self.base {
            Base::Plain(first) => {
                let first = first + line * patch.plate.size()[0] + from;
                &patch.plate.base.data()[first..first + count]
            }
            Base::Own(base) => &base[line * self.wide + from..][..count],
        }
    }
}

/// The same for a plain shift, where all pixels share their weights: down first, then across.
fn shifted(values: &mut Vec<f32>, patch: &Patch, around: Rect, first: [f64; 2]) -> Base {
    let width = patch.plate.size()[0];
    let wide = around.width() as usize;
    let detail = patch.plate.detail.data();
    let (u, v) = (first[0].floor(), first[1].floor());
    let (across, down) = (six((first[0] - u) as f32), six((first[1] - v) as f32));
    let (column, row) = (u as usize - 2, v as usize - 2);
    let near = [(first[0] + 0.5) as usize, (first[1] + 0.5) as usize];
    let mut line = vec![0.0f32; wide + 5];
    for y in 0..around.height() as usize {
        let rows =
            [0, 1, 2, 3, 4, 5].map(|k| &detail[(row + y + k) * width + column..][..wide + 5]);
        six_added(rows, &down, &mut line);
        let first = values.len();
        values.resize(first + wide, 0.0);
        let beside = [0, 1, 2, 3, 4, 5].map(|k| &line[k..k + wide]);
        six_added(beside, &across, &mut values[first..]);
    }
    Base::Plain(near[1] * width + near[0])
}

/// Where all of a block moves alike to within this (grid px), it is taken as a plain shift: what its two ends are off
/// cancels.
const EVEN: f64 = 0.03;

/// Six samples around a point: weights of the polynomial through them (Lagrange), at `t` between the third and the
/// fourth. Its phase is right far beyond a cubic's, which would pull shifts by some hundredths of a pixel.
fn six(t: f32) -> [f32; 6] {
    let [a, b, c, d, e, f] = [t + 2.0, t + 1.0, t, t - 1.0, t - 2.0, t - 3.0];
    [
        -b * c * d * e * f / 120.0,
        a * c * d * e * f / 24.0,
        -a * b * d * e * f / 12.0,
        a * b * c * e * f / 12.0,
        -a * b * c * d * f / 24.0,
        a * b * c * d * e / 120.0,
    ]
}

/// Six lists times their weights.
fn six_added([a, b, c, d, e, f]: [&[f32]; 6], weights: &[f32; 6], out: &mut [f32]) {
    let first = a.iter().zip(b).zip(c);
    let last = d.iter().zip(e).zip(f);
    for (out, (((a, b), c), ((d, e), f))) in out.iter_mut().zip(first.zip(last)) {
        let [p, q, r, s, t, u] = weights;
        // From nothing on, one after the other.
        *out = 0.0 + p * a + q * b + r * c + s * d + t * e + u * f;
    }
}

fn weighed(samples: &[f32], weights: &[f32; 6]) -> f32 {
    samples.iter().zip(weights).map(|(a, b)| a * b).sum()
}
