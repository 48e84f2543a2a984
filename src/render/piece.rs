//! An element before its placement: its light under its mask, premultiplied, on the frame's own grid.

use super::scope::{PlacedElement, Scope};
use crate::blend::Mode;
use crate::budget::Account;
use crate::correct;
use crate::diag::Finding;
use crate::frame::{SampleKind, Samples};
use crate::geom::Rect;
use crate::plan::Shot;
use crate::raster::{Light, Picture, Premul};
use crate::settle::{balanced, out_of_memory, unreadable};

/// A piece up to this many bytes is decoded once, whole, and kept until its last band: a turned piece needs almost
/// all of itself in every band it crosses. Larger ones are decoded again band by band.
const KEPT_WHOLE: u64 = 96 << 20;

/// Rows decoded at a time where a whole piece is made ready.
const ROWS: u32 = 256;

/// What the bands that meet an element hold of it.
#[derive(Debug)]
pub(super) enum Held {
    /// Stored samples, to be decoded tile by tile.
    Stored(Samples),
    /// The whole piece out of focus. A disc reaches far and a turned piece asks for the same pixels in many tiles,
    /// so it is made once, from its first band to its last.
    Soft(Picture),
}

impl Held {
    pub fn covers(&self, needed: &Rect) -> bool {
        match self {
            Held::Stored(samples) => samples.rect.covers(needed),
            Held::Soft(picture) => picture.rect().covers(needed),
        }
    }
}

/// What has to be held of an element.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Load {
    /// Nothing: its colour is settled already.
    Nothing,
    Stored(Rect),
    Soft,
}

impl Load {
    /// The frame pixels that are there afterwards.
    pub fn rect(self, element: &PlacedElement) -> Rect {
        match self {
            Load::Stored(rect) => rect,
            Load::Nothing | Load::Soft => element.area,
        }
    }
}

/// What is made ready when `needed` is asked for.
pub(super) fn load(element: &PlacedElement, shot: &Shot, needed: Rect) -> Load {
    if element.step.defocus.is_some() {
        Load::Soft
    } else if colours(element).is_some() {
        Load::Nothing
    } else if load_bytes(shot, element.cut.area) <= KEPT_WHOLE {
        Load::Stored(element.cut.area)
    } else {
        Load::Stored(needed)
    }
}

/// Memory that a rectangle of stored samples takes, in bytes.
pub fn load_bytes(shot: &Shot, rect: Rect) -> u64 {
    let header = shot.frame.header();
    let sample = match header.kind {
        SampleKind::U8 => 1,
        SampleKind::U16 => 2,
        SampleKind::U32 | SampleKind::F16 | SampleKind::F32 => 4,
    };
    rect.area() * u64::from(header.channels) * sample
}

/// Bytes kept and, for the moment, needed on top, while an element is made ready.
pub(super) fn load_cost(element: &PlacedElement, shot: &Shot, load: Load) -> (u64, u64) {
    let pixel = size_of::<Premul>() as u64;
    match load {
        Load::Nothing => (0, 0),
        Load::Stored(rect) => {
            let cost = shot.frame.cost(rect);
            (load_bytes(shot, rect) + cost.kept, cost.working)
        }
        Load::Soft => {
            let sharp = element.cut.area;
            let rows = sharp.bands(ROWS).next().unwrap_or(Rect::EMPTY);
            let cost = shot.frame.cost(rows);
            let decoding = load_bytes(shot, rows) + rows.area() * pixel + cost.working;
            (
                element.area.area() * pixel + cost.kept,
                sharp.area() * pixel + decoding,
            )
        }
    }
}

pub(super) fn read(shot: &Shot, rect: Rect, account: &Account) -> Result<Samples, Finding> {
    shot.frame
        .samples(rect, account)
        .map_err(|fault| unreadable(&shot.path, &fault))
}

/// Makes ready what `load` names.
pub(super) fn held(
    scope: &Scope,
    element: &PlacedElement,
    load: Load,
    account: &Account,
) -> Result<Option<Held>, Finding> {
    let shot = shot(scope, element);
    Ok(match load {
        Load::Nothing => None,
        Load::Stored(rect) => Some(Held::Stored(read(shot, rect, account)?)),
        Load::Soft => Some(Held::Soft(soft(scope, element, account)?)),
    })
}

