//! What the flood left out is piece, rod or speck, and specks are dropped: parts that differ from the lit plate too
//! weakly, and small ones far from anything large.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined, Part};
use super::cells::Cells;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// A cell is strong evidence from here on, in variances.
const STRONG: f32 = 6.0;
/// Strong cells a part needs unless it is larger than `LARGE` cells.
const NEEDED: usize = 8;
const LARGE: u64 = 400;
/// A speck: less than this share of the largest part, smaller than `SPECK` cells, and further than `FAR` cells from
/// any part that is no speck.
const SPECK_SHARE: f64 = 0.01;
const SPECK: u64 = 150;
const FAR: u32 = 24;
/// Cells whose mean is about as sure as the filled light.
const LIGHT_CELLS: f32 = 25.0;

/// Departure of every cell that is no background from the plate in `light`: the larger of ratio and texture, in
/// variances.
pub(super) fn departures(
    cells: &Cells,
    light: &Raster<[f32; 3]>,
    background: &Raster<u8>,
    account: &Account,
) -> Result<Raster<f32>, OverBudget> {
    let rect = light.rect();
    let width = light.width();
    let mut out = Raster::filled(rect, 0.0f32, account)?;
    out.data_mut()
        .par_iter_mut()
        .enumerate()
        .zip(background.data())
        .filter(|(_, background)| **background == 0)
        .for_each(|((at, out), _)| {
            let x = rect.x0 + (at % width) as i32;
            let y = rect.y0 + (at / width) as i32;
            // The light is filled in, so it is known as well as a few cells are.
            let s = light.at(x, y);
            let w = cells.soft.at(x, y);
            let expected = [0, 1, 2].map(|k| (s[k], LIGHT_CELLS * w[3 + k]));
            let departure = cells.departure(x, y, expected);
            *out = f32::max(departure, cells.soft_misfit.at(x, y));
        });
    Ok(out)
}

/// Makes background of the parts that are none.
pub(super) fn dropped(
    background: &mut Raster<u8>,
    departures: &Raster<f32>,
    scale: f32,
    account: &Account,
) -> Result<(), OverBudget> {
    let rest = super::hidden(background, account)?;
    let parts = labels::parts(&rest, Joined::SidesAndCorners, account)?;
    let mut strong = vec![0usize; parts.parts.len()];
    for (&label, &departure) in parts.labels.data().iter().zip(departures.data()) {
        if label > 0 && departure > STRONG * scale {
            strong[label as usize - 1] += 1;
        }
    }
    let mut kept: Vec<bool> = parts
        .parts
        .iter()
        .zip(&strong)
        .map(|(part, &strong)| part.area > LARGE || strong >= NEEDED)
        .collect();
    let largest = parts
        .parts
        .iter()
        .zip(&kept)
        .filter(|(_, kept)| **kept)
        .map(|(part, _)| part.area)
        .max()
        .unwrap_or(0);
    let small =
        |part: &Part| part.area < SPECK && (part.area as f64) < SPECK_SHARE * largest as f64;
    for (i, part) in parts.parts.iter().enumerate() {
        if kept[i] && small(part) {
            let near = part.place.grown(FAR).intersected(&rest.rect());
            let company = (near.y0..near.y1).any(|y| {
                parts
                    .labels
                    .span(y, near.x0, near.x1)
                    .iter()
                    .any(|&l| l > 0 && !small(&parts.parts[l as usize - 1]))
            });
            kept[i] = company;
        }
    }
    for (background, &label) in background.data_mut().iter_mut().zip(parts.labels.data()) {
        if label > 0 && !kept[label as usize - 1] {
            *background = 1;
        }
    }
    Ok(())
}
