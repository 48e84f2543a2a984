//! What a piece hides of its own shadow. Light that falls on the set past a piece is 1 - d G(silhouette): the
//! silhouette moved to where the lamp throws it, a little larger, made soft by the lamp's size. The few numbers of that
//! are fitted to the shadow that is seen beside the piece; only what they leave over is carried on from the surroundings.
//! A second lamp, or light thrown back by the piece, is another term of the same form.

mod grid;
mod own;
mod rods;

use rayon::prelude::*;

use super::super::tools::{floor, push_pull};
use super::light;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;
use grid::Grid;
pub(super) use own::owned;
pub(in super::super) use rods::Line;
use rods::Rods;

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
/// The first is looked for again without what changes more slowly than this share of the frame, if it explains some.
const SOME: f64 = 0.15;
const WIDE: f64 = 0.12;
/// And take or give at least this share of the light.
const LEAST: f64 = 0.01;
/// How much a lamp can take, and how much a piece throws back.
const MOST: (f64, f64) = (-0.5, 0.98);
/// Where a term acts, and where it is next to nothing.
const ACTS: f32 = 0.05;
const FAINT: f32 = 1e-3;
/// Bounds of a shadow's size over its piece's, and of its softness as a share of the frame's width.
const LARGER: std::ops::Range<f64> = 0.8..1.6;
const SOFTEST: f64 = 0.2;

/// The light of `ratios` where the set is `seen` (1), carried on under the piece by what its `silhouette` casts, and
/// without what `rods` cast in the same way. All at half size, on one rectangle; the ratios are 1 far away.
pub(super) fn carried_on(
    ratios: &Raster<[f32; 3]>,
    seen: &Raster<u8>,
    silhouette: &Raster<f32>,
    rods: &[Line],
    account: &Account,
) -> Result<Raster<[f32; 3]>, OverBudget> {
    let rect = ratios.rect();
    let known = &known(seen, account)?;
    let mut left = ratios.cropped(rect, account)?;
    let mut model = Raster::filled(rect, [1.0f32; 3], account)?;
    let mut rods = Rods::of(rods, rect);
    for n in 0..TERMS {
        let grid = |side| Grid::of(&left, known, silhouette, side, account);
        let draw = grid(DRAW)?;
        let mut fitted = Term::found(&grid(LOOK)?, &grid(FIT)?, account)?;
        let mut found = match &fitted {
            Some(fitted) => fitted.drawn(&draw, account)?,
            None => None,
        };
        // Light that drifts may be more than what is seen of a shadow.
        let some = fitted.is_some_and(|fitted| fitted.explains >= SOME);
        if found.is_none() && n == 0 && some {
            let wide = WIDE * f64::from(rect.width().max(rect.height()));
            let finer = |side| grid(side)?.finer_than(wide, account);
            fitted = Term::found(&finer(LOOK)?, &finer(FIT)?, account)?;
            if let Some(fitted) = &fitted {
                found = fitted.drawn(&finer(DRAW)?, account)?;
            }
        }
        if let Some(drawn) = &found {
            drawn.taken_off(&draw, &mut left, Some(&mut model));
        }
        // The lamp that throws the piece's shadow throws the rod's; one without the other is looked for once.
        let lamp = fitted.filter(|_| found.is_some()).map(|fitted| fitted.term);
        if lamp.is_some() || n == 0 {
            rods.found(&mut left, known, lamp, account)?;
        }
        if found.is_none() {
            break;
        }
    }
    let mut out = push_pull::filled(&left, known, account)?;
    light::relaxed(&mut out, known, account)?;
    // Only what a rod's shadow was taken off is not the light as it was.
    let seen = if rods.any { None } else { Some(ratios) };
    for (i, out) in out.data_mut().iter_mut().enumerate() {
        let (model, known) = (model.data()[i], known.data()[i] > 0.0);
        let of = |light: &[f32; 3]| std::array::from_fn(|k| light[k] * model[k]);
        *out = match (known, seen) {
            (true, Some(ratios)) => ratios.data()[i],
            (true, None) => of(&left.data()[i]),
            (false, _) => of(out),
        };
    }
    Ok(out)
}

