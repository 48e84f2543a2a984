//! The taps of every output coordinate on one axis, worked out once.

use std::ops::Range;

use super::Kernel;
use super::taps::{Run, Taps};
use crate::budget::{Account, Charge, OverBudget};

#[derive(Debug)]
pub(super) struct Table {
    weights: Vec<f32>,
    /// First source pixel, and where the weights end; they begin where those before end.
    runs: Vec<(i32, usize)>,
    _charge: Charge,
}

/// The most taps inside `from..to` that a kernel widened `scale` times can have.
pub(super) fn most_taps(kernel: Kernel, scale: f64, (from, to): (i32, i32)) -> u64 {
    let reached = (2.0 * kernel.radius() * scale) as u64 + 2;
    reached.min(u64::from(to.abs_diff(from)))
}

impl Table {
    /// `aim` works out the taps of an output coordinate, at most `most`; false where there are none.
    pub(super) fn new(
        outputs: Range<i32>,
        most: u64,
        account: &Account,
        aim: impl Fn(&mut Taps, i32) -> bool,
    ) -> Result<Table, OverBudget> {
        let count = outputs.len() as u64;
        let run = size_of::<(i32, usize)>() as u64;
        let bytes = count * (most * size_of::<f32>() as u64 + run) + most * Taps::BYTES_A_TAP;
        let charge = account.charge(bytes, "kernel taps")?;
        let mut taps = Taps::default();
        let mut table = Table {
            weights: Vec::with_capacity((count * most) as usize),
            runs: Vec::with_capacity(count as usize),
            _charge: charge,
        };
        for output in outputs {
            let first = if aim(&mut taps, output) {
                table.weights.extend_from_slice(taps.run().weights);
                taps.run().first
            } else {
                0
            };
            table.runs.push((first, table.weights.len()));
        }
        Ok(table)
    }

    pub(super) fn len(&self) -> usize {
        self.runs.len()
    }

    pub(super) fn run(&self, k: usize) -> Run<'_> {
        let start = if k == 0 { 0 } else { self.runs[k - 1].1 };
        let (first, end) = self.runs[k];
        Run {
            first,
            weights: &self.weights[start..end],
        }
    }

    /// All source pixels with a weight for some output.
    pub(super) fn extent(&self) -> Range<i32> {
        let runs = || {
            (0..self.len())
                .map(|k| self.run(k))
                .filter(|run| !run.weights.is_empty())
        };
        let first = runs().map(|run| run.first).min().unwrap_or(0);
        let end = runs().map(|run| run.end()).max().unwrap_or(0);
        first..end
    }
}
