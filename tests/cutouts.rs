//! Frames laid onto plates and pieces cut out of them, seen in whole pictures and in what is settled before drawing.

mod common;

use common::{folder, read16, render, rendered, rgb16, rgb32f, rgba16};
use platewright::budget::Account;
use platewright::color::Named;
use platewright::diag::{Finding, Severity};
use platewright::geom::Rect;
use platewright::plan::{self, Plan, Settings};
use platewright::raster::Seen;
use platewright::scene::{self, FileLoader};
use platewright::settle::{self, PlateFile, PlateSight, Settled};
use std::fs;
use std::path::Path;

const W: u32 = 240;
const H: u32 = 200;

/// A plate with something to hold on to: a slow wave and a check, as sRGB codes around mid-grey.
fn set(x: u32, y: u32) -> [f64; 3] {
    let check = if (x / 9 + y / 7).is_multiple_of(2) {
        0.06
    } else {
        0.0
    };
    let wave = f64::from((x * 3 + y * 5) % 97) / 97.0 * 0.05;
    [0.40 + check + wave, 0.42 + check, 0.38 + wave]
}

type Colour = [f64; 3];

/// A picture of the set with upright boxes of one colour in it, as 16-bit sRGB.
fn shot(at: &Path, name: &str, boxes: &[(Rect, Colour)]) {
    let codes: Vec<u16> = (0..H)
        .flat_map(|y| (0..W).map(move |x| (x, y)))
        .flat_map(|(x, y)| {
            let own = boxes
                .iter()
                .rev()
                .find(|(rect, _)| rect.contains(x as i32, y as i32))
                .map_or(set(x, y), |(_, colour)| *colour);
            own.map(|v| (v * 65535.0).round() as u16)
        })
        .collect();
    rgb16(&at.join("frames").join(name), W, H, &codes, Named::Srgb);
}

const RED: Colour = [0.85, 0.15, 0.10];
const BLUE: Colour = [0.05, 0.10, 0.90];

fn a_box() -> Rect {
    Rect::new(30, 40, 60, 70)
}

fn b_box() -> Rect {
    Rect::new(140, 90, 70, 60)
}

/// Plans and settles a scene.
fn settled(at: &Path, text: &str) -> Result<(Plan, Settled), Vec<Finding>> {
    fs::write(
        at.join("scene.kdl"),
        format!("scene \"t\" language=1\n{text}"),
    )
    .unwrap();
    let account = Account::unlimited();
    let scene = scene::read(&at.join("scene.kdl"), &[], &FileLoader).map_err(|r| r.findings)?;
    let (plan, _) = plan::planned(&scene, &Settings::default(), &account)?;
    let settled = settle::settled(&plan, &account).map_err(|f| vec![f])?;
    Ok((plan, settled))
}

/// What stops a scene from being settled.
fn stopped(at: &Path, text: &str) -> Vec<Finding> {
    match settled(at, text) {
        Ok(_) => panic!("it settles:\n{text}"),
        Err(findings) => findings,
    }
}

fn ids(found: &[Finding]) -> Vec<&str> {
    found.iter().map(|f| f.id).collect()
}

/// The box of what is covered by half or more.
fn solid(matte: &platewright::raster::Matte) -> Rect {
    let rect = matte.rect();
    let mut found = Rect::EMPTY;
    for y in rect.y0..rect.y1 {
        for (x, c) in (rect.x0..).zip(matte.row(y)) {
            if *c >= 0.5 {
                found = found.united(&Rect::new(x, y, 1, 1));
            }
        }
    }
    found
}

/// Whether a found box is the true one to a few pixels.
fn near(found: Rect, truth: Rect) -> bool {
    truth.grown(6).covers(&found) && found.grown(6).covers(&truth)
}

const MASTER: &str = "output \"master\" { file \"out.tif\" }\n";
const STILL: &str = "each { align #false; balance #false }\n";

