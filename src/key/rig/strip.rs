//! The pixels along a rod, by their place along and across it. The frame is not resampled: a pixel keeps its value
//! and learns where it lies.

use rayon::prelude::*;

use super::axis::Axis;
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::key::Ask;
use crate::key::ground::Ground;

#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub x: i32,
    pub y: i32,
    /// Along and across, in pixels.
    pub s: f32,
    pub u: f32,
    pub frame: [f32; 3],
    /// What the set shows here: the plate under the frame's light.
    pub set: [f32; 3],
    pub variance: [f32; 3],
}

/// Samples in order of their whole row along the way, then of the frame's rows.
pub(super) struct Strip {
    pub first: i32,
    samples: Vec<Sample>,
    /// Where each row starts, and the end.
    starts: Vec<usize>,
    _charge: Charge,
}

impl Strip {
    /// Every pixel of the frame from `from` to `to` along and within `reach` beside.
    pub fn along(
        ask: &Ask,
        ground: &Ground,
        axis: &Axis,
        (from, to): (i32, i32),
        reach: f64,
        account: &Account,
    ) -> Result<Strip, OverBudget> {
        let frame = ask.frame.rect();
        let spans = spans(axis, (from, to), reach, &frame);
        let count: u64 = spans.iter().map(|(a, b)| (b - a).max(0) as u64).sum();
        let charge = account.charge(count * (size_of::<Sample>() as u64) * 2, "pixels of a rod")?;
        let lines: Vec<Vec<Sample>> = spans
            .par_iter()
            .with_min_len(64)
            .zip(frame.y0..frame.y1)
            .map(|(&(x0, x1), y)| {
                let mut line = Vec::with_capacity((x1 - x0).max(0) as usize);
                for x in x0..x1 {
                    let (s, u) = axis.place(f64::from(x) + 0.5, f64::from(y) + 0.5);
                    if s >= f64::from(from) && s < f64::from(to) && u.abs() <= reach {
                        line.push(sample(ask, ground, x, y, s, u));
                    }
                }
                line
            })
            .collect();
        let rows = (to - from).max(0) as usize;
        let mut starts = vec![0usize; rows + 1];
        let row_of = |p: &Sample| ((p.s.floor() as i32 - from).max(0) as usize).min(rows - 1);
        for p in lines.iter().flatten() {
            starts[row_of(p) + 1] += 1;
        }
        for row in 0..rows {
            starts[row + 1] += starts[row];
        }
        // Each to its row, in the order they come.
        let mut next = starts.clone();
        let some = lines.iter().flatten().next().copied();
        let mut samples: Vec<Sample> = some.map_or(Vec::new(), |p| vec![p; starts[rows]]);
        for p in lines.iter().flatten() {
            let place = &mut next[row_of(p)];
            samples[*place] = *p;
            *place += 1;
        }
        Ok(Strip {
            first: from,
            samples,
            starts,
            _charge: charge,
        })
    }

    /// One past the last row.
    pub fn end(&self) -> i32 {
        self.first + self.starts.len() as i32 - 1
    }

    /// The samples of the rows from `from` to `to`, as far as the strip has them.
    pub fn rows(&self, from: i32, to: i32) -> &[Sample] {
        let last = self.starts.len() - 1;
        let a = ((from - self.first).max(0) as usize).min(last);
        let b = ((to - self.first).max(0) as usize).min(last).max(a);
        &self.samples[self.starts[a]..self.starts[b]]
    }

    pub fn all(&self) -> &[Sample] {
        &self.samples
    }
}

/// Per row of the frame, the pixels that may lie in the strip.
fn spans(axis: &Axis, (from, to): (i32, i32), reach: f64, frame: &Rect) -> Vec<(i32, i32)> {
    let mut spans = vec![(i32::MAX, i32::MIN); frame.height() as usize];
    let mut corners: Option<[(f64, f64); 2]> = None;
    for s in from..=to {
        let ends = [
            axis.point(f64::from(s), -reach),
            axis.point(f64::from(s), reach),
        ];
        let before = corners.unwrap_or(ends);
        corners = Some(ends);
        let all = [ends[0], ends[1], before[0], before[1]];
        let fold = |pick: fn(&(f64, f64)) -> f64| {
            all.iter()
                .map(pick)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |m, v| {
                    (m.0.min(v), m.1.max(v))
                })
        };
        let ((x0, x1), (y0, y1)) = (fold(|p| p.0), fold(|p| p.1));
        let clip = |v: f64, low: i32, high: i32| v.clamp(f64::from(low), f64::from(high)) as i32;
        for y in clip(y0 - 2.0, frame.y0, frame.y1)..clip(y1 + 3.0, frame.y0, frame.y1) {
            let span = &mut spans[(y - frame.y0) as usize];
            span.0 = span.0.min(clip(x0 - 2.0, frame.x0, frame.x1));
            span.1 = span.1.max(clip(x1 + 3.0, frame.x0, frame.x1));
        }
    }
    for span in &mut spans {
        if span.0 >= span.1 {
            *span = (0, 0);
        }
    }
    spans
}

fn sample(ask: &Ask, ground: &Ground, x: i32, y: i32, s: f64, u: f64) -> Sample {
    let rect = ask.plate.rect();
    let plate = ask.plate.at(x, y);
    let light = ground.light.at(x, y);
    let beside = |dx: i32, dy: i32| {
        ask.plate.at(
            (x + dx).clamp(rect.x0, rect.x1 - 1),
            (y + dy).clamp(rect.y0, rect.y1 - 1),
        )
    };
    let (left, right, above, below) = (beside(-1, 0), beside(1, 0), beside(0, -1), beside(0, 1));
    let finite = |v: f32| if v.is_finite() { v } else { 0.0 };
    let set: [f32; 3] = std::array::from_fn(|k| finite(plate[k] * light[k]));
    let noise = &ground.noise;
    let variance = std::array::from_fn(|k| {
        let (gx, gy) = ((right[k] - left[k]) * 0.5, (below[k] - above[k]) * 0.5);
        // Light itself is known to about one part in a hundred.
        let light_error = 0.01 * set[k];
        finite(noise.p[k] * set[k].max(0.0) + noise.q[k] + noise.r[k] * (gx * gx + gy * gy))
            .max(1e-8)
            + light_error * light_error
    });
    Sample {
        x,
        y,
        s: s as f32,
        u: u as f32,
        frame: ask.frame.at(x, y).map(finite),
        set,
        variance,
    }
}
