//! Light back to codes and encoded values.
//!
//! A code is guessed from the continuous [`Inverse`] and settled against the exact lights at which codes change: it is
//! rounded right, never falls as light rises, and undoes the decode table.

use super::decode_table::DecodeTable;
use super::inverse::{Inverse, next_up};
use super::tone::Shape;

pub(super) struct EncodeTable {
    /// Light of code 0 and of code 65535.
    black: f32,
    white: f32,
    inverse: Inverse,
    /// `limits[n]` is the least light that encodes as n or more; `limits[0]` is -inf, `limits[65536]` +inf.
    limits: Vec<f32>,
    /// A guess whose distance from a whole code is less than this needs no settling.
    sure: f32,
}

/// Adding it to a value of 0..65535 leaves the value rounded to an integer in the low bits.
const ROUNDER: f32 = 8_388_608.0;

impl EncodeTable {
    pub(super) fn new(shape: &Shape, decode: &DecodeTable) -> EncodeTable {
        let codes = decode.sixteen();
        let inverse = Inverse::new(shape, codes[0]);
        let limits = limits(shape, codes);
        // The guess never falls: where its error at every limit is known, so is the error between them.
        let mut worst = 0.0f32;
        for (code, &limit) in limits.iter().enumerate().take(65536).skip(1) {
            if limit > codes[0] && limit < codes[65535] {
                let off = inverse.guess(limit) * 65535.0 - (code as f32 - 0.5);
                worst = worst.max(off.abs());
            }
        }
        EncodeTable {
            black: codes[0],
            white: codes[65535],
            inverse,
            limits,
            sure: 0.5 - worst - 1.0 / 128.0,
        }
    }

    /// Encoded, clipped to 0..1. NaN is 0.
    #[inline]
    pub(super) fn unit(&self, light: f32) -> f32 {
        if light >= self.white {
            1.0
        } else if light > self.black {
            self.inverse.encoded(light).min(1.0)
        } else {
            0.0
        }
    }

    /// floor(65535 x + 1/2) of the encoded value x clipped to 0..1. NaN is 0.
    #[inline]
    pub(super) fn code(&self, light: f32) -> u16 {
        if light >= self.white {
            return 65535;
        }
        if light > self.black {
            let value = self.inverse.guess(light) * 65535.0;
            let rounded = value + ROUNDER;
            let guess = rounded.to_bits() as u16;
            if (value - (rounded - ROUNDER)).abs() < self.sure {
                return guess;
            }
            return self.settled(light, guess);
        }
        0
    }

    /// The code of a light whose guess lies near the middle between two codes.
    #[inline(never)]
    fn settled(&self, light: f32, guess: u16) -> u16 {
        let guess = usize::from(guess);
        let near = guess.saturating_sub(1)..=(guess + 1).min(65535);
        for code in near {
            if self.limits[code] <= light && light < self.limits[code + 1] {
                return code as u16;
            }
        }
        self.limits[1..65536].partition_point(|&limit| limit <= light) as u16
    }

    /// Encoded, not clipped: beyond 0..1 the inverse of [`Shape::light`]. NaN is NaN.
    #[inline]
    pub(super) fn open(&self, shape: &Shape, light: f32) -> f32 {
        if light < self.black {
            -self.risen(shape, self.black + (self.black - light))
        } else {
            self.risen(shape, light)
        }
    }

    #[inline]
    fn risen(&self, shape: &Shape, light: f32) -> f32 {
        if light == self.white {
            1.0
        } else if light <= self.inverse.reach() {
            self.inverse.encoded(light)
        } else {
            shape.encoded(f64::from(light)) as f32
        }
    }
}

fn limits(shape: &Shape, codes: &[f32]) -> Vec<f32> {
    let mut limits = vec![f32::NEG_INFINITY; 65537];
    limits[65536] = f32::INFINITY;
    for code in (1..=65535usize).rev() {
        let (below, own) = (codes[code - 1], codes[code]);
        let limit = if below < own {
            // Halfway may be the light of the code below, where the curve is flat up to here or nearly so.
            let halfway = shape.light((code as f64 - 0.5) / 65535.0) as f32;
            halfway.clamp(next_up(below), own)
        } else if own == codes[65535] {
            own
        } else {
            // On a flat part the lowest code has the light to itself.
            next_up(own)
        };
        limits[code] = limit.min(limits[code + 1]);
    }
    limits
}
