//! Outputs as a user writes them: crops, per-output changes, canvases, members, protected areas.

mod common;

use common::{folder, noise, read16, render, rendered, rgb16, rgba16};
use platewright::color::Named;
use std::path::{Path, PathBuf};

const W: u32 = 300;
const H: u32 = 260;

/// A plate and three opaque square pieces of flat colour.
fn shoot(name: &str) -> PathBuf {
    let at = folder(name);
    rgb16(
        &at.join("frames/plate.tif"),
        W,
        H,
        &noise(1, (W * H * 3) as usize),
        Named::Srgb,
    );
    for (k, colour) in [
        [60_000, 1_000, 2_000],
        [3_000, 50_000, 4_000],
        [5_000, 6_000, 40_000],
    ]
    .into_iter()
    .enumerate()
    {
        let codes: Vec<u16> = (0..40 * 40).flat_map(|_| colour).collect();
        rgb16(
            &at.join(format!("frames/p{k}.tif")),
            40,
            40,
            &codes,
            Named::Srgb,
        );
    }
    at
}

fn scene(body: &str) -> String {
    format!(
        "scene \"t\" language=1\nplate \"frames/plate.tif\"\neach {{ mask {{ all }} }}\n{body}\n"
    )
}

struct Image {
    width: u32,
    codes: Vec<u16>,
}

impl Image {
    fn read(path: &Path) -> Image {
        let (width, _, codes) = read16(path);
        Image { width, codes }
    }

    /// The red, green and blue code at a pixel of an RGB picture.
    fn at(&self, x: u32, y: u32) -> [u16; 3] {
        let at = ((y * self.width + x) * 3) as usize;
        self.codes[at..at + 3].try_into().unwrap()
    }
}

const RED: [u16; 3] = [60_000, 1_000, 2_000];
const GREEN: [u16; 3] = [3_000, 50_000, 4_000];
const BLUE: [u16; 3] = [5_000, 6_000, 40_000];

#[test]
fn a_crop_is_a_window_of_the_master() {
    let at = shoot("crop");
    rendered(
        &at,
        &scene(
            "element \"a\" { frame \"frames/p0.tif\"; offset 30.3 40.6; rotate 21 }\n\
             output \"master\" { file \"m.tif\" }\n\
             output \"crop\" { file \"c.tif\"; crop 17 33 101 77 }\n\
             output \"ratio\" { file \"r.tif\"; crop \"1:1\" { centre 290 10; zoom 2 } }",
        ),
        &[],
    );
    let (master, crop) = (
        Image::read(&at.join("m.tif")),
        Image::read(&at.join("c.tif")),
    );
    assert_eq!((crop.width, crop.codes.len()), (101, 101 * 77 * 3));
    for y in 0..77 {
        for x in 0..101 {
            assert_eq!(crop.at(x, y), master.at(x + 17, y + 33));
        }
    }
    // Rule 11 by hand: 260 / 2 = 130 a side, pushed into the top right corner.
    let ratio = Image::read(&at.join("r.tif"));
    assert_eq!((ratio.width, ratio.codes.len()), (130, 130 * 130 * 3));
    assert_eq!(ratio.at(0, 0), master.at(170, 0));
}