/// The reference is the mean in linear light, and the first file is the one shown.
#[test]
fn files_of_one_plate_are_averaged_and_the_first_is_shown() {
    let at = folder("plate-mean");
    // Codes of equal brightness whose linear values differ by little: noise, no change of the set.
    let codes = |seed: u64| -> Vec<u16> {
        let dice = common::noise(seed, (W * H * 3) as usize);
        dice.iter().map(|d| 30_000 + d % 2_000).collect()
    };
    let (first, second) = (codes(1), codes(2));
    rgb16(&at.join("frames/p1.tif"), W, H, &first, Named::Srgb);
    rgb16(&at.join("frames/p2.tif"), W, H, &second, Named::Srgb);
    let text = format!("plate \"frames/p1.tif\" \"frames/p2.tif\"\n{MASTER}");
    let (plan, _) = settled(&at, &text).unwrap();
    let shots: Vec<_> = plan.plates[0]
        .shots
        .iter()
        .map(|&id| plan.footage.shot(id))
        .collect();
    let rect = Rect::new(17, 40, 50, 30);
    let light = |shots: &[&plan::Shot]| {
        let files: Vec<PlateFile> = shots.iter().map(|shot| PlateFile::still(shot)).collect();
        let account = Account::unlimited();
        PlateSight {
            files: &files,
            held: None,
            account,
        }
        .light(rect)
        .unwrap()
    };
    let (a, b, mean) = (light(&shots[..1]), light(&shots[1..]), light(&shots));
    for k in 0..rect.area() as usize {
        for c in 0..3 {
            let want = (a.data()[k][c] + b.data()[k][c]) / 2.0;
            assert_eq!(mean.data()[k][c], want);
        }
    }
    rendered(&at, &format!("scene \"t\" language=1\n{text}"), &[]);
    assert_eq!(read16(&at.join("out.tif")).2, first);
}

#[test]
fn a_plate_file_that_shows_something_else_is_named() {
    let at = folder("plate-differs");
    shot(&at, "p1.tif", &[]);
    shot(&at, "p2.tif", &[]);
    shot(
        &at,
        "p3.tif",
        &[(Rect::new(100, 60, 5, 6), [0.6, 0.62, 0.6])],
    );
    let plate = "plate \"frames/p1.tif\" \"frames/p3.tif\" \"frames/p2.tif\"\n";
    let found = stopped(&at, &format!("{plate}{MASTER}"));
    assert_eq!(ids(&found), ["plate-differs"]);
    assert_eq!(found[0].severity, Severity::Stop);
    assert!(found[0].frame.as_ref().unwrap().ends_with("p3.tif"));
    assert_eq!(found[0].place.unwrap().rect, Rect::new(100, 60, 5, 6));
    assert!(found[0].span.is_some());
    // 24 pixels are a speck.
    shot(
        &at,
        "p3.tif",
        &[(Rect::new(100, 60, 4, 6), [0.6, 0.62, 0.6])],
    );
    assert!(settled(&at, &format!("{plate}{MASTER}")).is_ok());
    // Of two, the later one is blamed, and nothing is written.
    shot(&at, "p1.tif", &[(Rect::new(10, 20, 30, 30), RED)]);
    let two = "plate \"frames/p1.tif\" \"frames/p2.tif\"\n";
    let found = stopped(&at, &format!("{two}{MASTER}"));
    assert!(found[0].frame.as_ref().unwrap().ends_with("p2.tif"));
    assert_eq!(found[0].place.unwrap().rect, Rect::new(10, 20, 30, 30));
    assert_eq!(
        render(&at, &format!("scene \"t\" language=1\n{two}{MASTER}"), &[]),
        1
    );
    assert!(!at.join("out.tif").exists());
}

/// A member's own `plate`, else the nearest group's, else the base; a piece's own before all.
#[test]
fn the_nearest_plate_governs() {
    let at = folder("plate-governs");
    shot(&at, "dry.tif", &[]);
    shot(&at, "wet.tif", &[(a_box(), RED)]);
    shot(&at, "full.tif", &[(a_box(), RED), (b_box(), BLUE)]);
    let top =
        format!("plate \"frames/dry.tif\"\nplate \"frames/wet.tif\" name=\"wet\"\n{STILL}{MASTER}");
    let both = a_box().united(&b_box());
    let frame = "frame \"frames/full.tif\"; offset 1 0";
    let wet = "group \"g\" plate=\"wet\" { group \"h\" { ";
    for (element, plate, area) in [
        (format!("element \"e\" {{ {frame} }}"), 0, both),
        (
            format!("element \"e\" plate=\"wet\" {{ {frame} }}"),
            1,
            b_box(),
        ),
        (
            format!("{wet}element \"e\" {{ {frame} }} }} }}"),
            1,
            b_box(),
        ),
        (
            format!("element \"e\" {{ {frame}; mask {{ piece plate=\"wet\" }} }}"),
            1,
            b_box(),
        ),
    ] {
        let (plan, settled) = settled(&at, &format!("{top}{element}\n")).unwrap();
        let cut = settled.cut(plan::CutId(0));
        assert_eq!(plan.cuts[0].plate.0, plate, "{element}");
        assert_eq!(cut.keyed.as_ref().unwrap().plate.0, plate, "{element}");
        let found = solid(cut.coverage.as_ref().unwrap());
        assert!(near(found, area), "{element}: {found:?}");
    }
}

