//! Where a piece is hair, fur or threads: many parts too thin to have an inside.

use rayon::prelude::*;

use super::super::tools::windows::PIECE;
use super::super::tools::{distance, labels};
use super::hides;
use super::measure::Sensed;
use super::outline::Outline;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Parts that a disc of this radius (pixels) does not fit into are thin.
const THIN: f32 = 5.0;
/// A body in cells of two pixels may reach this far beyond the piece, in pixels; where strands are many at least this
/// share of it is plate deeper than that, and they are many in at least this part of the body.
const RIM: f32 = 3.0;
const BETWEEN: f32 = 0.03;
const PART: f32 = 0.1;
/// Squared deviations of noise, over three channels, from which a part clearly is no plate.
const CLEAR: f32 = 100.0;
/// What clearly is no plate is itself thin there: a disc of this radius (pixels) does not fit into at least this share of
/// it. Of hair that is nine tenths; of what a ragged body has a solid edge in, nothing.
const THREAD: f32 = 3.0;
const THREADS: f32 = 0.3;
/// Of what looks like plate between them less than this share hides the plate's texture.
const HIDDEN: f32 = 0.2;
/// Half side of the square that counts as next to a pixel.
const BESIDE: usize = 2;
/// Half the side of the square over which thin parts are counted, and the share that makes a zone.
const REACH: usize = 20;
const DENSE: f32 = 0.10;
/// Threads within this of a zone (half side of a square) are part of it.
const OWN: usize = 150;
/// Half side of the square over which bare plate inside the body is counted, and the share that makes it loose.
const GAP: usize = 10;
const GAPS: f32 = 0.12;
/// Without even this part of that share an area may well be solid.
const CLOSED: f32 = 0.15;
/// What [`zone`] says of a pixel: no strands; strands with the plate seen between them; strands or a solid part.
pub const OUT: u8 = 0;
pub const OPEN_ZONE: u8 = 1;
pub const DENSE_ZONE: u8 = 2;
/// How well light between strands is known, as a share.
const LIGHT: f32 = 0.03;

/// Sums over squares of half side `reach`, cut at the border.
fn box_sums(
    marks: &Raster<u8>,
    reach: usize,
    account: &Account,
) -> Result<Raster<u32>, OverBudget> {
    let width = marks.width();
    let height = marks.data().len().checked_div(width).unwrap_or(0);
    let table = Rect::of_size(width as u32 + 1, height as u32 + 1);
    let mut upto = Raster::filled(table, 0u32, account)?;
    let across = width + 1;
    for y in 0..height {
        let (before, own) = upto.data_mut().split_at_mut((y + 1) * across);
        let before = &before[y * across..];
        let mut run = 0;
        let row = marks.data()[y * width..(y + 1) * width].iter();
        for ((out, before), &mark) in own[1..across].iter_mut().zip(&before[1..]).zip(row) {
            run += u32::from(mark);
            *out = before + run;
        }
    }
    let mut sums = Raster::filled(marks.rect(), 0u32, account)?;
    let t = upto.data();
    let rows = sums.data_mut().par_chunks_mut(width.max(1)).enumerate();
    rows.for_each(|(y, row)| {
        let (y0, y1) = (y.saturating_sub(reach), (y + reach + 1).min(height));
        for (x, sum) in row.iter_mut().enumerate() {
            let (x0, x1) = (x.saturating_sub(reach), (x + reach + 1).min(width));
            *sum = t[y1 * across + x1] + t[y0 * across + x0]
                - t[y0 * across + x1]
                - t[y1 * across + x0];
        }
    });
    Ok(sums)
}

/// Parts too thin to have an inside.
#[derive(Debug)]
pub struct Thin {
    /// 1 where they are many.
    pub dense: Raster<u8>,
    /// How many of their pixels lie within a few pixels.
    near: Raster<u32>,
}

/// Looks for thin parts; `None` where they are nowhere many.
pub fn thin(outline: &Outline, account: &Account) -> Result<Option<Thin>, OverBudget> {
    let (depth, inside) = (&outline.depth, &outline.inside);
    let width = depth.width();
    let mut core = Raster::filled(depth.rect(), 0u8, account)?;
    for (c, &d) in core.data_mut().iter_mut().zip(depth.data()) {
        *c = u8::from(d > THIN);
    }
    let to_core = distance::nearest(&core, account)?;
    let mut thin = core;
    let mut any = false;
    for i in 0..thin.data().len() {
        let far = distance::squared(width, i, to_core.data()[i]) as f64
            > f64::from((THIN + 0.5) * (THIN + 0.5));
        let is_thin = inside.data()[i] != 0 && far;
        thin.data_mut()[i] = u8::from(is_thin);
        any |= is_thin;
    }
    if !any {
        return Ok(None);
    }
    let counts = box_sums(&thin, REACH, account)?;
    let side = (2 * REACH + 1) as f32;
    let enough = (DENSE * side * side) as u32;
    if !counts.data().iter().any(|&n| n > enough) {
        return Ok(None);
    }
    let near = box_sums(&thin, 5, account)?;
    let mut dense = thin;
    for (d, &n) in dense.data_mut().iter_mut().zip(counts.data()) {
        *d = u8::from(n > enough);
    }
    Ok(Some(Thin { dense, near }))
}

