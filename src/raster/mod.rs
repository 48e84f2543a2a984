//! Owned buffers of pixels that know where they lie, and the pixel types that say what a number means.
//!
//! Straight and premultiplied colour never meet by accident: [`Premul`] is linear-light, premultiplied RGBA in the
//! working space; coverage is a plain `f32` in a [`Matte`]. Every raster is charged to the memory account.

use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;

/// Linear-light RGBA in the working space, colour multiplied by alpha. Colour may be negative or above 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[repr(transparent)]
pub struct Premul(pub [f32; 4]);

impl Premul {
    pub const CLEAR: Premul = Premul([0.0; 4]);

    pub fn alpha(self) -> f32 {
        self.0[3]
    }
}

/// Pixels of a rectangle, row by row.
#[derive(Debug)]
pub struct Raster<P> {
    rect: Rect,
    data: Vec<P>,
    _charge: Charge,
}

/// A picture in linear premultiplied light.
pub type Picture = Raster<Premul>;

/// Coverage 0..1.
pub type Matte = Raster<f32>;

/// Linear-light RGB in the working space, without alpha.
pub type Light = Raster<[f32; 3]>;

/// A picture whose light can be asked for by rectangle, so that none need be whole in memory.
pub trait Seen: Sync {
    type Fault: From<OverBudget> + Send;

    fn rect(&self) -> Rect;

    /// Light of `rect`, which lies inside.
    fn light(&self, rect: Rect) -> Result<Light, Self::Fault>;
}

impl<P: Copy> Raster<P> {
    /// A raster filled with one value.
    pub fn filled(rect: Rect, value: P, account: &Account) -> Result<Raster<P>, OverBudget> {
        let count = rect.area();
        let bytes = count.saturating_mul(size_of::<P>() as u64);
        let charge = account.charge(bytes, "pixels")?;
        Ok(Raster {
            rect,
            data: vec![value; count as usize],
            _charge: charge,
        })
    }

    pub fn rect(&self) -> Rect {
        self.rect
    }

    pub fn width(&self) -> usize {
        if self.rect.is_empty() {
            0
        } else {
            self.rect.width() as usize
        }
    }

    pub fn data(&self) -> &[P] {
        &self.data
    }

    pub fn data_mut(&mut self) -> &mut [P] {
        &mut self.data
    }

    /// Where pixel (x, y) is stored. The pixel must lie inside.
    fn index(&self, x: i32, y: i32) -> usize {
        debug_assert!(self.rect.contains(x, y));
        (i64::from(y) - i64::from(self.rect.y0)) as usize * self.width()
            + (i64::from(x) - i64::from(self.rect.x0)) as usize
    }

    /// The pixel at (x, y), in the raster's own space; must lie inside.
    pub fn at(&self, x: i32, y: i32) -> P {
        self.data[self.index(x, y)]
    }

    pub fn put(&mut self, x: i32, y: i32, value: P) {
        let index = self.index(x, y);
        self.data[index] = value;
    }

    /// Row `y`, all of it; `y` is in the raster's own space.
    pub fn row(&self, y: i32) -> &[P] {
        let start = self.index(self.rect.x0, y);
        &self.data[start..start + self.width()]
    }

    pub fn row_mut(&mut self, y: i32) -> &mut [P] {
        let start = self.index(self.rect.x0, y);
        let width = self.width();
        &mut self.data[start..start + width]
    }

    /// The part of row `y` from `x0` to `x1`.
    pub fn span(&self, y: i32, x0: i32, x1: i32) -> &[P] {
        let start = self.index(x0, y);
        &self.data[start..start + (x1 - x0) as usize]
    }

    pub fn span_mut(&mut self, y: i32, x0: i32, x1: i32) -> &mut [P] {
        let start = self.index(x0, y);
        &mut self.data[start..start + (x1 - x0) as usize]
    }

    /// The box of pixels that are `wanted`; [`Rect::EMPTY`] where none is.
    pub fn bounds(&self, wanted: impl Fn(&P) -> bool) -> Rect {
        self.bounds_in(self.rect, wanted)
    }

