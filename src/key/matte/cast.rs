//! The light under a piece: its own shadow goes on there, and a field filled in from around it can't know how deep.
//!
//! Most shadows are the piece's outline, moved aside and blurred. The move, the blur and the depth that explain the
//! light around the piece best foretell it under the piece; what they leave over is filled in as before.

use rayon::prelude::*;

use super::super::LightField;
use super::super::tools::{gauss, push_pull};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// The work is done in blocks, so many to the piece's longer side.
const ACROSS: i32 = 28;
/// A shadow lies at most so far off, and is looked for so far around, as shares of that side.
const MOVED: f32 = 0.4;
const AROUND: f32 = 0.4;
/// Blurs that are tried, as shares of that side (deviation).
const BLURS: [f64; 5] = [0.02, 0.04, 0.06, 0.09, 0.13];
/// A shadow must explain this share of what differs from a plane of light, and be so deep.
const EXPLAINED: f64 = 0.25;
const DEPTHS: [f64; 2] = [0.02, 0.9];
/// The light foretold may be this share of the light filled in.
const CHANGE: [f32; 2] = [0.4, 1.15];

/// By how much the light under the piece differs from the field: ratios per block.
#[derive(Debug)]
pub struct Cast {
    blocks: Raster<f32>,
    /// Frame pixels along a block's side, and where the first begins.
    side: i32,
    from: [i32; 2],
}

impl Cast {
    /// True light over the field's at a frame pixel.
    pub fn at(&self, x: i32, y: i32) -> f32 {
        let rect = self.blocks.rect();
        let place = |v: i32, from: i32, high: i32| {
            let p = ((v - from) as f32 + 0.5) / self.side as f32 - 0.5;
            let low = p.floor();
            let cell = low as i32;
            (
                cell.clamp(0, high - 1),
                (cell + 1).clamp(0, high - 1),
                p - low,
            )
        };
        let (x0, x1, u) = place(x, self.from[0], rect.x1);
        let (y0, y1, v) = place(y, self.from[1], rect.y1);
        let mix = |a: f32, b: f32, t: f32| a + (b - a) * t;
        mix(
            mix(self.blocks.at(x0, y0), self.blocks.at(x1, y0), u),
            mix(self.blocks.at(x0, y1), self.blocks.at(x1, y1), u),
            v,
        )
    }
}

/// Light and piece in blocks.
struct Blocks {
    /// Mean of the field, and where no piece is in the block 1.
    light: Raster<f32>,
    bare: Raster<f32>,
    /// Share of the block that is piece.
    piece: Raster<f32>,
}

impl Blocks {
    /// Blocks of `side` cells from `first` on.
    fn of(
        light: &LightField,
        body: &Raster<u8>,
        side: i32,
        first: Rect,
        account: &Account,
    ) -> Result<Blocks, OverBudget> {
        let rect = Rect::of_size(
            (first.width() / side as u32).max(1),
            (first.height() / side as u32).max(1),
        );
        let mut blocks = Blocks {
            light: Raster::filled(rect, 1.0f32, account)?,
            bare: Raster::filled(rect, 0.0f32, account)?,
            piece: Raster::filled(rect, 0.0f32, account)?,
        };
        let count = (side * side) as f32;
        for j in 0..rect.y1 {
            for i in 0..rect.x1 {
                let (mut sum, mut inside) = (0.0f32, 0.0f32);
                for y in first.y0 + j * side..first.y0 + (j + 1) * side {
                    for x in first.x0 + i * side..first.x0 + (i + 1) * side {
                        let l = light.cells.at(x, y);
                        sum += (l[0] + l[1] + l[2]) / 3.0;
                        let seen = body.rect().contains(x, y) && body.at(x, y) != 0;
                        inside += f32::from(u8::from(seen));
                    }
                }
                blocks.light.put(i, j, sum / count);
                blocks.piece.put(i, j, inside / count);
                blocks.bare.put(i, j, f32::from(u8::from(inside == 0.0)));
            }
        }
        Ok(blocks)
    }
}

