//! Slits too thin for an inside: between two banks of the piece, frame pixels on the way from the banks' colour to
//! the plate's, in a line.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined};
use super::fit::Fitted;
use crate::budget::{Account, Charge, OverBudget};
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
/// How well the banks' colour stands for that of the piece at the slit, as a share: as well as they are alike.
const BANK: (f32, f32) = (0.01, 0.03);
/// Share by which the piece's light may change at a slit, its colour staying as it is: none where a slit is looked for;
/// light falls off into one that was found, or a rim there catches it.
const EVEN: f32 = 1e-3;
const SHADED: f32 = 0.2;
/// 99 % of three degrees of freedom.
const WRONG: f32 = 11.3;
/// Standard deviations by which what is seen through a pixel is more than none.
const SEEN: f32 = 2.0;
/// Coverage up to which a pixel may be of a slit.
const MOST: f32 = 0.75;
/// The same for one beside a slit.
const RIM: f32 = 0.95;
/// Twice as far from the slit the piece differs from the plate by at most this much more than its bank: else the
/// slit is the bottom of smooth shading.
const LEVEL: f32 = 1.6;
/// Pixels of the shortest line, of the shortest slit by itself, and how wide one may be on average.
const LINE: u32 = 7;
const LONG: u32 = 14;
const WIDE: usize = 5;
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

/// Pixels a straight slit's own may lie off its line (root mean square), dots in line with it, and how far apart those
/// may be.
const STRAIGHT: f32 = 1.0;
const IN_LINE: f32 = 1.2;
const APART: f32 = 10.0;

/// What one pixel says of a slit through it.
#[derive(Clone, Copy, Debug)]
struct Said {
    coverage: f32,
    gain: f32,
}

/// Which pixels may be of a slit, and of these which may be its banks.
#[derive(Clone, Copy, PartialEq)]
pub enum Bank {
    No,
    Closed,
    Solid,
}

/// The banks around what is open already.
pub fn banks(
    fitted: &Fitted,
    open: &Raster<u8>,
    account: &Account,
) -> Result<(Vec<Bank>, Charge), OverBudget> {
    let bytes = (fitted.pixels.len() * size_of::<Bank>()) as u64;
    let held = account.charge(bytes, "banks of slits in the piece")?;
    let closed = |i: usize| fitted.inside[i] && open.data()[i] == 0;
    let bank = |i: usize| match closed(i) {
        false => Bank::No,
        true if fitted.pixels[i].off_plate(1.0, STEP) > DIFFERS => Bank::Solid,
        true => Bank::Closed,
    };
    let all = (0..fitted.pixels.len()).into_par_iter();
    Ok((all.with_min_len(4096).map(bank).collect(), held))
}

