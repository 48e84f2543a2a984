//! Half-open rectangles of whole pixels.

/// The pixels with `x0 <= x < x1` and `y0 <= y < y1`. Empty when a side is not positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Rect {
    pub x0: i32,
    pub y0: i32,
    pub x1: i32,
    pub y1: i32,
}

impl Rect {
    pub const EMPTY: Rect = Rect {
        x0: 0,
        y0: 0,
        x1: 0,
        y1: 0,
    };

    /// A rectangle from its top-left pixel and its size. Sides that would leave `i32` are cut there.
    pub fn new(x: i32, y: i32, width: u32, height: u32) -> Rect {
        Rect {
            x0: x,
            y0: y,
            x1: x.saturating_add_unsigned(width),
            y1: y.saturating_add_unsigned(height),
        }
    }

    /// A rectangle of this size at the origin.
    pub fn of_size(width: u32, height: u32) -> Rect {
        Rect::new(0, 0, width, height)
    }

    pub fn width(&self) -> u32 {
        u32::try_from(i64::from(self.x1) - i64::from(self.x0)).unwrap_or(0)
    }

    pub fn height(&self) -> u32 {
        u32::try_from(i64::from(self.y1) - i64::from(self.y0)).unwrap_or(0)
    }

    pub fn is_empty(&self) -> bool {
        self.x1 <= self.x0 || self.y1 <= self.y0
    }

    /// Number of pixels.
    pub fn area(&self) -> u64 {
        if self.is_empty() {
            0
        } else {
            u64::from(self.width()) * u64::from(self.height())
        }
    }

    /// The pixels in both; [`Rect::EMPTY`] when there are none.
    pub fn intersected(&self, other: &Rect) -> Rect {
        let both = Rect {
            x0: self.x0.max(other.x0),
            y0: self.y0.max(other.y0),
            x1: self.x1.min(other.x1),
            y1: self.y1.min(other.y1),
        };
        if both.is_empty() { Rect::EMPTY } else { both }
    }

    /// The smallest rectangle around both; an empty one adds nothing.
    pub fn united(&self, other: &Rect) -> Rect {
        if self.is_empty() {
            return *other;
        }
        if other.is_empty() {
            return *self;
        }
        Rect {
            x0: self.x0.min(other.x0),
            y0: self.y0.min(other.y0),
            x1: self.x1.max(other.x1),
            y1: self.y1.max(other.y1),
        }
    }

    /// `margin` pixels more on every side. An empty rectangle stays empty.
    pub fn grown(&self, margin: u32) -> Rect {
        if self.is_empty() {
            return *self;
        }
        Rect {
            x0: self.x0.saturating_sub_unsigned(margin),
            y0: self.y0.saturating_sub_unsigned(margin),
            x1: self.x1.saturating_add_unsigned(margin),
            y1: self.y1.saturating_add_unsigned(margin),
        }
    }

    pub fn translated(&self, dx: i32, dy: i32) -> Rect {
        Rect {
            x0: self.x0.saturating_add(dx),
            y0: self.y0.saturating_add(dy),
            x1: self.x1.saturating_add(dx),
            y1: self.y1.saturating_add(dy),
        }
    }

    pub fn contains(&self, x: i32, y: i32) -> bool {
        self.x0 <= x && x < self.x1 && self.y0 <= y && y < self.y1
    }

    /// Whether every pixel of `other` lies in `self`. An empty rectangle lies in all.
    pub fn covers(&self, other: &Rect) -> bool {
        other.is_empty()
            || (self.x0 <= other.x0
                && self.y0 <= other.y0
                && other.x1 <= self.x1
                && other.y1 <= self.y1)
    }

    /// The smallest rectangle of whole pixels around real bounds, cut to `i32` (NaN counts as 0).
    pub fn around(x0: f64, y0: f64, x1: f64, y1: f64) -> Rect {
        Rect {
            x0: x0.floor() as i32,
            y0: y0.floor() as i32,
            x1: x1.ceil() as i32,
            y1: y1.ceil() as i32,
        }
    }

    /// Bands of at most `rows` rows, top to bottom.
    pub fn bands(&self, rows: u32) -> impl Iterator<Item = Rect> + use<> {
        let whole = *self;
        let count = whole.height().div_ceil(rows.max(1));
        (0..count).map(move |k| {
            let y0 = whole.y0 + (k * rows) as i32;
            Rect {
                y0,
                y1: y0.saturating_add_unsigned(rows).min(whole.y1),
                ..whole
            }
        })
    }

    /// Tiles of at most `width` x `height`, row by row, left to right.
    pub fn tiles(&self, width: u32, height: u32) -> Vec<Rect> {
        let mut tiles = Vec::new();
        for band in self.bands(height) {
            let mut x0 = band.x0;
            while x0 < band.x1 {
                let x1 = x0.saturating_add_unsigned(width.max(1)).min(band.x1);
                tiles.push(Rect { x0, x1, ..band });
                x0 = x1;
            }
        }
        tiles
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sides_at_the_end_of_i32_do_not_wrap() {
        let far = Rect::new(i32::MAX - 1, 0, 100, 1);
        assert_eq!(far.x1, i32::MAX);
        assert_eq!(far.width(), 1);
        let whole = Rect {
            x0: i32::MIN,
            y0: 0,
            x1: i32::MAX,
            y1: 1,
        };
        assert_eq!(whole.width(), u32::MAX);
    }

    #[test]
    fn tiles_cover_once() {
        let rect = Rect::new(-3, 5, 70, 33);
        let tiles = rect.tiles(32, 16);
        assert_eq!(tiles.iter().map(Rect::area).sum::<u64>(), rect.area());
        assert_eq!(tiles.len(), 9);
        assert_eq!(
            tiles[8],
            Rect {
                x0: 61,
                y0: 37,
                x1: 67,
                y1: 38
            }
        );
    }
}
