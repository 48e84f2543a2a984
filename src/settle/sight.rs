//! Frames and plates as light that can be asked for by rectangle: decoded band by band, or once where they are small.

use super::plate::{PlateFile, PlateSight};
use super::unreadable;
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::{Map, Rect};
use crate::plan::Shot;
use crate::raster::{Light, Picture, Seen};
use crate::register::carried;
use rayon::prelude::*;
use std::sync::OnceLock;

/// Pixels of one piece of parallel work where each stands for itself.
const PIECE: usize = 1 << 14;

/// Rows that are made light at a time.
const ROWS: u32 = 32;

/// Pixels up to which frame and plate are decoded once and held while one is laid onto the other and cut out: a
/// frame is asked for about seven times on the way.
const HELD: u64 = super::locate::WHOLE;

/// Frame and plate while a piece is cut out: both decoded once, or asked for again and again where they are large.
#[derive(Debug, Default)]
pub struct Held {
    pub frame: Option<Light>,
    pub plate: Option<Light>,
    /// The plate on the frame's grid by the map it was last carried with: compared there, then cut out there.
    pub carried: OnceLock<(Map, Light)>,
}

impl Held {
    /// The light of both, as far as it is worth its memory. `plates` are the files of the plate.
    pub fn of(frame: &Shot, plates: &[PlateFile], account: &Account) -> Result<Held, Finding> {
        let small = |shot: &Shot| shot.rect().area() <= HELD;
        let of_frame = || small(frame).then(|| straight(frame, frame.rect(), account));
        let of_plate = || {
            let first = plates.first().filter(|first| small(first.shot))?;
            let plate = PlateSight {
                files: plates,
                held: None,
                account: account.clone(),
            };
            Some(plate.light(first.shot.rect()))
        };
        let (frame, plate) = rayon::join(of_frame, of_plate);
        Ok(Held {
            frame: frame.transpose()?,
            plate: plate.transpose()?,
            ..Held::default()
        })
    }
}

/// A frame's straight colour, balanced. Where it is wholly transparent it is black.
#[derive(Clone, Debug)]
pub struct FrameSight<'a> {
    pub shot: &'a Shot,
    pub gains: [f64; 3],
    /// All of it before the gains, where it is asked for often.
    pub held: Option<&'a Light>,
    pub account: Account,
}

/// A plate carried to a frame's grid.
#[derive(Clone, Debug)]
pub struct CarriedSight<'a> {
    pub plate: PlateSight<'a>,
    /// Frame to plate.
    pub carry: Map,
    /// The frame's.
    pub rect: Rect,
    /// All of it, where it is asked for again.
    pub held: Option<&'a Light>,
}

impl Seen for FrameSight<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.shot.rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        let light = match self.held {
            Some(held) => held.cropped(rect, &self.account)?,
            None => straight(self.shot, rect, &self.account)?,
        };
        Ok(lit(light, self.gains))
    }
}

impl Seen for CarriedSight<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.rect
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        if let Some(held) = self.held {
            return Ok(held.cropped(rect, &self.plate.account)?);
        }
        carried(&self.plate, &self.carry, rect, &self.plate.account)
    }
}

/// A picture's light times gains.
pub(super) fn lit(mut light: Light, gains: [f64; 3]) -> Light {
    if gains != [1.0; 3] {
        let pixels = light.data_mut().par_iter_mut().with_min_len(PIECE);
        pixels.for_each(|pixel| *pixel = balanced(*pixel, gains));
    }
    light
}

/// Light times gains, each product rounded once.
pub(crate) fn balanced(light: [f32; 3], gains: [f64; 3]) -> [f32; 3] {
    std::array::from_fn(|k| (f64::from(light[k]) * gains[k]) as f32)
}

/// A rectangle of a frame as light in the working space, premultiplied.
pub(super) fn decoded(shot: &Shot, rect: Rect, account: &Account) -> Result<Picture, Finding> {
    shot.frame
        .samples(rect, account)
        .and_then(|samples| samples.picture(rect, shot.frame.header(), &shot.decoding, account))
        .map_err(|fault| unreadable(&shot.path, &fault))
}

/// A rectangle of a frame as straight light.
pub(super) fn straight(shot: &Shot, rect: Rect, account: &Account) -> Result<Light, Finding> {
    let told = |fault| unreadable(&shot.path, &fault);
    let samples = shot.frame.samples(rect, account).map_err(told)?;
    let mut light = Light::filled(rect, [0.0; 3], account)?;
    let width = light.width().max(1);
    let bands: Vec<Rect> = rect.bands(ROWS).collect();
    let done: Vec<Result<(), Finding>> = light
        .data_mut()
        .par_chunks_mut(width * ROWS as usize)
        .zip(bands)
        .map(|(light, band)| {
            let picture = samples
                .picture(band, shot.frame.header(), &shot.decoding, account)
                .map_err(told)?;
            for (out, pixel) in light.iter_mut().zip(picture.data()) {
                let [r, g, b, a] = pixel.0;
                *out = if a == 1.0 {
                    [r, g, b]
                } else if a > 0.0 {
                    [r / a, g / a, b / a]
                } else {
                    [0.0; 3]
                };
            }
            Ok(())
        })
        .collect();
    done.into_iter().collect::<Result<(), Finding>>()?;
    Ok(light)
}
