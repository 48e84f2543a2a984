//! Exposure and white of a frame against its plate, from what is the set under its own light.
//!
//! Small cells of both pictures are compared. A shadow only darkens, so that the upper mode of the cells'
//! brightness ratios is the light that nothing shades; white is the ratio of the channels there.

mod cells;
mod uneven;

use super::Balance;
use crate::budget::Account;
use crate::raster::Seen;
use cells::Cell;

/// `ln 2`.
const STOP: f64 = std::f64::consts::LN_2;
/// Exposure changes looked for first, natural logarithm of the ratio: half a stop. Beyond, only if nothing is here.
const LIKELY: f64 = 0.5 * STOP;
/// Exposure changes looked for at all: two stops.
const POSSIBLE: f64 = 2.0 * STOP;
/// Width of the histogram's cells, natural logarithm.
const BIN: f64 = 0.002;
/// Half-width of the window in which a mode gathers its share, natural logarithm: what slow drift of light does.
const WINDOW: f64 = 0.02;
/// The widest that this window gets, and what it is in deviations of the drift.
const WIDEST: f64 = 0.12;
const WINDOWS: f64 = 3.5;
/// The same for tints: light that a piece throws back is this far from the set's own.
const TINT_WINDOW: f64 = 0.01;
/// A higher mode counts if it holds this share of the strongest one's.
const UPPER: f64 = 0.5;
/// Cells needed.
const FEWEST: usize = 16;

/// Estimates the gains of `frame` against `plate`, both on the frame's grid.
///
/// Gains are exactly 1 where too little of the two pictures can be compared (`used` says how much could). Memory
/// stays below some megabytes beside what the pictures need for a band.
pub fn balanced<F: Seen, P: Seen<Fault = F::Fault>>(
    frame: &F,
    plate: &P,
    account: &Account,
) -> Result<Balance, F::Fault> {
    let grid = cells::compared(frame, plate, account)?;
    let set: Vec<&Cell> = grid.cells.iter().filter(|cell| cell.weight > 0.0).collect();
    if set.len() < FEWEST {
        return Ok(Balance {
            gains: [1.0; 3],
            exposure: 0.0,
            used: 0.0,
            deviation: f64::INFINITY,
            uneven: None,
        });
    }
    let start = upper_mode(&set, LIKELY).or_else(|| upper_mode(&set, POSSIBLE));
    let lights = set.iter().map(|cell| (cell.light, cell.weight));
    let mode = settled(lights.clone(), start.unwrap_or(0.0), WINDOW);
    let window = width(lights.clone(), mode);
    let level = settled(lights, mode, window);
    let core: Vec<&Cell> = set
        .iter()
        .copied()
        .filter(|cell| (cell.light - level).abs() < 1.5 * window)
        .collect();
    let total: f64 = core.iter().map(|cell| cell.weight).sum();
    let tints = [0, 1, 2].map(|k| {
        let tints = core.iter().map(|cell| (cell.tint[k], cell.weight));
        settled(tints.clone(), middle(tints), TINT_WINDOW)
    });
    // The brightness that tints are relative to weighs the channels like `light`; exposure is the mean of all three.
    let logs = tints.map(|tint| level + tint);
    let exposure = (logs[0] + logs[1] + logs[2]) / 3.0;
    let spread: f64 = core
        .iter()
        .map(|cell| cell.weight * (cell.light - level) * (cell.light - level))
        .sum();
    // Neighbours share their drift of light: about one in 16 cells is an opinion of its own.
    let opinions = (core.len() as f64 / 16.0).max(1.0);
    let deviation = if total > 0.0 {
        (spread / total / opinions).sqrt()
    } else {
        f64::INFINITY
    };
    Ok(Balance {
        gains: logs.map(|log| libm::exp(-log)),
        exposure: exposure / STOP,
        used: core.len() as f64 / grid.cells.len().max(1) as f64,
        deviation,
        uneven: uneven::found(&grid, level),
    })
}

/// The highest mode of the cells' brightness ratios within `reach` of 0 that holds enough.
fn upper_mode(set: &[&Cell], reach: f64) -> Option<f64> {
    let half = (reach / BIN) as usize;
    let mut bins = vec![0.0f64; 2 * half + 1];
    let mut all = 0.0;
    for cell in set {
        all += cell.weight;
        let bin = (cell.light / BIN).round() + half as f64;
        if bin >= 0.0 && bin < bins.len() as f64 {
            bins[bin as usize] += cell.weight;
        }
    }
    let wide = (WINDOW / BIN) as usize;
    let share: Vec<f64> = (0..bins.len())
        .map(|k| {
            let (low, high) = (k.saturating_sub(wide), (k + wide + 1).min(bins.len()));
            let near = (low..high).map(|j| {
                let far = (j as f64 - k as f64) / (wide as f64 + 1.0);
                bins[j] * (1.0 - far * far)
            });
            near.sum()
        })
        .collect();
    let most = share.iter().fold(0.0f64, |most, v| most.max(*v));
    if most <= 0.05 * all {
        return None;
    }
    let peak = |k: usize| {
        let (low, high) = (k.saturating_sub(wide), (k + wide + 1).min(share.len()));
        (low..high).all(|j| share[j] <= share[k])
    };
    (0..share.len())
        .rev()
        .find(|&k| share[k] >= UPPER * most && peak(k))
        .map(|k| (k as f64 - half as f64) * BIN)
}

/// Half-width of the window that takes in the drift of light as a whole, so that its mean is the exposure and not
/// whichever part of the frame is the most even. Told from the brighter side, where no shadow lies.
fn width(values: impl Iterator<Item = (f64, f64)>, mode: f64) -> f64 {
    let brighter = values.filter_map(|(value, share)| {
        let above = value - mode;
        (above > 0.0 && above < WIDEST).then_some((above, share))
    });
    (WINDOWS * middle(brighter) / 0.6745).clamp(WINDOW, WIDEST)
}

/// The mode near `start`, from weighed means in windows that shrink to `window`.
fn settled(values: impl Iterator<Item = (f64, f64)> + Clone, start: f64, window: f64) -> f64 {
    let mut level = start;
    for wide in [2.0, 1.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0] {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (value, share) in values.clone() {
            let far = (value - level) / (wide * window);
            if far.abs() < 1.0 {
                let near = share * (1.0 - far * far);
                sum += near * value;
                weight += near;
            }
        }
        if weight > 0.0 {
            level = sum / weight;
        }
    }
    level
}

/// The weighed median.
fn middle(values: impl Iterator<Item = (f64, f64)>) -> f64 {
    let mut values: Vec<(f64, f64)> = values.collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let total: f64 = values.iter().map(|value| value.1).sum();
    let mut below = 0.0;
    for (value, weight) in &values {
        below += weight;
        if below >= total / 2.0 {
            return *value;
        }
    }
    0.0
}