#[test]
fn changes_are_for_one_output_only() {
    let at = shoot("changes");
    rendered(
        &at,
        &scene(
            "group \"g\" {\n element \"a\" { frame \"frames/p0.tif\"; offset 10 20 }\n\
             element \"b\" off=#true { frame \"frames/p1.tif\"; offset 100 20 }\n }\n\
             element \"c\" { frame \"frames/p2.tif\"; offset 10 100 }\n\
             output \"master\" { file \"m.tif\" }\n\
             output \"web\" { file \"w.tif\"\n change \"g/a\" { nudge 5 -7 }\n show \"g/b\"\n hide \"c\" }\n\
             output \"other\" { file \"o.tif\"\n change \"g\" { nudge 50 0 }\n change \"c\" { frame \"frames/p1.tif\"; offset 200 200 } }",
        ),
        &[],
    );
    let plate = Image::read(&at.join("frames/plate.tif"));
    let master = Image::read(&at.join("m.tif"));
    assert_eq!((master.at(10, 20), master.at(49, 59)), (RED, RED));
    assert_eq!(master.at(110, 30), plate.at(110, 30));
    assert_eq!(master.at(10, 100), BLUE);
    let web = Image::read(&at.join("w.tif"));
    assert_eq!((web.at(15, 13), web.at(54, 52)), (RED, RED));
    assert_eq!(web.at(14, 13), plate.at(14, 13));
    assert_eq!(web.at(110, 30), GREEN);
    assert_eq!(web.at(20, 110), plate.at(20, 110));
    let other = Image::read(&at.join("o.tif"));
    assert_eq!(other.at(60, 20), RED);
    assert_eq!(other.at(59, 20), plate.at(59, 20));
    assert_eq!(
        (other.at(200, 200), other.at(10, 100)),
        (GREEN, plate.at(10, 100))
    );
}

/// A plain group does not hold its members at one depth; an isolated one does.
#[test]
fn order_goes_across_plain_groups() {
    let at = shoot("order");
    let body = |isolate: &str| {
        scene(&format!(
            "group \"g\" {isolate} order=5 {{\n element \"a\" order=30 {{ frame \"frames/p0.tif\" }}\n\
             element \"b\" {{ frame \"frames/p1.tif\"; offset 20 0 }}\n }}\n\
             element \"c\" order=10 {{ frame \"frames/p2.tif\"; offset 10 0 }}\n\
             output \"master\" {{ file \"m.tif\" }}"
        ))
    };
    rendered(&at, &body(""), &[]);
    // Back to front: b (5, its group's), c (10), a (30).
    let m = Image::read(&at.join("m.tif"));
    assert_eq!((m.at(35, 5), m.at(45, 5), m.at(55, 5)), (RED, BLUE, GREEN));
    rendered(&at, &body("isolate=#true"), &[]);
    // The group as one at 5, inside it b at 0 and a at 30; then c.
    let m = Image::read(&at.join("m.tif"));
    assert_eq!((m.at(5, 5), m.at(35, 5), m.at(55, 5)), (RED, BLUE, GREEN));
    // Inside it its own order counts for nothing: b stays at 0 and a, at 30, over it.
    rendered(
        &at,
        &body("isolate=#true").replace("order=5 {", "order=40 {"),
        &[],
    );
    let m = Image::read(&at.join("m.tif"));
    assert_eq!((m.at(5, 5), m.at(35, 5), m.at(55, 5)), (RED, RED, GREEN));
}

#[test]
fn each_is_replaced_node_by_node() {
    let at = shoot("each");
    rendered(
        &at,
        &scene(
            "group \"g\" {\n each { offset 100 0; mask { rect 0 0 20 40 } }\n\
             element \"a\" { frame \"frames/p0.tif\" }\n\
             element \"b\" { frame \"frames/p1.tif\"; offset #false; mask { all } }\n }\n\
             output \"master\" { file \"m.tif\" }",
        ),
        &[],
    );
    let plate = Image::read(&at.join("frames/plate.tif"));
    let m = Image::read(&at.join("m.tif"));
    assert_eq!((m.at(119, 5), m.at(120, 5)), (RED, plate.at(120, 5)));
    assert_eq!((m.at(0, 0), m.at(39, 39)), (GREEN, GREEN));
}

