//! Walls with the set on both sides. A penumbra may be narrow enough for its rim to be a wall; the flood goes around
//! it, and an island of wall is left in the middle of the set. An outline has a piece behind it.

use super::super::tools::labels::{self, Joined};
use super::cells::{CELLS_IN_SOFT, Cells};
use super::{areas, beside, hidden, ringed};
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
/// How far behind an echo, in cells; how near to the light there all must be, relative, and its misfit.
const RINGS: usize = 8;
/// An echo is this near, in cells, to a step this strong.
const ECHO: u16 = 8;
const STRONG: f32 = 0.8;
const PLAIN: f32 = 0.01;
const CALM: f32 = 2.0;

/// Adds such islands to `background`.
pub(super) fn dropped(
    cells: &Cells,
    background: &mut Raster<u8>,
    walls: &Raster<u8>,
    light: &Raster<[f32; 3]>,
    account: &Account,
) -> Result<(), OverBudget> {
    let parts = labels::parts(
        &hidden(background, account)?,
        Joined::SidesAndCorners,
        account,
    )?;
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

/// Goes on from `background` over walls and what lies behind them as long as nothing but the set in its light is seen:
/// beside a step many times stronger than what a wall needs, its echo is a wall too. Says whether there was any.
pub(super) fn passed(
    cells: &Cells,
    background: &mut Raster<u8>,
    light: &Raster<[f32; 3]>,
    account: &Account,
) -> Result<bool, OverBudget> {
    let rect = background.rect();
    let _held = account.charge(16 * background.data().len() as u64, "cells behind an echo")?;
    let far = from_edges(cells, light, account)?;
    let is_next = |background: &Raster<u8>, x: i32, y: i32| {
        rect.contains(x, y)
            && background.at(x, y) == 0
            && far.at(x, y) <= ECHO
            && is_plain(cells, light.at(x, y), x, y)
    };
    let mut front = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let is_at_set = background.at(x, y) == 0
                && beside(x, y)
                    .iter()
                    .any(|&(x, y)| rect.contains(x, y) && background.at(x, y) > 0);
            if is_at_set && is_next(background, x, y) {
                front.push((x, y));
            }
        }
    }
    let any = !front.is_empty();
    for &(x, y) in &front {
        background.put(x, y, 1);
    }
    ringed(front, RINGS, |x, y| {
        let takes = is_next(background, x, y);
        if takes {
            background.put(x, y, 1);
        }
        takes
    });
    Ok(any)
}

/// Cells to the nearest one that is far from the light filled in.
fn from_edges(
    cells: &Cells,
    light: &Raster<[f32; 3]>,
    account: &Account,
) -> Result<Raster<u16>, OverBudget> {
    let mut like = Raster::filled(light.rect(), 0u8, account)?;
    for ((like, sums), light) in (like.data_mut().iter_mut())
        .zip(cells.soft.data())
        .zip(light.data())
    {
        *like = u8::from((0..3).all(|k| {
            let off = sums[k] / sums[3 + k].max(1e-6) / light[k].max(0.02) - 1.0;
            off.abs() < STRONG
        }));
    }
    areas::inside(&like, account)
}

/// Whether a cell shows the set in the light filled in, and noise is low enough to say so.
fn is_plain(cells: &Cells, light: [f32; 3], x: i32, y: i32) -> bool {
    let sums = cells.soft.at(x, y);
    cells.soft_misfit.at(x, y) < CALM
        && (0..3).all(|k| {
            let light = light[k].max(0.02);
            let deviation = 1.0 / ((CELLS_IN_SOFT * sums[3 + k]).max(1e-6).sqrt() * light);
            let off = sums[k] / sums[3 + k].max(1e-6) / light - 1.0;
            SURE * deviation < PLAIN && off.abs() < PLAIN
        })
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

    /// Cells of a field of 40 x 40, each ratio sure to a per cent, less sure by the square of `doubt`.
    fn field(doubt: f32, ratio: impl Fn(i32, i32) -> [f32; 3], account: &Account) -> Cells {
        let rect = Rect::of_size(40, 40);
        let none = || Raster::filled(rect, 1.0f32, account).unwrap();
        let three = || Raster::filled(rect, [1.0f32; 3], account).unwrap();
        let mut cells = Cells {
            ratio: three(),
            weight: Raster::filled(rect, [1e4 / (doubt * doubt); 3], account).unwrap(),
            misfit: none(),
            soft: Raster::filled(rect, [0.0; 6], account).unwrap(),
            course: three(),
            soft_misfit: none(),
        };
        for y in 0..40 {
            for x in 0..40 {
                cells.ratio.put(x, y, ratio(x, y));
            }
        }
        cells.soft = gauss::blurred(&cells.sums(account).unwrap(), SOFT, account).unwrap();
        cells
    }

    /// Cells of background after `dropped`, where a wall of 4 cells runs down the field between light and shadow, with
    /// this ratio on it.
    fn left(wall: impl Fn(i32) -> [f32; 3]) -> usize {
        let account = Account::unlimited();
        let rect = Rect::of_size(40, 40);
        let on = |x: i32, y: i32| (18..22).contains(&x) && (10..30).contains(&y);
        let cells = field(
            1.0,
            |x, y| match on(x, y) {
                true => wall(x),
                false => [0.7 + 0.3 * ((x - 17) as f32 / 5.0).clamp(0.0, 1.0); 3],
            },
            &account,
        );
        let mut walls = Raster::filled(rect, 0u8, &account).unwrap();
        let mut background = Raster::filled(rect, 1u8, &account).unwrap();
        for y in 0..40 {
            for x in 0..40 {
                walls.put(x, y, u8::from(on(x, y)));
                background.put(x, y, u8::from(!on(x, y)));
            }
        }
        let light = Raster::filled(rect, [0.85; 3], &account).unwrap();
        dropped(&cells, &mut background, &walls, &light, &account).unwrap();
        background.data().iter().filter(|v| **v > 0).count()
    }

    /// Columns of background after `passed`, beside a piece of this ratio from column 20 on, what is known ending at
    /// column 13.
    fn columns(piece: f32, doubt: f32) -> usize {
        let account = Account::unlimited();
        let rect = Rect::of_size(40, 40);
        let cells = field(
            doubt,
            |x, _| [if x < 20 { 1.0 } else { piece }; 3],
            &account,
        );
        let mut background = Raster::filled(rect, 0u8, &account).unwrap();
        for y in 0..40 {
            for x in 0..13 {
                background.put(x, y, 1);
            }
        }
        let light = Raster::filled(rect, [1.0; 3], &account).unwrap();
        passed(&cells, &mut background, &light, &account).unwrap();
        background.row(20).iter().filter(|v| **v > 0).count()
    }

    #[test]
    fn the_set_is_followed_behind_the_echo_of_a_strong_step_alone() {
        let strong = columns(3.0, 1.0);
        assert!((15..19).contains(&strong), "{strong}");
        // A faint piece has no such echoes, and noise may hide one.
        assert_eq!(columns(1.2, 1.0), 13);
        assert_eq!(columns(3.0, 4.0), 13);
    }

    #[test]
    fn a_penumbra_is_no_outline_but_a_wire_is() {
        assert_eq!(left(|x| [0.7 + 0.06 * (x - 17) as f32; 3]), 1600);
        for wire in [[0.4; 3], [1.5; 3], [0.95, 0.85, 0.75]] {
            assert_eq!(left(|_| wire), 1600 - 80, "{wire:?}");
        }
    }
}
