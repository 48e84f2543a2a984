//! Corrections of an element, a group or the finished stack: exposure, gain, warmth, saturation and hue; and a lens
//! out of focus.
//!
//! The five are linear in linear light, so they are one 3 x 3 matrix, worked out in `f64` in the language's fixed
//! order and applied to premultiplied colour. Alpha is never touched and colour never clamped. What is neutral
//! leaves no trace: a correction that does nothing is exactly the identity.

mod defocus;

pub use defocus::{defocused, spread};

use crate::color::{Space, bradford, daylight_xy};
use crate::geom::Map;
use crate::raster::Premul;

/// The five corrections, applied in this order whatever the order written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Stops: a gain of 2^exposure.
    pub exposure: f64,
    /// Gains of red, green and blue in the working space.
    pub gain: [f64; 3],
    /// Reciprocal megakelvin, -113 to 96; positive warms.
    pub mired: f64,
    /// 0 gray, 1 unchanged.
    pub saturate: f64,
    /// Degrees.
    pub hue_rotate: f64,
}

impl Correction {
    pub const fn neutral() -> Correction {
        Correction {
            exposure: 0.0,
            gain: [1.0; 3],
            mired: 0.0,
            saturate: 1.0,
            hue_rotate: 0.0,
        }
    }

    /// All steps as one matrix on linear RGB of the working space.
    pub fn matrix(&self, space: &Space) -> Matrix {
        let luminance = space.luminance();
        let [red, green, blue] = self.gain.map(|gain| gain * libm::exp2(self.exposure));
        let mut all = Matrix([[red, 0.0, 0.0], [0.0, green, 0.0], [0.0, 0.0, blue]]);
        if self.mired != 0.0 {
            all = all.then(&warmth(self.mired, space));
        }
        if self.saturate != 1.0 {
            all = all.then(&saturation(self.saturate, luminance));
        }
        // A turn's own matrix: exact at quarter turns, so that a whole turn is none.
        let [[cos, ..], [sin, ..], _] = Map::rotation(self.hue_rotate).0;
        if (sin, cos) != (0.0, 1.0) {
            all = all.then(&hue_rotation(sin, cos, luminance));
        }
        all
    }
}

impl Default for Correction {
    fn default() -> Correction {
        Correction::neutral()
    }
}

/// A 3 x 3 matrix on linear RGB, row by row.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Matrix(pub [[f64; 3]; 3]);

