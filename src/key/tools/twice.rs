//! Pictures at half and at twice their size: pixel (i, j) of the smaller covers pixels 2i..2i+2 x 2j..2j+2 of the larger.

use crate::geom::Rect;

/// The grid of half the size that covers a rectangle of pixels.
pub fn half(rect: Rect) -> Rect {
    if rect.is_empty() {
        return Rect::EMPTY;
    }
    Rect {
        x0: rect.x0.div_euclid(2),
        y0: rect.y0.div_euclid(2),
        x1: (rect.x1 + 1).div_euclid(2),
        y1: (rect.y1 + 1).div_euclid(2),
    }
}

/// The pixels that a rectangle of the smaller picture covers.
pub fn doubled(rect: Rect) -> Rect {
    Rect {
        x0: rect.x0.saturating_mul(2),
        y0: rect.y0.saturating_mul(2),
        x1: rect.x1.saturating_mul(2),
        y1: rect.y1.saturating_mul(2),
    }
}
