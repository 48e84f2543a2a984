//! Cells beside the outline that tint tells from the piece. Where a piece is as bright as the set its outline is a
//! weak wall, found at half the size and as wide as that; and a shadow at its foot may end in a wall of its own,
//! outside the outline, with a strip of set in between. Both stay with the piece though they have the set's tint, as
//! shadows have, and the piece behind them has another.

use rayon::prelude::*;

use super::super::tools::gauss;
use super::super::tools::labels::{self, Joined};
use super::cells::Cells;
use super::texture::{Answer, Sum, Texture};
use super::{areas, at_border, beside, hidden, ringed};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Blur of the means that are asked, in cells, and how many cells one of them holds (4 pi sigma^2).
const MEAN: f64 = 2.0;
const CELLS_IN_MEAN: f32 = 50.0;
/// The piece is what lies this deep, in cells; its tint a mean of some cells more.
const DEEP: u16 = 8;
const INNER: f64 = 6.0;
/// Share of the inner mean that must be there.
const THERE: f32 = 0.02;
/// How far from what was accepted, in cells.
const RINGS: u16 = 12;
/// Cells around the deep ones that are looked at: as far as that from the outline, and what their means reach.
const BESIDE: u32 = 26;
/// Tint that light may have of its own, relative.
const SLACK: f32 = 0.006;
/// How far the tints must lie apart, in variances, and how far from both a cell may.
const APART: f32 = 12.0;
const OFF: f32 = 12.0;
/// A cell is set up to this share of the way from the light's tint to the piece's: the outline's own cells stay.
const HALF: f32 = 0.35;
/// and no more deviations than this beside the light's.
const NOISE: f32 = 2.0;
/// Brightness against the light filled in: shadows are darker.
const BRIGHT: (f32, f32) = (0.6, 1.06);
/// The same of the piece: an outline with a step of brightness is found as that.
const LIKE: (f32, f32) = (0.75, 1.4);
/// How much brightness may change within one cell: a penumbra does so slowly, an edge fast.
const STEEP: f32 = 0.07;
const MISFIT: f32 = 4.0;

/// Adds to `background` what the set's tint tells from the piece's.
pub(super) fn told(
    cells: &Cells,
    background: &mut Raster<u8>,
    light: &Raster<[f32; 3]>,
    texture: &Texture,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = background.rect();
    let depth = areas::inside(&hidden(background, account)?, account)?;
    let part = depth.bounds(|depth| (DEEP..u16::MAX).contains(depth));
    if part.is_empty() {
        return Ok(());
    }
    let part = part.grown(BESIDE).intersected(&rect);
    let sums = cells.sums_in(part, account)?;
    let near = gauss::blurred(&sums, MEAN, account)?;
    let mut inner = sums;
    let width = inner.width().max(1);
    let rows = inner.data_mut().par_chunks_mut(width);
    rows.zip(part.y0..part.y1).for_each(|(row, y)| {
        for (sum, &depth) in row.iter_mut().zip(depth.span(y, part.x0, part.x1)) {
            if depth < DEEP {
                *sum = [0.0; 6];
            }
        }
    });
    let inner = gauss::blurred(&inner, INNER, account)?;
    let mut like = Raster::filled(part, 0u8, account)?;
    let rows = like.data_mut().par_chunks_mut(width);
    rows.zip(part.y0..part.y1).for_each(|(row, y)| {
        for (x, like) in (part.x0..).zip(row) {
            let around = depth.at(x, y);
            if around > 0 && around <= RINGS {
                let told = cells.soft_misfit.at(x, y) < MISFIT
                    && is_set(&near.at(x, y), &inner.at(x, y), light.at(x, y))
                    && is_flat(cells, x, y);
                *like = u8::from(told);
            }
        }
    });
    let added = reached(background, &like, account)?;
    // A piece may mirror the set's tint, but not its texture.
    let parts = labels::parts(&added, Joined::Sides, account)?;
    let mut sums = vec![Sum::default(); parts.parts.len()];
    for y in part.y0..part.y1 {
        for x in part.x0..part.x1 {
            if let Some(part) = parts.at(x, y) {
                texture.add(x, y, &mut sums[part]);
            }
        }
    }
    let kept: Vec<bool> = (sums.iter())
        .map(|sum| sum.answer() != Answer::Other)
        .collect();
    for y in part.y0..part.y1 {
        for x in part.x0..part.x1 {
            if parts.at(x, y).is_some_and(|part| kept[part]) {
                background.put(x, y, 1);
            }
        }
    }
    Ok(())
}

