//! From light to codes: vignetting, the flash's drift, photon and read noise, and the profile's curve.

use crate::sampling::{hash, normal};
use crate::vector::V3;

/// Electrons a pixel holds at full, and the read-out's own noise.
const FULL: f32 = 52_000.0;
const READ: f32 = 3.2;

/// How much of the light the lens lets through toward the corners; `x`, `y` in pixels.
pub fn vignette(x: f32, y: f32, width: u32, height: u32) -> f32 {
    let (a, b) = (
        x / width as f32 - 0.5,
        (y - height as f32 * 0.5) / width as f32,
    );
    1.0 / (1.0 + 0.30 * (a * a + b * b))
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
pub fn exposed(light: V3, seed: u32) -> [u16; 3] {
    let mut codes = [0; 3];
    for (i, value) in light.array().into_iter().enumerate() {
        let electrons = value.max(0.0) * FULL;
        let wide = libm::sqrtf(electrons + READ * READ);
        let word = hash(seed, i as u32);
        let seen = electrons + wide * normal(word, hash(word, 0x51));
        codes[i] = code(seen / FULL);
    }
    codes
}
