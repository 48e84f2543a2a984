//! How frame and plate differ under a map, block by block.

use rayon::prelude::*;

use super::patch::Patch;
use crate::geom::{Map, Rect};

/// Pixels at a plane's border that the filters spoil.
const SPOILT: i32 = 8;
/// Brightness ratios (square roots of light) beyond which a pixel can be no set under other light.
const RATIO: [f32; 2] = [0.5, 2.0];
/// Every so many pixels across and down a residual is kept for the spread.
const SAMPLE: i32 = 4;
/// Half-width of the derivative.
const REACH: i32 = 2;

/// Sums over one block. Weights fall with the difference: 1 / (1 + (e / 3 s)^2)^2.
#[derive(Clone, Debug, Default)]
pub(super) struct Block {
    /// Full-size frame coordinates of its middle.
    pub middle: [f64; 2],
    /// Sum of w dI e: where the match wants to go.
    pub pull: [f64; 2],
    /// Sum of w dI dP, symmetric: xx, xy, yy. Only what both pictures share counts, not their noise.
    pub hold: [f64; 3],
    /// Weighted products: plate squared, frame squared, plate times frame.
    pub products: [f64; 3],
    /// Product of both after cutting at three typical deviations, without weights.
    pub cut_product: f64,
    pub weight: f64,
    pub count: f64,
    /// Which patch it is of, its column there, and how many columns there are; rows follow each other.
    pub patch: usize,
    pub column: usize,
    pub columns: usize,
    residuals: Vec<f32>,
}

/// What to measure with.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gauge {
    /// Standard deviation of differences; infinite before it is known.
    pub spread: f32,
    /// Detail is cut here for `cut_product`.
    pub cut: f32,
}

impl Block {
    /// Whether this is the set, 0..1: where most pixels differ by more than noise it is a piece. Its few pixels
    /// that happen to agree would pull with a piece's strong edges.
    pub(super) fn belongs(&self) -> f64 {
        if self.count < 1.0 {
            return 0.0;
        }
        ((self.weight / self.count - STRANGE) / (FAMILIAR - STRANGE)).clamp(0.0, 1.0)
    }
}

/// Mean weight of a block that is no part of the set, and of one that is; with noise alone it is about 0.82.
const STRANGE: f64 = 0.55;
const FAMILIAR: f64 = 0.75;

/// All blocks of all patches, in order.
pub(super) fn blocks(patches: &[Patch], map: &Map, gauge: Gauge) -> Vec<Block> {
    let all: Vec<(usize, usize, usize, Rect)> = patches
        .iter()
        .enumerate()
        .flat_map(|(k, patch)| {
            let parts = parts(patch);
            let first = parts.first().map_or(0, |part| part.y0);
            let columns = parts.iter().take_while(|part| part.y0 == first).count();
            let place = move |(n, part)| (k, n % columns.max(1), columns, part);
            parts.into_iter().enumerate().map(place)
        })
        .collect();
    all.par_iter()
        .map(|(k, column, columns, part)| {
            let mut block = Block {
                patch: *k,
                column: *column,
                columns: *columns,
                ..block(&patches[*k], *part, map, gauge)
            };
            let share = block.belongs();
            let sums = block
                .pull
                .iter_mut()
                .chain(&mut block.hold)
                .chain(&mut block.products)
                .chain([&mut block.cut_product]);
            for sum in sums {
                *sum *= share;
            }
            block
        })
        .collect()
}

/// The standard deviation of differences on the set, robustly: from the smaller ones (a piece may cover half the
/// frame), of blocks that belong to the set where these are enough.
pub(super) fn spread(blocks: &[Block]) -> f32 {
    let all: f64 = blocks.iter().map(|block| block.count).sum();
    let set = |block: &&Block| block.belongs() > 0.5;
    let own: f64 = blocks.iter().filter(set).map(|block| block.count).sum();
    let enough = own > LEAST_SET * all;
    let taken = blocks.iter().filter(|block| !enough || set(block));
    let mut sizes: Vec<f32> = taken
        .flat_map(|block| block.residuals.iter().copied())
        .collect();
    if sizes.is_empty() {
        return LEAST_SPREAD;
    }
    let quarter = sizes.len() / 4;
    let size = *sizes.select_nth_unstable_by(quarter, f32::total_cmp).1;
    (size / QUARTILE).max(LEAST_SPREAD)
}

/// A quarter of normal values are smaller than this many standard deviations.
const QUARTILE: f32 = 0.3186;
/// Never zero: pictures without noise would give nothing any weight.
const LEAST_SPREAD: f32 = 1e-5;
/// The least share of pixels that can be called the set.
const LEAST_SET: f64 = 0.2;

