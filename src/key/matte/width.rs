//! How wide the edge is, chunk by chunk of the outline: where the difference to the backdrop stops growing inward.

/// Depths looked at, in pixels inside the outline.
pub const DEEPEST: usize = 44;
/// How far outside the outline the rise is followed, in pixels.
pub const BEFORE: usize = 8;
/// Saturated: a depth shows this share of the difference seen just behind it (amplitude),
const FULL: f32 = 0.9;
/// or the difference grows inward by less than this share of its steepest rise so far. The ramp of an edge out of
/// focus is steepest in its middle and never slackens before its end; what rises again behind a level stretch is the
/// piece's own shading.
const SLACK: f32 = 0.25;
/// A difference of so many deviations is one.
const SEEN: f32 = 1.5;
/// From this depth on: an outline in cells of two pixels lies up to a cell beside the edge.
const EARLIEST: usize = 2;
/// Without enough difference to measure, an edge is taken to be this deep.
pub const USUAL: f32 = 2.0;

/// Sums of the whitened squared difference by depth, of one chunk.
#[derive(Clone, Debug)]
pub struct Profile {
    /// Index 0 is [`BEFORE`] pixels outside the outline.
    sums: [f64; BEFORE + DEEPEST],
    counts: [f64; BEFORE + DEEPEST],
}

impl Profile {
    pub const EMPTY: Profile = Profile {
        sums: [0.0; BEFORE + DEEPEST],
        counts: [0.0; BEFORE + DEEPEST],
    };

    /// `depth` in pixels below the outline, negative outside.
    pub fn add(&mut self, depth: f32, energy: f32) {
        let at = (depth + BEFORE as f32).floor();
        if at >= 0.0 && at < (BEFORE + DEEPEST) as f32 && energy.is_finite() {
            self.sums[at as usize] += f64::from(energy);
            self.counts[at as usize] += 1.0;
        }
    }

    pub fn join(&mut self, other: &Profile) {
        for d in 0..BEFORE + DEEPEST {
            self.sums[d] += other.sums[d];
            self.counts[d] += other.counts[d];
        }
    }

    /// Difference to the backdrop in deviations of noise, over indices `from..to`.
    fn amplitude(&self, from: usize, to: usize) -> Option<f32> {
        let (mut sum, mut count) = (0.0, 0.0);
        for d in from..to.min(BEFORE + DEEPEST) {
            sum += self.sums[d];
            count += self.counts[d];
        }
        // Three channels of noise alone give 3.
        (count > 4.0).then(|| (((sum / count - 3.0).max(0.0)) as f32).sqrt())
    }

    /// The depth from which the difference no longer grows; and, no deeper, that from which it first slackens.
    pub fn saturation(&self) -> (f32, f32) {
        let mut slack = None;
        let mut steepest = 0.0f32;
        for at in 0..BEFORE {
            if let (Some(here), Some(next)) =
                (self.amplitude(at, at + 1), self.amplitude(at + 2, at + 3))
            {
                steepest = steepest.max(0.5 * (next - here));
            }
        }
        for d in 0..DEEPEST - 8 {
            let at = BEFORE + d;
            let (Some(here), Some(behind)) =
                (self.amplitude(at, at + 1), self.amplitude(at + 3, at + 8))
            else {
                return (d as f32, slack.unwrap_or(d as f32));
            };
            if behind < SEEN {
                let deep = USUAL.max(d as f32);
                return (deep, slack.unwrap_or(deep));
            }
            if here >= FULL * behind {
                return (d as f32, slack.unwrap_or(d as f32));
            }
            let (near, next) = (
                self.amplitude(at + 2, at + 5),
                self.amplitude(at + 2, at + 3),
            );
            if d >= EARLIEST
                && here >= SEEN
                && near.is_some_and(|near| near - here < 3.0 * SLACK * steepest)
            {
                slack = slack.or(Some(d as f32));
            }
            if let Some(next) = next {
                steepest = steepest.max(0.5 * (next - here));
            }
        }
        let deep = (DEEPEST - 8) as f32;
        (deep, slack.unwrap_or(deep))
    }
}
