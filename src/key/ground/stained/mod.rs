//! Accepted areas of another tint. A piece may be as bright as the set and its outline too weak somewhere for a wall;
//! then a flood enters, and what it finds inside fits the plate as far as noise lets one tell cell by cell. But light
//! hardly changes tint, and nowhere fast: a whole area a little warmer or cooler than the set, up to a line, is a piece.

mod own;

use rayon::prelude::*;

use super::super::tools::gauss;
use super::super::tools::labels::{self, Joined};
use super::cells::{Cells, pooled};
use super::flood::add;
use super::texture::{Answer, Sum, Texture};
use super::{at_border, beside, ringed};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;
use own::Own;

/// Blur of the windows that are asked, in blocks, and how many blocks one of them holds; blocks are 2, 4 and 8 cells
/// wide. The set's own tint is fitted to the second.
const WINDOW: f64 = 1.5;
const BLOCKS: f32 = 28.3;
const SCALES: usize = 3;
const FITTED: usize = 1;
/// Deviation of a cell's tint up to which it is asked, relative: below noise dark numbers are cut off at 0. And what the
/// set's own tint may still vary by.
const KNOWN: f32 = 0.4;
const SLACK: f32 = 0.002;
/// Departure of a window that is surely stained: relative, and in deviations.
const LEAST: f32 = 0.007;
const SURELY: f32 = 3.2;
/// Blocks of the smallest area.
const SMALLEST: u64 = 30;
/// Blurs of the means that tell its cells, the first that is sure enough, against its departure; how far beside the sure
/// windows its cells lie at least. In cells.
const FINE: [f64; 3] = [2.0, 3.0, 4.5];
const SURE: f32 = 0.25;
/// Cells of an area that are asked how sure they are, about.
const ASKED: usize = 1 << 20;
const AROUND: u32 = 12;
/// A cell belongs to an area from this share of its departure on.
const HALF: f32 = 0.5;
/// Cells on both sides of the outline that are held against each other, and the share of the area's departure that must
/// lie between them, as far as so many deviations tell: light thrown back by a piece fades over a longer way.
const RINGS: usize = 4;
const SHARP: f32 = 0.5;
const UNSURE: f32 = 2.0;
/// A shadow's tint departs by less than this share of how much darker it is.
const SHADE: f32 = 0.13;
/// Share of an area's outline that is no accepted set: where nothing else is seen of a piece there is none.
const HELD: f64 = 0.65;
/// Cells of an outline.
const OUTLINE: usize = 2;
/// What is left inside an area goes with it up to this share of it.
const ENCLOSED: f64 = 0.25;

/// Takes areas of another tint out of `background`; says whether there were any.
pub(super) fn left(
    cells: &Cells,
    background: &mut Raster<u8>,
    texture: &Texture,
    account: &Account,
) -> Result<bool, OverBudget> {
    let mut blocks = accepted(cells, background, background.rect(), account)?;
    let mut levels = Vec::new();
    for _ in 0..SCALES {
        blocks = pooled(&blocks, account)?;
        levels.push(gauss::blurred(&blocks, WINDOW, account)?);
    }
    drop(blocks);
    let Some(own) = Own::of(&levels[FITTED], 2 << FITTED) else {
        return Ok(false);
    };
    let mut any = false;
    for (scale, windows) in levels.iter().enumerate().rev() {
        any |= found(
            (cells, texture),
            background,
            &own,
            (windows, 2 << scale),
            account,
        )?;
    }
    Ok(any)
}

