//! The last step of the estimate: octaves of detail that each weigh as much as they can be trusted.
//!
//! What a set is made of, how fine its noise is and how light drifts over it differ from shoot to shoot. Each octave
//! gives an answer of its own and how far its blocks disagree about it; the answers are joined by inverse covariances
//! (two-step generalised method of moments: Hansen, Econometrica 50(4), 1982). An octave in which light moved, or
//! that noise drowns, then counts for little, and in each direction by itself.

use rayon::prelude::*;

use super::fit::{Fit, correlation, near};
use super::measure::{self, Block, Gauge};
use super::patch::Patch;
use super::pose::{Pose, Way, inverse};

/// Pose and covariance of the joined answer.
#[derive(Clone, Debug)]
struct Refined {
    pose: Pose,
    covariance: Vec<Vec<f64>>,
    looked: Looked,
}

/// What octaves showed under a pose.
#[derive(Clone, Debug)]
pub(super) struct Looked {
    pose: Pose,
    /// Of each octave; none where it was not asked.
    blocks: Vec<Vec<Block>>,
    gauges: Vec<Gauge>,
    /// How far the answer was from there, px.
    off: f64,
}

/// What one octave says, in full-size pixels: the answer is `-hold^-1 pull`.
struct Opinion {
    hold: Vec<Vec<f64>>,
    pull: Vec<f64>,
    /// Covariance of the pull.
    doubt: Vec<Vec<f64>>,
    /// Zero where products were not asked for.
    correlation: f64,
}

impl Opinion {
    fn is_noisy(&self) -> bool {
        self.correlation <= NOISY
    }
}

/// Rounds; the start is within some tenths of a pixel and two are enough.
const ROUNDS: usize = 6;
/// A round that moves less (px) was the last.
const ENOUGH: f64 = 0.003;
/// Where the last round moved less (px), what octaves showed then says as much as another look.
const STILL: f64 = 0.0015;
/// The most that one round may move, px.
const STRIDE: f64 = 0.7;
/// Octaves see about a pixel far, px.
const AWAY: f64 = 1.5;
/// So many octaves, the coarsest, are free of false pattern.
const SAFE: usize = 2;
/// A finer octave has no say if its answer lies further from the coarser ones' than this (squared, in deviations of the
/// difference, for two directions: one honest octave in 33). What is finer than two pixels is seen as false pattern
/// that stands still while the camera moves.
const FALSE: f64 = 7.0;
/// Variance of differences between octaves over that of independent ones.
const AGREEMENT: f64 = 1.3;
/// Beyond this correlation no noise rules and the finest octave is not needed.
const NOISY: f64 = 0.5;
/// Octaves share some of their noise and light, so that together they know less than their numbers say: variance over
/// that of independent ones, from several hundred drawn frames.
const SHARED: f64 = 2.0;
/// What interpolation and false pattern leave at best, px squared.
const LEAST: f64 = 0.004 * 0.004;

/// A fit with its pose and covariance improved along `ways`, or as it was where the octaves hold nothing or lead away.
pub(super) fn refitted(octaves: &[Vec<Patch>], fit: Fit, ways: &[Way]) -> Fit {
    let Some(refined) = refined(octaves, fit.pose, ways, fit.looked.as_ref()) else {
        return fit;
    };
    let (from, to) = (fit.pose.shift(), refined.pose.shift());
    if (0..2).any(|k| (from[k] - to[k]).abs() > AWAY) {
        return fit;
    }
    Fit {
        pose: refined.pose,
        covariance: Some(refined.covariance),
        ways: ways.to_vec(),
        looked: Some(refined.looked),
        ..fit
    }
}

/// Improves `pose` along `ways` on the octaves of a picture, finest first. `None` where they hold nothing. `before` is
/// what they showed under a pose nearby.
fn refined(
    octaves: &[Vec<Patch>],
    pose: Pose,
    ways: &[Way],
    before: Option<&Looked>,
) -> Option<Refined> {
    if let Some(before) = before.filter(|before| before.off < STILL)
        && let looked = before.moved(pose, octaves)
        && let Some((back, step)) = joined(&looked.opinions(octaves, ways), ways.len())
        && farthest(&step) < ENOUGH
    {
        return Some(Refined {
            pose: pose.moved(ways, &step),
            covariance: shared(back),
            looked,
        });
    }
    looked_again(octaves, pose, ways, before)
}

