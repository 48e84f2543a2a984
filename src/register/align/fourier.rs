//! A small Fourier transform of fixed operation order: the same bytes on any machine.

use rayon::prelude::*;

/// A complex number.
pub(super) type Complex = [f32; 2];

pub(super) fn times(a: Complex, b: Complex) -> Complex {
    [a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]]
}

/// Transforms a square field of side `side`, a power of two, in place; not normalised. The result is transposed:
/// rows and columns change places, so that two transforms bring them back.
pub(super) fn transform(field: &mut [Complex], scratch: &mut [Complex], side: usize) {
    let roots = roots(side);
    for turn in 0..2 {
        field.par_chunks_mut(side).for_each(|row| line(row, &roots));
        if turn == 0 {
            transpose(field, scratch, side);
            field.copy_from_slice(scratch);
        }
    }
}

fn transpose(from: &[Complex], to: &mut [Complex], side: usize) {
    to.par_chunks_mut(side).enumerate().for_each(|(x, column)| {
        for (y, cell) in column.iter_mut().enumerate() {
            *cell = from[y * side + x];
        }
    });
}

/// exp(-2 pi i k / side) for the first half of a turn.
fn roots(side: usize) -> Vec<Complex> {
    (0..side / 2)
        .map(|k| {
            let angle = -2.0 * std::f64::consts::PI * k as f64 / side as f64;
            [libm::cos(angle) as f32, libm::sin(angle) as f32]
        })
        .collect()
}

/// Radix 2, decimation in time.
fn line(row: &mut [Complex], roots: &[Complex]) {
    let side = row.len();
    if side < 2 {
        return;
    }
    let bits = side.trailing_zeros();
    for k in 0..side {
        let mirrored = k.reverse_bits() >> (usize::BITS - bits);
        if k < mirrored {
            row.swap(k, mirrored);
        }
    }
    let mut half = 1;
    while half < side {
        let stride = side / (2 * half);
        for group in row.chunks_exact_mut(2 * half) {
            let (low, high) = group.split_at_mut(half);
            for (k, (a, b)) in low.iter_mut().zip(high).enumerate() {
                let turned = times(*b, roots[k * stride]);
                *b = [a[0] - turned[0], a[1] - turned[1]];
                *a = [a[0] + turned[0], a[1] + turned[1]];
            }
        }
        half *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the sum that defines the transform.
    #[test]
    fn a_transform_is_the_sum_it_stands_for() {
        let side = 8;
        let field: Vec<Complex> = (0..side * side)
            .map(|k| [(k * k % 17) as f32 - 8.0, (k * 5 % 11) as f32])
            .collect();
        let mut quick = field.clone();
        transform(&mut quick, &mut vec![[0.0; 2]; side * side], side);
        for (u, v) in [(0, 0), (1, 0), (3, 5), (7, 2)] {
            let mut sum = [0.0f64; 2];
            for (k, value) in field.iter().enumerate() {
                let (x, y) = (k % side, k / side);
                let angle = -2.0 * std::f64::consts::PI * (u * x + v * y) as f64 / side as f64;
                let (sin, cos) = (libm::sin(angle), libm::cos(angle));
                sum[0] += f64::from(value[0]) * cos - f64::from(value[1]) * sin;
                sum[1] += f64::from(value[0]) * sin + f64::from(value[1]) * cos;
            }
            // Transposed: column u, row v stands at row u.
            let got = quick[u * side + v];
            assert!((f64::from(got[0]) - sum[0]).abs() < 1e-3);
            assert!((f64::from(got[1]) - sum[1]).abs() < 1e-3);
        }
    }
}