/// The parts of a plane over the bare blocks, and the light without it.
struct Flat {
    plane: [Vec<f64>; 3],
    rest: Vec<f64>,
    /// Squares of the rest.
    all: f64,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

impl Flat {
    fn of(blocks: &Blocks, list: &[[i32; 2]]) -> Flat {
        let mut plane = [
            vec![1.0f64; list.len()],
            list.iter().map(|p| f64::from(p[0])).collect(),
            list.iter().map(|p| f64::from(p[1])).collect(),
        ];
        for k in 0..3 {
            let (done, rest) = plane.split_at_mut(k);
            for d in done.iter() {
                let along = dot(d, &rest[0]);
                rest[0].iter_mut().zip(d).for_each(|(v, d)| *v -= along * d);
            }
            let length = dot(&rest[0], &rest[0]).sqrt().max(1e-9);
            rest[0].iter_mut().for_each(|v| *v /= length);
        }
        let mut rest: Vec<f64> = list
            .iter()
            .map(|p| f64::from(blocks.light.at(p[0], p[1])))
            .collect();
        for d in &plane {
            let along = dot(d, &rest);
            rest.iter_mut().zip(d).for_each(|(v, d)| *v -= along * d);
        }
        let all = dot(&rest, &rest);
        Flat { plane, rest, all }
    }

