//! Gaps between two parts of a piece, one of which may be darker than the plate and the other brighter: a wedge between
//! the turns of a curl, a slit between a flank and a highlight. What lies between two such banks passes through the
//! plate's brightness anyway, so tint has to tell: a gap's pixels are mixtures of the plate and its banks, which no
//! light on the banks' own colours gives.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined};
use super::fit::{Fitted, Pixel};
use super::slits::Bank;
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Steps across a gap, each with how many of them may lead to its bank.
const ACROSS: [(i32, i32, [i32; 3]); 4] = [
    (1, 0, [2, 3, 4]),
    (0, 1, [2, 3, 4]),
    (1, 1, [1, 2, 3]),
    (1, -1, [1, 2, 3]),
];
/// How well light in a gap is known, as a share, and squares in variances up to which a pixel is the plate: 99 % of three
/// degrees of freedom.
const LIGHT: f32 = 0.02;
const LIKE: f32 = 11.3;
/// How well the banks' colours stand for those of the piece at the gap, as a share of what is seen.
const BANK: f32 = 0.018;
/// How much better the plate explains a pixel than any mixture of its banks in any light, in variances: a pixel's own
/// least, the most one says, and what the pixels of a gap say together.
const SAYS: f32 = 2.0;
const MOST: f32 = 12.0;
const TOGETHER: f32 = 50.0;
/// The same on average, of a gap that shows the bare plate and of one that doesn't.
const EACH: f32 = 5.0;
const EACH_THIN: f32 = 10.0;
/// Pixels a gap has at least, and how long it is; the same of one that doesn't show the bare plate.
const PIXELS: usize = 7;
const LONG: usize = 6;
const LONG_THIN: usize = 14;
/// Pixels to each of its length that show a net of such lines.
const WIDE: usize = 6;
/// The most the banks may cover of a pixel of a gap, and what counts as none.
const COVERED: f32 = 0.6;
const NONE: f32 = 0.12;
/// Pixels of the bare plate, as a share of a gap's length, from which it shows it.
const SHOWN: f32 = 0.5;
/// Where a piece has more thin lines in the plate's tint than this its texture is like that: then only gaps that show this
/// much of the bare plate are believed, and by more.
const FEW: usize = 8;
const BARE: usize = 8;
const EACH_TEXTURE: f32 = 8.0;
/// From this share of the brightest on light may be cut off.
const FULL: f32 = 0.97;
/// Rings by which a gap is followed over pixels that are the plate but have no bank at a side, as are this many of their
/// neighbours; and where the piece's texture is like that.
const FOLLOWED: usize = 16;
const EVEN: usize = 5;
const FOLLOWED_TEXTURE: usize = 2;

/// A run of pixels in the plate's tint.
struct Run {
    pixels: Vec<u32>,
    long: usize,
    /// What its pixels say together, and how many of them nothing covers.
    gain: f32,
    bare: usize,
}

impl Run {
    fn is_shown(&self) -> bool {
        self.bare as f32 >= SHOWN * self.long as f32
    }

    /// Whether it is many lines that cross.
    fn is_net(&self) -> bool {
        self.pixels.len() > WIDE * self.long && self.gain > TOGETHER
    }

    fn is_one(&self) -> bool {
        self.pixels.len() >= PIXELS && self.long >= LONG && self.gain > TOGETHER
    }

    /// Whether it is a gap; among many others if the piece's texture is like that.
    fn is_gap(&self, texture: bool) -> bool {
        let each = self.gain / self.pixels.len() as f32;
        self.is_one()
            && match (self.is_shown(), texture) {
                (true, false) => each > EACH,
                (true, true) => each > EACH_TEXTURE && self.bare >= BARE,
                (false, false) => each > EACH_THIN && self.long >= LONG_THIN,
                (false, true) => false,
            }
    }
}

