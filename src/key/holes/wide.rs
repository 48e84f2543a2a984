//! Slits wider than the banks that are looked for on each side of a pixel, and those whose edges are soft: found like
//! thin ones in a picture of half the size, and in one of a quarter.

use super::super::tools::labels::{self, Joined, Parts};
use super::fit::Fitted;
use super::slitted;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// How often the picture is halved.
const HALVED: u32 = 2;
/// A slit was found too narrow where this many times as much of the plate is seen through it in the smaller picture.
const MORE: f32 = 1.25;
/// Share of it that must have been seen in a larger picture too, where the smaller has less than so many pixels to its side:
/// shading passes through the plate's light in many places of a face, and the smaller it is the more of them look like slits.
const BEFORE: f32 = 0.25;
const LARGE: u32 = 400;
/// A piece that has more of them than this is hairy, or drawn on.
const FEW: usize = 8;
/// Share of a slit up to which holes in it are spots that happen to look like one.
const SPOTS: f32 = 0.25;
/// Pixels of the smallest slit there.
const LEAST: u64 = 12;

/// Marks in `open` what is more open there than thin slits say; `holes` is what was open before these were looked for.
pub fn added(
    fitted: &Fitted,
    holes: &Raster<u8>,
    open: &mut Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let mut small = fitted.halved(account)?;
    let mut larger: Option<Lifted> = None;
    for n in 1..=HALVED {
        let side = 1 << n;
        let lifted = Lifted::found(&small, holes, side, account)?;
        if !lifted.laid(fitted, larger.as_ref(), open, account)? {
            break;
        }
        larger = Some(lifted);
        if n < HALVED {
            small = small.halved(account)?;
        }
    }
    Ok(())
}

/// What a smaller picture says of slits.
struct Lifted {
    /// How much of the plate is seen through each of its pixels, in 255ths.
    seen: Raster<u8>,
    /// Pixels to the side of one of its own.
    side: i32,
}

