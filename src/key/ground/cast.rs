//! What a piece hides of its own shadow. Light that falls on the set past a piece is 1 - d G(silhouette): the
//! silhouette moved to where the lamp throws it, a little larger, made soft by the lamp's size. The few numbers of that
//! are fitted to the shadow that is seen beside the piece; only what they leave over is carried on from the surroundings.
//! A second lamp, or light thrown back by the piece, is another term of the same form.

use rayon::prelude::*;

use super::super::tools::{gauss, push_pull};
use super::light;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Longest side of the grids on which a term is looked for, made exact, and drawn.
const LOOK: i32 = 60;
const FIT: i32 = 120;
const DRAW: i32 = 240;
/// Softness that is looked for, in cells of the first grid.
const SOFT: [f64; 8] = [0.5, 0.8, 1.2, 1.8, 2.7, 4.0, 6.0, 9.0];
/// How far a shadow may lie from its piece, as a share of the frame's longest side.
const FARTHEST: f64 = 0.35;
const TERMS: usize = 3;
/// A term must explain this share of what is seen where it acts, or the surroundings know as much.
const EXPLAINED: f64 = 0.5;
/// And take or give at least this share of the light.
const LEAST: f64 = 0.01;
/// How much a lamp can take, and how much a piece throws back.
const MOST: (f64, f64) = (-0.5, 0.98);
/// Where a term acts.
const ACTS: f64 = 0.05;

/// The light of `ratios` where the set is `seen` (1), carried on under the piece by what its `silhouette` casts.
/// All at half size, on one rectangle; the ratios are 1 far away.
pub(super) fn carried_on(
    ratios: &Raster<[f32; 3]>,
    seen: &Raster<u8>,
    silhouette: &Raster<f32>,
    account: &Account,
) -> Result<Raster<[f32; 3]>, OverBudget> {
    let rect = ratios.rect();
    let mut known = Raster::filled(rect, 0.0f32, account)?;
    for (known, &seen) in known.data_mut().iter_mut().zip(seen.data()) {
        *known = f32::from(seen);
    }
    let known = &known;
    let mut left = ratios.cropped(rect, account)?;
    let mut model = Raster::filled(rect, [1.0f32; 3], account)?;
    for _ in 0..TERMS {
        let grids = [LOOK, FIT, DRAW]
            .map(|side| Grid::of(&left, known, silhouette, side, account))
            .into_iter()
            .collect::<Result<Vec<_>, _>>()?;
        let Some(term) = Term::found(&grids, account)? else {
            break;
        };
        let drawn = term.drawn(&grids[2], account)?;
        let width = rect.width() as usize;
        let grid = &grids[2];
        model
            .data_mut()
            .par_chunks_mut(width.max(1))
            .zip(left.data_mut().par_chunks_mut(width.max(1)))
            .enumerate()
            .for_each(|(j, (model, left))| {
                for i in 0..width {
                    let (u, v) = grid.place(i, j);
                    let cover = read(&drawn, u, v);
                    for k in 0..3 {
                        let share = (1.0 - term.taken[k] * cover).max(0.02) as f32;
                        model[i][k] *= share;
                        left[i][k] /= share;
                    }
                }
            });
    }
    let mut out = push_pull::filled(&left, known, account)?;
    light::relaxed(&mut out, known, account)?;
    for ((out, model), (&known, ratio)) in
        (out.data_mut().iter_mut().zip(model.data())).zip(known.data().iter().zip(ratios.data()))
    {
        *out = if known > 0.0 {
            *ratio
        } else {
            std::array::from_fn(|k| out[k] * model[k])
        };
    }
    Ok(out)
}

/// Means over square blocks of cells.
struct Grid {
    /// Cells to a side of a block.
    block: i32,
    /// Departure from 1 and how much of the block is known.
    light: Raster<[f32; 4]>,
    silhouette: Raster<f32>,
}

impl Grid {
    fn of(
        ratios: &Raster<[f32; 3]>,
        known: &Raster<f32>,
        silhouette: &Raster<f32>,
        side: i32,
        account: &Account,
    ) -> Result<Grid, OverBudget> {
        let rect = ratios.rect();
        let block = (rect.width().max(rect.height()) as i32 + side - 1) / side;
        let block = block.max(1);
        let over = |n: u32| n.div_ceil(block as u32);
        let small = Rect::of_size(over(rect.width()), over(rect.height()));
        let mut light = Raster::filled(small, [0.0f32; 4], account)?;
        let mut shape = Raster::filled(small, 0.0f32, account)?;
        for (y, j) in (rect.y0..rect.y1).zip(0i32..) {
            for (x, i) in (rect.x0..rect.x1).zip(0i32..) {
                let (i, j) = (i / block, j / block);
                let share = 1.0 / (block * block) as f32;
                let known = known.at(x, y) * share;
                let (mut sum, value) = (light.at(i, j), ratios.at(x, y));
                for k in 0..3 {
                    sum[k] += known * (value[k] - 1.0);
                }
                sum[3] += known;
                light.put(i, j, sum);
                shape.put(i, j, shape.at(i, j) + share * silhouette.at(x, y));
            }
        }
        for sum in light.data_mut() {
            for k in 0..3 {
                sum[k] = if sum[3] > 1e-6 { sum[k] / sum[3] } else { 0.0 };
            }
        }
        Ok(Grid {
            block,
            light,
            silhouette: shape,
        })
    }