/// How much of the plate is seen through gaps between `banks`, in 255ths.
pub fn found(fitted: &Fitted, banks: &[Bank], account: &Account) -> Result<Raster<u8>, OverBudget> {
    let mut open = Raster::filled(fitted.rect, 0u8, account)?;
    let count = fitted.pixels.len();
    let each = size_of::<Option<Said>>() + size_of::<bool>();
    let _held = account.charge((each * count) as u64, "gaps in the piece")?;
    let top = (fitted.pixels.iter().flat_map(|p| p.frame))
        .filter(|v| v.is_finite())
        .fold(0.0f32, f32::max);
    let mut all: Vec<Option<Said>> = (0..count)
        .into_par_iter()
        .with_min_len(4096)
        .map(|i| said(fitted, banks, i, FULL * top).filter(|said| said.gain >= SAYS))
        .collect();
    // Where a thin gap runs between two rows of pixels some of it isn't seen: what nearly touches belongs together.
    let (mut runs, mut lists) = self::runs(fitted, &all, 1, account)?;
    let lines = runs.iter().filter(|run| run.is_one() && !run.is_shown());
    let texture = lines.count() > FEW || runs.iter().any(Run::is_net);
    if texture {
        drop((runs, lists));
        for said in &mut all {
            *said = said.filter(|said| said.covered < NONE);
        }
        (runs, lists) = self::runs(fitted, &all, 0, account)?;
    }
    let _lists = lists;
    let like: Vec<bool> = fitted.pixels.iter().map(is_plate).collect();
    for run in runs.iter().filter(|run| run.is_gap(texture)) {
        let covered = |i: u32| all[i as usize].map_or(0.0, |said| said.covered);
        let bare = run.pixels.iter().copied().filter(|&i| covered(i) < NONE);
        let bare: Vec<u32> = bare.collect();
        let even = |i: usize| texture || fitted.around(i).filter(|&j| like[j]).count() >= EVEN;
        let may = |i: usize| banks[i] != Bank::No && like[i] && even(i);
        let rings = if texture { FOLLOWED_TEXTURE } else { FOLLOWED };
        let more = fitted.grown(&bare, rings, may);
        for &i in bare.iter().chain(more.iter().flatten()) {
            open.data_mut()[i as usize] = 255;
        }
        // The rims of one that has a middle are measured with the piece's other edges.
        if !run.is_shown() {
            for &i in run.pixels.iter().filter(|&&i| covered(i) >= NONE) {
                let seen = 255.0 * (1.0 - covered(i));
                open.data_mut()[i as usize] = seen.clamp(1.0, 254.0) as u8;
            }
        }
    }
    Ok(open)
}

/// Pixels that say something of a gap, together with those that touch them when each is grown by so many `rings`.
fn runs(
    fitted: &Fitted,
    all: &[Option<Said>],
    rings: u32,
    account: &Account,
) -> Result<(Vec<Run>, Charge), OverBudget> {
    let mut near = Raster::filled(fitted.rect, 0u8, account)?;
    for (i, near) in near.data_mut().iter_mut().enumerate() {
        *near =
            u8::from(all[i].is_some() || (rings > 0 && fitted.around(i).any(|j| all[j].is_some())));
    }
    let parts = labels::parts(&near, Joined::SidesAndCorners, account)?;
    // Lists that double as they grow.
    let listed = all.iter().flatten().count() as u64;
    let lists = account.charge(8 * listed, "gaps in the piece")?;
    let run = |place: Rect| Run {
        pixels: Vec::new(),
        long: place.width().max(place.height()).saturating_sub(2 * rings) as usize,
        gain: 0.0,
        bare: 0,
    };
    let mut runs: Vec<Run> = parts.parts.iter().map(|part| run(part.place)).collect();
    for (i, &label) in parts.labels.data().iter().enumerate() {
        if let Some(said) = all[i] {
            let run = &mut runs[label as usize - 1];
            run.pixels.push(i as u32);
            run.gain += said.gain;
            run.bare += usize::from(said.covered < NONE);
        }
    }
    Ok((runs, lists))
}

fn is_plate(pixel: &Pixel) -> bool {
    pixel.off_plate(1.0, LIGHT) < LIKE
}

/// What a pixel says of a gap: how much better the plate explains it than its banks, and how much of it they cover.
#[derive(Clone, Copy, Debug)]
struct Said {
    gain: f32,
    covered: f32,
}

