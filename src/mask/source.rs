//! One source: where it can be, and its coverage there.

use super::fill::Edges;
use super::{FillRule, Source, outline, stroke};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Matte;

impl Source {
    /// The box outside which the coverage is [`Source::outside`].
    pub(super) fn reach(&self, space: Rect) -> Rect {
        let whole = match self {
            Source::All => Rect::EMPTY,
            Source::Rect {
                x,
                y,
                width,
                height,
            } => Rect::around(*x, *y, x + width, y + height),
            Source::Ellipse { cx, cy, rx, ry } => Rect::around(cx - rx, cy - ry, cx + rx, cy + ry),
            Source::Polygon { points, .. } => around(points.iter().copied(), 0.0),
            Source::Path { path, .. } => {
                let hull = path.elements().iter().flat_map(|element| {
                    use kurbo::PathEl::*;
                    let points = match *element {
                        MoveTo(p) | LineTo(p) => [Some(p), None, None],
                        QuadTo(p, q) => [Some(p), Some(q), None],
                        CurveTo(p, q, r) => [Some(p), Some(q), Some(r)],
                        ClosePath => [None; 3],
                    };
                    points.into_iter().flatten().map(|p| (p.x, p.y))
                });
                around(hull, 0.0)
            }
            Source::Line { points, width, .. } => around(points.iter().copied(), width / 2.0),
            Source::Given(matte) => matte.rect(),
        };
        whole.intersected(&space)
    }

    /// The coverage outside the box.
    pub(super) fn outside(&self) -> f32 {
        match self {
            Source::All => 1.0,
            _ => 0.0,
        }
    }

    /// Coverage of `rect`, a part of the box.
    pub(super) fn coverage(&self, rect: Rect, account: &Account) -> Result<Matte, OverBudget> {
        let mut edges = Edges::new(rect, account);
        let rule = match self {
            Source::All => return Matte::filled(rect, 1.0, account),
            Source::Given(matte) => return matte.cropped(rect, account),
            Source::Rect {
                x,
                y,
                width,
                height,
            } => return rectangle([*x, *y, x + width, y + height], rect, account),
            Source::Ellipse { cx, cy, rx, ry } => {
                outline::ellipse(&mut edges, (*cx, *cy), (*rx, *ry))?;
                FillRule::Nonzero
            }
            Source::Polygon { points, rule } => {
                outline::polygon(&mut edges, points)?;
                *rule
            }
            Source::Path { path, rule } => {
                outline::path(&mut edges, path)?;
                *rule
            }
            Source::Line { points, width, cap } => {
                stroke::line(&mut edges, points, *width, *cap)?;
                FillRule::Nonzero
            }
        };
        edges.filled(rule)
    }
}

/// The whole pixels around points, `margin` px further out.
fn around(points: impl Iterator<Item = (f64, f64)>, margin: f64) -> Rect {
    let mut bounds: Option<[f64; 4]> = None;
    for (x, y) in points {
        let [x0, y0, x1, y1] = bounds.unwrap_or([x, y, x, y]);
        bounds = Some([x0.min(x), y0.min(y), x1.max(x), y1.max(y)]);
    }
    bounds.map_or(Rect::EMPTY, |[x0, y0, x1, y1]| {
        Rect::around(x0 - margin, y0 - margin, x1 + margin, y1 + margin)
    })
}

/// The overlap of each pixel with an upright rectangle: the product of two lengths.
fn rectangle(
    [x0, y0, x1, y1]: [f64; 4],
    rect: Rect,
    account: &Account,
) -> Result<Matte, OverBudget> {
    let overlap = |from: f64, to: f64, pixel: i32| {
        let pixel = f64::from(pixel);
        (to.min(pixel + 1.0) - from.max(pixel)).clamp(0.0, 1.0)
    };
    let mut matte = Matte::filled(rect, 0.0, account)?;
    for y in rect.y0..rect.y1 {
        let tall = overlap(y0, y1, y);
        for (x, value) in (rect.x0..).zip(matte.row_mut(y)) {
            *value = (overlap(x0, x1, x) * tall) as f32;
        }
    }
    Ok(matte)
}
