//! The last cells up to an edge. The flood looks at means over some cells and stops short of an edge by as much; here
//! background moves on ring by ring, each ring judged along itself, so that nothing beyond it is mixed in.

use rayon::prelude::*;

use super::cells::Cells;
use super::flood::add;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Rings taken at most: what soft means and the echoes of walls keep away.
const RINGS: usize = 7;
/// How far cells of a ring, and what is accepted, are looked at, in cells.
const ALONG: i32 = 2;
const REACH: i32 = 3;
/// A ring goes on up to this departure, in variances; one of its cells up to `ONE`.
const MOST: f32 = 4.0;
const ONE: f32 = 6.0;
const MISFIT: f32 = 4.0;
/// Relative departure that smooth light may have over the width of a few cells: brightness, tint.
const SLACK: f32 = 0.03;
const SLACK_TINT: f32 = 0.012;
/// How much darker than the mean around it a shadow's course may make a ring.
const DEEPER: f32 = 0.85;

/// Grows `background` over the cells that are `open`.
pub(super) fn reached(
    cells: &Cells,
    background: &mut Raster<u8>,
    open: &Raster<u8>,
    scale: f32,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = background.rect();
    let bytes = 16 * background.data().len() as u64;
    let _held = account.charge(bytes, "the shore")?;
    // 0 unknown, 1 accepted, 2 asked in this round, 3 refused.
    let mut state = Raster::filled(rect, 0u8, account)?;
    state.data_mut().copy_from_slice(background.data());
    let mut last: Vec<(i32, i32)> = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if state.at(x, y) == 1 {
                last.push((x, y));
            }
        }
    }
    for _ in 0..RINGS {
        let mut ring = Vec::new();
        for &(x, y) in &last {
            for (px, py) in [(x, y - 1), (x - 1, y), (x + 1, y), (x, y + 1)] {
                if rect.contains(px, py) && state.at(px, py) == 0 && open.at(px, py) > 0 {
                    state.put(px, py, 2);
                    ring.push((px, py));
                }
            }
        }
        let taken: Vec<bool> = ring
            .par_iter()
            .with_min_len(64)
            .map(|&(x, y)| fits(cells, &state, x, y, scale))
            .collect();
        last.clear();
        for (&(x, y), taken) in ring.iter().zip(taken) {
            state.put(x, y, if taken { 1 } else { 3 });
            if taken {
                background.put(x, y, 1);
                last.push((x, y));
            }
        }
    }
    Ok(())
}

fn fits(cells: &Cells, state: &Raster<u8>, x: i32, y: i32, scale: f32) -> bool {
    if cells.misfit.at(x, y) > MISFIT * scale {
        return false;
    }
    let rect = state.rect();
    let (mut known, mut ring) = ([0.0f32; 6], [0.0f32; 6]);
    for py in (y - REACH).max(rect.y0)..(y + REACH + 1).min(rect.y1) {
        for px in (x - REACH).max(rect.x0)..(x + REACH + 1).min(rect.x1) {
            let near = (px - x).abs().max((py - y).abs()) <= ALONG;
            let into = match state.at(px, py) {
                1 => &mut known,
                2 if near => &mut ring,
                _ => continue,
            };
            add(into, &cells.sum(px, py));
        }
    }
    let level = [0, 1, 2].map(|k| known[k] / known[3 + k].max(1e-6));
    let course = cells
        .course(x, y, level, |px, py| state.at(px, py) == 1)
        .clamp(DEEPER, 1.0);
    fits_at(cells, (x, y), &known, &ring, 1.0, scale)
        || fits_at(cells, (x, y), &known, &ring, course, scale)
}

/// The same, brightness going on to `course` times the known mean.
fn fits_at(
    cells: &Cells,
    (x, y): (i32, i32),
    known: &[f32; 6],
    ring: &[f32; 6],
    course: f32,
    scale: f32,
) -> bool {
    let (ratio, weight) = (cells.ratio.at(x, y), cells.weight.at(x, y));
    let mut one = 0.0;
    let (mut offs, mut sures) = ([0.0f32; 3], [0.0f32; 3]);
    let mut brightness = 0.0;
    for k in 0..3 {
        if !(known[3 + k] > 1e-6 && ring[3 + k] > 1e-6 && weight[k] > 1e-6) {
            continue;
        }
        let level = (course * known[k] / known[3 + k]).max(0.02);
        let sure = |weight: f32| 1.0 / ((1.0 / weight + 1.0 / known[3 + k]) / (level * level));
        let off = ratio[k] / level - 1.0;
        let own = sure(weight[k]);
        one += off * off * own / (1.0 + SLACK * SLACK * own);
        offs[k] = ring[k] / ring[3 + k] / level - 1.0;
        sures[k] = sure(ring[3 + k]);
        brightness += offs[k] * sures[k];
    }
    let sure = (sures[0] + sures[1] + sures[2]).max(1e-6);
    brightness /= sure;
    let mut all = brightness * brightness * sure / (1.0 + SLACK * SLACK * sure);
    for k in 0..3 {
        let off = offs[k] - brightness;
        all += off * off * sures[k] / (1.0 + SLACK_TINT * SLACK_TINT * sures[k]);
    }
    one / 3.0 < ONE * scale && all / 3.0 < MOST * scale
}