    /// Where the middle of the half-size cell (i, j), counted from the corner, lies on this grid.
    fn place(&self, i: usize, j: usize) -> (f64, f64) {
        let block = f64::from(self.block);
        (
            (i as f64 + 0.5) / block - 0.5,
            (j as f64 + 0.5) / block - 0.5,
        )
    }
}

/// A silhouette thrown somewhere. Lengths in half-size cells.
#[derive(Clone, Copy, Debug)]
struct Term {
    offset: (f64, f64),
    soft: f64,
    /// How much larger than the piece.
    larger: f64,
    /// Share of the light that is taken, per channel; below 0 what is thrown back.
    taken: [f64; 3],
}

/// What a silhouette in one place explains.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    shape: f64,
    both: [f64; 3],
    /// Of the squares of what is seen where the term acts.
    seen: f64,
}

impl Sums {
    fn with(self, light: &[f32; 4], cover: f64) -> Sums {
        let weight = f64::from(light[3]);
        let mut sums = self;
        sums.shape += weight * cover * cover;
        let mut mean = 0.0;
        for k in 0..3 {
            sums.both[k] += weight * cover * f64::from(light[k]);
            mean += f64::from(light[k]) / 3.0;
        }
        if cover > ACTS {
            sums.seen += weight * mean * mean;
        }
        sums
    }

    fn plus(self, other: Sums) -> Sums {
        Sums {
            shape: self.shape + other.shape,
            both: [0, 1, 2].map(|k| self.both[k] + other.both[k]),
            seen: self.seen + other.seen,
        }
    }

    fn taken(&self) -> [f64; 3] {
        self.both
            .map(|both| (-both / self.shape.max(1e-9)).clamp(MOST.0, MOST.1))
    }

    /// How much smaller the sum of squares becomes.
    fn gain(&self) -> f64 {
        let both = self.both.iter().sum::<f64>() / 3.0;
        let taken = (-both / self.shape.max(1e-9)).clamp(MOST.0, MOST.1);
        -taken * (2.0 * both + taken * self.shape)
    }
}

impl Term {
    fn found(grids: &[Grid], account: &Account) -> Result<Option<Term>, OverBudget> {
        let Some(start) = Term::looked_for(&grids[0], account)? else {
            return Ok(None);
        };
        let mut best = start;
        let mut gain = 0.0;
        for grid in &grids[1..] {
            (best, gain) = best.nearer(grid, account)?;
        }
        let sums = best.sums(&grids[2], &best.blurred(&grids[2], account)?);
        best.taken = sums.taken();
        let mean = best.taken.iter().sum::<f64>() / 3.0;
        let real = mean.abs() >= LEAST && gain >= EXPLAINED * sums.seen;
        Ok(real.then_some(best))
    }

    /// The best of all places in whole cells of a coarse grid.
    fn looked_for(grid: &Grid, account: &Account) -> Result<Option<Term>, OverBudget> {
        let rect = grid.light.rect();
        let block = f64::from(grid.block);
        let reach = (FARTHEST * f64::from(rect.width().max(rect.height()))) as i32;
        let shapes = SOFT
            .iter()
            .map(|&soft| gauss::blurred(&grid.silhouette, soft, account))
            .collect::<Result<Vec<_>, _>>()?;
        let rows: Vec<(usize, i32)> = (0..SOFT.len())
            .flat_map(|s| (-reach..=reach).map(move |dy| (s, dy)))
            .collect();
        // The best of each row, then the first of the best: the same on any number of threads.
        let bests: Vec<(f64, i32)> = rows
            .par_iter()
            .map(|&(s, dy)| {
                let mut best = (0.0, 0);
                for dx in -reach..=reach {
                    let sums = moved(&shapes[s], grid, dx, dy);
                    if sums.gain() > best.0 {
                        best = (sums.gain(), dx);
                    }
                }
                best
            })
            .collect();
        let mut best: Option<(f64, Term)> = None;
        for (&(s, dy), &(gain, dx)) in rows.iter().zip(&bests) {
            if gain > best.map_or(0.0, |b| b.0) {
                let term = Term {
                    offset: (f64::from(dx) * block, f64::from(dy) * block),
                    soft: SOFT[s] * block,
                    larger: 1.0,
                    taken: [0.0; 3],
                };
                best = Some((gain, term));
            }
        }
        Ok(best.map(|b| b.1))
    }

