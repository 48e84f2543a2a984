//! What is fitted to: light and silhouette as means over square blocks of half-size cells.

use rayon::prelude::*;

use super::super::super::tools::gauss;
use super::rods::Line;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Means over square blocks of cells.
pub(super) struct Grid {
    /// Cells to a side of a block.
    pub block: i32,
    /// The cell in the first corner.
    corner: (i32, i32),
    /// Departure of the known light from 1 per channel, and how much of the block is known.
    pub light: Raster<[f32; 4]>,
    /// How much is known, and that times the mean departure.
    pub mean: Raster<[f32; 2]>,
    pub silhouette: Raster<f32>,
    /// Only what is finer than this counts, in blocks (standard deviation of a blur); all of it for `None`.
    pub finer: Option<f64>,
}

impl Grid {
    /// Of at most `side` blocks, with the piece's `silhouette`. All on one rectangle.
    pub fn of(
        ratios: &Raster<[f32; 3]>,
        known: &Raster<f32>,
        silhouette: &Raster<f32>,
        side: i32,
        account: &Account,
    ) -> Result<Grid, OverBudget> {
        let rect = ratios.rect();
        let mut grid = Grid::lit(ratios, known, rect, block(rect, side), account)?;
        let share = 1.0 / (grid.block * grid.block) as f32;
        let width = grid.silhouette.width().max(1);
        let block = grid.block;
        let rows = grid.silhouette.data_mut().par_chunks_mut(width);
        rows.enumerate().for_each(|(j, shape)| {
            let y0 = rect.y0 + j as i32 * block;
            for y in y0..(y0 + block).min(rect.y1) {
                for (i, covers) in silhouette.row(y).iter().enumerate() {
                    shape[i / block as usize] += share * covers;
                }
            }
        });
        Ok(grid)
    }

    /// With the silhouette of rods, which go on beyond the frame `by` so many cells; blocks as large as those of a
    /// grid of at most `side`.
    pub fn of_rods(
        ratios: &Raster<[f32; 3]>,
        known: &Raster<f32>,
        (lines, by): (&[Line], u32),
        side: i32,
        account: &Account,
    ) -> Result<Grid, OverBudget> {
        let rect = ratios.rect();
        let mut grid = Grid::lit(ratios, known, rect.grown(by), block(rect, side), account)?;
        let block = f64::from(grid.block);
        let corner = (f64::from(grid.corner.0), f64::from(grid.corner.1));
        for line in lines {
            line.drawn(block, corner, &mut grid.silhouette);
        }
        Ok(grid)
    }

    /// The light in the `area`, of which it may know a part.
    fn lit(
        ratios: &Raster<[f32; 3]>,
        known: &Raster<f32>,
        area: Rect,
        block: i32,
        account: &Account,
    ) -> Result<Grid, OverBudget> {
        let rect = ratios.rect();
        let over = |n: u32| n.div_ceil(block as u32);
        let small = Rect::of_size(over(area.width()), over(area.height()));
        let mut light = Raster::filled(small, [0.0f32; 4], account)?;
        let mut mean = Raster::filled(small, [0.0f32; 2], account)?;
        let silhouette = Raster::filled(small, 0.0f32, account)?;
        let width = small.width().max(1) as usize;
        let share = 1.0 / (block * block) as f32;
        let before = (rect.x0 - area.x0) as usize;
        light
            .data_mut()
            .par_chunks_mut(width)
            .zip(mean.data_mut().par_chunks_mut(width))
            .enumerate()
            .for_each(|(j, (light, mean))| {
                let y0 = area.y0 + j as i32 * block;
                for y in y0.max(rect.y0)..(y0 + block).min(rect.y1) {
                    let (ratios, known) = (ratios.row(y), known.row(y));
                    for (i, ratio) in ratios.iter().enumerate() {
                        let n = (before + i) / block as usize;
                        for k in 0..3 {
                            light[n][k] += known[i] * (ratio[k] - 1.0);
                        }
                        light[n][3] += known[i];
                    }
                }
                for (light, mean) in light.iter_mut().zip(mean) {
                    let whole = light[3];
                    for v in &mut light[..3] {
                        *v = if whole > 0.0 { *v / whole } else { 0.0 };
                    }
                    light[3] *= share;
                    *mean = [light[3], light[3] * (light[0] + light[1] + light[2]) / 3.0];
                }
            });
        Ok(Grid {
            block,
            corner: (area.x0, area.y0),
            light,
            mean,
            silhouette,
            finer: None,
        })
    }

    /// The light without what changes more slowly than a blur of so many cells.
    pub fn finer_than(mut self, cells: f64, account: &Account) -> Result<Grid, OverBudget> {
        let sigma = cells / f64::from(self.block);
        let mut whole = Raster::filled(self.light.rect(), [0.0f32; 4], account)?;
        for (whole, light) in whole.data_mut().iter_mut().zip(self.light.data()) {
            let weight = light[3];
            *whole = [
                weight * light[0],
                weight * light[1],
                weight * light[2],
                weight,
            ];
        }
        let slow = gauss::blurred(&whole, sigma, account)?;
        let lights = self.light.data_mut().iter_mut().zip(self.mean.data_mut());
        for ((light, mean), slow) in lights.zip(slow.data()) {
            for k in 0..3 {
                light[k] -= slow[k] / slow[3].max(1e-6);
            }
            mean[1] = light[3] * (light[0] + light[1] + light[2]) / 3.0;
        }
        self.finer = Some(sigma);
        Ok(self)
    }

    /// The silhouette, `soft` so many cells.
    pub fn blurred(&self, soft: f64, account: &Account) -> Result<Raster<f32>, OverBudget> {
        gauss::blurred(&self.silhouette, soft / f64::from(self.block), account)
    }

    /// Of the soft silhouette what counts here.
    pub fn counted(&self, soft: f64, account: &Account) -> Result<Raster<f32>, OverBudget> {
        self.finer_part(self.blurred(soft, account)?, account)
    }

    /// Of a shape on this grid what counts.
    pub fn finer_part(
        &self,
        mut shape: Raster<f32>,
        account: &Account,
    ) -> Result<Raster<f32>, OverBudget> {
        if let Some(sigma) = self.finer {
            let slow = gauss::blurred(&shape, sigma, account)?;
            for (shape, slow) in shape.data_mut().iter_mut().zip(slow.data()) {
                *shape -= slow;
            }
        }
        Ok(shape)
    }

    /// Where the middle of the half-size cell (x, y) lies on this grid.
    pub fn place(&self, x: i32, y: i32) -> (f32, f32) {
        let block = self.block as f32;
        let along = |at: i32, corner: i32| ((at - corner) as f32 + 0.5) / block - 0.5;
        (along(x, self.corner.0), along(y, self.corner.1))
    }
}

fn block(rect: Rect, side: i32) -> i32 {
    let longest = rect.width().max(rect.height()) as i32;
    ((longest + side - 1) / side).max(1)
}