impl Lifted {
    fn found(
        small: &Fitted,
        holes: &Raster<u8>,
        side: i32,
        account: &Account,
    ) -> Result<Lifted, OverBudget> {
        let mut before = Raster::filled(small.rect, 0u8, account)?;
        let rect = holes.rect();
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                if holes.at(x, y) != 0 {
                    before.put(x.div_euclid(side), y.div_euclid(side), 255);
                }
            }
        }
        let mut seen = before.cropped(small.rect, account)?;
        slitted(small, &mut seen, account)?;
        let mut lifted = Lifted { seen, side };
        let spots = lifted.spots(holes, account)?;
        // The edge of a hole is measured with the piece's other edges.
        let seen = lifted.seen.data_mut();
        for (i, seen) in seen.iter_mut().enumerate() {
            let hole = |i: usize| before.data()[i] != 0;
            if spots.data()[i] == 0 && (hole(i) || small.around(i).any(hole)) {
                *seen = 0;
            }
        }
        Ok(lifted)
    }

    /// 1 in slits in which only spots were taken for holes.
    fn spots(&self, holes: &Raster<u8>, account: &Account) -> Result<Raster<u8>, OverBudget> {
        let parts = labels::parts(&self.seen, Joined::SidesAndCorners, account)?;
        let all = self.summed(&parts, |x, y| self.here(x, y));
        let hole = self.summed(&parts, |x, y| self.of(x, y, |u, v| value(holes, u, v)));
        let mut spots = Raster::filled(self.seen.rect(), 0u8, account)?;
        for (spot, &label) in spots.data_mut().iter_mut().zip(parts.labels.data()) {
            let part = label as usize;
            *spot = u8::from(label > 0 && hole[part] < SPOTS * all[part]);
        }
        Ok(spots)
    }

    /// Marks those slits that are more open than is known already, by what the `larger` picture saw too. Not where there
    /// are too many: says whether it did.
    fn laid(
        &self,
        fitted: &Fitted,
        larger: Option<&Lifted>,
        open: &mut Raster<u8>,
        account: &Account,
    ) -> Result<bool, OverBudget> {
        let parts = labels::parts(&self.seen, Joined::SidesAndCorners, account)?;
        let larger = |x, y| larger.map_or(0, |of| of.at(x, y));
        let here = self.summed(&parts, |x, y| self.here(x, y));
        let known = self.summed(&parts, |x, y| self.of(x, y, |u, v| value(open, u, v)));
        let seen = self.summed(&parts, |x, y| {
            self.of(x, y, |u, v| value(open, u, v).max(larger(u, v)))
        });
        let cells = self.seen.rect();
        let large = cells.width().max(cells.height()) >= LARGE;
        let least = if large { 0.0 } else { BEFORE };
        if parts.parts.iter().filter(|part| part.area >= LEAST).count() > FEW {
            return Ok(false);
        }
        let more: Vec<bool> = (0..here.len())
            .map(|label| {
                let enough = label > 0 && parts.parts[label - 1].area >= LEAST;
                enough && here[label] > MORE * known[label] && seen[label] >= least * here[label]
            })
            .collect();
        if !more.contains(&true) {
            return Ok(true);
        }
        let kept = |x: i32, y: i32| {
            let here = cells.contains(x, y) && more[parts.labels.at(x, y) as usize];
            if here { self.seen.at(x, y) } else { 0 }
        };
        let rect = fitted.rect;
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                let i = (y - rect.y0) as usize * fitted.width + (x - rect.x0) as usize;
                if fitted.inside[i] {
                    let seen = between(x, y, self.side, kept).max(open.at(x, y));
                    open.put(x, y, seen);
                }
            }
        }
        Ok(true)
    }

    /// The sums over each of its parts, by label; nothing for what is in none.
    fn summed(&self, parts: &Parts, value: impl Fn(i32, i32) -> f32) -> Vec<f32> {
        let mut sums = vec![0.0f32; parts.parts.len() + 1];
        let cells = self.seen.rect();
        for y in cells.y0..cells.y1 {
            for x in cells.x0..cells.x1 {
                let label = parts.labels.at(x, y) as usize;
                if label > 0 {
                    sums[label] += value(x, y);
                }
            }
        }
        sums
    }

    /// What it sees in one of its own pixels, in 255ths of full-size ones.
    fn here(&self, x: i32, y: i32) -> f32 {
        f32::from(self.seen.at(x, y)) * (self.side * self.side) as f32
    }

    /// The sum of what is `seen` in one of its pixels by a full-size picture.
    fn of(&self, x: i32, y: i32, seen: impl Fn(i32, i32) -> u8) -> f32 {
        let mut sum = 0.0;
        for v in y * self.side..(y + 1) * self.side {
            for u in x * self.side..(x + 1) * self.side {
                sum += f32::from(seen(u, v));
            }
        }
        sum
    }

    /// Between the middles of its pixels.
    fn at(&self, x: i32, y: i32) -> u8 {
        between(x, y, self.side, |x, y| value(&self.seen, x, y))
    }
}

/// Nothing beyond it.
fn value(of: &Raster<u8>, x: i32, y: i32) -> u8 {
    if of.rect().contains(x, y) {
        of.at(x, y)
    } else {
        0
    }
}

/// At a full-size pixel between the middles of pixels of so many to the side.
fn between(x: i32, y: i32, side: i32, seen: impl Fn(i32, i32) -> u8) -> u8 {
    let place = |v: i32| {
        let at = (2 * v + 1 - side) as f32 / (2 * side) as f32;
        let low = at.floor();
        (low as i32, at - low)
    };
    let ((x, u), (y, v)) = (place(x), place(y));
    let seen = |x: i32, y: i32| f32::from(seen(x, y));
    let row = |y: i32| seen(x, y) * (1.0 - u) + seen(x + 1, y) * u;
    (row(y) * (1.0 - v) + row(y + 1) * v) as u8
}
