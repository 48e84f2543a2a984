//! Cut-outs from a known plate: what in a frame is not the clean plate, with real coverage at its edges, its own
//! colour, and without the rod that held it.
//!
//! In linear light a frame obeys C = a F + (1 - a) S B + noise: a the matte, F the piece's colour, B the plate,
//! S the ratio by which light on the set changed. A shadow is smooth and multiplies; a piece is neither. Takes
//! pictures on the frame's own grid and knows no scene. Promise: the same bytes on any number of threads.

mod clipped;
mod graded;
mod ground;
mod holes;
mod matte;
mod piece;
mod rig;
mod tools;

pub use ground::LIGHT_CHANGED;
pub use matte::card::triangulated;
pub use rig::mended;

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::color::Response;
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

/// What is to be cut out. All rasters lie on the frame's grid.
#[derive(Clone, Copy, Debug)]
pub struct Ask<'a> {
    /// The frame, balanced.
    pub frame: &'a Light,
    /// The plate, carried to the frame's grid, on the same rectangle as the frame.
    pub plate: &'a Light,
    /// How many frames the plate is the mean of (its noise is that much lower).
    pub plate_frames: usize,
    /// A hard limit: nothing is kept where it is zero (outside its rectangle it is zero).
    pub within: Option<&'a Matte>,
    /// How many standard deviations of noise count as different; `None` for the method's own.
    pub sigma: Option<f64>,
}

#[cfg(test)]
impl<'a> Ask<'a> {
    /// A frame against a plate of one file, without limits.
    fn of(frame: &'a Light, plate: &'a Light) -> Ask<'a> {
        Ask {
            frame,
            plate,
            plate_frames: 1,
            within: None,
            sigma: None,
        }
    }
}

/// A piece cut out.
#[derive(Debug)]
pub struct Cutout {
    /// Coverage of the piece, rod left out. Zero outside its rectangle.
    pub matte: Matte,
    /// The piece's own colour, straight, on the matte's rectangle grown by some pixels; carried on beyond the
    /// edge so that it is defined wherever coverage can be feathered to.
    pub colour: Light,
    /// Coverage of what holds the piece, where it is seen beside the piece.
    pub rig: Matte,
    /// Where it crosses the piece's face (a `mend` rebuilds that); coverage of the rod there.
    pub crossing: Matte,
    /// Light on the set: what the frame shows of the plate, as a ratio; all of it, rod's shadow included.
    pub light: LightField,
    /// The same without the rod's shadow, the drift of light across the frame and `flags`: what `shadow` lays down.
    /// Exactly 1 where nothing is above the noise.
    pub shadow: LightField,
    /// What a flag or a lamp that moved did to the light in one place, where one did; a part of `light`.
    pub flags: Option<LightField>,
    pub noise: Noise,
    /// How the pictures answer the set's light, where a colour recipe bent that and it could be told.
    pub response: Option<Response>,
    pub notices: Vec<Notice>,
}

/// A smooth field of ratios at half the frame's size: cell (i, j) covers frame pixels 2i..2i+2 x 2j..2j+2 (frame
/// coordinates, so that odd rectangles agree); read between cell centres by bilinear interpolation.
#[derive(Debug)]
pub struct LightField {
    /// In half-size coordinates.
    pub cells: Raster<[f32; 3]>,
}

impl LightField {
    /// The ratio at frame pixel (x, y); beyond the field's edge its border goes on.
    pub fn at(&self, x: i32, y: i32) -> [f32; 3] {
        let rect = self.cells.rect();
        let place = |v: i32, low: i32, high: i32| {
            // The centre of an even pixel lies a quarter of a cell left of its cell's centre.
            let cell = v.div_euclid(2);
            let (a, b) = if v.rem_euclid(2) == 0 {
                (cell - 1, cell)
            } else {
                (cell, cell + 1)
            };
            let near = if v.rem_euclid(2) == 0 { 0.75 } else { 0.25 };
            (a.clamp(low, high - 1), b.clamp(low, high - 1), near)
        };
        let (x0, x1, u) = place(x, rect.x0, rect.x1);
        let (y0, y1, v) = place(y, rect.y0, rect.y1);
        let (a, b) = (self.cells.at(x0, y0), self.cells.at(x1, y0));
        let (c, d) = (self.cells.at(x0, y1), self.cells.at(x1, y1));
        std::array::from_fn(|k| {
            let top = a[k] + (b[k] - a[k]) * u;
            let low = c[k] + (d[k] - c[k]) * u;
            top + (low - top) * v
        })
    }

