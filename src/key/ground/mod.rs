//! What is known of the set: where it is seen, under which light, with how much noise.

use super::{LightField, Noise};
use crate::raster::Raster;

/// The set as the frame shows it.
#[derive(Debug)]
pub(super) struct Ground {
    pub noise: Noise,
    /// Half-size: 1 is the set under smooth light, 0 is piece, rod or speck.
    pub background: Raster<u8>,
    pub light: LightField,
}
