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

#[cfg(test)]
mod tests {
    use zune_jpeg::JpegDecoder;
    use zune_jpeg::zune_core::bytestream::ZCursor;
    use zune_jpeg::zune_core::colorspace::ColorSpace;
    use zune_jpeg::zune_core::options::DecoderOptions;

    use super::super::tests::image;
    use super::super::{Channels, Compression};
    use super::*;

    fn written(image: &Image, quality: u8, samples: &[u8]) -> Vec<u8> {
        let mut file = Vec::new();
        write_jpeg(&mut file, image, quality, samples).unwrap();
        file
    }

    /// Outside reader: the `zune-jpeg` crate. At quality 100 every DCT coefficient is rounded to a whole number, so a
    /// sample is off by a few codes at most (ITU-T T.81, A.3.4); alternating colours would drown in subsampled chroma.
    #[test]
    fn samples_come_back_nearly() {
        for (channels, space) in [
            (Channels::Gray, ColorSpace::Luma),
            (Channels::Rgb, ColorSpace::RGB),
        ] {
            let image = image(67, 35, channels, Depth::U8, Compression::None);
            let count = image.samples_in(image.height) as usize;
            let samples: Vec<u8> = (0..count).map(|k| (k * 41 % 256) as u8).collect();
            let file = written(&image, 100, &samples);
            let options = DecoderOptions::default().jpeg_set_out_colorspace(space);
            let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&file), options);
            let seen = decoder.decode().unwrap();
            assert_eq!(decoder.dimensions(), Some((67, 35)));
            assert_eq!(seen.len(), samples.len());
            let farthest = seen.iter().zip(&samples).map(|(a, b)| a.abs_diff(*b)).max();
            assert!(farthest <= Some(4), "{farthest:?}");
        }
    }

    #[test]
    fn profile_and_words_are_there() {
        let mut image = image(8, 8, Channels::Rgb, Depth::U8, Compression::None);
        image.icc = (0..150_000).map(|k| (k % 253) as u8).collect();
        let file = written(&image, 90, &[128; 192]);
        let mut decoder = JpegDecoder::new(ZCursor::new(&file));
        decoder.decode_headers().unwrap();
        assert_eq!(decoder.icc_profile().unwrap(), image.icc);
        let packet = decoder.xmp().unwrap();
        assert_eq!(packet, xmp::packet(&image.words).unwrap().as_bytes());
    }

    #[test]
    fn what_no_jpeg_can_hold_is_refused() {
        let small = image(8, 8, Channels::Rgb, Depth::U8, Compression::None);
        let refusal = |image: Image, quality| {
            write_jpeg(Vec::new(), &image, quality, &[])
                .unwrap_err()
                .to_string()
        };
        insta::assert_snapshot!(refusal(Image { width: 65_501, ..small.clone() }, 90), @"a picture of 65501 x 8 px can't be written in this format: each side must be 1 to 65500 px");
        insta::assert_snapshot!(refusal(Image { depth: Depth::U16, ..small.clone() }, 90), @"JPEG can't hold 16-bit samples: use depth 8 or a TIFF");
        insta::assert_snapshot!(refusal(Image { channels: Channels::GrayAlpha, ..small.clone() }, 90), @"JPEG can't hold alpha: state a background, or use a TIFF or PNG");
        insta::assert_snapshot!(refusal(small.clone(), 101), @"quality 101: it must be 1 to 100");
        insta::assert_snapshot!(refusal(Image { icc: vec![0; JPEG_ICC_LIMIT + 1], ..small }, 90), @"the ICC profile would take 16641827 bytes; at most 16641826 are written");
    }
}