/// How much is known of each cell: all of what is `seen` (1).
fn known(seen: &Raster<u8>, account: &Account) -> Result<Raster<f32>, OverBudget> {
    let mut known = Raster::filled(seen.rect(), 0.0f32, account)?;
    for (known, &seen) in known.data_mut().iter_mut().zip(seen.data()) {
        *known = f32::from(seen);
    }
    Ok(known)
}

/// A silhouette thrown somewhere. Lengths in half-size cells.
#[derive(Clone, Copy, Debug)]
struct Term {
    offset: (f64, f64),
    soft: f64,
    /// How much larger than the piece.
    larger: f64,
}

/// A term, and its share of what is seen where it acts.
#[derive(Clone, Copy, Debug)]
struct Fitted {
    term: Term,
    explains: f64,
}

impl Fitted {
    /// How it acts on the finest grid, where it explains enough and takes or gives enough.
    fn drawn(&self, draw: &Grid, account: &Account) -> Result<Option<Drawn>, OverBudget> {
        if self.explains < EXPLAINED {
            return Ok(None);
        }
        let term = self.term;
        let mut shape = Raster::filled(draw.light.rect(), 0.0f32, account)?;
        let soft = draw.blurred(term.soft, account)?;
        term.over(draw, &soft, |cover, i| shape.data_mut()[i] = cover);
        let (mut squares, mut both) = (0.0, [0.0; 3]);
        term.over(draw, &draw.finer_part(soft, account)?, |cover, i| {
            let light = &draw.light.data()[i];
            squares += f64::from(light[3] * cover * cover);
            for k in 0..3 {
                both[k] += f64::from(light[3] * cover * light[k]);
            }
        });
        let taken = both.map(|both| taken(both, squares));
        let drawn = Drawn { taken, shape };
        Ok((drawn.mean().abs() >= LEAST).then_some(drawn))
    }
}

/// A term as it acts.
struct Drawn {
    /// Share of the light it takes, per channel; below 0 what is thrown back.
    taken: [f64; 3],
    shape: Raster<f32>,
}

impl Drawn {
    fn mean(&self) -> f64 {
        (self.taken[0] + self.taken[1] + self.taken[2]) / 3.0
    }

    /// Takes the term, drawn on `grid`, off the light that is `left`, and puts it into the `model`.
    fn taken_off(
        &self,
        grid: &Grid,
        left: &mut Raster<[f32; 3]>,
        model: Option<&mut Raster<[f32; 3]>>,
    ) {
        let rect = left.rect();
        let width = (rect.width() as usize).max(1);
        let columns: Vec<f32> = (rect.x0..rect.x1).map(|x| grid.place(x, 0).0).collect();
        let acts = self.shape.bounds(|&cover| cover != 0.0);
        let near = |at: f32, from: i32, to: i32| at > (from - 1) as f32 && at < to as f32;
        let row = |y: i32, left: &mut [[f32; 3]], mut model: Option<&mut [[f32; 3]]>| {
            let v = grid.place(0, y).1;
            if !near(v, acts.y0, acts.y1) {
                return;
            }
            for (n, &u) in columns.iter().enumerate() {
                if !near(u, acts.x0, acts.x1) {
                    continue;
                }
                let cover = read(&self.shape, u, v);
                for k in 0..3 {
                    let share = (1.0 - self.taken[k] as f32 * cover).max(0.02);
                    left[n][k] /= share;
                    if let Some(model) = &mut model {
                        model[n][k] *= share;
                    }
                }
            }
        };
        let lefts = left.data_mut().par_chunks_mut(width).zip(rect.y0..rect.y1);
        match model {
            Some(model) => {
                let both = lefts.zip(model.data_mut().par_chunks_mut(width));
                both.for_each(|((left, y), model)| row(y, left, Some(model)));
            }
            None => lefts.for_each(|(left, y)| row(y, left, None)),
        }
    }
}

