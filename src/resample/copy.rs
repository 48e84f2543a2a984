//! Whole-pixel placements: samples are copied, flips and quarter turns included.

use super::sample::Sample;
use crate::budget::{Account, OverBudget};
use crate::geom::{PixelMap, Rect};
use crate::raster::{Matte, Picture, Raster};

/// Output pixel p is window pixel `canvas_to_frame(p)`, bit for bit; transparent where the window has none.
pub fn copied(
    window: &Picture,
    canvas_to_frame: &PixelMap,
    out: Rect,
    account: &Account,
) -> Result<Picture, OverBudget> {
    copy(window, canvas_to_frame, out, account)
}

/// [`copied`] for coverage: 0 where the window has none.
pub fn copied_matte(
    window: &Matte,
    canvas_to_frame: &PixelMap,
    out: Rect,
    account: &Account,
) -> Result<Matte, OverBudget> {
    copy(window, canvas_to_frame, out, account)
}

fn copy<P: Sample>(
    window: &Raster<P>,
    canvas_to_frame: &PixelMap,
    out: Rect,
    account: &Account,
) -> Result<Raster<P>, OverBudget> {
    let mut result = Raster::filled(out, P::ZERO, account)?;
    let landing = canvas_to_frame.inverted().rect(&window.rect());
    let part = landing.intersected(&out);
    if part.is_empty() {
        return Ok(result);
    }
    let straight = canvas_to_frame.linear == PixelMap::IDENTITY.linear;
    for y in part.y0..part.y1 {
        let target = result.span_mut(y, part.x0, part.x1);
        if straight {
            let (x0, y) = canvas_to_frame.apply(part.x0, y);
            target.copy_from_slice(window.span(y, x0, x0 + target.len() as i32));
        } else {
            for (x, pixel) in (part.x0..part.x1).zip(target) {
                let (x, y) = canvas_to_frame.apply(x, y);
                *pixel = window.at(x, y);
            }
        }
    }
    Ok(result)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2 x 3 pixels at (10, 20): 1 2 / 3 4 / 5 6.
    fn window(account: &Account) -> Matte {
        let mut matte = Raster::filled(Rect::new(10, 20, 2, 3), 0.0f32, account).unwrap();
        for (k, value) in matte.data_mut().iter_mut().enumerate() {
            *value = k as f32 + 1.0;
        }
        matte
    }

    #[test]
    fn shifts_flips_and_quarter_turns_copy() {
        let account = Account::unlimited();
        let window = window(&account);
        let copied = |linear, shift, out| {
            let map = PixelMap { linear, shift };
            copied_matte(&window, &map, out, &account)
                .unwrap()
                .data()
                .to_vec()
        };
        let shifted = copied([[1, 0], [0, 1]], [10, 20], Rect::new(-1, 0, 3, 2));
        assert_eq!(shifted, [0.0, 1.0, 2.0, 0.0, 3.0, 4.0]);
        let flipped = copied([[-1, 0], [0, 1]], [11, 20], Rect::new(0, 0, 2, 3));
        assert_eq!(flipped, [2.0, 1.0, 4.0, 3.0, 6.0, 5.0]);
        // A clockwise quarter turn on the canvas: its first row is the frame's first column from the bottom up.
        let turned = copied([[0, 1], [-1, 0]], [10, 22], Rect::new(0, 0, 3, 2));
        assert_eq!(turned, [5.0, 3.0, 1.0, 6.0, 4.0, 2.0]);
    }

    #[test]
    fn beside_the_window_there_is_nothing() {
        let account = Account::unlimited();
        let window = window(&account);
        let out = Rect::new(100, 100, 2, 1);
        let nothing = copied_matte(&window, &PixelMap::IDENTITY, out, &account).unwrap();
        assert_eq!(nothing.data(), [0.0, 0.0]);
    }
}