    /// Better numbers by ever smaller steps in each of them.
    fn nearer(self, grid: &Grid, account: &Account) -> Result<(Term, f64), OverBudget> {
        let gain = |term: &Term, shape: &Raster<f32>| term.sums(grid, shape).gain();
        let mut best = self;
        let mut shape = best.blurred(grid, account)?;
        let mut most = gain(&best, &shape);
        let block = f64::from(grid.block);
        for step in [1.0, 0.5, 0.25, 0.125] {
            // Twice: the numbers hang together.
            for _ in 0..2 {
                for which in 0..4 {
                    for sign in [-1.0, 1.0] {
                        loop {
                            let mut next = best;
                            match which {
                                0 => next.offset.0 += sign * step * block,
                                1 => next.offset.1 += sign * step * block,
                                2 => next.soft *= 1.0 + sign * 0.3 * step,
                                _ => next.larger *= 1.0 + sign * 0.1 * step,
                            }
                            let fits = (0.8..1.6).contains(&next.larger)
                                && next.soft
                                    < 12.0 * block * f64::from(grid.light.rect().width().max(1))
                                        / f64::from(LOOK)
                                && next.soft > 0.25;
                            if !fits {
                                break;
                            }
                            let other = (which == 2)
                                .then(|| next.blurred(grid, account))
                                .transpose()?;
                            let now = gain(&next, other.as_ref().unwrap_or(&shape));
                            if now <= most * (1.0 + 1e-6) {
                                break;
                            }
                            (best, most) = (next, now);
                            if let Some(other) = other {
                                shape = other;
                            }
                        }
                    }
                }
            }
        }
        Ok((best, most))
    }

    /// The silhouette, soft.
    fn blurred(&self, grid: &Grid, account: &Account) -> Result<Raster<f32>, OverBudget> {
        gauss::blurred(&grid.silhouette, self.soft / f64::from(grid.block), account)
    }

    /// Where a place of the shadow lies on the silhouette.
    fn back(&self, grid: &Grid, x: f64, y: f64) -> (f64, f64) {
        let rect = grid.light.rect();
        let block = f64::from(grid.block);
        let middle = (f64::from(rect.x1) / 2.0, f64::from(rect.y1) / 2.0);
        (
            (x - middle.0 - self.offset.0 / block) / self.larger + middle.0,
            (y - middle.1 - self.offset.1 / block) / self.larger + middle.1,
        )
    }

    fn sums(&self, grid: &Grid, shape: &Raster<f32>) -> Sums {
        let rect = grid.light.rect();
        let rows: Vec<Sums> = (rect.y0..rect.y1)
            .into_par_iter()
            .map(|y| {
                (rect.x0..rect.x1).fold(Sums::default(), |sums, x| {
                    let light = grid.light.at(x, y);
                    if light[3] <= 0.0 {
                        return sums;
                    }
                    let (u, v) = self.back(grid, f64::from(x), f64::from(y));
                    sums.with(&light, read(shape, u, v))
                })
            })
            .collect();
        rows.into_iter().fold(Sums::default(), Sums::plus)
    }

    /// The shadow's shape on the grid.
    fn drawn(&self, grid: &Grid, account: &Account) -> Result<Raster<f32>, OverBudget> {
        let shape = self.blurred(grid, account)?;
        let rect = grid.light.rect();
        let mut out = Raster::filled(rect, 0.0f32, account)?;
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                let (u, v) = self.back(grid, f64::from(x), f64::from(y));
                out.put(x, y, read(&shape, u, v) as f32);
            }
        }
        Ok(out)
    }
}

/// Sums for the silhouette moved by whole cells; nothing casts from beyond the grid.
fn moved(shape: &Raster<f32>, grid: &Grid, dx: i32, dy: i32) -> Sums {
    let rect = grid.light.rect();
    let mut sums = Sums::default();
    for y in rect.y0.max(rect.y0 + dy)..rect.y1.min(rect.y1 + dy) {
        let (x0, x1) = (rect.x0.max(rect.x0 + dx), rect.x1.min(rect.x1 + dx));
        if x0 >= x1 {
            continue;
        }
        let lights = &grid.light.row(y)[(x0 - rect.x0) as usize..(x1 - rect.x0) as usize];
        let covers = &shape.row(y - dy)[(x0 - dx - rect.x0) as usize..];
        for (light, &cover) in lights.iter().zip(covers) {
            if cover > 1e-3 && light[3] > 0.0 {
                sums = sums.with(light, f64::from(cover));
            }
        }
    }
    sums
}

