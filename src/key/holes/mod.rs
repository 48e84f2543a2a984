//! Holes and slits: where the plate is seen through the piece, found at full size.
//!
//! A hole shows the plate under one light, as flat a ratio as noise leaves it, and at its rim that ends at once. A
//! shaded face that passes through the plate's brightness does neither: its ratio drifts on, before and behind. A
//! piece like the plate gives no answer, and stays solid.

mod fit;
mod gaps;
mod lit;
mod parts;
mod slits;
#[cfg(test)]
mod tests;
mod wide;

use super::tools::ends;
use super::{LightField, Noise, unite};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};
use fit::Fitted;

/// Pixels beyond the body that are looked at.
const AROUND: i32 = 8;
/// One in how many lights around the body counts for nothing at each end.
const FEW_LIT: usize = 50;
/// How far the light of a hole is carried under its rim, in pixels.
const UNDER: usize = 5;

/// Finds holes, takes their cells out of `body`, gives `backdrop` their light; says how much of
/// the plate is seen through the piece, in 255ths, where it is known. `rods` holds their coverage and their cells.
pub(super) fn found(
    frame: &Light,
    backdrop: &mut Light,
    noise: &Noise,
    light: &LightField,
    rods: (&Matte, &Raster<u8>),
    body: &mut Raster<u8>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = pixels(body)
        .intersected(&frame.rect())
        .intersected(&backdrop.rect());
    if rect.is_empty() {
        return Raster::filled(Rect::EMPTY, 0, account);
    }
    let fitted = Fitted::measured(frame, backdrop, noise, rods.0, body, rect, account)?;
    let mut open = Raster::filled(rect, 0u8, account)?;
    let held = |i: usize| {
        let (x, y) = (i % fitted.width, i / fitted.width);
        is_held(rods, rect.x0 + x as i32, rect.y0 + y as i32)
    };
    let holes = parts::holes(&fitted, &held, light, lights(light, body, rect), account)?;
    for hole in &holes {
        for &i in &hole.pixels {
            open.data_mut()[i as usize] = 255;
        }
    }
    let before = open.cropped(rect, account)?;
    slitted(&fitted, &mut open, account)?;
    wide::added(&fitted, &before, &mut open, account)?;
    drop(before);
    for hole in &holes {
        relit(backdrop, &open, hole, &fitted);
    }
    emptied(body, &open);
    Ok(open)
}

/// Marks slits and gaps in `open`, which holds what is open besides.
fn slitted(fitted: &Fitted, open: &mut Raster<u8>, account: &Account) -> Result<(), OverBudget> {
    let (banks, _held) = slits::banks(fitted, open, account)?;
    let gaps = gaps::found(fitted, &banks, account)?;
    slits::added(fitted, &banks, open, account)?;
    unite(open, &gaps);
    Ok(())
}

/// The darkest and the brightest light on the set around the body but for a fiftieth of it each, and the plate's own.
fn lights(light: &LightField, body: &Raster<u8>, rect: Rect) -> (f32, f32) {
    let mut all = Vec::new();
    for j in rect.y0.div_euclid(2)..=rect.y1.div_euclid(2) {
        for i in rect.x0.div_euclid(2)..=rect.x1.div_euclid(2) {
            let held = light.cells.rect().contains(i, j) && body.rect().contains(i, j);
            if held && body.at(i, j) == 0 {
                all.push(light.cells.at(i, j)[1]);
            }
        }
    }
    let (low, high) = ends(all, FEW_LIT);
    (low.min(1.0), high.max(1.0))
}

/// Frame pixels around the body.
fn pixels(body: &Raster<u8>) -> Rect {
    let used = body.bounds(|&v| v != 0);
    if used.is_empty() {
        return Rect::EMPTY;
    }
    Rect {
        x0: 2 * used.x0 - AROUND,
        y0: 2 * used.y0 - AROUND,
        x1: 2 * used.x1 + AROUND,
        y1: 2 * used.y1 + AROUND,
    }
}

/// Gives the backdrop the hole's own light, in the hole and under its rim.
fn relit(backdrop: &mut Light, open: &Raster<u8>, hole: &parts::Hole, fitted: &Fitted) {
    let near = fitted.grown(&hole.pixels, UNDER, |i| {
        open.data()[i] == 0 && fitted.inside[i]
    });
    let rect = open.rect();
    let width = open.width();
    for &i in hole.pixels.iter().chain(near.iter().flatten()) {
        let light = hole.light.at(i as usize, width);
        let (x, y) = (i as usize % width, i as usize / width);
        let (x, y) = (rect.x0 + x as i32, rect.y0 + y as i32);
        backdrop.put(x, y, backdrop.at(x, y).map(|b| b * light));
    }
}

/// Whether a pixel is a rod or right beside one.
fn is_held((covers, cells): (&Matte, &Raster<u8>), x: i32, y: i32) -> bool {
    let (i, j) = (x.div_euclid(2), y.div_euclid(2));
    (covers.rect().contains(x, y) && covers.at(x, y) > 0.0)
        || (cells.rect().contains(i, j) && cells.at(i, j) != 0)
}

/// Whether nothing but the plate is seen at a pixel.
pub(super) fn is_open(open: &Raster<u8>, x: i32, y: i32) -> bool {
    open.rect().contains(x, y) && open.at(x, y) == 255
}

/// Takes cells out of the body that are open in all their pixels.
fn emptied(body: &mut Raster<u8>, open: &Raster<u8>) {
    let cells = body.rect();
    for y in cells.y0..cells.y1 {
        for x in cells.x0..cells.x1 {
            let all = [(0, 0), (1, 0), (0, 1), (1, 1)].iter().all(|(dx, dy)| {
                let (x, y) = (2 * x + dx, 2 * y + dy);
                is_open(open, x, y)
            });
            if all {
                body.put(x, y, 0);
            }
        }
    }
}
