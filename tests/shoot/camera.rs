//! A camera with a lens that has a width: what is not in focus is blurred by tracing, not by filtering.

use crate::sampling::{Sampler, disc, normal};
use crate::trace::Ray;
use crate::vector::{V3, v};

#[derive(Clone, Debug)]
pub struct Camera {
    eye: V3,
    right: V3,
    up: V3,
    ahead: V3,
    /// Half the picture's height at distance 1.
    half: f32,
    /// Distance in focus, along the axis, mm.
    focus: f32,
    /// Radius of the opening, mm.
    opening: f32,
    pub width: u32,
    pub height: u32,
    /// Pixels the picture moved since the first frame.
    pub bump: (f32, f32),
}

impl Camera {
    /// The tabletop view, 4:5, `height` pixels high.
    pub fn tabletop(height: u32) -> Camera {
        let (eye, target) = (v(0.0, 205.0, 690.0), v(0.0, 88.0, 0.0));
        let ahead = (target - eye).unit();
        let right = ahead.cross(v(0.0, 1.0, 0.0)).unit();
        let focus = (v(0.0, 40.0, 26.0) - eye).dot(ahead);
        let width = ((height as f64 * 0.8) + 0.5) as u32;
        Camera {
            eye,
            right,
            up: right.cross(ahead),
            ahead,
            half: 0.168,
            focus,
            opening: 5.5,
            width,
            height,
            bump: (0.0, 0.0),
        }
    }

    /// A ray through the lens for a place on the picture, in pixels from its top left.
    pub fn ray(&self, x: f32, y: f32, lens: (f32, f32)) -> Ray {
        let scale = 2.0 * self.half / self.height as f32;
        let (x, y) = (x - self.bump.0, y - self.bump.1);
        let (a, b) = (
            (x - self.width as f32 * 0.5) * scale,
            (self.height as f32 * 0.5 - y) * scale,
        );
        let sharp = self.eye + (self.ahead + self.right * a + self.up * b) * self.focus;
        let (lx, ly) = disc(lens);
        let from = self.eye + (self.right * lx + self.up * ly) * self.opening;
        Ray {
            from,
            d: (sharp - from).unit(),
            absorb: V3::ZERO,
        }
    }

    /// One sample of a pixel: a place under a Gaussian as wide as a good lens on a real sensor, and one on the lens.
    pub fn sample(&self, x: u32, y: u32, sampler: &mut Sampler) -> Ray {
        let (a, b) = sampler.pair();
        let word = |u: f32| (u * 16_777_216.0) as u32 * 256;
        let radius = 0.42;
        let (gx, gy) = (
            normal(word(a), word(b)),
            normal(word(a), word(b).wrapping_add(0xc000_0000)),
        );
        let lens = sampler.pair();
        self.ray(
            x as f32 + 0.5 + radius * gx,
            y as f32 + 0.5 + radius * gy,
            lens,
        )
    }
}