    /// What a shadow of this shape explains of the rest, and its depth.
    fn explained(&self, shape: &[f64]) -> (f64, f64) {
        let mut own = dot(shape, shape);
        for d in &self.plane {
            let along = dot(d, shape);
            own -= along * along;
        }
        if own < 1e-6 {
            return (0.0, 0.0);
        }
        let depth = -dot(shape, &self.rest) / own;
        (depth * depth * own, depth)
    }
}

fn moved(shape: &Raster<f32>, [x, y]: [i32; 2], way: [i32; 2]) -> f32 {
    let (u, v) = (x - way[0], y - way[1]);
    if shape.rect().contains(u, v) {
        shape.at(u, v)
    } else {
        0.0
    }
}

/// The light under `body` (half-size, like the field's cells), where a cast shadow explains the light around it.
pub fn under(
    light: &LightField,
    body: &Raster<u8>,
    account: &Account,
) -> Result<Option<Cast>, OverBudget> {
    let used = body.bounds(|&v| v != 0).intersected(&light.cells.rect());
    let longer = used.width().max(used.height()) as i32;
    let side = (longer / ACROSS).max(1);
    let room = (AROUND * longer as f32) as i32;
    let first = Rect {
        x0: used.x0 - room,
        y0: used.y0 - room,
        x1: used.x1 + room,
        y1: used.y1 + room,
    }
    .intersected(&light.cells.rect());
    if longer < ACROSS / 2 || first.width() < side as u32 || first.height() < side as u32 {
        return Ok(None);
    }
    let blocks = Blocks::of(light, body, side, first, account)?;
    let rect = blocks.light.rect();
    let list: Vec<[i32; 2]> = (0..rect.y1)
        .flat_map(|y| (0..rect.x1).map(move |x| [x, y]))
        .filter(|p| blocks.bare.at(p[0], p[1]) > 0.0)
        .collect();
    let _charge = account.charge(list.len() as u64 * 48, "light around a piece")?;
    if list.len() < 40 {
        return Ok(None);
    }
    let flat = Flat::of(&blocks, &list);
    let across = longer as f32 / side as f32;
    let reach = (MOVED * across) as i32;
    let ways: Vec<[i32; 2]> = (-reach..=reach)
        .flat_map(|y| (-reach..=reach).map(move |x| [x, y]))
        .collect();
    // What is explained, which way, how deep; the first of equals.
    let mut best = (
        0.0f64,
        [0; 2],
        0.0f64,
        Raster::filled(rect, 0.0f32, account)?,
    );
    for blur in BLURS {
        let shape = gauss::blurred(&blocks.piece, blur * f64::from(across), account)?;
        let tried: Vec<(f64, f64)> = ways
            .par_iter()
            .map(|way| {
                let at: Vec<f64> = list
                    .iter()
                    .map(|&p| f64::from(moved(&shape, p, *way)))
                    .collect();
                flat.explained(&at)
            })
            .collect();
        let mut better = None;
        for (n, &(explained, depth)) in tried.iter().enumerate() {
            if explained > best.0 && depth > DEPTHS[0] && depth < DEPTHS[1] {
                best.0 = explained;
                better = Some((ways[n], depth));
            }
        }
        if let Some((way, depth)) = better {
            best = (best.0, way, depth, shape);
        }
    }
    let (explained, way, depth, shape) = best;
    if explained.is_nan() || explained <= EXPLAINED * flat.all {
        return Ok(None);
    }
    let mut rest = Raster::filled(rect, [0.0f32; 1], account)?;
    let fallen = |p: [i32; 2]| depth as f32 * moved(&shape, p, way);
    for y in 0..rect.y1 {
        for x in 0..rect.x1 {
            rest.put(x, y, [blocks.light.at(x, y) + fallen([x, y])]);
        }
    }
    let rest = push_pull::filled(&rest, &blocks.bare, account)?;
    let mut ratios = Raster::filled(rect, 1.0f32, account)?;
    for y in 0..rect.y1 {
        for x in 0..rect.x1 {
            if blocks.bare.at(x, y) <= 0.0 {
                let new = rest.at(x, y)[0] - fallen([x, y]);
                let ratio = new / blocks.light.at(x, y).max(1e-3);
                ratios.put(x, y, ratio.clamp(CHANGE[0], CHANGE[1]));
            }
        }
    }
    Ok(Some(Cast {
        blocks: ratios,
        side: 2 * side,
        from: [2 * first.x0, 2 * first.y0],
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A square piece in a plane of light, with a shadow that is known.
    #[test]
    fn a_shadow_goes_on_under_its_piece() {
        let account = Account::unlimited();
        let rect = Rect::of_size(200, 200);
        let mut body = Raster::filled(rect, 0u8, &account).unwrap();
        let mut shape = Raster::filled(rect, 0.0f32, &account).unwrap();
        for y in 60..130 {
            for x in 60..130 {
                body.put(x, y, 1);
                shape.put(x + 8, y + 14, 1.0);
            }
        }
        let shape = gauss::blurred(&shape, 5.0, &account).unwrap();
        let truth = |x: i32, y: i32| (1.0 + 0.0003 * x as f32) * (1.0 - 0.4 * shape.at(x, y));
        // Filled in under the piece: as light as beside it.
        let mut cells = Raster::filled(rect, [1.0f32; 3], &account).unwrap();
        for y in 0..200 {
            for x in 0..200 {
                let seen = body.at(x, y) == 0;
                cells.put(x, y, [if seen { truth(x, y) } else { 0.9 }; 3]);
            }
        }
        let light = LightField { cells };
        let cast = under(&light, &body, &account).unwrap().unwrap();
        for (x, y) in [(75, 80), (95, 95), (110, 115), (120, 90)] {
            let got = 0.9 * cast.at(2 * x, 2 * y);
            assert!((got - truth(x, y)).abs() < 0.05, "{x} {y}: {got}");
        }
        assert!((cast.at(2 * 20, 2 * 30) - 1.0).abs() < 1e-6);
        // A gradient alone is no shadow.
        let mut cells = Raster::filled(rect, [1.0f32; 3], &account).unwrap();
        for y in 0..200 {
            for x in 0..200 {
                cells.put(x, y, [1.0 - 0.001 * y as f32; 3]);
            }
        }
        let even = LightField { cells };
        assert!(under(&even, &body, &account).unwrap().is_none());
    }
}
