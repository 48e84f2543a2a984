//! How frame and plate differ under a map, block by block.

use rayon::prelude::*;

use super::patch::Patch;
use super::sums::Sums;
use super::warped::Warped;
use crate::geom::{Map, Rect};

/// Pixels at a plane's border that the filters spoil.
pub(super) const SPOILT: i32 = 8;
/// Every so many pixels across and down a residual is kept for the spread.
const SAMPLE: i32 = 4;
/// Half-width of the derivative.
pub(super) const REACH: i32 = 2;

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
    /// Detail is cut here for `cut_product`; `None` where no product is asked for: all of them stay zero.
    pub cut: Option<f32>,
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

    /// Lets go of what only the spread is told from.
    pub(super) fn told(&mut self) {
        self.residuals = Vec::new();
    }

    /// What would be measured, to first order, under a map that moves the block by so much more, grid px.
    pub(super) fn moved(&self, [x, y]: [f64; 2]) -> Block {
        let [xx, xy, yy] = self.hold;
        let pull = [
            self.pull[0] + xx * x + xy * y,
            self.pull[1] + xy * x + yy * y,
        ];
        Block {
            pull,
            ..self.clone()
        }
    }
}

/// Mean weight of a block that is no part of the set, and of one that is; with noise alone it is about 0.82.
const STRANGE: f64 = 0.55;
const FAMILIAR: f64 = 0.75;

/// All blocks of all patches, in order.
pub(super) fn blocks(patches: &[Patch], map: &Map, gauge: Gauge) -> Vec<Block> {
    every(1, patches, map, gauge)
}

/// The standard deviation of differences before anything is known about them, from every fifth block.
pub(super) fn first_spread(patches: &[Patch], map: &Map) -> f32 {
    let spread = f32::INFINITY;
    self::spread(&every(5, patches, map, Gauge { spread, cut: None }))
}

fn every(nth: usize, patches: &[Patch], map: &Map, gauge: Gauge) -> Vec<Block> {
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
        .step_by(nth)
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
    let (wide, across) = (around.width() as usize, part.width() as usize);
    let mut sums = Sums::new(across);
    let mut set = vec![1.0; across];
    for y in part.y0..part.y1 {
        let line = (y - around.y0) as usize;
        let offsets = [0, 1, 2, 3, 4];
        let own = offsets.map(|k| detail.span(y + k - REACH, around.x0, around.x1));
        let seen = offsets.map(|k| &warped.values[(line + k as usize - reach) * wide..][..wide]);
        let smooth = base.span(y, part.x0, part.x1);
        let lows = warped.lows(patch, line, reach, across);
        if let Some(known) = &patch.set {
            known.row(y, part.x0, &mut set);
        }
        sums.add(own, seen, [smooth, lows], &set, gauge);
        if y % SAMPLE == 0 {
            block.residuals.extend(sums.errors(SAMPLE as usize));
        }
    }
    let [px, py, xx, xy, yy, pp, ff, pf, cut, weight, count] = sums.totals();
    Block {
        pull: [px, py],
        hold: [xx, xy, yy],
        products: [pp, ff, pf],
        cut_product: cut,
        weight,
        count,
        ..block
    }
}
