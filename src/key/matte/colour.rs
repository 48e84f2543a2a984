//! The piece's own colour: gathered from sure pixels near by (mean and covariance, the nearest counting most),
//! recovered under the edge, carried on beyond it.

use rayon::prelude::*;

use super::super::tools::floor;
use super::super::tools::windows::{PIECE, inverse, times};
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

use super::band::Band;
use super::measure::{Sensed, crossed};

/// Weight, weighted colour, weighted products (xx xy xz yy yz zz).
type Sums = [f32; 10];
/// Each coarser level counts this much less: with the fourfold larger cell, weight falls as distance^-5.
const FALL: f32 = 1.0 / 8.0;
const LEVELS: usize = 8;
/// How much colour may depart from that of the sure pixels near by.
#[derive(Clone, Copy, Debug)]
struct Room {
    /// Spread that is always granted, as a share of the colour: surfaces do shade off toward their edge.
    shade: f32,
    /// And along its brightness, at most: light on a surface changes far more toward an edge than its tint does.
    bright: f32,
}

/// A surface with an edge: a highlight may fall to a dark flank within its last pixels, of one hue.
const SURFACE: Room = Room {
    shade: 0.02,
    bright: 0.35,
};
/// Strands and what lies between them.
const STRANDS: Room = Room {
    shade: 0.03,
    bright: 0.3,
};
/// The square of spread in brightness as a multiple of what the sure pixels' colours vary by (their variance over their
/// square).
const UNEVEN: f32 = 4.0;
/// Where nothing sure lies in the finest cells (less than this weight), colour comes from some way off: its variance
/// there is so many times what is seen among the sure pixels.
const SOME: f32 = 0.02;
const BEYOND: f32 = 4.0;
/// From this share of the most a frame holds a channel may be cut off, and its tint wrong: such colours count so much.
const FULL: f32 = 0.97;
const CLIPPED: f32 = 0.002;
/// How well coverage is known where it is half (standard deviation).
const UNSURE: f32 = 0.04;

/// Sums of sure colour in cells of 2, 4, 8 ... pixels.
#[derive(Debug)]
pub struct Near {
    width: usize,
    levels: Vec<Raster<Sums>>,
    skip: usize,
    fall: f32,
    room: Room,
}

fn add(into: &mut Sums, from: &Sums, share: f32) {
    for k in 0..10 {
        into[k] += from[k] * share;
    }
}

/// Puts sums into a cell that holds none yet: one that stays so costs no memory of its own.
fn put(cell: &mut Sums, sums: Sums) {
    if sums != [0.0; 10] {
        *cell = sums;
    }
}

impl Near {
    /// Gathers `colour` where the matte is sure of it; `ceiling` is the most the frame holds.
    pub fn gathered(
        colour: &Light,
        matte: &Matte,
        band: &Band,
        first: bool,
        ceiling: f32,
        account: &Account,
    ) -> Result<Near, OverBudget> {
        let sure = |i: usize| {
            let c = colour.data()[i];
            let worth = if c[0].max(c[1]).max(c[2]) > FULL * ceiling {
                CLIPPED
            } else {
                1.0
            };
            worth
                * if first {
                    band.first_trust(i)
                } else {
                    let t = ((matte.data()[i] - 0.6) / 0.35).clamp(0.0, 1.0);
                    t * t
                }
        };
        let room = if band.has_strands() { STRANDS } else { SURFACE };
        Near::summed(colour, sure, (0, FALL), room, account)
    }

    /// Gathers colours of strands: of the zone's pixels those that differ most, over a wide neighbourhood; once
    /// there is a matte, those it is sure of.
    pub fn of_strands(
        sensed: &Sensed,
        colour: &Light,
        matte: &Matte,
        band: &Band,
        first: bool,
        account: &Account,
    ) -> Result<Near, OverBudget> {
        let mut zone = Raster::filled(matte.rect(), 0u8, account)?;
        for (n, &pixel) in band.list.iter().enumerate() {
            zone.data_mut()[pixel as usize] = u8::from(band.in_strands(n));
        }
        let sure = |i: usize| {
            if zone.data()[i] == 0 {
                0.0
            } else if first {
                let d = sensed.difference(i);
                let e = d[0] * d[0] + d[1] * d[1] + d[2] * d[2];
                e * e
            } else {
                let t = ((matte.data()[i] - 0.6) / 0.35).clamp(0.0, 1.0);
                t * t
            }
        };
        Near::summed(colour, sure, (3, 0.5), STRANDS, account)
    }

