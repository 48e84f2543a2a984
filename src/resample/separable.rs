//! Maps without a turn: weights across depend on one output axis and weights down on the other, so each source
//! row is summed once per output column and shared by all output rows. The sums are those of the general path,
//! in the same order: equal bit for bit.

use super::Kernel;
use super::sample::Sample;
use super::sampler::{Sight, line_sum};
use super::table::{Table, most_taps};
use super::taps::Taps;
use crate::budget::{Account, OverBudget};
use crate::geom::Map;
use crate::raster::Raster;
use rayon::prelude::*;

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
    let scale = sight
        .of_pixel(out.x0, out.y0)
        .map_or([1.0; 2], |(_, scale)| scale);
    let (frame_x, frame_y) = ((frame.x0, frame.x1), (frame.y0, frame.y1));
    // Where an output column or row looks; the other coordinate does not enter.
    let aim = |taps: &mut Taps, (x, y): (i32, i32), axis: usize, (from, to): (i32, i32)| {
        sight
            .of_pixel(x, y)
            .is_some_and(|(centre, scale)| taps.aim(kernel, centre[axis], scale[axis], from, to))
    };
    let across_most = most_taps(kernel, scale[0], frame_x);
    let down_most = most_taps(kernel, scale[1], frame_y);
    let (columns, rows) = (out.x0..out.x1, out.y0..out.y1);
    match axes {
        Axes::Straight => {
            let across = Table::new(columns, across_most, account, |taps, x| {
                aim(taps, (x, out.y0), 0, frame_x)
            })?;
            let down = Table::new(rows, down_most, account, |taps, y| {
                aim(taps, (out.x0, y), 1, frame_y)
            })?;
            straight(window, &across, &down, result, account)
        }
        Axes::Swapped => {
            let across = Table::new(rows, across_most, account, |taps, y| {
                aim(taps, (out.x0, y), 0, frame_x)
            })?;
            let down = Table::new(columns, down_most, account, |taps, x| {
                aim(taps, (x, out.y0), 1, frame_y)
            })?;
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
    let width = across.len();
    let needed = down.extent();
    let bytes = (needed.len() * width * size_of::<P>()) as u64;
    let _charge = account.charge(bytes, "half-resampled rows")?;
    let mut lines = vec![P::ZERO; needed.len() * width];
    lines
        .par_chunks_mut(width.max(1))
        .zip(needed.clone())
        .for_each(|(line, row)| {
            for (column, sum) in line.iter_mut().enumerate() {
                *sum = line_sum(window, row, across.run(column));
            }
        });
    let rows = result.data_mut().par_chunks_mut(width.max(1));
    rows.enumerate().for_each(|(k, target)| {
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
    });
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
