//! Resizing a picture that streams by, row in, rows out, in linear premultiplied light.
//!
//! Vertical pass first: each source row is added to the output rows it has a weight in, so that memory is a handful
//! of unfinished rows, whatever the reduction. Taps beyond the picture's border are dropped and the rest
//! normalised; an axis that keeps its size is copied. After both passes an alpha above 1 divides the pixel and an
//! alpha of 0 or less clears it.

use super::Kernel;
use super::sample::Sample;
use super::table::{Table, most_taps};
use crate::budget::{Account, Charge, OverBudget};
use crate::raster::Premul;

/// Feed it every source row from the top; it hands out every output row as soon as it is whole.
#[derive(Debug)]
pub struct Resizer {
    width: usize,
    down: Table,
    across: Table,
    /// Unfinished output rows at source width, row y in slot y modulo their number.
    unfinished: Vec<Vec<Premul>>,
    finished: Vec<Premul>,
    received: i32,
    begun: usize,
    given: usize,
    unchanged: bool,
    _charge: Charge,
}

impl Resizer {
    /// From and to (width, height) in pixels, sides 1 to 2^31 - 1. Enlarging works too. Output row or column k looks
    /// at (k + 1/2) from/to, with the kernel widened by max(1, from/to).
    pub fn new(
        from: (u32, u32),
        to: (u32, u32),
        kernel: Kernel,
        account: &Account,
    ) -> Result<Resizer, OverBudget> {
        let across = axis(from.0, to.0, kernel, account)?;
        let down = axis(from.1, to.1, kernel, account)?;
        let rows = overlap(&down);
        let pixels = (rows as u64).saturating_mul(from.0.into()) + u64::from(to.0);
        let bytes = pixels.saturating_mul(size_of::<Premul>() as u64);
        let charge = account.charge(bytes, "rows being resized")?;
        Ok(Resizer {
            width: from.0 as usize,
            down,
            across,
            unfinished: vec![vec![Premul::CLEAR; from.0 as usize]; rows],
            finished: vec![Premul::CLEAR; to.0 as usize],
            received: 0,
            begun: 0,
            given: 0,
            unchanged: from == to,
            _charge: charge,
        })
    }

    /// Takes the next source row and calls `out` with each output row that it completes: its number and pixels.
    ///
    /// # Panics
    /// When the row is not as wide as the source.
    pub fn push(&mut self, row: &[Premul], out: &mut dyn FnMut(u32, &[Premul])) {
        assert_eq!(row.len(), self.width, "a row as wide as the source");
        let source = self.received;
        self.received += 1;
        if self.unchanged {
            out(source as u32, row);
            return;
        }
        let slots = self.unfinished.len();
        while self.begun < self.down.len() && self.down.run(self.begun).first <= source {
            self.unfinished[self.begun % slots].fill(Premul::CLEAR);
            self.begun += 1;
        }
        for y in self.given..self.begun {
            let run = self.down.run(y);
            let Some(weight) = run.weights.get((source - run.first) as usize) else {
                continue;
            };
            for (sum, pixel) in self.unfinished[y % slots].iter_mut().zip(row) {
                *sum = sum.plus(*weight, *pixel);
            }
        }
        while self.given < self.begun && self.down.run(self.given).end() <= self.received {
            self.finish(self.given % slots);
            out(self.given as u32, &self.finished);
            self.given += 1;
        }
    }

    fn finish(&mut self, slot: usize) {
        let line = &self.unfinished[slot];
        for (column, pixel) in self.finished.iter_mut().enumerate() {
            let run = self.across.run(column);
            let mut sum = Premul::CLEAR;
            for (value, weight) in line[run.first as usize..].iter().zip(run.weights) {
                sum = sum.plus(*weight, *value);
            }
            *pixel = sum.settled();
        }
    }
}

fn axis(from: u32, to: u32, kernel: Kernel, account: &Account) -> Result<Table, OverBudget> {
    // The box of one pixel copies, which other kernels only do when they interpolate.
    let kernel = if from == to { Kernel::Nearest } else { kernel };
    let (pixels, wanted) = (f64::from(from), f64::from(to));
    let scale = (pixels / wanted).max(1.0);
    let source = (0, from as i32);
    Table::new(
        0..to as i32,
        most_taps(kernel, scale, source),
        account,
        |taps, k| {
            let centre = (f64::from(k) + 0.5) * pixels / wanted;
            taps.aim_within(kernel, centre, scale, source.0, source.1)
        },
    )
}

