//! Three numbers that are a point, a direction or a linear colour, and the few operations a renderer needs.
//! Lengths are millimetres; x grows right, y up, z toward the camera.

use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

/// A point in mm, a direction, or linear red, green and blue.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct V3 {
    pub x: f32,
    pub y: f32,
    pub z: f32,
}

/// Short for [`V3::new`], so that tables of points stay readable.
pub const fn v(x: f32, y: f32, z: f32) -> V3 {
    V3 { x, y, z }
}

impl V3 {
    pub const ZERO: V3 = v(0.0, 0.0, 0.0);
    pub const ONE: V3 = v(1.0, 1.0, 1.0);

    pub const fn splat(a: f32) -> V3 {
        v(a, a, a)
    }

    pub fn dot(self, o: V3) -> f32 {
        self.x * o.x + self.y * o.y + self.z * o.z
    }

    pub fn cross(self, o: V3) -> V3 {
        v(
            self.y * o.z - self.z * o.y,
            self.z * o.x - self.x * o.z,
            self.x * o.y - self.y * o.x,
        )
    }

    pub fn length(self) -> f32 {
        self.dot(self).sqrt()
    }

    /// The direction of this vector; a vector of no length points up.
    pub fn unit(self) -> V3 {
        let length = self.length();
        if length > 1e-20 {
            self / length
        } else {
            v(0.0, 1.0, 0.0)
        }
    }

    pub fn min(self, o: V3) -> V3 {
        v(self.x.min(o.x), self.y.min(o.y), self.z.min(o.z))
    }

    pub fn max(self, o: V3) -> V3 {
        v(self.x.max(o.x), self.y.max(o.y), self.z.max(o.z))
    }

    pub fn largest(self) -> f32 {
        self.x.max(self.y).max(self.z)
    }

    pub fn axis(self, axis: usize) -> f32 {
        [self.x, self.y, self.z][axis]
    }

    /// `self` at 0, `o` at 1.
    pub fn toward(self, o: V3, t: f32) -> V3 {
        self * (1.0 - t) + o * t
    }

    pub fn array(self) -> [f32; 3] {
        [self.x, self.y, self.z]
    }

    /// Mirror of a direction that leaves a surface, about the surface's normal.
    pub fn mirrored(self, normal: V3) -> V3 {
        self - normal * (2.0 * self.dot(normal))
    }

    /// Two directions square to this unit vector and to each other (Duff et al. 2017).
    pub fn basis(self) -> (V3, V3) {
        let sign = if self.z >= 0.0 { 1.0 } else { -1.0 };
        let a = -1.0 / (sign + self.z);
        let b = self.x * self.y * a;
        (
            v(1.0 + sign * self.x * self.x * a, sign * b, -sign * self.x),
            v(b, sign + self.y * self.y * a, -self.y),
        )
    }
}

impl From<[f32; 3]> for V3 {
    fn from(a: [f32; 3]) -> V3 {
        v(a[0], a[1], a[2])
    }
}

impl Add for V3 {
    type Output = V3;
    fn add(self, o: V3) -> V3 {
        v(self.x + o.x, self.y + o.y, self.z + o.z)
    }
}

impl AddAssign for V3 {
    fn add_assign(&mut self, o: V3) {
        *self = *self + o;
    }
}

impl Sub for V3 {
    type Output = V3;
    fn sub(self, o: V3) -> V3 {
        v(self.x - o.x, self.y - o.y, self.z - o.z)
    }
}

impl Mul for V3 {
    type Output = V3;
    fn mul(self, o: V3) -> V3 {
        v(self.x * o.x, self.y * o.y, self.z * o.z)
    }
}

impl Mul<f32> for V3 {
    type Output = V3;
    fn mul(self, k: f32) -> V3 {
        v(self.x * k, self.y * k, self.z * k)
    }
}

impl Div<f32> for V3 {
    type Output = V3;
    fn div(self, k: f32) -> V3 {
        self * (1.0 / k)
    }
}

impl Neg for V3 {
    type Output = V3;
    fn neg(self) -> V3 {
        v(-self.x, -self.y, -self.z)
    }
}

/// 0 below `low`, 1 above `high`, a smooth cubic between.
pub fn smooth(low: f32, high: f32, x: f32) -> f32 {
    let t = ((x - low) / (high - low)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// e to the power of each component.
pub fn exp(a: V3) -> V3 {
    v(libm::expf(a.x), libm::expf(a.y), libm::expf(a.z))
}
