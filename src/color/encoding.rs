//! From linear light in a working space to a profile's encoded values.

use std::fmt;
use std::sync::Arc;

use super::encode_table::EncodeTable;
use super::matrix::{on_pixel, product, single};
use super::profile::Profile;
use super::space::Space;

/// A matrix and tables from light in one space to values of one profile. Cheap to clone.
///
/// Relative colorimetric: white becomes white. For profiles of matrix and curves the perceptual and saturation intents
/// and black point compensation come to the same. NaN encodes as 0 in whole codes and in [`Encoding::unit`].
#[derive(Clone)]
pub struct Encoding {
    tables: [Arc<EncodeTable>; 3],
    profile: Profile,
    mixing: Mixing,
}

#[derive(Clone, Debug)]
enum Mixing {
    Copy,
    Matrix([[f32; 3]; 3]),
    /// Weights of the space in the Y of the profile connection space.
    Gray([f32; 3]),
}

impl Encoding {
    pub fn new(space: &Space, profile: &Profile) -> Encoding {
        let own = Space::of(profile);
        let mixing = if profile.is_gray() {
            let y = space.to_pcs()[1];
            let sum = y[0] + y[1] + y[2];
            Mixing::Gray(y.map(|weight| (weight / sum) as f32))
        } else if own == *space {
            Mixing::Copy
        } else {
            Mixing::Matrix(single(&product(&own.from_pcs(), &space.to_pcs())))
        };
        Encoding {
            tables: [0, 1, 2].map(|channel| profile.tones()[channel].encode_table().clone()),
            profile: profile.clone(),
            mixing,
        }
    }

    /// Absolute colorimetric: the white of the space's medium stays the colour it is on the output's medium
    /// (ICC.1:2022, 6.3.2: XYZ is scaled by the ratio of the media's whites). Gray outputs and equal whites come out as
    /// by [`Encoding::new`].
    pub fn absolute(space: &Space, profile: &Profile) -> Encoding {
        let (from, to) = (space.media_white(), profile.media_white());
        if profile.is_gray() || from == to {
            return Encoding::new(space, profile);
        }
        let scale = [
            [from[0] / to[0], 0.0, 0.0],
            [0.0, from[1] / to[1], 0.0],
            [0.0, 0.0, from[2] / to[2]],
        ];
        let own = Space::of(profile);
        let matrix = product(&own.from_pcs(), &product(&scale, &space.to_pcs()));
        Encoding {
            mixing: Mixing::Matrix(single(&matrix)),
            ..Encoding::new(space, profile)
        }
    }

    /// 3, or 1 for gray: then the first of the three results counts, and the others equal it.
    pub fn channels(&self) -> usize {
        match self.mixing {
            Mixing::Gray(_) => 1,
            _ => 3,
        }
    }

    /// The nearest 16-bit codes, clipped: floor(65535 x + 1/2).
    #[inline]
    pub fn u16(&self, rgb: [f32; 3]) -> [u16; 3] {
        self.each(rgb, |channel, light| self.tables[channel].code(light))
    }

    /// Encoded values clipped to 0..1, within 2^-20.
    #[inline]
    pub fn unit(&self, rgb: [f32; 3]) -> [f32; 3] {
        self.each(rgb, |channel, light| self.tables[channel].unit(light))
    }

    /// Encoded values, not clipped: beyond 0..1 the inverse of what [`super::Decoding::curve`] says. NaN stays NaN.
    #[inline]
    pub fn float(&self, rgb: [f32; 3]) -> [f32; 3] {
        self.each(rgb, |channel, light| {
            self.tables[channel].open(self.profile.tones()[channel].shape(), light)
        })
    }

    /// Encodes the light under the profile's own primaries; for gray the luminance, three times.
    #[inline(always)]
    fn each<T: Copy>(&self, rgb: [f32; 3], encode: impl Fn(usize, f32) -> T) -> [T; 3] {
        let [r, g, b] = match &self.mixing {
            Mixing::Copy => rgb,
            Mixing::Matrix(matrix) => on_pixel(matrix, rgb),
            Mixing::Gray(weights) => return [encode(0, luminance(weights, rgb)); 3],
        };
        [encode(0, r), encode(1, g), encode(2, b)]
    }
}

impl fmt::Debug for Encoding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Encoding")
            .field("profile", &self.profile.description())
            .field("mixing", &self.mixing)
            .finish_non_exhaustive()
    }
}

/// Weights rounded to f32 needn't add up to 1: a neutral pixel is its own luminance.
#[inline]
fn luminance(weights: &[f32; 3], rgb: [f32; 3]) -> f32 {
    if rgb[0] == rgb[1] && rgb[1] == rgb[2] {
        return rgb[0];
    }
    weights[0] * rgb[0] + weights[1] * rgb[1] + weights[2] * rgb[2]
}

