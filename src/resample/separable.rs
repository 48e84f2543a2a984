//! Maps without a turn: weights across depend on one output axis and weights down on the other, so each source
//! row is summed once per output column and shared by all output rows. The sums are those of the general path,
//! in the same order: equal bit for bit.

use std::ops::Range;

use super::Kernel;
use super::sample::Sample;
use super::sampler::{Sight, line_sum};
use super::taps::{Run, Taps};
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Map;
use crate::raster::Raster;

/// Which output axis the frame's x axis follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Axes {
    /// Frame x from canvas x, frame y from canvas y.
    Straight,
    /// Frame x from canvas y, frame y from canvas x: quarter turns.
    Swapped,
}

/// The axes of a map that keeps horizontals and verticals; `None` for all others.
pub(super) fn axes(map: &Map) -> Option<Axes> {
    let m = &map.0;
    if !map.is_affine() {
        None
    } else if m[0][1] == 0.0 && m[1][0] == 0.0 {
        Some(Axes::Straight)
    } else if m[0][0] == 0.0 && m[1][1] == 0.0 {
        Some(Axes::Swapped)
    } else {
        None
    }
}

pub(super) fn fill<P: Sample>(
    window: &Raster<P>,
    canvas_to_frame: &Map,
    axes: Axes,
    kernel: Kernel,
    result: &mut Raster<P>,
    account: &Account,
) -> Result<(), OverBudget> {
    let (frame, out) = (window.rect(), result.rect());
    let sight = Sight::new(canvas_to_frame);
    // One coordinate of each axis is enough: the other does not enter.
    let column = |x: i32| sight.of_pixel(x, out.y0);
    let row = |y: i32| sight.of_pixel(out.x0, y);
    let columns = out.x0..out.x1;
    let rows = out.y0..out.y1;
    match axes {
        Axes::Straight => {
            let across = Table::new(columns, column, 0, kernel, (frame.x0, frame.x1), account)?;
            let down = Table::new(rows, row, 1, kernel, (frame.y0, frame.y1), account)?;
            straight(window, &across, &down, result, account)
        }
        Axes::Swapped => {
            let across = Table::new(rows, row, 0, kernel, (frame.x0, frame.x1), account)?;
            let down = Table::new(columns, column, 1, kernel, (frame.y0, frame.y1), account)?;
            swapped(window, &across, &down, result, account)
        }
    }
}

fn straight<P: Sample>(
    window: &Raster<P>,
    across: &Table,
    down: &Table,
    result: &mut Raster<P>,
    account: &Account,
) -> Result<(), OverBudget> {
    let out = result.rect();
    let width = across.len();
    let needed = down.extent();
    let bytes = (needed.len() * width * size_of::<P>()) as u64;
    let _charge = account.charge(bytes, "half-resampled rows")?;
    let mut lines = Vec::with_capacity(needed.len() * width);
    for row in needed.clone() {
        lines.extend((0..width).map(|column| line_sum(window, row, across.run(column))));
    }
    for (k, y) in (out.y0..out.y1).enumerate() {
        let target = result.row_mut(y);
        let run = down.run(k);
        for (row, weight) in (run.first..).zip(run.weights) {
            let start = (row - needed.start) as usize * width;
            for (pixel, line) in target.iter_mut().zip(&lines[start..start + width]) {
                *pixel = pixel.plus(*weight, *line);
            }
        }
        for pixel in target {
            *pixel = pixel.settled();
        }
    }
    Ok(())
}

fn swapped<P: Sample>(
    window: &Raster<P>,
    across: &Table,
    down: &Table,
    result: &mut Raster<P>,
    account: &Account,
) -> Result<(), OverBudget> {
    let out = result.rect();
    let needed = down.extent();
    let bytes = (needed.len() * size_of::<P>()) as u64;
    let _charge = account.charge(bytes, "half-resampled rows")?;
    let mut lines = Vec::with_capacity(needed.len());
    for (k, y) in (out.y0..out.y1).enumerate() {
        let run = across.run(k);
        if run.weights.is_empty() {
            continue;
        }
        lines.clear();
        lines.extend(needed.clone().map(|row| line_sum(window, row, run)));
        for (column, pixel) in result.row_mut(y).iter_mut().enumerate() {
            let run = down.run(column);
            let mut sum = P::ZERO;
            if !run.weights.is_empty() {
                let start = (run.first - needed.start) as usize;
                for (line, weight) in lines[start..].iter().zip(run.weights) {
                    sum = sum.plus(*weight, *line);
                }
            }
            *pixel = sum.settled();
        }
    }
    Ok(())
}

/// The taps of every output coordinate on one axis.
struct Table {
    weights: Vec<f32>,
    /// First source pixel, and where the weights end; they begin where those before end.
    runs: Vec<(i32, usize)>,
    _charge: Charge,
}

impl Table {
    /// `sight` looks at output coordinate `outputs`; taps lie on source axis `axis`, inside `from..to`.
    fn new(
        outputs: Range<i32>,
        sight: impl Fn(i32) -> Option<([f64; 2], [f64; 2])>,
        axis: usize,
        kernel: Kernel,
        (from, to): (i32, i32),
        account: &Account,
    ) -> Result<Table, OverBudget> {
        let count = outputs.len() as u64;
        let scale = sight(outputs.start).map_or(1.0, |(_, scale)| scale[axis]);
        let most = (2.0 * kernel.radius() * scale) as u64 + 2;
        let inside = most.min(u64::from(to.abs_diff(from)));
        let bytes = count * (inside * 4 + 16) + inside * Taps::BYTES_A_TAP;
        let charge = account.charge(bytes, "kernel taps")?;
        let mut taps = Taps::default();
        let mut table = Table {
            weights: Vec::with_capacity((count * inside) as usize),
            runs: Vec::with_capacity(count as usize),
            _charge: charge,
        };
        for output in outputs {
            match sight(output) {
                Some((centre, scale)) if taps.aim(kernel, centre[axis], scale[axis], from, to) => {
                    table.weights.extend_from_slice(taps.run().weights);
                    table.runs.push((taps.run().first, table.weights.len()));
                }
                _ => table.runs.push((0, table.weights.len())),
            }
        }
        Ok(table)
    }

    fn len(&self) -> usize {
        self.runs.len()
    }

    fn run(&self, k: usize) -> Run<'_> {
        let start = if k == 0 { 0 } else { self.runs[k - 1].1 };
        let (first, end) = self.runs[k];
        Run {
            first,
            weights: &self.weights[start..end],
        }
    }

    /// All source pixels with a weight for some output.
    fn extent(&self) -> Range<i32> {
        let runs = || {
            (0..self.len())
                .map(|k| self.run(k))
                .filter(|run| !run.weights.is_empty())
        };
        let first = runs().map(|run| run.first).min().unwrap_or(0);
        let end = runs()
            .map(|run| run.first + run.weights.len() as i32)
            .max()
            .unwrap_or(0);
        first..end
    }
}
