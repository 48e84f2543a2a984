//! What in a frame is the set under smooth light, and the light S it stands in.
//!
//! Never asked: does this pixel differ from the plate. Asked: can what is seen here be the plate under smooth
//! light. Works at half size; a flood runs from the frame's border through everything that can.

mod areas;
mod bare;
mod cast;
mod cells;
mod course;
mod drift;
mod flag;
mod flood;
mod held;
mod light;
mod means;
mod noise;
mod parts;
mod rims;
pub(super) mod shadow;
mod shore;
mod stained;
mod steps;
#[cfg(test)]
mod tests;
mod texture;
mod tinted;
mod walls;

use super::tools::gauss;
use super::{Ask, LightField, Noise};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster};
pub(super) use cast::Line;
use cells::Cells;
pub(super) use cells::Unheld;
use course::Course;
pub use flag::CHANGED as LIGHT_CHANGED;
use flood::Flood;
pub(super) use noise::{Measured, measured};
use steps::Of;
use texture::{Detail, Texture};

/// The method's own number of standard deviations: where a step in the light begins to be a wall.
const OWN_SIGMA: f64 = 5.5;

/// Cells of the border asked whether they are the plate, and one in how many must be.
const BORDER: i32 = 5;
const FEW: usize = 10;
/// Blur of the mean they are asked by, in cells.
const MEAN: f64 = 1.5;

/// What was found.
#[derive(Debug)]
pub(super) struct Ground {
    pub noise: Noise,
    /// How many times as much as a plain sensor's noise would means of some pixels scatter.
    pub grain: f32,
    /// Half-size: 1 = known to be the set under smooth light, 0 = piece, rod, specks.
    pub background: Raster<u8>,
    /// Half-size S, filled everywhere.
    pub light: LightField,
}

/// The ground, and what its light is told from again ([`relit`]).
pub(super) fn found(ask: &Ask, account: &Account) -> Result<(Ground, Unheld), OverBudget> {
    known(ask, measured(ask, account)?, account)
}

/// The same where noise is measured already.
pub(super) fn known(
    ask: &Ask,
    measured: Measured,
    account: &Account,
) -> Result<(Ground, Unheld), OverBudget> {
    let Measured { noise, quiet } = measured;
    let (cells, weight, grain) = cells::measured(ask, &noise, &quiet, account)?;
    let scale = ask.sigma.map_or(1.0, |s| s / OWN_SIGMA) as f32;
    let walls = walls_of(&cells, &quiet, scale, account)?;
    let mut open = Raster::filled(walls.rect(), 1u8, account)?;
    for (open, &wall) in open.data_mut().iter_mut().zip(walls.data()) {
        *open = 1 - wall;
    }
    let mut flood = Flood::new(&cells, &open, scale * scale, account)?;
    let seeds = seeds(ask, &cells, account)?;
    // The flood runs on one thread; what it has no part in needs no waiting.
    let ((), detail) = rayon::join(
        || flood.run(seeds.into_iter()),
        || Detail::seen(ask, account),
    );
    let mut background = flood.reached();
    shore::reached(&cells, &mut background, &open, scale * scale, account)?;
    let mut lit = background.cropped(background.rect(), account)?;
    let light = light::filled(&cells, &background, account)?;
    let texture = Texture::measured(ask, &noise, detail?, &light.cells, &background, account)?;
    bare::left(&mut background, &texture, account)?;
    let light = match stained::left(&cells, &mut background, &texture, account)? {
        true => {
            lit.data_mut().copy_from_slice(background.data());
            light::filled(&cells, &background, account)?
        }
        false => light,
    };
    let pockets = areas::pockets(&background, account)?;
    let light = if pockets.1 > 0 {
        let rest = without(&background, &pockets.0, account)?;
        let light = light::filled(&cells, &rest, account)?;
        areas::undone(&cells, &mut background, &pockets, &light.cells, &texture);
        lit.data_mut().copy_from_slice(background.data());
        light::filled(&cells, &background, account)?
    } else {
        light
    };
    if areas::holes(
        &cells,
        &mut background,
        &walls,
        &light.cells,
        &texture,
        account,
    )? {
        shore::reached(&cells, &mut background, &open, scale * scale, account)?;
    }
    if rims::passed(&cells, &mut background, &light.cells, account)? {
        shore::reached(&cells, &mut background, &open, scale * scale, account)?;
    }
    rims::dropped(&cells, &mut background, &walls, &light.cells, account)?;
    tinted::told(&cells, &mut background, &light.cells, &texture, account)?;
    let departures = parts::departures(&cells, &light.cells, &background, account)?;
    parts::dropped(&mut background, &departures, scale * scale, account)?;
    // The same cells give the same light.
    let light = match lit.data() == background.data() {
        true => light,
        false => light::filled(&cells, &background, account)?,
    };
    let ground = Ground {
        noise,
        grain,
        background,
        light,
    };
    Ok((ground, cells.unheld(weight)))
}

