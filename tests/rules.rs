//! The rules that decide pixels, seen in whole pictures: what must be the plate's own codes is, bit for bit.

mod common;

use common::{Dice, folder, gray16, noise, oriented16, read16, rendered, rgb8, rgb16, rgba16};
use platewright::color::Named;

const W: u32 = 301;
const H: u32 = 277;

fn spread(count: usize) -> Vec<u16> {
    // Every code of the dark end first, where an encode table is steepest, then noise.
    (0..count as u32)
        .map(|k| {
            if k < 40_000 {
                k as u16
            } else {
                (k.wrapping_mul(2_654_435_761) >> 16) as u16
            }
        })
        .collect()
}

/// Rule 7: an untouched plate keeps its codes, whatever the working space and the plate's profile.
#[test]
fn an_untouched_plate_keeps_its_own_codes() {
    let codes = spread((W * H * 3) as usize);
    for profile in [
        Named::Srgb,
        Named::DisplayP3,
        Named::A98Rgb,
        Named::Romm,
        Named::Rec2020,
    ] {
        for working in ["plate", "srgb", "rec2020"] {
            let at = folder(&format!("untouched-{profile:?}-{working}"));
            rgb16(&at.join("frames/plate.tif"), W, H, &codes, profile);
            rendered(
                &at,
                &format!(
                    "scene \"t\" language=1\nplate \"frames/plate.tif\"\nworking \"{working}\"\n\
                     output \"master\" {{ file \"out.tif\" }}\n"
                ),
                &[],
            );
            assert_eq!(
                read16(&at.join("out.tif")),
                (W, H, codes.clone()),
                "{profile:?} {working}"
            );
        }
    }
}

/// Rule 7 for an 8-bit plate: x 257.
#[test]
fn an_8_bit_plate_is_widened() {
    let at = folder("untouched-8-bit");
    let codes: Vec<u8> = noise(3, (W * H * 3) as usize)
        .iter()
        .map(|c| (c >> 8) as u8)
        .collect();
    rgb8(&at.join("frames/plate.tif"), W, H, &codes, Named::A98Rgb);
    rendered(
        &at,
        "scene \"t\" language=1\nplate \"frames/plate.tif\"\nworking \"srgb\"\noutput \"master\" { file \"out.tif\" }\n",
        &[],
    );
    let wide: Vec<u16> = codes.iter().map(|c| u16::from(*c) * 257).collect();
    assert_eq!(read16(&at.join("out.tif")), (W, H, wide));
}

/// Rule 7 after orientation: TIFF 6.0 tag 274, all eight values, worked out here pixel by pixel.
#[test]
fn an_oriented_plate_is_turned_and_nothing_else() {
    let codes = noise(4, (W * H * 3) as usize);
    let pixel = |x: u32, y: u32| {
        let at = ((y * W + x) * 3) as usize;
        [codes[at], codes[at + 1], codes[at + 2]]
    };
    for orientation in 1..=8u16 {
        let at = folder(&format!("oriented-{orientation}"));
        oriented16(&at.join("frames/plate.tif"), W, H, &codes, orientation);
        rendered(
            &at,
            "scene \"t\" language=1\nplate \"frames/plate.tif\"\noutput \"master\" { file \"out.tif\" }\n",
            &[],
        );
        let (w, h) = if orientation > 4 { (H, W) } else { (W, H) };
        let mut want = Vec::new();
        for y in 0..h {
            for x in 0..w {
                // Where row 0 and column 0 of what is stored are seen (TIFF 6.0, page 36).
                let (sx, sy) = match orientation {
                    1 => (x, y),
                    2 => (W - 1 - x, y),
                    3 => (W - 1 - x, H - 1 - y),
                    4 => (x, H - 1 - y),
                    5 => (y, x),
                    6 => (y, H - 1 - x),
                    7 => (W - 1 - y, H - 1 - x),
                    _ => (W - 1 - y, x),
                };
                want.extend(pixel(sx, sy));
            }
        }
        assert_eq!(
            read16(&at.join("out.tif")),
            (w, h, want),
            "orientation {orientation}"
        );
    }
}

/// A member that covers nothing changes nothing, whatever its blend mode.
#[test]
fn an_empty_mask_changes_nothing() {
    let at = folder("empty-mask");
    let plate = noise(5, (W * H * 3) as usize);
    rgb16(&at.join("frames/plate.tif"), W, H, &plate, Named::A98Rgb);
    rgb16(
        &at.join("frames/piece.tif"),
        W,
        H,
        &noise(6, (W * H * 3) as usize),
        Named::Srgb,
    );
    for blend in [
        "normal",
        "multiply",
        "color-dodge",
        "luminosity",
        "plus-lighter",
    ] {
        rendered(
            &at,
            &format!(
                "scene \"t\" language=1\nplate \"frames/plate.tif\"\nworking \"rec2020\"\n\
                 element \"a\" blend=\"{blend}\" {{ frame \"frames/piece.tif\"; rotate 12\n\
                 mask {{ keep {{ rect 50 50 90 90 }}; cut {{ rect 40 40 200 200 }} }} }}\n\
                 output \"master\" {{ file \"out.tif\" }}\n"
            ),
            &[],
        );
        assert_eq!(read16(&at.join("out.tif")).2, plate, "{blend}");
    }
}

