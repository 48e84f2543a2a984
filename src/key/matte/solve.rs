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
            count as u64 * 24 + self.windows.len() as u64 * 16,
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
        let mut left: Vec<f32> = (0..count)
            .map(|n| {
                let a = matte.data()[self.list[n] as usize];
                data.weight[n] * (data.asked[n] - a) - smooth * product[n]
            })
            .collect();
        let ease: Vec<f32> = (0..count)
            .map(|n| 1.0 / (data.weight[n] + smooth * self.diagonal[n] + 1e-6))
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
            for n in 0..count {
                matte.data_mut()[self.list[n] as usize] += length * step[n];
                left[n] -= length * product[n];
                eased[n] = left[n] * ease[n];
            }
            let new = dot(&left, &eased);
            let turn = (new / old) as f32;
            old = new;
            for n in 0..count {
                step[n] = eased[n] + turn * step[n];
            }
        }
        for &pixel in self.list {
            let a = &mut matte.data_mut()[pixel as usize];
            *a = if a.is_finite() {
                a.clamp(0.0, 1.0)
            } else {
                0.0
            };
        }
        Ok(())
    }
}
