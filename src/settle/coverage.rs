//! Recipes to coverage: painted masks are read here, drawn ones evaluated, both kept where they are not zero.

use super::out_of_memory;
use crate::budget::Account;
use crate::diag::Finding;
use crate::frame::{Frame, FrameError};
use crate::geom::Rect;
use crate::mask::{Layer, Program, Source, Step};
use crate::plan::{
    Cut, LayerRecipe, MaskId, MaskRecipe, Plan, Shot, ShotId, SourceRecipe, StepRecipe,
};
use crate::raster::{Matte, Picture};
use crate::scene::SourceKind;
use std::path::Path;
use std::sync::Arc;

/// Rows read at a time.
pub(super) const ROWS: u32 = 256;

/// What a mask is drawn on: a frame (with the shot, for luminance) or the canvas.
#[derive(Clone, Copy)]
struct Ground<'a> {
    space: Rect,
    shot: Option<&'a Shot>,
}

pub(super) fn of_cut(plan: &Plan, cut: &Cut, account: &Account) -> Result<Matte, Finding> {
    let shot = plan.footage.shot(cut.shot);
    let ground = Ground {
        space: shot.rect(),
        shot: Some(shot),
    };
    evaluated(plan, &cut.mask.steps, ground, account)
        .map_err(|f| f.at(cut.span).member(&cut.member))
}

pub(super) fn of_canvas_mask(
    plan: &Plan,
    id: MaskId,
    canvas: Rect,
    account: &Account,
) -> Result<Matte, Finding> {
    let ground = Ground {
        space: canvas,
        shot: None,
    };
    evaluated(plan, &plan.masks[id.0].steps, ground, account)
}

/// A mask on a frame, where it is not zero.
pub(super) fn of_area(
    plan: &Plan,
    shot: ShotId,
    recipe: &MaskRecipe,
    account: &Account,
) -> Result<Matte, Finding> {
    let shot = plan.footage.shot(shot);
    let ground = Ground {
        space: shot.rect(),
        shot: Some(shot),
    };
    evaluated(plan, &recipe.steps, ground, account)
}

fn evaluated(
    plan: &Plan,
    steps: &[StepRecipe],
    ground: Ground,
    account: &Account,
) -> Result<Matte, Finding> {
    let program = program(plan, steps, ground, account)?;
    let extent = program.extent(ground.space);
    let matte = program
        .coverage(ground.space, extent, account)
        .map_err(|fault| out_of_memory(&fault))?;
    trimmed(matte, account)
}

fn program(
    plan: &Plan,
    steps: &[StepRecipe],
    ground: Ground,
    account: &Account,
) -> Result<Program, Finding> {
    let layers = |recipes: &[LayerRecipe]| -> Result<Vec<Layer>, Finding> {
        recipes
            .iter()
            .map(|recipe| {
                Ok(Layer {
                    source: source(plan, &recipe.source, ground, account)?,
                    feather: recipe.feather,
                })
            })
            .collect()
    };
    let steps = steps
        .iter()
        .map(|step| {
            Ok(match step {
                StepRecipe::Keep(recipes) => Step::Keep(layers(recipes)?),
                StepRecipe::Within(recipes) => Step::Within(layers(recipes)?),
                StepRecipe::Cut(recipes) => Step::Cut(layers(recipes)?),
                StepRecipe::Feather(s) => Step::Feather(*s),
                StepRecipe::Dilate(d) => Step::Dilate(*d),
                StepRecipe::Erode(d) => Step::Erode(*d),
                StepRecipe::Ramp(low, high) => Step::Ramp(*low, *high),
                StepRecipe::Invert => Step::Invert,
            })
        })
        .collect::<Result<_, Finding>>()?;
    Ok(Program { steps })
}

fn source(
    plan: &Plan,
    recipe: &SourceRecipe,
    ground: Ground,
    account: &Account,
) -> Result<Source, Finding> {
    Ok(match recipe {
        SourceRecipe::Drawn(kind) => drawn(kind),
        SourceRecipe::Painted { mask, channel, at } => {
            let painted = plan.footage.painted(*mask);
            let matte = painted_matte(&painted.frame, &painted.path, *channel, account)?;
            Source::Given(Arc::new(matte.moved(at[0], at[1])))
        }
        SourceRecipe::Luminance { low, high } => {
            let shot = ground.shot.expect("only element masks have luminance");
            Source::Given(Arc::new(luminance(plan, shot, *low, *high, account)?))
        }
        SourceRecipe::Named(id) => {
            Source::Given(Arc::new(of_canvas_mask(plan, *id, ground.space, account)?))
        }
    })
}

