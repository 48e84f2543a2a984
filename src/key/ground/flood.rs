//! The flood: from where the set is sure, over every neighbour that smooth light explains.
//!
//! A cell's ratio is predicted by the weighted mean of those accepted around it. The best explained go first, in
//! whole steps of misfit and then in the order they were found, so that the course is always the same.

use rayon::prelude::*;

use super::cells::{Cells, PIECE, Ready};
use crate::budget::{Account, Charge, OverBudget};
use crate::raster::Raster;

/// Mean squared departure from the prediction, in variances, up to which a cell goes on.
pub(super) const MOST: f32 = 11.0;
/// The same for the texture inside a cell and its neighbours.
pub(super) const MISFIT: f32 = 5.0;
/// How far accepted cells speak for their neighbours.
const REACH: i32 = 3;
const WIDE: usize = 2 * REACH as usize + 1;
/// Share of `MOST` from which the course of brightness is asked as well, and how sure it is against a mean.
const PLAIN: f32 = 0.4;
const LESS_SURE: f32 = 0.25;
/// Misfit up to which it is asked, how sure a cell's ratio must be (1 / relative variance), and how much darker
/// than the mean it may be.
const CALM: f32 = 1.6;
const CLEAR: f32 = 2500.0;
const DEEPER: f32 = 0.85;
/// Steps of misfit kept apart.
const STEPS: usize = 64;

pub fn add<const N: usize>(sums: &mut [f32; N], own: &[f32; N]) {
    for k in 0..N {
        sums[k] += own[k];
    }
}

/// All that a cell is asked for again and again, side by side in memory.
#[derive(Clone, Copy)]
struct Cell {
    ready: Ready,
    ratio: [f32; 3],
    misfit: f32,
}

/// What a flood runs over. 0 in `open`: never entered.
pub(super) struct Flood<'a> {
    cells: &'a Cells,
    each: Vec<Cell>,
    _charge: Charge,
    open: &'a Raster<u8>,
    scale: f32,
    /// Ratio times weight and weight of what is accepted around each cell.
    sums: Raster<[f32; 6]>,
    accepted: Raster<u8>,
    waiting: Vec<Vec<u32>>,
    /// The best step each cell waits in, plus 1; 0 when it doesn't.
    step: Raster<u8>,
    /// Cells asked since the last one was accepted, and their steps: nothing has changed for them.
    fresh: [Option<(u32, usize)>; 4],
}

