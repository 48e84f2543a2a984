//! White points, primaries and what follows from them: RGB to XYZ, adaptation, the daylight locus.
//!
//! All in f64, from chromaticities as the standards print them. Promises plain arithmetic (no transcendental
//! functions), so the numbers are the same on every machine.

use super::matrix::{Matrix3, applied, inverse, product};

/// The white of the profile connection space, XYZ with Y = 1 (ICC.1:2022, 7.2.16).
pub(super) const PCS_WHITE: [f64; 3] = [0.9642, 1.0, 0.8249];

/// CIE standard illuminant D65 as sRGB, Display P3, BT.2020 and a98-rgb print it.
pub(super) const D65: [f64; 2] = [0.3127, 0.3290];

/// D50 as ROMM RGB prints it (ISO 22028-2).
pub(super) const D50: [f64; 2] = [0.3457, 0.3585];

/// The Bradford cone responses (ICC.1:2022, annex E).
const BRADFORD: Matrix3 = [
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
];

/// XYZ of a chromaticity at Y = 1.
pub(super) fn xyz_of([x, y]: [f64; 2]) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

/// Linear RGB to XYZ under the space's own white (Y of white = 1). `red`, `green`, `blue`, `white` are x, y.
pub(super) fn rgb_to_xyz(rgb_xy: [[f64; 2]; 3], white_xy: [f64; 2]) -> Matrix3 {
    let columns = rgb_xy.map(xyz_of);
    let mut m = [[0.0; 3]; 3];
    for (c, column) in columns.iter().enumerate() {
        for (r, value) in column.iter().enumerate() {
            m[r][c] = *value;
        }
    }
    let scale = applied(&inverse(&m), xyz_of(white_xy));
    m.map(|row| [row[0] * scale[0], row[1] * scale[1], row[2] * scale[2]])
}

/// Bradford adaptation of XYZ from one white to another, as XYZ with Y = 1.
pub(super) fn adaptation(from: [f64; 3], to: [f64; 3]) -> Matrix3 {
    let (source, target) = (applied(&BRADFORD, from), applied(&BRADFORD, to));
    let mut scaled = BRADFORD;
    for (r, row) in scaled.iter_mut().enumerate() {
        for cell in row {
            *cell *= target[r] / source[r];
        }
    }
    product(&inverse(&BRADFORD), &scaled)
}

/// The linear Bradford adaptation of XYZ colours seen under the white `from_xy` to the white `to_xy`
/// (chromaticities x, y with y > 0), row by row (ICC.1:2022, annex E).
pub fn bradford(from_xy: [f64; 2], to_xy: [f64; 2]) -> [[f64; 3]; 3] {
    adaptation(xyz_of(from_xy), xyz_of(to_xy))
}

/// Chromaticity x, y of CIE daylight of a correlated colour temperature (CIE 15:2018, 4.1.2). The locus is
/// defined from 4,000 K to 25,000 K; a temperature outside is taken as the nearer end.
pub fn daylight_xy(kelvin: f64) -> [f64; 2] {
    let t = kelvin.clamp(4000.0, 25_000.0);
    let (t2, t3) = (t * t, t * t * t);
    let x = if t <= 7000.0 {
        -4.6070e9 / t3 + 2.9678e6 / t2 + 0.09911e3 / t + 0.244063
    } else {
        -2.0064e9 / t3 + 1.9018e6 / t2 + 0.24748e3 / t + 0.237040
    };
    [x, -3.0 * x * x + 2.870 * x - 0.275]
}
