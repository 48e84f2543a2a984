//! What lies below every member: backdrop, base plate, and the plate continued beyond its edge.

use super::scope::Scope;
use super::shadow;
use super::tile::Stored;
use crate::budget::Account;
use crate::diag::Finding;
use crate::frame::{Alpha, Samples};
use crate::geom::Rect;
use crate::plan::{ExtendWith, Shot};
use crate::raster::{Light, Picture, Premul, Raster};
use crate::settle::{out_of_memory, unreadable};

/// The plate pixel shown at canvas coordinate `v`, for a plate of `side` pixels. SVG's `reflect` mirrors at the
/// edge line, so the edge pixel stands twice; `pad` repeats it.
fn folded(v: i32, side: i32, extend: ExtendWith) -> i32 {
    match extend {
        ExtendWith::Reflect => {
            let period = 2 * i64::from(side);
            let at = i64::from(v).rem_euclid(period);
            (if at < i64::from(side) {
                at
            } else {
                period - 1 - at
            }) as i32
        }
        _ => v.clamp(0, side - 1),
    }
}

/// How the plate goes on beyond its edge, where it is the plate's own pixels that do.
fn continued(scope: &Scope) -> Option<ExtendWith> {
    scope
        .stack
        .ground
        .extend
        .filter(|e| !matches!(e, ExtendWith::Colour(_)))
}

/// Plate pixels that a canvas rectangle shows.
pub(super) fn needs(scope: &Scope, out: Rect) -> Rect {
    let Some(id) = scope.stack.ground.plate else {
        return Rect::EMPTY;
    };
    let plate = scope.plan.footage.shot(id).rect();
    let Some(extend) = continued(scope) else {
        return plate.intersected(&out);
    };
    if plate.covers(&out) {
        return out;
    }
    let range = |from: i32, to: i32, side: i32| {
        (from..to)
            .map(|v| folded(v, side, extend))
            .fold((i32::MAX, i32::MIN), |(low, high), v| {
                (low.min(v), high.max(v + 1))
            })
    };
    let (x0, x1) = range(out.x0, out.x1, plate.x1);
    let (y0, y1) = range(out.y0, out.y1, plate.y1);
    Rect { x0, y0, x1, y1 }
}

/// The ground under a canvas rectangle, and the plate's own codes where they may be copied.
pub(super) fn drawn(
    scope: &Scope,
    plate: Option<&Samples>,
    out: Rect,
    mut stored: Option<&mut Raster<Stored>>,
    account: &Account,
) -> Result<Picture, Finding> {
    let ground = &scope.stack.ground;
    let below = match ground.backdrop {
        Some([r, g, b]) => Premul([r, g, b, 1.0]),
        None => Premul::CLEAR,
    };
    let mut picture = Picture::filled(out, below, account).map_err(|f| out_of_memory(&f))?;
    let (Some(id), Some(samples)) = (ground.plate, plate) else {
        fill_beyond(scope, Rect::EMPTY, &mut picture);
        return Ok(picture);
    };
    let shot = scope.plan.footage.shot(id);
    let rect = shot.rect();
    fill_beyond(scope, rect, &mut picture);
    let needed = needs(scope, out);
    if needed.is_empty() {
        return Ok(picture);
    }
    let source = samples
        .picture(needed, shot.frame.header(), &shot.decoding, account)
        .map_err(|fault| unreadable(&shot.path, &fault))?;
    let ratios = shadowed(scope, out, account)?;
    let inside = rect.intersected(&out);
    if !inside.is_empty() {
        let mut dark = Vec::new();
        for y in inside.y0..inside.y1 {
            let mut from = source.span(y, inside.x0, inside.x1);
            if let Some(ratios) = &ratios {
                let row = from.iter().zip(ratios.span(y, inside.x0, inside.x1));
                dark.clear();
                dark.extend(row.map(|(pixel, ratio)| under(*pixel, *ratio)));
                from = &dark;
            }
            laid_over(picture.span_mut(y, inside.x0, inside.x1), from);
        }
        if let Some(stored) = &mut stored {
            store(
                shot,
                id.0,
                samples,
                inside,
                ground.backdrop.is_some(),
                &source,
                stored,
            );
            if let Some(ratios) = &ratios {
                computed(ratios, inside, stored);
            }
        }
    }
    if let Some(extend) = continued(scope)
        && inside != out
    {
        for y in out.y0..out.y1 {
            let from = folded(y, rect.y1, extend);
            for x in out.x0..out.x1 {
                if !rect.contains(x, y) {
                    let mut pixel = source.at(folded(x, rect.x1, extend), from);
                    if let Some(ratios) = &ratios {
                        pixel = under(pixel, ratios.at(x, y));
                    }
                    laid_over(picture.span_mut(y, x, x + 1), &[pixel]);
                }
            }
        }
    }
    Ok(picture)
}