    /// Gathers what is seen at the tops of strands.
    pub fn of_tops(
        frame: &Light,
        tops: &Raster<u8>,
        account: &Account,
    ) -> Result<Near, OverBudget> {
        let sure = |i: usize| f32::from(tops.data()[i]);
        Near::summed(frame, sure, (0, FALL), STRANDS, account)
    }

    /// Sums of `colour` weighted by `sure`; levels before `skip` are built but not looked at.
    fn summed(
        colour: &Light,
        sure: impl Fn(usize) -> f32 + Sync,
        (skip, fall): (usize, f32),
        room: Room,
        account: &Account,
    ) -> Result<Near, OverBudget> {
        let width = colour.width();
        let height = colour.data().len().checked_div(width).unwrap_or(0);
        let (mut w, mut h) = (width.div_ceil(2), height.div_ceil(2));
        let mut finest = Raster::filled(Rect::of_size(w as u32, h as u32), [0.0; 10], account)?;
        finest
            .data_mut()
            .par_chunks_mut(w.max(1))
            .enumerate()
            .for_each(|(cy, row)| {
                for (cx, cell) in row.iter_mut().enumerate() {
                    let mut sums = [0.0; 10];
                    for y in 2 * cy..(2 * cy + 2).min(height) {
                        for x in 2 * cx..(2 * cx + 2).min(width) {
                            let i = y * width + x;
                            let sure = sure(i);
                            if sure <= 0.0 {
                                continue;
                            }
                            let c = colour.data()[i];
                            if !c.iter().all(|v| v.is_finite()) {
                                continue;
                            }
                            let one = [
                                1.0,
                                c[0],
                                c[1],
                                c[2],
                                c[0] * c[0],
                                c[0] * c[1],
                                c[0] * c[2],
                                c[1] * c[1],
                                c[1] * c[2],
                                c[2] * c[2],
                            ];
                            add(&mut sums, &one, 0.25 * sure);
                        }
                    }
                    put(cell, sums);
                }
            });
        let mut levels = vec![finest];
        while levels.len() < LEVELS && (w > 1 || h > 1) {
            let last = &levels[levels.len() - 1];
            let (fine_w, fine_h) = (w, h);
            (w, h) = (w.div_ceil(2), h.div_ceil(2));
            let mut next = Raster::filled(Rect::of_size(w as u32, h as u32), [0.0; 10], account)?;
            let from = last.data();
            next.data_mut()
                .par_chunks_mut(w)
                .enumerate()
                .for_each(|(cy, row)| {
                    for (cx, cell) in row.iter_mut().enumerate() {
                        let mut sums = [0.0; 10];
                        for y in 2 * cy..(2 * cy + 2).min(fine_h) {
                            for x in 2 * cx..(2 * cx + 2).min(fine_w) {
                                add(&mut sums, &from[y * fine_w + x], 0.25);
                            }
                        }
                        put(cell, sums);
                    }
                });
            levels.push(next);
        }
        Ok(Near {
            width,
            levels,
            skip,
            fall,
            room,
        })
    }

