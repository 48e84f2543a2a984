//! Against the `tiff` crate 0.11.3, where it is right: gray and RGB without extra samples, in strips.

use super::{opened, whole};
use crate::frame::{SampleBuffer, SampleKind};
use std::io::Cursor;
use tiff::decoder::{Decoder, DecodingResult};
use tiff::encoder::colortype::{ColorType, Gray8, Gray16, Gray32Float, RGB8, RGB16, RGB32};
use tiff::encoder::{Compression, DeflateLevel, Predictor, TiffEncoder, TiffValue};

fn check<C: ColorType>(samples: &[C::Inner], kind: SampleKind, what: &str)
where
    [C::Inner]: TiffValue,
{
    let float = matches!(kind, SampleKind::F32);
    for (name, compression) in [
        ("none", Compression::Uncompressed),
        ("lzw", Compression::Lzw),
        ("deflate", Compression::Deflate(DeflateLevel::Fast)),
        ("packbits", Compression::Packbits),
    ] {
        for predicted in [false, true] {
            let can = matches!(compression, Compression::Lzw | Compression::Deflate(_));
            if predicted && (!can || float) {
                continue;
            }
            for big in [false, true] {
                let mut bytes = Cursor::new(Vec::new());
                let predictor = if predicted {
                    Predictor::Horizontal
                } else {
                    Predictor::None
                };
                if big {
                    let mut encoder = TiffEncoder::new_big(&mut bytes)
                        .unwrap()
                        .with_compression(compression)
                        .with_predictor(predictor);
                    encoder.write_image::<C>(23, 17, samples).unwrap();
                } else {
                    let mut encoder = TiffEncoder::new(&mut bytes)
                        .unwrap()
                        .with_compression(compression)
                        .with_predictor(predictor);
                    encoder.write_image::<C>(23, 17, samples).unwrap();
                }
                let bytes = bytes.into_inner();
                let mut decoder = Decoder::new(Cursor::new(&bytes[..])).unwrap();
                let theirs = decoder.read_image().unwrap();
                let frame = opened(&bytes);
                let ours = whole(&frame).unwrap().buffer;
                let same = match (&theirs, &ours) {
                    (DecodingResult::U8(a), SampleBuffer::U8(b)) => a == b,
                    (DecodingResult::U16(a), SampleBuffer::U16(b)) => a == b,
                    (DecodingResult::U32(a), SampleBuffer::U32(b)) => a == b,
                    (DecodingResult::F32(a), SampleBuffer::F32(b)) => a == b,
                    _ => false,
                };
                assert!(same, "{what} {name} predicted {predicted} big {big}");
                assert_eq!(frame.header().kind, kind);
            }
        }
    }
}

#[test]
fn samples_are_what_the_tiff_crate_reads() {
    let noise = super::build::noise(23 * 17 * 3 * 4);
    let eight = &noise[..23 * 17 * 3];
    let sixteen: Vec<u16> = noise
        .chunks_exact(2)
        .map(|b| u16::from_le_bytes([b[0], b[1]]))
        .collect();
    let long: Vec<u32> = noise
        .chunks_exact(4)
        .map(|b| u32::from_le_bytes([b[0], b[1], b[2], b[3]]))
        .collect();
    let float: Vec<f32> = long[..23 * 17]
        .iter()
        .map(|code| *code as f32 / 1e9)
        .collect();
    check::<RGB8>(eight, SampleKind::U8, "RGB8");
    check::<Gray8>(&eight[..23 * 17], SampleKind::U8, "Gray8");
    check::<RGB16>(&sixteen[..23 * 17 * 3], SampleKind::U16, "RGB16");
    check::<Gray16>(&sixteen[..23 * 17], SampleKind::U16, "Gray16");
    check::<RGB32>(&long, SampleKind::U32, "RGB32");
    check::<Gray32Float>(&float, SampleKind::F32, "Gray32Float");
}
