//! Feather: a sampled Gaussian of standard deviation s, radius ceil(4 s), normalised; separable.
//!
//! Beyond the space's edge its border coverage repeats. Sums run in f64 from the middle tap outward, rows first, then
//! columns; what lies between is kept in f32.

use rayon::prelude::*;

use super::field::{Field, charge_rows};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Matte;

/// The widest feather, px; more counts as this.
const WIDEST: f64 = 1000.0;

/// How far a feather carries, px; 0 where there is none.
pub(super) fn radius(sigma: f64) -> u32 {
    if sigma > 0.0 {
        (4.0 * sigma.min(WIDEST)).ceil() as u32
    } else {
        0
    }
}

/// Taps 0..=radius of the symmetric kernel: exp(-(k/s)^2 / 2) over the sum of all.
fn kernel(sigma: f64) -> Vec<f64> {
    let sigma = sigma.min(WIDEST);
    let mut taps: Vec<f64> = (0..=radius(sigma))
        .map(|k| {
            let z = f64::from(k) / sigma;
            libm::exp(-0.5 * z * z)
        })
        .collect();
    let sum = taps[0] + 2.0 * taps[1..].iter().sum::<f64>();
    for tap in &mut taps {
        *tap /= sum;
    }
    taps
}

/// `field` feathered, over `rect`; `field` must hold what lies within the radius of `rect` in `space`.
pub(super) fn feathered(
    field: Field,
    sigma: f64,
    space: Rect,
    rect: Rect,
    account: &Account,
) -> Result<Field, OverBudget> {
    if radius(sigma) == 0 {
        return Ok(field);
    }
    let taps = kernel(sigma);
    if rect.is_empty() {
        return Field::constant(field.outside, account);
    }
    let across = along_rows(&field, &taps, space, rect, account)?;
    drop(field);
    along_columns(&across, &taps, space, rect, account)
}

fn along_rows(
    field: &Field,
    taps: &[f64],
    space: Rect,
    rect: Rect,
    account: &Account,
) -> Result<Field, OverBudget> {
    let given = field.matte.rect();
    let between = Rect {
        y0: given.y0,
        y1: given.y1,
        ..rect
    };
    let outside = field.outside;
    if given.is_empty() {
        return Field::constant(outside, account);
    }
    let mut matte = Matte::filled(between, 0.0, account)?;
    let width = matte.width();
    let reach = taps.len() - 1;
    let padded = width + 2 * reach;
    let _scratch = charge_rows(
        padded * size_of::<f32>() + width * size_of::<f64>(),
        account,
    )?;
    matte
        .data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each_init(
            || (vec![0.0_f32; padded], vec![0.0_f64; width]),
            |(source, sums), (k, row)| {
                read_repeated(field, between.y0 + k as i32, rect, reach, space, source);
                for (sum, value) in sums.iter_mut().zip(&source[reach..]) {
                    *sum = taps[0] * f64::from(*value);
                }
                for (k, tap) in taps.iter().enumerate().skip(1) {
                    let pairs = source[reach - k..].iter().zip(&source[reach + k..]);
                    for (sum, (a, b)) in sums.iter_mut().zip(pairs) {
                        *sum += tap * (f64::from(*a) + f64::from(*b));
                    }
                }
                for (value, sum) in row.iter_mut().zip(sums.iter()) {
                    *value = *sum as f32;
                }
            },
        );
    Ok(Field { matte, outside })
}

/// Row `y` of `rect` with `reach` more on both sides; beyond the space its outermost pixel repeats.
fn read_repeated(field: &Field, y: i32, rect: Rect, reach: usize, space: Rect, into: &mut [f32]) {
    let start = i64::from(rect.x0) - reach as i64;
    let end = start + into.len() as i64;
    let (from, to) = (start.max(i64::from(space.x0)), end.min(i64::from(space.x1)));
    let (a, b) = ((from - start) as usize, (to - start) as usize);
    field.read(y, from as i32, &mut into[a..b]);
    let (first, last) = (into[a], into[b - 1]);
    into[..a].fill(first);
    into[b..].fill(last);
}