/// Sums over what is known: squares of the term's shape, its product with the mean departure.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    shape: f64,
    both: f64,
}

impl Sums {
    /// How much smaller the sum of squares becomes when the best share of the light is taken.
    fn gain(&self) -> f64 {
        let taken = taken(self.both, self.shape);
        -taken * (2.0 * self.both + taken * self.shape)
    }
}

fn taken(both: f64, shape: f64) -> f64 {
    (-both / shape.max(1e-9)).clamp(MOST.0, MOST.1)
}

impl Term {
    /// The term that explains most on `look`, its numbers made exact on `fit`.
    fn found(look: &Grid, fit: &Grid, account: &Account) -> Result<Option<Fitted>, OverBudget> {
        match Term::looked_for(look, account)? {
            Some(term) => Ok(Some(term.made_exact(fit, account)?)),
            None => Ok(None),
        }
    }

    fn made_exact(self, fit: &Grid, account: &Account) -> Result<Fitted, OverBudget> {
        let (term, gain) = self.nearer(fit, account)?;
        let mut seen = 0.0;
        term.over(fit, &fit.counted(term.soft, account)?, |cover, i| {
            let [weight, both] = fit.mean.data()[i];
            if cover > ACTS && weight > 0.0 {
                seen += f64::from(both * both / weight);
            }
        });
        Ok(Fitted {
            term,
            explains: gain / seen.max(1e-12),
        })
    }

