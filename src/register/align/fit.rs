//! Gauss-Newton with weights that forget what is no part of the set, and an honest deviation of its result.
//!
//! The pull uses the frame's own derivative alone: that of the moved plate would be correlated with the moved
//! plate's noise, and on a nearly featureless plate this draws the answer toward half pixels.

use super::measure::{self, Block, Gauge};
use super::patch::{Patch, typical};
use super::pose::{Pose, Way, inverse};
use super::refine::Looked;

/// Where the fit ended.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub pose: Pose,
    pub ways: Vec<Way>,
    /// Covariance of the amounts along the ways, px squared; `None` where nothing holds them.
    pub covariance: Option<Vec<Vec<f64>>>,
    /// Weighted correlation, 0..1.
    pub correlation: f64,
    /// How far the correlation without weights stands above chance, in standard deviations.
    pub evidence: f64,
    pub blocks: Vec<Block>,
    /// What the shift's hold (sum of w dI dP: xx, xy, yy) is in standard deviations of what noise alone makes of it.
    pub hold: [f64; 3],
    /// Its start stands so far above all others within the range that it is no chance.
    pub proven: bool,
    /// What octaves showed, where they were asked.
    pub looked: Option<Looked>,
}

/// Where the rounds of a fit led to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub pose: Pose,
    /// The standard deviation of differences there.
    pub spread: f32,
    /// As of a fit.
    pub proven: bool,
}

impl Fit {
    pub(super) fn place(&self) -> Place {
        Place {
            pose: self.pose,
            spread: measure::spread(&self.blocks),
            proven: self.proven,
        }
    }

    /// How far the pose went along way `k`.
    pub(super) fn amount(&self, k: usize) -> f64 {
        let way = &self.ways[k];
        let size: f64 = way.iter().map(|v| v * v).sum();
        self.pose
            .parts
            .iter()
            .zip(way)
            .map(|(a, b)| a * b)
            .sum::<f64>()
            / size
    }
}

/// Share of the mean hold that is added in every direction, so that a direction without texture stays put:
/// the least, as a set that runs one way is held a hundred times better across than along.
const DAMPING: f64 = 0.001;
/// A round that moves less than this (grid px) was the last: octaves go on from there.
const ENOUGH: f64 = 0.02;
/// The most that one round may move, grid px.
const STRIDE: f64 = 1.5;

/// So many of its own standard deviations the hold is thought too large.
const LUCK: f64 = 1.5;

/// Improves `pose` along `ways` in at most `rounds` rounds, and tells how well it fits there.
pub(super) fn fitted(patches: &[Patch], pose: Pose, ways: &[Way], rounds: usize) -> Fit {
    let Place { pose, spread, .. } = approached(patches, pose, ways, rounds);
    let step = step(patches);
    let details = patches
        .iter()
        .map(|patch| typical(patch.plate.detail.data()));
    let cut = Some(3.0 * details.fold(0.0, f32::max));
    let blocks = measure::blocks(patches, &pose.map(), Gauge { spread, cut });
    let hold = hold_over_noise(&blocks, spread);
    let mut covariance = covariance(&blocks, &pose, ways, step);
    // Where noise rules, part of the hold is the noise's own: the match found is the luckiest one nearby.
    let doubt = 1.0 / (1.0 - LUCK / hold[0].min(hold[2]).max(2.0 * LUCK));
    for cell in covariance.iter_mut().flatten().flatten() {
        *cell *= doubt * doubt;
    }
    Fit {
        covariance,
        correlation: correlation(&blocks),
        evidence: evidence(&blocks),
        hold,
        proven: false,
        ways: ways.to_vec(),
        pose,
        blocks,
        looked: None,
    }
}

/// Full-size pixels to one of the patches' grid.
fn step(patches: &[Patch]) -> f64 {
    patches.first().map_or(1.0, |patch| patch.step)
}

