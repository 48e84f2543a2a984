//! Areas the flood got wrong: leaks behind a gap in an outline, and holes that no flood reaches.

use super::super::tools::ends;
use super::super::tools::labels::{self, Joined};
use super::at_border;
use super::cells::{CELLS_IN_SOFT, Cells};
use super::texture::{Answer, Sum, Texture};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Half the width of the widest gap in an outline that is seen as one, in cells.
const GAP: u16 = 5;
/// Cells of the smallest leak, and of the smallest hole.
const LEAK: u64 = 40;
const HOLE: u64 = 9;
/// Departure of an area's light from the light around it that makes it something else, relative.
const DEPARTS: f64 = 0.03;
/// The same for a channel against brightness.
const TINT: f64 = 0.015;
/// Share of a hole's outline that must be a step.
const COVER: f64 = 0.7;
/// The same where what texture there is speaks for the plate: the deepest of a shadow may lie beyond.
const COVER_SEEN: f64 = 0.6;
/// Tint of a hole against the light around it, and its brightness: as good as the same; only darkened.
const NEUTRAL: f64 = 0.035;
const SAME: f64 = 0.06;
const DARKENED: (f64, f64) = (0.4, 1.3);
/// Up to this share of the plate's texture a hole must lie in shadow, as most do: a piece of the plate's own stuff does
/// not.
const SEEN: f64 = 0.6;
const SHADED: f64 = 0.95;
/// Light that is no more than the set's own without any shadow.
const UNDARKENED: f32 = 1.1;
/// Cells of piece around a hole that one can be sure of without texture.
const AROUND: u32 = 5;
/// The same, and the share of an outline, where many holes speak together.
const BESIDE: u32 = 2;
const CLOSED: f64 = 0.95;
/// Cells it must have in the same light, and in darker light.
const SURE_SAME: u64 = 60;
const SURE_DARKENED: u64 = 500;
/// Share of one in any light that must be lit alike: in two classes side by side of this width, of its brightness
/// against the expected.
const EVEN: f64 = 0.7;
const CLASS: f32 = 0.02;
const CLASSES: usize = 64;
/// Any other is lit no less and no more than the set around the piece is, to this share; one in how many of that
/// count for nothing at each end.
const LIT: f32 = 0.05;
const FEW_LIT: usize = 50;
/// Tint it may have beside what noise leaves open: no paint is so like the set's.
const BARE: f64 = 0.0075;
/// Darker than this only when what texture there is speaks for the plate: a mirror shows another part of the set.
const DIM: f64 = 0.7;

/// Mean light of an area against the light expected there.
#[derive(Clone, Debug)]
struct Mean {
    ratio: [f64; 3],
    weight: [f64; 3],
    /// Squared departures of brightness less noise: a ratio that crosses the expected inside an area departs though
    /// its mean doesn't.
    squares: f64,
    texture: Sum,
    cells: u64,
    /// Cells by classes of brightness.
    lit: [u32; CLASSES],
}

impl Default for Mean {
    fn default() -> Mean {
        Mean {
            ratio: [0.0; 3],
            weight: [0.0; 3],
            squares: 0.0,
            texture: Sum::default(),
            cells: 0,
            lit: [0; CLASSES],
        }
    }
}

impl Mean {
    fn add(&mut self, cells: &Cells, light: &Raster<[f32; 3]>, texture: &Texture, x: i32, y: i32) {
        let (r, w, s) = (cells.ratio.at(x, y), cells.weight.at(x, y), light.at(x, y));
        for k in 0..3 {
            if s[k] > 1e-3 {
                let weight = f64::from(w[k] * s[k] * s[k]);
                self.ratio[k] += weight * f64::from(r[k] / s[k]);
                self.weight[k] += weight;
            }
        }
        let soft = cells.soft.at(x, y);
        let (mut off, mut whole) = (0.0, 0.0);
        for k in 0..3 {
            let own = soft[3 + k] * s[k] * s[k];
            if s[k] > 1e-3 && own > 1e-6 {
                off += own * (soft[k] / soft[3 + k] / s[k] - 1.0);
                whole += own;
            }
        }
        if whole > 0.0 {
            let class = ((1.0 + off / whole) / CLASS).clamp(0.0, (CLASSES - 1) as f32);
            self.lit[class as usize] += 1;
            // Less what noise leaves in a soft mean.
            let off = f64::from(off / whole);
            self.squares += off * off - 1.0 / f64::from(CELLS_IN_SOFT * whole);
        }
        texture.add(x, y, &mut self.texture);
        self.cells += 1;
    }

