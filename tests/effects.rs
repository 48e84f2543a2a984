//! What pieces do beyond lying there: shadows they keep, products they stand behind, light they add, blur.

mod common;
#[path = "common/made.rs"]
mod made;

use common::{Dice, folder, read16, render, rendered, rgb16, rgb32f};
use made::{assert_same, made};
use platewright::budget::Account;
use platewright::color::{Named, delta_e_2000, lab_d50};
use platewright::deliver::Shape;
use platewright::plan::{self, Settings};
use platewright::render::Tiling;
use platewright::scene::{self, FileLoader};
use platewright::settle;
use std::path::Path;

const W: u32 = 160;
const H: u32 = 120;

/// A set with texture, in light: bricks under a slow slope, and a little noise that differs from shot to shot.
fn set(seed: u64) -> Vec<f32> {
    let mut dice = Dice::new(seed);
    let mut light = Vec::new();
    for y in 0..H {
        for x in 0..W {
            let brick = ((x / 9 + 5 * (y / 6 % 2)) * 37 + (y / 6) * 91) % 17;
            let level = 0.16 + 0.012 * brick as f32 + 0.0006 * x as f32;
            for tint in [1.0, 0.92, 0.8] {
                let noise = (dice.below(2001) as f32 - 1000.0) * 4e-7;
                light.push(level * tint + noise);
            }
        }
    }
    light
}

/// Coverage of a disc about (x, y) that runs out over `soft` px.
fn disc(x: u32, y: u32, cx: f32, cy: f32, radius: f32, soft: f32) -> f32 {
    let (dx, dy) = (x as f32 + 0.5 - cx, y as f32 + 0.5 - cy);
    ((radius - (dx * dx + dy * dy).sqrt()) / soft + 0.5).clamp(0.0, 1.0)
}

fn mapped(light: &[f32], change: impl Fn(u32, u32, usize, f32) -> f32) -> Vec<f32> {
    let pixel = |k: usize| ((k / 3) as u32 % W, (k / 3) as u32 / W);
    let values = light.iter().enumerate();
    values
        .map(|(k, v)| change(pixel(k).0, pixel(k).1, k % 3, *v))
        .collect()
}

/// The master's light, at 32 bits.
fn light(at: &Path) -> Vec<f32> {
    let file = std::fs::File::open(at).unwrap();
    let mut decoder = tiff::decoder::Decoder::new(std::io::BufReader::new(file)).unwrap();
    match decoder.read_image().unwrap() {
        tiff::decoder::DecodingResult::F32(values) => values.into_iter().map(decode).collect(),
        other => panic!("floats expected, got {other:?}"),
    }
}

/// IEC 61966-2-1 both ways, on floats.
fn decode(v: f32) -> f32 {
    let v = f64::from(v);
    let light = if v <= 0.04045 {
        v / 12.92
    } else {
        libm::pow((v + 0.055) / 1.055, 2.4)
    };
    light as f32
}

fn encode(light: f32) -> f32 {
    let v = f64::from(light);
    let code = if v <= 0.003_130_8 {
        v * 12.92
    } else {
        1.055 * libm::pow(v, 1.0 / 2.4) - 0.055
    };
    code as f32
}

fn write(at: &Path, name: &str, light: &[f32]) {
    let codes: Vec<f32> = light.iter().map(|v| encode(*v)).collect();
    rgb32f(&at.join("frames").join(name), W, H, &codes);
}

const HEAD: &str = "scene \"t\" language=1\nplate \"frames/plate.tif\"\n";
const MASTER: &str = "output \"master\" { file \"out.tif\"; depth 32 }\n";

