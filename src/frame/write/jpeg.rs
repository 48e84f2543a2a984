//! JPEG through the `jpeg-encoder` crate; its pinned version, without its CPU-dependent paths, decides the bytes.
//!
//! Baseline, 4:4:4, one interleaved scan with the standard Huffman tables: about a tenth larger than tables made for
//! the picture, which the crate writes as a scan for each component that some decoders turn into garbage.
//! Profile split over APP2 segments (ICC.1:2022, B.4), density in JFIF, XMP in APP1 (ISO 16684-3).

use std::io::{self, Write};

use jpeg_encoder::{ColorType, Encoder, EncodingError, PixelDensity, SamplingFactor};

use super::{Depth, Image, WriteFault, xmp};

/// The longest side: JPEG counts to 65,535, but the reference decoder (libjpeg) stops here.
pub const JPEG_SIDE_LIMIT: u32 = 65_500;

/// The crate splits a profile over at most 254 segments.
const JPEG_ICC_LIMIT: usize = 254 * 65_519;

/// How XMP is known among other APP1 segments.
const XMP_MARK: &[u8] = b"http://ns.adobe.com/xap/1.0/\0";

/// Writes a gray or RGB picture of 8-bit samples, whole, at `quality` 1 to 100.
///
/// # Panics
/// When `samples` are not the picture's width x height x channels.
pub fn write_jpeg<W: Write>(
    sink: W,
    image: &Image,
    quality: u8,
    samples: &[u8],
) -> Result<(), WriteFault> {
    image.checked()?;
    if image.width.max(image.height) > JPEG_SIDE_LIMIT {
        return Err(WriteFault::Size {
            width: image.width,
            height: image.height,
            limit: JPEG_SIDE_LIMIT,
        });
    }
    if image.depth != Depth::U8 {
        return Err(WriteFault::Depth {
            format: "JPEG",
            depth: image.depth,
        });
    }
    if image.channels.has_alpha() {
        return Err(WriteFault::Alpha { format: "JPEG" });
    }
    if !(1..=100).contains(&quality) {
        return Err(WriteFault::Quality(quality));
    }
    if image.icc.len() > JPEG_ICC_LIMIT {
        return Err(WriteFault::Long {
            what: "the ICC profile",
            bytes: image.icc.len(),
            limit: JPEG_ICC_LIMIT,
        });
    }
    assert_eq!(
        samples.len() as u64,
        image.samples_in(image.height),
        "the samples of the picture"
    );
    let mut encoder = Encoder::new(sink, quality);
    encoder.set_sampling_factor(SamplingFactor::F_1_1);
    encoder.set_optimized_huffman_tables(false);
    encoder.set_progressive(false);
    encoder.set_density(PixelDensity::dpi((image.ppi + 0.5).floor() as u16));
    let packet = xmp::packet(&image.words)?;
    encoder
        .add_app_segment(1, [XMP_MARK, packet.as_bytes()].concat())
        .map_err(fault)?;
    if !image.icc.is_empty() {
        encoder.add_icc_profile(&image.icc).map_err(fault)?;
    }
    let colour = if image.channels.is_gray() {
        ColorType::Luma
    } else {
        ColorType::Rgb
    };
    encoder
        .encode(samples, image.width as u16, image.height as u16, colour)
        .map_err(fault)
}

/// Everything the crate could object to was checked before; what is left is the sink's error.
fn fault(error: EncodingError) -> WriteFault {
    WriteFault::Io(match error {
        EncodingError::IoError(error) => error,
        other => io::Error::other(other),
    })
}
