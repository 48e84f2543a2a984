//! Stretches of outline: what lies in one block and faces one way. Two sides of a corner are two edges.

use super::super::tools::{distance, gauss};
use super::measure::Sensed;
use super::width::Profile;
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Side of a block, in pixels.
const BLOCK: usize = 20;
/// Ways an outline faces: eighths of a turn, told by the body blurred so much (deviation in pixels).
const WAYS: usize = 8;
const FACING: f64 = 2.0;

const NONE: u32 = u32::MAX;

/// Over what deviation a place is asked whether it shows the piece, in pixels.
const NEAR: f64 = 1.0;

/// Where along the outline the rise from the backdrop to the piece is over.
#[derive(Debug)]
pub struct Rises {
    stretches: Stretches,
    /// Per stretch the depth at which its rise is over, and the squared difference that shows it at a place.
    ends: Vec<(f32, f32)>,
    energies: Raster<f32>,
    _charge: Charge,
}

impl Rises {
    /// `depth` below the outline in pixels, and every pixel's nearest pixel of it, `edges`.
    pub fn seen(
        sensed: &Sensed,
        inside: &Raster<u8>,
        (depth, edges): (&Raster<f32>, &Raster<u32>),
        account: &Account,
    ) -> Result<Rises, OverBudget> {
        let stretches = Stretches::of(inside, edges, account)?;
        let count = stretches.places.len();
        let _held = account.charge((count * size_of::<Profile>()) as u64, "edge widths")?;
        let charge = account.charge(count as u64 * 8, "edge widths")?;
        let mut profiles = vec![Profile::EMPTY; count];
        let mut energies = Raster::filled(inside.rect(), 0.0f32, account)?;
        for (i, (&d, &edge)) in depth.data().iter().zip(edges.data()).enumerate() {
            if Profile::reaches(d) && edge != distance::NONE {
                let energy = sensed.energy(i, 0.5);
                profiles[stretches.at(edge)].add(d, energy);
                energies.data_mut()[i] = energy;
            }
        }
        let ends = (0..count)
            .map(|stretch| stretches.around(stretch, &profiles).end())
            .collect();
        Ok(Rises {
            ends,
            energies: gauss::blurred(&energies, NEAR, account)?,
            stretches,
            _charge: charge,
        })
    }

    /// The depth at which the rise is over at the outline's pixel `edge`, where pixel `i` at depth `d` is behind it and
    /// shows the piece.
    pub fn over(&self, i: usize, d: f32, edge: u32) -> Option<f32> {
        let (end, plain) = self.ends[self.stretches.at(edge)];
        (d > end && self.energies.data()[i] > plain).then_some(end)
    }
}

/// Which stretch a place of the outline belongs to.
#[derive(Debug)]
struct Stretches {
    /// Per pixel of the outline its stretch.
    of: Raster<u32>,
    /// Per stretch its block and way.
    places: Vec<(u32, u32)>,
    /// Per block and way its stretch.
    which: Vec<u32>,
    blocks: Rect,
    _charge: Charge,
}

/// Which eighth of a turn the body lies in, seen from a place of its outline.
fn way(soft: &Raster<f32>, x: usize, y: usize) -> usize {
    let (width, data) = (soft.width(), soft.data());
    let height = data.len() / width;
    let s = |x: usize, y: usize| data[y * width + x];
    let u = s((x + 1).min(width - 1), y) - s(x.saturating_sub(1), y);
    let v = s(x, (y + 1).min(height - 1)) - s(x, y.saturating_sub(1));
    let steep = usize::from(v.abs() > u.abs());
    match (u >= 0.0, v >= 0.0) {
        (true, true) => steep,
        (false, true) => 3 - steep,
        (false, false) => 4 + steep,
        (true, false) => 7 - steep,
    }
}

impl Stretches {
    /// `across` gives every pixel's nearest pixel of the outline.
    fn of(
        inside: &Raster<u8>,
        across: &Raster<u32>,
        account: &Account,
    ) -> Result<Stretches, OverBudget> {
        let rect = inside.rect();
        let mut soft = Raster::filled(rect, 0.0f32, account)?;
        for (s, &i) in soft.data_mut().iter_mut().zip(inside.data()) {
            *s = f32::from(i);
        }
        let soft = gauss::blurred(&soft, FACING, account)?;
        let side = BLOCK as u32;
        let blocks = Rect::of_size(rect.width().div_ceil(side), rect.height().div_ceil(side));
        let count = blocks.area() * WAYS as u64;
        let charge = account.charge(count * 12, "edge widths")?;
        let mut which = vec![NONE; count as usize];
        let mut places = Vec::new();
        let mut of = Raster::filled(rect, NONE, account)?;
        let width = of.width();
        for &edge in across.data() {
            if edge == distance::NONE || of.data()[edge as usize] != NONE {
                continue;
            }
            let (x, y) = (edge as usize % width, edge as usize / width);
            let block = y / BLOCK * blocks.width() as usize + x / BLOCK;
            let way = way(&soft, x, y);
            let own = &mut which[block * WAYS + way];
            if *own == NONE {
                *own = places.len() as u32;
                places.push((block as u32, way as u32));
            }
            of.data_mut()[edge as usize] = *own;
        }
        Ok(Stretches {
            of,
            places,
            which,
            blocks,
            _charge: charge,
        })
    }

    /// The stretch of a pixel of the outline.
    fn at(&self, edge: u32) -> usize {
        self.of.data()[edge as usize] as usize
    }

    /// What a stretch and those around it that face about its way show together.
    fn around(&self, stretch: usize, profiles: &[Profile]) -> Profile {
        let (block, way) = self.places[stretch];
        let across = self.blocks.x1;
        let (cx, cy) = (block as i32 % across, block as i32 / across);
        let mut all = Profile::EMPTY;
        for y in (cy - 1).max(0)..(cy + 2).min(self.blocks.y1) {
            for x in (cx - 1).max(0)..(cx + 2).min(across) {
                for turn in [WAYS - 1, 0, 1] {
                    let way = (way as usize + turn) % WAYS;
                    let other = self.which[(y * across + x) as usize * WAYS + way];
                    if let Some(profile) = profiles.get(other as usize) {
                        all.join(profile);
                    }
                }
            }
        }
        all
    }
}
