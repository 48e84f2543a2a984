//! Which pixels are unknown: along the outline as wide as the edge is there, and all of a zone of strands.

use super::super::tools::distance;
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster};

use super::faces;
use super::hides;
use super::measure::Sensed;
use super::outline::Outline;
use super::stretches::Rises;
use super::width::Profile;

/// Side of a chunk of outline, in pixels.
const CHUNK: i32 = 20;
/// The band reaches this far outside the outline, and this much deeper than saturation.
const OUTSIDE: f32 = 4.0;
const MARGIN: f32 = 3.0;
/// How firmly full coverage is held to behind saturation (1 / variance of coverage): where a pixel near by may be bare
/// plate, and where none is. What can't be the plate hides it, whatever its colour.
const INSIDE: f32 = 400.0;
const SOLID: f32 = 1_000_000.0;
/// How firmly coverage is known in holes (1 / variance), and how firmly what lies beside one is held to be solid.
const OPEN: f32 = 2_000.0;
const AT_RIM: f32 = 50.0;

/// What [`beside`] marks: holes and slits, and what touches them.
const HOLE: u8 = 1;
const RIM: u8 = 2;

/// A rise that slackens is at its end only so many times as deep: an edge out of focus ends gently.
const WELL_BEHIND: f32 = 1.6;

/// Where the rise is said to be longer than this, in pixels, its own stretch of outline is asked as well.
const LONG: f32 = 12.0;

/// Unknown pixels and what is sure around them.
#[derive(Debug)]
pub struct Band {
    /// 1 where coverage is to be found.
    pub unknown: Raster<u8>,
    /// The same as indices, row by row.
    pub list: Vec<u32>,
    /// Depth below the outline in pixels, negative outside.
    depth: Raster<f32>,
    /// Depth from which the piece is taken to be solid at each pixel of the list, and how firmly.
    saturated: Vec<(f32, f32)>,
    /// What [`super::strands::zone`] says, per pixel of the list.
    strands: Vec<u8>,
    /// How much of the plate is seen through a hole, in 255ths; 0 where that is not known.
    seen: Raster<u8>,
    /// 1 where the piece is solid behind a sharp edge, whatever it looks like there.
    faces: Raster<u8>,
    _charge: Charge,
}