/// Cells of `like` that hang on the background outside the piece.
fn reached(
    background: &Raster<u8>,
    like: &Raster<u8>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let (rect, part) = (background.rect(), like.rect());
    let parts = labels::parts(background, Joined::Sides, account)?;
    let outer: Vec<bool> = (parts.parts.iter())
        .map(|part| at_border(&part.place, &rect))
        .collect();
    let mut reached = Raster::filled(part, 0u8, account)?;
    let _held = account.charge(16 * like.data().len() as u64, "cells of the set's tint")?;
    let mut front = Vec::new();
    for y in part.y0..part.y1 {
        for x in part.x0..part.x1 {
            let hangs = |&(x, y): &(i32, i32)| {
                rect.contains(x, y) && parts.at(x, y).is_some_and(|part| outer[part])
            };
            if like.at(x, y) > 0 && beside(x, y).iter().any(hangs) {
                reached.put(x, y, 1);
                front.push((x, y));
            }
        }
    }
    ringed(front, usize::from(RINGS), |x, y| {
        let takes = part.contains(x, y) && like.at(x, y) > 0 && reached.at(x, y) == 0;
        if takes {
            reached.put(x, y, 1);
        }
        takes
    });
    Ok(reached)
}

/// Whether a mean is nearer to the light's tint than to the piece's, and fits it.
fn is_set(near: &[f32; 6], inner: &[f32; 6], light: [f32; 3]) -> bool {
    let whole = |of: &[f32; 6]| of[3] + of[4] + of[5];
    if whole(inner) < THERE * whole(near) {
        return false;
    }
    let mut of = [[0.0f32; 3]; 2];
    let mut bright = [0.0f32; 2];
    for (side, sums) in [near, inner].into_iter().enumerate() {
        for k in 0..3 {
            of[side][k] = sums[k] / sums[3 + k].max(1e-6) / light[k].max(0.02);
        }
        bright[side] = (of[side][0] + of[side][1] + of[side][2]) / 3.0;
    }
    let within = |v: f32, range: (f32, f32)| v > range.0 && v < range.1;
    if !within(bright[0], BRIGHT) || !within(bright[1], LIKE) {
        return false;
    }
    let (mut apart, mut along, mut own) = (0.0f32, 0.0f32, 0.0f32);
    for k in 0..3 {
        let level = (bright[0] * light[k]).max(0.02);
        let variance =
            1.0 / (CELLS_IN_MEAN * near[3 + k] * level * level).max(1e-6) + SLACK * SLACK;
        let there = of[1][k] / bright[1] - 1.0;
        let here = of[0][k] / bright[0] - 1.0;
        apart += there * there / variance;
        along += there * here / variance;
        own += here * here / variance;
    }
    // Nearer to one end than to the other, and not far from the line between.
    let most = (NOISE * apart.sqrt()).min(HALF * apart);
    apart > APART && along < most && own - along * along / apart < OFF
}

/// Whether brightness changes no faster here than in a penumbra.
fn is_flat(cells: &Cells, x: i32, y: i32) -> bool {
    let rect = cells.soft.rect();
    let at = |x: i32, y: i32| {
        let v = cells
            .soft
            .at(x.clamp(rect.x0, rect.x1 - 1), y.clamp(rect.y0, rect.y1 - 1));
        (v[0] + v[1] + v[2]) / (v[3] + v[4] + v[5]).max(1e-6)
    };
    let (dx, dy) = (at(x + 1, y) - at(x - 1, y), at(x, y + 1) - at(x, y - 1));
    let most = 2.0 * STEEP * at(x, y);
    dx * dx + dy * dy < most * most
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sums whose ratio is this, a cell's ratio being sure to about a percent.
    fn sums(ratio: [f32; 3]) -> [f32; 6] {
        let weight = 1e4;
        let [r, g, b] = ratio.map(|v| v * weight);
        [r, g, b, weight, weight, weight]
    }

    #[test]
    fn shadow_is_the_set_and_another_tint_is_not() {
        let piece = [0.98, 0.95, 0.92];
        let mixed = |share: f32| piece.map(|v: f32| share * v + (1.0 - share) * 0.95);
        let light = [1.0; 3];
        for dark in [1.0, 0.8, 0.65] {
            assert!(is_set(&sums([dark; 3]), &sums(piece), light), "{dark}");
        }
        assert!(!is_set(&sums(piece), &sums(piece), light));
        // The outline itself stays, and so does what is a third tint.
        assert!(!is_set(&sums(mixed(0.5)), &sums(piece), light));
        assert!(!is_set(&sums([0.95, 1.0, 0.95]), &sums(piece), light));
        // A piece of the set's own tint tells nothing, nor does one much brighter.
        assert!(!is_set(&sums([0.9; 3]), &sums([0.95; 3]), light));
        assert!(!is_set(
            &sums([0.9; 3]),
            &sums(piece.map(|v| 2.0 * v)),
            light
        ));
    }

    #[test]
    fn noise_leaves_it_undecided() {
        let piece = [0.98, 0.95, 0.92];
        let faint = |ratio: [f32; 3]| sums(ratio).map(|v| v / 1000.0);
        assert!(!is_set(&faint([0.95; 3]), &faint(piece), [1.0; 3]));
    }
}