#[test]
fn a_canvas_may_show_more_than_the_plate() {
    let at = shoot("canvas");
    rendered(
        &at,
        &scene(
            "canvas -20 -10 340 280\nbackdrop \"#ff0000\"\n\
             element \"a\" { frame \"frames/p0.tif\"; offset -20 -10 }\n\
             output \"plain\" { file \"p.tif\" }\n\
             output \"reflect\" { file \"r.tif\"; extend \"reflect\" }\n\
             output \"pad\" { file \"e.tif\"; extend \"pad\" }\n\
             output \"colour\" { file \"c.tif\"; extend \"#00ff00\" }\n\
             output \"own\" { file \"o.tif\"; canvas 290 250 }",
        ),
        &[],
    );
    let plate = Image::read(&at.join("frames/plate.tif"));
    let plain = Image::read(&at.join("p.tif"));
    assert_eq!((plain.at(0, 0), plain.at(339, 279)), (RED, [65_535, 0, 0]));
    assert_eq!(plain.at(100, 100), plate.at(80, 90));
    let reflect = Image::read(&at.join("r.tif"));
    assert_eq!(reflect.at(19, 100), plate.at(0, 90));
    assert_eq!(reflect.at(15, 100), plate.at(4, 90));
    assert_eq!(reflect.at(325, 275), plate.at(294, 254));
    let pad = Image::read(&at.join("e.tif"));
    assert_eq!(
        (pad.at(2, 100), pad.at(339, 279)),
        (plate.at(0, 90), plate.at(299, 259))
    );
    assert_eq!(Image::read(&at.join("c.tif")).at(339, 279), [0, 65_535, 0]);
    let own = Image::read(&at.join("o.tif"));
    assert_eq!((own.width, own.at(289, 249)), (290, plate.at(289, 249)));
}

#[test]
fn a_member_comes_alone_on_transparency() {
    let at = shoot("member");
    rendered(
        &at,
        &scene(
            "group \"g\" opacity=0.5 { offset 7 0\n element \"a\" { frame \"frames/p0.tif\" }\n\
             element \"b\" { frame \"frames/p1.tif\"; offset 60 0 } }\n\
             output \"a\" { file \"a.tif\"; member \"g/a\" }\n\
             output \"g\" { file \"g.tif\"; member \"g\" }",
        ),
        &[],
    );
    let (w, h, codes) = read16(&at.join("a.tif"));
    assert_eq!((w, h, codes.len()), (W, H, (W * H * 4) as usize));
    let pixel = |codes: &[u16], x: u32, y: u32| codes[((y * W + x) * 4) as usize..][..4].to_vec();
    assert_eq!(pixel(&codes, 7, 0), [60_000, 1_000, 2_000, 65_535]);
    assert_eq!(pixel(&codes, 6, 0), [0, 0, 0, 0]);
    assert_eq!(pixel(&codes, 70, 0), [0, 0, 0, 0]);
    let (_, _, codes) = read16(&at.join("g.tif"));
    assert_eq!(pixel(&codes, 7, 0), [60_000, 1_000, 2_000, 32_768]);
    assert_eq!(pixel(&codes, 70, 0), [3_000, 50_000, 4_000, 32_768]);
}

#[test]
fn half_a_transparent_piece_is_flattened_on_a_background() {
    let at = shoot("flatten");
    let codes: Vec<u16> = (0..40 * 40)
        .flat_map(|_| [65_535, 65_535, 65_535, 32_768])
        .collect();
    rgba16(&at.join("frames/veil.tif"), 40, 40, &codes, Named::Srgb);
    let body = "scene \"t\" language=1\ncanvas 40 40\n\
        element \"v\" { frame \"frames/veil.tif\"; mask { all } }\n";
    rendered(
        &at,
        &format!("{body}output \"o\" {{ file \"o.tif\"; background \"#000000\" }}"),
        &[],
    );
    let image = Image::read(&at.join("o.tif"));
    // 32768/65535 of white light over black, encoded by IEC 61966-2-1.
    let light = 32_768.0 / 65_535.0;
    let want = ((1.055 * libm::pow(light, 1.0 / 2.4) - 0.055) * 65_535.0 + 0.5).floor() as u16;
    assert_eq!(image.at(20, 20), [want; 3]);
    // The same into a JPEG without a background is refused before anything is written.
    let jpeg = format!("{body}output \"o\" {{ file \"o.jpg\" }}");
    assert_eq!(render(&at, &jpeg, &[]), 1);
    assert!(!at.join("o.jpg").exists());
}