fn looked_again(
    octaves: &[Vec<Patch>],
    mut pose: Pose,
    ways: &[Way],
    before: Option<&Looked>,
) -> Option<Refined> {
    let mut last = None;
    let mut finest = !octaves.is_empty();
    // Of the finest octave alone it is asked how alike the pictures are.
    let unknown = |k| Gauge {
        spread: f32::INFINITY,
        cut: (k == 0).then_some(f32::INFINITY),
    };
    let mut gauges: Vec<Gauge> = match before {
        Some(looked) => looked.gauges.clone(),
        None => (0..octaves.len()).map(unknown).collect(),
    };
    for _ in 0..ROUNDS {
        let blocks: Vec<Vec<Block>> = octaves
            .par_iter()
            .zip(&mut gauges)
            .enumerate()
            .map(|(k, (patches, gauge))| match k > 0 || finest {
                true => measured(patches, &pose, gauge),
                false => Vec::new(),
            })
            .collect();
        let mut looked = Looked {
            pose,
            blocks,
            gauges: gauges.clone(),
            off: f64::INFINITY,
        };
        let opinions = looked.opinions(octaves, ways);
        finest = finest && opinions[0].as_ref().is_some_and(Opinion::is_noisy);
        let (back, amounts) = joined(&opinions, ways.len())?;
        let farthest = farthest(&amounts);
        if !farthest.is_finite() {
            return None;
        }
        let scale = (STRIDE / farthest).min(1.0);
        let step: Vec<f64> = amounts.iter().map(|amount| amount * scale).collect();
        pose = pose.moved(ways, &step);
        looked.off = farthest;
        last = Some((back, looked));
        if farthest < ENOUGH {
            break;
        }
    }
    let (back, looked) = last?;
    Some(Refined {
        pose,
        covariance: shared(back),
        looked,
    })
}

/// The largest of some amounts; no number where one of them is none.
fn farthest(amounts: &[f64]) -> f64 {
    let sizes = amounts.iter().map(|v| v.abs());
    sizes.fold(0.0, |far, v| if v > far || v.is_nan() { v } else { far })
}

/// A covariance of octaves as if they were independent, widened by what they share.
fn shared(mut covariance: Vec<Vec<f64>>) -> Vec<Vec<f64>> {
    for cell in covariance.iter_mut().flatten() {
        *cell *= SHARED;
    }
    for (k, row) in covariance.iter_mut().enumerate() {
        row[k] += LEAST;
    }
    covariance
}

fn measured(patches: &[Patch], pose: &Pose, gauge: &mut Gauge) -> Vec<Block> {
    let map = pose.map();
    if gauge.spread == f32::INFINITY {
        gauge.spread = measure::first_spread(patches, &map);
    }
    let mut blocks = measure::blocks(patches, &map, *gauge);
    gauge.spread = measure::spread(&blocks);
    blocks.iter_mut().for_each(Block::told);
    blocks
}

impl Looked {
    /// What each octave says.
    fn opinions(&self, octaves: &[Vec<Patch>], ways: &[Way]) -> Vec<Option<Opinion>> {
        let each = self.blocks.par_iter().zip(octaves);
        each.map(|(blocks, patches)| opinion(blocks, patches.first()?.step, &self.pose, ways))
            .collect()
    }

    /// The same under a pose nearby.
    fn moved(&self, pose: Pose, octaves: &[Vec<Patch>]) -> Looked {
        let (from, to) = (self.pose.map(), pose.map());
        let blocks = self.blocks.iter().zip(octaves).map(|(blocks, patches)| {
            let step = patches.first().map_or(1.0, |patch| patch.step);
            let moved = |block: &Block| {
                let [x, y] = block.middle;
                let ((u, v), (s, t)) = (from.apply(x, y), to.apply(x, y));
                block.moved([(s - u) / step, (t - v) / step])
            };
            blocks.iter().map(moved).collect()
        });
        Looked {
            pose,
            blocks: blocks.collect(),
            gauges: self.gauges.clone(),
            off: self.off,
        }
    }
}

