//! Decoded bytes to numbers: byte order, predictors, half floats.

use super::ifd::Order;
use super::meaning::Predictor;

/// An unsigned number of a file, in its own order.
pub trait Word: Copy + Default + Send {
    const BYTES: usize;
    fn load(order: Order, bytes: &[u8]) -> Self;
    fn sum(self, other: Self) -> Self;
}

impl Word for u8 {
    const BYTES: usize = 1;

    fn load(_: Order, bytes: &[u8]) -> u8 {
        bytes[0]
    }

    fn sum(self, other: u8) -> u8 {
        self.wrapping_add(other)
    }
}

impl Word for u16 {
    const BYTES: usize = 2;

    fn load(order: Order, bytes: &[u8]) -> u16 {
        order.u16([bytes[0], bytes[1]])
    }

    fn sum(self, other: u16) -> u16 {
        self.wrapping_add(other)
    }
}

impl Word for u32 {
    const BYTES: usize = 4;

    fn load(order: Order, bytes: &[u8]) -> u32 {
        order.u32([bytes[0], bytes[1], bytes[2], bytes[3]])
    }

    fn sum(self, other: u32) -> u32 {
        self.wrapping_add(other)
    }
}

/// A kind of stored sample: the word it is stored as and the number it stands for.
pub trait Stored: Send + Sync {
    type Word: Word;
    type Sample: Copy + Default + Send + Sync;
    fn sample(word: Self::Word) -> Self::Sample;
    /// The sample with black and white exchanged; whole numbers only.
    fn inverted(sample: Self::Sample) -> Self::Sample;
}

pub enum U8 {}
pub enum U16 {}
pub enum U32 {}
pub enum F16 {}
pub enum F32 {}

impl Stored for U8 {
    type Word = u8;
    type Sample = u8;

    fn sample(word: u8) -> u8 {
        word
    }

    fn inverted(sample: u8) -> u8 {
        !sample
    }
}

impl Stored for U16 {
    type Word = u16;
    type Sample = u16;

    fn sample(word: u16) -> u16 {
        word
    }

    fn inverted(sample: u16) -> u16 {
        !sample
    }
}

impl Stored for U32 {
    type Word = u32;
    type Sample = u32;

    fn sample(word: u32) -> u32 {
        word
    }

    fn inverted(sample: u32) -> u32 {
        !sample
    }
}

impl Stored for F16 {
    type Word = u16;
    type Sample = f32;

    fn sample(word: u16) -> f32 {
        widened(word)
    }

    fn inverted(sample: f32) -> f32 {
        sample
    }
}

impl Stored for F32 {
    type Word = u32;
    type Sample = f32;

    fn sample(word: u32) -> f32 {
        f32::from_bits(word)
    }

    fn inverted(sample: f32) -> f32 {
        sample
    }
}

/// IEEE 754 binary16 to binary32, exact.
pub fn widened(half: u16) -> f32 {
    let sign = u32::from(half >> 15) << 31;
    let exponent = u32::from(half >> 10) & 0x1f;
    let fraction = u32::from(half) & 0x3ff;
    match exponent {
        // Subnormal: fraction x 2^-24 is exact in binary32.
        0 => f32::from_bits(sign | (fraction as f32 * f32::from_bits(0x3380_0000)).to_bits()),
        31 => f32::from_bits(sign | 0x7f80_0000 | fraction << 13),
        _ => f32::from_bits(sign | (exponent + 112) << 23 | fraction << 13),
    }
}

/// One decoded row to numbers. `stride` is the number of interleaved channels. The bytes are used up.
pub fn row<W: Word>(
    bytes: &mut [u8],
    words: &mut [W],
    stride: usize,
    order: Order,
    predictor: Predictor,
) {
    if predictor == Predictor::Float {
        // Adobe Photoshop TIFF Technical Note 3: byte planes, most significant first whatever the file's order,
        // differenced along the row as bytes.
        for k in stride..bytes.len() {
            bytes[k] = bytes[k].wrapping_add(bytes[k - stride]);
        }
        let count = words.len();
        let mut one = [0; 4];
        for (k, word) in words.iter_mut().enumerate() {
            for (plane, byte) in one[..W::BYTES].iter_mut().enumerate() {
                *byte = bytes[plane * count + k];
            }
            *word = W::load(Order::Big, &one[..W::BYTES]);
        }
        return;
    }
    for (word, raw) in words.iter_mut().zip(bytes.chunks_exact(W::BYTES)) {
        *word = W::load(order, raw);
    }
    if predictor == Predictor::Horizontal {
        for k in stride..words.len() {
            words[k] = words[k].sum(words[k - stride]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked values of IEEE 754-2019 binary16.
    #[test]
    fn half_floats_widen_exactly() {
        let table = [
            (0x0000, 0.0),
            (0x3c00, 1.0),
            (0xc000, -2.0),
            (0x7bff, 65504.0),
            (0x0400, 6.103_515_6e-5),
            (0x0001, 5.960_464_5e-8),
            (0x03ff, 6.097_555e-5),
            (0x3555, 0.333_251_95),
            (0x7c00, f32::INFINITY),
        ];
        for (half, value) in table {
            assert_eq!(widened(half), value, "{half:#06x}");
        }
        assert!(widened(0x7e00).is_nan());
        assert_eq!(widened(0x8000).to_bits(), 0x8000_0000);
    }
}
