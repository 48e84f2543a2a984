//! Rectangles, maps between pixel grids, and the pixel-centre rule.
//!
//! One unit, the pixel. The origin is the top-left corner of the top-left pixel; pixel (i, j) covers
//! [i, i+1) x [j, j+1) and its centre is (i + 0.5, j + 0.5). x grows right, y grows down, and a positive
//! turn is clockwise on screen. Nothing here knows a picture; sines come from the pinned `libm`.

mod map;
mod rect;

pub use map::{Map, PixelMap};
pub use rect::Rect;
