//! The matte of the band: (W + lambda L) a = W a^, conjugate gradients with the diagonal as preconditioner, a fixed
//! number of steps, every sum in a fixed order.

use rayon::prelude::*;

use super::super::tools::windows::{PIECE, Windows};
use crate::budget::{Account, Charge, OverBudget};
use crate::raster::{Light, Matte, Raster};

use super::measure::Data;

/// Weight of smoothness against data (1 / variance of coverage).
pub const SMOOTH: f32 = 300.0;
const STEPS: usize = 40;

#[derive(Debug)]
pub struct System<'a> {
    picture: &'a Light,
    list: &'a [u32],
    windows: Windows,
    diagonal: Vec<f32>,
    _charge: Charge,
}

fn dot(a: &[f32], b: &[f32]) -> f64 {
    let parts: Vec<f64> = a
        .par_chunks(PIECE)
        .zip(b.par_chunks(PIECE))
        .map(|(a, b)| {
            a.iter()
                .zip(b)
                .map(|(&a, &b)| f64::from(a) * f64::from(b))
                .sum()
        })
        .collect();
    parts.iter().sum()
}

impl<'a> System<'a> {
    /// For the pixels marked in `unknown`, listed in `list`; smooth along the colours of `picture`.
    pub fn over(
        picture: &'a Light,
        unknown: &Raster<u8>,
        list: &'a [u32],
        epsilon: f32,
        account: &Account,
    ) -> Result<System<'a>, OverBudget> {
        let windows = Windows::over(picture, unknown, epsilon, account)?;
        let count = list.len();
        let charge = account.charge(count as u64 * 4, "matte unknowns")?;
        let mut diagonal = vec![0.0; count];
        windows.diagonal(picture, list, &mut diagonal);
        Ok(System {
            picture,
            list,
            windows,
            diagonal,
            _charge: charge,
        })
    }

    /// Improves `matte` at the listed pixels; the others stand. `smooth` is lambda.
    pub fn solve(
        &self,
        data: &Data,
        smooth: f32,
        matte: &mut Matte,
        account: &Account,
    ) -> Result<(), OverBudget> {
        let count = self.list.len();
        let _charge = account.charge(
            count as u64 * 28 + self.windows.len() as u64 * 16,
            "matte unknowns",
        )?;
        let mut lines = vec![[0.0f32; 4]; self.windows.len()];
        // Start from what the pixels say.
        for (&pixel, (&a, &w)) in self.list.iter().zip(data.asked.iter().zip(&data.weight)) {
            if w > 0.0 {
                matte.data_mut()[pixel as usize] = a;
            }
        }
        let mut step_of = Matte::filled(matte.rect(), 0.0, account)?;
        let mut product = vec![0.0f32; count];
        self.windows.apply(
            matte.data(),
            self.picture,
            self.list,
            &mut lines,
            &mut product,
        );
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
        let mut eased: Vec<f32> = left.iter().zip(&ease).map(|(l, e)| l * e).collect();
        let mut step = eased.clone();
        let mut old = dot(&left, &eased);
        for _ in 0..STEPS {
            if old.is_nan() || old <= 1e-9 {
                break;
            }
            for (&pixel, &s) in self.list.iter().zip(&step) {
                step_of.data_mut()[pixel as usize] = s;
            }
            self.windows.apply(
                step_of.data(),
                self.picture,
                self.list,
                &mut lines,
                &mut product,
            );
            product
                .par_chunks_mut(PIECE)
                .zip(step.par_chunks(PIECE))
                .zip(data.weight.par_chunks(PIECE))
                .for_each(|((p, s), w)| {
                    for ((p, &s), &w) in p.iter_mut().zip(s).zip(w) {
                        *p = smooth * *p + (w + 1e-6) * s;
                    }
                });
            let along = dot(&step, &product);
            if along.is_nan() || along <= 0.0 {
                break;
            }
            let length = (old / along) as f32;
            let vectors = own.par_chunks_mut(PIECE).zip(left.par_chunks_mut(PIECE));
            let vectors = vectors.zip(eased.par_chunks_mut(PIECE));
            let given = step.par_chunks(PIECE).zip(product.par_chunks(PIECE));
            vectors.zip(given.zip(ease.par_chunks(PIECE))).for_each(
                |(((own, left), eased), ((step, product), ease))| {
                    for n in 0..own.len() {
                        own[n] += length * step[n];
                        left[n] -= length * product[n];
                        eased[n] = left[n] * ease[n];
                    }
                },
            );
            let new = dot(&left, &eased);
            let turn = (new / old) as f32;
            old = new;
            step.par_chunks_mut(PIECE)
                .zip(eased.par_chunks(PIECE))
                .for_each(|(step, eased)| {
                    for (step, eased) in step.iter_mut().zip(eased) {
                        *step = eased + turn * *step;
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
