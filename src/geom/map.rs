//! Maps between two pixel grids: affine in daily use, perspective where a registration asks for it.

use super::Rect;

/// A plane projective map as a 3 x 3 matrix, row by row: (x, y, 1) goes to (X/W, Y/W). An affine map has the
/// last row (0, 0, 1). Points are pixel coordinates with the origin at a pixel's corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Map(pub [[f64; 3]; 3]);

impl Map {
    pub const IDENTITY: Map = Map([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    pub fn translation(dx: f64, dy: f64) -> Map {
        Map([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]])
    }

    pub fn scaling(sx: f64, sy: f64) -> Map {
        Map([[sx, 0.0, 0.0], [0.0, sy, 0.0], [0.0, 0.0, 1.0]])
    }

    /// A turn about the origin, clockwise on screen. Multiples of 90 degrees are exact.
    pub fn rotation(degrees: f64) -> Map {
        let (sin, cos) = sin_cos_degrees(degrees);
        Map([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    }

    /// SVG's `matrix(a b c d e f)`: x' = a x + c y + e, y' = b x + d y + f.
    pub fn affine([a, b, c, d, e, f]: [f64; 6]) -> Map {
        Map([[a, c, e], [b, d, f], [0.0, 0.0, 1.0]])
    }

    /// This map first, then `outer`.
    pub fn then(&self, outer: &Map) -> Map {
        let mut product = [[0.0; 3]; 3];
        for (r, row) in product.iter_mut().enumerate() {
            for (c, cell) in row.iter_mut().enumerate() {
                *cell = outer.0[r][0] * self.0[0][c]
                    + outer.0[r][1] * self.0[1][c]
                    + outer.0[r][2] * self.0[2][c];
            }
        }
        Map(product)
    }

    /// The map back, `None` where the matrix can't be inverted.
    pub fn inverted(&self) -> Option<Map> {
        let m = &self.0;
        let minor = |r0: usize, c0: usize, r1: usize, c1: usize| {
            m[r0][c0] * m[r1][c1] - m[r0][c1] * m[r1][c0]
        };
        let adjugate = [
            [minor(1, 1, 2, 2), -minor(0, 1, 2, 2), minor(0, 1, 1, 2)],
            [-minor(1, 0, 2, 2), minor(0, 0, 2, 2), -minor(0, 0, 1, 2)],
            [minor(1, 0, 2, 1), -minor(0, 0, 2, 1), minor(0, 0, 1, 1)],
        ];
        let det = m[0][0] * adjugate[0][0] + m[0][1] * adjugate[1][0] + m[0][2] * adjugate[2][0];
        if !det.is_finite() || det == 0.0 {
            return None;
        }
        let inverse = adjugate.map(|row| row.map(|cell| cell / det));
        inverse
            .iter()
            .flatten()
            .all(|v| v.is_finite())
            .then_some(Map(inverse))
    }

    pub fn is_affine(&self) -> bool {
        self.0[2] == [0.0, 0.0, 1.0]
    }

    pub fn apply(&self, x: f64, y: f64) -> (f64, f64) {
        let m = &self.0;
        let u = m[0][0] * x + m[0][1] * y + m[0][2];
        let v = m[1][0] * x + m[1][1] * y + m[1][2];
        if self.is_affine() {
            return (u, v);
        }
        let w = m[2][0] * x + m[2][1] * y + m[2][2];
        (u / w, v / w)
    }

    /// The derivative at a point, row k = d(result k)/d(x, y).
    pub fn derivative(&self, x: f64, y: f64) -> [[f64; 2]; 2] {
        let m = &self.0;
        if self.is_affine() {
            return [[m[0][0], m[0][1]], [m[1][0], m[1][1]]];
        }
        let w = m[2][0] * x + m[2][1] * y + m[2][2];
        let (u, v) = self.apply(x, y);
        [
            [(m[0][0] - u * m[2][0]) / w, (m[0][1] - u * m[2][1]) / w],
            [(m[1][0] - v * m[2][0]) / w, (m[1][1] - v * m[2][1]) / w],
        ]
    }

    /// Real bounds (x0, y0, x1, y1) of a rectangle's image: exact for affine maps, and for perspective ones that
    /// keep the rectangle in front of the horizon; behind it, everything.
    pub fn bounds(&self, rect: &Rect) -> (f64, f64, f64, f64) {
        let corners = [
            (rect.x0, rect.y0),
            (rect.x1, rect.y0),
            (rect.x0, rect.y1),
            (rect.x1, rect.y1),
        ]
        .map(|(x, y)| (f64::from(x), f64::from(y)));
        let m = &self.0;
        let w = corners.map(|(x, y)| m[2][0] * x + m[2][1] * y + m[2][2]);
        if !(w.iter().all(|&w| w > 0.0) || w.iter().all(|&w| w < 0.0)) {
            return (
                f64::NEG_INFINITY,
                f64::NEG_INFINITY,
                f64::INFINITY,
                f64::INFINITY,
            );
        }
        let (x, y) = self.apply(corners[0].0, corners[0].1);
        let mut bounds = (x, y, x, y);
        for corner in &corners[1..] {
            let (x, y) = self.apply(corner.0, corner.1);
            bounds.0 = bounds.0.min(x);
            bounds.1 = bounds.1.min(y);
            bounds.2 = bounds.2.max(x);
            bounds.3 = bounds.3.max(y);
        }
        bounds
    }

    /// The whole-pixel map this one is, within 1e-9 in the linear part and 1/1024 px in the shift (rule 8 of the
    /// language): such a placement copies samples and needs no kernel.
    pub fn as_pixel_map(&self) -> Option<PixelMap> {
        const LINEAR: f64 = 1e-9;
        const SHIFT: f64 = 1.0 / 1024.0;
        let m = &self.0;
        // A perspective part is no map of pixel grids at all, unless it is rounding dust.
        if m[2][0].abs() > 1e-13 || m[2][1].abs() > 1e-13 || (m[2][2] - 1.0).abs() > LINEAR {
            return None;
        }
        let linear = [m[0][0], m[0][1], m[1][0], m[1][1]];
        let whole = linear.map(|v| v.round());
        if linear
            .iter()
            .zip(whole)
            .any(|(v, r)| (v - r).abs() > LINEAR)
        {
            return None;
        }
        let signed_permutation = matches!(
            whole.map(|v| v as i32),
            [1 | -1, 0, 0, 1 | -1] | [0, 1 | -1, 1 | -1, 0]
        );
        if !signed_permutation {
            return None;
        }
        // Where pixel (0, 0)'s centre lands, as a pixel index: that must be whole.
        let x = whole[0] * 0.5 + whole[1] * 0.5 + m[0][2] - 0.5;
        let y = whole[2] * 0.5 + whole[3] * 0.5 + m[1][2] - 0.5;
        let (tx, ty) = (x.round(), y.round());
        let far = f64::from(1 << 28);
        if (x - tx).abs() > SHIFT || (y - ty).abs() > SHIFT || tx.abs() > far || ty.abs() > far {
            return None;
        }
        let [a, b, c, d] = whole.map(|v| v as i32);
        Some(PixelMap {
            linear: [[a, b], [c, d]],
            shift: [tx as i32, ty as i32],
        })
    }
}

/// A map of whole pixels: pixel (x, y) goes to pixel `linear . (x, y) + shift`. `linear` is one of the eight
/// flips and quarter turns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PixelMap {
    pub linear: [[i32; 2]; 2],
    pub shift: [i32; 2],
}

impl PixelMap {
    pub const IDENTITY: PixelMap = PixelMap {
        linear: [[1, 0], [0, 1]],
        shift: [0, 0],
    };

    pub fn apply(&self, x: i32, y: i32) -> (i32, i32) {
        (
            self.linear[0][0] * x + self.linear[0][1] * y + self.shift[0],
            self.linear[1][0] * x + self.linear[1][1] * y + self.shift[1],
        )
    }

    /// The map back.
    pub fn inverted(&self) -> PixelMap {
        // The inverse of a signed permutation is its transpose.
        let [[a, b], [c, d]] = self.linear;
        let [tx, ty] = self.shift;
        PixelMap {
            linear: [[a, c], [b, d]],
            shift: [-(a * tx + c * ty), -(b * tx + d * ty)],
        }
    }

    /// The pixels a rectangle's pixels land on.
    pub fn rect(&self, rect: &Rect) -> Rect {
        if rect.is_empty() {
            return Rect::EMPTY;
        }
        let (ax, ay) = self.apply(rect.x0, rect.y0);
        let (bx, by) = self.apply(rect.x1 - 1, rect.y1 - 1);
        Rect {
            x0: ax.min(bx),
            y0: ay.min(by),
            x1: ax.max(bx) + 1,
            y1: ay.max(by) + 1,
        }
    }
}

/// Sine and cosine of an angle in degrees; exact at multiples of 90, and the same on every machine.
pub fn sin_cos_degrees(degrees: f64) -> (f64, f64) {
    let turn = degrees % 360.0;
    let quarter = (turn / 90.0).round();
    let rest = turn - quarter * 90.0;
    let (sin, cos) = if rest == 0.0 {
        (0.0, 1.0)
    } else {
        let radians = rest * (std::f64::consts::PI / 180.0);
        (libm::sin(radians), libm::cos(radians))
    };
    match (quarter as i32).rem_euclid(4) {
        0 => (sin, cos),
        1 => (cos, -sin),
        2 => (-sin, -cos),
        _ => (-cos, sin),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_positive_turn_is_clockwise_on_screen() {
        let (x, y) = Map::rotation(90.0).apply(1.0, 0.0);
        assert_eq!((x, y), (0.0, 1.0));
    }

    #[test]
    fn quarter_turns_are_exact() {
        for k in -8..8 {
            let (s, c) = sin_cos_degrees(f64::from(k) * 90.0);
            assert_eq!(s.abs() + c.abs(), 1.0);
        }
        let (s, c) = sin_cos_degrees(30.0);
        assert!((s - 0.5).abs() < 1e-15 && (c * c - 0.75).abs() < 1e-15);
    }

    #[test]
    fn turning_there_and_back_copies_samples() {
        let about = |deg: f64, x: f64, y: f64| {
            Map::translation(-x, -y)
                .then(&Map::rotation(deg))
                .then(&Map::translation(x, y))
        };
        let map = about(30.0, 811.3, 402.7).then(&about(-30.0, 811.3, 402.7));
        assert_eq!(map.as_pixel_map(), Some(PixelMap::IDENTITY));
    }

    #[test]
    fn pixel_maps_know_their_inverse() {
        let map = Map::rotation(90.0)
            .then(&Map::scaling(-1.0, 1.0))
            .then(&Map::translation(17.0, -4.0));
        let pixels = map.as_pixel_map().unwrap();
        let back = pixels.inverted();
        for (x, y) in [(0, 0), (5, 9), (-3, 2)] {
            let (u, v) = pixels.apply(x, y);
            assert_eq!(back.apply(u, v), (x, y));
            let (fu, fv) = map.apply(f64::from(x) + 0.5, f64::from(y) + 0.5);
            assert_eq!((fu, fv), (f64::from(u) + 0.5, f64::from(v) + 0.5));
        }
        assert_eq!(
            back.rect(&pixels.rect(&Rect::new(2, 3, 4, 5))),
            Rect::new(2, 3, 4, 5)
        );
    }

    #[test]
    fn half_a_pixel_is_no_copy() {
        assert_eq!(Map::translation(0.5, 0.0).as_pixel_map(), None);
        assert_eq!(Map::translation(1.0 / 512.0, 0.0).as_pixel_map(), None);
        assert!(Map::translation(1.0 / 2048.0, 3.0).as_pixel_map().is_some());
        assert_eq!(Map::scaling(1.0 + 1e-8, 1.0).as_pixel_map(), None);
    }
}