fn parts(patch: &Patch) -> Vec<Rect> {
    let rect = patch.frame.detail.rect();
    let spoilt = SPOILT
        .min(rect.width().min(rect.height()) as i32 / 6)
        .max(REACH);
    let inner = Rect {
        x0: rect.x0 + spoilt,
        y0: rect.y0 + spoilt,
        x1: rect.x1 - spoilt,
        y1: rect.y1 - spoilt,
    };
    if inner.is_empty() {
        return Vec::new();
    }
    let side = (inner.width().min(inner.height()) / 18).clamp(6, 32);
    inner.tiles(side, side)
}

fn block(patch: &Patch, part: Rect, map: &Map, gauge: Gauge) -> Block {
    let mut block = Block {
        middle: patch.full(
            f64::from(part.x0 + part.x1) / 2.0,
            f64::from(part.y0 + part.y1) / 2.0,
        ),
        ..Block::default()
    };
    let around = part.grown(REACH as u32);
    let Some(warped) = Warped::of(patch, around, map) else {
        return block;
    };
    let (detail, base) = (&patch.frame.detail, &patch.frame.base);
    let reach = REACH as usize;
    let wide = around.width() as usize;
    let inverse = 1.0 / (9.0 * gauge.spread * gauge.spread);
    for y in part.y0..part.y1 {
        let own: Vec<&[f32]> = (-REACH..=REACH)
            .map(|dy| detail.span(y + dy, around.x0, around.x1))
            .collect();
        let smooth = base.span(y, part.x0, part.x1);
        let line = (y - around.y0) as usize;
        let other = |dy: usize| &warped.values[(line + dy - reach) * wide..][..wide];
        let seen: Vec<&[f32]> = (0..=2 * reach).map(other).collect();
        let lows = &warped.base[line * wide..][..wide];
        let mut sums = [0.0f32; 10];
        for (x, light) in smooth.iter().enumerate() {
            let at = x + reach;
            let ratio = light / lows[at];
            if !(RATIO[0]..=RATIO[1]).contains(&ratio) {
                continue;
            }
            let (value, plate) = (own[reach][at], ratio * seen[reach][at]);
            let error = plate - value;
            let weight = 1.0 / (1.0 + error * error * inverse);
            let weight = weight * weight;
            let (gx, gy) = derivative(&own, at);
            let (px, py) = derivative(&seen, at);
            let (px, py) = (ratio * px, ratio * py);
            let pull = weight * error;
            let cut = |v: f32| v.clamp(-gauge.cut, gauge.cut);
            let terms = [
                pull * gx,
                pull * gy,
                weight * gx * px,
                weight * 0.5 * (gx * py + gy * px),
                weight * gy * py,
                weight * plate * plate,
                weight * value * value,
                weight * plate * value,
                cut(plate) * cut(value),
                weight,
            ];
            for (sum, term) in sums.iter_mut().zip(terms) {
                *sum += term;
            }
            block.count += 1.0;
            if (x as i32 + y) % SAMPLE == 0 && y % SAMPLE == 0 {
                block.residuals.push(error.abs());
            }
        }
        let sums = sums.map(f64::from);
        let totals = block.pull.iter_mut().chain(&mut block.hold);
        let totals = totals.chain(&mut block.products);
        let totals = totals.chain([&mut block.cut_product, &mut block.weight]);
        for (total, sum) in totals.zip(sums) {
            *total += sum;
        }
    }
    block
}

/// Five-point derivatives across and down at column `at` of the middle row.
fn derivative(rows: &[&[f32]], at: usize) -> (f32, f32) {
    let middle = rows[2];
    let across = 8.0 * (middle[at + 1] - middle[at - 1]) - (middle[at + 2] - middle[at - 2]);
    let down = 8.0 * (rows[3][at] - rows[1][at]) - (rows[4][at] - rows[0][at]);
    (across / 12.0, down / 12.0)
}

/// The plate as the frame's grid sees it.
struct Warped {
    values: Vec<f32>,
    base: Vec<f32>,
}