    /// Root of the mean squared departure of brightness, cell by cell.
    fn departure(&self) -> f64 {
        (self.squares / self.cells.max(1) as f64).max(0.0).sqrt()
    }

    /// Whether most of it is lit alike: a face turns from dark to bright.
    fn is_even(&self) -> bool {
        let alike = self.lit.windows(2).map(|both| both[0] + both[1]);
        alike
            .max()
            .is_some_and(|most| f64::from(most) >= EVEN * self.cells as f64)
    }

    /// Whether the texture says enough for a hole of this light.
    fn is_beyond_doubt(&self) -> bool {
        let share = self.texture.share();
        share > SEEN || self.light().0 < SHADED
    }

    /// Whether so many cells of all of its outline at a step make it one.
    fn is_edged(&self, step: u64, all: u64) -> bool {
        let cover = match self.texture.is_rather_plate() {
            true => COVER_SEEN,
            false => COVER,
        };
        step as f64 >= cover * all as f64
    }

    /// Whether its tint is the set's as well as can be told, at two standard deviations.
    fn is_neutral(&self) -> bool {
        let told = self.weight.iter().copied().filter(|&w| w > 0.0);
        let least = told.fold(f64::INFINITY, f64::min);
        self.light().1 < BARE + 2.0 / least.max(1.0).sqrt()
    }

    /// Brightness against the expected, and the largest departure of a channel from it.
    fn light(&self) -> (f64, f64) {
        // A channel that tells nothing has no say.
        let told = (0..3).filter(|&k| self.weight[k] > 0.0);
        let mean = told.map(|k| self.ratio[k] / self.weight[k]);
        let (sum, channels) = mean
            .clone()
            .fold((0.0, 0.0), |(sum, n), v| (sum + v, n + 1.0));
        if channels == 0.0 {
            return (1.0, 0.0);
        }
        let brightness = sum / channels;
        let tint = mean
            .map(|v| (v / brightness.max(1e-6) - 1.0).abs())
            .fold(0.0, f64::max);
        (brightness, tint)
    }
}

/// Distance of every cell to the nearest one outside `mask`, in king's moves; what lies beyond the frame is no
/// obstacle.
pub(super) fn inside(mask: &Raster<u8>, account: &Account) -> Result<Raster<u16>, OverBudget> {
    let rect = mask.rect();
    let mut out = Raster::filled(rect, u16::MAX, account)?;
    for (out, &mask) in out.data_mut().iter_mut().zip(mask.data()) {
        if mask == 0 {
            *out = 0;
        }
    }
    let width = out.width();
    if width == 0 {
        return Ok(out);
    }
    // Down the rows and back up: first from the row before, then along the row.
    let nowhere = vec![u16::MAX; width];
    let data = out.data_mut();
    let rows = data.len() / width;
    for row in 0..rows {
        let (before, own) = data.split_at_mut(row * width);
        let before = before.rchunks(width).next().unwrap_or(&nowhere);
        let own = &mut own[..width];
        from_beside(own, before);
        for x in 1..width {
            own[x] = own[x].min(own[x - 1].saturating_add(1));
        }
    }
    for row in (0..rows).rev() {
        let (own, after) = data.split_at_mut((row + 1) * width);
        let after = after.chunks(width).next().unwrap_or(&nowhere);
        let own = &mut own[row * width..];
        from_beside(own, after);
        for x in (1..width).rev() {
            own[x - 1] = own[x - 1].min(own[x].saturating_add(1));
        }
    }
    Ok(out)
}

/// One step from the three cells of the row beside.
fn from_beside(own: &mut [u16], beside: &[u16]) {
    for (x, own) in own.iter_mut().enumerate() {
        let (left, right) = (x.saturating_sub(1), (x + 1).min(beside.len() - 1));
        let near = beside[left].min(beside[x]).min(beside[right]);
        *own = (*own).min(near.saturating_add(1));
    }
}

