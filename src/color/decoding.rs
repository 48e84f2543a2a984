//! From a profile's codes to linear light in a working space.

use std::sync::Arc;

use super::matrix::{on_pixel, product, single};
use super::profile::Profile;
use super::space::Space;
use super::tone::Tone;

/// Tables and a matrix from codes of one profile to light in one space. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Decoding {
    tones: [Arc<Tone>; 3],
    /// `None` where the primaries are the space's own, or the profile is gray.
    matrix: Option<[[f32; 3]; 3]>,
}

impl Decoding {
    /// A gray profile decodes its one channel to equal R, G and B: read any of the three tables and pass the light
    /// three times.
    pub fn new(profile: &Profile, space: &Space) -> Decoding {
        let tones = profile.tones().clone();
        for tone in &tones {
            // Made here, so that no worker waits for them in the middle of a picture.
            tone.decode_table();
        }
        let same = profile.is_gray() || profile.to_pcs() == space.to_pcs();
        let matrix = (!same).then(|| single(&product(&space.from_pcs(), &profile.to_pcs())));
        Decoding { tones, matrix }
    }

    /// Light of every 8-bit code: 256 entries that never fall, the same as `table16` at 257 x code.
    ///
    /// # Panics
    /// Where `channel` is not 0, 1 or 2, as everywhere here.
    pub fn table8(&self, channel: usize) -> &[f32] {
        self.tones[channel].decode_table().eight()
    }

    /// Light of every 16-bit code: 65,536 entries that never fall.
    pub fn table16(&self, channel: usize) -> &[f32] {
        self.tones[channel].decode_table().sixteen()
    }

    /// Light of any finite encoded value, for 32-bit and float samples; at code / 65535 exactly what `table16` says.
    ///
    /// Beyond 1 a formula goes on as it is and a table curve goes on straight, with the mean slope of its last eighth;
    /// below 0 the curve is mirrored through its point at 0 (CSS Color 4, section 10, does the same for sRGB).
    pub fn curve(&self, channel: usize, encoded: f64) -> f32 {
        self.tones[channel].light(encoded)
    }

    /// Light under the profile's primaries to light in the space; a copy where [`Decoding::is_copy`]. Not clipped.
    #[inline]
    pub fn to_space(&self, rgb: [f32; 3]) -> [f32; 3] {
        match &self.matrix {
            Some(matrix) => on_pixel(matrix, rgb),
            None => rgb,
        }
    }

    /// Whether [`Decoding::to_space`] changes nothing.
    pub fn is_copy(&self) -> bool {
        self.matrix.is_none()
    }
}