/// Between the middles of cells; 0 beyond the grid.
fn read(shape: &Raster<f32>, u: f64, v: f64) -> f64 {
    let rect = shape.rect();
    let (i, j) = (u.floor(), v.floor());
    let (a, b) = (u - i, v - j);
    let get = |x: f64, y: f64| {
        let inside = x >= f64::from(rect.x0)
            && x < f64::from(rect.x1)
            && y >= f64::from(rect.y0)
            && y < f64::from(rect.y1);
        if inside {
            f64::from(shape.at(x as i32, y as i32))
        } else {
            0.0
        }
    };
    let top = get(i, j) * (1.0 - a) + get(i + 1.0, j) * a;
    let low = get(i, j + 1.0) * (1.0 - a) + get(i + 1.0, j + 1.0) * a;
    top * (1.0 - b) + low * b
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIDE: u32 = 200;

    /// A soft disc: 1 at the middle.
    fn disc(x: i32, y: i32, middle: (f64, f64), radius: f64, soft: f64) -> f64 {
        let (dx, dy) = (f64::from(x) + 0.5 - middle.0, f64::from(y) + 0.5 - middle.1);
        ((radius - (dx * dx + dy * dy).sqrt()) / soft + 0.5).clamp(0.0, 1.0)
    }

    /// Ratios, what is seen of them and the silhouette: a disc at (100, 90) that hides most of its shadow.
    fn scene(
        ratio: impl Fn(i32, i32) -> [f32; 3],
    ) -> (Raster<[f32; 3]>, Raster<u8>, Raster<f32>, Account) {
        let account = Account::unlimited();
        let rect = Rect::of_size(SIDE, SIDE);
        let mut ratios = Raster::filled(rect, [1.0f32; 3], &account).unwrap();
        let mut seen = Raster::filled(rect, 1u8, &account).unwrap();
        let mut silhouette = Raster::filled(rect, 0.0f32, &account).unwrap();
        for y in 0..SIDE as i32 {
            for x in 0..SIDE as i32 {
                let hides = disc(x, y, (100.0, 90.0), 40.0, 1.0);
                silhouette.put(x, y, hides as f32);
                seen.put(x, y, u8::from(hides <= 0.0));
                // What lies under the piece is no light.
                ratios.put(x, y, if hides > 0.0 { [0.9; 3] } else { ratio(x, y) });
            }
        }
        (ratios, seen, silhouette, account)
    }

    #[test]
    fn a_hidden_shadow_is_found_from_its_rim() {
        let taken = [0.5, 0.48, 0.45];
        // A larger disc, soft over 24 cells.
        let shadow = |x: i32, y: i32, k: usize| {
            1.0 - taken[k] * disc(x, y, (112.0, 108.0), 44.0, 24.0) as f32
        };
        let (ratios, seen, silhouette, account) =
            scene(|x, y| std::array::from_fn(|k| shadow(x, y, k)));
        let got = carried_on(&ratios, &seen, &silhouette, &account).unwrap();
        for y in 0..SIDE as i32 {
            for x in 0..SIDE as i32 {
                for k in 0..3 {
                    let (got, want) = (got.at(x, y)[k], shadow(x, y, k));
                    let near = if seen.at(x, y) > 0 { 0.0 } else { 0.045 };
                    assert!((got - want).abs() <= near, "{x} {y}: {got} for {want}");
                }
            }
        }
    }

    #[test]
    fn light_that_no_silhouette_casts_goes_on_from_its_surroundings() {
        // Even light; and a slope that has nothing to do with the piece.
        for slope in [0.0, 0.0004] {
            let light = |x: i32| 1.0 + slope * (x - 100) as f32;
            let (ratios, seen, silhouette, account) = scene(|x, _| [light(x); 3]);
            let got = carried_on(&ratios, &seen, &silhouette, &account).unwrap();
            for y in 0..SIDE as i32 {
                for x in 0..SIDE as i32 {
                    let off = got.at(x, y)[1] - light(x);
                    assert!(off.abs() < 0.004 + 8.0 * slope, "{x} {y}: {off}");
                }
            }
        }
    }

    #[test]
    fn pictures_of_a_cell_or_nothing_are_survived() {
        let account = Account::unlimited();
        for rect in [Rect::EMPTY, Rect::new(-1, 4, 1, 1), Rect::of_size(300, 2)] {
            for (value, seen) in [(1.0f32, 0u8), (0.0, 1), (f32::NAN, 1), (16.0, 1)] {
                let ratios = Raster::filled(rect, [value; 3], &account).unwrap();
                let seen = Raster::filled(rect, seen, &account).unwrap();
                let silhouette = Raster::filled(rect, 0.5f32, &account).unwrap();
                let got = carried_on(&ratios, &seen, &silhouette, &account).unwrap();
                assert_eq!(got.rect(), rect);
            }
        }
    }
}
