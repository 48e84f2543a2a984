//! What a rod looks like across its axis: light of its own, Q(u), and the share t(u) of the set that shows through
//! or beside it. Opaque, glossy and glassy rods and soft edges are all of this kind: C = Q(u) + t(u) B'.
//!
//! Learnt by least squares in windows along the rod, so that light may change along it; each window leans on the
//! whole rod's look where it has little to say.

use super::strip::{Sample, Strip};

/// Distance of two knots across, and of two windows along, in pixels.
const STEP: f64 = 0.5;
const WINDOW: f64 = 24.0;
/// How many samples of prior a window (from the whole) and the whole (from coverage) lean on.
const LEAN: f64 = 4.0;

#[derive(Clone, Copy, Debug, Default)]
struct Knot {
    own: [f32; 3],
    through: f32,
}

/// The look: knots across for each window along.
#[derive(Debug)]
pub(super) struct Look {
    reach: f64,
    /// Row of the first window's middle, and the distance of two.
    first: f64,
    step: f64,
    windows: Vec<Vec<Knot>>,
    /// Coverage of the rod at each knot, 0..1.
    coverage: Vec<f32>,
    /// The rod's strength at each knot: root mean square difference from the set.
    pub strength: Vec<f32>,
    /// Between these the rod changes the picture, in pixels from the axis.
    pub low: f64,
    pub high: f64,
    /// How much brighter the rod is, row by row beyond where it was learnt; the last holds on.
    pub drift: (i32, Vec<f32>),
    /// What is seen near the joint beyond all that: light and shade that the piece throws on the rod.
    pub rest: Option<Rest>,
    /// Root mean square of the difference the rod makes where it is strongest, in standard deviations of noise.
    pub contrast: f64,
}

/// A table of light by row and column, to add to the look.
#[derive(Debug)]
pub(super) struct Rest {
    pub start: i32,
    pub first: i32,
    pub columns: usize,
    pub light: Vec<[f32; 3]>,
}

impl Rest {
    fn at(&self, s: f32, u: f32) -> [f32; 3] {
        let row = s.floor() as i32 - self.start;
        if row < 0 {
            return [0.0; 3];
        }
        let (place, last) = (u - self.first as f32 - 0.5, self.columns as i32 - 1);
        let part = place - place.floor();
        let cell = |column: i32| {
            let at = row as usize * self.columns + column.clamp(0, last) as usize;
            self.light.get(at).copied().unwrap_or([0.0; 3])
        };
        let (a, b) = (cell(place.floor() as i32), cell(place.floor() as i32 + 1));
        std::array::from_fn(|k| a[k] + (b[k] - a[k]) * part)
    }
}

/// Sums for one knot: weight, and per channel sums of B, C, BB, BC.
#[derive(Clone, Copy, Default)]
struct Sums {
    weight: f64,
    /// Of the samples' variances.
    noise: f64,
    per: [[f64; 4]; 3],
}

impl Sums {
    fn add(&mut self, p: &Sample, weight: f64) {
        self.weight += weight;
        self.noise += weight * p.variance.iter().map(|v| f64::from(*v)).sum::<f64>();
        for k in 0..3 {
            let (b, c) = (f64::from(p.set[k]), f64::from(p.frame[k]));
            for (sum, v) in self.per[k].iter_mut().zip([b, c, b * b, b * c]) {
                *sum += weight * v;
            }
        }
    }

    /// Least squares with a share of the set seen through common to the channels, held to `prior` by `hold`
    /// (a sum of squares of light).
    fn knot(&self, prior: f64, hold: f64) -> Knot {
        if self.weight.is_nan() || self.weight <= 1e-9 {
            return Knot {
                own: [0.0; 3],
                through: 1.0,
            };
        }
        let (mut square, mut cross) = (hold, hold * prior);
        for [b, c, bb, bc] in self.per {
            square += bb - b * b / self.weight;
            cross += bc - b * c / self.weight;
        }
        let through = if square > 0.0 {
            (cross / square).clamp(-0.2, 1.1)
        } else {
            prior
        };
        let own = std::array::from_fn(|k| {
            ((self.per[k][1] - through * self.per[k][0]) / self.weight) as f32
        });
        Knot {
            own,
            through: through as f32,
        }
    }
}

