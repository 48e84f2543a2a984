//! A patch for a piece from another frame: laid onto the piece around the area, brought to its light, blended in.

use super::Keyed;
use super::mend::Patient;
use super::sight::FrameSight;
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::mask::{Layer, Program, Source, Step};
use crate::raster::{Light, Matte, Seen};
use crate::register::carried;
use crate::register::{self, Motion, Trust};
use std::sync::Arc;

/// Least room around an area, px, in which two frames are laid onto each other.
const ROOM: u32 = 64;

/// A patch reaches this far beyond its area before it runs out, px.
const OVERLAP: f64 = 2.0;

/// Standard deviation of its edge, px.
const FEATHER: f64 = 1.0;

/// Pixels around an area in which a patch is brought to its surroundings' light.
const RING: u32 = 12;

/// Coverage from which a pixel is piece and nothing else.
const SOLID: f32 = 0.95;

/// Fewer pixels say nothing about light.
const FEWEST: usize = 32;

/// Gains beyond this are no change of light.
const STRONGEST: f32 = 4.0;

/// Light taken from another frame, on this one's grid.
pub(super) struct Taken {
    pub light: Light,
    pub correlation: f64,
    pub trust: Trust,
}

/// From the same piece cut out of another frame. Both are laid onto each other before one flat ground: the set behind
/// them stood still while the piece did not.
pub(super) fn of_piece(
    patient: &Patient,
    own: &Matte,
    other: &Keyed,
    spot: &Matte,
    account: &Account,
) -> Result<Taken, Finding> {
    let (room, around) = rooms(patient, spot);
    let colour = match patient.keyed {
        Some(keyed) if !other.colour.rect().is_empty() => &keyed.colour,
        _ => {
            return Ok(Taken {
                light: patient.frame.light(around)?,
                correlation: 0.0,
                trust: Trust::NoMatch,
            });
        }
    };
    let flat = mean(&other.colour, &other.own);
    let alone = |colour, own| Alone {
        colour,
        own,
        flat,
        rect: room,
        account,
    };
    let (here, there) = (alone(colour, own), alone(&other.colour, &other.own));
    let source = Coloured {
        colour: &other.colour,
        account,
    };
    laid(&here, &there, &source, around, account)
}

/// From another frame as it is.
pub(super) fn of_frame(
    patient: &Patient,
    other: &FrameSight,
    spot: &Matte,
    account: &Account,
) -> Result<Taken, Finding> {
    let (room, around) = rooms(patient, spot);
    let room = room.intersected(&other.rect());
    let (here, there) = (Window(patient.frame, room), Window(other, room));
    laid(&here, &there, other, around, account)
}

/// Where frames are laid onto each other, and where light is taken.
fn rooms(patient: &Patient, spot: &Matte) -> (Rect, Rect) {
    let rect = spot.rect();
    let spread = rect.width().max(rect.height()).max(ROOM);
    (
        rect.grown(spread).intersected(&patient.frame.rect()),
        rect.grown(RING).intersected(&patient.area),
    )
}

fn laid<F, P, S>(
    here: &F,
    there: &P,
    source: &S,
    around: Rect,
    account: &Account,
) -> Result<Taken, Finding>
where
    F: Seen<Fault = Finding>,
    P: Seen<Fault = Finding>,
    S: Seen<Fault = Finding>,
{
    let alignment = register::aligned(here, there, Motion::Shift, account)?;
    Ok(Taken {
        light: carried(source, &alignment.map, around, account)?,
        correlation: alignment.correlation,
        trust: alignment.trust,
    })
}