#[cfg(test)]
mod tests {
    use super::super::{Decoding, Named};
    use super::*;

    #[test]
    fn every_code_of_every_named_profile_comes_back() {
        for name in Named::ALL {
            let profile = Profile::named(name);
            let space = Space::of(&profile);
            let decoding = Decoding::new(&profile, &space);
            let encoding = Encoding::new(&space, &profile);
            assert!(decoding.is_copy());
            for code in 0..=65535u16 {
                let rgb = [0, 1, 2].map(|c| decoding.table16(c)[usize::from(code)]);
                let back = encoding.u16(decoding.to_space(rgb));
                assert_eq!(back, [code; 3], "{name:?}");
            }
            for code in 0..=255u8 {
                let light = decoding.table8(1)[usize::from(code)];
                assert_eq!(encoding.u16([light; 3])[1], u16::from(code) * 257);
            }
        }
    }

    /// Through another working space: no code may move by more than one, and grays stay neutral.
    #[test]
    fn codes_survive_another_working_space() {
        let profile = Profile::named(Named::Srgb);
        for name in [Named::Rec2020, Named::DisplayP3, Named::A98Rgb, Named::Romm] {
            let space = Space::named(name);
            let decoding = Decoding::new(&profile, &space);
            let encoding = Encoding::new(&space, &profile);
            for n in 0..65536u32 {
                let codes = [n, n * 7 % 65536, n * 31 % 65536].map(|code| code as u16);
                let light = [0, 1, 2].map(|c| decoding.table16(c)[usize::from(codes[c])]);
                let back = encoding.u16(decoding.to_space(light));
                for channel in 0..3 {
                    assert!(
                        back[channel].abs_diff(codes[channel]) <= 1,
                        "{codes:?} {back:?}"
                    );
                }
                let gray = encoding.u16(decoding.to_space([light[0]; 3]));
                assert!(gray.iter().all(|c| c.abs_diff(codes[0]) <= 1), "{gray:?}");
            }
        }
    }

    #[test]
    fn out_of_range_and_not_a_number() {
        for name in Named::ALL {
            let profile = Profile::named(name);
            let encoding = Encoding::new(&Space::named(Named::Srgb), &profile);
            let [white, black] = [[65535; 3], [0; 3]];
            assert_eq!(encoding.u16([1e30; 3]), white);
            assert_eq!(encoding.u16([1.5; 3]), white);
            assert_eq!(encoding.u16([-1.0; 3]), black);
            assert_eq!(encoding.u16([-1e30; 3]), black);
            assert_eq!(encoding.u16([f32::NAN; 3]), black);
            assert_eq!(encoding.unit([f32::NAN; 3]), [0.0; 3]);
            assert_eq!(encoding.unit([-0.0; 3]), [0.0; 3]);
            assert_eq!(encoding.unit([7.0; 3]), [1.0; 3]);
            assert_eq!(encoding.channels() == 1, name == Named::Gray);
        }
    }

    /// Gray is the luminance of a coloured pixel: code of the sRGB curve at the D50 weights.
    #[test]
    fn gray_of_colours() {
        let encoding = Encoding::new(&Space::named(Named::Srgb), &Profile::named(Named::Gray));
        // The Y of sRGB's colorants in the profile connection space, as Little CMS rounds them.
        let [r, g, b] = [0.222485, 0.716905, 0.060610];
        for (rgb, y) in [
            ([1.0, 0.0, 0.0], r),
            ([0.0, 1.0, 0.0], g),
            ([0.0, 0.0, 1.0], b),
        ] {
            let wanted = 1.055 * libm::pow(y, 1.0 / 2.4) - 0.055;
            assert!((f64::from(encoding.unit(rgb)[0]) - wanted).abs() < 1e-4);
        }
    }

    #[test]
    fn floats_go_beyond_both_ends_and_back() {
        for name in Named::ALL {
            let profile = Profile::named(name);
            let space = Space::of(&profile);
            let decoding = Decoding::new(&profile, &space);
            let encoding = Encoding::new(&space, &profile);
            for encoded in [
                -40.0f32, -1.5, -0.3, -1e-4, 0.0, 1e-4, 0.3, 1.0, 1.2, 2.9, 40.0,
            ] {
                let light = decoding.curve(2, f64::from(encoded));
                let back = encoding.float([light; 3])[2];
                assert!(
                    (back - encoded).abs() <= 1e-6f32.max(3e-6 * encoded.abs()),
                    "{name:?} {encoded} {back}"
                );
            }
        }
    }
}