/// The most output rows that are unfinished at one time. First taps and ends never run backwards.
fn overlap(down: &Table) -> usize {
    let (mut oldest, mut most) = (0, 0);
    for y in 0..down.len() {
        while down.run(oldest).end() <= down.run(y).first {
            oldest += 1;
        }
        most = most.max(y + 1 - oldest);
    }
    most
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn resized(source: &[Vec<Premul>], to: (u32, u32), kernel: Kernel) -> Vec<Vec<Premul>> {
        let from = (source[0].len() as u32, source.len() as u32);
        let mut resizer = Resizer::new(from, to, kernel, &Account::unlimited()).unwrap();
        let mut rows = Vec::new();
        for row in source {
            resizer.push(row, &mut |y, row| {
                assert_eq!(y as usize, rows.len());
                rows.push(row.to_vec());
            });
        }
        assert_eq!(rows.len(), to.1 as usize);
        rows
    }

    /// Four quarters, 225 on the diagonal and 30 beside it.
    fn quarters(side: usize) -> Vec<Vec<Premul>> {
        let code = |x: usize, y: usize| {
            if (x < side / 2) == (y < side / 2) {
                225.0
            } else {
                30.0
            }
        };
        let pixel = |x, y| {
            let value = code(x, y) / 255.0;
            Premul([value, value, value, 1.0])
        };
        (0..side)
            .map(|y| (0..side).map(|x| pixel(x, y)).collect())
            .collect()
    }

    fn assert_quarters(from: usize, kernel: Kernel, limit: f64, quarter: &[&[f64]]) {
        let half = quarter.len();
        let side = 2 * half as u32;
        let rows = resized(&quarters(from), (side, side), kernel);
        for (y, row) in rows.iter().enumerate() {
            for (x, pixel) in row.iter().enumerate() {
                let fold = |k: usize| k.min(2 * half - 1 - k);
                let published = quarter[fold(y)][fold(x)];
                let expected = if (x < half) == (y < half) {
                    published
                } else {
                    255.0 - published
                };
                let code = (f64::from(pixel.0[0]) * 255.0).clamp(0.0, 255.0);
                assert!(
                    (code - expected).abs() <= limit,
                    "{kernel:?} ({x}, {y}): {code}, {expected}"
                );
            }
        }
    }

    /// The resize tables of the Pillow test suite (`test_image_resample`), which end in whole codes: within one.
    #[test]
    fn published_tables() {
        assert_quarters(
            8,
            Kernel::Bilinear,
            1.0,
            &[&[225.0, 201.0], &[201.0, 183.0]],
        );
        assert_quarters(
            2,
            Kernel::Bilinear,
            1.0,
            &[&[225.0, 176.0], &[176.0, 152.0]],
        );
        let smaller: [&[f64]; 3] = [
            &[225.0, 227.0, 212.0],
            &[227.0, 229.0, 214.0],
            &[212.0, 214.0, 201.0],
        ];
        assert_quarters(12, Kernel::CatmullRom, 1.0, &smaller);
        let larger: [&[f64]; 4] = [
            &[225.0, 229.0, 238.0, 185.0],
            &[229.0, 233.0, 243.0, 188.0],
            &[238.0, 243.0, 253.0, 193.0],
            &[185.0, 188.0, 193.0, 162.0],
        ];
        assert_quarters(4, Kernel::CatmullRom, 1.0, &larger);
        let smaller: [&[f64]; 4] = [
            &[225.0, 224.0, 228.0, 215.0],
            &[224.0, 223.0, 227.0, 214.0],
            &[228.0, 227.0, 231.0, 218.0],
            &[215.0, 214.0, 217.0, 206.0],
        ];
        assert_quarters(16, Kernel::Lanczos3, 1.0, &smaller);
        let larger: [&[f64]; 6] = [
            &[225.0, 224.0, 219.0, 237.0, 245.0, 184.0],
            &[224.0, 223.0, 218.0, 236.0, 243.0, 183.0],
            &[219.0, 219.0, 214.0, 231.0, 238.0, 181.0],
            &[237.0, 236.0, 230.0, 251.0, 255.0, 191.0],
            &[245.0, 244.0, 238.0, 255.0, 255.0, 196.0],
            &[184.0, 183.0, 180.0, 191.0, 196.0, 160.0],
        ];
        assert_quarters(6, Kernel::Lanczos3, 1.0, &larger);
    }

    /// The same picture through Mitchell and Netravali's cubic, computed outside this program in double precision.
    #[test]
    fn mitchell_tables() {
        let smaller: [&[f64]; 3] = [
            &[225.0, 226.4283, 203.7565],
            &[226.4283, 227.8774, 204.8736],
            &[203.7565, 204.8736, 187.1416],
        ];
        assert_quarters(12, Kernel::Mitchell, 2e-4, &smaller);
        let larger: [&[f64]; 4] = [
            &[225.0, 227.8117, 229.5038, 177.9427],
            &[227.8117, 230.7045, 232.4454, 179.3974],
            &[229.5038, 232.4454, 234.2157, 180.2728],
            &[177.9427, 179.3974, 180.2728, 153.5971],
        ];
        assert_quarters(4, Kernel::Mitchell, 2e-4, &larger);
    }

    /// The shape the Pillow test suite uses for it: 512 x 9 to 9 x 512. Two hundred taps of f32 lose a few units in
    /// the last place; a tenth of a 16-bit code is allowed.
    #[test]
    fn a_constant_stays_constant() {
        let pixel = Premul([0.1, 0.5, 0.9, 1.0]);
        for kernel in [
            Kernel::Lanczos3,
            Kernel::Mitchell,
            Kernel::CatmullRom,
            Kernel::Bilinear,
            Kernel::Nearest,
        ] {
            for row in resized(&vec![vec![pixel; 512]; 9], (9, 512), kernel) {
                for result in row {
                    for (a, b) in result.0.iter().zip(pixel.0) {
                        assert!((a - b).abs() < 0.1 / 65535.0, "{kernel:?}: {result:?}");
                    }
                }
            }
        }
    }

    /// Colour under alpha 0 must not come through; premultiplied it is zero, and stays so.
    #[test]
    fn dirty_transparent_pixels_do_not_leak() {
        let dirty = [1.0f32, 0.0, 1.0];
        let premultiplied = Premul([dirty[0] * 0.0, dirty[1] * 0.0, dirty[2] * 0.0, 0.0]);
        let green = Premul([0.0, 1.0, 0.0, 1.0]);
        let row: Vec<Premul> = (0..40)
            .map(|x| if x < 20 { premultiplied } else { green })
            .collect();
        for kernel in [Kernel::Lanczos3, Kernel::CatmullRom, Kernel::Bilinear] {
            for row in resized(&vec![row.clone(); 40], (17, 13), kernel) {
                for Premul([r, g, b, a]) in row {
                    assert_eq!((r, b), (0.0, 0.0));
                    assert!((0.0..=1.0).contains(&a) && (g - a).abs() < 1e-6);
                }
            }
        }
    }

    #[test]
    fn the_same_size_is_a_copy() {
        let odd = Premul([-0.0, 3.0, -2.0, 1.0]);
        let source = vec![vec![odd, Premul::CLEAR, odd]; 2];
        for kernel in [Kernel::Mitchell, Kernel::Lanczos3] {
            let rows = resized(&source, (3, 2), kernel);
            assert_eq!(rows, source);
            assert!(rows[0][0].0[0].is_sign_negative());
        }
        // An axis that keeps its size is not blurred either.
        let rows = resized(&source, (3, 1), Kernel::Mitchell);
        assert_eq!(rows[0][1], Premul::CLEAR);
    }

    #[test]
    fn memory_is_a_few_rows_whatever_the_reduction() {
        let account = Account::unlimited();
        let from = (10_000, 8_000);
        let _resizer = Resizer::new(from, (100, 80), Kernel::Lanczos3, &account).unwrap();
        assert!(account.used() < 2 << 20, "{} bytes", account.used());
        assert!(Resizer::new(from, (100, 80), Kernel::Lanczos3, &Account::new(100_000)).is_err());
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

        /// Against a two-dimensional sum in `f64` over every source pixel.
        #[test]
        fn any_size_is_the_written_rule(
            from in (1u32..40, 1u32..40), to in (1u32..40, 1u32..40), lanczos in any::<bool>(),
        ) {
            let kernel = if lanczos { Kernel::Lanczos3 } else { Kernel::Bilinear };
            let value = |x: usize, y: usize| f32::from(((x * 37 + y * 101 + x * y) % 64) as u8) / 63.0;
            let source: Vec<Vec<Premul>> = (0..from.1 as usize)
                .map(|y| (0..from.0 as usize).map(|x| Premul([value(x, y), 0.25, 0.0, 1.0])).collect())
                .collect();
            let weights = |from: u32, to: u32, k: usize| -> Vec<f64> {
                let ratio = f64::from(from) / f64::from(to);
                let centre = (k as f64 + 0.5) * ratio;
                let raw: Vec<f64> = (0..from)
                    .map(|i| kernel.weight((f64::from(i) + 0.5 - centre) / ratio.max(1.0)))
                    .collect();
                let sum: f64 = raw.iter().sum();
                raw.iter().map(|w| w / sum).collect()
            };
            for (y, row) in resized(&source, to, kernel).iter().enumerate() {
                let down = weights(from.1, to.1, y);
                for (x, pixel) in row.iter().enumerate() {
                    let across = weights(from.0, to.0, x);
                    let mut expected = 0.0;
                    for (j, wy) in down.iter().enumerate() {
                        for (i, wx) in across.iter().enumerate() {
                            expected += wx * wy * f64::from(value(i, j));
                        }
                    }
                    prop_assert!((f64::from(pixel.0[0]) - expected).abs() < 1e-5);
                    prop_assert!((pixel.0[3] - 1.0).abs() < 1e-6);
                }
            }
        }
    }
}