/// Brings taken light to the exposure and white of the piece around the area, and blends it in.
pub(super) fn laid_in(
    colour: &mut Light,
    own: &Matte,
    spot: &Matte,
    taken: &Light,
    account: &Account,
) -> Result<(), Finding> {
    let rect = taken.rect().intersected(&colour.rect());
    let gains = gains(colour, own, spot, taken, rect);
    let given = spot.cropped(spot.rect(), account)?;
    let program = Program {
        steps: vec![
            Step::Keep(vec![Layer {
                source: Source::Given(Arc::new(given)),
                feather: 0.0,
            }]),
            Step::Dilate(OVERLAP),
            Step::Feather(FEATHER),
        ],
    };
    let weights = program.coverage(rect, rect, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let weight = weights.at(x, y);
            if weight > 0.0 {
                let (old, new) = (colour.at(x, y), taken.at(x, y));
                let mixed = |k: usize| old[k] + (new[k] * gains[k] - old[k]) * weight;
                colour.put(x, y, [mixed(0), mixed(1), mixed(2)]);
            }
        }
    }
    Ok(())
}

/// Median of the piece's light over the taken light around the area: a rod that goes on beyond it is outvoted. 1 where
/// there is too little to go by.
fn gains(colour: &Light, own: &Matte, spot: &Matte, taken: &Light, rect: Rect) -> [f32; 3] {
    let mut ratios: [Vec<f32>; 3] = Default::default();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if at(spot, x, y) > 0.0 || at(own, x, y) < SOLID {
                continue;
            }
            let (old, new) = (colour.at(x, y), taken.at(x, y));
            for (k, ratios) in ratios.iter_mut().enumerate() {
                if old[k] > 0.0 && new[k] > 0.0 {
                    ratios.push(old[k] / new[k]);
                }
            }
        }
    }
    ratios.map(|mut ratios| {
        if ratios.len() < FEWEST {
            return 1.0;
        }
        let middle = ratios.len() / 2;
        let (_, median, _) = ratios.select_nth_unstable_by(middle, f32::total_cmp);
        median.clamp(1.0 / STRONGEST, STRONGEST)
    })
}

fn at(matte: &Matte, x: i32, y: i32) -> f32 {
    if matte.rect().contains(x, y) {
        matte.at(x, y)
    } else {
        0.0
    }
}

/// Mean colour under a matte.
fn mean(colour: &Light, own: &Matte) -> [f32; 3] {
    let rect = colour.rect().intersected(&own.rect());
    let (mut sums, mut weight) = ([0.0f64; 3], 0.0f64);
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let (value, share) = (colour.at(x, y), f64::from(own.at(x, y)));
            weight += share;
            for k in 0..3 {
                sums[k] += f64::from(value[k]) * share;
            }
        }
    }
    sums.map(|sum| {
        if weight > 0.0 {
            (sum / weight) as f32
        } else {
            0.0
        }
    })
}

/// A piece before a flat ground, whose own mean makes it a ground that pulls to nowhere.
struct Alone<'a> {
    colour: &'a Light,
    own: &'a Matte,
    flat: [f32; 3],
    rect: Rect,
    account: &'a Account,
}

impl Seen for Alone<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.rect
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        let mut light = Light::filled(rect, self.flat, self.account)?;
        let part = rect.intersected(&self.colour.rect());
        for y in part.y0..part.y1 {
            for x in part.x0..part.x1 {
                let (colour, share) = (self.colour.at(x, y), at(self.own, x, y));
                let mixed = |k: usize| self.flat[k] + (colour[k] - self.flat[k]) * share;
                light.put(x, y, [mixed(0), mixed(1), mixed(2)]);
            }
        }
        Ok(light)
    }
}

/// A piece's colour by rectangle.
struct Coloured<'a> {
    colour: &'a Light,
    account: &'a Account,
}

impl Seen for Coloured<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.colour.rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        Ok(self.colour.cropped(rect, self.account)?)
    }
}

/// A part of a frame.
struct Window<'a>(&'a FrameSight<'a>, Rect);

impl Seen for Window<'_> {
    type Fault = Finding;

    fn rect(&self) -> Rect {
        self.1
    }

    fn light(&self, rect: Rect) -> Result<Light, Finding> {
        self.0.light(rect)
    }
}
