//! Three by three matrices in f64, row by row, evaluated in written order.

pub(super) type Matrix3 = [[f64; 3]; 3];

pub(super) fn product(a: &Matrix3, b: &Matrix3) -> Matrix3 {
    let mut out = [[0.0; 3]; 3];
    for (r, row) in out.iter_mut().enumerate() {
        for (c, cell) in row.iter_mut().enumerate() {
            *cell = a[r][0] * b[0][c] + a[r][1] * b[1][c] + a[r][2] * b[2][c];
        }
    }
    out
}

pub(super) fn applied(m: &Matrix3, v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

pub(super) fn determinant(m: &Matrix3) -> f64 {
    m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1])
        - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
        + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
}

/// The inverse by the adjugate. The caller has made sure that the determinant isn't zero.
pub(super) fn inverse(m: &Matrix3) -> Matrix3 {
    let minor =
        |r0: usize, c0: usize, r1: usize, c1: usize| m[r0][c0] * m[r1][c1] - m[r0][c1] * m[r1][c0];
    let det = determinant(m);
    [
        [minor(1, 1, 2, 2), -minor(0, 1, 2, 2), minor(0, 1, 1, 2)],
        [-minor(1, 0, 2, 2), minor(0, 0, 2, 2), -minor(0, 0, 1, 2)],
        [minor(1, 0, 2, 1), -minor(0, 0, 2, 1), minor(0, 0, 1, 1)],
    ]
    .map(|row| row.map(|cell| cell / det))
}

/// Rounded to the f32 the pixel loops use.
pub(super) fn single(m: &Matrix3) -> [[f32; 3]; 3] {
    m.map(|row| row.map(|cell| cell as f32))
}

/// A matrix on one linear pixel, in f32 and in written order.
#[inline(always)]
pub(super) fn on_pixel(m: &[[f32; 3]; 3], rgb: [f32; 3]) -> [f32; 3] {
    [
        m[0][0] * rgb[0] + m[0][1] * rgb[1] + m[0][2] * rgb[2],
        m[1][0] * rgb[0] + m[1][1] * rgb[1] + m[1][2] * rgb[2],
        m[2][0] * rgb[0] + m[2][1] * rgb[1] + m[2][2] * rgb[2],
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_times_matrix_is_identity() {
        let m = [[0.4, 0.35, 0.18], [0.2, 0.7, 0.07], [0.02, 0.12, 0.95]];
        let id = product(&inverse(&m), &m);
        for (r, row) in id.iter().enumerate() {
            for (c, cell) in row.iter().enumerate() {
                assert!((cell - f64::from(u8::from(r == c))).abs() < 1e-14);
            }
        }
    }
}
