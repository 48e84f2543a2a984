//! Files that lie, end early, or ask for too much: an error with numbers, inside the account, never a panic.

use super::build::{Build, idat, ihdr, noise, png};
use super::{FrameError, Scratch, opened, read_within, refused, whole};
use crate::budget::Account;
use crate::frame::Frame;
use crate::geom::Rect;
use miniz_oxide::deflate::compress_to_vec_zlib;
use proptest::prelude::*;
use std::path::Path;

const LIMIT: u64 = 4 << 20;

fn samples_of_every_kind() -> Vec<Vec<u8>> {
    let samples = noise(40 * 30 * 3);
    let strips = Build::strips(40, 30, 3, 7, &samples);
    let tiles = Build::tiles(40, 30, 3, 16, &samples);
    let mut big = tiles.clone();
    (big.big_tiff, big.big_endian) = (true, true);
    let mut lzw = strips.clone().set(259, 3, &[5]);
    for chunk in &mut lzw.chunks {
        let mut encoder = weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8);
        *chunk = encoder.encode(chunk).unwrap();
    }
    let mut packbits = strips.clone().set(259, 3, &[32773]);
    for chunk in &mut packbits.chunks {
        *chunk = chunk
            .chunks(128)
            .flat_map(|part| std::iter::once(part.len() as u8 - 1).chain(part.iter().copied()))
            .collect();
    }
    let jpeg = |progressive, optimized| {
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 80);
        encoder.set_progressive(progressive);
        encoder.set_optimized_huffman_tables(optimized);
        encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_1_1);
        encoder
            .encode(&samples, 40, 30, jpeg_encoder::ColorType::Rgb)
            .unwrap();
        bytes
    };
    vec![
        strips.clone().deflated().set(317, 3, &[2]).bytes(),
        tiles.deflated().set(34675, 7, &[1; 300]).bytes(),
        big.bytes(),
        lzw.bytes(),
        packbits.bytes(),
        png(&[
            ihdr(40, 30, 8, 2),
            (
                b"iCCP",
                [b"x\0\0".to_vec(), compress_to_vec_zlib(&[7; 500], 6)].concat(),
            ),
            idat(&samples, 120),
            (b"IEND", vec![]),
        ]),
        jpeg(false, false),
        jpeg(true, false),
        jpeg(false, true),
    ]
}

