//! Where a rod goes on over the piece's face: as long as "the rod before what is beside it" explains more than
//! "what is beside it" alone.

use super::look::Look;
use super::reach::Reach;
use super::rod::{MISFIT, off};
use super::strip::{Sample, Strip};

/// Pixels beside the rod that say what the face is there.
const BESIDE: (f64, f64) = (0.5, 5.5);
/// Least evidence, and fewest rows, for a rod in front; a row gives at most `MOST`.
const LEAST: f32 = 30.0;
const FEWEST: usize = 8;
const MOST: f32 = 4.0;
/// What a row must give to count for the rod.
const TOLL: f32 = 0.4;

/// Rows of the face that the rod crosses: from the piece's edge to its end, or none.
pub(super) fn crossing(
    strip: &Strip,
    look: &Look,
    reach: &Reach,
    both: Option<i32>,
) -> Option<(f32, f32)> {
    // Only where the piece is seen on both sides.
    let start = reach.nearest().max(both? as f32);
    if start.is_nan() || start >= strip.end() as f32 - 4.0 {
        return None;
    }
    let first = start as i32;
    let (mut sum, mut most, mut end) = (0.0f32, 0.0f32, 0usize);
    for (row, s) in (first..strip.end()).enumerate() {
        sum += row_score(strip, look, s).clamp(-MOST, MOST) - TOLL;
        if sum > most {
            (most, end) = (sum, row + 1);
        }
        // Far behind: what comes is another thing.
        if sum < most - 60.0 {
            break;
        }
    }
    (most > LEAST && end >= FEWEST).then_some((start, (first + end as i32) as f32))
}

#[derive(Clone, Copy, Default)]
struct Side {
    count: f32,
    sum: [f32; 3],
    square: [f32; 3],
}

impl Side {
    fn add(&mut self, p: &Sample) {
        self.count += 1.0;
        for k in 0..3 {
            self.sum[k] += p.frame[k];
            self.square[k] += p.frame[k] * p.frame[k];
        }
    }

    fn mean(&self) -> [f32; 3] {
        self.sum.map(|v| v / self.count)
    }

    fn spread(&self, k: usize) -> f32 {
        let mean = self.sum[k] / self.count;
        (self.square[k] / self.count - mean * mean).max(0.0)
    }
}

/// How much more of row `s` the rod before its surroundings explains than the surroundings do, per sample in
/// standard deviations squared.
fn row_score(strip: &Strip, look: &Look, s: i32) -> f32 {
    let mut sides = [Side::default(); 2];
    let mut set = [0.0f32; 2];
    for p in strip.rows(s - 1, s + 2) {
        let u = f64::from(p.u);
        let (left, right) = (look.low - u, u - look.high);
        let side = match (
            left > BESIDE.0 && left < BESIDE.1,
            right > BESIDE.0 && right < BESIDE.1,
        ) {
            (true, _) => 0,
            (_, true) => 1,
            _ => continue,
        };
        sides[side].add(p);
        set[side] += if off(&p.set, p, 0.0064) < MISFIT {
            1.0
        } else {
            0.0
        };
    }
    if sides.iter().any(|side| side.count < 2.0) {
        return 0.0;
    }
    // A hole, or the piece's edge: no face.
    if sides
        .iter()
        .zip(set)
        .any(|(side, set)| set > 0.5 * side.count)
    {
        return -1.0;
    }
    let (left, right) = (sides[0].mean(), sides[1].mean());
    let (mut sum, mut count) = (0.0f32, 0.0f32);
    for p in strip
        .rows(s, s + 1)
        .iter()
        .filter(|p| look.coverage(p.u) > 0.6)
    {
        let part =
            ((f64::from(p.u) - look.low) / (look.high - look.low).max(1e-6)).clamp(0.0, 1.0) as f32;
        let face: [f32; 3] = std::array::from_fn(|k| left[k] + (right[k] - left[k]) * part);
        let rod = look.light(p.s, p.u, face);
        for k in 0..3 {
            let texture = 0.5 * (sides[0].spread(k) + sides[1].spread(k)) + 1e-5;
            let (a, b) = (p.frame[k] - face[k], p.frame[k] - rod[k]);
            let doubt = p.variance[k] + texture + 0.0036 * face[k] * face[k];
            let rod_doubt = p.variance[k] + 0.3 * texture + 0.0064 * rod[k] * rod[k];
            sum += a * a / doubt - b * b / rod_doubt;
        }
        count += 1.0;
    }
    if count > 0.0 {
        sum / (3.0 * count)
    } else {
        0.0
    }
}