/// Takes what windows, each `block` cells wide, show.
fn found(
    (cells, texture): (&Cells, &Texture),
    background: &mut Raster<u8>,
    own: &Own,
    (windows, block): (&Raster<[f32; 6]>, i32),
    account: &Account,
) -> Result<bool, OverBudget> {
    let rect = windows.rect();
    let middle = |x: i32, y: i32| (block * x + block / 2, block * y + block / 2);
    let depart = |x: i32, y: i32| {
        let (i, j) = middle(x, y);
        let seen = background.rect().contains(i, j) && background.at(i, j) > 0;
        seen.then(|| off(&windows.at(x, y), own.at(i, j), block))
            .flatten()
    };
    let mut sure = Raster::filled(rect, 0u8, account)?;
    let width = sure.width().max(1);
    let rows = sure.data_mut().par_chunks_mut(width).zip(rect.y0..rect.y1);
    rows.for_each(|(row, y)| {
        for (sure, x) in row.iter_mut().zip(rect.x0..) {
            let is = depart(x, y).is_some_and(|off| off.size() > LEAST && off.surely > SURELY);
            *sure = u8::from(is);
        }
    });
    let parts = labels::parts(&sure, Joined::Sides, account)?;
    let mut areas = Vec::new();
    for (number, part) in parts.parts.iter().enumerate() {
        if part.area < SMALLEST {
            continue;
        }
        let (mut mean, mut count) = ([0.0f32; 2], 0.0f32);
        for (x, y) in each(part.place) {
            if parts.at(x, y) == Some(number)
                && let Some(off) = depart(x, y)
            {
                mean = [mean[0] + off.by[0], mean[1] + off.by[1]];
                count += 1.0;
            }
        }
        areas.push((number, mean.map(|v| v / count.max(1.0))));
    }
    let mut any = false;
    for (number, mean) in areas {
        let place = parts.parts[number].place;
        let is_sure = |x: i32, y: i32| {
            let (i, j) = (x.div_euclid(block), y.div_euclid(block));
            place.contains(i, j) && parts.at(i, j) == Some(number)
        };
        let area = Rect {
            x0: block * place.x0,
            y0: block * place.y0,
            x1: block * place.x1,
            y1: block * place.y1,
        };
        let around = AROUND.max(area.width().max(area.height()) / 2);
        let area = area.grown(around).intersected(&background.rect());
        let told = told(cells, background, (own, mean), area, is_sure, account)?;
        let mut sum = Sum::default();
        each(area)
            .filter(|&(x, y)| told.at(x, y) > 0)
            .for_each(|(x, y)| texture.add(x, y, &mut sum));
        if sum.answer() != Answer::Plate && is_piece(cells, background, &told, own, account)? {
            taken(background, &told, account)?;
            any = true;
        }
    }
    Ok(any)
}

fn each(place: Rect) -> impl Iterator<Item = (i32, i32)> {
    (place.y0..place.y1).flat_map(move |y| (place.x0..place.x1).map(move |x| (x, y)))
}

/// Ratio times weight and weight of the accepted cells of a part.
fn accepted(
    cells: &Cells,
    background: &Raster<u8>,
    part: Rect,
    account: &Account,
) -> Result<Raster<[f32; 6]>, OverBudget> {
    let mut sums = cells.sums_in(part, account)?;
    let width = sums.width().max(1);
    for (row, y) in sums.data_mut().chunks_mut(width).zip(part.y0..) {
        for (sum, &seen) in row.iter_mut().zip(background.span(y, part.x0, part.x1)) {
            if seen == 0 {
                *sum = [0.0; 6];
            }
        }
    }
    Ok(sums)
}

/// Red and blue against green, and their relative variances, in units of what one window or cell holds.
fn tint(sums: &[f32; 6]) -> Option<([f32; 2], [f32; 2])> {
    if !(0..3).all(|k| sums[3 + k] > 1e-3 && sums[k] > 1e-3 * sums[3 + k]) {
        return None;
    }
    let mean = [0, 1, 2].map(|k| sums[k] / sums[3 + k]);
    let loose = [0, 1, 2].map(|k| 1.0 / (sums[3 + k] * mean[k] * mean[k]));
    Some((
        [mean[0] / mean[1], mean[2] / mean[1]],
        [loose[0] + loose[1], loose[2] + loose[1]],
    ))
}