/// What the shadows leave of the plate's light, as ratios; `None` where none acts.
fn shadowed(scope: &Scope, out: Rect, account: &Account) -> Result<Option<Light>, Finding> {
    if !shadow::any(&scope.shadows, &out) {
        return Ok(None);
    }
    let mut ratios = Light::filled(out, [1.0; 3], account).map_err(|f| out_of_memory(&f))?;
    shadow::cast(&scope.shadows, &mut ratios);
    Ok(Some(ratios))
}

fn under(pixel: Premul, ratio: [f32; 3]) -> Premul {
    let [r, g, b, alpha] = pixel.0;
    Premul([r * ratio[0], g * ratio[1], b * ratio[2], alpha])
}

/// Where a shadow acts the plate's own codes are no copy any more.
fn computed(ratios: &Light, inside: Rect, stored: &mut Raster<Stored>) {
    for y in inside.y0..inside.y1 {
        let marks = stored.span_mut(y, inside.x0, inside.x1);
        for (mark, ratio) in marks.iter_mut().zip(ratios.span(y, inside.x0, inside.x1)) {
            if *ratio != [1.0; 3] {
                *mark = Stored::COMPUTED;
            }
        }
    }
}

/// Plain over of the plate on the backdrop.
fn laid_over(below: &mut [Premul], above: &[Premul]) {
    crate::blend::composite(
        below,
        above,
        1.0,
        crate::blend::Mode::Normal,
        crate::blend::Mixing::Linear,
    );
}

/// `extend "#rrggbb"`: everything outside the plate.
fn fill_beyond(scope: &Scope, plate: Rect, picture: &mut Picture) {
    let Some(ExtendWith::Colour([r, g, b])) = scope.stack.ground.extend else {
        return;
    };
    let out = picture.rect();
    if plate.covers(&out) {
        return;
    }
    for y in out.y0..out.y1 {
        for (x, pixel) in (out.x0..).zip(picture.row_mut(y)) {
            if !plate.contains(x, y) {
                *pixel = Premul([r, g, b, 1.0]);
            }
        }
    }
}

/// Remembers the plate's codes. A see-through plate's codes stand only where nothing shows below it, and only
/// straight ones: an associated plate goes out unassociated, which is computed.
fn store(
    shot: &Shot,
    index: usize,
    samples: &Samples,
    inside: Rect,
    over_backdrop: bool,
    source: &Picture,
    stored: &mut Raster<Stored>,
) {
    let alpha = shot.frame.header().alpha;
    for y in inside.y0..inside.y1 {
        let pixels = source.span(y, inside.x0, inside.x1);
        let marks = stored.span_mut(y, inside.x0, inside.x1);
        for ((x, mark), pixel) in (inside.x0..).zip(marks).zip(pixels) {
            let own = match alpha {
                Alpha::None => true,
                Alpha::Unassociated => pixel.alpha() == 1.0 || !over_backdrop,
                Alpha::Associated => pixel.alpha() == 1.0,
            };
            if own {
                *mark = Stored::of(shot, index, samples, x, y);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SVG 2 `spreadMethod`: reflect mirrors at the edge, pad repeats the terminal value.
    #[test]
    fn a_plate_goes_on_beyond_its_edge() {
        let reflect: Vec<i32> = (-4..8).map(|v| folded(v, 3, ExtendWith::Reflect)).collect();
        assert_eq!(reflect, [2, 2, 1, 0, 0, 1, 2, 2, 1, 0, 0, 1]);
        let pad: Vec<i32> = (-2..5).map(|v| folded(v, 3, ExtendWith::Pad)).collect();
        assert_eq!(pad, [0, 0, 0, 1, 2, 2, 2]);
    }
}