/// Marks pixels of slits in `open`.
pub fn added(
    fitted: &Fitted,
    banks: &[Bank],
    open: &mut Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let bytes = (fitted.pixels.len() * size_of::<Option<Said>>()) as u64;
    let _held = account.charge(bytes, "slits in the piece")?;
    let said: Vec<Option<Said>> = (0..fitted.pixels.len())
        .into_par_iter()
        .with_min_len(4096)
        .map(|i| said(fitted, banks, i, MOST, EVEN))
        .collect();
    let (lines, _lists) = lines(fitted, open, &said, account)?;
    let long = |line: &&Line| line.place.width().max(line.place.height()) >= LINE;
    let count = lines.iter().filter(long).count();
    if count > FEW {
        return Ok(());
    }
    let mut slits = Vec::new();
    for line in lines.iter().filter(long) {
        let members = &line.members;
        let length = line.place.width().max(line.place.height());
        if members.len() > WIDE * length as usize {
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
        let bare = bare >= BARE * length as f32 && gain >= ALONE;
        let limit = if bare { BARE_CLUTTER } else { CLUTTER };
        let plain = || clutter(fitted, open, line, &said) < limit;
        if deep && (apart || (from_hole && gain >= FROM_HOLE)) && plain() {
            slits.push((members, bare));
        }
    }
    let mut shares = Vec::new();
    for (slit, bare) in slits {
        let mut whole = slit.clone();
        gone_on(fitted, &said, &mut whole);
        for i in whole {
            let own = self::said(fitted, banks, i, RIM, SHADED);
            shares.push((i, own.or(said[i]), bare));
            // The rims of a slit cover more than a line may.
            let rims = fitted.around(i);
            shares.extend(rims.map(|j| (j, self::said(fitted, banks, j, RIM, SHADED), bare)));
        }
    }
    for (i, said, bare) in shares {
        if let Some(said) = said {
            // A bare slit has an inside, like a hole: 255. What is seen through others is told to less than that.
            open.data_mut()[i] = if bare && said.coverage < NONE {
                255
            } else {
                (255.0 * (1.0 - said.coverage)).clamp(1.0, 254.0) as u8
            };
        }
    }
    Ok(())
}

/// Pixels in a line, each more like the plate than like paint, with gaps of up to two: where a thin slit runs between
/// two rows of pixels, or the piece is too bright for the frame, some of it isn't seen.
struct Line {
    place: Rect,
    members: Vec<usize>,
}

fn lines(
    fitted: &Fitted,
    open: &Raster<u8>,
    said: &[Option<Said>],
    account: &Account,
) -> Result<(Vec<Line>, Charge), OverBudget> {
    // The rim of a hole is no line.
    let of_line: Vec<bool> = (0..said.len())
        .map(|i| {
            said[i].is_some_and(|said| said.gain > 0.0)
                && fitted.around(i).all(|j| open.data()[j] == 0)
        })
        .collect();
    let mut near = Raster::filled(fitted.rect, 0u8, account)?;
    for (i, near) in near.data_mut().iter_mut().enumerate() {
        *near = u8::from(of_line[i] || fitted.around(i).any(|j| of_line[j]));
    }
    let parts = labels::parts(&near, Joined::SidesAndCorners, account)?;
    // Lists that double as they grow.
    let listed = of_line.iter().filter(|&&of| of).count() as u64;
    let lists = account.charge(16 * listed, "slits in the piece")?;
    let mut lines: Vec<Line> = (0..parts.parts.len())
        .map(|_| Line {
            place: Rect::EMPTY,
            members: Vec::new(),
        })
        .collect();
    for (i, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 && of_line[i] {
            let (x, y) = (i % fitted.width, i / fitted.width);
            let (x, y) = (fitted.rect.x0 + x as i32, fitted.rect.y0 + y as i32);
            let line = &mut lines[label as usize - 1];
            line.place = line.place.united(&Rect::new(x, y, 1, 1));
            line.members.push(i);
        }
    }
    Ok((lines, lists))
}

/// Adds what lies in line with a straight slit: dots of it, some way apart.
fn gone_on(fitted: &Fitted, said: &[Option<Said>], slit: &mut Vec<usize>) {
    let place = |i: usize| ((i % fitted.width) as f32, (i / fitted.width) as f32);
    let count = slit.len() as f32;
    let sum = (slit.iter()).fold((0.0, 0.0), |s, &i| (s.0 + place(i).0, s.1 + place(i).1));
    let middle = (sum.0 / count, sum.1 / count);
    let (mut xx, mut xy, mut yy) = (0.0f32, 0.0f32, 0.0f32);
    for &i in slit.iter() {
        let (x, y) = (place(i).0 - middle.0, place(i).1 - middle.1);
        (xx, xy, yy) = (xx + x * x, xy + x * y, yy + y * y);
    }
    let half = 0.5 * (xx - yy);
    let root = (half * half + xy * xy).sqrt();
    if 0.5 * (xx + yy) - root > STRAIGHT * STRAIGHT * count {
        return;
    }
    // The longer axis of the ellipse of its pixels.
    let way = if xx >= yy {
        (half + root, xy)
    } else {
        (xy, root - half)
    };
    let long = (way.0 * way.0 + way.1 * way.1).sqrt().max(1e-6);
    let way = (way.0 / long, way.1 / long);
    let along = |i: usize| {
        let (x, y) = (place(i).0 - middle.0, place(i).1 - middle.1);
        (x * way.0 + y * way.1, (y * way.0 - x * way.1).abs())
    };
    let ends = |slit: &[usize]| {
        (slit.iter().map(|&i| along(i).0)).fold((f32::INFINITY, f32::NEG_INFINITY), |m, v| {
            (m.0.min(v), m.1.max(v))
        })
    };
    let mut others: Vec<(f32, usize)> = (0..said.len())
        .filter(|&i| said[i].is_some_and(|said| said.gain >= FROM_HOLE))
        .map(|i| (along(i), i))
        .filter(|&((_, off), _)| off < IN_LINE)
        .map(|((s, _), i)| (s, i))
        .collect();
    others.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let (mut low, mut high) = ends(slit);
    let old = (low, high);
    for &(s, i) in others.iter().filter(|other| other.0 > old.1) {
        if s - high > APART {
            break;
        }
        high = s;
        slit.push(i);
    }
    for &(s, i) in others.iter().rev().filter(|other| other.0 < old.0) {
        if low - s > APART {
            break;
        }
        low = s;
        slit.push(i);
    }
}

fn near_open(fitted: &Fitted, open: &Raster<u8>, i: usize) -> bool {
    fitted.around(i).any(|j| open.data()[j] != 0)
}

/// Share of the pixels around a line that belong to other lines. The rim of a hole is none.
fn clutter(fitted: &Fitted, open: &Raster<u8>, line: &Line, said: &[Option<Said>]) -> f32 {
    let place = Rect {
        x0: line.place.x0 - BESIDE,
        y0: line.place.y0 - BESIDE,
        x1: line.place.x1 + BESIDE,
        y1: line.place.y1 + BESIDE,
    }
    .intersected(&fitted.rect);
    let (mut all, mut lines) = (0usize, 0usize);
    for y in place.y0..place.y1 {
        for x in place.x0..place.x1 {
            let (u, v) = ((x - fitted.rect.x0) as usize, (y - fitted.rect.y0) as usize);
            let i = v * fitted.width + u;
            all += usize::from(fitted.inside[i]);
            lines += usize::from(said[i].is_some() && !near_open(fitted, open, i));
        }
    }
    lines.saturating_sub(line.members.len()) as f32 / all.max(1) as f32
}

/// The best slit through a pixel, of all directions and widths.
fn said(fitted: &Fitted, banks: &[Bank], i: usize, most: f32, shaded: f32) -> Option<Said> {
    if banks[i] == Bank::No {
        return None;
    }
    let mut best: Option<Said> = None;
    for (dx, dy, widths) in ACROSS {
        for n in widths {
            if let Some(said) = between(fitted, banks, i, (n * dx, n * dy), most, shaded)
                && best.is_none_or(|best| said.coverage < best.coverage)
            {
                best = Some(said);
            }
        }
    }
    best
}

/// A pixel between two banks. Asked first what most pixels fail at.
fn between(
    fitted: &Fitted,
    banks: &[Bank],
    i: usize,
    way: (i32, i32),
    most: f32,
    shaded: f32,
) -> Option<Said> {
    let at = |n: i32| {
        let x = (i % fitted.width) as i32 + n * way.0;
        let y = (i / fitted.width) as i32 + n * way.1;
        let held = x >= 0 && y >= 0 && x < fitted.width as i32 && y < fitted.height as i32;
        held.then(|| y as usize * fitted.width + x as usize)
    };
    let (one, two) = (at(1)?, at(-1)?);
    if banks[one] != Bank::Solid || banks[two] != Bank::Solid {
        return None;
    }
    let p = &fitted.pixels[i];
    let (first, second) = (fitted.pixels[one].frame, fitted.pixels[two].frame);
    let piece: [f32; 3] = std::array::from_fn(|k| 0.5 * (first[k] + second[k]));
    let weight: [f32; 3] = std::array::from_fn(|k| {
        let (level, step) = (piece[k].max(p.plate[k]), 0.5 * (first[k] - second[k]).abs());
        let loose = step.clamp(BANK.0 * level, BANK.1 * level);
        1.0 / (p.variance[k] + loose * loose)
    });
    let dot = |a: [f32; 3], b: [f32; 3]| -> f32 { (0..3).map(|k| weight[k] * a[k] * b[k]).sum() };
    let less = |a: [f32; 3], b: [f32; 3]| -> [f32; 3] { std::array::from_fn(|k| a[k] - b[k]) };
    // The frame less the banks' colour: so much of the way to the plate, so much of the banks' own light.
    let (rest, back) = (less(p.frame, piece), less(p.plate, piece));
    let (bb, bf) = (dot(back, back), dot(back, piece));
    let ff = dot(piece, piece) + 1.0 / (shaded * shaded);
    let (rb, rf) = (dot(rest, back), dot(rest, piece));
    let all = (bb * ff - bf * bf).max(1e-6);
    let open = (rb * ff - rf * bf) / all;
    let coverage = 1.0 - open;
    // What is seen through must stand out from its own error.
    let sure = open * open * all / ff > SEEN * SEEN;
    if !sure || !(-0.2..most).contains(&coverage) {
        return None;
    }
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
    let open = open.min(1.0);
    let more = (rf - open * bf) / ff;
    let left: [f32; 3] = std::array::from_fn(|k| rest[k] - open * back[k] - more * piece[k]);
    let wrong = dot(left, left) + (more / shaded) * (more / shaded);
    if wrong > WRONG {
        return None;
    }
    let shade = dot(p.frame, piece) / dot(piece, piece);
    let drawn: [f32; 3] = std::array::from_fn(|k| p.frame[k] - shade * piece[k]);
    let drawn = dot(drawn, drawn);
    Some(Said {
        coverage,
        gain: (drawn - wrong).clamp(-10.0, 10.0),
    })
}