fn opinion(blocks: &[Block], step: f64, pose: &Pose, ways: &[Way]) -> Option<Opinion> {
    // How much a pull counts: how well the octave holds, over how far its blocks disagree, each way of a shift.
    let pulls: Vec<Vec<f64>> = blocks.iter().map(|block| block.pull.to_vec()).collect();
    let back = inverse(&disagreement(blocks, &pulls, 2))?;
    let [xx, xy, yy] = [0, 1, 2].map(|k| blocks.iter().map(|block| block.hold[k]).sum::<f64>());
    let worth = product(&[vec![xx, xy], vec![xy, yy]], &back);
    let n = ways.len();
    let mut hold = vec![vec![0.0; n]; n];
    let mut pull = vec![0.0; n];
    let mut pulls = Vec::with_capacity(blocks.len());
    for block in blocks {
        let moves = pose.moves(block.middle, ways);
        let [xx, xy, yy] = block.hold;
        let held = product(&worth, &[vec![xx, xy], vec![xy, yy]]);
        let drawn = [0, 1].map(|r| worth[r][0] * block.pull[0] + worth[r][1] * block.pull[1]);
        let own: Vec<f64> = moves
            .iter()
            .map(|[a, b]| (a * drawn[0] + b * drawn[1]) / step)
            .collect();
        for (r, [a, b]) in moves.iter().enumerate() {
            pull[r] += own[r];
            for (c, [d, e]) in moves.iter().enumerate() {
                let across = a * held[0][0] + b * held[1][0];
                let down = a * held[0][1] + b * held[1][1];
                hold[r][c] += (across * d + down * e) / (step * step);
            }
        }
        pulls.push(own);
    }
    Some(Opinion {
        hold,
        pull,
        doubt: disagreement(blocks, &pulls, n),
        correlation: correlation(blocks),
    })
}

/// Sum over blocks of their pulls' products with their own and, by half a row and column away, with their
/// neighbours' pulls: noise and light reach beyond one block (Bartlett's kernel, which keeps the sum positive).
fn disagreement(blocks: &[Block], pulls: &[Vec<f64>], n: usize) -> Vec<Vec<f64>> {
    let mut sum = vec![vec![0.0; n]; n];
    for (k, (block, own)) in blocks.iter().zip(pulls).enumerate() {
        let (patch, column, wide) = (block.patch, block.column, block.columns);
        // Itself and the four neighbours that come later; the four before it are their mirror.
        let later = [
            (0, 0, 1.0),
            (1, 1, 0.5),
            (wide, 0, 0.5),
            (wide + 1, 1, 0.25),
            (wide - 1, -1, 0.25),
        ];
        for (offset, across, share) in later {
            let there = column as i64 + across;
            if !(0..wide as i64).contains(&there) {
                continue;
            }
            let Some(other) = blocks.get(k + offset).filter(|other| other.patch == patch) else {
                continue;
            };
            debug_assert_eq!(other.column as i64, there);
            for r in 0..n {
                for c in 0..n {
                    let cross = own[r] * pulls[k + offset][c];
                    sum[r][c] += share * cross;
                    if offset > 0 {
                        sum[c][r] += share * cross;
                    }
                }
            }
        }
    }
    sum
}

/// The joined covariance and step. An octave finer than two pixels has a say only where it does not contradict the
/// coarser ones, the finest one only where noise rules it too.
fn joined(opinions: &[Option<Opinion>], n: usize) -> Option<(Vec<Vec<f64>>, Vec<f64>)> {
    let mut first = opinions.len().saturating_sub(SAFE);
    let mut found = answer(&sum(&opinions[first..], n));
    while first > 0 {
        first -= 1;
        let Some(finer) = &opinions[first] else {
            break;
        };
        let Some((back, amounts)) = &found else {
            found = answer(&sum(&opinions[first..], n));
            continue;
        };
        let Some((own_back, own)) = answer(finer) else {
            break;
        };
        let apart = [own[0] - amounts[0], own[1] - amounts[1]];
        let spread = |r: usize, c: usize| AGREEMENT * (back[r][c] + own_back[r][c]);
        let agrees = near(apart, [spread(0, 0), spread(0, 1), spread(1, 1)], FALSE);
        if !agrees || (first == 0 && !finer.is_noisy()) {
            break;
        }
        found = answer(&sum(&opinions[first..], n));
    }
    found
}

