//! The shapes of the kernels, in source pixels at scale 1.
//!
//! All are evaluated in `f64`. Lanczos-3 costs two sines a tap, so the sampler reads it from piecewise cubics
//! that stay within 1e-9 of the formula: four orders below half a code of 65535.

use std::sync::LazyLock;

use super::Kernel;

impl Kernel {
    /// Half-width: weights are zero at this distance and beyond.
    pub fn radius(self) -> f64 {
        match self {
            Kernel::Lanczos3 => 3.0,
            Kernel::Mitchell | Kernel::CatmullRom => 2.0,
            Kernel::Bilinear => 1.0,
            Kernel::Nearest => 0.5,
        }
    }

    /// The weight of a tap at distance `x` (tap minus sample point), before normalisation.
    ///
    /// Lanczos-3 is sinc(x) sinc(x/3); Mitchell is Mitchell and Netravali's cubic with B = C = 1/3 and Catmull-Rom
    /// the one with B = 0, C = 1/2 (Computer Graphics 22(4), 1988); bilinear is the triangle 1 - |x|; nearest is
    /// the box -1/2 < x <= 1/2, so that a point on the border of two pixels takes the right or lower one.
    pub fn weight(self, x: f64) -> f64 {
        match self {
            Kernel::Lanczos3 => lanczos3(x),
            Kernel::Mitchell => cubic(1.0 / 3.0, 1.0 / 3.0, x.abs()),
            Kernel::CatmullRom => cubic(0.0, 0.5, x.abs()),
            Kernel::Bilinear => (1.0 - x.abs()).max(0.0),
            Kernel::Nearest => f64::from(u8::from(-0.5 < x && x <= 0.5)),
        }
    }

    /// [`Kernel::weight`] without its sines: equal for every kernel but Lanczos-3, which comes from the table.
    pub(super) fn quick_weight(self, x: f64) -> f64 {
        match self {
            Kernel::Lanczos3 => tabled_lanczos3(&LANCZOS3, x.abs()),
            _ => self.weight(x),
        }
    }
}

fn lanczos3(x: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    // sin(pi n) is not quite zero in floating point; a whole-pixel step must be.
    if x.abs() >= 3.0 || x == x.round() {
        return 0.0;
    }
    let turn = std::f64::consts::PI * x;
    3.0 * libm::sin(turn) * libm::sin(turn / 3.0) / (turn * turn)
}

fn cubic(b: f64, c: f64, x: f64) -> f64 {
    let sixfold = if x < 1.0 {
        ((12.0 - 9.0 * b - 6.0 * c) * x + (-18.0 + 12.0 * b + 6.0 * c)) * x * x + (6.0 - 2.0 * b)
    } else if x < 2.0 {
        (((-b - 6.0 * c) * x + (6.0 * b + 30.0 * c)) * x + (-12.0 * b - 48.0 * c)) * x
            + (8.0 * b + 24.0 * c)
    } else {
        0.0
    };
    sixfold / 6.0
}

/// Table cells in one source pixel.
const CELLS: usize = 128;

/// For each cell the cubic c0 + c1 t + c2 t^2 + c3 t^3, 0 <= t < 1, through the kernel at t = 0, 1/3, 2/3, 1.
static LANCZOS3: LazyLock<Vec<[f64; 4]>> = LazyLock::new(|| {
    let at = |cell: usize, third: usize| lanczos3((cell * 3 + third) as f64 / (CELLS * 3) as f64);
    (0..3 * CELLS)
        .map(|cell| {
            let [a, b, c, d] = [0, 1, 2, 3].map(|third| at(cell, third));
            [
                a,
                (-11.0 * a + 18.0 * b - 9.0 * c + 2.0 * d) / 2.0,
                9.0 * (2.0 * a - 5.0 * b + 4.0 * c - d) / 2.0,
                9.0 * (-a + 3.0 * b - 3.0 * c + d) / 2.0,
            ]
        })
        .collect()
});

fn tabled_lanczos3(table: &[[f64; 4]], x: f64) -> f64 {
    let place = x * CELLS as f64;
    let cell = place as usize;
    match table.get(cell) {
        Some([c0, c1, c2, c3]) => {
            let t = place - cell as f64;
            ((c3 * t + c2) * t + c1) * t + c0
        }
        None => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mitchell and Netravali, "Reconstruction filters in computer graphics", Computer Graphics 22(4), 1988, and
    /// sinc(x) sinc(x/3), both computed outside this program in double precision to nine decimals.
    #[test]
    fn weights_are_the_published_formulas() {
        let table = [
            (0.0, 0.888888889, 1.0, 1.0),
            (0.25, 0.782118056, 0.867187500, 0.890067052),
            (0.5, 0.534722222, 0.562500000, 0.607927102),
            (0.75, 0.256076389, 0.226562500, 0.270189823),
            (1.0, 0.055555556, 0.0, 0.0),
            (1.25, -0.023437500, -0.070312500, -0.132871018),
            (1.5, -0.034722222, -0.062500000, -0.135094912),
            (1.75, -0.014756944, -0.023437500, -0.067791336),
            (2.25, 0.0, 0.0, 0.030021091),
            (2.5, 0.0, 0.0, 0.024317084),
            (2.75, 0.0, 0.0, 0.007355926),
        ];
        for (x, mitchell, catmull_rom, lanczos) in table {
            for sign in [1.0, -1.0] {
                for (kernel, expected) in [
                    (Kernel::Mitchell, mitchell),
                    (Kernel::CatmullRom, catmull_rom),
                    (Kernel::Lanczos3, lanczos),
                ] {
                    let weight = kernel.weight(sign * x);
                    assert!(
                        (weight - expected).abs() < 1e-8,
                        "{kernel:?} at {x}: {weight}"
                    );
                    let quick = kernel.quick_weight(sign * x);
                    assert!(
                        (quick - expected).abs() < 1e-8,
                        "{kernel:?} at {x}: {quick}"
                    );
                }
            }
        }
        // Exact fractions of the same paper's formula.
        for (x, exact) in [
            (0.0, 8.0 / 9.0),
            (0.5, 77.0 / 144.0),
            (1.0, 1.0 / 18.0),
            (1.5, -5.0 / 144.0),
            (2.0, 0.0),
        ] {
            assert!((Kernel::Mitchell.weight(x) - exact).abs() < 1e-15);
        }
    }

    /// The language allows half a code of 65535 at full contrast over all taps; a tap may be wrong by far less.
    #[test]
    fn the_table_is_as_good_as_the_sines() {
        for k in -400_000..400_000 {
            let x = f64::from(k) / 131_071.0;
            let difference = Kernel::Lanczos3.quick_weight(x) - Kernel::Lanczos3.weight(x);
            assert!(difference.abs() < 1e-9, "{difference} at {x}");
        }
    }

    #[test]
    fn whole_pixel_steps_weigh_nothing() {
        for x in [1.0, 2.0, 3.0, -1.0, -2.0, -3.0] {
            assert_eq!(Kernel::Lanczos3.quick_weight(x), 0.0);
        }
        assert_eq!(Kernel::Lanczos3.quick_weight(0.0), 1.0);
    }

    #[test]
    fn nearest_owns_its_right_border_and_bilinear_is_a_triangle() {
        assert_eq!(Kernel::Nearest.weight(0.5), 1.0);
        assert_eq!(Kernel::Nearest.weight(-0.5), 0.0);
        assert_eq!(Kernel::Bilinear.weight(-0.25), 0.75);
        assert_eq!(Kernel::Bilinear.weight(1.5), 0.0);
    }
}
