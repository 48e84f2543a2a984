//! How surely cells really tell. Frames come through a raw converter: neighbouring pixels share some of their noise, more in
//! some lights than in others, and edges of the plate meet worse than any model of noise says. So every measure is held
//! against what quiet cells of the same kind really scatter: the plate as bright, its edges as steep.

use rayon::prelude::*;

use super::super::Noise;
use super::cells::{Around, CELLS_IN_SOFT, Cells, PIECE};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Kinds of light, in equal steps of its square root, and upper ends of the kinds of edges: the plate's squared gradient
/// over the variance of noise.
const LIGHTS: usize = 8;
const STEEP: [f32; 3] = [4.0, 40.0, 400.0];
const EDGES: usize = STEEP.len() + 1;
const KINDS: usize = LIGHTS * EDGES;

/// Quiet cells that tell of all, and of a kind, and how much more it must scatter than all do.
const FEWEST: usize = 50;
const ENOUGH: usize = 300;
const MORE: f32 = 1.15;

/// What all of a kind, and all there are, may scatter, in variances of the model.
const ALL: (f32, f32) = (0.25, 8.0);
const MISFITS: (f32, f32) = (0.1, 4.0);
const MOST: f32 = 64.0;

/// Median and last tenth of a squared normal variable and of a mean of nine of them; the third of all that is least.
const MEDIAN_ONE: f32 = 0.4549;
const MEDIAN_NINE: f32 = 0.927;
const TENTH_ONE: f32 = 2.706;
const TENTH_NINE: f32 = 1.631;
const THIRD_ONE: f32 = 0.1855;

/// Cells between soft means that are compared: they share none. A plate that is carried to the frame alone makes means
/// scatter by so much more than cells do: every limit reckons with it.
const APART: i32 = 4;
const CARRIED: f32 = 1.5;
/// Less than so much more is chance or light.
const SMOOTH: f32 = 1.2;

/// The kind of one cell.
pub(super) fn kind(around: &Around, noise: &Noise) -> u8 {
    let (mut light, mut slope, mut count) = (0.0f32, 0.0f32, 0.0f32);
    around.each(|p| {
        for k in 0..3 {
            count += 1.0;
            light += p.plate[k];
            slope += p.slope[k] / noise.variance(k, p.plate[k], 0.0);
        }
    });
    if count == 0.0 {
        return 0;
    }
    let (light, slope) = (light / count, slope / count);
    let light = ((light.sqrt() * LIGHTS as f32) as usize).min(LIGHTS - 1);
    let edge = STEEP.iter().take_while(|&&end| slope >= end).count();
    (light * EDGES + edge) as u8
}

/// What stands where in a sorted list, over what a normal variable has there.
fn share(of: &mut [f32], place: f32, normal: f32) -> f32 {
    let at = ((of.len() - 1) as f32 * place) as usize;
    *of.select_nth_unstable_by(at, f32::total_cmp).1 / normal
}

/// By kind, how much more than it should a measure scatters; never less than all of it does.
struct Scatter {
    of: [f32; KINDS],
}

impl Scatter {
    /// From squares of quiet cells and their kinds; `None` where there are too few. Edges meet badly here and there and
    /// well elsewhere, so they are asked for the last tenth as well: `normal` is a normal variable's median and tenth.
    fn told(by_kind: &mut [Vec<f32>], normal: (f32, f32), all: f32) -> Scatter {
        let mut of = [all; KINDS];
        for (kind, own) in by_kind.iter_mut().enumerate() {
            if own.len() < ENOUGH {
                continue;
            }
            let mut more = share(own, 0.5, normal.0);
            if kind % EDGES > 0 {
                more = more.max(share(own, 0.9, normal.1));
            }
            if more > MORE * all {
                of[kind] = more.min(MOST);
            }
        }
        Scatter { of }
    }

    fn at(&self, kind: u8) -> f32 {
        self.of[usize::from(kind)]
    }
}

/// Square of what a cell's ratio is off the course of the light by, in the variances of its weight.
fn square(cells: &Cells, at: usize) -> f32 {
    let k = at % 3;
    let off = cells.ratio.data()[at][k] - cells.course.data()[at][k];
    off * off * cells.weight.data()[at][k]
}