impl Look {
    /// Learns from the rows `from` to `to` of `strip`; `half` is about half the rod's width. `None` when the rod
    /// can't be told from the set.
    pub fn learnt(strip: &Strip, (from, to): (i32, i32), reach: f64, half: f64) -> Option<Look> {
        let rows = strip.rows(from, to);
        if to - from < 6 || rows.is_empty() {
            return None;
        }
        let count = 2 * (reach / STEP).ceil() as usize + 1;
        let length = f64::from(to - from);
        let windows = ((length / WINDOW).round() as usize).max(1);
        let step = length / windows as f64;
        let mut look = Look {
            reach: (count / 2) as f64 * STEP,
            first: f64::from(from) + step / 2.0,
            step,
            windows: Vec::new(),
            coverage: vec![0.0; count],
            strength: vec![0.0; count],
            low: 0.0,
            high: 0.0,
            drift: (0, Vec::new()),
            rest: None,
            contrast: 0.0,
        };
        let place = |k: usize| (k as f64) * STEP - look.reach;
        for k in 0..count {
            look.coverage[k] = if place(k).abs() <= half { 1.0 } else { 0.0 };
        }
        let mut whole: Vec<Knot> = Vec::new();
        for pass in 0..3 {
            let mut sums = vec![Sums::default(); count];
            for p in rows {
                let doubt = if pass == 0 {
                    1.0
                } else {
                    look.trust(p, &whole)
                };
                look.spread(p, |k, near| sums[k].add(p, near * doubt));
            }
            whole = (0..count)
                .map(|k| {
                    // Texture under the noise says nothing about what shows through.
                    let hold = 1e-4 + 3.0 * sums[k].noise;
                    sums[k].knot(1.0 - f64::from(look.coverage[k]), hold)
                })
                .collect();
            look.outline(rows, &whole);
        }
        if look.contrast.is_nan() || look.contrast <= 3.0 {
            return None;
        }
        for w in 0..windows {
            let middle = look.first + step * w as f64;
            let wide = step.max(WINDOW) * 1.2;
            let mut sums = vec![Sums::default(); count];
            let part = strip.rows((middle - wide) as i32, (middle + wide) as i32 + 1);
            for p in part
                .iter()
                .filter(|p| f64::from(p.s) >= f64::from(from) && f64::from(p.s) < f64::from(to))
            {
                let along = 1.0 - (f64::from(p.s) - middle).abs() / wide;
                if along > 0.0 {
                    let doubt = look.trust(p, &whole);
                    look.spread(p, |k, near| sums[k].add(p, near * along * doubt));
                }
            }
            look.windows.push(
                (0..count)
                    .map(|k| {
                        let mut sum = sums[k];
                        lean(&mut sum, &whole[k], LEAN);
                        sum.knot(f64::from(whole[k].through), 0.02 + 0.01 * sum.weight)
                    })
                    .collect(),
            );
        }
        Some(look)
    }

    /// Gives the sample to the two knots beside it.
    fn spread(&self, p: &Sample, mut give: impl FnMut(usize, f64)) {
        let (k, part) = self.knot_of(p.u);
        give(k, 1.0 - part);
        if part > 0.0 {
            give(k + 1, part);
        }
    }

    fn knot_of(&self, u: f32) -> (usize, f64) {
        let place =
            ((f64::from(u) + self.reach) / STEP).clamp(0.0, (self.coverage.len() - 1) as f64);
        let k = (place as usize).min(self.coverage.len() - 2);
        (k, place - k as f64)
    }

