//! cutout, and render --cutouts: which files come, what they say of themselves, and what is left alone.

use super::{Ran, SHELF, run, shelf};
use crate::common::{self, gray16, read16, rgb16};
use platewright::color::{Named, Profile};
use serde_json::Value;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use tiff::decoder::Decoder;
use tiff::tags::Tag;

const W: u32 = 160;
const H: u32 = 120;

/// Whether (x, y) belongs to the piece: a card of 50 x 40 px.
fn in_piece(x: u32, y: u32) -> bool {
    (60..110).contains(&x) && (40..80).contains(&y)
}

/// A set with something to hold on to, with the noise of one exposure; `piece` puts the card before it.
fn picture(seed: u64, piece: bool) -> Vec<u16> {
    let mut dice = common::Dice::new(seed);
    let mut codes = Vec::new();
    for y in 0..H {
        for x in 0..W {
            for channel in 0..3 {
                let wood = 5000 * ((x / 13 + y / 17) % 2) + 900 * ((x * y / 40) % 5);
                let set = 20_000 + 3000 * channel + 60 * x + 40 * y + wood;
                let card = 52_000 - 9000 * channel + 150 * (x % 7);
                let level = if piece && in_piece(x, y) { card } else { set };
                codes.push((level + dice.below(121)) as u16);
            }
        }
    }
    codes
}

/// A folder with two exposures of a set and a frame.
pub fn set(name: &str) -> PathBuf {
    let at = common::folder(&format!("cli-{name}"));
    for (file, seed, piece) in [
        ("dry-1", 1, false),
        ("dry-2", 2, false),
        ("card", 3, true),
        ("card-2", 4, true),
    ] {
        let path = at.join(format!("frames/{file}.tif"));
        rgb16(&path, W, H, &picture(seed, piece), Named::DisplayP3);
    }
    at
}

const FILES: [&str; 6] = [
    "check.png",
    "colour.tif",
    "cutout.json",
    "cutout.tif",
    "matte.tif",
    "shadow.tif",
];

fn files(folder: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut names: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| !name.starts_with("NOTICE-"))
        .collect();
    names.sort();
    names
}

fn cut(at: &Path, more: &[&str]) -> Ran {
    let mut typed = vec![
        "cutout",
        "frames/card.tif",
        "--plate",
        "frames/dry-1.tif",
        "--out",
        "cut",
    ];
    typed.extend(more);
    run(at, &typed)
}

fn tag(path: &Path, tag: Tag) -> Option<Vec<u64>> {
    let file = std::io::BufReader::new(fs::File::open(path).unwrap());
    let mut decoder = Decoder::new(file).unwrap();
    let value = decoder.find_tag(tag).unwrap()?;
    Some(value.into_u64_vec().unwrap())
}

const ICC: Tag = Tag::Unknown(34675);

