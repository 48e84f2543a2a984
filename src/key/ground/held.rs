//! How surely cells really tell, held against quiet ones. Frames of a raw converter want more than that: neighbouring pixels
//! share their noise there, so that means scatter more than their number says, and edges of the plate meet worse than any
//! model of noise does.

use rayon::prelude::*;

use super::super::{Ask, Noise};
use super::cells::{Around, CELLS_IN_SOFT, Cells, PIECE};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// What quiet cells may scatter, in variances of the model: ratios and misfits.
const RATIOS: (f32, f32) = (0.25, 8.0);
const MISFITS: (f32, f32) = (0.1, 4.0);
/// The most that a kind of cells, or a mean, may scatter more.
const MOST: f32 = 64.0;
/// Cells that tell of all, and of a kind.
const FEWEST: usize = 50;
const ENOUGH: usize = 300;

/// Pixels that share no noise, px apart, and how many times as much as neighbours they differ by where a converter filled
/// channels in: 3.5 and more. A plate that is carried to the frame makes 2.1 of it at most (both measured).
const FAR: i32 = 4;
const SMOOTH: f32 = 2.5;
/// Share of pixels that two channels are off to the same side in: half by chance, 0.95 where noise of colour was smoothed
/// (measured).
const ALIKE: f32 = 0.75;

/// Kinds of light, in equal steps of its square root, and upper ends of the kinds of edges: the plate's squared gradient
/// over the variance of noise.
const LIGHTS: usize = 8;
const STEEP: [f32; 3] = [4.0, 40.0, 400.0];
const EDGES: usize = STEEP.len() + 1;
const KINDS: usize = LIGHTS * EDGES;
/// How much more a kind must scatter than it should.
const MORE: f32 = 1.15;

/// Cells between soft means that are compared: they share none. A plate that is carried to the frame alone makes means
/// scatter by so much more than cells do: every limit reckons with it.
const APART: i32 = 4;
const CARRIED: f32 = 1.5;

/// Median and last tenth of a squared normal variable and of a mean of nine of them; the third of all that is least.
pub(super) const MEDIAN_ONE: f32 = 0.4549;
const MEDIAN_NINE: f32 = 0.927;
const TENTH_NINE: f32 = 1.631;
const THIRD_ONE: f32 = 0.1855;

/// What stands where in a sorted list, over what a normal variable has there.
pub(super) fn share(of: &mut [f32], place: f32, normal: f32) -> f32 {
    let at = ((of.len() - 1) as f32 * place) as usize;
    *of.select_nth_unstable_by(at, f32::total_cmp).1 / normal
}

/// Scales weight and misfit of cells to what quiet ones scatter about the course of the light.
pub(super) fn together(
    cells: &mut Cells,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let _held = account.charge(8 * quiet.data().len() as u64, "scatter of cells")?;
    let (mut ratios, mut misfits) = (Vec::new(), Vec::new());
    for (at, &quiet) in quiet.data().iter().enumerate() {
        if quiet > 0 {
            let k = at % 3;
            let off = cells.ratio.data()[at][k] - cells.course.data()[at][k];
            ratios.push(off * off * cells.weight.data()[at][k]);
            misfits.extend(cells.misfit.data().get(at));
        }
    }
    if ratios.len() < FEWEST {
        return Ok(());
    }
    let much = share(&mut ratios, 0.5, MEDIAN_ONE).clamp(RATIOS.0, RATIOS.1);
    let weights = cells.weight.data_mut().par_iter_mut().with_min_len(PIECE);
    weights.for_each(|weight| *weight = weight.map(|v| v / much));
    if misfits.is_empty() {
        return Ok(());
    }
    let much = share(&mut misfits, 0.5, MEDIAN_NINE).clamp(MISFITS.0, MISFITS.1);
    let misfits = cells.misfit.data_mut().par_iter_mut().with_min_len(PIECE);
    misfits.for_each(|misfit| *misfit /= much);
    Ok(())
}

