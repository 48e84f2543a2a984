//! Fills what is unknown from what is known around it: means of ever larger blocks, read back smoothly.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// `values` where `weight` is 1 or more, blended into a smooth continuation of the weighted surroundings as it
/// falls to 0. Where nothing is known at all: 0.
pub fn filled<const N: usize>(
    values: &Raster<[f32; N]>,
    weight: &Raster<f32>,
    account: &Account,
) -> Result<Raster<[f32; N]>, OverBudget> {
    let mut out = Raster::filled(values.rect(), [0.0; N], account)?;
    let width = values.width();
    if width == 0 {
        return Ok(out);
    }
    let mut lows = Vec::new();
    let (mut w, mut h) = (width, values.rect().height() as usize);
    while w > 1 || h > 1 {
        let low = match lows.last() {
            None => halved(values.data(), weight.data(), w, h, account)?,
            Some(Low { values, weight, .. }) => {
                halved(values.data(), weight.data(), w, h, account)?
            }
        };
        (w, h) = (low.width, low.height);
        lows.push(low);
    }
    for level in (1..lows.len()).rev() {
        let (fine, coarse) = lows.split_at_mut(level);
        let (fine, coarse) = (&mut fine[level - 1], &coarse[0]);
        let weight = &fine.weight;
        let kept = fine.values.data_mut();
        blend(kept, weight.data(), fine.width, coarse);
    }
    out.data_mut().copy_from_slice(values.data());
    match lows.first() {
        Some(coarse) => blend(out.data_mut(), weight.data(), width, coarse),
        None if weight.data()[0] > 0.0 => {}
        None => out.data_mut()[0] = [0.0; N],
    }
    Ok(out)
}

struct Low<const N: usize> {
    values: Raster<[f32; N]>,
    weight: Raster<f32>,
    width: usize,
    height: usize,
}

fn halved<const N: usize>(
    values: &[[f32; N]],
    weight: &[f32],
    width: usize,
    height: usize,
    account: &Account,
) -> Result<Low<N>, OverBudget> {
    let (w, h) = (width.div_ceil(2), height.div_ceil(2));
    let rect = Rect::of_size(w as u32, h as u32);
    let mut low = Low {
        values: Raster::filled(rect, [0.0; N], account)?,
        weight: Raster::filled(rect, 0.0, account)?,
        width: w,
        height: h,
    };
    low.values
        .data_mut()
        .par_chunks_mut(w)
        .zip(low.weight.data_mut().par_chunks_mut(w))
        .enumerate()
        .for_each(|(y, (out, sums))| {
            for x in 0..w {
                let mut sum = 0.0;
                let mut mean = [0.0; N];
                for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    let (x, y) = (2 * x + dx, 2 * y + dy);
                    if x < width && y < height {
                        let at = y * width + x;
                        let part = weight[at].clamp(0.0, 1.0);
                        if part > 0.0 {
                            sum += part;
                            for k in 0..N {
                                mean[k] += part * values[at][k];
                            }
                        }
                    }
                }
                if sum > 0.0 {
                    out[x] = mean.map(|v| v / sum);
                    sums[x] = sum.min(1.0);
                }
            }
        });
    Ok(low)
}

/// Mixes the coarser level into `fine` by what weight leaves open.
fn blend<const N: usize>(fine: &mut [[f32; N]], weight: &[f32], width: usize, coarse: &Low<N>) {
    let low = coarse.values.data();
    let (w, h) = (coarse.width, coarse.height);
    fine.par_chunks_mut(width)
        .zip(weight.par_chunks(width))
        .enumerate()
        .for_each(|(y, (fine, weight))| {
            // Centres of the finer level lie a quarter of a coarse cell beside the coarse ones.
            let beside = |v: usize, size: usize| {
                let cell = v / 2;
                if v.is_multiple_of(2) {
                    (cell, cell.saturating_sub(1))
                } else {
                    (cell, (cell + 1).min(size - 1))
                }
            };
            let (y0, y1) = beside(y, h);
            for (x, (fine, &weight)) in fine.iter_mut().zip(weight).enumerate() {
                let weight = weight.clamp(0.0, 1.0);
                if weight >= 1.0 {
                    continue;
                }
                let (x0, x1) = beside(x, w);
                let four = [(x0, y0), (x1, y0), (x0, y1), (x1, y1)].map(|(x, y)| low[y * w + x]);
                for k in 0..N {
                    let near = 0.75 * four[0][k] + 0.25 * four[1][k];
                    let next = 0.75 * four[2][k] + 0.25 * four[3][k];
                    let smooth = 0.75 * near + 0.25 * next;
                    fine[k] = if weight > 0.0 {
                        smooth + (fine[k] - smooth) * weight
                    } else {
                        smooth
                    };
                }
            }
        });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_cells_stay_and_a_gap_lies_between_its_banks() {
        let account = Account::unlimited();
        let rect = Rect::new(-5, 4, 37, 21);
        let mut values = Raster::filled(rect, [f32::NAN], &account).unwrap();
        let mut weight = Raster::filled(rect, 0.0f32, &account).unwrap();
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                if !(5..20).contains(&x) {
                    values.put(x, y, [if x < 5 { 1.0 } else { 3.0 }]);
                    weight.put(x, y, 1.0);
                }
            }
        }
        let out = filled(&values, &weight, &account).unwrap();
        assert_eq!(out.at(4, 10), [1.0]);
        let row: Vec<f32> = (4..21).map(|x| out.at(x, 12)[0]).collect();
        assert!(row.windows(2).all(|p| p[0] <= p[1] + 1e-6), "{row:?}");
        assert!((row[8] - 2.0).abs() < 0.4, "{row:?}");
    }

    #[test]
    fn nothing_known_is_nothing_and_one_cell_is_everywhere() {
        let account = Account::unlimited();
        let rect = Rect::new(0, 0, 9, 1);
        let mut values = Raster::filled(rect, [f32::NAN, 5.0], &account).unwrap();
        let mut weight = Raster::filled(rect, 0.0f32, &account).unwrap();
        for v in filled(&values, &weight, &account).unwrap().data() {
            assert_eq!(*v, [0.0; 2]);
        }
        values.put(3, 0, [0.5, 7.0]);
        weight.put(3, 0, 1.0);
        for v in filled(&values, &weight, &account).unwrap().data() {
            assert_eq!(*v, [0.5, 7.0]);
        }
    }
}