    /// The light without what flags did to it, where that is known.
    pub fn without(
        &self,
        flags: Option<&LightField>,
        account: &Account,
    ) -> Result<LightField, OverBudget> {
        let mut cells = self.cells.cropped(self.cells.rect(), account)?;
        if let Some(flags) = flags {
            flags.taken_off(&mut cells);
        }
        Ok(LightField { cells })
    }

    /// Takes this off the light of `cells`, where both are known.
    fn taken_off(&self, cells: &mut Raster<[f32; 3]>) {
        let both = cells.rect().intersected(&self.cells.rect());
        for y in both.y0..both.y1 {
            let own = self.cells.span(y, both.x0, both.x1);
            for (cell, own) in cells.span_mut(y, both.x0, both.x1).iter_mut().zip(own) {
                *cell = std::array::from_fn(|k| cell[k] / own[k]);
            }
        }
    }
}

/// Noise of the difference between frame and plate: variance = p B + q + r |grad B|^2, per channel.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Noise {
    pub p: [f32; 3],
    pub q: [f32; 3],
    pub r: [f32; 3],
}

/// What a photographer should look at, with its place in frame pixels.
#[derive(Clone, Debug, PartialEq)]
pub enum Notice {
    /// Nothing in the frame differs from the plate.
    Nothing,
    /// The piece reaches the frame's border and no rod was found there.
    RodNotFound { place: Rect },
    /// A thin part that may be a rod.
    ThinPart { place: Rect },
    /// A rod runs before a thin part of the piece, which was carried across beneath it.
    Carried { place: Rect },
    /// A see-through piece on a featureless plate: one frame can't tell thin ink from dark glass.
    SeeThrough { place: Rect },
    /// The piece is so like the plate here that its inside was closed by its surroundings.
    LikePlate { place: Rect },
    /// Something large changed apart from the piece: the set's answer to it, or something moved. It is left out.
    Elsewhere { place: Rect },
    /// A flag or a lamp moved: light is brighter or darker here by so many stops at most. It `meets` the piece's own
    /// shadow, and how much of that it is was told from around it.
    LightUneven {
        place: Rect,
        stops: f64,
        meets: bool,
    },
    /// Light changed broadly about the piece and fades away from it: its soft shadow or a flag, which can't be told.
    LightOrShadow { place: Rect, stops: f64 },
}

impl Notice {
    /// One of light, its place in half-size cells, on the frame's pixels.
    fn on(mut self, ask: &Ask) -> Notice {
        if let Notice::LightUneven { place, .. } | Notice::LightOrShadow { place, .. } = &mut self {
            *place = piece::pixels(*place, ask);
        }
        self
    }
}

/// Whether a place reaches the border of the frame, to the cell.
fn at_border(place: &Rect, frame: &Rect) -> bool {
    let near = |a: i32, b: i32| (a - b).abs() <= 2;
    near(place.x0, frame.x0)
        || near(place.y0, frame.y0)
        || near(place.x1, frame.x1)
        || near(place.y1, frame.y1)
}

/// Cuts the piece out, in the light of the set.
pub fn cut_out(ask: &Ask, account: &Account) -> Result<Cutout, OverBudget> {
    let measured = ground::measured(ask, account)?;
    let Some(response) = graded::told(ask, &measured.noise, account)? else {
        return keyed(ask, measured, account);
    };
    let noise = measured.noise;
    let frame = graded::taken_back(ask.frame, &response, account)?;
    let plate = graded::taken_back(ask.plate, &response, account)?;
    let set = Ask {
        frame: &frame,
        plate: &plate,
        ..*ask
    };
    let measured = ground::measured(&set, account)?;
    let mut cutout = keyed(&set, measured, account)?;
    graded::laid_on(&mut cutout, ask.plate, &response, account)?;
    Ok(Cutout {
        noise,
        response: Some(response),
        ..cutout
    })
}