#[test]
fn parameters_come_from_the_command_line() {
    let at = shoot("params");
    let text = scene(
        "param \"which\" \"p0\"\nparam \"shift\" 0\n\
         element \"a\" { frame \"frames/{which}.tif\"; offset (param)\"shift\" 0 }\n\
         output \"master\" { file \"{scene}-{which}-{output}.tif\" }",
    );
    rendered(&at, &text, &["--set", "which=p2", "--set", "shift=30"]);
    let m = Image::read(&at.join("t-p2-master.tif"));
    assert_eq!(m.at(30, 0), BLUE);
    assert_eq!(render(&at, &text, &["--set", "which=../p2"]), 1);
    // No such parameter: what was typed is wrong, not the scene.
    assert_eq!(render(&at, &text, &["--set", "wich=p2"]), 2);
}

/// `behind`: coverage is multiplied by 1 - m on the canvas, wherever the piece was moved.
#[test]
fn a_piece_stands_behind_a_drawn_mask() {
    let at = shoot("behind");
    rendered(
        &at,
        &scene(
            "mask \"bottle\" { rect 120 0 20.5 260 }\n\
             element \"a\" { frame \"frames/p0.tif\"; offset 110 50; behind \"bottle\" }\n\
             output \"master\" { file \"m.tif\" }",
        ),
        &[],
    );
    let plate = Image::read(&at.join("frames/plate.tif"));
    let m = Image::read(&at.join("m.tif"));
    assert_eq!(
        (m.at(119, 60), m.at(120, 60), m.at(139, 60)),
        (RED, plate.at(120, 60), plate.at(139, 60))
    );
    assert_eq!(m.at(141, 60), RED);
    assert!(m.at(140, 60) != RED && m.at(140, 60) != plate.at(140, 60));
}

/// Two looks a scene with two outputs: the share, who and where, worked out by hand.
#[test]
fn covered_areas_are_found_on_every_output() {
    let at = shoot("protect");
    let text = scene(
        "element \"low\" { frame \"frames/p0.tif\"; offset 100 100 }\n\
         element \"high\" opacity=0.5 { frame \"frames/p1.tif\"; offset 120 100 }\n\
         protect \"label\" { rect 110 90 40 40 }\n\
         output \"master\" { file \"m.tif\" }\n\
         output \"clear\" { file \"c.tif\"; hide \"low\"; hide \"high\" }\n\
         output \"half\" { file \"h.tif\"; crop 130 0 100 200 }",
    );
    std::fs::write(at.join("scene.kdl"), text).unwrap();
    let answer = std::process::Command::new(env!("CARGO_BIN_EXE_platewright"))
        .args(["render", "--json"])
        .env("PLATEWRIGHT_CACHE", "")
        .arg(at.join("scene.kdl"))
        .output()
        .unwrap();
    assert!(answer.status.success());
    let report: serde_json::Value = serde_json::from_slice(&answer.stdout).unwrap();
    let found: Vec<(&str, f64, &str)> = report["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|f| f["id"] == "protect-covered")
        .map(|f| {
            (
                f["output"].as_str().unwrap(),
                f["number"].as_f64().unwrap(),
                f["message"].as_str().unwrap(),
            )
        })
        .collect();
    // Label 110..150 x 90..130. low covers 110..140, high half of 120..150, rows 100..130 both.
    // Per row: low alone 10, both 20 (low shows half, high half), high alone 10 (half).
    // Covered: 30 rows x (10 + 20 + 5) = 1050 of 1600; low 30 x 20 = 600, high 30 x 15 = 450.
    assert_eq!(found.len(), 2, "{report:#}");
    let (output, share, message) = found[0];
    assert_eq!(output, "master");
    assert!((share - 1050.0 / 1600.0).abs() < 1e-6, "{share}");
    assert_eq!(
        message,
        "65.62 % of the protected \"label\" is covered, by low 37.50 %, high 28.12 %"
    );
    // In the crop from x = 130: label 20 wide, both 10, high alone 10: 30 x (10 + 5) of 800.
    let (output, share, _) = found[1];
    assert_eq!(output, "half");
    assert!((share - 450.0 / 800.0).abs() < 1e-6, "{share}");
}