/// Scales weight of cells to what all quiet ones scatter about the course of the light: what light is told from may bend
/// more at edges than they are off.
pub(super) fn together(
    cells: &mut Cells,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let _held = account.charge(4 * quiet.data().len() as u64, "scatter of cells")?;
    let quiet = quiet.data().iter().enumerate();
    let asked = quiet.filter(|(_, quiet)| **quiet > 0);
    let mut all: Vec<f32> = asked.map(|(at, _)| square(cells, at)).collect();
    if all.len() < FEWEST {
        return Ok(());
    }
    let all = share(&mut all, 0.5, MEDIAN_ONE).clamp(ALL.0, ALL.1);
    let weights = cells.weight.data_mut().par_iter_mut().with_min_len(PIECE);
    weights.for_each(|weight| *weight = weight.map(|v| v / all));
    Ok(())
}

/// Scales weight and misfit of cells to what quiet ones of their kind scatter about the course of the light.
pub(super) fn by_kind(
    cells: &mut Cells,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let _held = account.charge(16 * quiet.data().len() as u64, "scatter of cells")?;
    let mut squares = vec![Vec::new(); KINDS];
    let mut misfits = vec![Vec::new(); KINDS];
    for (at, &quiet) in quiet.data().iter().enumerate() {
        if quiet > 0 {
            let kind = usize::from(cells.kinds.data()[at]);
            squares[kind].push(square(cells, at));
            misfits[kind].push(cells.misfit.data()[at]);
        }
    }
    let mut all = squares.concat();
    if all.len() < FEWEST {
        return Ok(());
    }
    let all = share(&mut all, 0.5, MEDIAN_ONE).clamp(ALL.0, ALL.1);
    let scatter = Scatter::told(&mut squares, (MEDIAN_ONE, TENTH_ONE), all);
    let all = share(&mut misfits.concat(), 0.5, MEDIAN_NINE).clamp(MISFITS.0, MISFITS.1);
    let misfit = Scatter::told(&mut misfits, (MEDIAN_NINE, TENTH_NINE), all);
    let kinds = cells.kinds.data().par_iter();
    let held = cells.weight.data_mut().par_iter_mut();
    held.zip(cells.misfit.data_mut())
        .zip(kinds)
        .with_min_len(PIECE)
        .for_each(|((weight, own), &kind)| {
            *weight = weight.map(|v| v / scatter.at(kind));
            *own /= misfit.at(kind);
        });
    Ok(())
}

/// Makes soft means as sure as those of quiet cells are against others some cells off; gives how many times as much they
/// scatter as those of a plain sensor's pixels.
pub(super) fn means(
    cells: &mut Cells,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<f32, OverBudget> {
    let rect = quiet.rect();
    let _held = account.charge(4 * quiet.data().len() as u64, "scatter of means")?;
    let mut squares = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let (dx, dy) = if (x + y) & 1 == 0 {
                (APART, 0)
            } else {
                (0, APART)
            };
            let places = [(x - dx, y - dy), (x, y), (x + dx, y + dy)];
            if !(places.iter()).all(|&(x, y)| rect.contains(x, y) && quiet.at(x, y) > 0) {
                continue;
            }
            let k = (x - rect.x0) as usize % 3;
            let [before, own, after] = places.map(|(x, y)| {
                let sums = cells.soft.at(x, y);
                (sums[k], sums[3 + k].max(1e-9))
            });
            let mean = |(sum, whole): (f32, f32)| sum / whole;
            // Light that rises evenly gives nothing.
            let off = mean(before) - 2.0 * mean(own) + mean(after);
            let variance = (1.0 / before.1 + 4.0 / own.1 + 1.0 / after.1) / CELLS_IN_SOFT;
            squares.push(off * off / variance);
        }
    }
    if squares.len() < FEWEST {
        return Ok(1.0);
    }
    // Light that bends gives something: the least third is asked.
    let more = share(&mut squares, 1.0 / 3.0, THIRD_ONE) / CARRIED;
    if more < SMOOTH {
        return Ok(1.0);
    }
    let more = more.min(MOST);
    let means = cells.soft.data_mut().par_iter_mut().with_min_len(PIECE);
    means.for_each(|sums| *sums = sums.map(|v| v / more));
    Ok(more)
}
