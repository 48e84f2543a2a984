//! check, explain and at: what is said about a scene.

use super::{SHELF, run, shelf};
use std::fs;
use std::io::Read;
use std::process::Stdio;

#[test]
fn a_good_scene_is_told_what_was_checked() {
    let at = shelf("check", SHELF);
    let ran = run(&at, &["check", "scene.kdl"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    insta::assert_snapshot!(ran.out, @r#"
    shelf: nothing stands in the way
    checked: the scene's text, 3 frames, 1 painted mask and 2 outputs; pixels are read by render
    "#);
    assert!(!at.join("out").exists(), "check writes nothing");
}

/// Twelve faults of twelve kinds, each told with file, line and column.
#[test]
fn twelve_faults_are_told_together() {
    let at = shelf(
        "faults",
        r##"scene "shelf" language=1
plate "frames/plate.tif"
element "clip" opacty=0.5 { frame "frames/clip.tif"; mask { all } }
element "curl" opacity=1.5 { frame "frames/curl.tif"; mask { all } }
element "curl" { frame "frames/curl.tif"; mask { all } }
element "nib" { frame "frames/clip.tif"; mask { mask "bottle" }; offset 1 }
element "drop" { frame "frames/clip.tif"; mask { piece } }
element "wire" blend="multipli" { frame "frames/clip.tif"; mask { all } }
shade "clip"
protect { all }
element "bead" { frame "frames/{tone}.tif"; mask { all } }
output "master" { file "out/a.bmp" }
output "card" { file "out/card.png"; depth 12 }
output "web" { file "../web.jpg"; hide "clap" }
"##,
    );
    let ran = run(&at, &["check", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (1, ""));
    let told = ran.err.lines().filter(|line| line.starts_with("stop "));
    assert!(told.count() >= 12, "{}", ran.err);
    insta::assert_snapshot!(ran.err, @r#"
    stop `opacty` is no property of `element` [unknown-property]
      at scene.kdl:3:16
      3 | element "clip" opacty=0.5 { frame "frames/clip.tif"; mask { all } }
        |                ^^^^^^
      allowed: order, opacity, blend, in, off, plate
      nearest: opacity

    stop `opacity` can't be 1.5 [out-of-range]
      at scene.kdl:4:24
      4 | element "curl" opacity=1.5 { frame "frames/curl.tif"; mask { all } }
        |                        ^^^
      allowed: a number from 0 to 1

    stop two members here are called "curl" [duplicate-name]
      at scene.kdl:5:9
      5 | element "curl" { frame "frames/curl.tif"; mask { all } }
        |         ^^^^^^
      at scene.kdl:4:9
      4 | element "curl" opacity=1.5 { frame "frames/curl.tif"; mask { all } }
        |         ^^^^^^ the first one
      do: give one another name

    stop a named mask lies in canvas space, and this element's mask in its frame's [mask-in-element]
      at scene.kdl:6:49
      6 | element "nib" { frame "frames/clip.tif"; mask { mask "bottle" }; offset 1 }
        |                                                 ^^^^^^^^^^^^^
      do: write `behind "name"` in the element, beside its mask: what the named mask covers stands before it

    stop `offset` needs 2 arguments and has 1 [missing-argument]
      at scene.kdl:6:66
      6 | element "nib" { frame "frames/clip.tif"; mask { mask "bottle" }; offset 1 }
        |                                                                  ^^^^^^^^
      allowed: offset dx dy

    stop `blend` can't be "multipli" [unknown-value]
      at scene.kdl:8:22
      8 | element "wire" blend="multipli" { frame "frames/clip.tif"; mask { all } }
        |                      ^^^^^^^^^^
      allowed: "normal", "multiply", "screen", "overlay", "darken", "lighten", "color-dodge", "color-burn", "hard-light", "soft-light", "difference", "exclusion", "hue", "saturation", "color", "luminosity", "plus-lighter"
      nearest: multiply

    stop `shade` is no node of a scene [unknown-node]
      at scene.kdl:9:1
      9 | shade "clip"
        | ^^^^^
      allowed: backdrop, working, each, series, include, canvas, extend, correct, guide, scene, param, plate, safe, protect, row, mask, group, element, output
      nearest: safe

    stop `protect` has no argument [missing-argument]
      at scene.kdl:10:1
      10 | protect { all }
         | ^^^^^^^
      allowed: protect "name" { a mask body }

    stop no parameter is called "tone" [unknown-parameter]
      at scene.kdl:11:24
      11 | element "bead" { frame "frames/{tone}.tif"; mask { all } }
         |                        ^^^^^^^^^^^^^^^^^^^
      allowed: no parameters: the scene declares none; built in: scene, output, row

    stop no format is known by .bmp [unknown-format]
      at scene.kdl:12:24
      12 | output "master" { file "out/a.bmp" }
         |                        ^^^^^^^^^^^
      allowed: .tif, .png, .jpg, .webp

    stop `depth` can't be 12 [unknown-value]
      at scene.kdl:13:44
      13 | output "card" { file "out/card.png"; depth 12 }
         |                                            ^^
      allowed: 8, 16 or 32 (floating point) bits a channel

    stop "../web.jpg" leaves the output folder by `..` [unsafe-file]
      at scene.kdl:14:21
      14 | output "web" { file "../web.jpg"; hide "clap" }
         |                     ^^^^^^^^^^^^
      allowed: a path inside the output folder, with `/` between folders
      do: choose the output folder itself on the command line with --out-dir

    stop no element or group is called "clap" [unknown-member]
      at scene.kdl:14:40
      14 | output "web" { file "../web.jpg"; hide "clap" }
         |                                        ^^^^^^
      allowed: bead, clip, curl, drop, nib, wire
      nearest: clip

    13 things to put right
    "#);
}

#[test]
fn files_that_cannot_be_used_are_named() {
    let at = shelf(
        "files",
        "scene \"shelf\" language=1\nplate \"frames/plate.tif\"\nelement \"a\" { frame \"frames/gone.tif\"; mask { all } }\nelement \"b\" { frame \"scene.kdl\"; mask { all } }\nelement \"c\" { frame \"frames\"; mask { all } }\noutput \"master\" { file \"a.tif\" }\n",
    );
    let ran = run(&at, &["check", "scene.kdl"]);
    assert_eq!(ran.code, 1);
    insta::assert_snapshot!(ran.err, @r#"
    stop frames/gone.tif can't be read: there is no such file [frame-unreadable]
      at scene.kdl:3:21
      3 | element "a" { frame "frames/gone.tif"; mask { all } }
        |                     ^^^^^^^^^^^^^^^^^
      frame: frames/gone.tif

    stop scene.kdl is not a picture this program reads: TIFF, PNG and JPEG are allowed; save it as 16-bit TIFF with its profile [frame-unreadable]
      at scene.kdl:4:21
      4 | element "b" { frame "scene.kdl"; mask { all } }
        |                     ^^^^^^^^^^^
      frame: scene.kdl

    stop frames is a folder; a picture must be a regular file [frame-unreadable]
      at scene.kdl:5:21
      5 | element "c" { frame "frames"; mask { all } }
        |                     ^^^^^^^^
      frame: frames

    3 things to put right
    "#);
}

/// A scene is put right in one go: a misspelt word hides no missing file, wherever the file is named.
#[test]
fn missing_files_are_told_beside_misspelt_words() {
    let at = shelf(
        "words-and-files",
        r##"scene "shelf" language=1
plate "frames/plate.tif" "gone/plate-2.tif"
mask "front" { image "gone/front.png" }
group "clips" {
  mask { image "gone/group.png" }
  element "clip" {
    frame "gone/clip.tif"
    scael 2
    mask { piece { card "gone/card.tif" }; cut { image "gone/cut.png" } }
    mend from="gone/other.tif" { rig }
    shadow { within { image "gone/within.png" } }
  }
}
element "curl" { frame "frames/curl.tif"; mask { all } }
output "card" { file "card.tif"; change "curl" { frame "gone/curl-2.tif" } }
"##,
    );
    let ran = run(&at, &["check", "scene.kdl"]);
    assert_eq!(ran.code, 1);
    let told: Vec<&str> = ran
        .err
        .lines()
        .filter_map(|line| line.strip_prefix("stop "))
        .collect();
    let missing =
        |name: &str| format!("gone/{name} can't be read: there is no such file [frame-unreadable]");
    // In the order of the text.
    assert_eq!(
        told,
        [
            &missing("plate-2.tif"),
            &missing("front.png"),
            &missing("group.png"),
            &missing("clip.tif"),
            "`scael` is no node of an element [unknown-node]",
            &missing("card.tif"),
            &missing("cut.png"),
            &missing("other.tif"),
            &missing("within.png"),
            &missing("curl-2.tif"),
        ]
    );
}

#[test]
fn what_was_typed_wrong_is_2_and_named() {
    let at = shelf("typed", SHELF);
    let cases: [&[&str]; 6] = [
        &["check", "gone.kdl"],
        &["check", "frames"],
        &["check", "scene.kdl", "portrait"],
        &["check", "scene.kdl", "--set", "inc=red"],
        &["check", "scene.kdl", "--set", "ink=a", "--set", "ink=b"],
        &["at", "scene.kdl", "96", "10"],
    ];
    let mut told = String::new();
    for typed in cases {
        let ran = run(&at, typed);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{typed:?}");
        told.push_str(&ran.err);
    }
    insta::assert_snapshot!(told, @r#"
    stop "gone.kdl" can't be read: there is no such file [unreadable]
      do: check the path; it is relative to the folder you are in

    1 thing to put right
    stop "frames" can't be read: it is a folder, and a text file is needed [unreadable]
      do: check the path; it is relative to the folder you are in

    1 thing to put right
    stop the scene has no output "portrait" [unknown-output]
      allowed: master, card

    1 thing to put right
    stop --set gives "inc", and the scene declares no such parameter [unknown-parameter]
      allowed: ink
      nearest: ink

    1 thing to put right
    stop --set gives "ink" twice [set-twice]
      do: keep one

    1 thing to put right
    stop the point 96, 10 lies outside the canvas [point-outside]
      allowed: x from 0 to below 96, y from 0 to below 80

    1 thing to put right
    "#);
}

#[test]
fn a_parameter_is_set_from_outside() {
    let at = shelf("set", SHELF);
    let ran = run(
        &at,
        &["explain", "scene.kdl", "master", "--set", "ink=crimson"],
    );
    assert_eq!(ran.code, 0);
    assert!(ran.out.contains("out/shelf-crimson.tif"), "{}", ran.out);
    // A value that lands in a file name can't leave the folder.
    let ran = run(&at, &["check", "scene.kdl", "--set", "ink=../../x"]);
    assert_eq!(ran.code, 1);
}

#[test]
fn explain_says_what_lands_where() {
    let at = shelf("explain", SHELF);
    let ran = run(&at, &["explain", "scene.kdl", "--threads", "1"]);
    assert_eq!(ran.code, 0);
    let (page, memory) = ran.out.split_once("Memory: ").unwrap();
    insta::assert_snapshot!(page, @r#"
    shelf

    Reads
      frames/plate.tif      96 x 80  16-bit RGB  sRGB (IEC 61966-2-1)
      frames/clip.tif       96 x 80  16-bit RGB  sRGB (IEC 61966-2-1)
      frames/curl.tif       96 x 80  16-bit RGB  sRGB (IEC 61966-2-1)
      frames/clip-mask.tif  96 x 80  mask

    Order, back to front, for master, card
      a canvas of 96 x 80 px, its corner at 0,0
      the plate frames/plate.tif
      clip  frames/clip.tif  47 x 47 at 29,13  moved 12 -4, turned 10, about 40.5, 40.5, lanczos3
      curl  frames/curl.tif  20 x 20 at 30,20  samples copied, opacity 0.5

    Writes
      master  out/shelf-indigo.tif  96 x 80  16-bit TIFF, deflate  sRGB (IEC 61966-2-1)
      card    out/card.png          30 x 30  8-bit PNG             sRGB (IEC 61966-2-1)
    "#);
    assert!(memory.starts_with("about ") && memory.contains(" MiB with 1 thread; 8 GiB"));
    insta::assert_snapshot!(ran.err, @r#"
    note clip turns about 40.5, 40.5, the centre of what its mask keeps [pivot-computed]
      at scene.kdl:7:9
      7 | element "clip" {
        |         ^^^^^^
      member: clip
      do: to keep it when the mask changes: pivot 40.5 40.5
    "#);
    assert!(!at.join("out").exists(), "explain writes nothing");
}

#[test]
fn at_names_who_is_there_front_to_back() {
    let at = shelf("at", SHELF);
    let ran = run(&at, &["at", "scene.kdl", "44.5", "30.25"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    insta::assert_snapshot!(ran.out, @r#"
    44.5, 30.25 of "master", front to back
      curl       frames/curl.tif   at 44.50, 30.25  covers 50.0 %   shows 50.0 %
      clip       frames/clip.tif   at 31.54, 35.73  covers 100.0 %  shows 50.0 %
      the plate  frames/plate.tif
    "#);
    let ran = run(&at, &["at", "scene.kdl", "0", "0"]);
    insta::assert_snapshot!(ran.out, @r#"
    0, 0 of "master", front to back
      the plate  frames/plate.tif
    "#);
}

#[test]
fn a_reader_that_stops_early_is_no_fault() {
    let at = shelf("pipe", SHELF);
    for typed in [
        ["explain", "scene.kdl"],
        ["completions", "zsh"],
        ["--help", "--json"],
    ] {
        let mut child = super::program(&at, &typed)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let mut told = String::new();
        let mut err = child.stderr.take().unwrap();
        err.read_to_string(&mut told).unwrap();
        assert_eq!(child.wait().unwrap().code(), Some(0), "{typed:?}: {told}");
        assert!(!told.contains("panicked"), "{told}");
    }
}

/// Linux: every write to this device says that the disk is full (full(4)).
#[test]
fn results_that_cannot_be_written_are_told() {
    let at = shelf("full", SHELF);
    let full = fs::OpenOptions::new().write(true).open("/dev/full");
    let output = super::program(&at, &["explain", "scene.kdl"])
        .stdout(full.unwrap())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(told.contains("standard output can't be written"), "{told}");
}