/// What is the set, what holds the piece, the light again without that, then coverage.
fn keyed(ask: &Ask, measured: ground::Measured, account: &Account) -> Result<Cutout, OverBudget> {
    let (ground, unheld) = ground::known(ask, measured, account)?;
    let plate = clipped::healed(ask, &ground, account)?;
    let ask = &Ask {
        plate: plate.as_ref().unwrap_or(ask.plate),
        ..*ask
    };
    let mut rig = rig::found(ask, &ground, account)?;
    // A rod's shadow lies on the set and its light is real; a rod's own cells show no set.
    let mut ground = ground::relit(unheld, ground, &rig.shadow, &rig.cells, account)?;
    let mut body = body(ask, &ground, &rig, account)?;
    let elsewhere = piece::chosen(ask, &mut body, &rig.cells, &ground.light, account)?;
    ground::shadow::carried_on(&mut ground, &body, account)?;
    let mut backdrop = backdrop(ask, &ground, &rig, account)?;
    let mut open = open(ask, &ground, &rig, &mut backdrop, &mut body, account)?;
    if rig.seen_through(&open, &mut backdrop, &mut body, account)? {
        let more = self::open(ask, &ground, &rig, &mut backdrop, &mut body, account)?;
        unite(&mut open, &more);
    }
    let known = matte::Known {
        frame: ask.frame,
        backdrop: &backdrop,
        noise: &ground.noise,
        grain: ground.grain,
        plate_frames: ask.plate_frames,
        body: &body,
        open: &open,
        rig: &rig.coverage,
        within: ask.within,
        sigma: ask.sigma,
    };
    let (solved, like_plate) = rayon::join(
        || matte::solved(&known, account),
        || piece::like_plate(ask, &body, &ground.light, &ground.noise, account),
    );
    let mut solved = solved?;
    drop(backdrop);
    // Where the rod runs over the face the piece goes on beneath it.
    rig.closed(&mut solved.matte, &mut solved.colour, account)?;
    matte::limited(&mut solved.matte, ask.within);
    let (shadow, flags) = ground::shadow::thrown(
        &ground,
        &body,
        &solved.matte,
        (&rig.lines, &rig.shadow),
        account,
    )?;
    let mut notices = rig.notices;
    notices.retain(|notice| match notice {
        // A run at the edge of a drawn limit was cut there on purpose.
        Notice::RodNotFound { place } => {
            piece::touches(&body, *place) && at_border(place, &ask.frame.rect())
        }
        Notice::ThinPart { place } => {
            let left_out = elsewhere.iter().any(|other| {
                matches!(other, Notice::Elsewhere { place: of } if of.intersected(place) == *place)
            });
            piece::touches(&body, *place) && !left_out
        }
        _ => true,
    });
    notices.extend(elsewhere);
    notices.extend(like_plate?);
    notices.extend(solved.notices);
    notices.extend(flags.notices.into_iter().map(|notice| notice.on(ask)));
    if !body.data().contains(&1) && notices.is_empty() {
        notices.push(Notice::Nothing);
    }
    Ok(Cutout {
        matte: solved.matte,
        colour: solved.colour,
        rig: rig.coverage,
        crossing: rig.crossing,
        light: ground.light,
        shadow,
        flags: flags.field,
        noise: ground.noise,
        response: None,
        notices,
    })
}

/// Half-size: 1 = neither set nor rod, inside what is kept.
fn body(
    ask: &Ask,
    ground: &ground::Ground,
    rig: &rig::Rig,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = ground.background.rect();
    let mut body = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let rod = rig.cells.rect().contains(x, y) && rig.cells.at(x, y) > 0;
            let kept = ask.within.is_none_or(|w| ground::inside(w, x, y));
            let hides = ground.background.at(x, y) == 0 && !rod && kept;
            body.put(x, y, u8::from(hides));
        }
    }
    Ok(body)
}

/// Where the plate is seen through the piece, in 255ths.
fn open(
    ask: &Ask,
    ground: &ground::Ground,
    rig: &rig::Rig,
    backdrop: &mut Light,
    body: &mut Raster<u8>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let (noise, light) = (&ground.noise, &ground.light);
    holes::found(
        ask.frame,
        backdrop,
        noise,
        light,
        (&rig.coverage, &rig.cells),
        body,
        account,
    )
}

/// Adds what is more open in `other`.
fn unite(open: &mut Raster<u8>, other: &Raster<u8>) {
    let both = open.rect().intersected(&other.rect());
    for y in both.y0..both.y1 {
        let more = other.span(y, both.x0, both.x1);
        for (open, more) in open.span_mut(y, both.x0, both.x1).iter_mut().zip(more) {
            *open = (*open).max(*more);
        }
    }
}

/// What the frame would show without the piece: the plate under the frame's light, with the rods in it.
fn backdrop(
    ask: &Ask,
    ground: &ground::Ground,
    rig: &rig::Rig,
    account: &Account,
) -> Result<Light, OverBudget> {
    let rect = ask.frame.rect();
    let mut backdrop = Light::filled(rect, [0.0; 3], account)?;
    let width = backdrop.width().max(1);
    backdrop
        .data_mut()
        .par_chunks_mut(width)
        .zip(rect.y0..rect.y1)
        .for_each(|(row, y)| {
            for (out, x) in row.iter_mut().zip(rect.x0..) {
                let known = rig.known.rect().contains(x, y) && rig.known.at(x, y) > 0;
                *out = if known {
                    rig.backdrop.at(x, y)
                } else {
                    let (s, b) = (ground.light.at(x, y), ask.plate.at(x, y));
                    [s[0] * b[0], s[1] * b[1], s[2] * b[2]]
                };
            }
        });
    Ok(backdrop)
}
