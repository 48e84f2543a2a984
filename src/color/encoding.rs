//! From linear light in a working space to a profile's encoded values.

use std::sync::Arc;

use super::matrix::{on_pixel, product, single};
use super::profile::Profile;
use super::space::Space;
use super::tone::Tone;

/// A matrix and tables from light in one space to values of one profile. Cheap to clone.
///
/// Relative colorimetric: white becomes white. For profiles of matrix and curves the perceptual and saturation intents
/// and black point compensation come to the same. NaN encodes as 0 in whole codes and in [`Encoding::unit`].
#[derive(Clone, Debug)]
pub struct Encoding {
    tones: [Arc<Tone>; 3],
    mixing: Mixing,
}

#[derive(Clone, Debug)]
enum Mixing {
    Copy,
    Matrix([[f32; 3]; 3]),
    /// Luminance weights of the space.
    Gray([f32; 3]),
}

impl Encoding {
    pub fn new(space: &Space, profile: &Profile) -> Encoding {
        let tones = profile.tones().clone();
        for tone in &tones {
            tone.encode_table();
        }
        let own = Space::of(profile);
        let mixing = if profile.is_gray() {
            Mixing::Gray(space.luminance().map(|weight| weight as f32))
        } else if own == *space {
            Mixing::Copy
        } else {
            Mixing::Matrix(single(&product(&own.from_pcs(), &space.to_pcs())))
        };
        Encoding { tones, mixing }
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
        let [r, g, b] = self.light(rgb);
        if let Mixing::Gray(_) = self.mixing {
            return [self.tones[0].encode_table().code(r); 3];
        }
        [
            self.tones[0].encode_table().code(r),
            self.tones[1].encode_table().code(g),
            self.tones[2].encode_table().code(b),
        ]
    }

    /// Encoded values clipped to 0..1, within 2^-20.
    #[inline]
    pub fn unit(&self, rgb: [f32; 3]) -> [f32; 3] {
        let [r, g, b] = self.light(rgb);
        [
            self.tones[0].encode_table().unit(r),
            self.tones[1].encode_table().unit(g),
            self.tones[2].encode_table().unit(b),
        ]
    }

    /// Encoded values, not clipped: beyond 0..1 the inverse of what [`super::Decoding::curve`] says. NaN is not looked
    /// for here.
    #[inline]
    pub fn float(&self, rgb: [f32; 3]) -> [f32; 3] {
        let [r, g, b] = self.light(rgb);
        [self.open(0, r), self.open(1, g), self.open(2, b)]
    }

    fn open(&self, channel: usize, light: f32) -> f32 {
        let tone = &self.tones[channel];
        tone.encode_table().open(tone.shape(), light)
    }

    /// Light under the profile's own primaries; for gray the luminance, three times.
    #[inline]
    fn light(&self, rgb: [f32; 3]) -> [f32; 3] {
        match &self.mixing {
            Mixing::Copy => rgb,
            Mixing::Matrix(matrix) => on_pixel(matrix, rgb),
            // Weights rounded to f32 needn't add up to 1: a neutral pixel is its own luminance.
            Mixing::Gray(_) if rgb[0] == rgb[1] && rgb[1] == rgb[2] => rgb,
            Mixing::Gray(weights) => {
                [weights[0] * rgb[0] + weights[1] * rgb[1] + weights[2] * rgb[2]; 3]
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Decoding, Named};
    use super::*;

    fn round_trip(profile: &Profile) {
        let space = Space::of(profile);
        let decoding = Decoding::new(profile, &space);
        let encoding = Encoding::new(&space, profile);
        for code in 0..=65535u16 {
            let rgb = [0, 1, 2].map(|c| decoding.table16(c)[usize::from(code)]);
            let back = encoding.u16(decoding.to_space(rgb));
            assert_eq!(back, [code; 3], "{}", profile.description());
        }
    }

    #[test]
    fn every_code_of_every_named_profile_comes_back() {
        for name in Named::ALL {
            round_trip(&Profile::named(name));
        }
    }
}
