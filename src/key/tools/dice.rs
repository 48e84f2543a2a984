//! Noise for tests.

/// A generator that needs no crate: the high bits of a multiplicative sequence (constants from Knuth, MMIX).
pub struct Dice(pub u64);

impl Dice {
    /// About a normal variable: the sum of twelve even ones less six.
    pub fn normal(&mut self) -> f32 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (self.0 >> 40) as f32 / (1u64 << 24) as f32;
        }
        sum
    }
}