/// Accepted areas that hang on the rest by a narrow gap only: each cell's area, 0 for the rest. Areas that touch the
/// frame's border are the rest.
pub(super) fn pockets(
    background: &Raster<u8>,
    account: &Account,
) -> Result<(Raster<u32>, usize), OverBudget> {
    let rect = background.rect();
    let depth = inside(background, account)?;
    let mut wide = Raster::filled(rect, 0u8, account)?;
    for (wide, &depth) in wide.data_mut().iter_mut().zip(depth.data()) {
        *wide = u8::from(depth > GAP);
    }
    let parts = labels::parts(&wide, Joined::Sides, account)?;
    let mut number = vec![0u32; parts.parts.len()];
    let mut count = 0;
    for (number, part) in number.iter_mut().zip(&parts.parts) {
        if !at_border(&part.place, &rect) && part.area >= LEAK {
            count += 1;
            *number = count;
        }
    }
    let mut out = Raster::filled(rect, 0u32, account)?;
    if count == 0 {
        return Ok((out, 0));
    }
    // Every accepted cell goes to the area it is nearest to, in steps.
    const REST: u32 = u32::MAX;
    let _held = account.charge(16 * background.data().len() as u64, "pockets")?;
    let mut last = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if let Some(part) = parts.at(x, y) {
                out.put(x, y, if number[part] > 0 { number[part] } else { REST });
                last.push((x, y));
            }
        }
    }
    while !last.is_empty() {
        let mut next = Vec::new();
        for (x, y) in last {
            for (px, py) in [(x, y - 1), (x - 1, y), (x + 1, y), (x, y + 1)] {
                if rect.contains(px, py) && background.at(px, py) > 0 && out.at(px, py) == 0 {
                    out.put(px, py, out.at(x, y));
                    next.push((px, py));
                }
            }
        }
        last = next;
    }
    for label in out.data_mut() {
        if *label == REST {
            *label = 0;
        }
    }
    Ok((out, count as usize))
}

/// Takes leaks out of `background`; `light` is the light without the pockets, filled across them.
pub(super) fn undone(
    cells: &Cells,
    background: &mut Raster<u8>,
    pockets: &(Raster<u32>, usize),
    light: &Raster<[f32; 3]>,
    texture: &Texture,
) {
    let (labels, count) = pockets;
    let rect = background.rect();
    let mut means = vec![Mean::default(); *count];
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if let Some(pocket) = labels.at(x, y).checked_sub(1) {
                means[pocket as usize].add(cells, light, texture, x, y);
            }
        }
    }
    let leaks: Vec<bool> = means
        .iter()
        .map(|mean| {
            let (_, tint) = mean.light();
            let departure = mean.departure();
            match mean.texture.answer() {
                Answer::Plate => false,
                Answer::Other => tint > 0.5 * TINT || departure > DEPARTS,
                Answer::Undecided => tint > TINT || departure > 2.0 * DEPARTS,
            }
        })
        .collect();
    for (background, &label) in background.data_mut().iter_mut().zip(labels.data()) {
        if label > 0 && leaks[label as usize - 1] {
            *background = 0;
        }
    }
}

/// Adds holes to `background`; says whether there were any. First in any light what shows its texture or is lit alike;
/// then what is lit as the set around the piece is: a streak on the piece's face may go on from one at another light.
pub(super) fn holes(
    cells: &Cells,
    background: &mut Raster<u8>,
    walls: &Raster<u8>,
    light: &Raster<[f32; 3]>,
    texture: &Texture,
    account: &Account,
) -> Result<bool, OverBudget> {
    let around = lights(background, light, account)?;
    let mut opened = false;
    for lights in [None, Some(around)] {
        opened |= opened_in(cells, background, walls, (light, lights), texture, account)?;
    }
    Ok(opened)
}