/// What no set is seen of: 1 where `background` is 0.
fn hidden(background: &Raster<u8>, account: &Account) -> Result<Raster<u8>, OverBudget> {
    let mut hidden = Raster::filled(background.rect(), 0u8, account)?;
    for (hidden, &background) in hidden.data_mut().iter_mut().zip(background.data()) {
        *hidden = 1 - background;
    }
    Ok(hidden)
}

/// Whether a part reaches the border of the whole.
fn at_border(part: &Rect, whole: &Rect) -> bool {
    part.x0 == whole.x0 || part.y0 == whole.y0 || part.x1 == whole.x1 || part.y1 == whole.y1
}

/// The four cells that share a side with one.
fn beside(x: i32, y: i32) -> [(i32, i32); 4] {
    [(x, y - 1), (x - 1, y), (x + 1, y), (x, y + 1)]
}

/// Goes on from the first ring, the `front`, ring by ring up to so many `rings` in all, to what `takes` each of.
fn ringed(mut front: Vec<(i32, i32)>, rings: usize, mut takes: impl FnMut(i32, i32) -> bool) {
    for _ in 1..rings {
        let around = front.iter().flat_map(|&(x, y)| beside(x, y));
        front = around.filter(|&(x, y)| takes(x, y)).collect();
    }
}

/// Background without the cells that have a label.
fn without(
    background: &Raster<u8>,
    labels: &Raster<u32>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let mut rest = background.cropped(background.rect(), account)?;
    for (rest, &label) in rest.data_mut().iter_mut().zip(labels.data()) {
        if label > 0 {
            *rest = 0;
        }
    }
    Ok(rest)
}

/// Walls in the ratio, and at half its size walls of tint alone.
fn walls_of(
    cells: &Cells,
    quiet: &Raster<u8>,
    scale: f32,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let course = Course::of(cells);
    let left = course.left(cells, account)?;
    let steps = steps::steps(&left, Some(&course), quiet, Of::Ratio, account)?;
    drop(left);
    let mut walls = walls::walls(&steps, scale, account)?;
    let pooled = cells::pooled(&cells.sums(account)?, account)?;
    let pooled = gauss::blurred(&pooled, cells::SOFT, account)?;
    let mut calm = Raster::filled(pooled.rect(), 0u8, account)?;
    let rect = calm.rect();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let (x2, y2) = (2 * x, 2 * y);
            calm.put(
                x,
                y,
                u8::from(quiet.rect().contains(x2, y2) && quiet.at(x2, y2) > 0),
            );
        }
    }
    let tint = steps::steps(&pooled, None, &calm, Of::Tint, account)?;
    let coarse = walls::walls(&tint, scale, account)?;
    walls::joined(&mut walls, &coarse, &tint, account)?;
    Ok(walls)
}

