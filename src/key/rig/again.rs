//! A rod seen again behind a part of the piece, through a hole: a thin thing in line with it, as wide and about as
//! bright, with the set on both sides.

use super::look::Look;
use super::rod::{MISFIT, off};
use super::strip::Strip;

/// Rows looked at together, and fewest in a run.
pub(super) const ROWS: i32 = 4;
pub(super) const FEWEST: i32 = 6;
/// Pixels beside the rod that must show the set, and their share.
pub(super) const BESIDE: (f32, f32) = (0.5, 4.0);
pub(super) const SET: f32 = 0.75;
/// How far the rod may have bent away by the first row behind the joint, per row that nothing was seen, and at most.
const BENT: (f32, f32, f32) = (1.0, 0.05, 3.0);
/// How far its course may drift from end to end, by the means of its halves: pixels, and per row.
const SLANT: (f32, f32) = (0.5, 0.07);
const STEP: f32 = 0.25;
/// How far it may lie from its place on the row before.
pub(super) const NEXT: f32 = 2.0 * STEP;
/// How strongly the rod may be lit against where it was learnt, and what may be left over, as a share.
const LIT: (f32, f32) = (0.5, 1.7);
const OTHER: f32 = 0.5;

/// Rows on which it is seen again, each with how far beside the axis.
#[derive(Clone, Debug)]
pub(super) struct Again {
    pub from: i32,
    pub beside: Vec<f32>,
}

impl Again {
    pub fn to(&self) -> i32 {
        self.from + self.beside.len() as i32
    }

    /// Offset on the row of `s`; its first and last hold on.
    pub fn beside(&self, s: f32) -> f32 {
        let row = (s.floor() as i32 - self.from).clamp(0, self.beside.len() as i32 - 1);
        self.beside[row as usize]
    }

    /// Whether it leaves the rod's course: another thin thing crosses here.
    fn is_slanted(&self) -> bool {
        let (first, last) = self.beside.split_at(self.beside.len() / 2);
        let mean = |half: &[f32]| half.iter().sum::<f32>() / (half.len().max(1) as f32);
        let drift = 2.0 * (mean(last) - mean(first));
        drift.abs() > SLANT.0 + SLANT.1 * (self.beside.len() as f32)
    }

    /// Whether the row of `s` is one of these.
    pub fn holds(&self, s: f32) -> bool {
        (self.from..self.to()).contains(&(s.floor() as i32))
    }
}

/// Runs of rows behind `joint`.
pub(super) fn again(strip: &Strip, look: &Look, joint: i32) -> Vec<Again> {
    let mut runs: Vec<Again> = Vec::new();
    let (mut at, mut blind) = (0.0f32, 0);
    let mut open: Option<Again> = None;
    for s in joint + 1..strip.end() - ROWS {
        let slack = open.as_ref().map_or(bent(blind), |_| NEXT);
        let told = |beside| seen(strip, look, s, beside).map(|left| (left, ()));
        match best((at, slack), told) {
            Some((beside, ())) => {
                (at, blind) = (beside, 0);
                open.get_or_insert(Again {
                    from: s,
                    beside: Vec::new(),
                })
                .beside
                .push(beside);
            }
            None => {
                blind += 1;
                runs.extend(open.take());
            }
        }
    }
    runs.extend(open);
    for run in &mut runs {
        // Each row was one of several looked at together.
        let last = run.beside[run.beside.len() - 1];
        run.beside.extend([last; ROWS as usize - 1]);
    }
    runs.retain(|run| run.beside.len() as i32 >= FEWEST + ROWS - 1 && !run.is_slanted());
    runs
}

/// How far beside its last place the rod may be after so many rows on which nothing was seen of it.
pub(super) fn bent(blind: i32) -> f32 {
    (BENT.0 + BENT.1 * blind as f32).min(BENT.2)
}

/// Where beside the axis, within `slack` of `at`, the rod is `seen` best: that tells what the look leaves unexplained at
/// an offset, and more.
pub(super) fn best<T>(
    (at, slack): (f32, f32),
    seen: impl Fn(f32) -> Option<(f32, T)>,
) -> Option<(f32, T)> {
    let steps = (slack / STEP) as i32;
    (-steps..=steps)
        .filter_map(|n| {
            let beside = at + n as f32 * STEP;
            seen(beside).map(|(left, more)| (left, beside, more))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.abs().total_cmp(&b.1.abs())))
        .map(|(_, beside, more)| (beside, more))
}

/// What the look leaves unexplained at an offset, where a rod between two strips of the set is seen.
fn seen(strip: &Strip, look: &Look, s: i32, beside: f32) -> Option<f32> {
    let (low, high) = (look.low as f32, look.high as f32);
    let mut flanks = [(0.0f32, 0.0f32); 2];
    let (mut there, mut hoped) = ([0.0f32; 3], [0.0f32; 3]);
    let (mut bare, mut left, mut count) = (0.0f32, 0.0f32, 0.0f32);
    for p in strip.rows(s, s + ROWS) {
        let u = p.u - beside;
        let out = (low - u).max(u - high);
        if out > BESIDE.0 && out < BESIDE.1 {
            let side = &mut flanks[usize::from(u > high)];
            side.0 += 1.0;
            side.1 += f32::from(u8::from(off(&p.set, p, 0.0025) < MISFIT));
        } else if look.coverage(u) > 0.5 {
            let light = look.light(p.s, u, p.set);
            for k in 0..3 {
                there[k] += p.frame[k] - p.set[k];
                hoped[k] += light[k] - p.set[k];
            }
            bare += off(&p.set, p, 0.0064).min(60.0);
            left += off(&light, p, 0.0064).min(60.0);
            count += 1.0;
        }
    }
    if count == 0.0 || bare < MISFIT * count {
        return None;
    }
    if flanks
        .iter()
        .any(|&(all, set)| all < 4.0 || set < SET * all)
    {
        return None;
    }
    let dot = |a: [f32; 3], b: [f32; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    let whole = dot(hoped, hoped);
    let share = dot(there, hoped) / whole;
    let rest: [f32; 3] = std::array::from_fn(|k| there[k] - share * hoped[k]);
    let like = share > LIT.0 && share < LIT.1 && dot(rest, rest) < OTHER * OTHER * whole;
    like.then_some(left / count)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_leaves_the_rods_course_is_slanted() {
        let again = |beside: &[f32]| Again {
            from: 0,
            beside: beside.to_vec(),
        };
        // A wire that crosses the axis at thirty degrees; a rod that trembles, and one that is bent a little.
        let crossing: Vec<f32> = (0..14).map(|n| 1.0 - 0.25 * n as f32).collect();
        let trembling: Vec<f32> = (0..14)
            .map(|n| if n % 2 == 0 { 0.5 } else { -0.5 })
            .collect();
        let bent: Vec<f32> = (0..40).map(|n| 0.05 * n as f32).collect();
        assert!(again(&crossing).is_slanted());
        assert!(!again(&trembling).is_slanted() && !again(&bent).is_slanted());
    }
}