/// The same for holes in any light, or in such light alone.
fn opened_in(
    cells: &Cells,
    background: &mut Raster<u8>,
    walls: &Raster<u8>,
    (light, lights): (&Raster<[f32; 3]>, Option<(f32, f32)>),
    texture: &Texture,
    account: &Account,
) -> Result<bool, OverBudget> {
    let around = lights.is_some();
    let rect = background.rect();
    let mut like = Raster::filled(rect, 0u8, account)?;
    let mut hidden = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let free = background.at(x, y) == 0;
            hidden.put(x, y, u8::from(free));
            let may = free
                && walls.at(x, y) == 0
                && looks_lit(cells, light, x, y)
                && lights.is_none_or(|lights| is_between(cells, lights, x, y));
            like.put(x, y, u8::from(may));
        }
    }
    let depth = inside(&hidden, account)?;
    let parts = labels::parts(&like, Joined::Sides, account)?;
    // A few cells that noise alone makes unlike are no outline.
    for (rest, &like) in hidden.data_mut().iter_mut().zip(like.data()) {
        *rest &= 1 - like;
    }
    let rest = labels::parts(&hidden, Joined::SidesAndCorners, account)?;
    let is_speck = |x: i32, y: i32| {
        walls.at(x, y) == 0 && (rest.at(x, y)).is_some_and(|part| rest.parts[part].area < HOLE)
    };
    let bytes = parts.parts.len() * (size_of::<Mean>() + size_of::<(u64, u64, u64)>());
    let _held = account.charge(bytes as u64, "holes that no flood reaches")?;
    let mut means = vec![Mean::default(); parts.parts.len()];
    // Cells of outline: all, at a step, and how deep in the piece they lie.
    let mut outline = vec![(0u64, 0u64, 0u64); parts.parts.len()];
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let Some(part) = parts.at(x, y) else { continue };
            if parts.parts[part].area < HOLE {
                continue;
            }
            means[part].add(cells, light, texture, x, y);
            for (px, py) in [(x, y - 1), (x - 1, y), (x + 1, y), (x, y + 1)] {
                if !rect.contains(px, py) || parts.at(px, py) == Some(part) || is_speck(px, py) {
                    continue;
                }
                let (all, step, deep) = &mut outline[part];
                *all += 1;
                *deep += u64::from(depth.at(px, py)).min(64);
                let wall = [(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)]
                    .iter()
                    .any(|(dx, dy)| {
                        rect.contains(px + dx, py + dy) && walls.at(px + dx, py + dy) > 0
                    });
                let beyond = (x + 3 * (px - x), y + 3 * (py - y));
                let edge = rect.contains(beyond.0, beyond.1) && differs(cells, (x, y), beyond);
                *step += u64::from(wall || edge);
            }
        }
    }
    // Many small holes together tell what one alone doesn't.
    let mut together = Sum::default();
    let likely: Vec<bool> = means
        .iter()
        .zip(&outline)
        .map(|(mean, &(all, step, deep))| {
            let (brightness, tint) = mean.light();
            let likely = mean.cells >= HOLE
                && all > 0
                && step as f64 >= CLOSED * all as f64
                && deep >= u64::from(BESIDE) * all
                && tint < NEUTRAL
                && brightness > DARKENED.0
                && brightness < 1.0 + SAME
                && mean.texture.answer() == Answer::Undecided
                && mean.texture.may_be_plate();
            if likely {
                together.join(&mean.texture);
            }
            likely
        })
        .collect();
    let together = together.answer() == Answer::Plate;
    let open: Vec<bool> = means
        .iter()
        .zip(&outline)
        .zip(&likely)
        .map(|((mean, &(all, step, deep)), &likely)| {
            if mean.cells < HOLE || all == 0 {
                return false;
            }
            let edged = mean.is_edged(step, all);
            let (brightness, tint) = mean.light();
            let lit = tint < NEUTRAL && brightness > DARKENED.0 && brightness < DARKENED.1;
            // Without texture only what lies well inside a piece, and is large for how far it departs.
            let ringed = edged && deep >= u64::from(AROUND) * all && mean.is_neutral();
            let same = (brightness - 1.0).abs() < SAME && mean.cells >= SURE_SAME;
            let large =
                mean.cells >= SURE_DARKENED && (brightness > DIM || mean.texture.is_rather_plate());
            match mean.texture.answer() {
                Answer::Plate => !around && lit && mean.is_beyond_doubt(),
                Answer::Other => false,
                Answer::Undecided => {
                    let bare = lit && ringed && (same || large) && (around || mean.is_even());
                    bare || (likely && together && !around)
                }
            }
        })
        .collect();
    for (background, &label) in background.data_mut().iter_mut().zip(parts.labels.data()) {
        if label > 0 && open[label as usize - 1] {
            *background = 1;
        }
    }
    Ok(open.contains(&true))
}

/// The darkest and the brightest light on the set around the piece, and the plate's own.
fn lights(
    background: &Raster<u8>,
    light: &Raster<[f32; 3]>,
    account: &Account,
) -> Result<(f32, f32), OverBudget> {
    let place = background.bounds(|&v| v == 0);
    let _held = account.charge(4 * place.area(), "light around the piece")?;
    let mut all = Vec::new();
    for y in place.y0..place.y1 {
        for x in place.x0..place.x1 {
            if background.at(x, y) > 0 {
                all.push(light.at(x, y).iter().sum::<f32>() / 3.0);
            }
        }
    }
    let (low, high) = ends(all, FEW_LIT);
    Ok((low.min(1.0) * (1.0 - LIT), high.max(1.0) * (1.0 + LIT)))
}

