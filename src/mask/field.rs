//! Coverage over a whole space that is one constant outside a box: only the box holds pixels.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Matte;

/// Where coverage varies, and its value elsewhere in the space.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reach {
    pub(super) inside: Rect,
    pub(super) outside: f32,
}

/// The wanted part of a reach, as pixels.
#[derive(Debug)]
pub(super) struct Field {
    pub(super) matte: Matte,
    pub(super) outside: f32,
}

impl Field {
    pub(super) fn constant(value: f32, account: &Account) -> Result<Field, OverBudget> {
        Ok(Field {
            matte: Matte::filled(Rect::EMPTY, 0.0, account)?,
            outside: value,
        })
    }

    /// Fills `into` with row `y` from `x0` on. Pixels of the reach that were not wanted must not be read.
    pub(super) fn read(&self, y: i32, x0: i32, into: &mut [f32]) {
        let rect = self.matte.rect();
        let x1 = x0.saturating_add(into.len() as i32);
        let (from, to) = (x0.max(rect.x0), x1.min(rect.x1));
        if y < rect.y0 || y >= rect.y1 || from >= to {
            into.fill(self.outside);
            return;
        }
        let (a, b) = ((from - x0) as usize, (to - x0) as usize);
        into[..a].fill(self.outside);
        into[a..b].copy_from_slice(self.matte.span(y, from, to));
        into[b..].fill(self.outside);
    }

    /// Each value through `op`.
    pub(super) fn map(mut self, op: impl Fn(f32) -> f32 + Sync) -> Field {
        self.matte.data_mut().par_iter_mut().for_each(|value| {
            *value = op(*value);
        });
        self.outside = op(self.outside);
        self
    }

    /// Two fields through `op`, pixel by pixel, over `rect`.
    pub(super) fn combined(
        &self,
        other: &Field,
        rect: Rect,
        account: &Account,
        op: impl Fn(f32, f32) -> f32 + Sync,
    ) -> Result<Field, OverBudget> {
        let mut matte = Matte::filled(rect, 0.0, account)?;
        let width = matte.width();
        let _scratch = charge_rows(width * size_of::<f32>(), account)?;
        if width > 0 {
            matte
                .data_mut()
                .par_chunks_mut(width)
                .enumerate()
                .for_each_init(
                    || vec![0.0; width],
                    |second, (k, row)| {
                        let y = rect.y0 + k as i32;
                        self.read(y, rect.x0, row);
                        other.read(y, rect.x0, second);
                        for (a, b) in row.iter_mut().zip(second.iter()) {
                            *a = op(*a, *b);
                        }
                    },
                );
        }
        Ok(Field {
            matte,
            outside: op(self.outside, other.outside),
        })
    }
}

/// Charges `bytes` of working rows for each thread that may hold some.
pub(super) fn charge_rows(
    bytes: usize,
    account: &Account,
) -> Result<crate::budget::Charge, OverBudget> {
    let threads = rayon::current_num_threads() as u64;
    account.charge((bytes as u64).saturating_mul(threads), "rows of a mask")
}