    /// The best of all places in whole cells of a coarse grid.
    fn looked_for(grid: &Grid, account: &Account) -> Result<Option<Term>, OverBudget> {
        let rect = grid.light.rect();
        let block = f64::from(grid.block);
        let reach = (FARTHEST * f64::from(rect.width().max(rect.height()))) as i32;
        let shapes = SOFT
            .iter()
            .map(|&soft| {
                let shape = grid.counted(soft * block, account)?;
                let reached = shape.bounds(|&cover| cover > FAINT);
                Ok((shape, reached))
            })
            .collect::<Result<Vec<_>, OverBudget>>()?;
        let rows: Vec<(usize, i32)> = (0..SOFT.len())
            .flat_map(|s| (-reach..=reach).map(move |dy| (s, dy)))
            .collect();
        // The best of each row, then the first of the best: the same on any number of threads.
        let bests: Vec<(f64, i32)> = rows
            .par_iter()
            .map(|&(s, dy)| {
                let (shape, reached) = &shapes[s];
                let mut best = (0.0, 0);
                for dx in -reach..=reach {
                    let gain = moved(shape, *reached, grid, dx, dy).gain();
                    if gain > best.0 {
                        best = (gain, dx);
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
                };
                best = Some((gain, term));
            }
        }
        Ok(best.map(|b| b.1))
    }

    /// Better numbers by ever smaller steps in each of them; how much they explain.
    fn nearer(self, grid: &Grid, account: &Account) -> Result<(Term, f64), OverBudget> {
        let gain = |term: &Term, shape: &Raster<f32>| {
            let mut sums = Sums::default();
            term.over(grid, shape, |cover, i| {
                let [weight, both] = grid.mean.data()[i];
                sums.shape += f64::from(weight * cover * cover);
                sums.both += f64::from(both * cover);
            });
            sums.gain()
        };
        let mut best = self;
        let mut shape = grid.counted(best.soft, account)?;
        let mut most = gain(&best, &shape);
        let block = f64::from(grid.block);
        let softest = SOFTEST * f64::from(grid.light.rect().width().max(1)) * block;
        for step in [1.0, 0.5, 0.25, 0.125] {
            // Twice: the numbers hang together.
            for which in [0, 1, 2, 3, 0, 1, 2, 3] {
                for sign in [-1.0, 1.0] {
                    loop {
                        let mut next = best;
                        match which {
                            0 => next.offset.0 += sign * step * block,
                            1 => next.offset.1 += sign * step * block,
                            2 => next.soft *= 1.0 + sign * 0.3 * step,
                            _ => next.larger *= 1.0 + sign * 0.1 * step,
                        }
                        let fits =
                            LARGER.contains(&next.larger) && (0.25..softest).contains(&next.soft);
                        if !fits {
                            break;
                        }
                        let other = match which {
                            2 => Some(grid.counted(next.soft, account)?),
                            _ => None,
                        };
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
        Ok((best, most))
    }

    /// Every place of the grid on which the silhouette falls: how much, and which.
    fn over(&self, grid: &Grid, shape: &Raster<f32>, mut each: impl FnMut(f32, usize)) {
        let rect = grid.light.rect();
        let block = f64::from(grid.block);
        let middle = (f64::from(rect.x1) / 2.0, f64::from(rect.y1) / 2.0);
        let back = |at: i32, middle: f64, offset: f64| {
            ((f64::from(at) - middle - offset / block) / self.larger + middle) as f32
        };
        let columns: Vec<f32> = (rect.x0..rect.x1)
            .map(|x| back(x, middle.0, self.offset.0))
            .collect();
        let reached = shape.bounds(|&cover| cover > FAINT);
        let (low, high) = ((reached.x0 - 1) as f32, reached.x1 as f32);
        for y in rect.y0..rect.y1 {
            let v = back(y, middle.1, self.offset.1);
            if v < (reached.y0 - 1) as f32 || v > reached.y1 as f32 {
                continue;
            }
            let row = (y - rect.y0) as usize * columns.len();
            for (i, &u) in columns.iter().enumerate() {
                if u >= low && u <= high {
                    each(read(shape, u, v), row + i);
                }
            }
        }
    }
}

/// Sums for the silhouette moved by whole cells, `reached` where it is more than nothing.
fn moved(shape: &Raster<f32>, reached: Rect, grid: &Grid, dx: i32, dy: i32) -> Sums {
    let rect = grid.light.rect();
    let (x0, x1) = (rect.x0.max(reached.x0 + dx), rect.x1.min(reached.x1 + dx));
    let mut sums = Sums::default();
    if x0 >= x1 {
        return sums;
    }
    for y in rect.y0.max(reached.y0 + dy)..rect.y1.min(reached.y1 + dy) {
        let (mut squares, mut both) = (0.0f32, 0.0f32);
        let covers = shape.span(y - dy, x0 - dx, x1 - dx);
        for (mean, &cover) in grid.mean.span(y, x0, x1).iter().zip(covers) {
            squares += mean[0] * cover * cover;
            both += mean[1] * cover;
        }
        sums.shape += f64::from(squares);
        sums.both += f64::from(both);
    }
    sums
}

/// Between the middles of cells; 0 beyond the grid.
fn read(shape: &Raster<f32>, u: f32, v: f32) -> f32 {
    let rect = shape.rect();
    let (i, j) = (floor(u), floor(v));
    let (a, b) = (u - i, v - j);
    let (i, j) = (i as i32, j as i32);
    let get = |x: i32, y: i32| {
        if rect.contains(x, y) {
            shape.at(x, y)
        } else {
            0.0
        }
    };
    let top = get(i, j) * (1.0 - a) + get(i + 1, j) * a;
    let low = get(i, j + 1) * (1.0 - a) + get(i + 1, j + 1) * a;
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
        let got = carried_on(&ratios, &seen, &silhouette, &[], &account).unwrap();
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
            let got = carried_on(&ratios, &seen, &silhouette, &[], &account).unwrap();
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
                let got = carried_on(&ratios, &seen, &silhouette, &[], &account).unwrap();
                assert_eq!(got.rect(), rect);
            }
        }
    }
}