/// The mean of all ways across; `None` where there are no two banks, or they cover too much.
fn said(fitted: &Fitted, banks: &[Bank], i: usize, clipped: f32) -> Option<Said> {
    if banks[i] == Bank::No {
        return None;
    }
    let at = |way: (i32, i32)| {
        let x = (i % fitted.width) as i32 + way.0;
        let y = (i / fitted.width) as i32 + way.1;
        let held = x >= 0 && y >= 0 && x < fitted.width as i32 && y < fitted.height as i32;
        held.then(|| y as usize * fitted.width + x as usize)
            .filter(|&j| banks[j] == Bank::Solid)
    };
    let mut sum = Said {
        gain: 0.0,
        covered: 0.0,
    };
    let mut ways = 0.0f32;
    for (dx, dy, widths) in ACROSS {
        for n in widths {
            let (Some(one), Some(two)) = (at((n * dx, n * dy)), at((-n * dx, -n * dy))) else {
                continue;
            };
            let (one, two) = (&fitted.pixels[one], &fitted.pixels[two]);
            // A mixture this way that isn't the plate may still be one another way.
            let Some(said) = better(&fitted.pixels[i], one.frame, two.frame, clipped) else {
                continue;
            };
            sum.gain += said.gain;
            sum.covered += said.covered;
            ways += 1.0;
        }
    }
    (ways > 0.0).then(|| Said {
        gain: sum.gain / ways,
        covered: sum.covered / ways,
    })
}

/// The same for two banks.
fn better(pixel: &Pixel, one: [f32; 3], two: [f32; 3], clipped: f32) -> Option<Said> {
    let top = |c: [f32; 3]| c[0].max(c[1]).max(c[2]);
    let seen = pixel.frame;
    let loose = BANK * top(seen);
    let weight: [f32; 3] = std::array::from_fn(|k| 1.0 / (1.5 * pixel.variance[k] + loose * loose));
    let dot = |a: [f32; 3], b: [f32; 3]| -> f32 { (0..3).map(|k| weight[k] * a[k] * b[k]).sum() };
    let less = |a: [f32; 3]| -> [f32; 3] { std::array::from_fn(|k| a[k] - pixel.plate[k]) };
    let (way, shares) = (less(seen), [less(one), less(two)]);
    // Too far from the plate for any mixture that is let pass: most of a piece.
    let farthest = dot(shares[0], shares[0]).max(dot(shares[1], shares[1]));
    if dot(way, way).sqrt() > COVERED * farthest.sqrt() + LIKE.sqrt() {
        return None;
    }
    let (covered, left) = mixed(dot, way, shares);
    if covered > COVERED || left > LIKE {
        return None;
    }
    // Light of a bank that is cut off says nothing of its hue: it is taken to be of the other's.
    let paint = match (top(one) < clipped, top(two) < clipped) {
        (true, true) => mixed(dot, seen, [one, two]).1,
        (true, false) => mixed(dot, seen, [one, one]).1,
        (false, true) => mixed(dot, seen, [two, two]).1,
        (false, false) => return None,
    };
    Some(Said {
        gain: (paint - left).clamp(-MOST, MOST),
        covered,
    })
}

/// The mixture of two colours, neither less than none, that comes nearest to a third: the sum of their shares, and what it
/// leaves over.
fn mixed(dot: impl Fn([f32; 3], [f32; 3]) -> f32, seen: [f32; 3], of: [[f32; 3]; 2]) -> (f32, f32) {
    let all = dot(seen, seen);
    let alone = |one: [f32; 3]| {
        let share = (dot(one, seen) / dot(one, one).max(1e-12)).max(0.0);
        (share, all - share * dot(one, seen))
    };
    let mut best = alone(of[0]);
    let other = alone(of[1]);
    if other.1 < best.1 {
        best = other;
    }
    let (aa, ab, bb) = (dot(of[0], of[0]), dot(of[0], of[1]), dot(of[1], of[1]));
    let (ac, bc) = (dot(of[0], seen), dot(of[1], seen));
    let square = aa * bb - ab * ab;
    if square > 1e-5 * aa * bb {
        let (p, q) = ((ac * bb - bc * ab) / square, (bc * aa - ac * ab) / square);
        let left = all - p * ac - q * bc;
        if p > 0.0 && q > 0.0 && left < best.1 {
            best = (p + q, left);
        }
    }
    (best.0, best.1.max(0.0))
}
