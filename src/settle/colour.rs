//! Which colour a cut's pixels have: the piece's own where the piece is kept, the frame's where anything else is.

use super::Keyed;
use super::coverage::{self, ROWS};
use super::desk::Desk;
use super::sight::{FrameSight, decoded};
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::{LayerRecipe, MaskRecipe, SourceRecipe, StepRecipe, keeps_more};
use crate::raster::{Light, Matte, Seen};

/// Straight colour on `area`, where the piece's own does not do: because the mask keeps other things too, or more
/// room around the piece than its colour was carried on for.
pub(super) fn mixed(
    desk: &Desk,
    mask: &MaskRecipe,
    keyed: &Keyed,
    frame: &FrameSight,
    area: Rect,
) -> Result<Option<Light>, Finding> {
    let own = keyed.colour.rect();
    if own.is_empty() || area.is_empty() {
        // Nothing was found: whatever is kept is the frame.
        return if area.is_empty() {
            Ok(None)
        } else {
            Ok(Some(frame.light(area)?))
        };
    }
    let others = keeps_more(mask) && !within_piece(mask);
    if !others {
        if own.covers(&area) {
            return Ok(None);
        }
        let mut light = Light::filled(area, [0.0; 3], desk.account)?;
        for y in area.y0..area.y1 {
            for (x, out) in (area.x0..).zip(light.row_mut(y)) {
                *out = carried_on(&keyed.colour, x, y);
            }
        }
        return Ok(Some(light));
    }
    let piece = coverage::of_frame(desk, &only(mask, Keeps::Pieces), frame)?;
    let rest = coverage::of_frame(desk, &only(mask, Keeps::Others), frame)?;
    let mut light = Light::filled(area, [0.0; 3], desk.account)?;
    for band in area.bands(ROWS) {
        let seen = frame.light(band)?;
        for y in band.y0..band.y1 {
            for (x, out) in (band.x0..).zip(light.row_mut(y)) {
                let (p, o) = (at(&piece, x, y), at(&rest, x, y));
                // What else is kept is the frame as it is; the piece adds what that leaves.
                let p = p * (1.0 - o);
                let (f, c) = (seen.at(x, y), carried_on(&keyed.colour, x, y));
                *out = if p == 0.0 {
                    f
                } else if o == 0.0 {
                    c
                } else {
                    let share = p / (p + o);
                    std::array::from_fn(|k| f[k] + (c[k] - f[k]) * share)
                };
            }
        }
    }
    Ok(Some(light))
}

/// Coverage can't exceed the frame's own alpha.
pub(super) fn limited(matte: &mut Matte, frame: &FrameSight) -> Result<(), Finding> {
    if !frame.shot.has_alpha() {
        return Ok(());
    }
    for band in matte.rect().bands(ROWS) {
        let picture = decoded(frame.shot, band, &frame.account)?;
        for y in band.y0..band.y1 {
            for (coverage, pixel) in matte.row_mut(y).iter_mut().zip(picture.row(y)) {
                *coverage = coverage.min(pixel.alpha());
            }
        }
    }
    Ok(())
}

/// Beyond its edge the outermost pixel's colour goes on.
fn carried_on(colour: &Light, x: i32, y: i32) -> [f32; 3] {
    let rect = colour.rect();
    colour.at(x.clamp(rect.x0, rect.x1 - 1), y.clamp(rect.y0, rect.y1 - 1))
}

fn at(matte: &Matte, x: i32, y: i32) -> f32 {
    if matte.rect().contains(x, y) {
        matte.at(x, y)
    } else {
        0.0
    }
}

/// A mask that a piece limits shows nothing but the piece, whatever it keeps.
fn within_piece(mask: &MaskRecipe) -> bool {
    mask.steps.iter().any(|step| match step {
        StepRecipe::Within(layers) => layers.iter().any(is_piece),
        _ => false,
    })
}

fn is_piece(layer: &LayerRecipe) -> bool {
    matches!(layer.source, SourceRecipe::Piece(_))
}

#[derive(Clone, Copy, PartialEq)]
enum Keeps {
    Pieces,
    Others,
}

/// The same mask with only some of what it keeps.
fn only(mask: &MaskRecipe, keeps: Keeps) -> Vec<StepRecipe> {
    mask.steps
        .iter()
        .map(|step| match step {
            StepRecipe::Keep(layers) => StepRecipe::Keep(
                layers
                    .iter()
                    .filter(|layer| is_piece(layer) == (keeps == Keeps::Pieces))
                    .cloned()
                    .collect(),
            ),
            other => other.clone(),
        })
        .collect()
}