/// How far a tint lies from the set's own, relative.
struct Off {
    by: [f32; 2],
    /// In deviations.
    surely: f32,
}

impl Off {
    fn size(&self) -> f32 {
        self.by[0].abs().max(self.by[1].abs())
    }
}

/// Of a window whose blocks are `block` cells wide; `None` where noise hides it.
fn off(window: &[f32; 6], own: [f32; 2], block: i32) -> Option<Off> {
    let (tint, loose) = tint(window)?;
    let cells = (block * block) as f32;
    if loose.iter().any(|&v| v * cells > KNOWN * KNOWN) {
        return None;
    }
    let by = [0, 1].map(|k| tint[k] / own[k].max(0.05) - 1.0);
    let square = |k: usize| by[k] * by[k] / (loose[k] / BLOCKS + SLACK * SLACK);
    Some(Off {
        by,
        surely: (0.5 * (square(0) + square(1))).sqrt(),
    })
}

/// 1 for the accepted cells of `area` that hang on the sure ones and depart as those do by `mean`.
fn told(
    cells: &Cells,
    background: &Raster<u8>,
    (own, mean): (&Own, [f32; 2]),
    area: Rect,
    is_sure: impl Fn(i32, i32) -> bool,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let sums = accepted(cells, background, area, account)?;
    let whole = mean[0] * mean[0] + mean[1] * mean[1];
    let mut fine = gauss::blurred(&sums, FINE[0], account)?;
    for sigma in FINE {
        // Cells one mean holds: 4 pi sigma squared.
        let held = 4.0 * std::f64::consts::PI * sigma * sigma;
        fine = gauss::blurred(&sums, sigma, account)?;
        let mut loose: Vec<f32> = each(area)
            .filter(|&(x, y)| is_sure(x, y))
            .step_by(1 + area.area() as usize / ASKED)
            .filter_map(|(x, y)| tint(&fine.at(x, y)))
            .map(|(_, loose)| (loose[0] + loose[1]) / held as f32)
            .collect();
        let half = loose.len() / 2;
        if loose.is_empty()
            || *loose.select_nth_unstable_by(half, f32::total_cmp).1 < SURE * SURE * whole
        {
            break;
        }
    }
    let mut like = Raster::filled(area, 0u8, account)?;
    for (x, y) in each(area) {
        if background.at(x, y) == 0 {
            continue;
        }
        let own = own.at(x, y);
        let share = tint(&fine.at(x, y)).map_or(0.0, |(tint, _)| {
            let by = [0, 1].map(|k| tint[k] / own[k].max(0.05) - 1.0);
            (by[0] * mean[0] + by[1] * mean[1]) / whole
        });
        like.put(x, y, u8::from(share > HALF));
    }
    let parts = labels::parts(&like, Joined::Sides, account)?;
    let mut hangs = vec![false; parts.parts.len()];
    for (x, y) in each(area) {
        if let Some(part) = parts.at(x, y) {
            hangs[part] |= is_sure(x, y);
        }
    }
    for (x, y) in each(area) {
        let is = parts.at(x, y).is_some_and(|part| hangs[part]);
        like.put(x, y, u8::from(is));
    }
    Ok(like)
}

