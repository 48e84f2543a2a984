//! Frames and plates as light that can be asked for by rectangle: decoded band by band, never whole by itself.

use super::unreadable;
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::{Map, Rect};
use crate::plan::Shot;
use crate::raster::{Light, Picture, Seen};
use crate::register::carried;

/// A frame's straight colour, balanced. Where it is wholly transparent it is black.
#[derive(Clone, Debug)]
pub struct FrameSight<'a> {
    pub shot: &'a Shot,
    pub gains: [f64; 3],
    pub account: Account,
}

/// The mean of a plate's files in linear light.
#[derive(Clone, Debug)]
pub struct PlateSight<'a> {
    /// At least one, all of one size.
    pub shots: &'a [&'a Shot],
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
}

impl Seen for FrameSight<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.shot.rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        let mut light = straight(&decoded(self.shot, rect, &self.account)?, &self.account)?;
        if self.gains != [1.0; 3] {
            for pixel in light.data_mut() {
                *pixel = balanced(*pixel, self.gains);
            }
        }
        Ok(light)
    }
}

impl Seen for PlateSight<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.shots[0].rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        let mut mean = straight(&decoded(self.shots[0], rect, &self.account)?, &self.account)?;
        let [_, others @ ..] = self.shots else {
            return Ok(mean);
        };
        if others.is_empty() {
            return Ok(mean);
        }
        for shot in others {
            let light = straight(&decoded(shot, rect, &self.account)?, &self.account)?;
            for (sum, pixel) in mean.data_mut().iter_mut().zip(light.data()) {
                *sum = std::array::from_fn(|k| sum[k] + pixel[k]);
            }
        }
        let count = self.shots.len() as f32;
        for sum in mean.data_mut() {
            *sum = sum.map(|v| v / count);
        }
        Ok(mean)
    }
}

impl Seen for CarriedSight<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.rect
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        carried(&self.plate, &self.carry, rect, &self.plate.account)
    }
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

fn straight(picture: &Picture, account: &Account) -> Result<Light, Finding> {
    let mut light = Light::filled(picture.rect(), [0.0; 3], account)?;
    for (out, pixel) in light.data_mut().iter_mut().zip(picture.data()) {
        let [r, g, b, a] = pixel.0;
        *out = if a == 1.0 {
            [r, g, b]
        } else if a > 0.0 {
            [r / a, g / a, b / a]
        } else {
            [0.0; 3]
        };
    }
    Ok(light)
}