/// Rule 5: under `plus-lighter` a piece lays down the light it added to the set, and nothing of the set.
#[test]
fn a_glow_adds_the_light_it_added() {
    let at = folder("added-light");
    let plate = set(1);
    let glow = |x: u32, y: u32| 0.35 * disc(x, y, 50.0, 60.0, 12.0, 14.0);
    let frame = mapped(&plate, |x, y, k, v| v + glow(x, y) * [1.0, 0.7, 0.2][k]);
    write(&at, "plate.tif", &plate);
    write(&at, "glow.tif", &frame);
    // Drawn about the glow, so that its faint rim counts too.
    let scene = |more: &str| {
        format!(
            "{HEAD}element \"glow\" blend=\"plus-lighter\" {{ frame \"frames/glow.tif\"; align #false; balance #false\n\
             mask {{ piece; ellipse 50 60 30 30 }}; {more} }}\n{MASTER}"
        )
    };
    rendered(&at, &scene("offset 70 0"), &[]);
    let out = light(&at.join("out.tif"));
    let expected = mapped(&plate, |x, y, k, v| {
        v + if x >= 70 {
            glow(x - 70, y) * [1.0, 0.7, 0.2][k]
        } else {
            0.0
        }
    });
    let worst = out.iter().zip(&expected).map(|(a, b)| (a - b).abs());
    let worst = worst.fold(0.0, f32::max);
    assert!(worst < 2e-3, "{worst}");
    // Resampled, the light is still all there.
    rendered(
        &at,
        &scene("offset 70.4 0.3; rotate 31; opacity 1").replace("; opacity 1", ""),
        &[],
    );
    let turned = light(&at.join("out.tif"));
    let sum = |values: &[f32]| values.iter().map(|v| f64::from(*v)).sum::<f64>();
    let (added, wanted) = (sum(&turned) - sum(&plate), sum(&expected) - sum(&plate));
    assert!((added / wanted - 1.0).abs() < 5e-3, "{added} {wanted}");
}

/// What lies on the set after a splash: ten drips, in light.
fn dripped(x: u32, y: u32, v: f32) -> f32 {
    let drip = (0..10).map(|n| {
        disc(
            x,
            y,
            12.5 + 15.0 * n as f32,
            96.0 - 7.0 * (n % 3) as f32,
            3.5,
            1.5,
        )
    });
    v * (1.0 - 0.8 * drip.fold(0.0, f32::max))
}

/// An action frame is the picture: where it is only messy the dry plate goes back over it, in the frame's own light,
/// and the rest keeps the frame's codes.
#[test]
fn a_messy_frame_takes_the_clean_set_back() {
    let at = folder("clean-again");
    let splash = |x: u32, y: u32| disc(x, y, 90.0, 40.0, 20.0, 2.0);
    let dry = set(21);
    let action = mapped(&set(22), |x, y, k, v| {
        let a = splash(x, y);
        0.93 * (a * [0.02, 0.03, 0.3][k] + (1.0 - a) * dripped(x, y, v))
    });
    let clean = mapped(&set(22), |_, _, _, v| 0.93 * v);
    write(&at, "action.tif", &action);
    write(&at, "dry.tif", &dry);
    let scene = format!(
        "scene \"t\" language=1\nplate \"frames/action.tif\"\n\
         element \"clean\" {{ frame \"frames/dry.tif\"; align \"shift\"; balance\n\
         mask {{ rect 0 76 160 44 }} }}\n{MASTER}"
    );
    rendered(&at, &scene, &[]);
    let (out, was) = (
        light(&at.join("out.tif")),
        light(&at.join("frames/action.tif")),
    );
    let row = 3 * W as usize;
    assert_eq!(
        out[..76 * row],
        was[..76 * row],
        "nothing but the mess is covered"
    );
    let worst = out[76 * row..]
        .iter()
        .zip(&clean[76 * row..])
        .map(|(o, c)| (o / c - 1.0).abs());
    let worst = worst.fold(0.0, f32::max);
    assert!(worst < 0.02, "{worst}");
}