/// Without a mask the piece is cut out: the set beside it keeps the plate's own codes, wherever the piece goes.
#[test]
fn an_element_without_a_mask_is_cut_out() {
    let at = folder("no-mask");
    shot(&at, "dry.tif", &[]);
    shot(&at, "piece.tif", &[(a_box(), RED)]);
    rendered(
        &at,
        &format!(
            "scene \"t\" language=1\nplate \"frames/dry.tif\"\n{STILL}\
             element \"e\" {{ frame \"frames/piece.tif\"; offset 80 20 }}\n{MASTER}"
        ),
        &[],
    );
    let (_, _, got) = read16(&at.join("out.tif"));
    let landed = a_box().translated(80, 20);
    let red = RED.map(|v| (v * 65535.0).round());
    for y in 0..H {
        for x in 0..W {
            let pixel: [u16; 3] = got[((y * W + x) * 3) as usize..][..3].try_into().unwrap();
            let (px, py) = (x as i32, y as i32);
            if !landed.grown(8).contains(px, py) {
                let plate = set(x, y).map(|v| (v * 65535.0).round() as u16);
                assert_eq!(pixel, plate, "{x},{y}");
            }
            let inner = Rect {
                x0: landed.x0 + 6,
                y0: landed.y0 + 6,
                x1: landed.x1 - 6,
                y1: landed.y1 - 6,
            };
            if inner.contains(px, py) {
                for c in 0..3 {
                    assert!(
                        (f64::from(pixel[c]) - red[c]).abs() < 200.0,
                        "{x},{y} {pixel:?}"
                    );
                }
            }
        }
    }
}

fn bytes(at: &Path, text: &str) -> Vec<u8> {
    rendered(at, &format!("scene \"t\" language=1\n{text}{MASTER}"), &[]);
    fs::read(at.join("out.tif")).unwrap()
}

/// A stated alignment joins the placement: the same bytes as the same movement said otherwise, one resample in all.
#[test]
fn a_stated_alignment_is_part_of_the_placement() {
    let at = folder("align-stated");
    shot(&at, "dry.tif", &[]);
    shot(&at, "other.tif", &[(a_box(), RED), (b_box(), BLUE)]);
    let made = |nodes: &str| {
        bytes(
            &at,
            &format!(
                "plate \"frames/dry.tif\"\nelement \"e\" {{ frame \"frames/other.tif\"\n\
                 mask {{ ellipse 100 100 70.5 60.25 }}\n{nodes} }}\n"
            ),
        )
    };
    assert!(made("align 7 -3") == made("offset 7 -3"));
    assert!(made("align 7.25 -3.5") == made("offset 7.25 -3.5"));
    // SVG's matrix order: a quarter turn clockwise about the origin, then 200 to the right.
    assert!(made("align 0 1 -1 0 200 0") == made("rotate 90; pivot 0 0; offset 200 0"));
    assert!(made("align 1 0 5 0 1 -2 0 0 1") == made("offset 5 -2"));
    assert!(made("align -2 0 -10 0 -2 4 0 0 -2") == made("offset 5 -2"));
    // There and back is a copy, which two resamples could never be.
    assert!(made("align 0.5 0.25; offset -0.5 -0.25") == made(""));
    // p = A(pivot): the pivot is a place in the frame, and turns where the frame was carried to.
    assert!(
        made("align 10 20; rotate 90; pivot 50 60") == made("rotate 90; pivot 50 60; offset 10 20")
    );
}

