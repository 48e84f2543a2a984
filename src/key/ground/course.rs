//! The course of the light: the ratio averaged over some cells. Steps are looked for in what it leaves over.
//!
//! A mean along a line is weighted by what cells are worth, and a mortar joint or a dark plank is worth little: the mean
//! stands for a place beside the line's middle. On a slope two such means differ though no edge lies between them, and a
//! shadow on a wall of bricks would be full of steps. What is left of the ratio beside its course has no slope, and
//! the course is laid on again where the line's middle is.

use rayon::prelude::*;

use super::super::tools::gauss;
use super::cells::{Cells, SOFT};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// The course.
pub(super) struct Course<'a> {
    mean: &'a Raster<[f32; 3]>,
}

impl<'a> Course<'a> {
    pub fn of(cells: &'a Cells) -> Course<'a> {
        Course {
            mean: &cells.course,
        }
    }

    /// Soft sums of what the course leaves over, times weight, and weight.
    pub fn left(&self, cells: &Cells, account: &Account) -> Result<Raster<[f32; 6]>, OverBudget> {
        let mut left = cells.sums(account)?;
        left.data_mut()
            .par_iter_mut()
            .zip(self.mean.data())
            .for_each(|(left, mean)| {
                for k in 0..3 {
                    left[k] -= mean[k] * left[3 + k];
                }
            });
        gauss::blurred(&left, SOFT, account)
    }

    /// The course along a row, counted from the top.
    pub fn row(&self, row: usize) -> &[[f32; 3]] {
        self.mean.row(self.mean.rect().y0 + row as i32)
    }
}

#[cfg(test)]
mod tests {
    use super::super::steps::{self, Of};
    use super::*;
    use crate::geom::Rect;

    #[test]
    fn a_slope_over_joints_and_bricks_has_no_steps() {
        let account = Account::unlimited();
        let rect = Rect::of_size(60, 60);
        let none = || Raster::filled(rect, 0.0f32, &account).unwrap();
        let mut cells = Cells {
            ratio: Raster::filled(rect, [1.0; 3], &account).unwrap(),
            weight: Raster::filled(rect, [1.0; 3], &account).unwrap(),
            misfit: none(),
            soft: Raster::filled(rect, [0.0; 6], &account).unwrap(),
            course: Raster::filled(rect, [1.0; 3], &account).unwrap(),
            soft_misfit: none(),
        };
        for y in 0..60 {
            for x in 0..60 {
                // Joints between bricks laid in rows of seven cells, worth a fiftieth of a brick.
                let joint = (x + y / 7 % 2 * 6) % 12 < 3 || y % 7 < 2;
                cells.ratio.put(x, y, [1.0 - 0.012 * y as f32; 3]);
                let worth = if joint { 200.0 } else { 10_000.0 };
                cells.weight.put(x, y, [worth; 3]);
            }
        }
        let quiet = Raster::filled(rect, 0u8, &account).unwrap();
        let soft = gauss::blurred(&cells.sums(&account).unwrap(), SOFT, &account).unwrap();
        cells.course = cells.smoothed(2.0, &account).unwrap();
        let strongest = |soft: &Raster<[f32; 6]>, course: Option<&Course>| {
            let steps = steps::steps(soft, course, &quiet, Of::Ratio, &account).unwrap();
            steps.strength.data().iter().copied().fold(0.0, f32::max)
        };
        let course = Course::of(&cells);
        let left = course.left(&cells, &account).unwrap();
        let (plain, better) = (strongest(&soft, None), strongest(&left, Some(&course)));
        // There is no noise: whatever is found is feigned.
        assert!(plain > 12.0 && better < 0.7 * plain, "{plain} {better}");
    }
}