/// Pieces hung when the set was wet: its drips are in the frame and in the plate that governs, and in no matte and no
/// shadow.
#[test]
fn no_drip_of_a_wet_set_comes_along() {
    let at = folder("wet-set");
    // A camera's noise: 0.2 % of full light.
    let noisy = |light: Vec<f32>, seed: u64| -> Vec<f32> {
        let mut dice = Dice::new(seed);
        let grain = |v: f32| v + (dice.below(2001) as f32 - 1000.0) * 3e-6;
        light.into_iter().map(grain).collect()
    };
    let dry = set(31);
    let wet = noisy(mapped(&dry, |x, y, _, v| dripped(x, y, v)), 32);
    let frame = mapped(&dry, |x, y, k, v| {
        let a = disc(x, y, 60.0, 74.0, 16.0, 1.5);
        let shade = 1.0 - 0.2 * disc(x, y, 66.0, 98.0, 8.0, 20.0);
        a * [0.7, 0.5, 0.1][k] + (1.0 - a) * shade * dripped(x, y, v)
    });
    let frame = noisy(frame, 33);
    write(&at, "plate.tif", &dry);
    write(&at, "wet.tif", &wet);
    write(&at, "piece.tif", &frame);
    let scene = format!(
        "{HEAD}plate \"frames/wet.tif\" name=\"wet\"\n\
         element \"e\" plate=\"wet\" {{ frame \"frames/piece.tif\"; align #false; balance #false; offset 50 0; shadow }}\n{MASTER}"
    );
    rendered(&at, &scene, &[]);
    let out = light(&at.join("out.tif"));
    let expected = mapped(&dry, |x, y, k, v| {
        let from = x.wrapping_sub(50);
        let (a, shade) = if from < W {
            (
                disc(from, y, 60.0, 74.0, 16.0, 1.5),
                1.0 - 0.2 * disc(from, y, 66.0, 98.0, 8.0, 20.0),
            )
        } else {
            (0.0, 1.0)
        };
        a * [0.7, 0.5, 0.1][k] + (1.0 - a) * shade * v
    });
    // A drip takes four fifths of the light.
    let worst = (0..out.len())
        .filter(|k| {
            let (x, y) = ((k / 3) as u32 % W, (k / 3) as u32 / W);
            let moved = x.checked_sub(50).is_some_and(|x| dripped(x, y, 1.0) < 1.0);
            moved || dripped(x, y, 1.0) < 1.0
        })
        .map(|k| (out[k] / expected[k] - 1.0).abs())
        .fold(0.0, f32::max);
    assert!(worst < 0.15, "{worst}");
}

/// A piece that is not there: no shadow, nothing behind the product, not one bit of the plate's codes.
#[test]
fn an_empty_piece_changes_no_bit() {
    let at = folder("empty-piece");
    let codes: Vec<u16> = set(2)
        .iter()
        .map(|v| (encode(*v) * 65535.0) as u16)
        .collect();
    let with_bottle: Vec<u16> = codes
        .iter()
        .enumerate()
        .map(|(k, v)| {
            let (x, y) = ((k / 3) as u32 % W, (k / 3) as u32 / W);
            let m = disc(x, y, 80.0, 60.0, 25.0, 4.0);
            (f32::from(*v) * (1.0 - m) + 52_000.0 * m) as u16
        })
        .collect();
    rgb16(&at.join("frames/bare.tif"), W, H, &codes, Named::DisplayP3);
    rgb16(
        &at.join("frames/plate.tif"),
        W,
        H,
        &with_bottle,
        Named::DisplayP3,
    );
    let scene = format!(
        "{HEAD}plate \"frames/bare.tif\" name=\"bare\"\nmask \"bottle\" {{ piece plate=\"bare\" }}\n\
         element \"none\" {{ frame \"frames/plate.tif\"; shadow; offset 9 0; behind \"bottle\" }}\n\
         element \"blur\" {{ frame \"frames/plate.tif\"; defocus 6; offset 9 0; behind \"bottle\" }}\n\
         element \"light\" blend=\"plus-lighter\" {{ frame \"frames/plate.tif\"; mask {{ piece }} }}\n\
         output \"master\" {{ file \"out.tif\" }}\n"
    );
    rendered(&at, &scene, &[]);
    assert_eq!(read16(&at.join("out.tif")).2, with_bottle);
}

