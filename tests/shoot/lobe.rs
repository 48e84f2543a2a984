//! A rough mirror: the distribution of its facets (Trowbridge and Reitz, "GGX") and what it makes of light.

use crate::sampling::facet;
use crate::vector::V3;

/// A rough mirror seen from one direction.
#[derive(Clone, Copy, Debug)]
pub struct Lobe {
    normal: V3,
    /// Toward the eye.
    out: V3,
    roughness: f32,
    /// Reflectance head on.
    tint: V3,
}

impl Lobe {
    pub fn new(normal: V3, out: V3, roughness: f32, tint: V3) -> Lobe {
        Lobe {
            normal,
            out,
            roughness,
            tint,
        }
    }

    /// A direction light may come from, as often as the lobe is seen there.
    pub fn draw(&self, pair: (f32, f32)) -> V3 {
        (-self.out).mirrored(facet(self.normal, self.out, self.roughness, pair))
    }

    /// Reflectance for light from `d`, by Schlick's approximation.
    pub fn share(&self, d: V3) -> V3 {
        let half = (self.out + d).unit();
        self.tint + (V3::ONE - self.tint) * schlick(self.out.dot(half))
    }

    /// How often `draw` gives `d`, per unit of solid angle.
    pub fn density(&self, d: V3) -> f32 {
        let square = self.roughness * self.roughness * self.roughness * self.roughness;
        let cos = self.normal.dot((self.out + d).unit());
        let k = cos * cos * (square - 1.0) + 1.0;
        let facets = square / (std::f32::consts::PI * k * k);
        let seen = self.normal.dot(self.out).max(1e-3);
        self.unshadowed(seen) * facets / (4.0 * seen)
    }

    /// What `draw` leaves out: facets hidden from the light.
    pub fn lit(&self, d: V3) -> f32 {
        self.unshadowed(self.normal.dot(d).max(0.0))
    }

    fn unshadowed(&self, cos: f32) -> f32 {
        let square = self.roughness * self.roughness * self.roughness * self.roughness;
        2.0 * cos / (cos + (square + (1.0 - square) * cos * cos).sqrt()).max(1e-6)
    }
}

/// The fifth power of Schlick's approximation.
pub fn schlick(cos: f32) -> f32 {
    let m = (1.0 - cos).clamp(0.0, 1.0);
    m * m * m * m * m
}