/// Whether the light around a cell may lie between two.
fn is_between(cells: &Cells, (low, high): (f32, f32), x: i32, y: i32) -> bool {
    let soft = cells.soft.at(x, y);
    let (mut light, mut variance) = (0.0, 0.0);
    for k in 0..3 {
        light += soft[k] / soft[3 + k].max(1e-6) / 3.0;
        variance += 1.0 / (9.0 * CELLS_IN_SOFT * soft[3 + k].max(1e-6));
    }
    let loose = 3.0 * variance.sqrt();
    light > low - loose && light < high + loose
}

/// Whether a cell, or the cells around it, could be the plate in about this light.
fn looks_lit(cells: &Cells, light: &Raster<[f32; 3]>, x: i32, y: i32) -> bool {
    let (soft, s) = (cells.soft.at(x, y), light.at(x, y));
    let (own, weight) = (cells.ratio.at(x, y), cells.weight.at(x, y));
    let mean = [0, 1, 2].map(|k| soft[k] / soft[3 + k].max(1e-6));
    let sure = [0, 1, 2].map(|k| 12.0 * soft[3 + k]);
    (cells.soft_misfit.at(x, y) < 3.0 && neutral(mean, sure, s))
        || (cells.misfit.at(x, y) < 3.0 && neutral(own, weight, s))
}

/// Whether a ratio, as sure as its weight, is that of neutral light of about the expected brightness.
fn neutral(ratio: [f32; 3], weight: [f32; 3], light: [f32; 3]) -> bool {
    let told = (0..3).filter(|&k| weight[k] > 1e-6 && light[k] > 1e-3);
    let off = |k: usize| ratio[k] / light[k];
    let (sum, channels) = told
        .clone()
        .fold((0.0, 0.0), |(sum, n), k| (sum + off(k), n + 1.0));
    let brightness = if channels > 0.0 { sum / channels } else { 1.0 };
    let even = told.into_iter().all(|k| {
        let loose = 3.0 / (weight[k] * light[k] * light[k]).sqrt();
        (off(k) - brightness).abs() < NEUTRAL as f32 * brightness + loose.min(0.2)
    });
    // Shadow lies round a piece, and less of it on the middle of a wide hole.
    let most = (DARKENED.1 as f32).max(UNDARKENED / light[1].max(0.05));
    even && brightness > DARKENED.0 as f32 && brightness < most
}

/// Whether two cells near each other lie on two sides of an edge.
fn differs(cells: &Cells, a: (i32, i32), b: (i32, i32)) -> bool {
    let (ra, rb) = (cells.soft.at(a.0, a.1), cells.soft.at(b.0, b.1));
    (0..3).any(|k| {
        let (va, vb) = (ra[k] / ra[3 + k].max(1e-6), rb[k] / rb[3 + k].max(1e-6));
        let noise = 1.0 / (12.0 * ra[3 + k].min(rb[3 + k]).max(1e-6));
        let step = (va - vb).abs();
        step > 0.06 * va && step * step > 16.0 * noise
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_deepest_of_a_shadow_may_lie_beyond_an_outline() {
        let is_edged = |seen: f64, step: u64| {
            let mean = Mean {
                texture: Sum::of(seen, 12.0),
                ..Mean::default()
            };
            mean.is_edged(step, 100)
        };
        assert!(is_edged(11.0, 65) && is_edged(11.0, 75) && is_edged(1.0, 75));
        assert!(!is_edged(11.0, 55) && !is_edged(1.0, 65));
    }

    #[test]
    fn half_the_texture_makes_a_hole_in_shadow_alone() {
        let is_hole = |brightness: f64, share: f64| {
            let mean = Mean {
                ratio: [brightness; 3],
                weight: [1.0; 3],
                texture: Sum::of(100.0 * share, 100.0),
                ..Mean::default()
            };
            assert_eq!(mean.texture.answer(), Answer::Plate);
            mean.is_beyond_doubt()
        };
        assert!(is_hole(0.6, 0.55) && is_hole(1.02, 0.8));
        assert!(!is_hole(1.02, 0.55));
    }
}
