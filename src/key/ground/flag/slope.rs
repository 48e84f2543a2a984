//! How the light drifts across the whole frame: a slope that most of the frame agrees to, whatever a flag did to the
//! rest. Started from every part of the frame, since a slope through all of it leans towards the flag.

use super::super::super::tools::linear::solved;
use super::blocks::Blocks;

/// Departures at which a block counts a quarter. The first is used at which so much of what is known agrees.
const WIDTHS: [f64; 5] = [0.004, 0.007, 0.012, 0.02, 0.035];
const AGREE: f64 = 0.45;
/// Rounds begin with so many times the width.
const ROUNDS: [f64; 8] = [4.0, 3.0, 2.0, 1.5, 1.0, 1.0, 1.0, 1.0];

/// The slope through logarithms of light, per channel, as it is at each block. `known` weighs the blocks.
pub(super) fn fitted(blocks: &Blocks, logs: &[Vec<f64>; 3], known: &[f64]) -> [Vec<f64>; 3] {
    let bright = brightness(logs);
    let across = |at: usize| (at % blocks.width) as f64 / blocks.width.max(1) as f64 - 0.5;
    let down = |at: usize| (at / blocks.width) as f64 / blocks.height.max(1) as f64 - 0.5;
    let parts: [&dyn Fn(usize) -> bool; 9] = [
        &|_| true,
        &|at| across(at) < 0.0,
        &|at| across(at) >= 0.0,
        &|at| down(at) < 0.0,
        &|at| down(at) >= 0.0,
        &|at| across(at) < 0.0 && down(at) < 0.0,
        &|at| across(at) >= 0.0 && down(at) < 0.0,
        &|at| across(at) < 0.0 && down(at) >= 0.0,
        &|at| across(at) >= 0.0 && down(at) >= 0.0,
    ];
    let fit = |values: &[f64], weights: &[f64]| {
        let mut sums = [[0.0f64; 4]; 3];
        for at in 0..values.len() {
            let basis = [1.0, across(at), down(at)];
            for i in 0..3 {
                let share = weights[at] * basis[i];
                for j in 0..3 {
                    sums[i][j] += share * basis[j];
                }
                sums[i][3] += share * values[at];
            }
        }
        let pull = 1e-3 * sums[0][0].max(1e-9);
        for (i, row) in sums.iter_mut().enumerate() {
            // What nothing decides stays level.
            row[i] += if i == 0 { 1e-9 } else { pull };
        }
        solved(sums).unwrap_or([0.0; 3])
    };
    let drawn = |terms: [f64; 3]| -> Vec<f64> {
        let at = |at| terms[0] + terms[1] * across(at) + terms[2] * down(at);
        (0..blocks.count()).map(at).collect()
    };
    let whole: f64 = known.iter().sum();
    let mut best: Option<(f64, Vec<f64>)> = None;
    for least in WIDTHS {
        best = None;
        for part in parts {
            let mut weights: Vec<f64> = (0..blocks.count())
                .map(|at| if part(at) { known[at] } else { 0.0 })
                .collect();
            let mut agreed = 0.0;
            for times in ROUNDS {
                let slope = drawn(fit(&bright, &weights));
                agreed = 0.0;
                for at in 0..blocks.count() {
                    let off = (bright[at] - slope[at]) / (times * least);
                    let near = 1.0 / (1.0 + off * off);
                    agreed += known[at] * near;
                    weights[at] = known[at] * near * near;
                }
            }
            if best.as_ref().is_none_or(|(most, _)| agreed > *most) {
                best = Some((agreed, weights));
            }
        }
        if best.as_ref().is_some_and(|best| best.0 >= AGREE * whole) {
            break;
        }
    }
    let weights = best.map_or_else(Vec::new, |best| best.1);
    [0, 1, 2].map(|k| drawn(fit(&logs[k], &weights)))
}

/// The mean of the channels.
pub(super) fn brightness([r, g, b]: &[Vec<f64>; 3]) -> Vec<f64> {
    let mean = |((r, g), b): ((&f64, &f64), &f64)| (r + g + b) / 3.0;
    r.iter().zip(g).zip(b).map(mean).collect()
}