/// Gains act on the frame's light before everything else.
#[test]
fn stated_gains_come_first() {
    let at = folder("balance-stated");
    shot(&at, "dry.tif", &[]);
    shot(&at, "other.tif", &[(a_box(), [0.3, 0.2, 0.25])]);
    let made = |nodes: &str| {
        bytes(
            &at,
            &format!(
                "plate \"frames/dry.tif\"\nelement \"e\" {{ frame \"frames/other.tif\"; {nodes} }}\n"
            ),
        )
    };
    // Doubling is exact in floating point, so either way gives the same bits.
    let all = "mask { all }; offset 3.5 0;";
    assert!(
        made(&format!("balance 2 2 2; {all}")) == made(&format!("correct {{ exposure 1 }}; {all}"))
    );
    // Luminance is measured after the gains and before a correction.
    assert!(
        made("mask { luminance 0.2 0.4 }; balance 2 2 2")
            == made("mask { luminance 0.1 0.2 }; correct { exposure 1 }")
    );
    let plain = made("mask { all }");
    assert!(made("mask { all }; balance 1 1 1") == plain);
    assert!(made("mask { all }; balance 1 1 2") != plain);
}

/// The member alone on transparency: straight linear colour and alpha.
fn alone(at: &Path, text: &str) -> Vec<[f32; 4]> {
    rendered(
        at,
        &format!(
            "scene \"t\" language=1\n{text}output \"o\" {{ file \"out.tif\"; depth 32; profile \"srgb\"; member \"e\" }}\n"
        ),
        &[],
    );
    let file = fs::File::open(at.join("out.tif")).unwrap();
    let mut decoder = tiff::decoder::Decoder::new(std::io::BufReader::new(file)).unwrap();
    match decoder.read_image().unwrap() {
        tiff::decoder::DecodingResult::F32(samples) => samples
            .chunks_exact(4)
            .map(|p| [p[0], p[1], p[2], p[3]])
            .collect(),
        other => panic!("float samples expected, got {other:?}"),
    }
}

/// Drawn cuts and feather are no mixture with the plate: they never change colour.
#[test]
fn colour_stays_under_drawn_and_feathered_cuts() {
    let at = folder("colour-stays");
    let dark = |x: u32, y: u32| {
        let v = 0.05 + f64::from((x / 5 + y / 3) % 2) * 0.04;
        [v; 3]
    };
    let picture = |name: &str, piece: Rect| {
        let samples: Vec<f32> = (0..H)
            .flat_map(|y| (0..W).map(move |x| (x, y)))
            .flat_map(|(x, y)| {
                if piece.contains(x as i32, y as i32) {
                    [0.5f32; 3]
                } else {
                    dark(x, y).map(|v| v as f32)
                }
            })
            .collect();
        rgb32f(&at.join("frames").join(name), W, H, &samples);
    };
    picture("plate.tif", Rect::EMPTY);
    picture("piece.tif", Rect::new(40, 30, 150, 140));
    let made = |steps: &str| {
        alone(
            &at,
            &format!(
                "plate \"frames/plate.tif\"\n{STILL}element \"e\" {{ frame \"frames/piece.tif\"\n\
                 mask {{ keep {{ piece }}; {steps} }} }}\n"
            ),
        )
    };
    let whole = made("");
    let cut = made(
        "within { ellipse 115 100 48 40 feather=4 }; cut { line \"60,60 150,140\" width=12 }; feather 2",
    );
    let mut soft = 0;
    for (one, [r, g, b, a]) in whole.iter().zip(cut) {
        soft += u32::from(a > 0.01 && a < 0.99);
        if a > 1e-6 {
            for (v, own) in [r, g, b].iter().zip(one) {
                assert!((v - own).abs() < 1e-5, "{v} under {a}, {own} before");
                assert!((v - 0.5).abs() < 0.02, "{v} under {a}");
            }
        }
    }
    assert!(soft > 2_000, "{soft}");
}

/// What else a mask keeps is the frame as it is.
#[test]
fn drawn_keeps_show_the_frame_itself() {
    let at = folder("drawn-keeps");
    shot(&at, "dry.tif", &[]);
    shot(&at, "piece.tif", &[(a_box(), RED)]);
    let made = |mask: &str| {
        alone(
            &at,
            &format!(
                "plate \"frames/dry.tif\"\n{STILL}element \"e\" {{ frame \"frames/piece.tif\"; mask {{ {mask} }} }}\n"
            ),
        )
    };
    let both = made("keep { piece; rect 150 20 40 50 }");
    let drawn = made("keep { rect 150 20 40 50 }");
    let piece = made("keep { piece }");
    for k in 0..both.len() {
        let want = if drawn[k][3] == 1.0 {
            drawn[k]
        } else {
            piece[k]
        };
        assert_eq!(both[k], want, "pixel {k}");
    }
}