/// The light again after rods: `also_background` are cells to add, `without` cells whose light is not the piece's
/// (a rod's own shadow). Both at half size, 1 = yes, each on its own rectangle.
pub(super) fn relit(
    unheld: Unheld,
    ground: Ground,
    also_background: &Raster<u8>,
    without: &Raster<u8>,
    account: &Account,
) -> Result<Ground, OverBudget> {
    let Ground {
        noise,
        grain,
        mut background,
        light: _,
    } = ground;
    let rect = background.rect();
    let set = |mask: &Raster<u8>, x, y| mask.rect().contains(x, y) && mask.at(x, y) > 0;
    let cells = unheld.weighed(&background, account)?;
    let mut lit = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if set(also_background, x, y) {
                background.put(x, y, 1);
            }
            let dark = set(without, x, y);
            lit.put(x, y, u8::from(background.at(x, y) > 0 && !dark));
        }
    }
    let light = light::filled(&cells, &lit, account)?;
    Ok(Ground {
        noise,
        grain,
        background,
        light,
    })
}

/// Cells on the border, or outside what the piece is kept in, that are the plate as it was; or, where hardly any
/// are, the plate in the light that most of them show.
fn seeds(ask: &Ask, cells: &Cells, account: &Account) -> Result<Vec<(i32, i32)>, OverBudget> {
    let rect = cells.ratio.rect();
    let mut asked = 0usize;
    let mut fitting = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let edge = (x - rect.x0)
                .min(rect.x1 - 1 - x)
                .min((y - rect.y0).min(rect.y1 - 1 - y));
            let beyond = ask.within.is_some_and(|within| !inside(within, x, y));
            if edge < BORDER || beyond {
                asked += 1;
                if cells.soft_misfit.at(x, y) < 2.0 {
                    fitting.push((x, y));
                }
            }
        }
    }
    // The mean is wanted where cells are asked for, mostly the border alone; beside that it needs what it reaches.
    let looked_at = match ask.within {
        Some(_) => vec![rect],
        None => borders(rect),
    };
    let reach = gauss::taps(MEAN).len() as u32 - 1;
    let mut means = Vec::new();
    for part in &looked_at {
        let around = part.grown(reach).intersected(&rect);
        means.push((part, cells.smoothed_in(around, MEAN, account)?));
    }
    let mean = |x: i32, y: i32| {
        let own = means.iter().find(|(part, _)| part.contains(x, y));
        own.map_or([1.0; 3], |(_, mean)| mean.at(x, y))
    };
    let near = |level: [f32; 3]| {
        let mut seeds = fitting.clone();
        seeds.retain(|&(x, y)| {
            let mean = mean(x, y);
            (0..3).all(|k| (mean[k] - level[k]).abs() < 0.05 * level[k])
        });
        seeds
    };
    let seeds = near([1.0; 3]);
    if seeds.len() * FEW >= asked || fitting.is_empty() {
        return Ok(seeds);
    }
    let level = [0, 1, 2].map(|k| {
        let mut values: Vec<f32> = fitting.iter().map(|&(x, y)| mean(x, y)[k]).collect();
        let middle = values.len() / 2;
        *values.select_nth_unstable_by(middle, f32::total_cmp).1
    });
    let others = near(level);
    Ok(if others.len() > seeds.len() {
        others
    } else {
        seeds
    })
}

/// The cells nearest to the border, as four strips.
fn borders(rect: Rect) -> Vec<Rect> {
    let strip = |x0, y0, x1, y1| Rect { x0, y0, x1, y1 }.intersected(&rect);
    vec![
        strip(rect.x0, rect.y0, rect.x1, rect.y0 + BORDER),
        strip(rect.x0, rect.y1 - BORDER, rect.x1, rect.y1),
        strip(rect.x0, rect.y0, rect.x0 + BORDER, rect.y1),
        strip(rect.x1 - BORDER, rect.y0, rect.x1, rect.y1),
    ]
}

/// Whether anything is kept in a cell.
pub(super) fn inside(within: &Matte, x: i32, y: i32) -> bool {
    let rect = within.rect();
    [(0, 0), (1, 0), (0, 1), (1, 1)].iter().any(|(dx, dy)| {
        let (x, y) = (2 * x + dx, 2 * y + dy);
        rect.contains(x, y) && within.at(x, y) > 0.0
    })
}
