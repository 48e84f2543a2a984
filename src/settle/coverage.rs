//! Recipes to coverage: painted masks are read here, drawn ones evaluated, both kept where they are not zero.

use super::desk::Desk;
use super::out_of_memory;
use super::sight::{FrameSight, balanced, decoded};
use crate::budget::Account;
use crate::diag::Finding;
use crate::frame::{Frame, FrameError};
use crate::geom::Rect;
use crate::mask::{Layer, Program, Source, Step};
use crate::plan::{LayerRecipe, MaskId, MaskRecipe, Shot, SourceRecipe, StepRecipe};
use crate::raster::{Matte, Seen};
use crate::scene::SourceKind;
use std::path::Path;
use std::sync::Arc;

/// Rows read at a time.
pub(super) const ROWS: u32 = 256;

/// What a mask is drawn on: a frame (with its balanced light, for luminance) or the canvas.
#[derive(Clone, Copy)]
struct Ground<'a> {
    space: Rect,
    frame: Option<&'a FrameSight<'a>>,
}

/// Coverage of an element's mask; its pieces have been found.
pub(super) fn of_frame(
    desk: &Desk,
    steps: &[StepRecipe],
    frame: &FrameSight,
) -> Result<Matte, Finding> {
    let ground = Ground {
        space: frame.rect(),
        frame: Some(frame),
    };
    evaluated(desk, steps, ground)
}

/// Coverage of a piece's hard limit, which is drawn or painted.
pub(super) fn of_limit(desk: &Desk, limit: &MaskRecipe, shot: &Shot) -> Result<Matte, Finding> {
    let ground = Ground {
        space: shot.rect(),
        frame: None,
    };
    evaluated(desk, &limit.steps, ground)
}

/// Coverage of a mask in canvas space; its pieces have been found.
pub(super) fn of_canvas_mask(desk: &Desk, id: MaskId, canvas: Rect) -> Result<Matte, Finding> {
    let ground = Ground {
        space: canvas,
        frame: None,
    };
    evaluated(desk, &desk.plan.masks[id.0].steps, ground)
}

fn evaluated(desk: &Desk, steps: &[StepRecipe], ground: Ground) -> Result<Matte, Finding> {
    let program = program(desk, steps, ground)?;
    let extent = program.extent(ground.space);
    let matte = program
        .coverage(ground.space, extent, desk.account)
        .map_err(|fault| out_of_memory(&fault))?;
    trimmed(matte, desk.account)
}

fn program(desk: &Desk, steps: &[StepRecipe], ground: Ground) -> Result<Program, Finding> {
    let layers = |recipes: &[LayerRecipe]| -> Result<Vec<Layer>, Finding> {
        recipes
            .iter()
            .map(|recipe| {
                Ok(Layer {
                    source: source(desk, &recipe.source, ground)?,
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

fn source(desk: &Desk, recipe: &SourceRecipe, ground: Ground) -> Result<Source, Finding> {
    Ok(match recipe {
        SourceRecipe::Drawn(kind) => drawn(kind),
        SourceRecipe::Painted { mask, channel, at } => {
            let painted = desk.plan.footage.painted(*mask);
            let matte = painted_matte(&painted.frame, &painted.path, *channel, desk.account)?;
            Source::Given(Arc::new(matte.moved(at[0], at[1])))
        }
        SourceRecipe::Luminance { low, high } => {
            let frame = ground.frame.expect("only element masks have luminance");
            let weights = desk.plan.space.luminance();
            Source::Given(Arc::new(luminance(frame, weights, *low, *high)?))
        }
        SourceRecipe::Named(id) => {
            Source::Given(Arc::new(of_canvas_mask(desk, *id, ground.space)?))
        }
        SourceRecipe::Piece(id) => Source::Given(desk.piece(*id).own.clone()),
        SourceRecipe::Rig(id) => Source::Given(desk.piece(*id).rig.clone()),
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
pub(crate) fn painted_matte(
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

/// clamp((Y - low) / (high - low)) of the frame's own balanced colour, all over the frame.
fn luminance(frame: &FrameSight, weights: [f64; 3], low: f64, high: f64) -> Result<Matte, Finding> {
    let whole = frame.rect();
    let mut matte = Matte::filled(whole, 0.0, &frame.account).map_err(|f| out_of_memory(&f))?;
    for band in whole.bands(ROWS) {
        let picture = decoded(frame.shot, band, &frame.account)?;
        for y in band.y0..band.y1 {
            for (out, pixel) in matte.row_mut(y).iter_mut().zip(picture.row(y)) {
                let [r, g, b, a] = pixel.0;
                let [r, g, b] = balanced([r, g, b], frame.gains).map(f64::from);
                let light = weights[0] * r + weights[1] * g + weights[2] * b;
                let straight = if a > 0.0 { light / f64::from(a) } else { 0.0 };
                *out = ((straight - low) / (high - low)).clamp(0.0, 1.0) as f32;
            }
        }
    }
    Ok(matte)
}

/// The part of a matte that is not zero.
pub(super) fn trimmed(matte: Matte, account: &Account) -> Result<Matte, Finding> {
    let filled = matte.bounds(|&c| c != 0.0);
    if filled == matte.rect() {
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
