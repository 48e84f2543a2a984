//! Gaps between two parts of a piece, one of which may be darker than the plate and the other brighter: a wedge between
//! the turns of a curl, a slit between a flank and a highlight. What lies between two such banks passes through the
//! plate's brightness anyway, so tint has to tell: a gap's middle is the plate in every channel, which no mixture and no
//! shading of its banks' own colours gives.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined};
use super::fit::{Fitted, Pixel};
use super::slits::Bank;
use crate::budget::{Account, OverBudget};
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
/// How well the banks' colours stand for those of the piece at the gap, as a share of the brightest.
const BANK: f32 = 0.015;
/// How much better the plate explains a pixel than any mixture of its banks in any light, in variances: a pixel's own
/// least, the most one says, and what the pixels of a gap say together.
const SAYS: f32 = 2.0;
const MOST: f32 = 12.0;
const TOGETHER: f32 = 50.0;
/// The same on average.
const EACH: f32 = 5.0;
/// Pixels a gap has at least, and how long it is.
const PIXELS: usize = 7;
const LONG: usize = 6;
/// Mean of what is left over by the plate in a gap, in variances; three degrees of freedom.
const LEFT: f32 = 4.5;
/// Rings by which a gap is followed over pixels that are the plate but have no bank at a side.
const FOLLOWED: usize = 2;

/// Marks the middles of gaps in `open`.
pub fn added(
    fitted: &Fitted,
    banks: &[Bank],
    open: &mut Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let count = fitted.pixels.len();
    let _held = account.charge(4 * count as u64, "gaps in the piece")?;
    let gains: Vec<f32> = (0..count)
        .into_par_iter()
        .with_min_len(4096)
        .map(|i| gain(fitted, banks, i))
        .collect();
    let mut core = Raster::filled(fitted.rect, 0u8, account)?;
    for (core, &gain) in core.data_mut().iter_mut().zip(&gains) {
        *core = u8::from(gain >= SAYS);
    }
    let parts = labels::parts(&core, Joined::SidesAndCorners, account)?;
    let listed: u64 = parts.parts.iter().map(|part| part.area).sum();
    let _lists = account.charge(8 * listed, "gaps in the piece")?;
    let mut members: Vec<Vec<u32>> = vec![Vec::new(); parts.parts.len()];
    for (i, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 {
            members[label as usize - 1].push(i as u32);
        }
    }
    for (part, gap) in parts.parts.iter().zip(members) {
        let long = part.place.width().max(part.place.height()) as usize;
        let (mut said, mut left) = (0.0f32, 0.0f32);
        for &i in &gap {
            said += gains[i as usize];
            left += fitted.pixels[i as usize].off_plate(1.0, LIGHT);
        }
        let many = gap.len() as f32;
        let sure = said > TOGETHER && said > EACH * many && left < LEFT * many;
        if gap.len() < PIXELS || long < LONG || !sure {
            continue;
        }
        let may = |i: usize| banks[i] != Bank::No && is_plate(&fitted.pixels[i]);
        let more = fitted.grown(&gap, FOLLOWED, may);
        for &i in gap.iter().chain(more.iter().flatten()) {
            open.data_mut()[i as usize] = 255;
        }
    }
    Ok(())
}

fn is_plate(pixel: &Pixel) -> bool {
    pixel.off_plate(1.0, LIGHT) < LIKE
}

/// How much better the plate explains a pixel than its banks do, of all ways across the one that says least; 0 where
/// there are no two banks or it isn't the plate.
fn gain(fitted: &Fitted, banks: &[Bank], i: usize) -> f32 {
    if banks[i] != Bank::Closed || !is_plate(&fitted.pixels[i]) {
        return 0.0;
    }
    let at = |way: (i32, i32)| {
        let x = (i % fitted.width) as i32 + way.0;
        let y = (i / fitted.width) as i32 + way.1;
        let held = x >= 0 && y >= 0 && x < fitted.width as i32 && y < fitted.height as i32;
        held.then(|| y as usize * fitted.width + x as usize)
            .filter(|&j| banks[j] == Bank::Solid)
    };
    let mut least: Option<f32> = None;
    for (dx, dy, widths) in ACROSS {
        for n in widths {
            let (Some(one), Some(two)) = (at((n * dx, n * dy)), at((-n * dx, -n * dy))) else {
                continue;
            };
            let said = better(&fitted.pixels[i], &fitted.pixels[one], &fitted.pixels[two]);
            least = Some(least.map_or(said, |least| least.min(said)));
        }
    }
    least.unwrap_or(0.0)
}

/// The same for two banks.
fn better(pixel: &Pixel, one: &Pixel, two: &Pixel) -> f32 {
    let banks = [one.frame, two.frame];
    let top = (banks.iter().flatten()).fold(0.0f32, |top, &v| top.max(v));
    let loose = (BANK * top) * (BANK * top);
    let weight: [f32; 3] = std::array::from_fn(|k| 1.0 / (2.0 * pixel.variance[k] + loose));
    let dot = |a: [f32; 3], b: [f32; 3]| -> f32 { (0..3).map(|k| weight[k] * a[k] * b[k]).sum() };
    let seen = pixel.frame;
    // Any light of either bank alone, and of both where neither is less than none.
    let alone = |bank: [f32; 3]| {
        let (own, with) = (dot(bank, bank), dot(bank, seen));
        dot(seen, seen) - with.max(0.0) * with.max(0.0) / own.max(1e-12)
    };
    let mut mixed = alone(banks[0]).min(alone(banks[1]));
    let (aa, ab, bb) = (
        dot(banks[0], banks[0]),
        dot(banks[0], banks[1]),
        dot(banks[1], banks[1]),
    );
    let (ac, bc) = (dot(banks[0], seen), dot(banks[1], seen));
    let all = aa * bb - ab * ab;
    if all > 1e-6 * aa * bb {
        let (p, q) = ((ac * bb - bc * ab) / all, (bc * aa - ac * ab) / all);
        if p > 0.0 && q > 0.0 {
            mixed = mixed.min(dot(seen, seen) - p * ac - q * bc);
        }
    }
    (mixed - pixel.off_plate(1.0, LIGHT)).clamp(-MOST, MOST)
}