/// A shadow of no strength is none, bit for bit; so is one limited to nothing it touches.
#[test]
fn a_shadow_of_no_strength_is_none() {
    let at = folder("no-strength");
    let plate = set(3);
    let dark = |x: u32, y: u32| 1.0 - 0.3 * disc(x, y, 60.0, 95.0, 12.0, 20.0);
    let frame = mapped(&plate, |x, y, k, v| {
        let m = disc(x, y, 60.0, 45.0, 14.0, 2.0);
        m * [0.05, 0.1, 0.5][k] + (1.0 - m) * v * dark(x, y)
    });
    write(&at, "plate.tif", &plate);
    write(&at, "nib.tif", &frame);
    let scene = |shadow: &str| {
        format!(
            "{HEAD}element \"nib\" {{ frame \"frames/nib.tif\"; offset 40 0; {shadow} }}\n{MASTER}"
        )
    };
    let drawn = |shadow: &str| {
        rendered(&at, &scene(shadow), &[]);
        std::fs::read(at.join("out.tif")).unwrap()
    };
    let none = drawn("shadow #false");
    assert!(none == drawn("shadow strength=0"));
    assert!(none == drawn("shadow { within { rect -9 -9 3 3 } }"));
}

/// A shadow needs a piece that it belongs to.
#[test]
fn a_shadow_needs_a_piece() {
    let at = folder("needs-piece");
    write(&at, "plate.tif", &set(4));
    let scene = format!(
        "{HEAD}element \"a\" {{ frame \"frames/plate.tif\"; mask {{ all }}; shadow }}\n{MASTER}"
    );
    assert_eq!(render(&at, &scene, &[]), 1);
}

/// Light spreads as light: nothing is lost, and nothing leaves the disc.
#[test]
fn a_blurred_highlight_keeps_its_light() {
    let at = folder("blurred");
    let dark = vec![0.0; (W * H * 3) as usize];
    let frame = mapped(&dark, |x, y, k, _| {
        if (x, y) == (70, 50) {
            [30.0, 20.0, 1.0][k]
        } else {
            0.0
        }
    });
    write(&at, "plate.tif", &dark);
    write(&at, "spark.tif", &frame);
    let scene = format!(
        "{HEAD}element \"a\" {{ frame \"frames/spark.tif\"; mask {{ all }}; defocus 9.5; offset 8 3 }}\n{MASTER}"
    );
    rendered(&at, &scene, &[]);
    let out = light(&at.join("out.tif"));
    let mut sum = 0.0;
    for (k, v) in out.iter().enumerate().filter(|(k, _)| k % 3 == 0) {
        let (x, y) = ((k / 3) as u32 % W, (k / 3) as u32 / W);
        let (dx, dy) = (f64::from(x) - 78.0, f64::from(y) - 53.0);
        assert!(*v == 0.0 || dx * dx + dy * dy < 10.3 * 10.3, "{x} {y}");
        sum += f64::from(*v);
    }
    assert!((sum / 30.0 - 1.0).abs() < 1e-4, "{sum}");
}

/// What planning and settling have to say about a scene: identifiers with their members.
fn said(at: &Path, scene: &str) -> Vec<(String, Option<String>)> {
    std::fs::write(at.join("scene.kdl"), scene).unwrap();
    let account = Account::unlimited();
    let scene = scene::read(&at.join("scene.kdl"), &[], &FileLoader).unwrap();
    let (plan, mut findings) = plan::planned(&scene, &Settings::default(), &account).unwrap();
    findings.extend(settle::settled(&plan, &account).unwrap().findings);
    let told = findings.into_iter();
    told.map(|finding| (finding.id.to_owned(), finding.member))
        .collect()
}

fn tells(at: &Path, scene: &str, id: &str) -> bool {
    said(at, scene).iter().any(|(told, _)| told == id)
}

