//! Which of the parts that are neither set nor rod are the piece.
//!
//! A set reacts to a piece: it mirrors it, glints move, a rod's far end shows in a glossy thing. All that differs
//! from the plate and is no piece. Where a rod was found, the piece is what the rod holds and what lies near that;
//! else the largest part and what is near it, and further parts that are strong and solid.

use super::tools::distance;
use super::tools::labels::{self, Joined, Parts};
use super::tools::twice;
use super::{Ask, LightField, Noise, Notice};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Cells between a rod's end and what it holds.
const HELD: i32 = 3;
/// A gap within the piece: this share of the root of its area, in cells, and its limits.
const GAP_SHARE: f64 = 0.12;
const GAP_LEAST: f64 = 3.0;
const GAP_MOST: f64 = 6.0;
/// A part held by a rod is the piece, not some of the rod's own edge, from this share of the largest one held.
/// and this share of the plainest one's contrast.
const HELD_SHARE: f64 = 0.05;
const HELD_CONTRAST: f32 = 0.4;
/// Without a rod: contrast against the plate at the core of a part that stands for itself (a drop in the air, however
/// soft its rim), its share of its own box, its cells, and how many cells deep it is.
const STRONG: f32 = 0.2;
const COMPACT: f64 = 0.35;
const LEAST: u64 = 8;
const DEEP: i64 = 2;
/// Where a frame was moved on its plate the plate ends short of the border: up to so many cells, and so many times
/// longer along it, is a strip of that.
const STRIP: u32 = 6;
const STRIP_LONG: u32 = 3;
/// Told of when left out: a share of the piece, cells, contrast.
const TOLD_SHARE: f64 = 0.1;
const TOLD_LEAST: u64 = 200;
const TOLD_CONTRAST: f32 = 0.1;
/// Cells of an area inside the piece that can't be told from the plate, its share of the piece, and its depth.
const LIKE_LEAST: u64 = 150;
const LIKE_SHARE: f64 = 0.04;
const LIKE_DEEP: i64 = 5;
/// Mean square of the difference in variances up to which a cell is like the plate.
const LIKE: f32 = 2.0;

/// What is measured of each part.
struct Measured {
    /// Mean contrast.
    contrast: Vec<f32>,
    /// The same, each cell weighed by its own.
    core: Vec<f32>,
    depth: Vec<i64>,
}

/// Takes out of `body` what is no piece; `rods` are the cells of rods found. Says what is worth a look.
pub(super) fn chosen(
    ask: &Ask,
    body: &mut Raster<u8>,
    rods: &Raster<u8>,
    light: &LightField,
    account: &Account,
) -> Result<Vec<Notice>, OverBudget> {
    let parts = labels::parts(body, Joined::SidesAndCorners, account)?;
    let count = parts.parts.len();
    if count == 0 {
        return Ok(Vec::new());
    }
    let _held = account.charge(64 * count as u64, "parts of the piece")?;
    let measured = measured(ask, &parts, light, account)?;
    let held = held(&parts, rods);
    let mut kept = vec![false; count];
    let weight = |i: usize| {
        let contrast = f64::from(measured.contrast[i]);
        parts.parts[i].area as f64 * contrast * contrast
    };
    let heaviest = |of: &dyn Fn(usize) -> bool| {
        (0..count)
            .filter(|&i| of(i))
            .max_by(|&i, &j| weight(i).total_cmp(&weight(j)).then(j.cmp(&i)))
    };
    if let Some(main) = heaviest(&|i| held[i]) {
        // A mirror image that reaches the border looks like a rod with a piece, but a faint one.
        let most = parts.parts[main].area as f64;
        let plain = HELD_CONTRAST * measured.contrast[main];
        for i in 0..count {
            let large = parts.parts[i].area as f64 >= HELD_SHARE * most;
            kept[i] = held[i] && large && measured.contrast[i] >= plain;
        }
    } else {
        let whole = body.rect();
        let strip = |i: usize| is_strip(&parts.parts[i].place, &whole);
        let main = heaviest(&|i| !strip(i)).or_else(|| heaviest(&|_| true));
        for (i, kept) in kept.iter_mut().enumerate() {
            let (part, place) = (&parts.parts[i], parts.parts[i].place);
            let compact = part.area as f64 >= COMPACT * place.area() as f64;
            let solid = compact && part.area >= LEAST && measured.depth[i] >= DEEP * DEEP;
            let alone = solid && measured.core[i] >= STRONG && !strip(i);
            *kept = main == Some(i) || alone;
        }
    }
    let piece: u64 = (0..count)
        .filter(|&i| kept[i])
        .map(|i| parts.parts[i].area)
        .max()
        .unwrap_or(0);
    let gap = (GAP_SHARE * (piece as f64).sqrt()).clamp(GAP_LEAST, GAP_MOST);
    joined(&parts, &mut kept, gap, account)?;
    for (body, &label) in body.data_mut().iter_mut().zip(parts.labels.data()) {
        if label > 0 && !kept[label as usize - 1] {
            *body = 0;
        }
    }
    let told = heaviest(&|i| {
        let area = parts.parts[i].area;
        !kept[i]
            && area >= TOLD_LEAST
            && area as f64 >= TOLD_SHARE * piece as f64
            && measured.contrast[i] >= TOLD_CONTRAST
    });
    Ok(told
        .map(|i| Notice::Elsewhere {
            place: pixels(parts.parts[i].place, ask),
        })
        .into_iter()
        .collect())
}

