//! One pixel's covered area from the edge pieces inside it and the winding that enters at its left side.

use super::FillRule;

/// More pieces than this in one pixel are sampled on lines instead of split at each crossing, to bound the work of a
/// hostile outline.
const CROWD: usize = 192;

/// A piece of an edge inside a pixel: x from the pixel's left side, 0..1; y in the space, ay < by.
#[derive(Clone, Copy, Debug)]
pub(super) struct Part {
    pub(super) ax: f64,
    pub(super) ay: f64,
    pub(super) bx: f64,
    pub(super) by: f64,
    pub(super) turn: i32,
}

impl Part {
    fn x_at(&self, y: f64) -> f64 {
        self.ax + (self.bx - self.ax) * ((y - self.ay) / (self.by - self.ay))
    }
}

/// The winding number along a vertical line through one row: changes of it at heights, sorted. Equal heights meet
/// in one entry and those that cancel vanish, so the entries don't depend on how edges were cut on the way.
#[derive(Debug)]
pub(super) struct Winding {
    y: f64,
    rule: FillRule,
    changes: Vec<(f64, i32)>,
}

impl Winding {
    pub(super) fn new(y: f64, rule: FillRule) -> Winding {
        Winding {
            y,
            rule,
            changes: Vec::new(),
        }
    }

    /// An edge piece between two heights was passed.
    pub(super) fn add(&mut self, from: f64, to: f64, turn: i32) {
        if from < to {
            self.change(from, turn);
            self.change(to, -turn);
        }
    }

    fn change(&mut self, at: f64, by: i32) {
        match self.changes.binary_search_by(|(y, _)| y.total_cmp(&at)) {
            Err(place) => self.changes.insert(place, (at, by)),
            Ok(place) if self.changes[place].1 + by == 0 => {
                self.changes.remove(place);
            }
            Ok(place) => self.changes[place].1 += by,
        }
    }

    fn inside(&self, winding: i32) -> bool {
        match self.rule {
            FillRule::Nonzero => winding != 0,
            FillRule::EvenOdd => winding % 2 != 0,
        }
    }

    /// The share of the row's height that is inside, where no edge is.
    pub(super) fn share(&self) -> f32 {
        let (mut winding, mut from, mut sum) = (0, self.y, 0.0);
        for &(at, by) in &self.changes {
            if self.inside(winding) {
                sum += at - from;
            }
            winding += by;
            from = at;
        }
        (sum as f32).clamp(0.0, 1.0)
    }
}

/// The covered share of a pixel.
pub(super) fn covered(winding: &Winding, parts: &[Part]) -> f32 {
    if parts.is_empty() {
        return winding.share();
    }
    let heights = strips(winding, parts);
    let mut changes = winding.changes.iter().peekable();
    let mut entering = 0;
    let mut passed: Vec<(f64, i32)> = Vec::with_capacity(parts.len());
    let mut sum = 0.0;
    for pair in heights.windows(2) {
        let middle = 0.5 * (pair[0] + pair[1]);
        while let Some((_, by)) = changes.next_if(|(at, _)| *at <= middle) {
            entering += by;
        }
        passed.clear();
        for part in parts {
            if part.ay <= middle && middle < part.by {
                passed.push((part.x_at(middle), part.turn));
            }
        }
        passed.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let (mut here, mut from, mut length) = (entering, 0.0, 0.0);
        for &(x, turn) in &passed {
            if winding.inside(here) {
                length += x - from;
            }
            here += turn;
            from = x;
        }
        if winding.inside(here) {
            length += 1.0 - from;
        }
        sum += length * (pair[1] - pair[0]);
    }
    (sum as f32).clamp(0.0, 1.0)
}

/// Heights between which the winding that enters is constant and no two parts cross.
fn strips(winding: &Winding, parts: &[Part]) -> Vec<f64> {
    let (top, bottom) = (winding.y, winding.y + 1.0);
    if parts.len() > CROWD || parts.len() + winding.changes.len() > 16 * CROWD {
        let lines = ((1_usize << 17) / parts.len()).clamp(16, 4096);
        return (0..=lines).map(|k| top + k as f64 / lines as f64).collect();
    }
    let mut heights = vec![top, bottom];
    heights.extend(winding.changes.iter().map(|change| change.0));
    for (k, part) in parts.iter().enumerate() {
        heights.extend([part.ay, part.by]);
        for other in &parts[k + 1..] {
            heights.extend(crossing(part, other));
        }
    }
    heights.sort_unstable_by(f64::total_cmp);
    heights.dedup();
    heights
}

/// The height at which two parts cross, if they do.
fn crossing(a: &Part, b: &Part) -> Option<f64> {
    let (from, to) = (a.ay.max(b.ay), a.by.min(b.by));
    if from >= to {
        return None;
    }
    let before = a.x_at(from) - b.x_at(from);
    let after = a.x_at(to) - b.x_at(to);
    let opposite = (before < 0.0 && after > 0.0) || (before > 0.0 && after < 0.0);
    opposite.then(|| (from + (to - from) * (before / (before - after))).clamp(from, to))
}