/// Linear sRGB to XYZ under D50 (the matrix of the sRGB profiles of the ICC, columns of its colorants).
fn lab([r, g, b]: [f32; 3]) -> [f64; 3] {
    let row = |m: [f64; 3]| m[0] * f64::from(r) + m[1] * f64::from(g) + m[2] * f64::from(b);
    lab_d50([
        row([0.4361, 0.3851, 0.1431]),
        row([0.2225, 0.7169, 0.0606]),
        row([0.0139, 0.0971, 0.7141]),
    ])
}

/// Truth: the model of light that the frame itself is made by (C = a F + (1 - a) S B, Porter and Duff 1984), drawn
/// again with the piece moved, turned and scaled and its shadow moved to the side only. Differences are CIEDE2000.
#[test]
fn a_shadow_lies_beside_the_moved_piece_as_it_fell() {
    let at = folder("shadow-truth");
    let plate = set(11);
    let shadow = |x: u32, y: u32, dx: f32, k: usize| {
        1.0 - [0.36, 0.35, 0.33][k] * disc(x, y, 52.0 + dx, 62.0, 17.0, 24.0)
    };
    let piece = |x: u32, y: u32, (cx, cy, radius): (f32, f32, f32), k: usize, ground: f32| {
        let m = disc(x, y, cx, cy, radius, 1.5);
        m * [0.05, 0.1, 0.5][k] + (1.0 - m) * ground
    };
    // The noise of another shot of the same set.
    let frame = mapped(&set(12), |x, y, k, v| {
        piece(x, y, (44.0, 46.0, 16.0), k, v * shadow(x, y, 0.0, k))
    });
    write(&at, "plate.tif", &plate);
    write(&at, "nib.tif", &frame);
    for (place, moved) in [
        ("offset 62 0", (106.0, 46.0, 16.0)),
        (
            "offset 62 -6; rotate 30; scale 0.9; pivot 44 46",
            (106.0, 40.0, 14.4),
        ),
    ] {
        let scene = format!(
            "{HEAD}element \"nib\" {{ frame \"frames/nib.tif\"; align #false; balance #false; shadow; {place} }}\n{MASTER}"
        );
        rendered(&at, &scene, &[]);
        let out = light(&at.join("out.tif"));
        let truth = mapped(&plate, |x, y, k, v| {
            piece(x, y, moved, k, v * shadow(x, y, 62.0, k))
        });
        let (mut beside, mut worst, mut still) = (Vec::new(), 0.0f64, 0.0f64);
        let mut hidden = 0.0f64;
        for n in 0..(W * H) as usize {
            let (x, y) = (n as u32 % W, n as u32 / W);
            let three = |of: &[f32]| -> [f32; 3] { std::array::from_fn(|k| of[3 * n + k]) };
            let off = delta_e_2000(lab(three(&out)), lab(three(&truth)));
            // The piece's own edge is another matter.
            if disc(x, y, moved.0, moved.1, moved.2 + 3.0, 1.0) > 0.0 {
                continue;
            }
            if disc(x, y, 106.0, 46.0, 19.0, 1.0) > 0.0 {
                // What it hid from the camera.
                hidden = hidden.max(off);
            } else if shadow(x, y, 62.0, 1) < 1.0 {
                beside.push(off);
                worst = worst.max(off);
            } else if disc(x, y, 114.0, 62.0, 27.0, 24.0) == 0.0 {
                // Ten pixels beyond the penumbra, where a smooth field has nothing left to smooth.
                still = still.max(off);
            }
        }
        beside.sort_by(f64::total_cmp);
        let most = beside[beside.len() * 95 / 100];
        assert!(beside.len() > 1000);
        assert!(hidden < 2.0, "{place}: {hidden} where the piece was");
        assert!(most < 1.0 && worst < 2.0, "{place}: {most} {worst}");
        assert!(still < 0.1, "{place}: {still}");
    }
}