/// Whether a part lies along the border of the whole and nowhere else.
fn is_strip(place: &Rect, whole: &Rect) -> bool {
    let (wide, high) = (place.width(), place.height());
    let across = place.x0 == whole.x0 || place.x1 == whole.x1;
    let along = place.y0 == whole.y0 || place.y1 == whole.y1;
    (along && high <= STRIP && wide >= STRIP_LONG * high)
        || (across && wide <= STRIP && high >= STRIP_LONG * wide)
}

/// Frame pixels of a rectangle of cells.
pub(super) fn pixels(cells: Rect, ask: &Ask) -> Rect {
    twice::doubled(cells).intersected(&ask.frame.rect())
}

/// Parts that touch a rod, or nearly.
fn held(parts: &Parts, rods: &Raster<u8>) -> Vec<bool> {
    let mut held = vec![false; parts.parts.len()];
    let (rect, within) = (rods.rect(), parts.labels.rect());
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if rods.at(x, y) == 0 {
                continue;
            }
            for py in (y - HELD).max(within.y0)..(y + HELD + 1).min(within.y1) {
                let (x0, x1) = ((x - HELD).max(within.x0), (x + HELD + 1).min(within.x1));
                if x0 >= x1 {
                    continue;
                }
                for &label in parts.labels.span(py, x0, x1) {
                    if label > 0 {
                        held[label as usize - 1] = true;
                    }
                }
            }
        }
    }
    held
}

/// Keeps what lies within `gap` cells of what is kept, and so on.
fn joined(parts: &Parts, kept: &mut [bool], gap: f64, account: &Account) -> Result<(), OverBudget> {
    let mut marked = Raster::filled(parts.labels.rect(), 0u8, account)?;
    let width = marked.width();
    loop {
        for (mark, &label) in marked.data_mut().iter_mut().zip(parts.labels.data()) {
            *mark = u8::from(label > 0 && kept[label as usize - 1]);
        }
        let nearest = distance::nearest(&marked, account)?;
        let mut more = false;
        for (at, &label) in parts.labels.data().iter().enumerate() {
            let Some(part) = (label as usize).checked_sub(1) else {
                continue;
            };
            let to = nearest.data()[at];
            if !kept[part]
                && to != distance::NONE
                && distance::squared(width, at, to) as f64 <= gap * gap
            {
                kept[part] = true;
                more = true;
            }
        }
        if !more {
            return Ok(());
        }
    }
}

fn measured(
    ask: &Ask,
    parts: &Parts,
    light: &LightField,
    account: &Account,
) -> Result<Measured, OverBudget> {
    let rect = parts.labels.rect();
    let count = parts.parts.len();
    let mut sums = vec![(0.0f64, 0.0f64, 0u64); count];
    let mut outside = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let Some(part) = parts.at(x, y) else {
                outside.put(x, y, 1);
                continue;
            };
            let s = light.cells.at(x, y);
            let mut most = 0.0f32;
            let mut seen = false;
            for (px, py) in [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(a, b)| (2 * x + a, 2 * y + b)) {
                if !ask.frame.rect().contains(px, py) {
                    continue;
                }
                let (c, b) = (ask.frame.at(px, py), ask.plate.at(px, py));
                for k in 0..3 {
                    let lit = s[k] * b[k];
                    let off = (c[k] - lit).abs() / (lit.max(c[k]) + 0.01);
                    if off.is_finite() {
                        most = most.max(off.min(1.0));
                    }
                }
                seen = true;
            }
            if seen {
                let most = f64::from(most);
                let sum = &mut sums[part];
                *sum = (sum.0 + most, sum.1 + most * most, sum.2 + 1);
            }
        }
    }
    let nearest = distance::nearest(&outside, account)?;
    let width = outside.width();
    let mut depth = vec![0i64; count];
    for (at, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 && nearest.data()[at] != distance::NONE {
            let own = &mut depth[label as usize - 1];
            *own = (*own).max(distance::squared(width, at, nearest.data()[at]));
        }
    }
    Ok(Measured {
        contrast: sums
            .iter()
            .map(|&(sum, _, n)| (sum / n.max(1) as f64) as f32)
            .collect(),
        core: sums
            .iter()
            .map(|&(sum, squares, _)| (squares / sum.max(1e-9)) as f32)
            .collect(),
        depth,
    })
}