fn drawn(kind: &SourceKind) -> Source {
    match kind.clone() {
        SourceKind::Rect {
            x,
            y,
            width,
            height,
        } => Source::Rect {
            x,
            y,
            width,
            height,
        },
        SourceKind::Ellipse { cx, cy, rx, ry } => Source::Ellipse { cx, cy, rx, ry },
        SourceKind::Polygon { points, rule } => Source::Polygon {
            points: pairs(&points),
            rule,
        },
        SourceKind::Path { path, rule } => Source::Path { path, rule },
        SourceKind::Line { points, width, cap } => Source::Line {
            points: pairs(&points),
            width,
            cap,
        },
        // `all`; the others never reach a plan as drawn shapes.
        _ => Source::All,
    }
}

fn pairs(points: &[[f64; 2]]) -> Vec<(f64, f64)> {
    points.iter().map(|[x, y]| (*x, *y)).collect()
}

/// A painted mask's channel where it is not zero, read band by band.
fn painted_matte(
    frame: &Frame,
    path: &Path,
    channel: usize,
    account: &Account,
) -> Result<Matte, Finding> {
    let header = frame.header();
    let whole = Rect::of_size(header.width, header.height);
    let mut parts = Vec::new();
    for band in whole.bands(ROWS) {
        let part = frame
            .samples(band, account)
            .and_then(|samples| samples.coverage(band, channel, account))
            .map_err(|fault| unreadable(path, &fault))?;
        let part = trimmed(part, account)?;
        if !part.rect().is_empty() {
            parts.push(part);
        }
    }
    joined(&parts, account)
}

/// clamp((Y - low) / (high - low)) of the frame's own colour, all over the frame.
fn luminance(
    plan: &Plan,
    shot: &Shot,
    low: f64,
    high: f64,
    account: &Account,
) -> Result<Matte, Finding> {
    let weights = plan.space.luminance();
    let whole = shot.rect();
    let mut matte = Matte::filled(whole, 0.0, account).map_err(|f| out_of_memory(&f))?;
    for band in whole.bands(ROWS) {
        let picture = light(shot, band, account)?;
        for y in band.y0..band.y1 {
            for (out, pixel) in matte.row_mut(y).iter_mut().zip(picture.row(y)) {
                let [r, g, b, a] = pixel.0.map(f64::from);
                let light = weights[0] * r + weights[1] * g + weights[2] * b;
                let straight = if a > 0.0 { light / a } else { 0.0 };
                *out = ((straight - low) / (high - low)).clamp(0.0, 1.0) as f32;
            }
        }
    }
    Ok(matte)
}

/// A band of a frame as light in the working space.
pub(super) fn light(shot: &Shot, band: Rect, account: &Account) -> Result<Picture, Finding> {
    shot.frame
        .samples(band, account)
        .and_then(|samples| samples.picture(band, shot.frame.header(), &shot.decoding, account))
        .map_err(|fault| unreadable(&shot.path, &fault))
}

/// The part of a matte that is not zero.
fn trimmed(matte: Matte, account: &Account) -> Result<Matte, Finding> {
    let rect = matte.rect();
    let mut filled = Rect::EMPTY;
    for y in rect.y0..rect.y1 {
        let row = matte.row(y);
        let Some(first) = row.iter().position(|&c| c != 0.0) else {
            continue;
        };
        let last = row.iter().rposition(|&c| c != 0.0).unwrap_or(first);
        filled = filled.united(&Rect {
            x0: rect.x0 + first as i32,
            y0: y,
            x1: rect.x0 + last as i32 + 1,
            y1: y + 1,
        });
    }
    if filled == rect {
        return Ok(matte);
    }
    matte
        .cropped(filled, account)
        .map_err(|f| out_of_memory(&f))
}

fn joined(parts: &[Matte], account: &Account) -> Result<Matte, Finding> {
    let rect = parts
        .iter()
        .fold(Rect::EMPTY, |all, part| all.united(&part.rect()));
    let mut matte = Matte::filled(rect, 0.0, account).map_err(|f| out_of_memory(&f))?;
    for part in parts {
        let from = part.rect();
        for y in from.y0..from.y1 {
            matte
                .span_mut(y, from.x0, from.x1)
                .copy_from_slice(part.row(y));
        }
    }
    Ok(matte)
}

/// A frame that failed while its pixels were read.
pub(crate) fn unreadable(path: &Path, fault: &FrameError) -> Finding {
    let shown = path.display().to_string();
    if let FrameError::OverBudget(fault) = fault {
        return out_of_memory(fault).frame(shown);
    }
    Finding::stop("frame-unreadable", format!("{shown} {fault}")).frame(shown)
}