/// A piece shot before a light and a dark card: half-transparent glass comes out exactly (the frames are made with
/// the formula C = aF + (1 - a)B).
#[test]
fn a_card_pair_is_triangulated() {
    let at = folder("card-pair");
    let glass = Rect::new(50, 50, 60, 60);
    let (own, alpha) = (0.2f32, 0.5f32);
    let picture = |name: &str, card: f32, piece: bool| {
        let samples: Vec<f32> = (0..H)
            .flat_map(|y| (0..W).map(move |x| (x, y)))
            .flat_map(|(x, y)| {
                let inside = piece && glass.contains(x as i32, y as i32);
                let light = if inside {
                    alpha * own + (1.0 - alpha) * card
                } else {
                    card
                };
                [platewright::color::srgb_encode(light); 3]
            })
            .collect();
        rgb32f(&at.join("frames").join(name), W, H, &samples);
    };
    picture("light.tif", 0.6, false);
    picture("dark.tif", 0.05, false);
    picture("glass-light.tif", 0.6, true);
    picture("glass-dark.tif", 0.05, true);
    let pixels = alone(
        &at,
        &format!(
            "plate \"frames/light.tif\"\nplate \"frames/dark.tif\" name=\"dark\"\n{STILL}\
             element \"e\" {{ frame \"frames/glass-light.tif\"\n\
             mask {{ piece {{ card \"frames/glass-dark.tif\" plate=\"dark\" }} }} }}\n"
        ),
    );
    for y in 0..H as usize {
        for x in 0..W as usize {
            let [r, _, _, a] = pixels[y * W as usize + x];
            let inner = Rect::new(54, 54, 52, 52).contains(x as i32, y as i32);
            if inner {
                assert!(
                    (a - alpha).abs() < 1e-3
                        && (r - platewright::color::srgb_encode(own)).abs() < 1e-3,
                    "{r} {a}"
                );
            } else if !glass.grown(4).contains(x as i32, y as i32) {
                assert!(a < 1e-3, "{a} at {x},{y}");
            }
        }
    }
}

/// The camera was bumped between the two exposures of a pair: each is laid onto its own plate, and both onto one grid.
#[test]
fn a_bumped_card_pair_is_laid_onto_one_grid() {
    let at = folder("bumped-pair");
    let glass = Rect::new(80, 60, 60, 60);
    let (own, alpha) = (0.2f32, 0.5f32);
    let mut dice = common::Dice::new(11);
    let grain: Vec<f32> = (0..400 * 400)
        .map(|_| dice.below(1000) as f32 / 1000.0)
        .collect();
    let texture = |x: i32, y: i32| {
        let at = |x: i32, y: i32| grain[((y + 50) * 400 + x + 50) as usize];
        (at(x, y) + at(x + 1, y) + at(x, y + 1) + at(x + 1, y + 1)) / 4.0
    };
    let picture = |name: &str, [dark, span]: [f32; 2], (dx, dy): (i32, i32), piece: bool| {
        let samples: Vec<f32> = (0..H as i32)
            .flat_map(|y| (0..W as i32).map(move |x| (x + dx, y + dy)))
            .flat_map(|(x, y)| {
                let card = dark + span * texture(x, y);
                let light = if piece && glass.contains(x, y) {
                    alpha * own + (1.0 - alpha) * card
                } else {
                    card
                };
                [platewright::color::srgb_encode(light); 3]
            })
            .collect();
        rgb32f(&at.join("frames").join(name), W, H, &samples);
    };
    let (light, dark) = ([0.4, 0.4], [0.02, 0.3]);
    picture("light.tif", light, (0, 0), false);
    picture("dark.tif", dark, (0, 0), false);
    picture("glass-light.tif", light, (0, 0), true);
    picture("glass-dark.tif", dark, (3, -2), true);
    let pixels = alone(
        &at,
        "plate \"frames/light.tif\"\nplate \"frames/dark.tif\" name=\"dark\"\n\
         element \"e\" { frame \"frames/glass-light.tif\"; balance #false\n\
         mask { piece { card \"frames/glass-dark.tif\" plate=\"dark\" } } }\n",
    );
    let mut worst = (0.0f32, 0.0f32);
    for y in 0..H as usize {
        for x in 0..W as usize {
            let [.., a] = pixels[y * W as usize + x];
            let (x, y) = (x as i32, y as i32);
            if glass.contains(x, y) && glass.contains(x - 4, y - 4) && glass.contains(x + 4, y + 4)
            {
                worst.0 = worst.0.max((a - alpha).abs());
            } else if !glass.grown(4).contains(x, y) {
                worst.1 = worst.1.max(a);
            }
        }
    }
    assert!(worst.0 < 0.01 && worst.1 < 0.01, "{worst:?}");
}