impl Band {
    pub fn found(
        sensed: &Sensed,
        outline: Outline,
        zone: Option<&Raster<u8>>,
        account: &Account,
    ) -> Result<Band, OverBudget> {
        let rect = sensed.frame.rect();
        let faces = faces::solid(sensed, &outline, account)?;
        let Outline {
            inside,
            depth,
            across: edges,
            seen,
        } = outline;
        let width = inside.width();
        let chunks = Rect::of_size(
            rect.width().div_ceil(CHUNK as u32),
            rect.height().div_ceil(CHUNK as u32),
        );
        let _held = account.charge(chunks.area() * size_of::<Profile>() as u64, "edge widths")?;
        let across = chunks.width() as usize;
        let chunk_of = |pixel: u32| {
            let (x, y) = (pixel as usize % width, pixel as usize / width);
            y / CHUNK as usize * across + x / CHUNK as usize
        };
        let mut profiles = vec![Profile::EMPTY; chunks.area() as usize];
        for (i, (&d, &edge)) in depth.data().iter().zip(edges.data()).enumerate() {
            if Profile::reaches(d) && edge != distance::NONE {
                profiles[chunk_of(edge)].add(d, sensed.energy(i, 0.5));
            }
        }
        let mut saturation = vec![(0.0f32, 0.0f32); profiles.len()];
        for cy in 0..chunks.y1 {
            for cx in 0..chunks.x1 {
                let mut all = Profile::EMPTY;
                for y in (cy - 1).max(0)..(cy + 2).min(chunks.y1) {
                    for x in (cx - 1).max(0)..(cx + 2).min(chunks.x1) {
                        all.join(&profiles[y as usize * across + x as usize]);
                    }
                }
                saturation[cy as usize * across + cx as usize] = all.saturation();
            }
        }
        let rises = (saturation.iter())
            .any(|&(_, slack)| slack > LONG)
            .then(|| Rises::seen(sensed, &inside, (&depth, &edges), account))
            .transpose()?;
        let open = super::strands::near_plate(sensed, account)?;
        let beside = beside(&seen, account)?;
        let mut unknown = Raster::filled(rect, 0u8, account)?;
        let mut list = Vec::new();
        let mut saturated = Vec::new();
        let mut strands = Vec::new();
        for i in 0..depth.data().len() {
            let d = depth.data()[i];
            let edge = edges.data()[i];
            if edge == distance::NONE {
                continue;
            }
            let strand = zone.map_or(0, |z| z.data()[i]);
            let (deep, mut slack) = saturation[chunk_of(edge)];
            // Behind the rise of its own stretch a piece is solid however it is shaded further in; but where that
            // is not seen the outline may have strayed, and what holds for all around counts.
            if slack > LONG
                && let Some(end) = rises.as_ref().and_then(|rises| rises.over(i, d, edge))
            {
                slack = slack.min(end / WELL_BEHIND);
            }
            if strand != 0 && d > -OUTSIDE {
                unknown.data_mut()[i] = 1;
                list.push(i as u32);
                saturated.push(if open.data()[i] == 0 {
                    (slack, SOLID)
                } else {
                    (slack, INSIDE)
                });
                strands.push(strand);
            } else if beside.data()[i] != 0 || (d > -(OUTSIDE + 0.3 * deep) && d < deep + MARGIN) {
                unknown.data_mut()[i] = 1;
                list.push(i as u32);
                saturated.push(if beside.data()[i] == RIM {
                    (slack, AT_RIM)
                } else if open.data()[i] == 0 {
                    (slack, SOLID)
                } else {
                    (slack, INSIDE)
                });
                strands.push(0);
            }
        }
        let charge = account.charge(list.len() as u64 * 16, "matte unknowns")?;
        Ok(Band {
            unknown,
            list,
            depth,
            saturated,
            strands,
            seen,
            faces,
            _charge: charge,
        })
    }

    /// The band without what `matte` takes for a veil though it lies behind a sharp edge, or hides the plate's texture:
    /// that is solid. `None` where there is no such place.
    pub fn settled(
        &self,
        sensed: &Sensed,
        matte: &Matte,
        account: &Account,
    ) -> Result<Option<Band>, OverBudget> {
        let mut faces = self.faces.cropped(self.faces.rect(), account)?;
        for (n, &pixel) in self.list.iter().enumerate() {
            if !self.on_line(n) {
                faces.data_mut()[pixel as usize] = 0;
            }
        }
        let plain = (self.list.iter().enumerate())
            .filter(|&(n, _)| self.on_line(n))
            .map(|(_, &pixel)| pixel as usize);
        let (depth, seen) = (&self.depth, &self.seen);
        hides::marked(sensed, depth, seen, plain, matte, &mut faces, account)?;
        if !faces::missed(&mut faces, matte, account)? {
            return Ok(None);
        }
        let mut unknown = self.unknown.cropped(self.unknown.rect(), account)?;
        for (unknown, &face) in unknown.data_mut().iter_mut().zip(faces.data()) {
            if face != 0 {
                *unknown = 0;
            }
        }
        let left = |pixel: u32| unknown.data()[pixel as usize] != 0;
        let kept: Vec<usize> = (0..self.list.len())
            .filter(|&n| left(self.list[n]))
            .collect();
        let charge = account.charge(kept.len() as u64 * 16, "matte unknowns")?;
        Ok(Some(Band {
            list: kept.iter().map(|&n| self.list[n]).collect(),
            saturated: kept.iter().map(|&n| self.saturated[n]).collect(),
            strands: kept.iter().map(|&n| self.strands[n]).collect(),
            depth: self.depth.cropped(self.depth.rect(), account)?,
            seen: self.seen.cropped(self.seen.rect(), account)?,
            unknown,
            faces,
            _charge: charge,
        }))
    }

