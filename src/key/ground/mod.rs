//! What in a frame is the set under smooth light, and the light S it stands in.
//!
//! Never asked: does this pixel differ from the plate. Asked: can what is seen here be the plate under smooth
//! light. Works at half size; a flood runs from the frame's border through everything that can.

mod cells;
mod flood;
mod light;
mod noise;
mod parts;
mod walls;

use super::{Ask, LightField, Noise};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;
use cells::Cells;
use flood::Flood;

/// The method's own number of standard deviations: where a step in the light begins to be a wall.
const OWN_SIGMA: f64 = 5.5;

/// What was found.
#[derive(Debug)]
pub(super) struct Ground {
    pub noise: Noise,
    /// Half-size: 1 = known to be the set under smooth light, 0 = piece, rod, specks.
    pub background: Raster<u8>,
    /// Half-size S, filled everywhere.
    pub light: LightField,
}

pub(super) fn found(ask: &Ask, account: &Account) -> Result<Ground, OverBudget> {
    let noise::Measured { noise, quiet } = noise::measured(ask, account)?;
    let cells = cells::measured(ask, &noise, &quiet, account)?;
    let scale = ask.sigma.map_or(1.0, |s| s / OWN_SIGMA) as f32;
    let steps = walls::steps(&cells, account)?;
    let walls = walls::walls(&steps, scale, account)?;
    let misfit = super::tools::gauss::blurred(&cells.misfit, 0.8, account)?;
    let mut open = Raster::filled(walls.rect(), 1u8, account)?;
    for (open, &wall) in open.data_mut().iter_mut().zip(walls.data()) {
        *open = 1 - wall;
    }
    let mut flood = Flood::new(&cells, &misfit, &open, scale * scale, account)?;
    let seeds = seeds(&cells, &misfit, account)?;
    flood.run(seeds.into_iter());
    let mut background = flood.accepted;
    let light = light::filled(&cells, &background, account)?;
    let departures = parts::departures(&cells, &light.cells, account)?;
    parts::dropped(&mut background, &departures, scale * scale, account)?;
    let light = light::filled(&cells, &background, account)?;
    Ok(Ground {
        noise,
        background,
        light,
    })
}

/// The light again after rods: `also_background` are cells to add, `without` cells whose light is not the piece's
/// (a rod's own shadow). Both at half size, 1 = yes, each on its own rectangle.
pub(super) fn relit(
    ask: &Ask,
    ground: Ground,
    also_background: &Raster<u8>,
    without: &Raster<u8>,
    account: &Account,
) -> Result<Ground, OverBudget> {
    let Ground {
        noise,
        mut background,
        light: _,
    } = ground;
    let rect = background.rect();
    let set = |mask: &Raster<u8>, x, y| mask.rect().contains(x, y) && mask.at(x, y) > 0;
    let cells = cells::measured(ask, &noise, &background, account)?;
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
        background,
        light,
    })
}

/// Cells on the border that are the plate as it was.
fn seeds(
    cells: &Cells,
    misfit: &Raster<f32>,
    account: &Account,
) -> Result<Vec<(i32, i32)>, OverBudget> {
    let mean = cells.smoothed(1.5, account)?;
    let rect = mean.rect();
    let mut seeds = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let edge = (x - rect.x0)
                .min(rect.x1 - 1 - x)
                .min((y - rect.y0).min(rect.y1 - 1 - y));
            if edge < 3
                && misfit.at(x, y) < 2.0
                && mean.at(x, y).iter().all(|v| (v - 1.0).abs() < 0.05)
            {
                seeds.push((x, y));
            }
        }
    }
    Ok(seeds)
}