impl Matrix {
    pub const IDENTITY: Matrix = Matrix([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// This first, then `next`.
    pub fn then(&self, next: &Matrix) -> Matrix {
        let mut product = [[0.0; 3]; 3];
        for (r, row) in product.iter_mut().enumerate() {
            for (c, cell) in row.iter_mut().enumerate() {
                *cell = (0..3).map(|k| next.0[r][k] * self.0[k][c]).sum();
            }
        }
        Matrix(product)
    }

    pub fn is_identity(&self) -> bool {
        *self == Matrix::IDENTITY
    }

    /// Corrects a row in place. Being linear, it needs no straight colour; the identity changes no bit.
    pub fn apply(&self, row: &mut [Premul]) {
        if self.is_identity() {
            return;
        }
        let m = self.0.map(|row| row.map(|cell| cell as f32));
        for pixel in row {
            let [r, g, b, alpha] = pixel.0;
            let channel = |k: usize| m[k][0] * r + m[k][1] * g + m[k][2] * b;
            *pixel = Premul([channel(0), channel(1), channel(2), alpha]);
        }
    }
}

/// The white a warmth of 0 stands for, in kelvin.
const NEUTRAL: f64 = 6504.0;

/// As a filter before the lens would: colours adapted by Bradford from the CIE daylight white at 6504 K to the one
/// `mired` away, 10^6 / T' = 10^6 / 6504 + mired.
///
/// The change is one of colours relative to the 6504 K white, while the space reaches XYZ relative to D50. Going
/// there and back, D50 to 6504 K, change, 6504 K to D50, would be three Bradford steps; all are diagonal in the
/// same cone space and commute, so the middle one alone is the same matrix.
fn warmth(mired: f64, space: &Space) -> Matrix {
    let changed = 1e6 / (1e6 / NEUTRAL + mired);
    let filter = bradford(daylight_xy(NEUTRAL), daylight_xy(changed));
    Matrix(space.to_pcs())
        .then(&Matrix(filter))
        .then(&Matrix(space.from_pcs()))
}

/// CSS `saturate()` with the space's own luminance weights (W3C Filter Effects Module Level 1).
fn saturation(amount: f64, luminance: [f64; 3]) -> Matrix {
    let mut matrix = [luminance.map(|weight| weight * (1.0 - amount)); 3];
    for (k, row) in matrix.iter_mut().enumerate() {
        row[k] += amount;
    }
    Matrix(matrix)
}

/// CSS `hue-rotate()` with the space's own luminance weights. The sine part is chosen so that grays and luminance
/// stay: R = (-wr, -wg, 1 - wb), B = (wr - 1, wg, wb) and G = -(wr R + wb B) / wg.
fn hue_rotation(sin: f64, cos: f64, luminance: [f64; 3]) -> Matrix {
    let [wr, wg, wb] = luminance;
    let red = [-wr, -wg, 1.0 - wb];
    let blue = [wr - 1.0, wg, wb];
    let green = [0, 1, 2].map(|k| -(wr * red[k] + wb * blue[k]) / wg);
    let turning = [red, green, blue];
    let mut matrix = [[0.0; 3]; 3];
    for (r, row) in matrix.iter_mut().enumerate() {
        for (c, cell) in row.iter_mut().enumerate() {
            let own = if r == c { 1.0 } else { 0.0 };
            *cell = luminance[c] + cos * (own - luminance[c]) + sin * turning[r][c];
        }
    }
    Matrix(matrix)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::color::Named;

    fn srgb() -> Space {
        Space::named(Named::Srgb)
    }

    fn spaces() -> [Space; 4] {
        [Named::Srgb, Named::DisplayP3, Named::Rec2020, Named::Romm].map(Space::named)
    }

    fn times(m: [[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
        m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
    }

    fn assert_near(a: &[f64], b: &[f64], limit: f64) {
        for (x, y) in a.iter().zip(b) {
            assert!((x - y).abs() <= limit, "{a:?} {b:?}");
        }
    }

    /// W3C Filter Effects Module Level 1, the matrices of `saturate` and `hue-rotate`, published to three decimals
    /// for the luminance weights of sRGB's own white (from memory).
    #[test]
    fn the_published_filter_matrices() {
        let weights = [0.2126, 0.7152, 0.0722];
        let spin = hue_rotation(1.0, 0.0, weights);
        let published = [
            [0.0, 0.0, 1.0],
            [0.356, 0.855, -0.211],
            [-0.574, 1.430, 0.144],
        ];
        for (row, published) in spin.0.iter().zip(published) {
            assert_near(row, &published, 1.5e-3);
        }
        for row in saturation(0.0, weights).0 {
            assert_near(&row, &[0.213, 0.715, 0.072], 1e-3);
        }
        let vivid = saturation(2.0, weights);
        assert_near(&vivid.0[1], &[-0.213, 2.0 - 0.715, -0.072], 1e-3);
    }

    #[test]
    fn saturation_and_hue_keep_grays_and_luminance() {
        for space in spaces() {
            let correction = Correction {
                saturate: 1.7,
                hue_rotate: 77.0,
                ..Correction::neutral()
            };
            let matrix = correction.matrix(&space);
            assert_near(&times(matrix.0, [0.4; 3]), &[0.4; 3], 1e-12);
            let colour = [0.9, 0.2, -0.1];
            let [wr, wg, wb] = space.luminance();
            let y = |rgb: [f64; 3]| wr * rgb[0] + wg * rgb[1] + wb * rgb[2];
            assert!((y(times(matrix.0, colour)) - y(colour)).abs() < 1e-9);
        }
    }

    /// CIE 15: D50 is the daylight of 5003 K, x .3457, y .3585, and D65 that of 6504 K, x .3127, y .3290. A white
    /// carried from the second to the first must have its chromaticity, seen relative to D65.
    #[test]
    fn white_moves_to_the_white_of_the_changed_light() {
        let mired = 1e6 / 5003.0 - 1e6 / 6504.0;
        for space in spaces() {
            let matrix = Correction {
                mired,
                ..Correction::neutral()
            }
            .matrix(&space);
            let pcs = times(space.to_pcs(), times(matrix.0, [1.0; 3]));
            let seen = times(bradford([0.3457, 0.3585], [0.3127, 0.3290]), pcs);
            let sum: f64 = seen.iter().sum();
            assert_near(&[seen[0] / sum, seen[1] / sum], &[0.3457, 0.3585], 3e-4);
        }
    }

    #[test]
    fn positive_mired_warms_and_the_opposite_undoes_it() {
        for space in spaces() {
            let warm = Correction {
                mired: 40.0,
                ..Correction::neutral()
            }
            .matrix(&space);
            let [r, g, b] = times(warm.0, [1.0; 3]);
            assert!(r > g && g > b, "{r} {g} {b}");
            let cool = Correction {
                mired: -40.0,
                ..Correction::neutral()
            }
            .matrix(&space);
            let [r, g, b] = times(cool.0, [1.0; 3]);
            assert!(r < g && g < b, "{r} {g} {b}");
        }
        // The whole range of the language stays on the daylight locus and finite.
        for mired in [-113.0, 96.0] {
            let matrix = Correction {
                mired,
                ..Correction::neutral()
            }
            .matrix(&srgb());
            assert!(matrix.0.iter().flatten().all(|cell| cell.is_finite()));
        }
    }

    #[test]
    fn the_order_is_exposure_gain_mired_saturate_hue() {
        let all = Correction {
            exposure: -1.5,
            gain: [1.2, 1.0, 0.7],
            mired: 25.0,
            saturate: 1.4,
            hue_rotate: -33.0,
        };
        let neutral = Correction::neutral();
        let steps = [
            Correction {
                exposure: all.exposure,
                ..neutral
            },
            Correction {
                gain: all.gain,
                ..neutral
            },
            Correction {
                mired: all.mired,
                ..neutral
            },
            Correction {
                saturate: all.saturate,
                ..neutral
            },
            Correction {
                hue_rotate: all.hue_rotate,
                ..neutral
            },
        ];
        let mut colour = [0.8, 0.3, 0.1];
        let expected = times(all.matrix(&srgb()).0, colour);
        for step in steps {
            colour = times(step.matrix(&srgb()).0, colour);
        }
        assert_near(&colour, &expected, 1e-12);
    }

    /// A stop is a factor of two, by definition; alpha stays.
    #[test]
    fn stops_are_factors_of_two() {
        let matrix = Correction {
            exposure: 2.0,
            gain: [1.0, 0.5, 1.0],
            ..Correction::neutral()
        }
        .matrix(&srgb());
        let mut row = [Premul([0.25, -0.5, 2.0, 0.75])];
        matrix.apply(&mut row);
        assert_eq!(row[0].0, [1.0, -1.0, 8.0, 0.75]);
    }

    #[test]
    fn what_does_nothing_is_the_identity() {
        for space in spaces() {
            assert!(Correction::neutral().matrix(&space).is_identity());
            let turned = Correction {
                hue_rotate: -720.0,
                ..Correction::neutral()
            };
            assert!(turned.matrix(&space).is_identity());
            let undone = Correction {
                exposure: 1.0,
                gain: [0.5; 3],
                ..Correction::neutral()
            };
            assert!(undone.matrix(&space).is_identity());
            let slight = Correction {
                mired: 1e-3,
                ..Correction::neutral()
            };
            assert!(!slight.matrix(&space).is_identity());
        }
        let mut row = [Premul([-0.0, 3.0, f32::MIN_POSITIVE, 0.0])];
        Correction::neutral().matrix(&srgb()).apply(&mut row);
        assert_eq!(row[0].0[0].to_bits(), (-0.0f32).to_bits());
    }
}
