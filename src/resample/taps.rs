//! The taps of one output coordinate on one axis: which source pixels, with which weights.

use super::Kernel;

/// Weights of the source pixels `first`, `first + 1`, ...; empty where no tap falls into the window.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run<'a> {
    pub(super) first: i32,
    pub(super) weights: &'a [f32],
}

impl Run<'_> {
    /// The source pixel after the last one.
    pub(super) fn end(&self) -> i32 {
        self.first + self.weights.len() as i32
    }
}

/// Works out runs, one at a time; reused from pixel to pixel.
#[derive(Debug, Default)]
pub(super) struct Taps {
    first: i32,
    weights: Vec<f32>,
    exact: Vec<f64>,
}

/// The taps of a kernel widened `scale` times around `centre`: all pixels whose centres lie inside, both ends
/// included. Never empty for a finite centre.
fn reached(kernel: Kernel, centre: f64, scale: f64) -> (i64, i64) {
    let half = kernel.radius() * scale;
    let last = (centre + (half - 0.5)).floor() as i64;
    let first = match kernel {
        // The box is open on its left; the smaller of both keeps one tap where rounding would lose it.
        Kernel::Nearest => ((centre - (half + 0.5)).floor() as i64)
            .saturating_add(1)
            .min(last),
        _ => (centre - (half + 0.5)).ceil() as i64,
    };
    (first, last)
}

impl Taps {
    /// What one tap inside the window takes here.
    pub(super) const BYTES_A_TAP: u64 = (size_of::<f32>() + size_of::<f64>()) as u64;

    /// The run last aimed at.
    pub(super) fn run(&self) -> Run<'_> {
        Run {
            first: self.first,
            weights: &self.weights,
        }
    }

    /// Aims at `centre` (in source pixels), kernel widened `scale` times. Weights are normalised over **all** taps,
    /// those outside `from..to` included: outside is transparent, not absent. False when none is inside.
    pub(super) fn aim(
        &mut self,
        kernel: Kernel,
        centre: f64,
        scale: f64,
        from: i32,
        to: i32,
    ) -> bool {
        let (first, last) = reached(kernel, centre, scale);
        self.weigh(kernel, centre, scale, (first, last), (from, to))
    }

    /// The same with taps outside `from..to` dropped and the rest normalised, as an output's border asks.
    pub(super) fn aim_within(
        &mut self,
        kernel: Kernel,
        centre: f64,
        scale: f64,
        from: i32,
        to: i32,
    ) -> bool {
        let (first, last) = reached(kernel, centre, scale);
        let inside = (first.max(i64::from(from)), last.min(i64::from(to) - 1));
        self.weigh(kernel, centre, scale, inside, (from, to))
    }

    fn weigh(
        &mut self,
        kernel: Kernel,
        centre: f64,
        scale: f64,
        (first, last): (i64, i64),
        (from, to): (i32, i32),
    ) -> bool {
        self.weights.clear();
        let inside = first.max(i64::from(from))..last.saturating_add(1).min(i64::from(to));
        if inside.is_empty() {
            return false;
        }
        let sharpness = 1.0 / scale;
        let weight = |pixel: i64| match kernel {
            Kernel::Nearest => 1.0,
            _ => kernel.quick_weight((pixel as f64 + 0.5 - centre) * sharpness),
        };
        let mut sum = 0.0;
        for pixel in first..inside.start {
            sum += weight(pixel);
        }
        self.exact.clear();
        for pixel in inside.clone() {
            let value = weight(pixel);
            sum += value;
            self.exact.push(value);
        }
        for pixel in inside.end..=last {
            sum += weight(pixel);
        }
        let share = 1.0 / sum;
        self.first = inside.start as i32;
        self.weights
            .extend(self.exact.iter().map(|value| (value * share) as f32));
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn aimed(kernel: Kernel, centre: f64, scale: f64) -> (i32, Vec<f32>) {
        let mut taps = Taps::default();
        assert!(taps.aim(kernel, centre, scale, -100, 100));
        (taps.first, taps.weights)
    }

    /// Normalised half-pixel taps of sinc(x) sinc(x/3), computed outside this program.
    #[test]
    fn half_pixel_lanczos_taps() {
        let (first, weights) = aimed(Kernel::Lanczos3, 4.0, 1.0);
        let expected = [0.024457, -0.135870, 0.611413, 0.611413, -0.135870, 0.024457];
        assert_eq!((first, weights.len()), (1, 6));
        for (weight, expected) in weights.iter().zip(expected) {
            assert!((f64::from(*weight) - expected).abs() < 5e-7, "{weights:?}");
        }
    }

    /// The language's limit for tabled weights: half a code of 65535 at full contrast. The worst picture puts 1 under
    /// every weight that is too large and 0 under the others; two axes double what one loses, and the other axis's
    /// absolute weights, under 2 for Lanczos-3, scale it.
    #[test]
    fn tabled_weights_agree_with_the_formula_at_full_contrast() {
        for scale in [1.0, 1.37, 2.6, 11.9] {
            for phase in 0..1000 {
                let centre = f64::from(phase) / 1000.0;
                let (first, weights) = aimed(Kernel::Lanczos3, centre, scale);
                let exact: Vec<f64> = (first..)
                    .zip(&weights)
                    .map(|(i, _)| Kernel::Lanczos3.weight((f64::from(i) + 0.5 - centre) / scale))
                    .collect();
                let sum: f64 = exact.iter().sum();
                let lost: f64 = weights
                    .iter()
                    .zip(&exact)
                    .map(|(weight, exact)| (f64::from(*weight) - exact / sum).abs())
                    .sum();
                assert!(
                    2.0 * 2.0 * lost < 0.5 / 65535.0,
                    "{lost} at {centre}, scale {scale}"
                );
            }
        }
    }

    #[test]
    fn weights_at_a_pixel_centre_are_that_pixel() {
        for kernel in [
            Kernel::Lanczos3,
            Kernel::CatmullRom,
            Kernel::Bilinear,
            Kernel::Nearest,
        ] {
            let (first, weights) = aimed(kernel, 7.5, 1.0);
            for (k, weight) in weights.iter().enumerate() {
                let own = first + k as i32 == 7;
                assert_eq!(*weight, f32::from(u8::from(own)), "{kernel:?}");
            }
        }
    }

    #[test]
    fn nearest_takes_the_pixel_that_holds_the_point() {
        for (centre, pixel) in [
            (3.0, 3),
            (2.999, 2),
            (3.999, 3),
            (1e-17, 0),
            (-1e-17, -1),
            (-0.5, -1),
        ] {
            assert_eq!(
                aimed(Kernel::Nearest, centre, 1.0),
                (pixel, vec![1.0]),
                "at {centre}"
            );
        }
        assert_eq!(aimed(Kernel::Nearest, 4.0, 4.0), (2, vec![0.25; 4]));
    }

    /// Dropping a window's outside keeps the weights of what is left; an output's border shares them out anew.
    #[test]
    fn outside_counts_for_elements_and_not_for_outputs() {
        let mut taps = Taps::default();
        assert!(taps.aim(Kernel::Bilinear, 0.0, 1.0, 0, 9));
        assert_eq!((taps.first, &taps.weights[..]), (0, &[0.5][..]));
        assert!(taps.aim_within(Kernel::Bilinear, 0.0, 1.0, 0, 9));
        assert_eq!((taps.first, &taps.weights[..]), (0, &[1.0][..]));
        assert!(!taps.aim(Kernel::Bilinear, -20.0, 1.0, 0, 9));
        assert!(!taps.aim(Kernel::Bilinear, 1e300, 1.0, 0, 9));
    }
}
