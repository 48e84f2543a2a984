//! JPEG frames made with `jpeg-encoder`: what its markers say, and what is refused.

use super::build::noise;
use super::{opened, refused, whole};
use crate::frame::{Colour, Embedded, FileFormat, SampleBuffer};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};

const WIDTH: u16 = 48;
const HEIGHT: u16 = 37;

/// A smooth picture with a little noise, as photographs are.
fn picture() -> Vec<u8> {
    let noise = noise(usize::from(WIDTH) * usize::from(HEIGHT) * 3);
    let mut out = Vec::new();
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let grain = noise[out.len()] % 8;
            out.extend([
                (x * 4) as u8 + grain,
                (y * 5) as u8 + grain,
                (x + y * 2) as u8 + grain,
            ]);
        }
    }
    out
}

fn encoded(adjust: impl Fn(&mut Encoder<&mut Vec<u8>>)) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, 90);
    adjust(&mut encoder);
    encoder
        .encode(&picture(), WIDTH, HEIGHT, ColorType::Rgb)
        .unwrap();
    bytes
}

fn samples(bytes: &[u8]) -> Vec<u8> {
    match whole(&opened(bytes)).unwrap().buffer {
        SampleBuffer::U8(codes) => codes,
        other => panic!("not 8-bit: {other:?}"),
    }
}

#[test]
fn a_profile_in_pieces_is_joined_and_orientation_obeyed() {
    let icc: Vec<u8> = noise(150_000);
    // A big-endian Exif block with the one tag 274, value 6.
    let exif = b"MM\0\x2a\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0";
    let bytes = encoded(|encoder| {
        encoder.add_icc_profile(&icc).unwrap();
        encoder.add_exif_metadata(exif).unwrap();
    });
    let frame = opened(&bytes);
    let header = frame.header();
    assert_eq!(header.profile, Embedded::Icc(icc));
    assert_eq!(
        (header.width, header.height),
        (u32::from(HEIGHT), u32::from(WIDTH))
    );
    assert_eq!((header.orientation, header.format), (6, FileFormat::Jpeg));
    assert_eq!(header.colour, Colour::Rgb);
    // Orientation 6: the stored first row is the right-hand column.
    let upright = samples(&encoded(|_| ()));
    let turned = samples(&bytes);
    let last = (usize::from(HEIGHT) - 1) * 3;
    assert_eq!(turned[last..last + 3], upright[..3]);
}

/// The same coefficients, stored component after component, must give the same picture or be refused: the decoder
/// turns some of these files into garbage without a word.
#[test]
fn channels_one_after_the_other_are_right_or_refused() {
    let mut refusals = 0;
    for factor in [
        SamplingFactor::F_1_1,
        SamplingFactor::F_2_1,
        SamplingFactor::F_1_2,
        SamplingFactor::F_2_2,
        SamplingFactor::F_4_1,
    ] {
        let interleaved = encoded(|encoder| encoder.set_sampling_factor(factor));
        let apart = encoded(|encoder| {
            encoder.set_sampling_factor(factor);
            encoder.set_optimized_huffman_tables(true);
        });
        let file = super::Scratch::new(&apart);
        match file.open() {
            Ok(_) => assert_eq!(samples(&apart), samples(&interleaved), "{factor:?}"),
            Err(_) => refusals += 1,
        }
    }
    assert_eq!(refusals, 3);
    let apart = encoded(|encoder| {
        encoder.set_sampling_factor(SamplingFactor::F_2_2);
        encoder.set_optimized_huffman_tables(true);
    });
    insta::assert_snapshot!(refused(&apart), @"stores its channels one after the other with reduced colour resolution; baseline and progressive JPEG in gray, YCbCr or RGB is read: save it as 16-bit TIFF, or as a plain JPEG");
}

#[test]
fn gray_has_one_channel() {
    let mut bytes = Vec::new();
    Encoder::new(&mut bytes, 90)
        .encode(&[77; 9 * 5], 9, 5, ColorType::Luma)
        .unwrap();
    let frame = opened(&bytes);
    assert_eq!(
        (frame.header().colour, frame.header().channels),
        (Colour::Gray, 1)
    );
    assert_eq!(samples(&bytes), [77; 9 * 5]);
}

#[test]
fn cmyk_and_lossless_are_refused() {
    let mut bytes = Vec::new();
    Encoder::new(&mut bytes, 90)
        .encode(&noise(8 * 8 * 4), 8, 8, ColorType::Cmyk)
        .unwrap();
    insta::assert_snapshot!(refused(&bytes), @"holds CMYK colour; baseline and progressive JPEG in gray, YCbCr or RGB is read: save it as 16-bit TIFF, or as a plain JPEG");
    let mut lossless = encoded(|_| ());
    let frame = lossless
        .windows(2)
        .position(|pair| pair == [0xff, 0xc0])
        .unwrap();
    lossless[frame + 1] = 0xc3;
    insta::assert_snapshot!(refused(&lossless), @"is a lossless JPEG; baseline and progressive JPEG in gray, YCbCr or RGB is read: save it as 16-bit TIFF, or as a plain JPEG");
}

#[test]
fn a_jpeg_cut_short_is_an_error_though_it_could_be_shown() {
    for progressive in [false, true] {
        let bytes = encoded(|encoder| encoder.set_progressive(progressive));
        let frame = opened(&bytes[..bytes.len() * 3 / 4]);
        let error = whole(&frame).unwrap_err().to_string();
        assert!(error.contains("has no end mark in its"), "{error}");
    }
}