/// A named mask with a piece is what the base plate shows and the bare one does not, in canvas space.
#[test]
fn a_named_piece_is_what_the_bare_plate_lacks() {
    let at = folder("named-piece");
    shot(&at, "dry.tif", &[(a_box(), RED)]);
    shot(&at, "bare.tif", &[]);
    shot(&at, "other.tif", &[(b_box(), BLUE)]);
    let pixels = alone(
        &at,
        "plate \"frames/dry.tif\"\nplate \"frames/bare.tif\" name=\"bare\"\n\
         mask \"bottle\" { piece plate=\"bare\" }\n\
         group \"e\" { mask { mask \"bottle\" }\n\
         element \"x\" { frame \"frames/other.tif\"; mask { all } } }\n",
    );
    for y in 0..H as i32 {
        for x in 0..W as i32 {
            let a = pixels[(y as u32 * W + x as u32) as usize][3];
            let inner = a_box().contains(x - 6, y - 6) && a_box().contains(x + 6, y + 6);
            if inner {
                assert!(a > 0.99, "{a} at {x},{y}");
            } else if !a_box().grown(6).contains(x, y) {
                assert!(a < 0.01, "{a} at {x},{y}");
            }
        }
    }
}

/// Cuts that differ in later steps only share one cut-out; a limit makes it another, and nothing is found beyond it.
#[test]
fn later_steps_share_one_piece() {
    let at = folder("share-piece");
    shot(&at, "dry.tif", &[]);
    shot(&at, "full.tif", &[(a_box(), RED), (b_box(), BLUE)]);
    let element = |name: &str, mask: &str| {
        format!("element \"{name}\" {{ frame \"frames/full.tif\"; mask {{ {mask} }} }}\n")
    };
    let text = format!(
        "plate \"frames/dry.tif\"\n{STILL}{}{}{}{}{MASTER}",
        element("a", "piece"),
        element("b", "piece; feather 3"),
        element("c", "piece; cut { rig; rect 0 0 50 50 }"),
        element("d", "piece; within { rect 0 0 110 200 }"),
    );
    let (plan, settled) = settled(&at, &text).unwrap();
    let keyed = |k: usize| settled.cut(plan::CutId(k)).keyed.as_ref().unwrap();
    assert_eq!(plan.pieces.len(), 2);
    assert!(std::sync::Arc::ptr_eq(keyed(0), keyed(1)));
    assert!(std::sync::Arc::ptr_eq(keyed(0), keyed(2)));
    assert!(near(solid(&keyed(0).own), a_box().united(&b_box())));
    assert!(near(solid(&keyed(3).own), a_box()));
}

/// A frame's own alpha limits the piece.
#[test]
fn alpha_of_the_frame_counts() {
    let at = folder("piece-alpha");
    shot(&at, "dry.tif", &[]);
    let codes: Vec<u16> = (0..H)
        .flat_map(|y| (0..W).map(move |x| (x, y)))
        .flat_map(|(x, y)| {
            let inside = a_box().contains(x as i32, y as i32);
            let [r, g, b] =
                if inside { RED } else { set(x, y) }.map(|v| (v * 65535.0).round() as u16);
            [r, g, b, if x < 60 { 0 } else { 65_535 }]
        })
        .collect();
    rgba16(&at.join("frames/piece.tif"), W, H, &codes, Named::Srgb);
    let pixels = alone(
        &at,
        &format!(
            "plate \"frames/dry.tif\"\n{STILL}element \"e\" {{ frame \"frames/piece.tif\"; mask {{ piece }} }}\n"
        ),
    );
    for (k, pixel) in pixels.iter().enumerate() {
        if k % (W as usize) < 60 {
            assert_eq!(*pixel, [0.0; 4]);
        }
    }
    assert_eq!(pixels[(70 * W + 75) as usize][3], 1.0);
}

