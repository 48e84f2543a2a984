//! From light to codes: vignetting, the flash's drift, photon and read noise, and the profile's curve.

use crate::sampling::{hash, normal};
use crate::vector::V3;

/// Electrons a pixel holds at full: the sensor's area is shared by the pixels of the picture, so a small picture is a
/// clean one; below 45,000 no pixel of this camera goes.
pub fn full(height: u32) -> f32 {
    let share = 800.0 / height as f32;
    (300_000.0 * share * share).max(45_000.0)
}

/// Noise of the read-out, as a share of the square root of what a pixel holds.
const READ: f32 = 0.015;

/// Gain of the whole exposure: paper under the key comes out near 0.75.
const EXPOSURE: f32 = 1.22;

/// How much of the light the lens lets through, less toward the corners; `x`, `y` in pixels.
pub fn lens(x: f32, y: f32, width: u32, height: u32) -> f32 {
    let (a, b) = (
        x / width as f32 - 0.5,
        (y - height as f32 * 0.5) / width as f32,
    );
    EXPOSURE / (1.0 + 0.30 * (a * a + b * b))
}

/// A gain of `stops`.
pub fn stops(stops: f32) -> f32 {
    libm::exp2f(stops)
}

/// The profile's curve (IEC 61966-2-1) as a 16-bit code.
pub fn code(linear: f32) -> u16 {
    let x = linear.clamp(0.0, 1.0);
    let encoded = if x <= 0.003_130_8 {
        12.92 * x
    } else {
        1.055 * libm::powf(x, 1.0 / 2.4) - 0.055
    };
    (encoded * 65_535.0 + 0.5) as u16
}

/// Codes of one pixel as the sensor saw it; `seed` differs from frame to frame and pixel to pixel.
pub fn exposed(light: V3, full: f32, seed: u32) -> [u16; 3] {
    let mut codes = [0; 3];
    for (i, value) in light.array().into_iter().enumerate() {
        let electrons = value.max(0.0) * full;
        let wide = libm::sqrtf(electrons + READ * READ * full);
        let word = hash(seed, i as u32);
        let seen = electrons + wide * normal(word, hash(word, 0x51));
        codes[i] = code(seen / full);
    }
    codes
}
