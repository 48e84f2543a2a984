//! From a known backdrop and a rough body to coverage and the piece's own colour.
//!
//! C = a F + (1 - a) B' with B' known everywhere: given F, every pixel measures its own a. So F from the nearest
//! sure interior, its spread included, decides; smoothness only helps where F and B' are too alike to tell.

mod band;
mod blended;
pub mod card;
mod colour;
mod contour;
mod edge;
mod evened;
mod faces;
mod hides;
mod laid;
mod lanes;
mod measure;
mod outline;
mod plane;
mod see_through;
mod shade;
mod sheet;
mod shifts;
mod slope;
mod solve;
mod strands;
mod stretches;
#[cfg(test)]
mod tests;
mod tinted;
mod tops;
mod width;
mod window;

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

use super::tools::twice;
use super::{Noise, Notice};

/// How far the piece's colour is carried on beyond its edge, in pixels.
const CARRIED: i32 = 32;

/// What is known before a matte is made. `frame`, `backdrop` and `rig` lie on the frame's grid.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known<'a> {
    pub frame: &'a Light,
    /// What the frame would show without the piece: plate under the frame's light, rods in it.
    pub backdrop: &'a Light,
    pub noise: &'a Noise,
    /// How many times as much as a plain sensor's noise would means of some pixels scatter.
    pub grain: f32,
    /// How many frames the plate is the mean of.
    pub plate_frames: usize,
    /// Half-size cells (cell (i, j) covers frame pixels 2i..2i+2 x 2j..2j+2); 1 = neither background nor rod.
    pub body: &'a Raster<u8>,
    /// Full size, on any rectangle: how much of the plate is seen through a hole or slit of the body, in 255ths; 0
    /// where nothing is known of one.
    pub open: &'a Raster<u8>,
    /// Coverage of what holds the piece, beside the piece.
    pub rig: &'a Matte,
    /// A hard limit; nothing is kept where it is zero or absent.
    pub within: Option<&'a Matte>,
    /// How many standard deviations count as different; `None` for the method's own.
    pub sigma: Option<f64>,
}

/// A matte and the colour under it.
#[derive(Debug)]
pub(super) struct Solved {
    pub matte: Matte,
    /// Straight colour on the matte's rectangle, carried on beyond the edge.
    pub colour: Light,
    pub notices: Vec<Notice>,
}

/// The rectangle the work is done on: the body and room for its edge and for carried colour.
fn working_rect(known: &Known) -> Rect {
    let used = known.body.bounds(|&v| v != 0);
    if used.is_empty() {
        return Rect::EMPTY;
    }
    let used = twice::doubled(used);
    let room = CARRIED + 8;
    Rect {
        x0: used.x0 - room,
        y0: used.y0 - room,
        x1: used.x1 + room,
        y1: used.y1 + room,
    }
    .intersected(&known.frame.rect())
    .intersected(&known.backdrop.rect())
}

/// Finds coverage and colour.
pub(super) fn solved(known: &Known, account: &Account) -> Result<Solved, OverBudget> {
    let rect = working_rect(known);
    if rect.is_empty() {
        return Ok(Solved {
            matte: Matte::filled(Rect::EMPTY, 0.0, account)?,
            colour: Light::filled(Rect::EMPTY, [0.0; 3], account)?,
            notices: Vec::new(),
        });
    }
    let frame = known.frame.cropped(rect, account)?;
    let outline = outline::Outline::of(known, rect, account)?;
    let mut backdrop = known.backdrop.cropped(rect, account)?;
    let bare = sensed(known, &frame, &backdrop, account)?;
    let thin = match strands::thin(&outline, account)? {
        Some(thin) if strands::open(&bare, &outline, &thin, account)? => thin,
        _ => {
            let band = band::Band::found(&bare, outline, None, account)?;
            return told(known, &bare, &band, account);
        }
    };
    let ratio = shade::between(&bare, &outline, &thin.dense, account)?;
    drop(bare);
    for (b, r) in backdrop.data_mut().iter_mut().zip(ratio.data()) {
        *b = [b[0] * r[0], b[1] * r[1], b[2] * r[2]];
    }
    drop(ratio);
    let sensed = sensed(known, &frame, &backdrop, account)?;
    let zone = strands::zone(&sensed, &outline, thin, account)?;
    let band = band::Band::found(&sensed, outline, Some(&zone), account)?;
    drop(zone);
    told(known, &sensed, &band, account)
}

/// Coverage and colour while they are found in turn.
struct Turns<'a> {
    sensed: &'a measure::Sensed<'a>,
    band: &'a band::Band,
    system: solve::System<'a>,
    matte: Matte,
    colour: Light,
    /// Colours at the tops of strands, where the band has any.
    tops: Option<colour::Near>,
}

