//! The sRGB curve (IEC 61966-2-1) for pixels: mixing on encoded values needs it whatever the profile.

use std::sync::{Arc, OnceLock};

use super::formula::Formula;
use super::tone::{Shape, Tone};

/// The one sRGB curve of the process and its tables.
pub(super) fn tone() -> &'static Arc<Tone> {
    static TONE: OnceLock<Arc<Tone>> = OnceLock::new();
    TONE.get_or_init(|| Arc::new(Tone::new(Shape::Formula(Formula::SRGB))))
}

/// Linear light to sRGB's encoded value, within 2^-20 over 0..1. Beyond 1 the formula goes on, below 0 it is
/// mirrored. From tables.
#[inline]
pub fn srgb_encode(v: f32) -> f32 {
    let tone = tone();
    tone.encode_table().open(tone.shape(), v)
}

/// sRGB's encoded value to linear light, within 2^-23 over 0..1. Beyond 1 the formula goes on, below 0 it is
/// mirrored. From tables.
#[inline]
pub fn srgb_decode(v: f32) -> f32 {
    tone().light(f64::from(v))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1, evaluated in double precision; encode(0.18) as the colour-science library prints it.
    #[test]
    fn encodes_the_published_values() {
        let exact = |light: f64| tone().shape().encoded(light);
        assert!((exact(0.18) - 0.461356129500442).abs() < 1e-15);
        for (light, encoded) in [
            (0.0, 0.0),
            (0.01, 0.099852823),
            (0.05, 0.247800528),
            (0.18, 0.461356130),
            (0.214041140, 0.5),
            (0.5, 0.735356983),
            (0.9, 0.954687172),
            (1.0, 1.0),
        ] {
            assert!((exact(light) - encoded).abs() < 1e-9, "{light}");
            let single = f64::from(srgb_encode(light as f32));
            assert!((single - encoded).abs() < 1.0 / 1_048_576.0, "{light}");
        }
    }

    /// IEC 61966-2-1, evaluated in double precision and printed to nine places.
    #[test]
    fn decodes_eight_bit_codes() {
        for (code, light) in [
            (0, 0.0),
            (1, 0.000303527),
            (10, 0.003035270),
            (11, 0.003346536),
            (64, 0.051269458),
            (117, 0.177888),
            (118, 0.181164),
            (119, 0.184475),
            (128, 0.215860500),
            (188, 0.502886458),
            (254, 0.991102097),
            (255, 1.0),
        ] {
            let printed = if (117..120).contains(&code) {
                5e-7
            } else {
                6e-10
            };
            let exact = tone().shape().light(f64::from(code) / 255.0);
            assert!((exact - light).abs() < printed, "{code}: {exact}");
            let table = tone().decode_table().eight()[code as usize];
            assert_eq!(table, exact as f32);
            let pixel = f64::from(srgb_decode(code as f32 / 255.0));
            assert!((pixel - exact).abs() < 1.2e-7, "{code}: {pixel}");
        }
    }

    /// Against the formula of IEC 61966-2-1 in f64, over every 97th f32 of 2^-30..1.
    #[test]
    fn tables_keep_their_promise() {
        let formula = |l: f64| {
            if l <= 0.0031308 {
                12.92 * l
            } else {
                1.055 * libm::pow(l, 1.0 / 2.4) - 0.055
            }
        };
        let (mut worst, mut previous) = (0.0f64, 0.0f32);
        for bits in ((2f32.recip().to_bits() - (29 << 23))..=1f32.to_bits()).step_by(97) {
            let light = f32::from_bits(bits);
            let encoded = srgb_encode(light);
            assert!(encoded >= previous, "falls at {light}");
            previous = encoded;
            worst = worst.max((f64::from(encoded) - formula(f64::from(light))).abs());
        }
        assert!(worst < 1.0 / 1_048_576.0, "{worst}");
    }

    /// The extension CSS Color 4 gives its sRGB functions: mirrored below 0, the same formula above 1.
    #[test]
    fn goes_on_beyond_the_ends() {
        for encoded in [-2.0f32, -0.5, -0.01, 1.25, 4.0] {
            let light = srgb_decode(encoded);
            let back = srgb_encode(light);
            assert!((back - encoded).abs() < 1e-5 * encoded.abs(), "{encoded}");
            assert_eq!(srgb_decode(-encoded), -light);
        }
        assert!((f64::from(srgb_decode(2.0)) - libm::pow(2.055 / 1.055, 2.4)).abs() < 1e-6);
    }
}