#[test]
fn every_truncation_is_an_error() {
    for (k, bytes) in samples_of_every_kind().into_iter().enumerate() {
        let all = read_within(&bytes, 2 * LIMIT).unwrap_or_else(|why| panic!("sample {k}: {why}"));
        assert_eq!(all.len(), 40 * 30 * 3);
        for end in (0..bytes.len())
            .step_by(7)
            .chain(bytes.len() - 12..bytes.len())
        {
            let cut = read_within(&bytes[..end], 2 * LIMIT);
            // The last bytes of a TIFF say that no other picture follows, which nobody asked.
            let unread = if k < 5 { 8 } else { 0 };
            assert!(
                cut.is_err() || end + unread >= bytes.len(),
                "sample {k} cut to {end} of {} bytes was read",
                bytes.len()
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// Wrong bytes give samples or an error, never a panic, and nothing stays charged.
    #[test]
    fn flipped_bytes_never_panic(
        kind in 0usize..9,
        flips in proptest::collection::vec((0.0f64..1.0, any::<u8>()), 1..12),
        head: bool,
    ) {
        thread_local! {
            static CLEAN: Vec<Vec<u8>> = samples_of_every_kind();
        }
        let mut bytes = CLEAN.with(|clean| clean[kind].clone());
        // Half of the cases aim at the headers: the first bytes, or a TIFF's directory at its end.
        let reach = if head { bytes.len().min(700) } else { bytes.len() };
        let from_end = head && kind < 5;
        for (place, value) in flips {
            let k = (place * reach as f64) as usize;
            let k = if from_end { bytes.len() - 1 - k } else { k };
            bytes[k] = value;
        }
        let _ = read_within(&bytes, 2 * LIMIT);
    }
}

#[test]
fn claims_of_size_are_refused_with_numbers() {
    let small = Build::strips(4, 4, 1, 4, &[0; 16]);
    let claim = |w, h| {
        small
            .clone()
            .set(256, 4, &[w])
            .set(257, 4, &[h])
            .without(278)
    };
    insta::assert_snapshot!(refused(&claim(60_000, 60_000).bytes()), @"says it is 60000 x 60000 px; at most 100000 px a side and 2147483648 px in all are read");
    insta::assert_snapshot!(refused(&claim(100_001, 1).bytes()), @"says it is 100001 x 1 px; at most 100000 px a side and 2147483648 px in all are read");
    insta::assert_snapshot!(refused(&claim(0, 7).bytes()), @"is damaged: the header says it is 0 x 7 px; copy or save the file again");
    // Inside the caps the file must still hold what it claims.
    insta::assert_snapshot!(read_within(&claim(40_000, 40_000).bytes(), LIMIT).unwrap_err(), @"is too large for the memory allowed: samples need 1.4 GiB of memory; 16 bytes of the 4 MiB allowed are in use");
    insta::assert_snapshot!(read_within(&claim(400, 400).bytes(), LIMIT).unwrap_err(), @"is damaged: strip 0 of 1 decodes to only 16 of the 160000 bytes it must have; copy or save the file again");
    let rows = claim(40_000, 40_000).set(278, 4, &[1]);
    insta::assert_snapshot!(refused(&rows.bytes()), @"is damaged: the image directory has 1 offsets (tag 273) for 40000 strips or tiles; copy or save the file again");
    let png = png(&[
        ihdr(60_000, 60_000, 8, 2),
        (b"IDAT", vec![]),
        (b"IEND", vec![]),
    ]);
    insta::assert_snapshot!(refused(&png), @"says it is 60000 x 60000 px; at most 100000 px a side and 2147483648 px in all are read");
}

#[test]
fn a_chunk_table_is_charged_before_it_is_read() {
    let table = vec![8; 200_000];
    let build = Build::strips(1, 100_000, 1, 1, &[0; 8])
        .set(273, 4, &table[..100_000])
        .set(279, 4, &table[..100_000]);
    insta::assert_snapshot!(read_within(&build.bytes(), 1 << 20).unwrap_err(), @"is too large for the memory allowed: chunk tables need 3 MiB of memory; 256 KiB of the 1 MiB allowed are in use");
}

#[test]
fn directories_that_loop_or_lie_end() {
    let mut looped = Build::strips(4, 4, 1, 4, &noise(16));
    looped.next = 8 + 16;
    assert!(whole(&opened(&looped.bytes())).is_ok());
    let mut nowhere = looped.bytes();
    nowhere[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
    insta::assert_snapshot!(refused(&nowhere), @"is damaged: the image directory should lie at bytes 4294967295 to 4294967297, but the file has only 138 bytes; copy or save the file again");
    let mut itself = looped.bytes();
    itself[4..8].copy_from_slice(&0u32.to_le_bytes());
    insta::assert_snapshot!(refused(&itself), @"is damaged: the image directory says it has 18761 entries; 1 to 4096 are possible; copy or save the file again");
    let endless = looped.clone().set(34675, 7, &[1; 40]);
    let mut bytes = endless.bytes();
    let entry = bytes
        .windows(2)
        .rposition(|pair| pair == 34675u16.to_le_bytes())
        .unwrap();
    bytes[entry + 4..entry + 8].copy_from_slice(&(u32::MAX).to_le_bytes());
    insta::assert_snapshot!(refused(&bytes), @"is damaged: the ICC profile says it has 4294967295 bytes; at most 16777216 are read; copy or save the file again");
    bytes[entry + 4..entry + 8].copy_from_slice(&(16u32 << 20).to_le_bytes());
    insta::assert_snapshot!(refused(&bytes), @"is damaged: the ICC profile should lie at bytes 24 to 16777240, but the file has only 190 bytes; copy or save the file again");
}

#[test]
fn byte_counts_that_lie_are_found_out() {
    let build = Build::strips(16, 16, 1, 8, &noise(256));
    let with = |counts: [u64; 2]| {
        let mut lying = build.clone();
        lying.counts = Some(counts.to_vec());
        lying
    };
    insta::assert_snapshot!(read_within(&with([128, 100]).bytes(), LIMIT).unwrap_err(), @"is damaged: strip 1 of 2 decodes to only 100 of the 128 bytes it must have; copy or save the file again");
    insta::assert_snapshot!(refused(&with([128, 1 << 30]).bytes()), @"is damaged: strip 1 of 2 should lie at bytes 136 to 1073741960, but the file has only 394 bytes; copy or save the file again");
    // More than needed does no harm: only what is needed is read.
    assert!(read_within(&with([256, 128]).bytes(), LIMIT).is_ok());
    let deflated = build.clone().deflated();
    let mut short = deflated.clone();
    short.counts = Some(vec![deflated.chunks[0].len() as u64, 20]);
    let error = read_within(&short.bytes(), LIMIT).unwrap_err().to_string();
    assert!(error.contains("strip 1 of 2 decodes to only"), "{error}");
}

#[test]
fn a_whole_chunk_must_fit_its_checksum() {
    // Noise is stored, not packed, so that a changed byte still decodes.
    let mut build = Build::strips(16, 16, 1, 16, &noise(256)).deflated();
    build.chunks[0][100] ^= 1;
    insta::assert_snapshot!(read_within(&build.bytes(), LIMIT).unwrap_err(), @"is damaged: strip 0 of 1 does not decode: its Deflate checksum does not fit its data (after 240 of 256 bytes); copy or save the file again");
    // So must one that decodes to more than it should: what is damaged often does.
    let mut more = Build::strips(16, 16, 1, 16, &noise(256)).deflated();
    more.chunks[0] = compress_to_vec_zlib(&[noise(256), vec![1; 40_000]].concat(), 6);
    assert!(read_within(&more.bytes(), LIMIT).is_ok());
    let last = more.chunks[0].len() - 1;
    more.chunks[0][last] ^= 1;
    let error = read_within(&more.bytes(), LIMIT).unwrap_err().to_string();
    assert!(error.contains("checksum does not fit"), "{error}");
    let frame = opened(&build.bytes());
    let part = frame.samples(Rect::of_size(16, 15), &Account::unlimited());
    assert!(part.is_ok(), "nobody looked at the end");
}

#[test]
fn a_deflate_bomb_stops_at_the_size_it_must_have() {
    let mut bomb = Build::tiles(16, 16, 1, 16, &[0; 256]).set(259, 3, &[8]);
    bomb.chunks[0] = compress_to_vec_zlib(&vec![7; 64 << 20], 6);
    insta::assert_snapshot!(read_within(&bomb.bytes(), 1 << 20).unwrap_err(), @"is damaged: tile 0 of 1 does not decode: its Deflate data goes on far beyond it (after 240 of 256 bytes); copy or save the file again");
    // A last strip that was filled up to the others' height is whole.
    let mut full = Build::strips(16, 24, 1, 16, &noise(384)).deflated();
    full.chunks[1] = compress_to_vec_zlib(&[9; 256], 6);
    assert_eq!(
        read_within(&full.bytes(), 1 << 20).unwrap()[256..],
        [9; 128]
    );
    let profile = png(&[
        ihdr(1, 1, 8, 0),
        (
            b"iCCP",
            [
                b"x\0\0".to_vec(),
                compress_to_vec_zlib(&vec![7; 17 << 20], 6),
            ]
            .concat(),
        ),
        idat(&[0], 1),
        (b"IEND", vec![]),
    ]);
    insta::assert_snapshot!(refused(&profile), @"is damaged: the iCCP chunk does not decode to a profile of at most 16777216 bytes; copy or save the file again");
    let refusal = read_within(&profile, LIMIT).unwrap_err();
    assert!(matches!(refusal, FrameError::OverBudget(_)), "{refusal}");
}

#[test]
fn a_text_bomb_is_passed_over() {
    let text = [
        b"x\0\0".to_vec(),
        compress_to_vec_zlib(&vec![b'a'; 64 << 20], 6),
    ]
    .concat();
    let bytes = png(&[
        ihdr(1, 1, 8, 0),
        (b"zTXt", text),
        (b"tEXt", vec![b'a'; 12 << 20]),
        idat(&[42], 1),
        (b"IEND", vec![]),
    ]);
    let read = read_within(&bytes, 16 << 20).unwrap();
    assert_eq!(read, [42]);
}

#[test]
fn only_regular_files_are_opened() {
    let account = Account::unlimited();
    let refusal = |path: &Path| Frame::open(path, &account).unwrap_err().to_string();
    insta::assert_snapshot!(refusal(&std::env::temp_dir()), @"is a folder; a picture must be a regular file");
    insta::assert_snapshot!(refusal(Path::new("/dev/null")), @"is a device; a picture must be a regular file");
    insta::assert_snapshot!(refusal(Path::new("nowhere.tif")), @"can't be read: there is no such file");
    let pipe = Scratch::path();
    rustix::fs::mknodat(
        rustix::fs::CWD,
        pipe.as_ref(),
        rustix::fs::FileType::Fifo,
        rustix::fs::Mode::from_raw_mode(0o600),
        0,
    )
    .unwrap();
    insta::assert_snapshot!(refusal(pipe.as_ref()), @"is a pipe; a picture must be a regular file");
    for bytes in [&b""[..], b"II", b"not a picture at all"] {
        assert_eq!(
            Scratch::new(bytes).open().unwrap_err(),
            FrameError::UnknownFormat
        );
    }
}

#[test]
fn a_file_that_shrinks_while_open_is_an_error() {
    let bytes = Build::strips(40, 40, 1, 40, &noise(1600)).bytes();
    let file = Scratch::new(&bytes);
    let frame = file.open().unwrap();
    std::fs::write(file.as_ref(), &bytes[..100]).unwrap();
    let error = frame
        .samples(Rect::of_size(40, 40), &Account::unlimited())
        .unwrap_err();
    insta::assert_snapshot!(error, @"is damaged: a strip or tile is gone: the file became shorter while it was read; copy or save the file again");
}

#[test]
fn what_is_not_read_is_refused_by_name() {
    let rgb = Build::strips(4, 4, 3, 4, &noise(48));
    let with = |tag, values: &[u64]| refused(&rgb.clone().set(tag, 3, values).bytes());
    insta::assert_snapshot!([
        with(262, &[3]), with(262, &[5]), with(262, &[6]), with(262, &[32803]),
        with(259, &[7]), with(259, &[50000]), with(259, &[3]), with(258, &[12, 12, 12]),
        with(258, &[8, 8, 16]), with(339, &[2, 2, 2]), with(317, &[2]), with(266, &[2]),
        with(254, &[1]), with(277, &[2]), with(277, &[65]), with(338, &[2]),
        with(284, &[3]), with(258, &[64, 64, 64]),
        refused(&rgb.clone().without(262).bytes()),
        refused(&rgb.clone().without(256).bytes()),
        refused(&rgb.clone().set(322, 3, &[16]).bytes()),
        refused(&rgb.clone().set(278, 3, &[0]).bytes()),
        refused(&rgb.clone().set(257, 2, &[4]).bytes()),
        refused(&rgb.clone().set(257, 3, &[4, 4]).bytes()),
    ].join("\n"), @r"
    holds palette colour; gray and RGB are read: save it as 16-bit RGB with its profile
    holds CMYK colour; gray and RGB are read: save it as 16-bit RGB with its profile
    holds YCbCr colour; gray and RGB are read: save it as 16-bit RGB with its profile
    holds raw sensor data; gray and RGB are read: save it as 16-bit RGB with its profile
    is compressed by the JPEG method (7); none, LZW, Deflate and PackBits are read: save it again with one of these compressions
    is compressed by the Zstandard method (50000); none, LZW, Deflate and PackBits are read: save it again with one of these compressions
    is compressed by the fax method (3); none, LZW, Deflate and PackBits are read: save it again with one of these compressions
    has 12 bits a sample; 8, 16 and 32-bit unsigned and 16 and 32-bit float samples are read: save it with 16 bits a channel
    has channels that differ in BitsPerSample (8 and 16); 8, 16 and 32-bit unsigned and 16 and 32-bit float samples are read: save it with 16 bits a channel
    has 8-bit signed samples; 8, 16 and 32-bit unsigned and 16 and 32-bit float samples are read: save it with 16 bits a channel
    has a predictor without LZW or Deflate, which readers understand in two ways; save it again, without compression or with Deflate
    stores its bits in reverse (FillOrder 2); FillOrder 1 is read: save it again as a plain TIFF
    begins with a reduced preview or a transparency mask; the first picture of a TIFF must be the full one: save it again as a plain TIFF
    is damaged: the image directory says RGB, which needs 3 channels, and has 2; copy or save the file again
    says it has 65 channels; 1 to 64 are read: save it as gray or RGB
    is damaged: the image directory names 1 extra channels, but only 0 of its 3 channels are not colour; copy or save the file again
    is damaged: the image directory says PlanarConfiguration 3; 1 and 2 exist; copy or save the file again
    has 64 bits a sample; 8, 16 and 32-bit unsigned and 16 and 32-bit float samples are read: save it with 16 bits a channel
    is damaged: the image directory has no PhotometricInterpretation (tag 262); copy or save the file again
    is damaged: the image directory has no width (tag 256); copy or save the file again
    is damaged: the image directory has only one of TileWidth and TileLength; copy or save the file again
    is damaged: the image directory says its strips or tiles have 4 x 0 px; copy or save the file again
    is damaged: tag 257 has the type 2, where whole numbers are needed (1, 3, 4, 13, 16 or 18); copy or save the file again
    is damaged: tag 257 says it holds 2 values; 1 to 1 are possible; copy or save the file again
    ");
}