    fn seen(&self, knots: &[Knot], u: f32, set: [f32; 3]) -> [f32; 3] {
        let (k, part) = self.knot_of(u);
        let part = part as f32;
        let (a, b) = (&knots[k], &knots[k + 1]);
        let through = a.through + (b.through - a.through) * part;
        std::array::from_fn(|c| a.own[c] + (b.own[c] - a.own[c]) * part + through * set[c])
    }

    /// 1 for a sample the look explains, less for one it does not (a hair across, a piece of another thing).
    fn trust(&self, p: &Sample, knots: &[Knot]) -> f64 {
        let seen = self.seen(knots, p.u, p.set);
        let mut off = 0.0;
        for k in 0..3 {
            let d = f64::from(p.frame[k] - seen[k]);
            let soft = 0.12 * f64::from(seen[k].max(0.02));
            off += d * d / (9.0 * f64::from(p.variance[k]) + soft * soft);
        }
        1.0 / ((1.0 + off / 3.0) * (1.0 + off / 3.0))
    }

    /// Strength and coverage across, and where the rod ends.
    fn outline(&mut self, rows: &[Sample], whole: &[Knot]) {
        let count = self.coverage.len();
        let mut power = vec![(0.0f64, 0.0f64, 0.0f64); count];
        for p in rows {
            let seen = self.seen(whole, p.u, p.set);
            let (mut light, mut noise) = (0.0, 0.0);
            for k in 0..3 {
                let d = f64::from(seen[k] - p.set[k]);
                light += d * d / 3.0;
                noise += d * d / (3.0 * f64::from(p.variance[k]));
            }
            self.spread(p, |k, near| {
                power[k].0 += near;
                power[k].1 += near * light;
                power[k].2 += near * noise;
            });
        }
        let rms = |sum: f64, weight: f64| {
            if weight > 0.0 {
                (sum / weight).sqrt()
            } else {
                0.0
            }
        };
        let strength: Vec<f64> = power.iter().map(|p| rms(p.1, p.0)).collect();
        self.contrast = power.iter().map(|p| rms(p.2, p.0)).fold(0.0, f64::max);
        // What the two margins show is no rod: light that is not quite known.
        let margin = (1.5 / STEP) as usize + 1;
        let mut outer: Vec<f64> = strength[..margin]
            .iter()
            .chain(&strength[count - margin..])
            .copied()
            .collect();
        outer.sort_by(f64::total_cmp);
        let floor = outer[outer.len() / 2];
        let over: Vec<f64> = strength.iter().map(|v| (v - floor).max(0.0)).collect();
        self.strength = over.iter().map(|v| *v as f32).collect();
        let most = over.iter().copied().fold(0.0, f64::max);
        let mut coverage = vec![1.0; count];
        let low = edge(&over, most, &mut (0..count), &mut coverage);
        let high = edge(&over, most, &mut (0..count).rev(), &mut coverage);
        self.coverage = coverage;
        let place = |k: usize| k as f64 * STEP - self.reach;
        self.low = low.map_or(0.0, |k| place(k) - STEP);
        self.high = high.map_or(0.0, |k| place(k) + STEP);
    }

    pub fn coverage(&self, u: f32) -> f32 {
        if f64::from(u) < self.low || f64::from(u) > self.high {
            return 0.0;
        }
        let (k, part) = self.knot_of(u);
        self.coverage[k] + (self.coverage[k + 1] - self.coverage[k]) * part as f32
    }

    /// Pixels over which its edges rise from a tenth to nine tenths, the mean of both.
    pub fn softness(&self) -> f32 {
        let count = self.coverage.len();
        let middle = (0..count)
            .max_by(|a, b| {
                let (a, b) = (*a, *b);
                self.coverage[a]
                    .total_cmp(&self.coverage[b])
                    .then(b.cmp(&a))
            })
            .unwrap_or(0);
        let mixed = |cells: &[f32]| {
            cells.iter().filter(|c| **c > 0.1 && **c < 0.9).count() as f32 * STEP as f32
        };
        0.5 * (mixed(&self.coverage[..middle]) + mixed(&self.coverage[middle..]))
    }

