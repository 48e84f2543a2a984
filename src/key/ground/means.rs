//! Means along a line through every cell, and how unsure they are.
//!
//! Made row by row as they are asked for, and plane by plane, so that many cells are looked at side by side. No more rows
//! are kept than lie apart across a line.

use super::course::Course;
use crate::raster::Raster;

/// Cells looked at side by side; a row has room for so many more than it has cells.
pub(super) const LANES: usize = 32;
/// Most rows between a line and a mean beside it.
pub(super) const REACH: usize = 5;
const ROWS: usize = 2 * REACH + 1;

/// How many independent cells one mean along the line holds, after the blur of the soft means.
const CELLS_IN_MEAN: f32 = 33.0;
/// Half the length of a mean along the line, in steps of one cell.
const ALONG: i32 = 3;
/// A ratio against a noisy plate falls short by up to this over the weight of a cell.
const SHIFT: f32 = 0.5;

/// A row of means, a plane a channel.
#[derive(Clone)]
pub(super) struct Row {
    pub mean: [Vec<f32>; 3],
    /// The variance of a mean.
    pub variance: [Vec<f32>; 3],
    /// What a noisy plate may shift it by.
    pub shift: [Vec<f32>; 3],
}

/// What means are made of: soft ratio times weight, and weight; a course is laid on them.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    pub soft: &'a Raster<[f32; 6]>,
    pub course: Option<&'a Course<'a>>,
}

/// The last rows made along one line.
pub(super) struct Means {
    rows: Vec<Row>,
    sums: Vec<[f32; 6]>,
    /// Cells across and down of one step along the line, for every step of a mean but its middle.
    along: Vec<(i32, i32)>,
    /// The next row to be made.
    next: usize,
}

impl Means {
    pub fn new(width: usize) -> Means {
        let plane = || [0; 3].map(|_| vec![1.0f32; width + LANES]);
        let row = Row {
            mean: plane(),
            variance: plane(),
            shift: plane(),
        };
        Means {
            rows: vec![row; ROWS],
            sums: vec![[0.0; 6]; width],
            along: Vec::new(),
            next: 0,
        }
    }

    /// What [`Means::new`] holds.
    pub fn bytes(width: usize) -> u64 {
        (4 * (9 * ROWS * (width + LANES) + 6 * width)) as u64
    }

    /// Begins with `row` along another line: its tangent per cell.
    pub fn begin(&mut self, tangent: (f32, f32), row: usize) {
        let places = (-ALONG..=ALONG).filter(|&t| t != 0);
        let place = |t: i32| {
            let t = t as f32;
            (
                (tangent.0 * t).round() as i32,
                (tangent.1 * t).round() as i32,
            )
        };
        self.along = places.map(place).collect();
        self.next = row;
    }

    /// Makes the rows up to this one, the last that is wanted now.
    pub fn make(&mut self, source: Source, last: usize) {
        while self.next <= last {
            self.summed(source.soft, self.next);
            let row = &mut self.rows[self.next % ROWS];
            row.take(&self.sums);
            if let Some(course) = source.course {
                row.lay_on(course.row(self.next));
            }
            self.next += 1;
        }
    }

    /// A row made, at most `REACH` above or below the middle of those that were wanted last.
    pub fn row(&self, row: usize) -> &Row {
        &self.rows[row % ROWS]
    }

    /// Sums along the line.
    fn summed(&mut self, soft: &Raster<[f32; 6]>, row: usize) {
        let rect = soft.rect();
        let middle = rect.y0 + row as i32;
        self.sums.copy_from_slice(soft.row(middle));
        for &(dx, dy) in &self.along {
            let y = (middle + dy).clamp(rect.y0, rect.y1 - 1);
            add_shifted(&mut self.sums, soft.row(y), dx);
        }
    }
}

impl Row {
    /// Means and their weights, which are above zero, from sums.
    fn take(&mut self, sums: &[[f32; 6]]) {
        let one = (2 * ALONG + 1) as f32 / CELLS_IN_MEAN;
        let shift = SHIFT * (2 * ALONG + 1) as f32;
        for k in 0..3 {
            let [mean, variance, shifts] = [&mut self.mean, &mut self.variance, &mut self.shift]
                .map(|planes| &mut planes[k][..sums.len()]);
            for ((mean, variance), sum) in mean.iter_mut().zip(variance.iter_mut()).zip(sums) {
                (*mean, *variance) = (sum[k], sum[3 + k].max(1e-6));
            }
            let all = mean.iter_mut().zip(variance).zip(shifts);
            for ((mean, variance), shifted) in all {
                let weight = *variance;
                *mean /= weight;
                *variance = one / weight;
                *shifted = shift / weight;
            }
        }
    }

    /// Lays the course on means of what it left over.
    fn lay_on(&mut self, course: &[[f32; 3]]) {
        for (k, means) in self.mean.iter_mut().enumerate() {
            for (mean, course) in means.iter_mut().zip(course) {
                *mean += course[k];
            }
        }
    }
}

/// Adds the row moved by `dx` cells; its ends go on.
fn add_shifted(out: &mut [[f32; 6]], row: &[[f32; 6]], dx: i32) {
    let last = row.len() as i32 - 1;
    let add = |out: &mut [f32; 6], v: &[f32; 6]| {
        for k in 0..6 {
            out[k] += v[k];
        }
    };
    let low = (-dx).clamp(0, last + 1) as usize;
    let high = (last + 1 - dx).clamp(low as i32, last + 1) as usize;
    for (x, out) in out.iter_mut().enumerate().take(low) {
        add(out, &row[(x as i32 + dx).clamp(0, last) as usize]);
    }
    let from = (low as i32 + dx).clamp(0, last + 1) as usize;
    let inside = out[low..high].as_flattened_mut().iter_mut();
    for (out, v) in inside.zip(row[from..].as_flattened()) {
        *out += v;
    }
    for (x, out) in out.iter_mut().enumerate().skip(high) {
        add(out, &row[(x as i32 + dx).clamp(0, last) as usize]);
    }
}