/// The pixels of `part`, ready to be placed.
pub(super) fn window(
    scope: &Scope,
    element: &PlacedElement,
    held: Option<&Held>,
    part: Rect,
    account: &Account,
) -> Result<Picture, Finding> {
    match held {
        Some(Held::Soft(picture)) => picture
            .cropped(part, account)
            .map_err(|f| out_of_memory(&f)),
        Some(Held::Stored(samples)) => sharp(scope, element, Some(samples), part, account),
        None => sharp(scope, element, None, part, account),
    }
}

/// The stored samples an element's pixels may be copied from: only where nothing but its mask acts on them.
pub(super) fn codes<'a>(element: &PlacedElement, held: Option<&'a Held>) -> Option<&'a Samples> {
    match held {
        Some(Held::Stored(samples))
            if element.step.correct.is_none() && element.cut.gains == [1.0; 3] =>
        {
            Some(samples)
        }
        _ => None,
    }
}

fn shot<'a>(scope: &Scope<'a>, element: &PlacedElement) -> &'a Shot {
    scope
        .plan
        .footage
        .shot(scope.plan.cuts[element.step.cut.0].shot)
}

/// Whether an element lays down the light its piece adds to the set, which has no alpha (rule 5 of the language).
pub(super) fn adds_light(element: &PlacedElement) -> bool {
    element.step.mode == Mode::PlusLighter && element.cut.added.is_some()
}

/// Settled colours, and the alpha that goes with them; `None` where the frame's own are drawn.
fn colours<'a>(element: &PlacedElement<'a>) -> Option<(&'a Light, f32)> {
    match &element.cut.added {
        Some(light) if adds_light(element) => Some((light, 0.0)),
        _ => element.cut.picture().map(|light| (light, 1.0)),
    }
}

/// Light, gains, correction and mask: all that acts on a pixel by itself.
fn sharp(
    scope: &Scope,
    element: &PlacedElement,
    samples: Option<&Samples>,
    part: Rect,
    account: &Account,
) -> Result<Picture, Finding> {
    let shot = shot(scope, element);
    let mut window = match (colours(element), samples) {
        (Some((light, alpha)), _) => {
            let mut picture =
                Picture::filled(part, Premul::CLEAR, account).map_err(|f| out_of_memory(&f))?;
            for y in part.y0..part.y1 {
                let from = light.span(y, part.x0, part.x1);
                for (pixel, [r, g, b]) in picture.row_mut(y).iter_mut().zip(from) {
                    *pixel = Premul([*r, *g, *b, alpha]);
                }
            }
            picture
        }
        (None, samples) => {
            let mut picture = samples
                .expect("the band's feed covers its tiles")
                .picture(part, shot.frame.header(), &shot.decoding, account)
                .map_err(|fault| {
                    unreadable(&shot.path, &fault).member(element.step.member.as_str())
                })?;
            balance(picture.data_mut(), element.cut.gains);
            picture
        }
    };
    if let Some(matrix) = &element.step.correct {
        matrix.apply(window.data_mut());
    }
    if let Some(matte) = &element.cut.coverage {
        for y in part.y0..part.y1 {
            covered(window.row_mut(y), matte.span(y, part.x0, part.x1));
        }
    }
    Ok(window)
}

/// The whole piece under its lens disc. Rows are decoded some at a time.
fn soft(scope: &Scope, element: &PlacedElement, account: &Account) -> Result<Picture, Finding> {
    let shot = shot(scope, element);
    let area = element.cut.area;
    let mut whole = Picture::filled(area, Premul::CLEAR, account).map_err(|f| out_of_memory(&f))?;
    for rows in area.bands(ROWS) {
        let samples = match colours(element) {
            Some(_) => None,
            None => Some(read(shot, rows, account)?),
        };
        let part = sharp(scope, element, samples.as_ref(), rows, account)?;
        for y in rows.y0..rows.y1 {
            whole.row_mut(y).copy_from_slice(part.row(y));
        }
    }
    let radius = element.step.defocus.unwrap_or(0.0);
    correct::defocused(&whole, radius, account).map_err(|f| out_of_memory(&f))
}

fn balance(row: &mut [Premul], gains: [f64; 3]) {
    if gains == [1.0; 3] {
        return;
    }
    for pixel in row {
        let [r, g, b, alpha] = pixel.0;
        let [r, g, b] = balanced([r, g, b], gains);
        *pixel = Premul([r, g, b, alpha]);
    }
}

pub(super) fn covered(row: &mut [Premul], coverage: &[f32]) {
    for (pixel, c) in row.iter_mut().zip(coverage) {
        *pixel = Premul(pixel.0.map(|v| v * c));
    }
}
