//! Small systems of linear equations, and products of three numbers a place.

use std::ops::{Add, Mul};

/// The inner product.
pub fn dot<T: Copy + Add<Output = T> + Mul<Output = T>>(a: [T; 3], b: [T; 3]) -> T {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Linear equations, their right sides in the last column; `None` where they don't decide.
pub fn solved<const N: usize, const M: usize>(mut a: [[f64; M]; N]) -> Option<[f64; N]> {
    let scale: [f64; N] = std::array::from_fn(|i| a[i][i].abs().max(1e-300));
    for i in 0..N {
        let pivot = (i..N).max_by(|&p, &q| a[p][i].abs().total_cmp(&a[q][i].abs()))?;
        a.swap(i, pivot);
        if a[i][i].is_nan() || a[i][i].abs() <= 1e-12 * scale[i] {
            return None;
        }
        for j in 0..N {
            if j != i {
                let part = a[j][i] / a[i][i];
                for k in i..M {
                    a[j][k] -= part * a[i][k];
                }
            }
        }
    }
    Some(std::array::from_fn(|i| a[i][N] / a[i][i]))
}
