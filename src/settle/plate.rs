//! A plate as light: the mean of its files, each as it lies on the first.

use super::sight::{FrameSight, lit, straight};
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::{Map, Rect};
use crate::plan::Shot;
use crate::raster::{Light, Seen};
use crate::register::carried;
use rayon::prelude::*;

/// Pixels at a moved file's border that are not its own: the kernel reaches so far beyond it.
const EDGE: f64 = 3.0;

/// Detail is looked for so many pixels around a place.
const DETAIL: u32 = 1;

/// Second differences beyond this share of the light, and this much in the dark, are finer than the noise of any
/// exposure: half a pixel of movement can lose a quarter of them.
const FINE: f32 = 0.1;
const DARK: f32 = 0.004;

/// One file of a plate, as it lies on the first.
#[derive(Clone, Debug)]
pub struct PlateFile<'a> {
    pub shot: &'a Shot,
    /// The first file to this one.
    pub carry: Map,
    /// This file's light is multiplied by these.
    pub gains: [f64; 3],
}

/// The mean of a plate's files in linear light, on the first one's grid.
#[derive(Clone, Debug)]
pub struct PlateSight<'a> {
    /// At least one, all of one size.
    pub files: &'a [PlateFile<'a>],
    /// All of it, where it is asked for often.
    pub held: Option<&'a Light>,
    pub account: Account,
}

impl Seen for PlateSight<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.files[0].shot.rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        if let Some(held) = self.held {
            return Ok(held.cropped(rect, &self.account)?);
        }
        let [first, others @ ..] = self.files else {
            return Ok(Light::filled(Rect::EMPTY, [0.0; 3], &self.account)?);
        };
        if others.is_empty() {
            return straight(first.shot, rect, &self.account);
        }
        let rows = (AT_ONCE / rect.width().max(1)).max(64);
        if rect.height() <= rows {
            return self.mean(first, others, rect);
        }
        let mut whole = Light::filled(rect, [0.0; 3], &self.account)?;
        for band in rect.bands(rows) {
            let mean = self.mean(first, others, band)?;
            for y in band.y0..band.y1 {
                whole.row_mut(y).copy_from_slice(mean.row(y));
            }
        }
        Ok(whole)
    }
}

/// Pixels whose mean is made at a time: every file's are held meanwhile.
const AT_ONCE: u32 = 1 << 22;

impl PlateSight<'_> {
    fn mean(&self, first: &PlateFile, others: &[PlateFile], rect: Rect) -> Result<Light, Finding> {
        let around = match others.iter().any(PlateFile::moved) {
            true => rect.grown(DETAIL + 1).intersected(&first.shot.rect()),
            false => rect,
        };
        let around = straight(first.shot, around, &self.account)?;
        let mut mean = around.cropped(rect, &self.account)?;
        for file in others {
            let mut light = file.light(rect, &self.account)?;
            file.mended(&mut light, &around, Mend::EdgeAndDetail);
            for (sum, pixel) in mean.data_mut().iter_mut().zip(light.data()) {
                *sum = std::array::from_fn(|k| sum[k] + pixel[k]);
            }
        }
        let count = self.files.len() as f32;
        for sum in mean.data_mut() {
            *sum = sum.map(|v| v / count);
        }
        Ok(mean)
    }
}

impl<'a> PlateFile<'a> {
    /// One that lies as the first does, in its light: the first itself, too.
    pub fn still(shot: &'a Shot) -> PlateFile<'a> {
        PlateFile {
            shot,
            carry: Map::IDENTITY,
            gains: [1.0; 3],
        }
    }

    /// Whether the camera moved between the first file and this one.
    pub fn moved(&self) -> bool {
        self.carry != Map::IDENTITY
    }

    /// A rectangle of the first file's grid as this one shows it.
    pub fn light(&self, rect: Rect, account: &Account) -> Result<Light, Finding> {
        let sight = FrameSight {
            shot: self.shot,
            gains: [1.0; 3],
            held: None,
            account: account.clone(),
        };
        Ok(lit(
            carried(&sight, &self.carry, rect, account)?,
            self.gains,
        ))
    }

    /// Where a moved file has nothing to say, `first` stands for it; that covers all of `light`.
    pub fn mended(&self, light: &mut Light, first: &Light, mend: Mend) {
        if !self.moved() {
            return;
        }
        let (rect, own) = (light.rect(), self.shot.rect());
        let width = light.width().max(1);
        let inside = [own.x0, own.x1, own.y0, own.y1].map(f64::from);
        let rows = light.data_mut().par_chunks_mut(width);
        rows.zip(rect.y0..rect.y1).for_each(|(row, y)| {
            for (pixel, x) in row.iter_mut().zip(rect.x0..) {
                let (u, v) = self.carry.apply(f64::from(x) + 0.5, f64::from(y) + 0.5);
                let across = inside[0] + EDGE <= u && u <= inside[1] - EDGE;
                let down = inside[2] + EDGE <= v && v <= inside[3] - EDGE;
                let fine = || mend == Mend::EdgeAndDetail && fine(first, x, y);
                if !(across && down) || fine() {
                    *pixel = first.at(x, y);
                }
            }
        });
    }
}

/// What of a moved file the first one stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mend {
    /// What lies beyond the file.
    Edge,
    /// That, and detail so fine that a move of half a pixel loses some of it for good.
    EdgeAndDetail,
}

/// Whether a moved file's picture of this place would be off by more than the noise it takes away.
fn fine(light: &Light, x: i32, y: i32) -> bool {
    let (detail, here) = (detail(light, DETAIL, x, y), light.at(x, y));
    (0..3).any(|c| detail[c] > FINE * here[c].max(0.0) + DARK)
}

/// How fine a picture is around a pixel: the strongest second difference, across or down, of the pixels up to `reach`
/// away, in each channel. A pattern that changes from pixel to pixel by A has 4 A.
pub(super) fn detail(light: &Light, reach: u32, x: i32, y: i32) -> [f32; 3] {
    let (rect, reach) = (light.rect(), reach as i32);
    let within = |v: i32, low: i32, high: i32| (v - reach).max(low)..(v + reach + 1).min(high);
    let mut most = [0.0f32; 3];
    for v in within(y, rect.y0 + 1, rect.y1 - 1) {
        for u in within(x, rect.x0 + 1, rect.x1 - 1) {
            let here = light.at(u, v);
            let (l, r) = (light.at(u - 1, v), light.at(u + 1, v));
            let (a, b) = (light.at(u, v - 1), light.at(u, v + 1));
            for c in 0..3 {
                let across = (2.0 * here[c] - l[c] - r[c]).abs();
                let down = (2.0 * here[c] - a[c] - b[c]).abs();
                most[c] = most[c].max(across).max(down);
            }
        }
    }
    most
}
