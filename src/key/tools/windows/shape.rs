//! The shape of a window's colours: symmetric 3 x 3 matrices, six numbers each (xx xy xz yy yz zz).

/// Inverse of a symmetric 3 x 3 matrix (xx xy xz yy yz zz) that is safely positive.
pub fn inverse(m: [f32; 6]) -> [f32; 6] {
    let [a, b, c, d, e, f] = m.map(f64::from);
    let (aa, ab, ac) = (d * f - e * e, c * e - b * f, b * e - c * d);
    let det = a * aa + b * ab + c * ac;
    let scale = if det > 0.0 { 1.0 / det } else { 0.0 };
    [aa, ab, ac, a * f - c * c, b * c - a * e, a * d - b * b].map(|v| (v * scale) as f32)
}

/// A symmetric matrix times a vector.
pub fn times(m: &[f32; 6], v: [f32; 3]) -> [f32; 3] {
    [
        m[0] * v[0] + m[1] * v[1] + m[2] * v[2],
        m[1] * v[0] + m[3] * v[1] + m[4] * v[2],
        m[2] * v[0] + m[4] * v[1] + m[5] * v[2],
    ]
}

/// Mean colour and inverse covariance of the window whose three rows begin at these pixels.
pub(super) fn shaped(
    light: &[Vec<f32>; 3],
    rows: [usize; 3],
    epsilon: f32,
) -> ([f32; 3], [f32; 6]) {
    let here: [usize; 9] = std::array::from_fn(|k| rows[k / 3] + k % 3);
    let mut mean = [0.0f32; 3];
    for &i in &here {
        for k in 0..3 {
            mean[k] += light[k][i];
        }
    }
    let mean = mean.map(|v| v / 9.0);
    let mut m = [0.0f32; 6];
    for &i in &here {
        let d: [f32; 3] = std::array::from_fn(|k| light[k][i] - mean[k]);
        m[0] += d[0] * d[0];
        m[1] += d[0] * d[1];
        m[2] += d[0] * d[2];
        m[3] += d[1] * d[1];
        m[4] += d[1] * d[2];
        m[5] += d[2] * d[2];
    }
    for k in [0, 3, 5] {
        m[k] += epsilon;
    }
    (mean, inverse(m))
}
