//! Orientation numbers 1 to 8 (TIFF 6.0 tag 274, Exif) as maps of whole pixels.

use crate::geom::PixelMap;

/// Whether rows become columns.
pub fn swaps_sides(orientation: u8) -> bool {
    orientation >= 5
}

/// Where a stored pixel is seen. `width` and `height` are the stored sides.
pub fn seen(orientation: u8, width: u32, height: u32) -> PixelMap {
    let (right, bottom) = (width as i32 - 1, height as i32 - 1);
    // "0th row is the visual ..., 0th column the visual ...", TIFF 6.0 page 36.
    let (linear, shift) = match orientation {
        2 => ([[-1, 0], [0, 1]], [right, 0]),
        3 => ([[-1, 0], [0, -1]], [right, bottom]),
        4 => ([[1, 0], [0, -1]], [0, bottom]),
        5 => ([[0, 1], [1, 0]], [0, 0]),
        6 => ([[0, -1], [1, 0]], [bottom, 0]),
        7 => ([[0, -1], [-1, 0]], [bottom, right]),
        8 => ([[0, 1], [-1, 0]], [0, right]),
        _ => ([[1, 0], [0, 1]], [0, 0]),
    };
    PixelMap { linear, shift }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The corner rules of TIFF 6.0, tag 274: where the first row and the first column are seen.
    #[test]
    fn first_row_and_column_are_where_the_standard_says() {
        let (w, h) = (5, 3);
        // orientation, seen place of stored (0, 0), seen place of stored (w - 1, 0)
        let rules = [
            (1, (0, 0), (4, 0)), // row top, column left
            (2, (4, 0), (0, 0)), // top, right
            (3, (4, 2), (0, 2)), // bottom, right
            (4, (0, 2), (4, 2)), // bottom, left
            (5, (0, 0), (0, 4)), // row left, column top
            (6, (2, 0), (2, 4)), // right, top
            (7, (2, 4), (2, 0)), // right, bottom
            (8, (0, 4), (0, 0)), // left, bottom
        ];
        for (orientation, first, last) in rules {
            let map = seen(orientation, w, h);
            assert_eq!(map.apply(0, 0), first, "orientation {orientation}");
            assert_eq!(map.apply(4, 0), last, "orientation {orientation}");
        }
    }
}
