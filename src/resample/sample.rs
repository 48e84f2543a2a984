//! What a kernel can sum: pictures and mattes go through one and the same code.

use crate::raster::Premul;

/// A value that can be weighed and summed.
pub(super) trait Sample: Copy + Send + Sync {
    const ZERO: Self;

    /// `self + weight * other`, two roundings a channel.
    fn plus(self, weight: f32, other: Self) -> Self;

    /// What a finished sum means: the rule after a resample.
    fn settled(self) -> Self;
}

impl Sample for Premul {
    const ZERO: Premul = Premul::CLEAR;

    #[inline]
    fn plus(self, weight: f32, other: Premul) -> Premul {
        let mut sum = self.0;
        for (total, value) in sum.iter_mut().zip(other.0) {
            *total += weight * value;
        }
        Premul(sum)
    }

    /// A kernel with negative lobes overshoots: alpha above 1 divides the whole pixel (clamping alpha alone would
    /// leave a bright rim), alpha of 0 or less is transparent black. Colour is not clamped.
    #[inline]
    fn settled(self) -> Premul {
        let alpha = self.0[3];
        if alpha <= 0.0 {
            Premul::CLEAR
        } else if alpha > 1.0 {
            Premul(self.0.map(|value| value / alpha))
        } else {
            self
        }
    }
}

/// Light without alpha may have any value.
impl Sample for [f32; 3] {
    const ZERO: [f32; 3] = [0.0; 3];

    #[inline]
    fn plus(self, weight: f32, other: [f32; 3]) -> [f32; 3] {
        let mut sum = self;
        for (total, value) in sum.iter_mut().zip(other) {
            *total += weight * value;
        }
        sum
    }

    #[inline]
    fn settled(self) -> [f32; 3] {
        self
    }
}

impl Sample for f32 {
    const ZERO: f32 = 0.0;

    #[inline]
    fn plus(self, weight: f32, other: f32) -> f32 {
        self + weight * other
    }

    #[inline]
    fn settled(self) -> f32 {
        if self > 0.0 { self.min(1.0) } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overshoot_divides_and_undershoot_clears() {
        let settled = Premul([2.5, -0.5, 1.25, 1.25]).settled();
        assert_eq!(settled, Premul([2.0, -0.4, 1.0, 1.0]));
        assert_eq!(Premul([0.3, 0.2, 0.1, -0.01]).settled(), Premul::CLEAR);
        assert_eq!(Premul([0.3, 0.2, 0.1, 0.0]).settled(), Premul::CLEAR);
        // Colour beyond the range of its alpha stays.
        let bright = Premul([3.0, -1.0, 0.0, 0.5]);
        assert_eq!(bright.settled(), bright);
        assert_eq!(
            (1.1f32.settled(), (-0.1f32).settled(), 0.25f32.settled()),
            (1.0, 0.0, 0.25)
        );
    }
}