/// A piece with a shadow that is moved up, turned or scaled: the shadow can't follow, and that is said. To the side
/// it can, and where the scene says where the shadow lies, it is known.
#[test]
fn a_shadow_that_can_not_follow_is_told() {
    let at = folder("shadow-stays");
    let plate = set(5);
    let frame = mapped(&plate, |x, y, k, v| {
        let m = disc(x, y, 60.0, 45.0, 14.0, 2.0);
        m * [0.05, 0.1, 0.5][k] + (1.0 - m) * v
    });
    write(&at, "plate.tif", &plate);
    write(&at, "nib.tif", &frame);
    let told = |nodes: &str| {
        let scene = format!(
            "{HEAD}group \"g\" {{ GROUP; element \"nib\" {{ frame \"frames/nib.tif\"; {nodes} }} }}\n{MASTER}"
        );
        let (nodes, group) = match nodes.split_once(" | ") {
            Some((_, group)) => (scene.replace(&format!(" | {group}"), ""), group),
            None => (scene, "offset 0 0"),
        };
        tells(&at, &nodes.replace("GROUP", group), "shadow-stays")
    };
    assert!(!told("offset 40 0"));
    assert!(!told("shadow; offset 40 0"));
    assert!(told("shadow; offset 40 -3"));
    assert!(told("shadow; rotate 4; pivot 60 45"));
    assert!(told("shadow; scale 0.9; pivot 60 45"));
    assert!(!told("shadow { offset 0 -3 }; offset 40 -3"));
    assert!(!told("shadow; offset 40 3 | offset 7 -3"));
    assert!(told("shadow | scale 0.5"));
    assert!(!told("shadow #false; rotate 4; pivot 60 45"));
}

/// A nib with a slope of light on its face, and a rod that hangs before it.
fn rodded(gain: f32, rod: bool) -> Vec<f32> {
    mapped(&set(6), |x, y, k, v| {
        let m = disc(x, y, 80.0, 60.0, 34.0, 2.0);
        let slope = 0.003 * (x as f32 - 80.0) + 0.002 * (y as f32 - 60.0);
        let face = (0.75 + slope) * [1.0, 0.8, 0.1][k];
        let across = rod && y < 70 && (77..83).contains(&x);
        if across {
            0.02
        } else {
            gain * (m * face + (1.0 - m) * v)
        }
    })
}

/// A mended strip is the face that the rod hid: from its surroundings, and from another frame in other light. What
/// was mended is always told.
#[test]
fn a_mend_gives_back_the_face_behind_the_rod() {
    let at = folder("mended");
    write(&at, "plate.tif", &set(7));
    write(&at, "hung.tif", &rodded(1.0, true));
    write(&at, "other.tif", &rodded(0.8, false));
    let truth = rodded(1.0, false);
    let scene = |mask: &str, mend: &str| {
        format!(
            "{HEAD}element \"nib\" {{ frame \"frames/hung.tif\"; align #false; balance #false; mask {{ {mask} }}; {mend} }}\n{MASTER}"
        )
    };
    let strip = "rect 75 20 10 52";
    let from = "from=\"frames/other.tif\"";
    for (mask, mend, limit) in [
        ("ellipse 80 60 31 31", format!("mend {{ {strip} }}"), 0.012),
        (
            "ellipse 80 60 31 31",
            format!("mend {from} {{ {strip} }}"),
            0.004,
        ),
        ("piece", format!("mend {from} {{ {strip} }}"), 0.01),
    ] {
        let scene = scene(mask, &mend);
        assert!(tells(&at, &scene, "mended"), "{mend}");
        rendered(&at, &scene, &[]);
        let out = light(&at.join("out.tif"));
        let mut worst = 0.0f32;
        for y in 40..70 {
            for x in 74..86 {
                for k in 0..3 {
                    let index = ((y * W + x) * 3 + k) as usize;
                    worst = worst.max((out[index] - truth[index]).abs());
                }
            }
        }
        assert!(worst < limit, "{mask} {mend}: {worst}");
    }
    // Where there is nothing to mend, that is told too.
    let beside = scene("ellipse 80 60 31 31", "mend { rect 0 0 9 9 }");
    assert!(tells(&at, &beside, "mend-nothing"));
    // A rod is what holds a piece: without one it means nothing.
    let no_piece = scene("ellipse 80 60 31 31", "mend { rig }");
    assert_eq!(render(&at, &no_piece, &[]), 1);
}

