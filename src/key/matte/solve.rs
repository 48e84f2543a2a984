//! The matte of the band: (W + lambda L) a = W a^, conjugate gradients with the diagonal as preconditioner, until what is
//! left is small, every sum in a fixed order.

use rayon::prelude::*;

use super::super::tools::windows::{PIECE, Windows};
use crate::budget::{Account, Charge, OverBudget};
use crate::raster::{Light, Matte, Raster};

use super::measure::Data;

/// Weight of smoothness against data (1 / variance of coverage).
pub const SMOOTH: f32 = 300.0;
/// Most steps.
const STEPS: usize = 40;
/// What may be left a pixel when steps end, as a square of coverage over its variance: of a matte that only colours are
/// told from, where the tenth of a deviation says nothing, and of one that is kept.
pub const ROUGH: f64 = 1e-5;
pub const CLOSE: f64 = 1e-7;

#[derive(Debug)]
pub struct System<'a> {
    list: &'a [u32],
    windows: Windows,
    diagonal: Vec<f32>,
    _charge: Charge,
}

/// The sum of products of two lists.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    a.iter()
        .zip(b)
        .map(|(&a, &b)| f64::from(a) * f64::from(b))
        .sum()
}

impl<'a> System<'a> {
    /// For the pixels marked in `unknown`, listed in `list`; smooth along the colours of `picture`.
    pub fn over(
        picture: &Light,
        unknown: &Raster<u8>,
        list: &'a [u32],
        epsilon: f32,
        account: &Account,
    ) -> Result<System<'a>, OverBudget> {
        let windows = Windows::over(picture, unknown, list, epsilon, account)?;
        let count = list.len();
        let charge = account.charge(count as u64 * 4, "matte unknowns")?;
        let mut diagonal = vec![0.0; count];
        windows.diagonal(&mut diagonal);
        Ok(System {
            list,
            windows,
            diagonal,
            _charge: charge,
        })
    }

    /// Improves `matte` at the listed pixels until no more than `most` a pixel is left; the others stand. `smooth` is lambda.
    pub fn solve(
        &self,
        data: &Data,
        smooth: f32,
        most: f64,
        matte: &mut Matte,
        account: &Account,
    ) -> Result<(), OverBudget> {
        let count = self.list.len();
        let windows = &self.windows;
        let most = most * count as f64;
        let _charge = account.charge(
            count as u64 * 24 + windows.len() as u64 * 16 + windows.seen() as u64 * 4,
            "matte unknowns",
        )?;
        let mut lines = windows.lines();
        // Start from what the pixels say.
        for (&pixel, (&a, &w)) in self.list.iter().zip(data.asked.iter().zip(&data.weight)) {
            if w > 0.0 {
                matte.data_mut()[pixel as usize] = a;
            }
        }
        let mut values = windows.gathered(matte.data());
        windows.fit(&values, &mut lines);
        let mut product = vec![0.0f32; count];
        product
            .par_chunks_mut(PIECE)
            .enumerate()
            .for_each(|(piece, product)| {
                windows.misfits(piece, &values, &lines, |n, some| {
                    product[n - piece * PIECE..][..some.len()].copy_from_slice(some);
                });
            });
        let mut left = vec![0.0f32; count];
        let mut ease = vec![0.0f32; count];
        left.par_iter_mut()
            .zip(&mut ease)
            .enumerate()
            .with_min_len(PIECE)
            .for_each(|(n, (left, ease))| {
                let a = matte.data()[self.list[n] as usize];
                *left = data.weight[n] * (data.asked[n] - a) - smooth * product[n];
                *ease = 1.0 / (data.weight[n] + smooth * self.diagonal[n] + 1e-6);
            });
        let mut own: Vec<f32> = self
            .list
            .iter()
            .map(|&p| matte.data()[p as usize])
            .collect();
        // What is left, eased, is never kept.
        let mut step: Vec<f32> = left.iter().zip(&ease).map(|(l, e)| l * e).collect();
        let parts: Vec<f64> = (left.par_chunks(PIECE).zip(step.par_chunks(PIECE)))
            .map(|(left, step)| dot(left, step))
            .collect();
        let mut old: f64 = parts.iter().sum();
        values.fill(0.0);
        for _ in 0..STEPS {
            if old.is_nan() || old <= most {
                break;
            }
            windows.spread(&step, &mut values);
            windows.fit(&values, &mut lines);
            let parts: Vec<f64> = product
                .par_chunks_mut(PIECE)
                .zip(step.par_chunks(PIECE))
                .zip(data.weight.par_chunks(PIECE))
                .enumerate()
                .map(|(piece, ((product, step), weight))| {
                    windows.misfits(piece, &values, &lines, |n, some| {
                        let from = n - piece * PIECE;
                        let (step, weight) = (&step[from..], &weight[from..]);
                        let out = product[from..].iter_mut().zip(some);
                        for ((p, v), (&s, &w)) in out.zip(step.iter().zip(weight)) {
                            *p = smooth * v + (w + 1e-6) * s;
                        }
                    });
                    dot(step, product)
                })
                .collect();
            let along: f64 = parts.iter().sum();
            if along.is_nan() || along <= 0.0 {
                break;
            }
            let length = (old / along) as f32;
            let vectors = own.par_chunks_mut(PIECE).zip(left.par_chunks_mut(PIECE));
            let given = step.par_chunks(PIECE).zip(product.par_chunks(PIECE));
            let parts: Vec<f64> = vectors
                .zip(given.zip(ease.par_chunks(PIECE)))
                .map(|((own, left), ((step, product), ease))| {
                    for n in 0..own.len() {
                        own[n] += length * step[n];
                        left[n] -= length * product[n];
                    }
                    let eased = left.iter().zip(ease).map(|(&l, &e)| (l, l * e));
                    eased.map(|(l, e)| f64::from(l) * f64::from(e)).sum()
                })
                .collect();
            let new: f64 = parts.iter().sum();
            let turn = (new / old) as f32;
            old = new;
            step.par_chunks_mut(PIECE)
                .zip(left.par_chunks(PIECE).zip(ease.par_chunks(PIECE)))
                .for_each(|(step, (left, ease))| {
                    for (step, (l, e)) in step.iter_mut().zip(left.iter().zip(ease)) {
                        *step = l * e + turn * *step;
                    }
                });
        }
        for (&pixel, &a) in self.list.iter().zip(&own) {
            matte.data_mut()[pixel as usize] = if a.is_finite() {
                a.clamp(0.0, 1.0)
            } else {
                0.0
            };
        }
        Ok(())
    }
}