/// Whether plate is seen between thin parts: where those are many, within the body, beyond its rim, beside parts that
/// clearly are no plate. A small part of a piece doesn't make it hair: a nib's point, the end of a curl.
/// Wires, drops and arms of ink are thin too, but hide what is inside their outline; and where a whole piece looks
/// like the plate, what looks like it between its parts is piece; so it is where it shows none of the plate's texture.
pub fn open(
    sensed: &Sensed,
    outline: &Outline,
    thin: &Thin,
    account: &Account,
) -> Result<bool, OverBudget> {
    let (mut whole, mut inside) = (0u64, 0u64);
    let (mut bare, mut other, mut clear) = (0u64, 0u64, 0u64);
    for (i, &d) in outline.depth.data().iter().enumerate() {
        if outline.inside.data()[i] == 0 {
            continue;
        }
        whole += 1;
        if thin.dense.data()[i] == 0 {
            continue;
        }
        inside += 1;
        if d <= RIM || outline.seen.data()[i] != 0 {
            continue;
        }
        if like_plate(sensed, i) {
            bare += 1;
        } else {
            other += 1;
            clear += u64::from(sensed.energy(i, 0.0) > CLEAR);
        }
    }
    let many = inside as f32 > PART * whole as f32;
    Ok(many
        && bare as f32 > BETWEEN * inside as f32
        && 2 * clear > other
        && threads(sensed, outline, thin, account)? > THREADS
        && hidden(sensed, outline, thin, account)? < HIDDEN)
}

/// How much of what looks like plate between thin parts shows none of its texture.
fn hidden(
    sensed: &Sensed,
    outline: &Outline,
    thin: &Thin,
    account: &Account,
) -> Result<f32, OverBudget> {
    let (depth, seen) = (&outline.depth, &outline.seen);
    let windows = hides::windows(sensed, depth, seen, account)?;
    let (mut all, mut hidden) = (0u64, 0u64);
    for (i, &d) in depth.data().iter().enumerate() {
        let between = thin.dense.data()[i] != 0 && d > RIM && seen.data()[i] == 0;
        if between && like_plate(sensed, i) {
            all += 1;
            hidden += u64::from(hides::hidden(windows.data()[i]));
        }
    }
    Ok(hidden as f32 / all.max(1) as f32)
}

/// How much of what clearly is no plate, among many thin parts, is thin itself.
fn threads(
    sensed: &Sensed,
    outline: &Outline,
    thin: &Thin,
    account: &Account,
) -> Result<f32, OverBudget> {
    let mut rest = Raster::filled(outline.inside.rect(), 0u8, account)?;
    let width = rest.width();
    let pixels = rest.data_mut().par_iter_mut().with_min_len(PIECE);
    pixels
        .enumerate()
        .for_each(|(i, r)| *r = u8::from(sensed.energy(i, 0.0) <= CLEAR));
    let to_rest = distance::nearest(&rest, account)?;
    let mut core = Raster::filled(rest.rect(), 0u8, account)?;
    let beyond = |i: usize, nearest: u32, radius: f32| {
        distance::squared(width, i, nearest) as f64 > f64::from(radius * radius)
    };
    for (i, (c, &nearest)) in core.data_mut().iter_mut().zip(to_rest.data()).enumerate() {
        *c = u8::from(beyond(i, nearest, THREAD));
    }
    let to_core = distance::nearest(&core, account)?;
    let (mut fine, mut all) = (0u64, 0u64);
    for (i, &rest) in rest.data().iter().enumerate() {
        if rest == 0 && thin.dense.data()[i] != 0 && outline.inside.data()[i] != 0 {
            all += 1;
            fine += u64::from(beyond(i, to_core.data()[i], THREAD + 1.0));
        }
    }
    Ok(fine as f32 / all.max(1) as f32)
}