#[test]
fn what_can_not_be_compared_is_said() {
    let at = folder("not-comparable");
    shot(&at, "dry.tif", &[]);
    shot(&at, "full.tif", &[(a_box(), RED)]);
    rgb16(
        &at.join("frames/small.tif"),
        20,
        10,
        &[9_000; 600],
        Named::Srgb,
    );
    let told = |text: &str| match settled(&at, text) {
        Ok(_) => Vec::new(),
        Err(found) => found.iter().map(|f| f.id).collect::<Vec<_>>(),
    };
    let plate = "plate \"frames/dry.tif\"\n";
    let small = "frame \"frames/small.tif\"";
    assert_eq!(
        told(&format!("{plate}element \"e\" {{ {small} }}\n{MASTER}")),
        ["frame-size"]
    );
    assert_eq!(
        told(&format!(
            "{plate}element \"e\" {{ {small}; mask {{ all }}; balance }}\n{MASTER}"
        )),
        ["frame-size"]
    );
    // Where it lies is stated, so the plate below it is known.
    assert!(
        told(&format!(
            "{plate}element \"e\" {{ {small}; align 30 40; balance #false }}\n{MASTER}"
        ))
        .is_empty()
    );
    assert_eq!(
        told(&format!(
            "plate \"frames/dry.tif\" \"frames/small.tif\"\n{MASTER}"
        )),
        ["plate-size"]
    );
    let card = |plate: &str| {
        format!(
            "element \"e\" {{ frame \"frames/full.tif\"; mask {{ piece {{ card \"frames/full.tif\" {plate} }} }} }}\n{MASTER}"
        )
    };
    assert_eq!(told(&format!("{plate}{}", card(""))), ["card-plate"]);
    for flat in ["0 0 0 0 5 5", "1 2 2 4 0 0", "1 0 0 2 0 0 0 0 1"] {
        let text = format!(
            "{plate}element \"e\" {{ frame \"frames/full.tif\"; mask {{ all }}; align {flat} }}\n{MASTER}"
        );
        assert_eq!(told(&text), ["flat-map"], "{flat}");
    }
    let bare = "canvas 10 10\n";
    for nodes in [
        "mask { piece }",
        "mask { all; cut { rig } }",
        "mask { all }; align \"shift\"",
        "mask { all }; balance",
    ] {
        let text =
            format!("{bare}element \"e\" {{ frame \"frames/full.tif\"; {nodes} }}\n{MASTER}");
        assert_eq!(told(&text), ["needs-plate"], "{nodes}");
    }
}

/// What a photographer should look at comes with the member, the frame and the place, and blocks nothing.
#[test]
fn findings_of_a_cut_out_reach_the_run() {
    let at = folder("cut-findings");
    shot(&at, "dry.tif", &[]);
    let text = format!(
        "plate \"frames/dry.tif\"\ngroup \"g\" {{ element \"e\" {{ frame \"frames/dry.tif\"; align #false; balance #false }} }}\n{MASTER}"
    );
    let (_, settled) = settled(&at, &text).unwrap();
    if let Some(finding) = settled.findings.iter().find(|f| f.id == "nothing-found") {
        assert_eq!(finding.severity, Severity::Look);
        assert_eq!(finding.member.as_deref(), Some("g/e"));
        assert!(finding.span.is_some() && finding.place.is_some() && finding.remedy.is_some());
    }
    rendered(&at, &format!("scene \"t\" language=1\n{text}"), &[]);
}

/// Pieces of several frames are cut out side by side where there are threads and memory for it: not a bit nor a word
/// differs.
#[test]
fn pieces_side_by_side_are_what_they_are_one_by_one() {
    let at = folder("side-by-side");
    shot(&at, "dry.tif", &[]);
    shot(&at, "a.tif", &[(a_box(), RED)]);
    shot(&at, "b.tif", &[(b_box(), BLUE)]);
    shot(&at, "both.tif", &[(a_box(), BLUE), (b_box(), RED)]);
    let text = format!(
        "plate \"frames/dry.tif\"\n\
         element \"nothing\" {{ frame \"frames/dry.tif\" }}\n\
         element \"a\" {{ frame \"frames/a.tif\" }}\n\
         element \"again\" {{ frame \"frames/a.tif\"; mask {{ piece; erode 2 }} }}\n\
         element \"b\" {{ frame \"frames/b.tif\"; mask {{ keep {{ piece }}; within {{ rect 120 80 100 80 }} }} }}\n\
         element \"both\" {{ frame \"frames/both.tif\" }}\n{MASTER}"
    );
    let by = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        let pool = pool.build().unwrap();
        let (_, settled) = pool.install(|| settled(&at, &text)).unwrap();
        assert!(settled.findings.iter().any(|f| f.id == "nothing-found"));
        // All but how high memory rose on the way.
        let told = format!("{settled:?}");
        let mut parts = told.split("Books {");
        let first = parts.next().unwrap().to_owned();
        parts.fold(first, |all, part| all + part.split_once('}').unwrap().1)
    };
    let one = by(1);
    for threads in [2, 4] {
        assert!(by(threads) == one, "{threads} threads");
    }
}

