//! Slits too thin for an inside: between two banks of the piece, frame pixels on the way from the banks' colour to
//! the plate's, in a line.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined, Part};
use super::fit::Fitted;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Steps across a slit, each with how many of them lead to its bank.
const ACROSS: [(i32, i32, [i32; 2]); 4] = [
    (1, 0, [3, 4]),
    (0, 1, [3, 4]),
    (1, 1, [2, 3]),
    (1, -1, [2, 3]),
];
/// Banks differ from the plate by this many variances, light known to a share.
const DIFFERS: f32 = 60.0;
const STEP: f32 = 0.03;
/// How well a bank's colour stands for that of the piece at the slit, as a share.
const BANK: f32 = 0.03;
/// 99 % of three degrees of freedom.
const WRONG: f32 = 11.3;
/// Coverage up to which a pixel may be of a slit.
const MOST: f32 = 0.75;
/// Twice as far from the slit the piece differs from the plate by at most this much more than its bank: else the
/// slit is the bottom of smooth shading.
const LEVEL: f32 = 1.6;
/// Pixels of the shortest line, of the shortest slit by itself, and how wide one may be on average.
const LINE: u32 = 7;
const LONG: u32 = 14;
const WIDE: u64 = 5;
/// A slit is no line drawn on the piece: how much better the plate explains its pixels than a darker or lighter piece,
/// in variances, by itself and where it runs into a hole.
const ALONE: f32 = 6.0;
const FROM_HOLE: f32 = 2.0;
/// A quarter of its pixels cover at most this much.
const DEEP: f32 = 0.55;
/// Where the piece has more such lines than this it is drawn on, or its texture is like that; the same for the share of
/// pixels around a slit.
const FEW: usize = 12;
const CLUTTER: f32 = 0.03;
/// A slit that shows the bare plate may lie among more: coverage that counts as none, share of its length at which that
/// is seen.
const BARE_CLUTTER: f32 = 0.12;
const NONE: f32 = 0.12;
const BARE: f32 = 0.6;
/// Half the side of the square around each pixel of a slit in which other lines count.
const BESIDE: i32 = 6;

/// What one pixel says of a slit through it.
#[derive(Clone, Copy, Debug)]
struct Said {
    coverage: f32,
    gain: f32,
}

/// Marks pixels of slits in `open`.
pub fn added(fitted: &Fitted, open: &mut Raster<u8>, account: &Account) -> Result<(), OverBudget> {
    let _held = account.charge(
        (fitted.pixels.len() * size_of::<Option<Said>>()) as u64,
        "slits in the piece",
    )?;
    let said: Vec<Option<Said>> = (0..fitted.pixels.len())
        .into_par_iter()
        .with_min_len(4096)
        .map(|i| said(fitted, open, i))
        .collect();
    let mut line = Raster::filled(fitted.rect, 0u8, account)?;
    for (line, said) in line.data_mut().iter_mut().zip(&said) {
        *line = u8::from(said.is_some());
    }
    let parts = labels::parts(&line, Joined::SidesAndCorners, account)?;
    // Lists that double as they grow.
    let listed: u64 = parts.parts.iter().map(|part| part.area).sum();
    let _lists = account.charge(16 * listed, "slits in the piece")?;
    let mut members: Vec<Vec<usize>> = vec![Vec::new(); parts.parts.len()];
    for (i, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 {
            members[label as usize - 1].push(i);
        }
    }
    let lines = (parts.parts.iter())
        .filter(|part| part.place.width().max(part.place.height()) >= LINE)
        .count();
    if lines > FEW {
        return Ok(());
    }
    let mut slits = Vec::new();
    for (part, members) in parts.parts.iter().zip(members) {
        let length = part.place.width().max(part.place.height());
        if length < LINE || part.area > WIDE * u64::from(length) {
            continue;
        }
        let mut shares: Vec<f32> = Vec::new();
        let mut gain = 0.0f32;
        for said in members.iter().filter_map(|&i| said[i]) {
            gain += said.gain / members.len() as f32;
            shares.push(said.coverage);
        }
        shares.sort_by(f32::total_cmp);
        let deep = shares[shares.len() / 4] < DEEP;
        let from_hole = members
            .iter()
            .any(|&i| fitted.around(i).any(|j| near_open(fitted, open, j)));
        let apart = length >= LONG && gain >= ALONE;
        let bare = shares.partition_point(|&share| share < NONE) as f32;
        let limit = if bare >= BARE * length as f32 && gain >= ALONE {
            BARE_CLUTTER
        } else {
            CLUTTER
        };
        let plain = || clutter(fitted, part, &said, members.len()) < limit;
        if deep && (apart || (from_hole && gain >= FROM_HOLE)) && plain() {
            slits.push(members);
        }
    }
    for i in slits.into_iter().flatten() {
        let share = said[i].map_or(1.0, |said| said.coverage);
        open.data_mut()[i] = (255.0 * (1.0 - share)).clamp(1.0, 255.0) as u8;
    }
    Ok(())
}

