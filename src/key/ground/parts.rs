//! What the flood left out is piece, rod or noise: parts that differ from the lit plate too weakly are dropped. A small
//! one far from all others that differs plainly shows no set either: what it is, is asked once rods are known.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined};
use super::cells::Cells;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// A cell is strong evidence from here on, in variances.
const STRONG: f32 = 6.0;
/// Strong cells a part needs unless it is larger than `LARGE` cells.
const NEEDED: usize = 8;
const LARGE: u64 = 400;
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
    let kept: Vec<bool> = parts
        .parts
        .iter()
        .zip(&strong)
        .map(|(part, &strong)| part.area > LARGE || strong >= NEEDED)
        .collect();
    for (background, &label) in background.data_mut().iter_mut().zip(parts.labels.data()) {
        if label > 0 && !kept[label as usize - 1] {
            *background = 1;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    /// Whether a part of 4 x 4 cells that departs by so much, far from a large one, stays out of the set.
    fn is_kept(departure: f32) -> bool {
        let account = Account::unlimited();
        let rect = Rect::of_size(120, 120);
        let mut background = Raster::filled(rect, 1u8, &account).unwrap();
        let mut departures = Raster::filled(rect, 0.0f32, &account).unwrap();
        let (large, small) = (Rect::new(60, 60, 50, 50), Rect::new(4, 4, 4, 4));
        for (part, departure) in [(large, 100.0), (small, departure)] {
            for y in part.y0..part.y1 {
                for x in part.x0..part.x1 {
                    background.put(x, y, 0);
                    departures.put(x, y, departure);
                }
            }
        }
        dropped(&mut background, &departures, 1.0, &account).unwrap();
        assert_eq!(background.at(80, 80), 0);
        background.at(5, 5) == 0
    }

    #[test]
    fn a_drop_far_from_everything_lights_no_set() {
        assert!(is_kept(50.0));
    }

    #[test]
    fn noise_is_the_set() {
        assert!(!is_kept(4.0));
    }
}