/// Whether a rectangle of frame pixels lies at or near what is kept.
pub(super) fn touches(body: &Raster<u8>, place: Rect) -> bool {
    let near = Rect {
        x0: place.x0.div_euclid(2) - HELD,
        y0: place.y0.div_euclid(2) - HELD,
        x1: place.x1.div_euclid(2) + HELD + 1,
        y1: place.y1.div_euclid(2) + HELD + 1,
    }
    .intersected(&body.rect());
    (near.y0..near.y1).any(|y| body.span(y, near.x0, near.x1).contains(&1))
}

/// The largest area well inside the piece that shows nothing but the plate, as far as noise lets one tell.
pub(super) fn like_plate(
    ask: &Ask,
    body: &Raster<u8>,
    light: &LightField,
    noise: &Noise,
    account: &Account,
) -> Result<Option<Notice>, OverBudget> {
    let rect = body.rect();
    let mut like = Raster::filled(rect, 0u8, account)?;
    let mut whole = 0u64;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if body.at(x, y) == 0 {
                continue;
            }
            whole += 1;
            let s = light.cells.at(x, y);
            let (mut off, mut count) = ([0.0f32; 3], 0.0f32);
            let mut variance = [0.0f32; 3];
            for (px, py) in [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(a, b)| (2 * x + a, 2 * y + b)) {
                if ask.frame.rect().contains(px, py) {
                    let (c, b) = (ask.frame.at(px, py), ask.plate.at(px, py));
                    for k in 0..3 {
                        off[k] += c[k] - s[k] * b[k];
                        variance[k] += noise.variance(k, b[k], 0.0);
                    }
                    count += 1.0;
                }
            }
            let sum: f32 = (0..3)
                .map(|k| off[k] * off[k] / variance[k].max(1e-12))
                .sum();
            like.put(x, y, u8::from(count > 0.0 && sum / 3.0 < LIKE));
        }
    }
    // Areas, not crumbs: eight cells of a block of nine.
    let mut most = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0 + 1..rect.y1 - 1 {
        for x in rect.x0 + 1..rect.x1 - 1 {
            let near: u32 = (y - 1..y + 2)
                .flat_map(|y| like.span(y, x - 1, x + 2))
                .map(|&v| u32::from(v))
                .sum();
            most.put(x, y, u8::from(near >= 8));
        }
    }
    let parts = labels::parts(&most, Joined::Sides, account)?;
    let mut outside = most;
    for v in outside.data_mut() {
        *v = 1 - *v;
    }
    let nearest = distance::nearest(&outside, account)?;
    let width = outside.width();
    let mut depth = vec![0i64; parts.parts.len()];
    for (at, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 && nearest.data()[at] != distance::NONE {
            let own = &mut depth[label as usize - 1];
            *own = (*own).max(distance::squared(width, at, nearest.data()[at]));
        }
    }
    let least = (LIKE_SHARE * whole as f64).max(LIKE_LEAST as f64);
    Ok((0..parts.parts.len())
        .filter(|&i| parts.parts[i].area as f64 >= least && depth[i] >= LIKE_DEEP * LIKE_DEEP)
        .max_by_key(|&i| (parts.parts[i].area, std::cmp::Reverse(i)))
        .map(|i| Notice::LikePlate {
            place: pixels(parts.parts[i].place, ask),
        }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Light;

    /// Places found in a body of 60 x 60 cells whose middle square of `side` pixels shows the plate, the rest not.
    fn like(side: i32) -> Option<Notice> {
        let account = Account::unlimited();
        let rect = Rect::of_size(160, 160);
        let mut frame = Light::filled(rect, [0.6, 0.4, 0.2], &account).unwrap();
        let plate = Light::filled(rect, [0.3; 3], &account).unwrap();
        for y in 80 - side / 2..80 + side / 2 {
            for x in 80 - side / 2..80 + side / 2 {
                // Up and down in turn by less than a deviation of noise.
                let off = if (x + y) % 2 == 0 { 0.001 } else { -0.001 };
                frame.put(x, y, [0.3 + off; 3]);
            }
        }
        let cells = Rect::of_size(80, 80);
        let mut body = Raster::filled(cells, 0u8, &account).unwrap();
        for y in 10..70 {
            for x in 10..70 {
                body.put(x, y, 1);
            }
        }
        let light = LightField {
            cells: Raster::filled(cells, [1.0; 3], &account).unwrap(),
        };
        let noise = Noise {
            p: [0.0; 3],
            q: [4e-6; 3],
            r: [0.0; 3],
        };
        let ask = Ask::of(&frame, &plate);
        like_plate(&ask, &body, &light, &noise, &account).unwrap()
    }

    /// Chooses of `body` where nothing holds a piece, before a flat plate in its own light.
    fn choose(frame: &Light, body: &mut Raster<u8>, account: &Account) {
        let plate = Light::filled(frame.rect(), [0.3; 3], account).unwrap();
        let cells = body.rect();
        let light = LightField {
            cells: Raster::filled(cells, [1.0; 3], account).unwrap(),
        };
        let ask = Ask::of(frame, &plate);
        let rods = Raster::filled(cells, 0u8, account).unwrap();
        chosen(&ask, body, &rods, &light, account).unwrap();
    }

    /// Cells kept of a square piece and of a block of this size at the frame's upper border.
    fn kept_at_border(wide: i32, high: i32) -> usize {
        let account = Account::unlimited();
        let rect = Rect::of_size(160, 160);
        let cells = Rect::of_size(80, 80);
        let mut frame = Light::filled(rect, [0.3; 3], &account).unwrap();
        let mut body = Raster::filled(cells, 0u8, &account).unwrap();
        for (x, y) in (0..80).flat_map(|y| (0..80).map(move |x| (x, y))) {
            let piece = (30..50).contains(&x) && (40..60).contains(&y);
            if piece || (x < wide && y < high) {
                body.put(x, y, 1);
                for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    frame.put(2 * x + dx, 2 * y + dy, [0.7; 3]);
                }
            }
        }
        choose(&frame, &mut body, &account);
        body.data().iter().filter(|v| **v > 0).count()
    }

    #[test]
    fn a_strip_along_the_border_is_no_piece() {
        assert_eq!(kept_at_border(30, 3), 400);
        assert_eq!(kept_at_border(12, 10), 400 + 120);
    }

    #[test]
    fn a_large_part_like_the_plate_is_told_and_a_small_one_is_not() {
        let Some(Notice::LikePlate { place }) = like(60) else {
            panic!("not told");
        };
        // All of it but the rim of a cell.
        assert_eq!(place, Rect::new(52, 52, 56, 56));
        assert_eq!(like(12), None);
    }

    /// Cells kept of what differs from a flat plate: a large square, and far from it a spot 12 px wide whose middle is
    /// darker by `dark` than the plate and whose rim of 10 px runs out.
    fn kept_of_spot(dark: f32) -> usize {
        let account = Account::unlimited();
        let rect = Rect::of_size(240, 240);
        let mut frame = Light::filled(rect, [0.3; 3], &account).unwrap();
        let cells = Rect::of_size(120, 120);
        let mut body = Raster::filled(cells, 0u8, &account).unwrap();
        for y in 0..240 {
            for x in 0..240 {
                let off = (((x - 40) * (x - 40) + (y - 40) * (y - 40)) as f32).sqrt();
                let share = (1.0 - (off - 6.0) / 10.0).clamp(0.0, 1.0);
                let square = x >= 120 && y >= 120 && x < 220 && y < 220;
                if square {
                    frame.put(x, y, [0.05; 3]);
                } else {
                    frame.put(x, y, [0.3 * (1.0 - dark * share); 3]);
                }
                if square || share > 0.0 {
                    body.put(x / 2, y / 2, 1);
                }
            }
        }
        choose(&frame, &mut body, &account);
        let kept = |x0: i32, x1: i32| {
            (x0..x1)
                .flat_map(|y| body.span(y, x0, x1))
                .filter(|&&v| v == 1)
                .count()
        };
        assert_eq!(kept(60, 110), 50 * 50);
        kept(0, 60)
    }

    #[test]
    fn a_soft_drop_in_the_air_is_of_a_piece_that_nothing_holds_and_a_mirror_image_is_not() {
        // On the mean it differs by less than a fifth.
        assert!(kept_of_spot(0.35) > 150);
        assert_eq!(kept_of_spot(0.12), 0);
    }
}