/// The smallest pictures there are, with nothing in them to hold on to.
#[test]
fn pictures_of_a_pixel_or_two_are_settled() {
    let at = folder("tiny-pieces");
    for (w, h) in [(1, 1), (2, 1), (1, 3), (5, 4)] {
        let count = (w * h * 3) as usize;
        rgb16(
            &at.join("frames/p1.tif"),
            w,
            h,
            &vec![9_000; count],
            Named::Srgb,
        );
        rgb16(
            &at.join("frames/p2.tif"),
            w,
            h,
            &vec![9_000; count],
            Named::Srgb,
        );
        rgb16(
            &at.join("frames/f.tif"),
            w,
            h,
            &vec![60_000; count],
            Named::Srgb,
        );
        let text = format!(
            "plate \"frames/p1.tif\" \"frames/p2.tif\"\n\
             element \"e\" {{ frame \"frames/f.tif\"; align \"perspective\"; rotate 30 }}\n{MASTER}"
        );
        rendered(&at, &format!("scene \"t\" language=1\n{text}"), &[]);
    }
}

/// A frame shot after the camera moved by whole pixels and the light by a third comes back to where it was.
#[test]
fn a_moved_and_darker_frame_is_laid_back() {
    let at = folder("laid-back");
    // The set as a camera sees it that moved by (3, -2): what was at x is now at x - 3.
    let codes = |dx: i32, dy: i32, gain: f64, piece: bool| -> Vec<u16> {
        let mut dice = common::Dice::new(7);
        let grain: Vec<f64> = (0..400 * 400)
            .map(|_| f64::from(dice.below(1000)) / 1000.0)
            .collect();
        let light = move |x: i32, y: i32| {
            let at = |x: i32, y: i32| grain[(y.rem_euclid(400) * 400 + x.rem_euclid(400)) as usize];
            let smooth = (at(x, y) + at(x + 1, y) + at(x, y + 1) + at(x + 1, y + 1)) / 4.0;
            0.1 + 0.2 * smooth
        };
        (0..H as i32)
            .flat_map(|y| (0..W as i32).map(move |x| (x, y)))
            .flat_map(|(x, y)| {
                let l = if piece && a_box().contains(x, y) {
                    [0.6, 0.05, 0.05]
                } else {
                    [light(x + dx, y + dy) * gain; 3]
                };
                l.map(|l: f64| (platewright::color::srgb_encode(l as f32) * 65535.0).round() as u16)
            })
            .collect()
    };
    rgb16(
        &at.join("frames/plate.tif"),
        W,
        H,
        &codes(0, 0, 1.0, false),
        Named::Srgb,
    );
    rgb16(
        &at.join("frames/moved.tif"),
        W,
        H,
        &codes(3, -2, 0.75, true),
        Named::Srgb,
    );
    let text = format!(
        "plate \"frames/plate.tif\"\nelement \"e\" {{ frame \"frames/moved.tif\" }}\n{MASTER}"
    );
    let (_, settled) = settled(&at, &text).unwrap();
    let cut = settled.cut(plan::CutId(0));
    let (dx, dy) = cut.carry.apply(0.0, 0.0);
    assert!(
        (dx - 3.0).abs() < 0.02 && (dy + 2.0).abs() < 0.02,
        "{dx} {dy}"
    );
    for gain in cut.gains {
        assert!((gain * 0.75 - 1.0).abs() < 0.01, "{gain}");
    }
    let found = solid(cut.coverage.as_ref().unwrap());
    assert!(near(found, a_box()), "{found:?}");
}
