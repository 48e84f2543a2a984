//! Laws that hold for every scene: a picture drawn in parts is the picture drawn whole, and pixels nobody needs are
//! never read.

mod common;
#[path = "common/made.rs"]
mod made;

use common::{folder, noise, read16, render, rendered, rgb16, rgba16};
use made::{assert_same, made};
use platewright::color::Named;
use platewright::deliver::Shape;
use platewright::render::Tiling;
use proptest::prelude::*;
use std::fs;
use std::path::Path;
use tiff::decoder::Decoder;
use tiff::tags::Tag;

/// A member in words; the group it may stand in is chosen by the caller.
fn element() -> impl Strategy<Value = String> {
    let modes = prop::sample::select(vec![
        "normal",
        "normal",
        "multiply",
        "screen",
        "difference",
        "soft-light",
        "hue",
        "plus-lighter",
    ]);
    let kernels = prop::sample::select(vec![
        "lanczos3",
        "mitchell",
        "catmull-rom",
        "bilinear",
        "nearest",
    ]);
    let masks = prop::sample::select(vec![
        "all",
        "ellipse 30.5 20 25 18",
        "keep { rect 5 5 40 30 }; feather 2.5",
        "luminance 0.1 0.7",
    ]);
    let turns = prop::sample::select(vec![
        "",
        "rotate 90",
        "rotate 33",
        "scale 0.6",
        "scale 1.3 0.8; rotate -70",
        "flip \"vertical\"",
    ]);
    let place = (-30i32..70, -30i32..60, prop::bool::ANY);
    let rest = (
        prop::sample::select(vec!["p", "q"]),
        -1i32..3,
        1u32..=4,
        prop::bool::ANY,
    );
    (modes, kernels, masks, turns, place, rest).prop_map(
        |(mode, kernel, mask, turn, (x, y, whole), (frame, order, opacity, behind))| {
            let part = if whole { "" } else { ".375" };
            let behind = if behind { "behind \"post\"" } else { "" };
            format!(
                "blend=\"{mode}\" opacity={} order={order} {{ frame \"frames/{frame}.tif\"; offset {x}{part} {y}\n\
                 {turn}\n{behind}\nresample \"{kernel}\"; mask {{ {mask} }} }}",
                f64::from(opacity) / 4.0
            )
        },
    )
}

fn scene() -> impl Strategy<Value = String> {
    let isolation = prop::sample::select(vec![
        "",
        "isolate=#true",
        "opacity=0.5",
        "blend=\"multiply\"",
    ]);
    let members = (
        prop::collection::vec(element(), 1..3),
        prop::collection::vec(element(), 1..4),
        isolation,
        -40i32..40,
    );
    members.prop_map(|(outside, inside, isolation, turn)| {
        let mut text = String::from(
            "scene \"random\" language=1\nplate \"frames/plate.tif\"\n\
             mask \"post\" { line \"10,-5 70,80\" width=13.5 feather=2 }\n",
        );
        for (k, element) in outside.iter().enumerate() {
            text += &format!("element \"o{k}\" {element}\n");
        }
        text += &format!("group \"g\" {isolation} {{ rotate {turn}\n");
        for (k, element) in inside.iter().enumerate() {
            text += &format!("element \"i{k}\" {element}\n");
        }
        text += "}\noutput \"master\" { file \"master.tif\" }\n\
                 output \"small\" { file \"small.png\"; crop 7 5 70 59; size 41 35 }\n";
        text
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// Split tile = whole tile.
    #[test]
    fn a_picture_in_parts_is_the_picture(scene in scene(), tile in 9u32..70, band in 5u32..60) {
        let at = folder("split");
        rgb16(&at.join("frames/plate.tif"), 83, 71, &noise(1, 83 * 71 * 3), Named::A98Rgb);
        rgb16(&at.join("frames/p.tif"), 60, 40, &noise(2, 60 * 40 * 3), Named::Srgb);
        rgba16(&at.join("frames/q.tif"), 44, 52, &noise(3, 44 * 52 * 4), Named::Srgb);
        fs::write(at.join("scene.kdl"), &scene).unwrap();
        let whole = made(&at, "whole", Shape::Finished, 1, Tiling { tile: 4096, band: 4096 });
        let parts = made(&at, "parts", Shape::Finished, 2, Tiling { tile, band });
        assert_same(&whole, &parts, &format!("tiles of {tile}, bands of {band}:\n{scene}"));
    }
}

/// Overwrites every strip (16 rows each) that holds none of the rows.
fn spoiled(path: &Path, rows: std::ops::Range<usize>) {
    let mut bytes = fs::read(path).unwrap();
    let mut decoder = Decoder::new(std::io::Cursor::new(bytes.clone())).unwrap();
    let starts = decoder.get_tag_u64_vec(Tag::StripOffsets).unwrap();
    let lengths = decoder.get_tag_u64_vec(Tag::StripByteCounts).unwrap();
    assert!(starts.len() > 3, "{} strips", starts.len());
    for (k, (start, length)) in starts.iter().zip(&lengths).enumerate() {
        if 16 * (k + 1) <= rows.start || rows.end <= 16 * k {
            bytes[*start as usize..(start + length) as usize].fill(0xa7);
        }
    }
    fs::write(path, bytes).unwrap();
}

/// Only the chunks under what is needed are decoded: a frame and a plate whose other strips are garbage (their
/// Deflate streams no longer decode) make the same pictures.
#[test]
fn chunks_nobody_needs_are_never_read() {
    let at = folder("garbage");
    let (plate, piece) = (at.join("frames/plate.tif"), at.join("frames/piece.tif"));
    common::deflated16(&plate, 120, 200, &noise(1, 120 * 200 * 3));
    common::deflated16(&piece, 90, 180, &noise(2, 90 * 180 * 3));
    let scene = |mask: &str| {
        format!(
            "scene \"t\" language=1\nplate \"frames/plate.tif\"\n\
             element \"a\" {{ frame \"frames/piece.tif\"; {mask}; rotate 21; scale 0.9; offset 5 30.5 }}\n\
             element \"b\" blend=\"screen\" {{ frame \"frames/piece.tif\"; mask {{ rect 7 70 30 20 }}; offset 40 2 }}\n\
             output \"master\" {{ file \"out.tif\"; crop 10 60 100 64 }}\n"
        )
    };
    let masked = "mask { keep { ellipse 40 80 30 16 }; feather 1 }";
    rendered(&at, &scene(masked), &[]);
    let sound = read16(&at.join("out.tif"));
    let bytes = fs::read(at.join("out.tif")).unwrap();
    spoiled(&plate, 60..124);
    spoiled(&piece, 60..100);
    rendered(&at, &scene(masked), &[]);
    assert_eq!(read16(&at.join("out.tif")), sound);
    assert!(fs::read(at.join("out.tif")).unwrap() == bytes);
    // The same frame unmasked needs the spoiled strips: the damage is real, and the earlier file stays.
    assert_eq!(render(&at, &scene("mask { all }"), &[]), 1);
    assert!(fs::read(at.join("out.tif")).unwrap() == bytes);
}
