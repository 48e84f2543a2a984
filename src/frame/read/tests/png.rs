//! PNG chunks that say what samples mean, after the PNG specification (third edition).

use super::build::{idat, ihdr, noise, png};
use super::{opened, refused, whole};
use crate::color::Named;
use crate::frame::{Alpha, Channel, Colour, Embedded, SampleBuffer, SampleKind};
use miniz_oxide::deflate::compress_to_vec_zlib;

type Chunk = (&'static [u8; 4], Vec<u8>);

fn gray(extra: &[Chunk]) -> Vec<u8> {
    let mut chunks = vec![ihdr(2, 1, 8, 0)];
    chunks.extend(extra.iter().cloned());
    chunks.push(idat(&[10, 200], 2));
    chunks.push((b"IEND", vec![]));
    png(&chunks)
}

#[test]
fn profiles_rank_as_the_standard_ranks_them() {
    let icc = noise(900);
    let profile = (
        b"iCCP",
        [b"name\0\0".to_vec(), compress_to_vec_zlib(&icc, 6)].concat(),
    );
    let srgb = (b"sRGB", vec![0]);
    let p3 = (b"cICP", vec![12, 13, 0, 1]);
    let pq = (b"cICP", vec![9, 16, 0, 1]);
    let found = |chunks: &[Chunk]| opened(&gray(chunks)).header().profile.clone();
    assert_eq!(found(&[]), Embedded::None);
    assert_eq!(
        found(std::slice::from_ref(&srgb)),
        Embedded::Named(Named::Srgb)
    );
    assert_eq!(
        found(&[srgb.clone(), profile.clone()]),
        Embedded::Icc(icc.clone())
    );
    assert_eq!(
        found(&[p3, srgb.clone(), profile.clone()]),
        Embedded::Named(Named::DisplayP3)
    );
    // Code points that are none of ours do not count.
    assert_eq!(found(&[pq.clone(), profile]), Embedded::Icc(icc));
    assert_eq!(found(&[pq]), Embedded::None);
}

#[test]
fn palettes_and_few_bits_become_eight() {
    let palette = png(&[
        ihdr(4, 1, 2, 3),
        (b"PLTE", vec![1, 2, 3, 4, 5, 6, 7, 8, 9, 250, 251, 252]),
        (b"tRNS", vec![0, 128]),
        idat(&[0b00_01_10_11], 1),
        (b"IEND", vec![]),
    ]);
    let frame = opened(&palette);
    let header = frame.header();
    assert_eq!((header.colour, header.channels), (Colour::Rgb, 4));
    assert_eq!(
        (header.alpha, header.channel(Channel::Alpha)),
        (Alpha::Unassociated, Some(3))
    );
    assert_eq!(
        whole(&frame).unwrap().buffer,
        SampleBuffer::U8(vec![
            1, 2, 3, 0, 4, 5, 6, 128, 7, 8, 9, 255, 250, 251, 252, 255
        ])
    );
    let bits = png(&[
        ihdr(4, 1, 2, 0),
        idat(&[0b00_01_10_11], 1),
        (b"IEND", vec![]),
    ]);
    assert_eq!(
        whole(&opened(&bits)).unwrap().buffer,
        SampleBuffer::U8(vec![0, 85, 170, 255])
    );
}

#[test]
fn sixteen_bits_stay_and_a_transparent_colour_becomes_alpha() {
    let bytes = png(&[
        ihdr(2, 1, 16, 0),
        (b"tRNS", vec![0x12, 0x34]),
        idat(&[0x12, 0x34, 0xff, 0xfe], 4),
        (b"IEND", vec![]),
    ]);
    let frame = opened(&bytes);
    assert_eq!(frame.header().kind, SampleKind::U16);
    assert_eq!(
        whole(&frame).unwrap().buffer,
        SampleBuffer::U16(vec![0x1234, 0, 0xfffe, 0xffff])
    );
}

#[test]
fn an_exif_chunk_turns_the_picture() {
    let exif = b"II\x2a\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\x08\0\0\0\0\0\0\0".to_vec();
    let frame = opened(&gray(&[(b"eXIf", exif)]));
    assert_eq!((frame.header().width, frame.header().height), (1, 2));
    // Orientation 8: the stored first row is the left-hand column, read upward.
    assert_eq!(
        whole(&frame).unwrap().buffer,
        SampleBuffer::U8(vec![200, 10])
    );
    assert_eq!(
        opened(&gray(&[(b"eXIf", vec![1, 2, 3])]))
            .header()
            .orientation,
        1
    );
}

#[test]
fn broken_pngs_are_refused_with_the_reason() {
    let chunk = |kind, data: &[u8]| refused(&gray(&[(kind, data.to_vec())]));
    insta::assert_snapshot!([
        refused(&png(&[ihdr(2, 1, 3, 0), (b"IEND", vec![])])),
        refused(&png(&[ihdr(2, 1, 8, 0), (b"IEND", vec![])])),
        refused(&gray(&[])[..60]),
        chunk(b"iCCP", b"no zero"),
        chunk(b"iCCP", b"name\0\0garbage"),
        chunk(b"eXIf", &vec![0; (1 << 20) + 1]),
    ].join("\n"), @r"
    is damaged: the IHDR chunk says 3 bits of colour type 0, which PNG does not have; copy or save the file again
    is damaged: the PNG has no pixels (no IDAT chunk); copy or save the file again
    is damaged: the next PNG chunk should lie at bytes 56 to 64, but the file has only 60 bytes; copy or save the file again
    is damaged: the iCCP chunk has no profile name; copy or save the file again
    is damaged: the iCCP chunk does not decode to a profile of at most 16777216 bytes; copy or save the file again
    is damaged: the eXIf chunk has 1048577 bytes; at most 1048576 are read; copy or save the file again
    ");
    let mut wrong = gray(&[]);
    let at = wrong.windows(4).position(|four| four == b"IDAT").unwrap();
    wrong[at + 8] ^= 1;
    assert!(whole(&opened(&wrong)).is_err());
}