/// Rule 8: whole-pixel shifts, flips and quarter turns copy samples; rule 7: with their own codes.
#[test]
fn whole_pixel_placements_copy_codes() {
    let at = folder("copies");
    let side = 90u32;
    let piece = noise(7, (side * side * 3) as usize);
    rgb16(
        &at.join("frames/plate.tif"),
        W,
        H,
        &noise(8, (W * H * 3) as usize),
        Named::A98Rgb,
    );
    rgb16(
        &at.join("frames/piece.tif"),
        side,
        side,
        &piece,
        Named::A98Rgb,
    );
    /// From a pixel of the result and the side, the pixel it was copied from.
    type Source = fn(u32, u32, u32) -> (u32, u32);
    let cases: [(&str, Source); 6] = [
        ("", |x, y, _| (x, y)),
        ("flip \"horizontal\"", |x, y, n| (n - 1 - x, y)),
        ("flip \"vertical\"", |x, y, n| (x, n - 1 - y)),
        ("rotate 90", |x, y, n| (y, n - 1 - x)),
        ("rotate -90", |x, y, n| (n - 1 - y, x)),
        ("rotate 540", |x, y, n| (n - 1 - x, n - 1 - y)),
    ];
    for (how, from) in cases {
        rendered(
            &at,
            &format!(
                "scene \"t\" language=1\nplate \"frames/plate.tif\"\nworking \"srgb\"\n\
                 element \"a\" {{ frame \"frames/piece.tif\"; mask {{ all }}; offset 77 101; {how}\n}}\n\
                 output \"master\" {{ file \"out.tif\" }}\n"
            ),
            &[],
        );
        let (_, _, got) = read16(&at.join("out.tif"));
        for y in 0..side {
            for x in 0..side {
                let (sx, sy) = from(x, y, side);
                let out = (((y + 101) * W + x + 77) * 3) as usize;
                let source = ((sy * side + sx) * 3) as usize;
                assert_eq!(
                    got[out..out + 3],
                    piece[source..source + 3],
                    "{how} at {x},{y}"
                );
            }
        }
    }
}

/// An element turned by 30 in a group turned by -30 about the same point is the unturned picture, byte for byte.
#[test]
fn turning_there_and_back_is_nothing() {
    let at = folder("there-and-back");
    rgb16(
        &at.join("frames/plate.tif"),
        W,
        H,
        &noise(9, (W * H * 3) as usize),
        Named::Srgb,
    );
    rgb16(
        &at.join("frames/piece.tif"),
        120,
        140,
        &noise(10, 120 * 140 * 3),
        Named::Srgb,
    );
    let scene = |group: &str, element: &str, file: &str| {
        format!(
            "scene \"t\" language=1\nplate \"frames/plate.tif\"\n\
             group \"g\" {{ {group}\n element \"a\" {{ frame \"frames/piece.tif\"; offset 60 50; {element}\n\
             mask {{ keep {{ ellipse 61.3 70.2 40.7 55.1 }}; feather 1.5 }} }} }}\n\
             output \"master\" {{ file \"{file}\" }}\n"
        )
    };
    rendered(&at, &scene("", "", "plain.tif"), &[]);
    // The element's pivot is in frame space; on the canvas it lies at the group's pivot less the offset's turn.
    rendered(
        &at,
        &scene(
            "rotate -30; pivot 110.5 120.25",
            "rotate 30; pivot 50.5 70.25",
            "turned.tif",
        ),
        &[],
    );
    let plain = std::fs::read(at.join("plain.tif")).unwrap();
    let turned = std::fs::read(at.join("turned.tif")).unwrap();
    assert!(plain == turned, "the same bytes");
}

