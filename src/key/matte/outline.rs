//! The body's outline at full size: what lies inside, and how deep every pixel lies below it.

use super::super::tools::distance;
use super::Known;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Depth in pixels where there is no outline at all.
const FAR: f32 = 1e4;

#[derive(Debug)]
pub struct Outline {
    /// 1 inside the body.
    pub inside: Raster<u8>,
    /// Depth below the outline in pixels, negative outside.
    pub depth: Raster<f32>,
    /// Index of the nearest pixel on the other side; [`distance::NONE`] where there is none.
    pub across: Raster<u32>,
    /// How much of the plate is seen through a hole, in 255ths; 0 where that is not known.
    pub seen: Raster<u8>,
}

impl Outline {
    pub fn of(known: &Known, rect: Rect, account: &Account) -> Result<Outline, OverBudget> {
        let mut inside = Raster::filled(rect, 0u8, account)?;
        let mut outside = Raster::filled(rect, 1u8, account)?;
        let mut seen = Raster::filled(rect, 0u8, account)?;
        let cells = known.body.rect();
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                let (i, j) = (x.div_euclid(2), y.div_euclid(2));
                if known.open.rect().contains(x, y) {
                    seen.put(x, y, known.open.at(x, y));
                }
                // A slit has no inside of its own: the piece's outline runs on over it.
                let open = seen.at(x, y) == 255;
                if cells.contains(i, j) && known.body.at(i, j) != 0 && !open {
                    inside.put(x, y, 1);
                    outside.put(x, y, 0);
                }
            }
        }
        let to_inside = distance::nearest(&inside, account)?;
        let mut across = distance::nearest(&outside, account)?;
        drop(outside);
        let width = inside.width();
        let mut depth = Raster::filled(rect, 0.0f32, account)?;
        for i in 0..depth.data().len() {
            let within = inside.data()[i] != 0;
            if !within {
                across.data_mut()[i] = to_inside.data()[i];
            }
            let d = distance::squared(width, i, across.data()[i]);
            let d = if d == i64::MAX {
                FAR
            } else {
                (d as f32).sqrt() - 0.5
            };
            depth.data_mut()[i] = if within { d } else { -d };
        }
        Ok(Outline {
            inside,
            depth,
            across,
            seen,
        })
    }
}
