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

#[cfg(test)]
mod tests {
    use super::super::named::Named;
    use super::*;

    fn close(m: &Matrix3, wanted: &Matrix3, step: f64) {
        for (row, wanted) in m.iter().zip(wanted) {
            for (cell, wanted) in row.iter().zip(wanted) {
                assert!((cell - wanted).abs() <= step, "{m:?}");
            }
        }
    }

    /// W3C CSS Color 4, sample code for colour conversions (exact fractions there, six places here).
    #[test]
    fn published_matrices_to_xyz() {
        for (name, wanted) in [
            (
                Named::Srgb,
                [
                    [0.412391, 0.357584, 0.180481],
                    [0.212639, 0.715169, 0.072192],
                    [0.019331, 0.119195, 0.950532],
                ],
            ),
            (
                Named::DisplayP3,
                [
                    [0.486571, 0.265668, 0.198217],
                    [0.228975, 0.691739, 0.079287],
                    [0.0, 0.045113, 1.043944],
                ],
            ),
            (
                Named::Rec2020,
                [
                    [0.636958, 0.144617, 0.168881],
                    [0.262700, 0.677998, 0.059302],
                    [0.0, 0.028073, 1.060985],
                ],
            ),
            (
                Named::A98Rgb,
                [
                    [0.576669, 0.185558, 0.188229],
                    [0.297345, 0.627364, 0.075291],
                    [0.027031, 0.070689, 0.991338],
                ],
            ),
            (
                Named::Romm,
                [
                    [0.797767, 0.135181, 0.031348],
                    [0.288075, 0.711835, 0.000090],
                    [0.0, 0.0, 0.825105],
                ],
            ),
        ] {
            close(&rgb_to_xyz(name.primaries(), name.white()), &wanted, 1e-6);
        }
    }

    /// IEC 61966-2-1 prints four places.
    #[test]
    fn the_printed_srgb_matrix() {
        let to_xyz = rgb_to_xyz(Named::Srgb.primaries(), D65);
        let printed = [
            [0.4124, 0.3576, 0.1805],
            [0.2126, 0.7152, 0.0722],
            [0.0193, 0.1192, 0.9505],
        ];
        close(&to_xyz, &printed, 1e-4);
        let back = [
            [3.2406, -1.5372, -0.4986],
            [-0.9689, 1.8758, 0.0415],
            [0.0557, -0.2040, 1.0570],
        ];
        close(&inverse(&to_xyz), &back, 5e-4);
    }

    /// The inverse to six places, computed from the matrix of ICC.1:2022; D65 to D50 from CSS Color 4; to the PCS white
    /// as in the `chad` tag of a version 4 sRGB profile by Little CMS.
    #[test]
    fn bradford_adaptation() {
        let back = [
            [0.986993, -0.147054, 0.159963],
            [0.432305, 0.518360, 0.049291],
            [-0.008529, 0.040043, 0.968487],
        ];
        close(&inverse(&BRADFORD), &back, 1e-6);
        let d65_to_d50 = [
            [1.0479297925, 0.0229468706, -0.0501922663],
            [0.0296278088, 0.9904344268, -0.0170737991],
            [-0.0092430406, 0.0150551915, 0.7518742814],
        ];
        close(&bradford(D65, D50), &d65_to_d50, 1e-9);
        let to_pcs = [
            [1.047886, 0.022919, -0.050216],
            [0.029582, 0.990484, -0.017079],
            [-0.009252, 0.015073, 0.751678],
        ];
        close(&adaptation(xyz_of(D65), PCS_WHITE), &to_pcs, 1e-6);
        let there_and_back = product(&bradford(D50, D65), &bradford(D65, D50));
        close(&there_and_back, &bradford(D65, D65), 1e-12);
    }

    /// CIE 15:2018: the chromaticities of D65 (6504 K) and D50 (5003 K) as tabulated, which differ from the locus by
    /// up to 0.00013. Values from memory.
    #[test]
    fn daylight() {
        for (kelvin, [x, y]) in [
            (6504.0, [0.31272, 0.32903]),
            (5003.0, [0.34567, 0.35850]),
            (5503.0, [0.33242, 0.34743]),
            (7504.0, [0.29902, 0.31485]),
        ] {
            let [found_x, found_y] = daylight_xy(kelvin);
            assert!((found_x - x).abs() < 1.4e-4, "{kelvin} {found_x}");
            assert!((found_y - y).abs() < 1.4e-4, "{kelvin} {found_y}");
        }
        let [low, high] = [6999.999, 7000.001].map(daylight_xy);
        assert!((low[0] - high[0]).abs() < 1e-4);
        assert_eq!(daylight_xy(1000.0), daylight_xy(4000.0));
        assert_eq!(daylight_xy(1e9), daylight_xy(25_000.0));
    }
}