/// Whether neighbouring pixels, or channels, share so much of their noise that a converter made them so. Asked where
/// the plate has no edges, which needn't meet.
pub(super) fn is_converted(
    ask: &Ask,
    noise: &Noise,
    cells: &Cells,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<bool, OverBudget> {
    let rect = quiet.rect();
    let frame = ask.frame.rect().intersected(&ask.plate.rect());
    let _held = account.charge(2 * quiet.data().len() as u64, "scatter of pixels")?;
    let (mut near, mut far) = (Vec::new(), Vec::new());
    let mut alike = 0usize;
    for y in (rect.y0..rect.y1).step_by(2) {
        for x in (rect.x0..rect.x1).step_by(2) {
            let (i, j) = (2 * x, 2 * y);
            let across = (x + y) & 2 == 0;
            let at = |d: i32| if across { (i + d, j) } else { (i, j + d) };
            let is_quiet = |(i, j): (i32, i32)| {
                frame.contains(i, j) && quiet.at(i.div_euclid(2), j.div_euclid(2)) > 0
            };
            let flat = || {
                let around = Around::cell(ask.frame, ask.plate, x, y);
                usize::from(kind_of(&around, noise)) % EDGES == 0
            };
            if ![at(-FAR), at(0), at(FAR)].into_iter().all(is_quiet) || !flat() {
                continue;
            }
            let ratio = cells.course.at(x, y);
            let error = |d: i32, k: usize| {
                let (i, j) = at(d);
                ask.frame.at(i, j)[k] - ratio[k] * ask.plate.at(i, j)[k]
            };
            // Light that rises evenly gives nothing.
            let bend = |d: i32, k: usize| error(-d, k) - 2.0 * error(0, k) + error(d, k);
            let k = (x - rect.x0) as usize / 2 % 3;
            near.push(bend(1, k) * bend(1, k));
            far.push(bend(FAR, k) * bend(FAR, k));
            alike += usize::from(bend(1, k) * bend(1, (k + 1) % 3) > 0.0);
        }
    }
    if near.len() < ENOUGH {
        return Ok(false);
    }
    let alike = alike as f32 / near.len() as f32;
    let [near, far] = [near, far].map(|mut of| share(&mut of, 0.5, MEDIAN_ONE));
    Ok(far > SMOOTH * near || alike > ALIKE)
}

/// Scales misfits once more, to what quiet cells of the same kind show: the plate as bright, its edges as steep. Edges meet
/// badly here and there and well elsewhere, so of them the last tenth is asked as well.
pub(super) fn misfits(
    ask: &Ask,
    noise: &Noise,
    cells: &mut Cells,
    quiet: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let _held = account.charge(5 * quiet.data().len() as u64, "misfits by kind")?;
    let rect = quiet.rect();
    let mut kinds = Raster::filled(rect, 0u8, account)?;
    let width = kinds.width().max(1);
    let rows = kinds.data_mut().par_chunks_mut(width);
    rows.zip(rect.y0..rect.y1).for_each(|(row, y)| {
        for (kind, x) in row.iter_mut().zip(rect.x0..) {
            *kind = kind_of(&Around::cell(ask.frame, ask.plate, x, y), noise);
        }
    });
    let mut of = vec![Vec::new(); KINDS];
    let asked = kinds.data().iter().zip(quiet.data());
    for ((&kind, &quiet), &misfit) in asked.zip(cells.misfit.data()) {
        if quiet > 0 {
            of[usize::from(kind)].push(misfit);
        }
    }
    let mut much = [1.0; KINDS];
    for (kind, own) in of.iter_mut().enumerate() {
        if own.len() < ENOUGH {
            continue;
        }
        let mut more = share(own, 0.5, MEDIAN_NINE);
        if kind % EDGES > 0 {
            more = more.max(share(own, 0.9, TENTH_NINE));
        }
        if more > MORE {
            much[kind] = more.min(MOST);
        }
    }
    let misfits = cells.misfit.data_mut().par_iter_mut().zip(kinds.data());
    misfits
        .with_min_len(PIECE)
        .for_each(|(misfit, &kind)| *misfit /= much[usize::from(kind)]);
    Ok(())
}

/// The kind of one cell.
fn kind_of(around: &Around, noise: &Noise) -> u8 {
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
            let across = (x + y) & 1 == 0;
            let (dx, dy) = if across { (APART, 0) } else { (0, APART) };
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
            let off = mean(before) - 2.0 * mean(own) + mean(after);
            let variance = (1.0 / before.1 + 4.0 / own.1 + 1.0 / after.1) / CELLS_IN_SOFT;
            squares.push(off * off / variance);
        }
    }
    if squares.len() < FEWEST {
        return Ok(1.0);
    }
    // Light that bends gives something: the least third is asked.
    let more = (share(&mut squares, 1.0 / 3.0, THIRD_ONE) / CARRIED).clamp(1.0, MOST);
    let means = cells.soft.data_mut().par_iter_mut().with_min_len(PIECE);
    means.for_each(|sums| *sums = sums.map(|v| v / more));
    Ok(more)
}
