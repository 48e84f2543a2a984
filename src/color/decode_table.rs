//! Light of every 8-bit and 16-bit code.

use super::tone::Shape;

/// Tables of 256 and 65,536 entries that never fall. Code n of 8 bits means the light of code 257 n of 16.
pub(super) struct DecodeTable {
    eight: Vec<f32>,
    sixteen: Vec<f32>,
}

impl DecodeTable {
    pub(super) fn new(shape: &Shape) -> DecodeTable {
        let mut floor = 0.0f32;
        let sixteen: Vec<f32> = (0..=65535u32)
            .map(|code| {
                // The power function may be a unit in the last place off; the table may not fall.
                floor = floor.max(shape.light(f64::from(code) / 65535.0) as f32);
                floor
            })
            .collect();
        let eight = sixteen.iter().step_by(257).copied().collect();
        DecodeTable { eight, sixteen }
    }

    pub(super) fn eight(&self) -> &[f32] {
        &self.eight
    }

    pub(super) fn sixteen(&self) -> &[f32] {
        &self.sixteen
    }
}