    /// Coverage to start from: 1 inside, 0 outside, in between at the outline.
    pub fn start(&self, account: &Account) -> Result<Matte, OverBudget> {
        let mut matte = Matte::filled(self.depth.rect(), 0.0, account)?;
        for (i, a) in matte.data_mut().iter_mut().enumerate() {
            let d = self.depth.data()[i];
            *a = if self.unknown.data()[i] != 0 {
                0.5
            } else if d > 0.0 {
                1.0
            } else {
                0.0
            };
        }
        Ok(matte)
    }

    /// How much its place alone speaks for the list's nth pixel being solid, in the units of log odds.
    pub fn depth_bonus(&self, n: usize) -> f32 {
        if self.strands[n] != super::strands::DENSE_ZONE {
            return -2.0;
        }
        0.2 * (self.depth.data()[self.list[n] as usize] - 6.0).clamp(-6.0, 12.0)
    }

    /// Number of pixels in zones of strands.
    pub fn strand_pixels(&self) -> usize {
        self.strands.iter().filter(|&&s| s != 0).count()
    }

    pub fn has_strands(&self) -> bool {
        self.strands.iter().any(|&s| s != 0)
    }

    /// Whether the list's nth pixel lies in a zone of strands.
    pub fn in_strands(&self, n: usize) -> bool {
        self.strands[n] != 0
    }

    /// Whether a hole or slit was found at the list's nth pixel.
    pub fn is_open(&self, n: usize) -> bool {
        self.seen.data()[self.list[n] as usize] != 0
    }

    /// Whether the list's nth pixel may lie at a plain edge: no strands, and no hole whose share is known.
    pub fn on_line(&self, n: usize) -> bool {
        self.strands[n] == 0 && self.seen.data()[self.list[n] as usize] == 0
    }

    /// Where the body is.
    pub fn place(&self) -> Rect {
        self.depth.bounds(|&d| d > 0.0)
    }

    /// How far outside the outline a pixel lies, in pixels.
    pub fn outside_by(&self, i: usize) -> f32 {
        -self.depth.data()[i]
    }

    /// How far colour at a pixel is trusted before any matte is known.
    pub fn first_trust(&self, i: usize) -> f32 {
        if self.unknown.data()[i] == 0 && self.depth.data()[i] > 0.0 {
            1.0
        } else {
            0.0
        }
    }

    /// What the outline alone expects at the list's nth pixel, and how firmly (1 / variance).
    pub fn expected(&self, n: usize) -> (f32, f32) {
        let d = self.depth.data()[self.list[n] as usize];
        let seen = self.seen.data()[self.list[n] as usize];
        if seen != 0 {
            return (1.0 - f32::from(seen) / 255.0, OPEN);
        }
        let (deep, firm) = self.saturated[n];
        let hope = (0.5 + d / (deep.max(1.0) + 1.0)).clamp(0.0, 1.0);
        if self.strands[n] != 0 {
            (0.5 * hope, 1.0)
        } else if d > WELL_BEHIND * deep {
            (1.0, firm)
        } else if d > deep {
            // The foot of a soft edge: what is seen there has its say.
            (1.0, firm.min(INSIDE))
        } else if d < -3.0 {
            (0.0, 100.0)
        } else {
            (hope, 8.0)
        }
    }
}

/// Holes, and pixels that touch one: those show a little of the plate, too little to be told from the piece's shading when
/// holes are looked for.
fn beside(seen: &Raster<u8>, account: &Account) -> Result<Raster<u8>, OverBudget> {
    let mut beside = Raster::filled(seen.rect(), 0u8, account)?;
    let width = seen.width();
    let height = seen.data().len().checked_div(width).unwrap_or(0);
    for (i, _) in seen.data().iter().enumerate().filter(|(_, s)| **s != 0) {
        let (x, y) = (i % width, i / width);
        for v in y.saturating_sub(1)..(y + 2).min(height) {
            for u in x.saturating_sub(1)..(x + 2).min(width) {
                let at = &mut beside.data_mut()[v * width + u];
                *at = (*at).max(RIM);
            }
        }
    }
    for (at, _) in (beside.data_mut().iter_mut())
        .zip(seen.data())
        .filter(|(_, s)| **s != 0)
    {
        *at = HOLE;
    }
    Ok(beside)
}