fn sum(opinions: &[Option<Opinion>], n: usize) -> Opinion {
    let mut all = Opinion {
        hold: vec![vec![0.0; n]; n],
        pull: vec![0.0; n],
        doubt: vec![vec![0.0; n]; n],
        correlation: 0.0,
    };
    for opinion in opinions.iter().flatten() {
        let cells = all.hold.iter_mut().chain(&mut all.doubt).flatten();
        let more = opinion.hold.iter().chain(&opinion.doubt).flatten();
        for (cell, more) in cells.zip(more) {
            *cell += more;
        }
        for (cell, more) in all.pull.iter_mut().zip(&opinion.pull) {
            *cell += more;
        }
    }
    all
}

fn answer(opinion: &Opinion) -> Option<(Vec<Vec<f64>>, Vec<f64>)> {
    let back = inverse(&opinion.hold)?;
    let amounts = back
        .iter()
        .map(|row| {
            -row.iter()
                .zip(&opinion.pull)
                .map(|(a, b)| a * b)
                .sum::<f64>()
        })
        .collect();
    let n = back.len();
    let mirrored: Vec<Vec<f64>> = (0..n)
        .map(|c| back.iter().map(|row| row[c]).collect())
        .collect();
    Some((product(&product(&back, &opinion.doubt), &mirrored), amounts))
}

fn product(a: &[Vec<f64>], b: &[Vec<f64>]) -> Vec<Vec<f64>> {
    a.iter()
        .map(|row| {
            (0..b.first().map_or(0, Vec::len))
                .map(|c| row.iter().zip(b).map(|(v, line)| v * line[c]).sum())
                .collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::{Grain, Shown, layer};
    use super::super::pose::SHIFT;
    use super::super::{octaves, patch};
    use super::*;
    use crate::budget::Account;
    use crate::geom::Rect;
    use crate::raster::Raster;

    /// Fine texture under noise, and blotches of light of 12 px that are others in every exposure.
    fn shot([dx, dy]: [f64; 2], exposure: u64, account: &Account) -> Shown {
        let mut grain = Grain((exposure + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let mut light = Raster::filled(Rect::of_size(220, 200), [0.0; 3], account).unwrap();
        for y in 0..200 {
            for x in 0..220 {
                let (u, v) = (f64::from(x) + dx, f64::from(y) + dy);
                let texture = 0.04 * layer(u, v, 5.0, 1);
                let blotch = 0.02
                    * layer(
                        f64::from(x),
                        f64::from(y),
                        12.0,
                        (exposure + 1).wrapping_mul(0xd1b5_4a32_d192_ed03),
                    );
                let value = 0.3 + texture + blotch + 0.015 * grain.next();
                light.put(x, y, [value as f32; 3]);
            }
        }
        Shown(light, account.clone())
    }

    #[test]
    fn a_shift_is_found_as_closely_as_it_says() {
        let account = Account::unlimited();
        let (mut square, mut said, mut off) = (0.0, 0.0f64, 0.0f64);
        let truths = [[0.31, -0.22], [-0.4, 0.13], [0.08, 0.45], [-0.27, -0.36]];
        for (truth, n) in truths.into_iter().zip(0u64..) {
            let frame = shot(truth, 2 * n, &account);
            let plate = shot([0.0; 2], 2 * n + 1, &account);
            let mut patches = [patch::whole(&frame, &plate, 1, &account).unwrap()];
            let octaves = octaves(&mut patches, &account).unwrap();
            let start = Pose::still(&Rect::of_size(220, 200));
            let found = refined(&octaves, start, &SHIFT, None).unwrap();
            for k in 0..2 {
                let error = found.pose.shift()[k] - truth[k];
                square += error * error / found.covariance[k][k] / 8.0;
                said = said.max(found.covariance[k][k].sqrt());
                off = off.max(error.abs());
            }
        }
        assert!(
            (0.1..2.5).contains(&square),
            "{square} of the variance said"
        );
        assert!(said < 0.03 && off < 0.04, "said {said}, off by {off}");
    }
}
