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
/// A rise begins where less than this share of it is seen. It is over when at the rate it has come to it would have
/// grown by less than this share of itself in all its length: so does any ramp behind its middle, and so does a sharp
/// edge behind which the piece itself brightens.
const FOOT: f32 = 0.04;
const OVER: f32 = 0.4;
/// A rise longer than this is out of focus and ends that much later, in pixels.
const SHARP: f32 = 6.0;
/// It must then be so many times what counts as seen, and what lies behind at most so many times as much.
const PLAIN: f32 = 4.0;
const CALM: f32 = 1.5;
/// A place has part in it when it shows this share of the difference.
const PART: f32 = 0.6;
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

    /// Whether it goes so deep.
    pub fn reaches(depth: f32) -> bool {
        depth > -(BEFORE as f32) && depth < DEEPEST as f32
    }

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

    /// Where the rise that has come to `here` at index `at` begins.
    fn foot(&self, at: usize, here: f32) -> Option<usize> {
        let low = SEEN.max(FOOT * here);
        (0..at)
            .rev()
            .find(|&d| self.amplitude(d, d + 1).is_some_and(|a| a < low))
    }

    /// The depth at which a plain rise from the backdrop is over, and the squared difference that shows it at a place;
    /// infinite where none is seen.
    pub fn end(&self) -> (f32, f32) {
        for d in EARLIEST..DEEPEST - 8 {
            let at = BEFORE + d;
            let (Some(here), Some(next), Some(behind)) = (
                self.amplitude(at, at + 1),
                self.amplitude(at + 2, at + 5),
                self.amplitude(at + 3, at + 8),
            ) else {
                break;
            };
            if here < PLAIN * SEEN || behind > CALM * here {
                continue;
            }
            let Some(foot) = self.foot(at, here) else {
                continue;
            };
            if (next - here) / 3.0 * (at - foot) as f32 <= OVER * here {
                let long = (at - foot) as f32;
                let end = d as f32 + (long - SHARP).max(0.0);
                return (end, (PART * here) * (PART * here));
            }
        }
        (f32::INFINITY, f32::INFINITY)
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

#[cfg(test)]
mod tests {
    use super::super::contour::step;
    use super::*;

    /// A profile of differences by depth, in deviations of noise.
    fn profile(of: impl Fn(f32) -> f32) -> Profile {
        let mut all = Profile::EMPTY;
        for at in 0..BEFORE + DEEPEST {
            let depth = at as f32 - BEFORE as f32 + 0.5;
            let amplitude = of(depth);
            for _ in 0..20 {
                all.add(depth, amplitude * amplitude + 3.0);
            }
        }
        all
    }

    #[test]
    fn a_rise_is_over_where_the_piece_only_brightens_on() {
        // Sharp, 60 deviations of noise at the edge, four times that at its brightest.
        let shaded = profile(|d| step(d - 1.0) * (60.0 + 4.0 * d.max(0.0)));
        let (end, plain) = shaded.end();
        assert!((2.0..6.0).contains(&end), "{end}");
        assert!(plain > 500.0 && plain < 3600.0, "{plain}");
    }

    #[test]
    fn a_rise_out_of_focus_is_over_at_its_end() {
        for width in [3.0, 5.0, 7.0] {
            // The outline lies at the foot, the middle two widths further in.
            let (end, _) = profile(|d| 100.0 * step(d / width - 2.0)).end();
            assert!(step(end / width - 2.0) > 0.97, "{width}: {end}");
        }
    }

    #[test]
    fn no_rise_has_no_end() {
        assert_eq!(profile(|_| 0.5).end().0, f32::INFINITY);
    }
}