#[test]
fn a_card_is_cut_out_of_its_frame() {
    let at = set("cutout");
    let ran = cut(&at, &[]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(files(&at.join("cut")), FILES);
    for (line, file) in ran
        .out
        .lines()
        .zip(["matte.tif", "colour.tif", "shadow.tif"])
    {
        let said: Vec<&str> = line
            .split("  ")
            .map(str::trim)
            .filter(|cell| !cell.is_empty())
            .collect();
        assert_eq!(said, [format!("cut/{file}"), format!("{W} x {H}")]);
    }
    let read = |name: &str| {
        let (w, h, codes) = read16(&at.join("cut").join(name));
        assert_eq!((w, h), (W, H), "{name}");
        codes
    };
    let (matte, colour) = (read("matte.tif"), read("colour.tif"));
    let (shadow, both) = (read("shadow.tif"), read("cutout.tif"));
    let (_, _, frame) = read16(&at.join("frames/card.tif"));
    for y in 0..H {
        for x in 0..W {
            let k = (y * W + x) as usize;
            let inner = (64..106).contains(&x) && (44..76).contains(&y);
            let outer = !(52..118).contains(&x) || !(32..88).contains(&y);
            if inner {
                assert!(matte[k] > 60_000, "{x} {y}: {}", matte[k]);
                for c in 0..3 {
                    let (got, own) = (colour[3 * k + c], frame[3 * k + c]);
                    assert!(got.abs_diff(own) < 700, "{x} {y}: {got} {own}");
                }
            }
            if outer {
                assert!(matte[k] < 1000, "{x} {y}: {}", matte[k]);
                for c in 0..3 {
                    // Nothing shades the set: within a few per cent everywhere.
                    assert!(shadow[3 * k + c].abs_diff(32_768) < 2000, "{x} {y}");
                }
            }
            assert_eq!(both[4 * k + 3], matte[k], "{x} {y}");
            if matte[k] == 65_535 {
                assert_eq!(both[4 * k..4 * k + 3], colour[3 * k..3 * k + 3], "{x} {y}");
            }
        }
    }
    assert!(colour[..3] == [0, 0, 0], "black where colour is unknown");
    // TIFF 6.0: ExtraSamples 2 is unassociated alpha.
    assert_eq!(
        tag(&at.join("cut/cutout.tif"), Tag::ExtraSamples),
        Some(vec![2])
    );
    let bytes = |name: &str| {
        tag(&at.join("cut").join(name), ICC)
            .map(|icc| icc.iter().map(|b| *b as u8).collect::<Vec<u8>>())
    };
    let own = Profile::named(Named::DisplayP3);
    assert_eq!(bytes("colour.tif").as_deref(), Some(own.bytes()));
    assert_eq!(bytes("cutout.tif").as_deref(), Some(own.bytes()));
    assert_eq!(bytes("shadow.tif"), None, "a ratio is no colour");
    // ICC.1:2022, 10.6: a `curv` without entries is the identity.
    let gray = bytes("matte.tif").expect("the matte says it is linear");
    assert_eq!(&gray[16..20], b"GRAY");
    assert!(gray.windows(12).any(|w| w == b"curv\0\0\0\0\0\0\0\0"));
    let sheet = image::load_from_memory(&fs::read(at.join("cut/check.png")).unwrap()).unwrap();
    // Three fields beside one another and two below, 12 px between, 24 px around a piece of at least 50 x 40 px.
    assert!(sheet.width() >= 3 * (50 + 48) + 48, "{}", sheet.width());
    assert!(sheet.height() >= 2 * (40 + 48) - 48, "{}", sheet.height());
    let text = fs::read_to_string(at.join("cut/cutout.json")).unwrap();
    let facts: Value = serde_json::from_str(&text).unwrap();
    let keys: Vec<&String> = facts.as_object().unwrap().keys().collect();
    assert_eq!(
        keys,
        [
            "frame", "plate", "size", "align", "balance", "noise", "piece", "holes", "rods",
            "notices"
        ]
    );
    assert_eq!(facts["plate"], serde_json::json!(["frames/dry-1.tif"]));
    let area = facts["piece"]["area"].as_f64().unwrap();
    assert!((1800.0..2200.0).contains(&area), "{area}");
}

#[test]
fn the_same_bytes_on_any_number_of_threads_and_a_second_time() {
    let at = set("cutout-threads");
    let read = || -> Vec<Vec<u8>> {
        let read = |name: &&str| fs::read(at.join("cut").join(name)).unwrap();
        FILES.iter().map(read).collect()
    };
    assert_eq!(cut(&at, &["--threads", "1"]).code, 0);
    let first = read();
    assert_eq!(cut(&at, &["--threads", "3"]).code, 0);
    assert!(read() == first);
}

#[test]
fn areas_plates_and_profiles_are_taken_as_typed() {
    let at = set("cutout-typed");
    let mask: Vec<u16> = (0..W * H)
        .map(|k| if k % W < 85 { u16::MAX } else { 0 })
        .collect();
    gray16(&at.join("left.tif"), W, H, &mask, Named::Gray);
    let half = |more: &[&str]| {
        let ran = cut(&at, more);
        assert_eq!(ran.code, 0, "{}", ran.err);
        let (_, _, matte) = read16(&at.join("cut/matte.tif"));
        let at = |x: u32| matte[(60 * W + x) as usize];
        assert!(at(70) > 60_000 && at(100) == 0, "{} {}", at(70), at(100));
    };
    half(&["--within", "0,0 85,0 85,120 0,120"]);
    half(&["--within", "left.tif", "--sigma", "4", "--no-align"]);
    half(&["--within", "left.tif", "--align", "perspective"]);
    let ran = run(
        &at,
        &[
            "cutout",
            "frames/card.tif",
            "--plate",
            "frames/dry-1.tif",
            "frames/dry-2.tif",
            "--out",
            "two",
            "--json",
        ],
    );
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    let object: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(object["verb"], "cutout");
    assert_eq!(object["files"][0]["file"], "two/matte.tif");
    assert_eq!(object["files"][0]["width"], W);
    // A set that is not the same twice is no plate.
    let ran = cut(&at, &["--plate", "frames/card-2.tif"]);
    assert_eq!(ran.code, 1);
    assert!(ran.err.contains("[plate-differs]"), "{}", ran.err);
    // Files without a profile need one stated; others keep their own.
    let file = fs::File::create(at.join("frames/scan.tif")).unwrap();
    let mut encoder = tiff::encoder::TiffEncoder::new(file).unwrap();
    encoder
        .write_image::<tiff::encoder::colortype::RGB16>(W, H, &picture(5, true))
        .unwrap();
    let scan = |more: &[&str]| {
        let typed = [
            "cutout",
            "frames/scan.tif",
            "--plate",
            "frames/dry-1.tif",
            "--out",
            "scan",
        ];
        run(&at, &[&typed, more].concat())
    };
    let ran = scan(&[]);
    assert_eq!((ran.code, ran.out.as_str()), (1, ""));
    insta::assert_snapshot!(ran.err, @r"
    stop frames/scan.tif carries no colour profile [profile-missing]
      frame: frames/scan.tif
      do: state it: --profile srgb (or display-p3, a98-rgb, rec2020, gray, an .icc file)

    1 thing to put right
    ");
    assert!(!at.join("scan").exists());
    let ran = scan(&["--profile", "display-p3"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(scan(&["--profile", "gone.icc"]).code, 1);
}

#[test]
fn what_cannot_be_cut_out_is_told_and_nothing_is_written() {
    let at = set("cutout-hostile");
    let whole = fs::read(at.join("frames/card.tif")).unwrap();
    fs::write(at.join("frames/torn.tif"), &whole[..whole.len() / 3]).unwrap();
    rgb16(&at.join("frames/dot.tif"), 1, 1, &[9, 9, 9], Named::Srgb);
    fs::write(at.join("taken"), "a file").unwrap();
    let typed = |words: &[&str]| run(&at, &[&["cutout"], words].concat());
    let told = |words: &[&str], code: i32| {
        let ran = typed(words);
        assert_eq!((ran.code, ran.out.as_str()), (code, ""), "{}", ran.err);
        ran.err
    };
    let plate = ["--plate", "frames/dry-1.tif", "--out", "cut"];
    let with = |frame: &'static str| [&[frame], plate.as_slice()].concat();
    assert!(told(&with("frames/torn.tif"), 1).contains("[frame-unreadable]"));
    assert!(told(&with("frames/gone.tif"), 2).contains("[unreadable]"));
    insta::assert_snapshot!(told(&with("frames/dot.tif"), 1), @r"
    stop frames/dot.tif is 1 x 1 px, and frames/dry-1.tif, which it is compared with, is 160 x 120 px [frame-size]
      frame: frames/dot.tif
      do: export both at the same size, uncropped

    1 thing to put right
    ");
    let card = "frames/card.tif";
    insta::assert_snapshot!(told(&[card, "--plate", "frames/dry-1.tif", "--out", "taken"], 2), @r"
    stop could not make the output folder taken: File exists (os error 17) [folder-unwritable]
      do: give a folder of your own that can be written: --out DIR

    1 thing to put right
    ");
    let with_card = [&[card], plate.as_slice()].concat();
    let polygon = [with_card.as_slice(), &["--within", "1,1 2"]].concat();
    assert!(told(&polygon, 2).contains("is no polygon"));
    let little = [with_card.as_slice(), &["--memory", "1MiB"]].concat();
    assert!(told(&little, 2).contains("[out-of-memory]"));
    assert_eq!(files(&at.join("cut")), Vec::<String>::new());
    assert_eq!(typed(&[card]).code, 2, "a plate and a folder are needed");
    let both = [with_card.as_slice(), &["--no-align", "--align", "shift"]].concat();
    assert_eq!(typed(&both).code, 2);
    // One pixel before one pixel is a picture too.
    let dot = typed(&[
        "frames/dot.tif",
        "--plate",
        "frames/dot.tif",
        "--out",
        "dot",
    ]);
    assert_eq!(dot.code, 0, "{}", dot.err);
    assert_eq!(read16(&at.join("dot/matte.tif")), (1, 1, vec![0]));
}

#[test]
fn inputs_and_links_are_left_alone() {
    let at = set("cutout-links");
    fs::create_dir(at.join("here")).unwrap();
    fs::copy(at.join("frames/card.tif"), at.join("here/colour.tif")).unwrap();
    let before = fs::read(at.join("here/colour.tif")).unwrap();
    let plate = "frames/dry-1.tif";
    let ran = run(
        &at,
        &[
            "cutout",
            "here/colour.tif",
            "--plate",
            plate,
            "--out",
            "here",
        ],
    );
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    insta::assert_snapshot!(ran.err, @r"
    stop colour.tif is also read (here/colour.tif) [output-is-input]
      do: let the files go into a folder of their own

    1 thing to put right
    ");
    assert_eq!(fs::read(at.join("here/colour.tif")).unwrap(), before);
    assert_eq!(files(&at.join("here")), ["colour.tif"]);
    fs::create_dir(at.join("cut")).unwrap();
    fs::write(at.join("precious.png"), "precious").unwrap();
    symlink("../precious.png", at.join("cut/check.png")).unwrap();
    let ran = cut(&at, &[]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("is a symbolic link"), "{}", ran.err);
    assert_eq!(fs::read(at.join("precious.png")).unwrap(), b"precious");
    assert_eq!(
        files(&at.join("cut")),
        ["check.png"],
        "nothing half-written"
    );
}

#[test]
fn a_render_can_write_every_cutout() {
    let at = shelf("cutouts", SHELF);
    let plain = run(&at, &["render", "scene.kdl"]);
    let master = fs::read(at.join("out/shelf-indigo.tif")).unwrap();
    let ran = run(&at, &["render", "scene.kdl", "--cutouts", "--out-dir", "."]);
    assert_eq!((plain.code, ran.code), (0, 0), "{}", ran.err);
    assert!(fs::read(at.join("out/shelf-indigo.tif")).unwrap() == master);
    // These masks are drawn and painted: nothing is known of a shadow.
    let drawn: Vec<&str> = FILES.into_iter().filter(|f| *f != "shadow.tif").collect();
    for member in ["clip", "curl"] {
        assert_eq!(files(&at.join("cutouts").join(member)), drawn);
    }
    let (_, _, matte) = read16(&at.join("cutouts/curl/matte.tif"));
    let (_, _, colour) = read16(&at.join("cutouts/curl/colour.tif"));
    let (_, _, frame) = read16(&at.join("frames/curl.tif"));
    for (k, (x, y)) in (0..80)
        .flat_map(|y| (0..96).map(move |x| (x, y)))
        .enumerate()
    {
        let kept = (30..50).contains(&x) && (20..40).contains(&y);
        assert_eq!(matte[k], if kept { u16::MAX } else { 0 });
        if kept {
            assert_eq!(colour[3 * k..3 * k + 3], frame[3 * k..3 * k + 3]);
        }
    }
    let object = run(&at, &["render", "scene.kdl", "--cutouts", "--json"]);
    let object: Value = serde_json::from_str(&object.out).unwrap();
    assert_eq!(object["cutouts"][1]["member"], "curl");
    assert_eq!(
        object["cutouts"][1]["files"][0]["file"],
        "cutouts/curl/matte.tif"
    );
}

#[test]
fn a_piece_found_by_itself_is_written_and_pinned() {
    let scene = "scene \"table\" language=1\nplate \"frames/dry-1.tif\" \"frames/dry-2.tif\"\n\
        group \"cards\" {\n    element \"a\" { frame \"frames/card.tif\"; rotate 8 } // the best\n}\n\
        output \"master\" { file \"out/a.tif\" }\n";
    let at = set("cutouts-found");
    fs::write(at.join("scene.kdl"), scene).unwrap();
    let ran = run(&at, &["render", "scene.kdl", "--cutouts"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(files(&at.join("cutouts/cards-a")), FILES);
    let before = fs::read(at.join("out/a.tif")).unwrap();
    assert_eq!(run(&at, &["pin", "--check", "scene.kdl"]).code, 1);
    let ran = run(&at, &["pin", "scene.kdl"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let pinned = fs::read_to_string(at.join("scene.kdl")).unwrap();
    let line = pinned.lines().nth(3).unwrap();
    assert!(
        line.starts_with("    element \"a\" { frame \"frames/card.tif\"; align "),
        "{line}"
    );
    assert!(
        line.contains("; balance ") && line.contains("; pivot "),
        "{line}"
    );
    assert!(line.ends_with("; rotate 8 } // the best"), "{line}");
    assert_eq!(run(&at, &["render", "scene.kdl"]).code, 0);
    assert!(
        fs::read(at.join("out/a.tif")).unwrap() == before,
        "the same bytes"
    );
    let ran = run(&at, &["pin", "--check", "scene.kdl"]);
    assert_eq!(
        (ran.code, ran.out.as_str()),
        (0, "table: nothing is left to pin\n")
    );
}