fn along_columns(
    field: &Field,
    taps: &[f64],
    space: Rect,
    rect: Rect,
    account: &Account,
) -> Result<Field, OverBudget> {
    let outside = field.outside;
    let given = field.matte.rect();
    let mut matte = Matte::filled(rect, 0.0, account)?;
    let width = matte.width();
    let _scratch = charge_rows(width * 3 * size_of::<f64>(), account)?;
    let elsewhere = vec![outside; width];
    let row_at = |y: i64| {
        let y = y.clamp(i64::from(space.y0), i64::from(space.y1) - 1) as i32;
        if y < given.y0 || y >= given.y1 {
            &elsewhere[..]
        } else {
            field.matte.row(y)
        }
    };
    matte
        .data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each_init(
            || vec![0.0_f64; width],
            |sums, (k, row)| {
                let y = i64::from(rect.y0) + k as i64;
                for (sum, value) in sums.iter_mut().zip(row_at(y)) {
                    *sum = taps[0] * f64::from(*value);
                }
                for (k, tap) in (0..).zip(taps).skip(1) {
                    let pairs = row_at(y - k).iter().zip(row_at(y + k));
                    for (sum, (a, b)) in sums.iter_mut().zip(pairs) {
                        *sum += tap * (f64::from(*a) + f64::from(*b));
                    }
                }
                for (value, sum) in row.iter_mut().zip(sums.iter()) {
                    *value = (*sum as f32).clamp(0.0, 1.0);
                }
            },
        );
    Ok(Field { matte, outside })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mask::{Layer, Program, Source, Step};

    fn softened(matte: Matte, sigma: f64, space: Rect) -> Matte {
        let given = Layer {
            source: Source::Given(std::sync::Arc::new(matte)),
            feather: sigma,
        };
        let steps = vec![Step::Keep(vec![given])];
        Program { steps }
            .coverage(space, space, &Account::unlimited())
            .unwrap()
    }

    /// The normalised sampled Gaussian of sigma 1, 9 taps; e^(-k^2/2) from published tables of the exponential.
    #[test]
    fn a_point_becomes_the_sampled_gaussian() {
        let space = Rect::of_size(31, 31);
        let mut point = Matte::filled(Rect::new(15, 15, 1, 1), 0.0, &Account::unlimited()).unwrap();
        point.put(15, 15, 1.0);
        let soft = softened(point, 1.0, space);
        let e = [
            1.0,
            0.606_530_659_712_633,
            0.135_335_283_236_613,
            0.011_108_996_538_242,
            0.000_335_462_627_903,
        ];
        let sum = e[0] + 2.0 * (e[1] + e[2] + e[3] + e[4]);
        for y in 0..31_i32 {
            for x in 0..31_i32 {
                let tap = |k: i32| e.get(k.unsigned_abs() as usize).map_or(0.0, |t| t / sum);
                let truth = tap(x - 15) * tap(y - 15);
                assert!((f64::from(soft.at(x, y)) - truth).abs() < 1e-8, "{x} {y}");
            }
        }
    }

    /// A discrete Gaussian of sigma 1 turns the step .2 | .8 into .980317 at the bright side after unsharp masking of
    /// amount 1, so the blurred value there is 2 x .8 - .980317.
    #[test]
    fn a_step_has_its_published_blur() {
        let space = Rect::of_size(40, 5);
        let mut step = Matte::filled(space, 0.2, &Account::unlimited()).unwrap();
        for y in 0..5 {
            step.span_mut(y, 20, 40).fill(0.8);
        }
        let soft = softened(step, 1.0, space);
        for y in 0..5 {
            assert!((soft.at(20, y) - (1.6 - 0.980_317)).abs() < 2e-6);
            assert!((soft.at(19, y) - (0.4 - 0.019_683)).abs() < 2e-6);
        }
    }

    #[test]
    fn the_border_repeats_so_a_constant_stays() {
        let space = Rect::new(-4, 9, 23, 17);
        for (value, sigma) in [(0.3_f32, 0.4), (0.7, 3.3), (1.0, 25.0), (1.0, 1000.0)] {
            let even = Matte::filled(space, value, &Account::unlimited()).unwrap();
            for c in softened(even, sigma, space).data() {
                assert!((c - value).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn the_radius_is_four_deviations_rounded_up() {
        assert_eq!(
            [0.0, 0.1, 1.0, 2.3, 1000.0, 1e9].map(radius),
            [0, 1, 4, 10, 4000, 4000]
        );
        assert_eq!(radius(f64::NAN), 0);
    }
}