impl Warped {
    /// `None` where it would leave the plate's unspoilt part.
    fn of(patch: &Patch, around: Rect, map: &Map) -> Option<Warped> {
        let [width, height] = patch.plate.size();
        let spoilt = SPOILT.min(width.min(height) as i32 / 6).max(3);
        let low = f64::from(spoilt);
        let high = [width, height].map(|side| side as f64 - 1.0 - low);
        let place = |x: i32, y: i32| {
            let [x, y] = patch.full(f64::from(x) + 0.5, f64::from(y) + 0.5);
            let (x, y) = map.apply(x, y);
            [
                (x - patch.plate.origin[0]) / patch.step - 0.5,
                (y - patch.plate.origin[1]) / patch.step - 0.5,
            ]
        };
        for (x, y) in [
            (around.x0, around.y0),
            (around.x1 - 1, around.y0),
            (around.x0, around.y1 - 1),
            (around.x1 - 1, around.y1 - 1),
        ] {
            let at = place(x, y);
            let inside = |k: usize| at[k] >= low && at[k] < high[k] - 1.0;
            if !inside(0) || !inside(1) {
                return None;
            }
        }
        let apart = |x: i32, y: i32| {
            let at = place(x, y);
            [at[0] - f64::from(x), at[1] - f64::from(y)]
        };
        let count = around.area() as usize;
        let mut warped = Warped {
            values: Vec::with_capacity(count),
            base: Vec::with_capacity(count),
        };
        let (detail, base) = (patch.plate.detail.data(), patch.plate.base.data());
        let ends = [
            apart(around.x0, around.y0),
            apart(around.x1 - 1, around.y1 - 1),
        ];
        let others = [
            apart(around.x1 - 1, around.y0),
            apart(around.x0, around.y1 - 1),
        ];
        let mean = [0, 1].map(|k| (ends[0][k] + ends[1][k]) / 2.0);
        let even = |at: &[f64; 2]| (0..2).all(|k| (at[k] - mean[k]).abs() < EVEN);
        if ends.iter().chain(&others).all(even) {
            let first = [
                f64::from(around.x0) + mean[0],
                f64::from(around.y0) + mean[1],
            ];
            warped.shift(patch, around, first);
            return Some(warped);
        }
        for y in around.y0..around.y1 {
            for x in around.x0..around.x1 {
                let at = place(x, y);
                let (u, v) = (at[0].floor(), at[1].floor());
                let (across, down) = (six((at[0] - u) as f32), six((at[1] - v) as f32));
                // Under perspective a point between the corners may stick out by a hair.
                let column = (u as usize).clamp(2, width - 4) - 2;
                let row = (v as usize).clamp(2, height - 4) - 2;
                let mut sum = 0.0;
                for (k, weight) in down.iter().enumerate() {
                    let line = &detail[(row + k) * width + column..][..6];
                    sum += weight * weighed(line, &across);
                }
                warped.values.push(sum);
                let near = |v: f64, side: usize| ((v + 0.5) as usize).min(side - 1);
                warped
                    .base
                    .push(base[near(at[1], height) * width + near(at[0], width)]);
            }
        }
        Some(warped)
    }

    /// The same for a plain shift, where all pixels share their weights: down first, then across.
    fn shift(&mut self, patch: &Patch, around: Rect, first: [f64; 2]) {
        let width = patch.plate.size()[0];
        let wide = around.width() as usize;
        let (detail, base) = (patch.plate.detail.data(), patch.plate.base.data());
        let (u, v) = (first[0].floor(), first[1].floor());
        let (across, down) = (six((first[0] - u) as f32), six((first[1] - v) as f32));
        let (column, row) = (u as usize - 2, v as usize - 2);
        let near = [(first[0] + 0.5) as usize, (first[1] + 0.5) as usize];
        let mut line = vec![0.0f32; wide + 5];
        for y in 0..around.height() as usize {
            line.fill(0.0);
            for (k, weight) in down.iter().enumerate() {
                let from = &detail[(row + y + k) * width + column..][..wide + 5];
                for (sum, value) in line.iter_mut().zip(from) {
                    *sum += weight * value;
                }
            }
            let lines = line.windows(6);
            self.values
                .extend(lines.map(|samples| weighed(samples, &across)));
            self.base
                .extend_from_slice(&base[(near[1] + y) * width + near[0]..][..wide]);
        }
    }
}

/// Where all of a block moves alike to within this (grid px), it is taken as a plain shift: what its two ends are off
/// cancels.
const EVEN: f64 = 0.03;

/// Six samples around a point: weights of the polynomial through them (Lagrange), at `t` between the third and the
/// fourth. Its phase is right far beyond a cubic's, which would pull shifts by some hundredths of a pixel.
fn six(t: f32) -> [f32; 6] {
    let [a, b, c, d, e, f] = [t + 2.0, t + 1.0, t, t - 1.0, t - 2.0, t - 3.0];
    [
        -b * c * d * e * f / 120.0,
        a * c * d * e * f / 24.0,
        -a * b * d * e * f / 12.0,
        a * b * c * e * f / 12.0,
        -a * b * c * d * f / 24.0,
        a * b * c * d * e / 120.0,
    ]
}

fn weighed(samples: &[f32], weights: &[f32; 6]) -> f32 {
    samples.iter().zip(weights).map(|(a, b)| a * b).sum()
}