/// Grouping with default attributes changes no pixel (W3C Compositing and Blending Level 1, "group invariance").
#[test]
fn plain_groups_are_brackets() {
    let at = folder("brackets");
    rgb16(
        &at.join("frames/plate.tif"),
        W,
        H,
        &noise(11, (W * H * 3) as usize),
        Named::Srgb,
    );
    for k in 0..3u64 {
        let codes = noise(12 + k, 100 * 100 * 4);
        rgba16(
            &at.join(format!("frames/p{k}.tif")),
            100,
            100,
            &codes,
            Named::Srgb,
        );
    }
    let element = |k: u32, blend: &str| {
        format!(
            "element \"e{k}\" blend=\"{blend}\" {{ frame \"frames/p{k}.tif\"; mask {{ all }}; offset {} {}; rotate {} }}\n",
            40 + 30 * k,
            50 + 20 * k,
            k * 7
        )
    };
    let output = "output \"master\" { file \"out.tif\" }\n";
    let top = "scene \"t\" language=1\nplate \"frames/plate.tif\"\n";
    let (a, b, c) = (
        element(0, "normal"),
        element(1, "multiply"),
        element(2, "screen"),
    );
    let mut seen: Option<Vec<u8>> = None;
    for body in [
        format!("{a}{b}{c}"),
        format!("group \"x\" {{ {a} {b} }}\n{c}"),
        format!("{a}group \"x\" {{ {b} {c} }}\n"),
        format!("group \"x\" {{ group \"y\" {{ {a} }}\n group \"z\" {{ {b} }}\n {c} }}\n"),
    ] {
        rendered(&at, &format!("{top}{body}{output}"), &[]);
        let bytes = std::fs::read(at.join("out.tif")).unwrap();
        match &seen {
            None => seen = Some(bytes),
            Some(first) => assert!(*first == bytes, "the same bytes:\n{body}"),
        }
    }
}

/// An opaque normal member replaces what is below, whatever that is.
#[test]
fn opaque_over_anything_is_itself() {
    let at = folder("opaque");
    let piece = noise(20, (W * H * 3) as usize);
    rgb16(
        &at.join("frames/plate.tif"),
        W,
        H,
        &noise(21, (W * H * 3) as usize),
        Named::Srgb,
    );
    rgb16(&at.join("frames/piece.tif"), W, H, &piece, Named::Srgb);
    rgb16(
        &at.join("frames/other.tif"),
        W,
        H,
        &noise(22, (W * H * 3) as usize),
        Named::Srgb,
    );
    rendered(
        &at,
        "scene \"t\" language=1\nplate \"frames/plate.tif\"\n\
         element \"b\" blend=\"difference\" opacity=0.4 { frame \"frames/other.tif\"; mask { all }; rotate 9 }\n\
         element \"a\" order=5 { frame \"frames/piece.tif\"; mask { all } }\n\
         output \"master\" { file \"out.tif\" }\n",
        &[],
    );
    assert_eq!(read16(&at.join("out.tif")).2, piece);
}

/// 50 % white over black in linear light is 187.516/255 (IEC 61966-2-1: 0.735357 encoded), not 127.5.
#[test]
fn half_white_over_black_is_188() {
    let at = folder("half-white");
    gray16(&at.join("frames/black.tif"), 8, 8, &[0; 64], Named::Gray);
    gray16(
        &at.join("frames/white.tif"),
        8,
        8,
        &[65_535; 64],
        Named::Gray,
    );
    rendered(
        &at,
        "scene \"t\" language=1\ncanvas 8 8\nbackdrop \"#000000\"\n\
         element \"w\" opacity=0.5 { frame \"frames/white.tif\"; mask { all } }\n\
         output \"master\" { file \"out.tif\" }\n",
        &[],
    );
    let want = (0.735_356_983_052_449_f64 * 65_535.0).round() as u16;
    assert_eq!(read16(&at.join("out.tif")).2, vec![want; 8 * 8 * 3]);
}

/// Transparent canvas: the master is unassociated, coverage is alpha, garbage under alpha 0 never shows.
#[test]
fn a_transparent_canvas_keeps_straight_colour() {
    let at = folder("transparent");
    let mut dice = Dice::new(30);
    let codes: Vec<u16> = (0..60 * 60)
        .flat_map(|k| {
            let alpha = if k % 3 == 0 { 0 } else { 65_535 };
            [dice.code(), dice.code(), dice.code(), alpha]
        })
        .collect();
    rgba16(&at.join("frames/p.tif"), 60, 60, &codes, Named::Srgb);
    rendered(
        &at,
        "scene \"t\" language=1\ncanvas 80 80\n\
         element \"p\" { frame \"frames/p.tif\"; mask { all }; offset 10 10 }\noutput \"master\" { file \"out.tif\" }\n",
        &[],
    );
    let (w, h, got) = read16(&at.join("out.tif"));
    assert_eq!((w, h, got.len()), (80, 80, 80 * 80 * 4));
    for y in 0..80usize {
        for x in 0..80usize {
            let pixel = &got[(y * 80 + x) * 4..][..4];
            let inside = (10..70).contains(&x) && (10..70).contains(&y);
            let source = if inside { (y - 10) * 60 + x - 10 } else { 0 };
            if inside && codes[source * 4 + 3] != 0 {
                assert_eq!(pixel, &codes[source * 4..source * 4 + 4]);
            } else {
                assert_eq!(pixel, [0; 4]);
            }
        }
    }
}
