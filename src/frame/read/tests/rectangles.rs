//! Rectangles are parts of the whole, and read nothing else.

use super::build::{Build, noise};
use super::{opened, whole};
use crate::budget::Account;
use crate::frame::SampleBuffer;
use crate::geom::Rect;
use proptest::prelude::*;

fn codes(buffer: &SampleBuffer) -> &[u8] {
    match buffer {
        SampleBuffer::U8(codes) => codes,
        other => panic!("not 8-bit: {other:?}"),
    }
}

/// The stored pixel seen at (x, y), from the words of TIFF 6.0, tag 274: which sides row 0 and column 0 are.
fn stored(orientation: u8, x: u32, y: u32, width: u32, height: u32) -> (u32, u32) {
    let (right, bottom) = (width - 1, height - 1);
    match orientation {
        1 => (x, y),
        2 => (right - x, y),
        3 => (right - x, bottom - y),
        4 => (x, bottom - y),
        5 => (y, x),
        6 => (y, bottom - x),
        7 => (right - y, bottom - x),
        _ => (right - y, x),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn a_rectangle_is_a_part_of_the_picture(
        width in 1u32..40, height in 1u32..40, channels in 1u16..6, cut in 1u32..20,
        tiled: bool, packed: bool, big_endian: bool, big_tiff: bool, orientation in 1u8..=8,
        corner in (0.0..1.0, 0.0..1.0), size in (0.0..1.0, 0.0..1.0),
    ) {
        let n = usize::from(channels);
        let samples = noise(width as usize * height as usize * n);
        let mut build = if tiled {
            Build::tiles(width, height, channels, cut, &samples)
        } else {
            Build::strips(width, height, channels, cut, &samples)
        };
        build.big_endian = big_endian;
        build.big_tiff = big_tiff;
        build = build.set(274, 3, &[orientation.into()]);
        if packed {
            build = build.deflated();
        }
        let frame = opened(&build.bytes());
        let seen = frame.rect();
        let x0 = (f64::from(seen.x1) * corner.0) as i32;
        let y0 = (f64::from(seen.y1) * corner.1) as i32;
        let x1 = x0 + 1 + (f64::from(seen.x1 - x0 - 1) * size.0) as i32;
        let y1 = y0 + 1 + (f64::from(seen.y1 - y0 - 1) * size.1) as i32;
        let rect = Rect { x0, y0, x1, y1 };
        let account = Account::unlimited();
        let part = frame.samples(rect, &account).unwrap();
        let mut expected: Vec<u8> = Vec::new();
        for y in y0..y1 {
            for x in x0..x1 {
                let (sx, sy) = stored(orientation, x as u32, y as u32, width, height);
                let at = (sy * width + sx) as usize * n;
                expected.extend(&samples[at..at + n]);
            }
        }
        prop_assert_eq!(codes(&part.buffer), &expected[..]);
        prop_assert_eq!(account.used(), expected.len() as u64);
        prop_assert!(account.peak() <= account.used() + frame.cost(rect).working);
    }
}

#[test]
fn only_the_chunks_under_the_box_are_decoded() {
    let samples = noise(64 * 64 * 3);
    let build = Build::tiles(64, 64, 3, 16, &samples).deflated();
    let rect = Rect::new(17, 33, 14, 15);
    let account = Account::unlimited();
    let frame = opened(&build.bytes());
    let clean = frame.samples(rect, &account).unwrap();
    // Tile 9 is all that lies under the box.
    assert_eq!(frame.cost(rect).read, build.chunks[9].len() as u64);
    let mut broken = build.clone();
    for (k, chunk) in broken.chunks.iter_mut().enumerate() {
        if k != 9 {
            *chunk = noise(chunk.len());
        }
    }
    let frame = opened(&broken.bytes());
    let part = frame.samples(rect, &account).unwrap();
    assert_eq!(part.buffer, clean.buffer);
    let wider = frame.samples(rect.grown(3), &account).unwrap_err();
    assert!(
        wider.to_string().contains("is damaged: tile 4 of 16"),
        "{wider}"
    );
}

#[test]
fn a_strip_is_decoded_no_further_than_its_last_wanted_row() {
    let samples = noise(200 * 300);
    let mut build = Build::strips(200, 300, 1, 300, &samples).deflated();
    let half = build.chunks[0].len() / 2;
    build.chunks[0][half..].fill(0xff);
    let frame = opened(&build.bytes());
    let top = frame
        .samples(Rect::of_size(200, 100), &Account::unlimited())
        .unwrap();
    assert_eq!(codes(&top.buffer), &samples[..200 * 100]);
    assert!(whole(&frame).is_err());
}

#[test]
fn planes_are_put_together() {
    let samples = noise(20 * 10 * 4);
    let mut build = Build::strips(20, 10, 4, 4, &samples).set(284, 3, &[2]);
    build.chunks = (0..4)
        .flat_map(|channel| {
            let plane: Vec<u8> = samples.iter().skip(channel).step_by(4).copied().collect();
            plane.chunks(20 * 4).map(<[u8]>::to_vec).collect::<Vec<_>>()
        })
        .collect();
    let frame = opened(&build.bytes());
    assert_eq!(codes(&whole(&frame).unwrap().buffer), samples);
}

#[test]
fn white_is_zero_gray_is_turned_the_right_way_up() {
    let samples = [0, 9, 100, 8, 255, 7];
    let build = Build::strips(3, 1, 2, 1, &samples).set(262, 3, &[0]);
    let frame = opened(&build.bytes());
    assert_eq!(
        codes(&whole(&frame).unwrap().buffer),
        [255, 9, 155, 8, 0, 7]
    );
}

#[test]
fn a_rectangle_outside_is_refused() {
    let frame = opened(&Build::strips(4, 4, 1, 4, &[0; 16]).bytes());
    let error = frame
        .samples(Rect::new(2, 0, 3, 1), &Account::unlimited())
        .unwrap_err();
    insta::assert_snapshot!(error, @"has 4 x 4 px; the pixels from 2,0 to 5,1 are not all inside");
}