/// Behind a product whose edge is soft: product and piece share the pixel, and the set has no part in it.
#[test]
fn a_piece_behind_the_product_leaves_no_rim() {
    let at = folder("no-rim");
    let bare = set(8);
    let soft = |x: u32, y: u32| disc(x, y, 80.0, 60.0, 30.0, 8.0);
    let product = [0.75, 0.05, 0.04];
    let plate = mapped(&bare, |x, y, k, v| {
        let m = soft(x, y);
        m * product[k] + (1.0 - m) * v
    });
    let sheet = vec![0.9; (W * H * 3) as usize];
    write(&at, "plate.tif", &plate);
    write(&at, "bare.tif", &bare);
    write(&at, "sheet.tif", &sheet);
    let scene = format!(
        "{HEAD}plate \"frames/bare.tif\" name=\"bare\"\nmask \"bottle\" {{ piece plate=\"bare\" }}\n\
         element \"sheet\" {{ frame \"frames/sheet.tif\"; mask {{ rect 10 10 70 100 }}; behind \"bottle\" }}\n{MASTER}"
    );
    rendered(&at, &scene, &[]);
    let out = light(&at.join("out.tif"));
    let (mut worst, mut sum, mut count) = (0.0f32, 0.0f64, 0);
    for y in 12..108 {
        for x in 12..78 {
            let m = soft(x, y);
            for (k, colour) in product.iter().enumerate() {
                let error = out[((y * W + x) * 3) as usize + k] - (m * colour + (1.0 - m) * 0.9);
                worst = worst.max(error.abs());
                if 0.0 < m && m < 1.0 {
                    sum += f64::from(error);
                    count += 1;
                }
            }
        }
    }
    // What is left is how well the product's own coverage was found.
    assert!(worst < 0.12, "{worst}");
    assert!(
        (sum / f64::from(count)).abs() < 0.01,
        "{}",
        sum / f64::from(count)
    );
}

/// However it is cut up: a shadow, added light, a mend, blur, and a piece behind a soft edge of the product.
#[test]
fn threads_and_tiles_change_no_byte() {
    let at = folder("effects-cut-up");
    let bare = set(9);
    let plate = mapped(&bare, |x, y, k, v| {
        let m = disc(x, y, 40.0, 60.0, 24.0, 6.0);
        m * [0.05, 0.1, 0.6][k] + (1.0 - m) * v
    });
    let hung = mapped(&plate, |x, y, _, v| {
        let (m, shadow) = (
            disc(x, y, 115.0, 45.0, 20.0, 3.0),
            disc(x, y, 115.0, 90.0, 16.0, 20.0),
        );
        m * 0.85 + (1.0 - m) * v * (1.0 - 0.3 * shadow)
    });
    write(&at, "bare.tif", &bare);
    write(&at, "plate.tif", &plate);
    write(&at, "hung.tif", &hung);
    let text = format!(
        "{HEAD}plate \"frames/bare.tif\" name=\"bare\"\nmask \"bottle\" {{ piece plate=\"bare\" }}\n\
         each {{ mask {{ piece }}; align #false; balance #false }}\n\
         element \"a\" {{ frame \"frames/hung.tif\"; mend {{ rect 112 20 6 40 }}; shadow; offset -70.5 0; behind \"bottle\" }}\n\
         element \"b\" blend=\"plus-lighter\" {{ frame \"frames/hung.tif\"; rotate 20; offset -30 20; defocus 3.5 }}\n{MASTER}"
    );
    std::fs::write(at.join("scene.kdl"), text).unwrap();
    let one = made(&at, "one", Shape::Finished, 1, Tiling::default());
    for (threads, tile, band) in [(7, 31, 17), (2, 64, 64)] {
        let name = format!("cut-{tile}");
        let cut = made(&at, &name, Shape::Finished, threads, Tiling { tile, band });
        assert_same(&one, &cut, &format!("{threads} threads, tiles of {tile}"));
    }
}