impl<'a> Turns<'a> {
    fn begun(
        sensed: &'a measure::Sensed<'a>,
        band: &'a band::Band,
        account: &Account,
    ) -> Result<Turns<'a>, OverBudget> {
        let frame = sensed.frame;
        let tops = (band.has_strands())
            .then(|| tops::found(sensed, band, account))
            .transpose()?;
        let tops = (tops.as_ref())
            .map(|tops| colour::Near::of_tops(frame, tops, account))
            .transpose()?;
        let system = solve::System::over(frame, &band.unknown, &band.list, sensed.floor, account)?;
        Ok(Turns {
            sensed,
            band,
            system,
            matte: band.start(account)?,
            colour: frame.cropped(frame.rect(), account)?,
            tops,
        })
    }

    fn taken(
        &mut self,
        rounds: std::ops::Range<usize>,
        account: &Account,
    ) -> Result<(), OverBudget> {
        for round in rounds {
            self.turn(round, account)?;
        }
        Ok(())
    }

    fn turn(&mut self, round: usize, account: &Account) -> Result<(), OverBudget> {
        let Turns {
            sensed,
            band,
            system,
            matte,
            colour,
            tops,
        } = self;
        let ceiling = sensed.ceiling;
        let near = colour::Near::gathered(colour, matte, band, round == 0, ceiling, account)?;
        let hair = band
            .has_strands()
            .then(|| colour::Near::of_strands(sensed, colour, matte, band, round == 0, account))
            .transpose()?;
        let strands = hair.as_ref().zip(tops.as_ref());
        let nearby = colour::Nearby::told(band, &near, strands, account)?;
        drop(hair);
        let mut data = measure::data(sensed, band, &near, &nearby, matte, account)?;
        drop(near);
        let line = (round > 0)
            .then(|| contour::found(matte, band, &data, account))
            .transpose()?
            .flatten();
        // Once, at the end: in every round it gains a little more and costs twice as much.
        let edge = line
            .as_ref()
            .filter(|_| round + 1 == ROUNDS)
            .map(|line| edge::fitted(sensed, band, line, account))
            .transpose()?;
        if let Some(edge) = &edge {
            data.retold(sensed, band, edge, matte);
        }
        data.expect(band, line.as_ref(), edge.as_ref());
        let most = if round + 1 == ROUNDS {
            solve::CLOSE
        } else {
            solve::ROUGH
        };
        system.solve(&data, solve::SMOOTH, most, matte, account)?;
        measure::bounded(sensed, band, matte);
        colour::recovered(sensed, band, &nearby, matte, colour);
        Ok(())
    }
}

/// Coverage and colour of a piece whose unknown pixels are known.
fn told(
    known: &Known,
    sensed: &measure::Sensed,
    band: &band::Band,
    account: &Account,
) -> Result<Solved, OverBudget> {
    let (frame, backdrop) = (sensed.frame, sensed.backdrop);
    let mut notices = Vec::new();
    let mut turns = Turns::begun(sensed, band, account)?;
    turns.turn(0, account)?;
    let settled = band.settled(sensed, &turns.matte, account)?;
    let mut first = 1;
    if let Some(settled) = &settled {
        turns = Turns::begun(sensed, settled, account)?;
        first = 0;
    }
    turns.taken(first..ROUNDS, account)?;
    let Turns {
        band,
        mut matte,
        mut colour,
        ..
    } = turns;
    let inside = see_through::inner_coverage(sensed, band, known.sigma, account)?;
    if inside.doubtful {
        notices.push(Notice::SeeThrough {
            place: band.place(),
        });
    }
    if let Some(inner) = inside.coverage {
        for (i, a) in matte.data_mut().iter_mut().enumerate() {
            *a *= inner.data()[i];
            if *a > 0.02 {
                let (c, b) = (frame.data()[i], backdrop.data()[i]);
                colour.data_mut()[i] = std::array::from_fn(|k| {
                    ((c[k] - (1.0 - *a) * b[k]) / *a).clamp(0.0, sensed.ceiling)
                });
            }
        }
    }
    colour::carried(&matte, band, &mut colour, account)?;
    limited(&mut matte, known.within);
    Ok(Solved {
        matte,
        colour,
        notices,
    })
}

/// Outside `within` nothing is kept.
pub fn limited(matte: &mut Matte, within: Option<&Matte>) {
    let Some(within) = within else { return };
    let rect = matte.rect();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if !within.rect().contains(x, y) || within.at(x, y).is_nan() || within.at(x, y) <= 0.0 {
                matte.put(x, y, 0.0);
            }
        }
    }
}

/// Frame and backdrop with what is known of their errors.
fn sensed<'a>(
    known: &Known,
    frame: &'a Light,
    backdrop: &'a Light,
    account: &Account,
) -> Result<measure::Sensed<'a>, OverBudget> {
    let mut sensed =
        measure::Sensed::new(frame, backdrop, known.noise, known.plate_frames, account)?;
    sensed.doubt(known.rig);
    sensed.interpolated(known.grain, account)?;
    Ok(sensed)
}

/// Matte and colour are found in turn this many times.
const ROUNDS: usize = 3;
