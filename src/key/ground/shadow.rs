//! The light a piece takes from the set and throws on it: S without the drift of light across the frame, without the
//! rod's shadow, and exactly 1 where nothing stands out of the noise.

use super::super::LightField;
use super::super::tools::labels::{self, Joined};
use super::super::tools::{gauss, push_pull};
use super::drift::Drift;
use super::{Ground, at_border, cast, flag};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster};

/// Blur in cells before anything is compared with the noise.
const SOFT: f64 = 3.0;
/// Deviations at which light begins to be an effect, is one wholly, and must be reached somewhere in an area.
const BEGINS: f32 = 1.5;
const WHOLE: f32 = 3.0;
const SURE: f32 = 4.5;
/// Cells of the smallest effect.
const SMALLEST: u64 = 60;
/// What departs by less than this at the frame's border, and has no part beneath the piece, is a finer drift than the
/// polynomial's: relative.
const DRIFTS: f32 = 0.04;
/// Least deviation believed: what the 16th part of a stop's hundredth shows, relative.
const LEAST: f32 = 0.0008;

pub(in super::super) fn thrown(
    ground: &Ground,
    body: &Raster<u8>,
    matte: &Matte,
    (rods, rod_shadow): (&[cast::Line], &Raster<u8>),
    account: &Account,
) -> Result<(LightField, flag::Found), OverBudget> {
    let light = &ground.light.cells;
    let rect = light.rect();
    let mut known = Raster::filled(rect, 1.0f32, account)?;
    let mut far = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let dark = set(rod_shadow, x, y);
            let seen = set(&ground.background, x, y) && !set(body, x, y);
            if dark {
                known.put(x, y, 0.0);
            }
            far.put(x, y, u8::from(seen && !dark));
        }
    }
    let mut cells = push_pull::filled(light, &known, account)?;
    // Now that coverage is known: hair and holes throw less than their body did.
    let silhouette = halved(matte, rect, account)?;
    let flags = flag::found(&cells, &far, &silhouette, account)?;
    if let Some(field) = &flags.field {
        field.taken_off(&mut cells);
    }
    let drift = Drift::of(&cells, &far);
    drift.taken_off(&mut cells);
    let mut cells = cast::carried_on(&cells, &far, &silhouette, rods, account)?;
    quietened(&mut cells, &far, body, account)?;
    Ok((LightField { cells }, flags))
}

/// The light on the set with the shadow carried on under the `body` by what that casts.
pub(in super::super) fn carried_on(
    ground: &mut Ground,
    body: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = ground.light.cells.rect();
    let mut far = Raster::filled(rect, 0u8, account)?;
    let mut silhouette = Raster::filled(rect, 0.0f32, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let hides = set(body, x, y);
            far.put(x, y, u8::from(set(&ground.background, x, y) && !hides));
            silhouette.put(x, y, f32::from(u8::from(hides)));
        }
    }
    let drift = Drift::of(&ground.light.cells, &far);
    drift.taken_off(&mut ground.light.cells);
    let mut cells = cast::carried_on(&ground.light.cells, &far, &silhouette, &[], account)?;
    drift.laid_on(&mut cells);
    ground.light.cells = cells;
    Ok(())
}

/// Mean coverage in each half-size cell.
fn halved(matte: &Matte, rect: Rect, account: &Account) -> Result<Raster<f32>, OverBudget> {
    let mut out = Raster::filled(rect, 0.0f32, account)?;
    let full = matte.rect();
    for y in full.y0..full.y1 {
        for x in full.x0..full.x1 {
            let (i, j) = (x.div_euclid(2), y.div_euclid(2));
            if rect.contains(i, j) {
                out.put(i, j, out.at(i, j) + 0.25 * matte.at(x, y));
            }
        }
    }
    Ok(out)
}

fn set(mask: &Raster<u8>, x: i32, y: i32) -> bool {
    mask.rect().contains(x, y) && mask.at(x, y) > 0
}

/// Makes exactly 1 of what doesn't stand out of the noise.
fn quietened(
    cells: &mut Raster<[f32; 3]>,
    far: &Raster<u8>,
    body: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let soft = gauss::blurred(cells, SOFT, account)?;
    let rect = cells.rect();
    let width = cells.width().max(1);
    let mut offs: Vec<f32> = (soft.data().iter().zip(far.data()))
        .filter(|(_, far)| **far > 0)
        .map(|(s, _)| ((s[0] + s[1] + s[2]) / 3.0 - 1.0).abs())
        .collect();
    let deviation = if offs.is_empty() {
        LEAST
    } else {
        // The quieter half: shadows may lie on much of the set. A quartile stands for 0.3186 deviations.
        let quarter = offs.len() / 4;
        let low = *offs.select_nth_unstable_by(quarter, f32::total_cmp).1;
        (low / 0.3186).max(LEAST)
    };
    let size = |s: &[f32; 3]| {
        let mean = (s[0] + s[1] + s[2]) / 3.0 - 1.0;
        // Tint counts where it is as plain as brightness.
        let tint = (s[0] - s[1]).abs().max((s[2] - s[1]).abs());
        f32::max(mean.abs(), 0.5 * tint) / deviation
    };
    let mut loud = Raster::filled(rect, 0u8, account)?;
    for (loud, s) in loud.data_mut().iter_mut().zip(soft.data()) {
        *loud = u8::from(size(s) > BEGINS);
    }
    let parts = labels::parts(&loud, Joined::Sides, account)?;
    let mut most = vec![0.0f32; parts.parts.len()];
    let mut near = vec![false; parts.parts.len()];
    for (at, (&label, s)) in parts.labels.data().iter().zip(soft.data()).enumerate() {
        if label > 0 {
            let most = &mut most[label as usize - 1];
            *most = most.max(size(s));
            let (x, y) = (rect.x0 + (at % width) as i32, rect.y0 + (at / width) as i32);
            near[label as usize - 1] |= set(body, x, y);
        }
    }
    let drifts = |i: usize| {
        let rim = at_border(&parts.parts[i].place, &rect);
        rim && !near[i] && most[i] * deviation < DRIFTS
    };
    for (at, cell) in cells.data_mut().iter_mut().enumerate() {
        let part = parts.labels.data()[at].checked_sub(1).map(|i| i as usize);
        let kept =
            part.is_some_and(|i| most[i] >= SURE && parts.parts[i].area >= SMALLEST && !drifts(i));
        if !kept {
            *cell = [1.0; 3];
            continue;
        }
        let t = ((size(&soft.data()[at]) - BEGINS) / (WHOLE - BEGINS)).clamp(0.0, 1.0);
        let share = t * t * (3.0 - 2.0 * t);
        *cell = cell.map(|v| 1.0 + (v - 1.0) * share);
    }
    Ok(())
}