/// Whether an area ends at a line, is no shadow, and something else is seen beside it.
fn is_piece(
    cells: &Cells,
    background: &Raster<u8>,
    told: &Raster<u8>,
    own: &Own,
    account: &Account,
) -> Result<bool, OverBudget> {
    let (rect, area) = (background.rect(), told.rect());
    let is_told = |x: i32, y: i32| area.contains(x, y) && told.at(x, y) > 0;
    let is_set = |x: i32, y: i32| rect.contains(x, y) && background.at(x, y) > 0 && !is_told(x, y);
    let (mut all, mut held) = (0u64, 0u64);
    let mut fronts = [Vec::new(), Vec::new()];
    let around = area.grown(RINGS as u32 + 1).intersected(&rect);
    let mut seen = Raster::filled(around, 0u8, account)?;
    let mut whole_sums = [0.0f32; 6];
    for (x, y) in each(area) {
        if !is_told(x, y) {
            continue;
        }
        add(&mut whole_sums, &cells.sum(x, y));
        for (px, py) in beside(x, y) {
            if is_told(px, py) || !rect.contains(px, py) {
                continue;
            }
            all += 1;
            held += u64::from(background.at(px, py) == 0);
            if is_set(px, py) {
                for (front, (x, y)) in fronts.iter_mut().zip([(x, y), (px, py)]) {
                    if seen.at(x, y) == 0 {
                        seen.put(x, y, 1);
                        front.push((x, y));
                    }
                }
            }
        }
    }
    if (held as f64) < HELD * all as f64 || fronts[1].is_empty() {
        return Ok(false);
    }
    let mut sides = [[0.0f32; 6]; 2];
    for (n, front) in fronts.into_iter().enumerate() {
        let side = &mut sides[n];
        for &(x, y) in &front {
            add(side, &cells.sum(x, y));
        }
        ringed(front, RINGS, |x, y| {
            let inside = if n == 0 { is_told(x, y) } else { is_set(x, y) };
            let takes = inside && around.contains(x, y) && seen.at(x, y) == 0;
            if takes {
                seen.put(x, y, 1);
                add(side, &cells.sum(x, y));
            }
            takes
        });
    }
    let bright = |s: &[f32; 6]| (0..3).map(|k| s[k] / s[3 + k].max(1e-6)).sum::<f32>() / 3.0;
    // A shadow is darker than what it ends at and than the set all over.
    let most = bright(&sides[1]).min(own.bright);
    let darker = 1.0 - bright(&whole_sums) / most.max(1e-6);
    let (Some((all_over, _)), Some((inner, loose)), Some((outer, other))) =
        (tint(&whole_sums), tint(&sides[0]), tint(&sides[1]))
    else {
        return Ok(false);
    };
    let set = own.at((area.x0 + area.x1) / 2, (area.y0 + area.y1) / 2);
    let mean = [0, 1].map(|k| all_over[k] / set[k].max(0.05) - 1.0);
    let step = [0, 1].map(|k| inner[k] / outer[k] - 1.0);
    let whole = mean[0] * mean[0] + mean[1] * mean[1];
    let share = (step[0] * mean[0] + step[1] * mean[1]) / whole;
    let unsure = (loose[0] + loose[1] + other[0] + other[1]).sqrt() / whole.sqrt();
    Ok(share + UNSURE * unsure > SHARP && whole.sqrt() > SHADE * darker)
}

