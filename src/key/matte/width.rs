//! How wide the edge is, chunk by chunk of the outline: where the difference to the backdrop stops growing inward.

/// Depths looked at, in pixels inside the outline.
pub const DEEPEST: usize = 44;
/// Saturated: a depth shows this share of the difference seen just behind it (amplitude).
const FULL: f32 = 0.9;
/// Without enough difference to measure, an edge is taken to be this deep.
pub const USUAL: f32 = 2.0;

/// Sums of the whitened squared difference by depth, of one chunk.
#[derive(Clone, Debug)]
pub struct Profile {
    sums: [f64; DEEPEST],
    counts: [f64; DEEPEST],
}

impl Profile {
    pub const EMPTY: Profile = Profile {
        sums: [0.0; DEEPEST],
        counts: [0.0; DEEPEST],
    };

    pub fn add(&mut self, depth: usize, energy: f32) {
        if depth < DEEPEST && energy.is_finite() {
            self.sums[depth] += f64::from(energy);
            self.counts[depth] += 1.0;
        }
    }

    pub fn join(&mut self, other: &Profile) {
        for d in 0..DEEPEST {
            self.sums[d] += other.sums[d];
            self.counts[d] += other.counts[d];
        }
    }

    /// The depth from which the difference no longer grows.
    pub fn saturation(&self) -> f32 {
        let amplitude = |from: usize, to: usize| {
            let (mut sum, mut count) = (0.0, 0.0);
            for d in from..to.min(DEEPEST) {
                sum += self.sums[d];
                count += self.counts[d];
            }
            // Three channels of noise alone give 3.
            (count > 4.0).then(|| (((sum / count - 3.0).max(0.0)) as f32).sqrt())
        };
        for d in 0..DEEPEST - 8 {
            let (Some(here), Some(behind)) = (amplitude(d, d + 1), amplitude(d + 3, d + 8)) else {
                return d as f32;
            };
            if behind < 1.5 {
                return USUAL.max(d as f32);
            }
            if here >= FULL * behind {
                return d as f32;
            }
        }
        (DEEPEST - 8) as f32
    }
}
