//! Walls with the set on both sides. A penumbra may be narrow enough for its rim to be a wall; the flood goes around
//! it, and an island of wall is left in the middle of the set. An outline has a piece behind it.

use super::super::tools::labels::{self, Joined};
use super::cells::{CELLS_IN_SOFT, Cells};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Share of an island's cells that are wall, and that must look like the set in a penumbra.
const WALL: f64 = 0.9;
const LIKE: f64 = 0.95;
/// How far to look for the light on both sides, in cells: further than a wall is wide.
const BESIDE: i32 = 10;
/// A penumbra is no darker and no brighter than both sides of it, but for this much.
const OVER: f32 = 0.02;
/// Tint beside the light's, relative, and in deviations.
const TINT: f32 = 0.02;
const SURE: f32 = 3.0;
const MISFIT: f32 = 5.0;

/// Adds such islands to `background`.
pub(super) fn dropped(
    cells: &Cells,
    background: &mut Raster<u8>,
    walls: &Raster<u8>,
    light: &Raster<[f32; 3]>,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = background.rect();
    let mut rest = Raster::filled(rect, 0u8, account)?;
    for (rest, &background) in rest.data_mut().iter_mut().zip(background.data()) {
        *rest = 1 - background;
    }
    let parts = labels::parts(&rest, Joined::SidesAndCorners, account)?;
    let mut wall = vec![0u64; parts.parts.len()];
    for (&label, &own) in parts.labels.data().iter().zip(walls.data()) {
        if label > 0 {
            wall[label as usize - 1] += u64::from(own);
        }
    }
    for (number, part) in parts.parts.iter().enumerate() {
        if (wall[number] as f64) < WALL * part.area as f64 {
            continue;
        }
        let of_part = |x: i32, y: i32| parts.at(x, y) == Some(number);
        let place = part.place;
        let mut like = 0u64;
        for y in place.y0..place.y1 {
            for x in place.x0..place.x1 {
                if of_part(x, y) {
                    like += u64::from(is_penumbra(cells, background, light.at(x, y), x, y));
                }
            }
        }
        if like as f64 >= LIKE * part.area as f64 {
            for y in place.y0..place.y1 {
                for x in place.x0..place.x1 {
                    if of_part(x, y) {
                        background.put(x, y, 1);
                    }
                }
            }
        }
    }
    Ok(())
}

fn is_penumbra(cells: &Cells, background: &Raster<u8>, light: [f32; 3], x: i32, y: i32) -> bool {
    if cells.soft_misfit.at(x, y) > MISFIT {
        return false;
    }
    let sums = cells.soft.at(x, y);
    let mut off = [0.0f32; 3];
    for k in 0..3 {
        off[k] = sums[k] / sums[3 + k].max(1e-6) / light[k].max(0.02);
    }
    let mean = (off[0] + off[1] + off[2]) / 3.0;
    let even = (0..3).all(|k| {
        let deviation = 1.0 / ((CELLS_IN_SOFT * sums[3 + k]).max(1e-6).sqrt() * light[k].max(0.02));
        (off[k] - mean).abs() < TINT + SURE * deviation.min(TINT)
    });
    if !even {
        return false;
    }
    let own = brightness(&sums);
    let rect = background.rect();
    let (mut low, mut high) = (f32::INFINITY, 0.0f32);
    for py in (y - BESIDE).max(rect.y0)..(y + BESIDE + 1).min(rect.y1) {
        for px in (x - BESIDE).max(rect.x0)..(x + BESIDE + 1).min(rect.x1) {
            if background.at(px, py) > 0 {
                let beside = brightness(&cells.soft.at(px, py));
                (low, high) = (low.min(beside), high.max(beside));
            }
        }
    }
    own > low * (1.0 - OVER) && own < high * (1.0 + OVER)
}

fn brightness(sums: &[f32; 6]) -> f32 {
    (0..3).map(|k| sums[k] / sums[3 + k].max(1e-6)).sum()
}

#[cfg(test)]
mod tests {
    use super::super::super::tools::gauss;
    use super::super::cells::SOFT;
    use super::*;
    use crate::geom::Rect;

    /// Cells of background after `dropped`, where a wall of 4 cells runs down a field of 40 x 40 between light and
    /// shadow, with this ratio on it.
    fn left(wall: impl Fn(i32) -> [f32; 3]) -> usize {
        let account = Account::unlimited();
        let rect = Rect::of_size(40, 40);
        let none = || Raster::filled(rect, 1.0f32, &account).unwrap();
        let three = || Raster::filled(rect, [1.0f32; 3], &account).unwrap();
        let mut cells = Cells {
            ratio: three(),
            weight: Raster::filled(rect, [1e4; 3], &account).unwrap(),
            misfit: none(),
            soft: Raster::filled(rect, [0.0; 6], &account).unwrap(),
            course: three(),
            soft_misfit: none(),
        };
        let mut walls = Raster::filled(rect, 0u8, &account).unwrap();
        let mut background = Raster::filled(rect, 1u8, &account).unwrap();
        for y in 0..40 {
            for x in 0..40 {
                let on = (18..22).contains(&x) && (10..30).contains(&y);
                let ratio = match on {
                    true => wall(x),
                    false => [0.7 + 0.3 * ((x - 17) as f32 / 5.0).clamp(0.0, 1.0); 3],
                };
                cells.ratio.put(x, y, ratio);
                walls.put(x, y, u8::from(on));
                background.put(x, y, u8::from(!on));
            }
        }
        cells.soft = gauss::blurred(&cells.sums(&account).unwrap(), SOFT, &account).unwrap();
        let light = Raster::filled(rect, [0.85; 3], &account).unwrap();
        dropped(&cells, &mut background, &walls, &light, &account).unwrap();
        background.data().iter().filter(|v| **v > 0).count()
    }

    #[test]
    fn a_penumbra_is_no_outline_but_a_wire_is() {
        assert_eq!(left(|x| [0.7 + 0.06 * (x - 17) as f32; 3]), 1600);
        for wire in [[0.4; 3], [1.5; 3], [0.95, 0.85, 0.75]] {
            assert_eq!(left(|_| wire), 1600 - 80, "{wire:?}");
        }
    }
}