/// Takes an area, and what it encloses, out of `background`.
fn taken(
    background: &mut Raster<u8>,
    told: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = background.rect();
    let mut whole = 0usize;
    for (x, y) in each(told.rect()).filter(|&(x, y)| told.at(x, y) > 0) {
        background.put(x, y, 0);
        whole += 1;
    }
    let is_left = |&(x, y): &(i32, i32)| rect.contains(x, y) && background.at(x, y) > 0;
    let front: Vec<_> = each(told.rect())
        .filter(|&(x, y)| told.at(x, y) > 0 && beside(x, y).iter().any(is_left))
        .collect();
    let mut all = front.clone();
    // The outline's own cells show some of the set.
    ringed(front, OUTLINE + 1, |x, y| {
        let takes = rect.contains(x, y) && background.at(x, y) > 0;
        if takes {
            background.put(x, y, 0);
            all.push((x, y));
        }
        takes
    });
    let parts = labels::parts(background, Joined::Sides, account)?;
    let mut beside_told = vec![false; parts.parts.len()];
    for (x, y) in all.into_iter().flat_map(|(x, y)| beside(x, y)) {
        if rect.contains(x, y)
            && let Some(part) = parts.at(x, y)
        {
            beside_told[part] = true;
        }
    }
    for (number, part) in parts.parts.iter().enumerate() {
        let (p, rim) = (part.place, at_border(&part.place, &rect));
        if beside_told[number] && !rim && part.area as f64 <= ENCLOSED * whole as f64 {
            for (x, y) in each(p) {
                if parts.at(x, y) == Some(number) {
                    background.put(x, y, 0);
                }
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::super::Ask;
    use super::super::texture::Detail;
    use super::*;
    use crate::key::Noise;
    use crate::raster::Light;

    const SIDE: i32 = 100;

    /// Cells lost of those a flood has entered through a gap in an outline: a square of 50 with a rim of 2 or 3, held on
    /// all sides but for a gap. `inside` is the light against the set's there; outside of the gap it `fades` into the set's
    /// over so many cells.
    fn lost(inside: [f32; 3], fades: f32) -> usize {
        let account = Account::unlimited();
        let rect = Rect::of_size(SIDE as u32, SIDE as u32);
        let three = || Raster::filled(rect, [1.0f32; 3], &account).unwrap();
        let none = || Raster::filled(Rect::EMPTY, 0.0f32, &account).unwrap();
        let mut cells = Cells {
            ratio: three(),
            // A cell is sure to more than a per cent.
            weight: Raster::filled(rect, [1.0 / (0.006 * 0.006); 3], &account).unwrap(),
            misfit: none(),
            soft: Raster::filled(Rect::EMPTY, [0.0; 6], &account).unwrap(),
            course: Raster::filled(Rect::EMPTY, [0.0; 3], &account).unwrap(),
            soft_misfit: none(),
        };
        let mut background = Raster::filled(rect, 1u8, &account).unwrap();
        let mut dice = 1u32;
        let mut noise = || {
            let mut sum = -6.0f32;
            for _ in 0..12 {
                dice = dice.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                sum += (dice >> 8) as f32 / (1u32 << 24) as f32;
            }
            0.006 * sum
        };
        for (x, y) in each(rect) {
            let (dx, dy) = ((x - 50).abs(), y - 25);
            let within = dx <= 25 && (0..50).contains(&dy);
            let from_gap = ((dx * dx + dy * dy) as f32).sqrt();
            let share = match within {
                true => 1.0,
                false => (1.0 - (from_gap - 5.0) / fades).clamp(0.0, 1.0),
            };
            let light = inside.map(|v| 1.0 + share * (v - 1.0));
            cells.ratio.put(x, y, light.map(|v| v * (1.0 + noise())));
            let rim = within && (dx >= 23 || dy >= 47 || (dy < 3 && dx > 5));
            background.put(x, y, u8::from(!rim));
        }
        let before = background.data().iter().filter(|v| **v > 0).count();
        let flat = Light::filled(Rect::of_size(200, 200), [0.3; 3], &account).unwrap();
        let ask = Ask::of(&flat, &flat);
        let spread = Noise {
            q: [1e-4; 3],
            ..Noise::default()
        };
        let detail = Detail::seen(&ask, &account).unwrap();
        let texture =
            Texture::measured(&ask, &spread, detail, &three(), &background, &account).unwrap();
        left(&cells, &mut background, &texture, &account).unwrap();
        before - background.data().iter().filter(|v| **v > 0).count()
    }

    #[test]
    fn an_area_of_another_tint_up_to_a_line_is_a_piece() {
        let whole = 45 * 44;
        let lost = lost([1.014, 1.0, 0.984], 0.1);
        assert!(lost > whole && lost < whole + 200, "{lost} of {whole}");
    }

    #[test]
    fn the_sets_own_tint_and_a_shadows_and_what_fades_are_no_piece() {
        assert_eq!(lost([1.05; 3], 0.1), 0);
        assert_eq!(lost([0.7 * 1.02, 0.7, 0.7 * 0.98], 0.1), 0);
        assert_eq!(lost([1.02, 1.0, 0.976], 24.0), 0);
    }
}