/// The rounds alone.
pub(super) fn approached(patches: &[Patch], mut pose: Pose, ways: &[Way], rounds: usize) -> Place {
    let step = step(patches);
    let mut spread = measure::first_spread(patches, &pose.map());
    for _ in 0..rounds {
        let gauge = Gauge { spread, cut: None };
        let blocks = measure::blocks(patches, &pose.map(), gauge);
        let (mut hold, pull) = normal(&blocks, &pose, ways);
        let n = ways.len();
        let trace: f64 = (0..n).map(|k| hold[k][k]).sum();
        for (k, row) in hold.iter_mut().enumerate() {
            row[k] += DAMPING * trace.max(0.0) / n as f64;
        }
        let Some(back) = inverse(&hold) else { break };
        let mut amounts: Vec<f64> = back
            .iter()
            .map(|row| -step * row.iter().zip(&pull).map(|(a, b)| a * b).sum::<f64>())
            .collect();
        let farthest = amounts.iter().fold(0.0f64, |far, v| far.max(v.abs())) / step;
        if !farthest.is_finite() {
            break;
        }
        if farthest > STRIDE {
            for amount in &mut amounts {
                *amount *= STRIDE / farthest;
            }
        }
        pose = pose.moved(ways, &amounts);
        spread = measure::spread(&blocks);
        if farthest < ENOUGH {
            break;
        }
    }
    Place {
        pose,
        spread,
        proven: false,
    }
}

/// The normal equations along the ways. Within a block all pixels move alike.
fn normal(blocks: &[Block], pose: &Pose, ways: &[Way]) -> (Vec<Vec<f64>>, Vec<f64>) {
    let n = ways.len();
    let (mut hold, mut pull) = (vec![vec![0.0; n]; n], vec![0.0; n]);
    for block in blocks {
        let moves = pose.moves(block.middle, ways);
        let [xx, xy, yy] = block.hold;
        for (r, [a, b]) in moves.iter().enumerate() {
            pull[r] += a * block.pull[0] + b * block.pull[1];
            for (c, [d, e]) in moves.iter().enumerate() {
                hold[r][c] += a * d * xx + (a * e + b * d) * xy + b * e * yy;
            }
        }
    }
    (hold, pull)
}

/// H^-1 (sum of s s^T) H^-1 over the blocks' pulls s: holds whatever the noise is like, and grows where blocks
/// disagree for other reasons than noise.
fn covariance(blocks: &[Block], pose: &Pose, ways: &[Way], step: f64) -> Option<Vec<Vec<f64>>> {
    let n = ways.len();
    let back = inverse(&normal(blocks, pose, ways).0)?;
    let mut result = vec![vec![0.0; n]; n];
    for block in blocks {
        let moves = pose.moves(block.middle, ways);
        let pulls = moves
            .iter()
            .map(|[a, b]| a * block.pull[0] + b * block.pull[1]);
        let pulls: Vec<f64> = pulls.collect();
        let along = back
            .iter()
            .map(|row| row.iter().zip(&pulls).map(|(a, b)| a * b).sum());
        let along: Vec<f64> = along.collect();
        for (row, a) in result.iter_mut().zip(&along) {
            for (cell, b) in row.iter_mut().zip(&along) {
                *cell += step * step * a * b;
            }
        }
    }
    Some(result)
}

/// Whether a difference of shifts is no larger than `limit` allows (squared deviations) under a covariance xx, xy, yy.
pub(super) fn near([x, y]: [f64; 2], [xx, xy, yy]: [f64; 3], limit: f64) -> bool {
    let size = xx * yy - xy * xy;
    x * x * yy - 2.0 * x * y * xy + y * y * xx <= limit * size
}

pub(super) fn correlation(blocks: &[Block]) -> f64 {
    let sum = |k: usize| blocks.iter().map(|block| block.products[k]).sum::<f64>();
    let size = (sum(0) * sum(1)).sqrt();
    if size > 0.0 {
        (sum(2) / size).clamp(0.0, 1.0)
    } else {
        0.0
    }
}

/// The sum of products of two independent noises' derivatives has a deviation of `PRODUCTS` times their variance
/// times the root of how many there are.
fn hold_over_noise(blocks: &[Block], spread: f32) -> [f64; 3] {
    let count = |block: &Block| block.weight * block.belongs() * block.belongs();
    let count: f64 = blocks.iter().map(count).sum();
    let variance = f64::from(spread) * f64::from(spread) / 2.0;
    let noise = PRODUCTS * variance * count.sqrt();
    [0, 1, 2].map(|k| blocks.iter().map(|block| block.hold[k]).sum::<f64>() / noise)
}

/// For the detail that is compared, of white noise: 1.20 at full size, 1.15 on a reduced grid (from 300 pairs of fields).
const PRODUCTS: f64 = 1.2;

fn evidence(blocks: &[Block]) -> f64 {
    let sum: f64 = blocks.iter().map(|block| block.cut_product).sum();
    let squares: f64 = blocks
        .iter()
        .map(|block| block.cut_product * block.cut_product)
        .sum();
    if squares > 0.0 {
        sum / squares.sqrt()
    } else {
        0.0
    }
}