    /// The first of the `Sums` around pixel `i`, four to a group (the third holds the last four), and whether they come
    /// from some way off.
    fn around<const GROUPS: usize>(&self, i: usize) -> ([[f32; 4]; GROUPS], bool) {
        let (x, y) = ((i % self.width) as f32 + 0.5, (i / self.width) as f32 + 0.5);
        let mut sums = [[0.0f32; 4]; GROUPS];
        // Sizes are powers of two: what one over them gives is exact.
        let (mut inverse, mut worth) = (0.5f32, 1.0f32);
        let mut far = true;
        for (n, level) in self.levels.iter().enumerate() {
            if n < self.skip && self.levels.len() > self.skip {
                inverse *= 0.5;
                continue;
            }
            let (w, data) = (level.width(), level.data());
            let h = level.rect().height() as usize;
            let (u, v) = (x * inverse - 0.5, y * inverse - 0.5);
            let (left, top) = (floor(u), floor(v));
            let (fx, fy) = (u - left, v - top);
            let (cx, cy) = (left as i32, top as i32);
            let mut add = |cell: &Sums, share: f32| {
                let share = share * worth;
                for (sums, from) in sums.iter_mut().zip([0, 4, 6]) {
                    for k in 0..4 {
                        sums[k] += cell[from + k] * share;
                    }
                }
            };
            let shares = [
                (1.0 - fx) * (1.0 - fy),
                fx * (1.0 - fy),
                (1.0 - fx) * fy,
                fx * fy,
            ];
            if cx >= 0 && cy >= 0 && cx as usize + 1 < w && cy as usize + 1 < h {
                let first = cy as usize * w + cx as usize;
                let (upper, lower) = (&data[first..first + 2], &data[first + w..first + w + 2]);
                for (cell, share) in upper.iter().chain(lower).zip(shares) {
                    add(cell, share);
                }
            } else {
                for ((dx, dy), share) in [(0, 0), (1, 0), (0, 1), (1, 1)].into_iter().zip(shares) {
                    let (x, y) = (cx + dx, cy + dy);
                    if x >= 0 && y >= 0 && (x as usize) < w && (y as usize) < h {
                        add(&data[y as usize * w + x as usize], share);
                    }
                }
            }
            if n == 0 {
                far = sums[0][0] < SOME;
            }
            inverse *= 0.5;
            worth *= self.fall;
        }
        (sums, far)
    }

    /// Mean colour near pixel `i`; `None` where nothing sure is anywhere near.
    fn mean(&self, i: usize) -> Option<[f32; 3]> {
        let ([[weight, r, g, b]], _) = self.around::<1>(i);
        (weight > 1e-12).then(|| [r, g, b].map(|v| v / weight))
    }

    /// The same where something sure lies right beside it.
    fn beside(&self, i: usize) -> Option<Colour> {
        let (_, far) = self.around::<1>(i);
        if far { None } else { self.at(i) }
    }

    /// Mean colour near pixel `i` and its covariance; `None` where nothing sure is anywhere near.
    pub fn at(&self, i: usize) -> Option<Colour> {
        let ([first, middle, last], far) = self.around::<3>(i);
        let grow = if far { BEYOND } else { 1.0 };
        let weight = first[0];
        if weight.is_nan() || weight <= 1e-12 {
            return None;
        }
        let [first, middle, last] = [first, middle, last].map(|four| four.map(|v| v / weight));
        let mut s = [0.0f32; 10];
        s[..4].copy_from_slice(&first);
        s[4..8].copy_from_slice(&middle);
        s[6..].copy_from_slice(&last);
        let m = [s[1], s[2], s[3]];
        let g = |k: usize| {
            let v = self.room.shade * m[k];
            v * v + 1e-7
        };
        let seen = (s[4] + s[7] + s[9]) / (m[0] * m[0] + m[1] * m[1] + m[2] * m[2]).max(1e-9) - 1.0;
        let most = self.room.bright;
        let bright = (UNEVEN * seen.max(0.0)).min(most * most);
        let lit = |j: usize, k: usize| bright * m[j] * m[k];
        let spread = [
            grow * (s[4] - m[0] * m[0]).max(0.0) + g(0) + lit(0, 0),
            grow * (s[5] - m[0] * m[1]) + lit(0, 1),
            grow * (s[6] - m[0] * m[2]) + lit(0, 2),
            grow * (s[7] - m[1] * m[1]).max(0.0) + g(1) + lit(1, 1),
            grow * (s[8] - m[1] * m[2]) + lit(1, 2),
            grow * (s[9] - m[2] * m[2]).max(0.0) + g(2) + lit(2, 2),
        ];
        Some((m, spread))
    }
}