/// Zones of strands around thin parts.
pub fn zone(
    sensed: &Sensed,
    outline: &Outline,
    thin: Thin,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let (depth, inside) = (&outline.depth, &outline.inside);
    let width = depth.width();
    let Thin {
        mut dense,
        near: lone,
    } = thin;
    // Between strands the plate is seen: where it is, next to thin parts, the body is no solid.
    let mut like = Raster::filled(depth.rect(), 0u8, account)?;
    let pixels = like.data_mut().par_iter_mut().with_min_len(PIECE);
    pixels.enumerate().for_each(|(i, l)| {
        *l = u8::from(inside.data()[i] != 0 && like_plate(sensed, i));
    });
    let seen = box_sums(&like, GAP, account)?;
    let gaps = GAPS * ((2 * GAP + 1) * (2 * GAP + 1)) as f32;
    let mut loose = like;
    for (i, l) in loose.data_mut().iter_mut().enumerate() {
        let open = inside.data()[i] != 0 && seen.data()[i] as f32 > gaps;
        *l = u8::from(dense.data()[i] != 0 || open);
    }
    let parts = labels::parts(&loose, labels::Joined::SidesAndCorners, account)?;
    let mut grown = vec![false; parts.parts.len()];
    let rect = depth.rect();
    let part_at = |i: usize| {
        let (x, y) = ((i % width) as i32, (i / width) as i32);
        parts.at(rect.x0 + x, rect.y0 + y)
    };
    for (i, &d) in dense.data().iter().enumerate() {
        if d != 0
            && let Some(part) = part_at(i)
        {
            grown[part] = true;
        }
    }
    for i in 0..loose.data().len() {
        loose.data_mut()[i] = u8::from(part_at(i).is_some_and(|part| grown[part]));
    }
    // Single threads that leave the zone belong to it.
    let near = box_sums(&dense, REACH + 6, account)?;
    let around = box_sums(&dense, OWN, account)?;
    let by_gaps = box_sums(&loose, GAP, account)?;
    for (i, d) in dense.data_mut().iter_mut().enumerate() {
        let own = around.data()[i] > 0 && lone.data()[i] != 0;
        if near.data()[i] == 0 && by_gaps.data()[i] == 0 && !own {
            *d = OUT;
        } else if inside.data()[i] != 0 && (seen.data()[i] as f32) < CLOSED * gaps {
            *d = DENSE_ZONE;
        } else {
            *d = OPEN_ZONE;
        }
    }
    Ok(dense)
}

/// Marks pixels with one that may be bare plate next to them.
pub fn near_plate(sensed: &Sensed, account: &Account) -> Result<Raster<u8>, OverBudget> {
    let mut like = Raster::filled(sensed.frame.rect(), 0u8, account)?;
    let pixels = like.data_mut().par_iter_mut().with_min_len(PIECE);
    pixels
        .enumerate()
        .for_each(|(i, l)| *l = u8::from(like_plate(sensed, i)));
    let sums = box_sums(&like, BESIDE, account)?;
    for (l, &n) in like.data_mut().iter_mut().zip(sums.data()) {
        *l = u8::from(n > 0);
    }
    Ok(like)
}

/// Whether a pixel may be the bare plate, its light known to a few percent.
pub fn like_plate(sensed: &Sensed, i: usize) -> bool {
    let (off, v) = (sensed.difference(i), sensed.variance(i, 0.0));
    let b = sensed.backdrop.data()[i];
    let sum: f32 = (0..3)
        .map(|k| off[k] * off[k] / (v[k] + (LIGHT * b[k]) * (LIGHT * b[k])))
        .sum();
    // 95 % of bare pixels (three degrees of freedom).
    sum < 7.8
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::super::tools::dice::Dice;
    use super::super::tests::{NOISE, Scene, scene, with_arms};
    use super::*;

    /// Whether plate is seen between a scene's thin parts.
    pub(in super::super) fn is_open(made: &Scene) -> bool {
        let account = Account::unlimited();
        let rect = made.frame.rect();
        let outline = made.known(None, |known| Outline::of(known, rect, &account).unwrap());
        let sensed = Sensed::new(&made.frame, &made.backdrop, &NOISE, 1, &account).unwrap();
        let thin = thin(&outline, &account).unwrap().expect("thin parts");
        open(&sensed, &outline, &thin, &account).unwrap()
    }

    /// Threads seven deviations of noise from textured paper; between them that paper, or another sheet of it.
    fn open_on_paper(sheet: bool) -> bool {
        let mut made = scene(150, |_, _| 0.0, |_, _| [0.0; 3]);
        let mut dice = Dice(9);
        let noise = |v: f32| (0.5 * (NOISE.p[0] * v + NOISE.q[0])).sqrt();
        for y in 0..150 {
            for x in 0..150 {
                let [set, own] = [0; 2].map(|_| 0.2 * (1.0 + 0.03 * dice.normal()));
                let whole = (20..130).contains(&x) && (20..100).contains(&y);
                let shown = match () {
                    () if whole && y % 12 == 3 => 0.214,
                    () if whole && sheet => own,
                    () => set,
                };
                made.backdrop
                    .put(x, y, [0; 3].map(|_| set + noise(set) * dice.normal()));
                made.frame
                    .put(x, y, [0; 3].map(|_| shown + noise(shown) * dice.normal()));
                if whole && y % 12 < 10 {
                    made.body.put(x / 2, y / 2, 1);
                }
            }
        }
        is_open(&made)
    }

    #[test]
    fn paper_between_threads_of_paper_makes_no_hair() {
        assert!(open_on_paper(false));
        assert!(!open_on_paper(true));
    }

    #[test]
    fn a_ragged_body_alone_makes_no_hair() {
        assert!(is_open(&with_arms(2, 1.0)));
        assert!(!is_open(&with_arms(0, 1.0)));
    }
}