fn near_open(fitted: &Fitted, open: &Raster<u8>, i: usize) -> bool {
    fitted.around(i).any(|j| open.data()[j] != 0)
}

/// Share of the pixels around a line that belong to others.
fn clutter(fitted: &Fitted, part: &Part, said: &[Option<Said>], own: usize) -> f32 {
    let place = Rect {
        x0: part.place.x0 - BESIDE,
        y0: part.place.y0 - BESIDE,
        x1: part.place.x1 + BESIDE,
        y1: part.place.y1 + BESIDE,
    }
    .intersected(&fitted.rect);
    let (mut all, mut lines) = (0usize, 0usize);
    for y in place.y0..place.y1 {
        for x in place.x0..place.x1 {
            let (u, v) = ((x - fitted.rect.x0) as usize, (y - fitted.rect.y0) as usize);
            let i = v * fitted.width + u;
            all += usize::from(fitted.inside[i]);
            lines += usize::from(said[i].is_some());
        }
    }
    lines.saturating_sub(own) as f32 / all.max(1) as f32
}

/// The best slit through a pixel, of all directions and widths.
fn said(fitted: &Fitted, open: &Raster<u8>, i: usize) -> Option<Said> {
    if !fitted.inside[i] || open.data()[i] != 0 {
        return None;
    }
    let mut best: Option<Said> = None;
    for (dx, dy, widths) in ACROSS {
        for n in widths {
            if let Some(said) = between(fitted, open, i, (n * dx, n * dy))
                && best.is_none_or(|best| said.coverage < best.coverage)
            {
                best = Some(said);
            }
        }
    }
    best
}

/// A pixel between two banks.
fn between(fitted: &Fitted, open: &Raster<u8>, i: usize, way: (i32, i32)) -> Option<Said> {
    let at = |n: i32| {
        let x = (i % fitted.width) as i32 + n * way.0;
        let y = (i / fitted.width) as i32 + n * way.1;
        let held = x >= 0 && y >= 0 && x < fitted.width as i32 && y < fitted.height as i32;
        held.then(|| y as usize * fitted.width + x as usize)
    };
    let (one, two) = (at(1)?, at(-1)?);
    let solid = |j: usize| {
        fitted.inside[j] && open.data()[j] == 0 && fitted.pixels[j].off_plate(1.0, STEP) > DIFFERS
    };
    if !solid(one) || !solid(two) {
        return None;
    }
    let p = &fitted.pixels[i];
    let (first, second) = (fitted.pixels[one].frame, fitted.pixels[two].frame);
    let piece: [f32; 3] = std::array::from_fn(|k| 0.5 * (first[k] + second[k]));
    let weight: [f32; 3] = std::array::from_fn(|k| {
        let loose = BANK * piece[k].max(p.plate[k]);
        1.0 / (p.variance[k] + loose * loose)
    });
    let dot = |a: [f32; 3], b: [f32; 3]| -> f32 { (0..3).map(|k| weight[k] * a[k] * b[k]).sum() };
    let less = |a: [f32; 3], b: [f32; 3]| -> [f32; 3] { std::array::from_fn(|k| a[k] - b[k]) };
    let line = less(piece, p.plate);
    let length = dot(line, line);
    // Both banks on the same side of the plate, and neither near it.
    let side = |c: [f32; 3], plate: [f32; 3]| dot(less(c, plate), line) / length;
    if length.is_nan() || length <= DIFFERS {
        return None;
    }
    let (a, b) = (side(first, p.plate), side(second, p.plate));
    if a < 0.4 || b < 0.4 {
        return None;
    }
    for n in [2, -2] {
        let Some(far) = at(n) else { continue };
        let q = &fitted.pixels[far];
        if fitted.inside[far] && side(q.frame, q.plate) > LEVEL * if n > 0 { a } else { b } {
            return None;
        }
    }
    let coverage = side(p.frame, p.plate);
    if !(-0.2..MOST).contains(&coverage) {
        return None;
    }
    let off = |share: f32, from: [f32; 3], to: [f32; 3]| {
        let left: [f32; 3] =
            std::array::from_fn(|k| p.frame[k] - share * to[k] - (1.0 - share) * from[k]);
        dot(left, left)
    };
    let wrong = off(coverage.max(0.0), p.plate, piece);
    if wrong > WRONG {
        return None;
    }
    let shade = dot(p.frame, piece) / dot(piece, piece);
    let drawn = off(shade, [0.0; 3], piece);
    Some(Said {
        coverage,
        gain: (drawn - wrong).clamp(-10.0, 10.0),
    })
}