/// A mean colour and its covariance.
pub type Colour = ([f32; 3], [f32; 6]);

/// Whose colour it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Of {
    Surface,
    Strand,
}

/// The colour near every pixel of the band, gathered once for all who ask in a round; `None` where nothing sure is
/// anywhere near.
#[derive(Debug)]
pub struct Nearby {
    found: Vec<Option<(Of, Colour)>>,
    _charge: Charge,
}

impl Nearby {
    /// A strand's where the band has strands and their colour is known, else the surface's. A strand's own colour where
    /// its top is right beside, else that of strands around.
    pub fn told(
        band: &Band,
        near: &Near,
        strands: Option<(&Near, &Near)>,
        account: &Account,
    ) -> Result<Nearby, OverBudget> {
        let bytes = band.list.len() * size_of::<Option<(Of, Colour)>>();
        let charge = account.charge(bytes as u64, "colours near by")?;
        let told = |(n, &pixel): (usize, &u32)| {
            let i = pixel as usize;
            let strand = strands
                .filter(|_| band.in_strands(n))
                .and_then(|(hair, tops)| tops.beside(i).or_else(|| hair.at(i)));
            match strand {
                Some(colour) => Some((Of::Strand, colour)),
                None => near.at(i).map(|colour| (Of::Surface, colour)),
            }
        };
        let list = band.list.par_iter().with_min_len(PIECE).enumerate();
        Ok(Nearby {
            found: list.map(told).collect(),
            _charge: charge,
        })
    }

    /// Of the list's nth pixel.
    pub fn at(&self, n: usize) -> Option<&(Of, Colour)> {
        self.found[n].as_ref()
    }
}

/// Puts into `colour`, at the band's pixels, what frame and neighbourhood together say the piece's colour is.
pub fn recovered(sensed: &Sensed, band: &Band, nearby: &Nearby, matte: &Matte, colour: &mut Light) {
    let found: Vec<[f32; 3]> = band
        .list
        .par_iter()
        .with_min_len(PIECE)
        .enumerate()
        .map(|(n, &pixel)| {
            let i = pixel as usize;
            let (c, b, a) = (
                sensed.frame.data()[i],
                sensed.backdrop.data()[i],
                matte.data()[i],
            );
            let Some((_, (mean, spread))) = nearby.at(n) else {
                return c;
            };
            let mut all = crossed(sensed.variance(i, a), a * a, spread);
            // What a small error of coverage explains is not the piece's colour.
            let unsure = UNSURE * UNSURE * 4.0 * a * (1.0 - a);
            let way: [f32; 3] = std::array::from_fn(|k| mean[k] - b[k]);
            for (n, (j, k)) in [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]
                .iter()
                .enumerate()
            {
                all[n] += unsure * way[*j] * way[*k];
            }
            let m = inverse(all);
            let off = std::array::from_fn(|k| c[k] - (1.0 - a) * b[k] - a * mean[k]);
            let t = times(spread, times(&m, off));
            std::array::from_fn(|k| (mean[k] + a * t[k]).clamp(0.0, sensed.ceiling))
        })
        .collect();
    for (&pixel, found) in band.list.iter().zip(found) {
        colour.data_mut()[pixel as usize] = found;
    }
}

/// Carries the colour on beyond the edge: wherever the matte is all but nothing, the colour near by.
pub fn carried(
    matte: &Matte,
    band: &Band,
    colour: &mut Light,
    account: &Account,
) -> Result<(), OverBudget> {
    let near = Near::gathered(colour, matte, band, false, f32::INFINITY, account)?;
    let width = colour.width();
    if width == 0 {
        return Ok(());
    }
    colour
        .data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, out) in row.iter_mut().enumerate() {
                let i = y * width + x;
                if matte.data()[i] < 0.004
                    && let Some(mean) = near.mean(i)
                {
                    *out = mean;
                }
            }
        });
    Ok(())
}