impl<'a> Flood<'a> {
    pub fn new(
        cells: &'a Cells,
        open: &'a Raster<u8>,
        scale: f32,
        account: &Account,
    ) -> Result<Flood<'a>, OverBudget> {
        let rect = open.rect();
        let count = open.data().len();
        let charge = account.charge((count * size_of::<Cell>()) as u64, "cells of a flood")?;
        let width = open.width().max(1);
        let each = (0..count).into_par_iter().with_min_len(PIECE).map(|at| {
            let x = rect.x0 + (at % width) as i32;
            let y = rect.y0 + (at / width) as i32;
            Cell {
                ready: cells.ready(x, y),
                ratio: cells.ratio.data()[at],
                misfit: cells.soft_misfit.data()[at],
            }
        });
        let mut sums = Raster::filled(rect, [0.0; 6], account)?;
        // Touched by all threads before one goes over it.
        let rows = sums.data_mut().par_chunks_mut(PIECE);
        rows.for_each(|row| row.fill([0.0; 6]));
        Ok(Flood {
            cells,
            each: each.collect(),
            _charge: charge,
            open,
            scale,
            sums,
            accepted: Raster::filled(rect, 0, account)?,
            waiting: vec![Vec::new(); STEPS],
            step: Raster::filled(rect, 0, account)?,
            fresh: [None; 4],
        })
    }

    /// Takes cells as they are, and then everything that can be reached from them.
    pub fn run(&mut self, seeds: impl Iterator<Item = (i32, i32)>) {
        let seeds: Vec<(i32, i32)> = seeds
            .filter(|&(x, y)| self.open.at(x, y) > 0 && self.accepted.at(x, y) == 0)
            .collect();
        for &(x, y) in &seeds {
            self.accept(x, y);
        }
        for (x, y) in seeds {
            self.ask_around(x, y);
        }
        let width = self.open.width();
        let rect = self.open.rect();
        let mut low = 0;
        while low < STEPS {
            let Some(at) = self.waiting[low].pop() else {
                low += 1;
                continue;
            };
            let (x, y) = (
                rect.x0 + (at as usize % width) as i32,
                rect.y0 + (at as usize / width) as i32,
            );
            if self.accepted.at(x, y) > 0 || usize::from(self.step.at(x, y)) != low + 1 {
                continue;
            }
            self.step.put(x, y, 0);
            // What was accepted meanwhile may have changed what is expected here.
            let fresh = self.fresh.iter().flatten().find(|fresh| fresh.0 == at);
            let place = match fresh {
                Some((_, step)) => Some(*step),
                None => self.place(x, y),
            };
            match place {
                Some(step) if step <= low => {
                    self.accept(x, y);
                    low = low.min(self.ask_around(x, y));
                }
                Some(step) => self.wait(x, y, step),
                None => {}
            }
        }
    }

    /// What was reached; all else is let go.
    pub fn reached(self) -> Raster<u8> {
        self.accepted
    }

    fn place(&self, x: i32, y: i32) -> Option<usize> {
        let cell = &self.each[self.index(x, y)];
        if cell.misfit > MISFIT * self.scale {
            return None;
        }
        let sums = self.sums.at(x, y);
        let expected = [0, 1, 2].map(|k| (sums[k] / sums[3 + k].max(1e-6), sums[3 + k]));
        let (ready, ratio) = (&cell.ready, cell.ratio);
        let mut share = ready.departure(ratio, expected) / (MOST * self.scale);
        if share > PLAIN && self.is_calm(x, y, expected) {
            // A shadow at a piece's foot runs ahead of the mean behind it; light gets stronger slowly.
            let course = self.cells.course(x, y, expected.map(|e| e.0), |px, py| {
                self.accepted.at(px, py) > 0
            });
            let course = course.clamp(DEEPER, 1.0);
            let ahead = expected.map(|(level, whole)| (level * course, LESS_SURE * whole));
            share = share.min(PLAIN.max(ready.departure(ratio, ahead) / (MOST * self.scale)));
        }
        (share < 1.0).then(|| ((share * STEPS as f32) as usize).min(STEPS - 1))
    }

    /// Whether the plate is seen so well here that only its light can be in question.
    fn is_calm(&self, x: i32, y: i32, expected: [(f32, f32); 3]) -> bool {
        let weight = self.cells.weight.at(x, y);
        self.cells.soft_misfit.at(x, y) < CALM
            && (0..3).all(|k| weight[k] * expected[k].0 * expected[k].0 > CLEAR)
    }

    fn index(&self, x: i32, y: i32) -> usize {
        let rect = self.open.rect();
        (y - rect.y0) as usize * self.open.width() + (x - rect.x0) as usize
    }

    fn wait(&mut self, x: i32, y: i32, step: usize) {
        let before = usize::from(self.step.at(x, y));
        if before == 0 || before > step + 1 {
            let at = self.index(x, y);
            self.step.put(x, y, step as u8 + 1);
            self.waiting[step].push(at as u32);
        }
    }

    /// Lets the open neighbours wait; gives the lowest step any of them waits in.
    fn ask_around(&mut self, x: i32, y: i32) -> usize {
        let rect = self.open.rect();
        let mut low = STEPS;
        let around = [(x - 1, y), (x + 1, y), (x, y - 1), (x, y + 1)];
        for (n, (px, py)) in around.into_iter().enumerate() {
            if !rect.contains(px, py) || self.open.at(px, py) == 0 || self.accepted.at(px, py) > 0 {
                continue;
            }
            if let Some(step) = self.place(px, py) {
                self.wait(px, py, step);
                self.fresh[n] = Some((self.index(px, py) as u32, step));
                low = low.min(step);
            }
        }
        low
    }

    fn accept(&mut self, x: i32, y: i32) {
        self.accepted.put(x, y, 1);
        self.fresh = [None; 4];
        let rect = self.open.rect();
        let own = self.cells.sum(x, y);
        let line: [f32; 6 * WIDE] = std::array::from_fn(|k| own[k % 6]);
        let (x0, x1) = ((x - REACH).max(rect.x0), (x + REACH + 1).min(rect.x1));
        for py in (y - REACH).max(rect.y0)..(y + REACH + 1).min(rect.y1) {
            let row = self.sums.span_mut(py, x0, x1);
            match row.as_flattened_mut().first_chunk_mut() {
                Some(row) => add(row, &line),
                None => row.iter_mut().for_each(|sum| add(sum, &own)),
            }
        }
    }
}
