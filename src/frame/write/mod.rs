//! Pictures to files: TIFF by our own writer, PNG and JPEG through their crates.
//!
//! Promise: an [`Image`] and its samples decide every byte. No clock, host, program version or thread count reaches
//! a file; TIFF offsets are 64-bit when the *uncompressed* size asks for it, whatever the codec makes of the samples.
//! Refused with numbers: sizes, depths, profiles and texts that a format or its readers can't hold.
//!
//! The bytes of [`PngWriter`] and [`write_jpeg`] are those of the pinned versions of `png` and `jpeg-encoder`.

mod fault;
mod jpeg;
mod png;
mod table;
mod tiff;
mod tile;
mod words;
mod xmp;

use super::MAX_ICC;

pub use fault::WriteFault;
pub use jpeg::{JPEG_SIDE_LIMIT, write_jpeg};
pub use png::PngWriter;
pub use tiff::{Offsets, TiffWriter};
pub use tile::{TILE, TILES_LIMIT};
pub use words::{Moment, Words};

/// What a file says of its picture; the samples come separately.
///
/// Samples are encoded with `icc`, interleaved, and alpha is unassociated (straight).
#[derive(Clone, Debug)]
pub struct Image {
    pub width: u32,
    pub height: u32,
    pub channels: Channels,
    pub depth: Depth,
    /// TIFF only: PNG has one method, JPEG a quality.
    pub compression: Compression,
    /// The profile to embed; none is written when empty.
    pub icc: Vec<u8>,
    /// Pixels per inch, 1 to 10,000.
    pub ppi: f64,
    pub words: Words,
}

/// Which samples a pixel has, in their order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channels {
    Gray,
    GrayAlpha,
    Rgb,
    RgbAlpha,
}

impl Channels {
    /// Samples of a pixel.
    pub fn count(self) -> usize {
        match self {
            Channels::Gray => 1,
            Channels::GrayAlpha => 2,
            Channels::Rgb => 3,
            Channels::RgbAlpha => 4,
        }
    }

    pub fn is_gray(self) -> bool {
        matches!(self, Channels::Gray | Channels::GrayAlpha)
    }

    pub fn has_alpha(self) -> bool {
        matches!(self, Channels::GrayAlpha | Channels::RgbAlpha)
    }
}

/// How a sample is stored: unsigned integers, or IEEE single precision.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    U8,
    U16,
    F32,
}

impl Depth {
    /// Bytes of a sample.
    pub fn bytes(self) -> usize {
        match self {
            Depth::U8 => 1,
            Depth::U16 => 2,
            Depth::F32 => 4,
        }
    }
}

/// How the tiles of a TIFF are packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Compression {
    None,
    Lzw,
    Deflate,
}

/// Interleaved samples of one of the depths, borrowed.
#[derive(Clone, Copy, Debug)]
pub enum Codes<'a> {
    U8(&'a [u8]),
    U16(&'a [u16]),
    F32(&'a [f32]),
}

impl Codes<'_> {
    pub fn len(&self) -> usize {
        match self {
            Codes::U8(codes) => codes.len(),
            Codes::U16(codes) => codes.len(),
            Codes::F32(codes) => codes.len(),
        }
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    pub fn depth(&self) -> Depth {
        match self {
            Codes::U8(_) => Depth::U8,
            Codes::U16(_) => Depth::U16,
            Codes::F32(_) => Depth::F32,
        }
    }
}

impl Image {
    /// What every format asks: a size of 1 to 2^31 - 1 a side, a profile of at most [`MAX_ICC`] bytes,
    /// a density of 1 to 10,000 ppi.
    fn checked(&self) -> Result<(), WriteFault> {
        let sides = 1..=i32::MAX as u32;
        if !sides.contains(&self.width) || !sides.contains(&self.height) {
            return Err(WriteFault::Size {
                width: self.width,
                height: self.height,
                limit: *sides.end(),
            });
        }
        if self.icc.len() as u64 > MAX_ICC {
            return Err(WriteFault::Long {
                what: "the ICC profile",
                bytes: self.icc.len(),
                limit: MAX_ICC as usize,
            });
        }
        if !(1.0..=10_000.0).contains(&self.ppi) {
            return Err(WriteFault::Density(self.ppi));
        }
        Ok(())
    }

    /// The samples in `rows` whole rows.
    fn samples_in(&self, rows: u32) -> u64 {
        u64::from(self.width) * u64::from(rows) * self.channels.count() as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    /// A small picture of this kind, without profile or words.
    pub(super) fn image(
        width: u32,
        height: u32,
        channels: Channels,
        depth: Depth,
        compression: Compression,
    ) -> Image {
        Image {
            width,
            height,
            channels,
            depth,
            compression,
            icc: Vec::new(),
            ppi: 300.0,
            words: Words::default(),
        }
    }

    /// Numbers of a fixed pseudo-random sequence (a 64-bit linear congruence, upper half).
    pub(super) fn noise(count: usize, seed: u32) -> Vec<u32> {
        let mut state = u64::from(seed);
        let step = |_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 32) as u32
        };
        (0..count).map(step).collect()
    }

    /// Hands on the samples of `rect` out of the whole picture's.
    pub(super) fn part<R>(
        whole: Codes<'_>,
        image: &Image,
        rect: &Rect,
        use_codes: impl Fn(Codes<'_>) -> R,
    ) -> R {
        fn cut<T: Copy>(whole: &[T], image: &Image, rect: &Rect) -> Vec<T> {
            let stride = image.channels.count();
            let rows = whole.chunks_exact(image.width as usize * stride);
            rows.skip(rect.y0 as usize)
                .take(rect.height() as usize)
                .flat_map(|row| &row[rect.x0 as usize * stride..rect.x1 as usize * stride])
                .copied()
                .collect()
        }
        match whole {
            Codes::U8(codes) => use_codes(Codes::U8(&cut(codes, image, rect))),
            Codes::U16(codes) => use_codes(Codes::U16(&cut(codes, image, rect))),
            Codes::F32(codes) => use_codes(Codes::F32(&cut(codes, image, rect))),
        }
    }

    #[test]
    fn what_no_file_can_hold_is_refused_with_numbers() {
        let small = image(4, 3, Channels::Rgb, Depth::U16, Compression::None);
        assert!(small.checked().is_ok());
        let refusal = |image: Image| image.checked().unwrap_err().to_string();
        insta::assert_snapshot!(refusal(Image { width: 0, ..small.clone() }), @"a picture of 0 x 3 px can't be written in this format: each side must be 1 to 2147483647 px");
        insta::assert_snapshot!(refusal(Image { icc: vec![0; MAX_ICC as usize + 1], ..small.clone() }), @"the ICC profile would take 16777217 bytes; at most 16777216 are written");
        insta::assert_snapshot!(refusal(Image { ppi: f64::NAN, ..small.clone() }), @"NaN pixels per inch: it must be 1 to 10000");
    }
}