    fn gain(&self, s: f32) -> f32 {
        let row = s.floor() as i32 - self.drift.0;
        if row < 0 {
            return 1.0;
        }
        let last = self.drift.1.len().saturating_sub(1);
        self.drift
            .1
            .get((row as usize).min(last))
            .copied()
            .unwrap_or(1.0)
    }

    /// What the frame would show at (s, u) before `behind`.
    pub fn light(&self, s: f32, u: f32, behind: [f32; 3]) -> [f32; 3] {
        let place =
            ((f64::from(s) - self.first) / self.step).clamp(0.0, (self.windows.len() - 1) as f64);
        let w = (place as usize).min(self.windows.len().saturating_sub(2));
        let part = (place - w as f64) as f32;
        let mut light = self.seen(&self.windows[w], u, behind);
        if self.windows.len() > 1 {
            let b = self.seen(&self.windows[w + 1], u, behind);
            light = std::array::from_fn(|k| light[k] + (b[k] - light[k]) * part);
        }
        let gain = self.gain(s);
        if gain != 1.0 {
            // Only the rod's own light changes; its share is as good as its coverage.
            let covers = self.coverage(u);
            light = light.map(|v| v * (1.0 + (gain - 1.0) * covers));
        }
        match &self.rest {
            Some(rest) => {
                let more = rest.at(s, u);
                std::array::from_fn(|k| (light[k] + more[k]).max(0.0))
            }
            None => light,
        }
    }
}

/// Shares of the channels in a light.
pub(super) fn tint(light: [f32; 3]) -> [f32; 3] {
    let sum = (light[0] + light[1] + light[2]).max(1e-6);
    light.map(|v| v / sum)
}

/// Coverage over one edge of the rod, from the outside in; the first knot it touches. An edge rises as far inside its
/// steepest place as it began outside of it, so what is seen there is full.
fn edge(
    over: &[f64],
    most: f64,
    inward: &mut dyn Iterator<Item = usize>,
    coverage: &mut [f32],
) -> Option<usize> {
    let way: Vec<usize> = inward.collect();
    let rise = |n: usize| over[way[n + 1]] - over[way[n]];
    let begin = way.iter().position(|k| over[*k] > 0.08 * most)?;
    let steepest = (0..way.len() - 1).map(rise).fold(0.0, f64::max);
    let steep = (begin.saturating_sub(1)..way.len().saturating_sub(2))
        .find(|n| rise(*n) > 0.3 * steepest && rise(*n + 1) <= rise(*n))?;
    let half = 0.5 * (over[way[steep]] + over[way[steep + 1]]);
    let foot = (0..=steep)
        .rev()
        .find(|n| over[way[*n]] < 0.08 * half)
        .unwrap_or(0);
    let full_at = (2 * steep + 1 - foot).min(way.len() - 1);
    let full = way[steep..=full_at]
        .iter()
        .map(|k| over[*k])
        .fold(1e-12, f64::max);
    let mut touched = None;
    for (n, k) in way.iter().enumerate().take(full_at + 1) {
        let share = if n == full_at {
            1.0
        } else {
            (over[*k] / full).min(1.0)
        };
        // Two edges of a wire meet: the lesser counts.
        coverage[*k] = coverage[*k].min(share as f32);
        if share > 0.02 && touched.is_none() {
            touched = Some(*k);
        }
    }
    touched
}

/// Adds `weight` samples that say what `whole` says, at the window's own mean of the set.
fn lean(sum: &mut Sums, whole: &Knot, weight: f64) {
    let count = sum.weight.max(1e-9);
    for k in 0..3 {
        let b = sum.per[k][0] / count;
        let c = f64::from(whole.own[k]) + f64::from(whole.through) * b;
        for (s, v) in sum.per[k].iter_mut().zip([b, c, b * b, b * c]) {
            *s += weight * v;
        }
    }
    sum.weight += weight;
}