    /// [`Raster::bounds`] within `part`, which must lie in the raster.
    pub fn bounds_in(&self, part: Rect, wanted: impl Fn(&P) -> bool) -> Rect {
        let mut found = Rect::EMPTY;
        if part.is_empty() {
            return found;
        }
        for y in part.y0..part.y1 {
            let row = self.span(y, part.x0, part.x1);
            let (first, last) = (row.iter().position(&wanted), row.iter().rposition(&wanted));
            if let (Some(first), Some(last)) = (first, last) {
                found = found.united(&Rect {
                    x0: part.x0 + first as i32,
                    y0: y,
                    x1: part.x0 + last as i32 + 1,
                    y1: y + 1,
                });
            }
        }
        found
    }

    /// The same pixels under another place: pixel (x, y) becomes (x + dx, y + dy).
    pub fn moved(mut self, dx: i32, dy: i32) -> Raster<P> {
        self.rect = self.rect.translated(dx, dy);
        self
    }

    /// The part inside `rect`, which must lie in the raster, in the whole's own memory: what is left over is given back.
    pub fn narrowed(mut self, rect: Rect, account: &Account) -> Result<Raster<P>, OverBudget> {
        assert!(self.rect.covers(&rect), "a part outside the raster");
        if rect == self.rect {
            return Ok(self);
        }
        let mut to = 0;
        let across = if rect.is_empty() {
            0
        } else {
            rect.width() as usize
        };
        for y in rect.y0..rect.y1 {
            // Rows move towards the beginning, first ones first: none is written over before it has moved.
            let from = self.index(rect.x0, y);
            self.data.copy_within(from..from + across, to);
            to += across;
        }
        self.data.truncate(to);
        self.data.shrink_to_fit();
        self.rect = rect;
        self._charge = account.charge((to * size_of::<P>()) as u64, "pixels")?;
        Ok(self)
    }

    /// A copy of the part inside `rect`, which must lie in the raster.
    pub fn cropped(&self, rect: Rect, account: &Account) -> Result<Raster<P>, OverBudget> {
        assert!(self.rect.covers(&rect), "crop outside the raster");
        let bytes = rect.area().saturating_mul(size_of::<P>() as u64);
        let charge = account.charge(bytes, "pixels")?;
        let mut data = Vec::with_capacity(rect.area() as usize);
        for y in rect.y0..rect.y1 {
            data.extend_from_slice(self.span(y, rect.x0, rect.x1));
        }
        Ok(Raster {
            rect,
            data,
            _charge: charge,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pixels_are_found_in_the_rasters_own_space() {
        let account = Account::unlimited();
        let mut raster = Raster::filled(Rect::new(-2, 3, 4, 2), 0u8, &account).unwrap();
        raster.put(1, 4, 7);
        assert_eq!(raster.row(4), [0, 0, 0, 7]);
        assert_eq!(raster.span(4, 0, 2), [0, 7]);
        assert_eq!(raster.bounds(|&v| v == 7), Rect::new(1, 4, 1, 1));
        assert_eq!(raster.bounds(|&v| v == 0), raster.rect());
        assert_eq!(
            raster.bounds_in(Rect::new(-2, 3, 4, 1), |&v| v == 7),
            Rect::EMPTY
        );
        let part = raster.cropped(Rect::new(0, 4, 2, 1), &account).unwrap();
        assert_eq!(part.data(), [0, 7]);
        assert_eq!(account.used(), 10);
        assert_eq!(part.moved(5, 5).at(6, 9), 7);
        let mut counted = Raster::filled(Rect::new(0, 0, 4, 3), 0u8, &account).unwrap();
        for (n, value) in counted.data_mut().iter_mut().enumerate() {
            *value = n as u8;
        }
        let part = counted.narrowed(Rect::new(1, 1, 2, 2), &account).unwrap();
        assert_eq!(account.used(), 8 + 4);
        assert_eq!(part.data(), [5, 6, 9, 10]);
        assert_eq!(part.at(2, 2), 10);
    }
}
