//! render: what is written, where, and what is never touched.

use super::{SHELF, outputs, run, run_with, shelf};
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;

fn bytes(path: &Path) -> Vec<u8> {
    fs::read(path).unwrap_or_else(|fault| panic!("{}: {fault}", path.display()))
}

#[test]
fn everything_is_written_beside_the_scene() {
    let at = shelf("render", SHELF);
    let ran = run(&at, &["render", "scene.kdl"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    insta::assert_snapshot!(ran.out, @r#"
    out/shelf-indigo.tif  96 x 80
    out/card.png          30 x 30
    "#);
    insta::assert_snapshot!(ran.err, @r#"
    look 98.09 % of the protected "label" is covered, by clip 73.09 %, curl 25.00 % [protect-covered]
      at scene.kdl:18:9
      18 | protect "label" { rect 40 20 20 20 }
         |         ^^^^^^^
      member: clip
      output: master
      place: 20 x 20 px at 40,20 of the canvas
      do: move or mask the member, or for this output only: change "clip" { nudge dx dy }

    look 98.09 % of the protected "label" is covered, by clip 73.09 %, curl 25.00 % [protect-covered]
      at scene.kdl:18:9
      18 | protect "label" { rect 40 20 20 20 }
         |         ^^^^^^^
      member: clip
      output: card
      place: 20 x 20 px at 40,20 of the canvas
      do: move or mask the member, or for this output only: change "clip" { nudge dx dy }
    "#);
    assert_eq!(outputs(&at), ["card.png", "shelf-indigo.tif"]);
}

#[test]
fn only_the_outputs_named_are_written_in_the_folder_given() {
    let at = shelf("named", SHELF);
    let ran = run(
        &at,
        &[
            "render",
            "scene.kdl",
            "card",
            "--out-dir",
            "proofs/today",
            "--set",
            "ink=crimson",
        ],
    );
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(ran.out, "proofs/today/out/card.png  30 x 30\n");
    assert!(at.join("proofs/today/out/card.png").is_file());
    assert!(!at.join("out").exists());
}

#[test]
fn a_preview_is_small_and_has_its_guides() {
    let at = shelf("preview", SHELF);
    let ran = run(&at, &["render", "scene.kdl", "master", "--preview", "48"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(ran.out, "out/shelf-indigo.tif.preview.png  48 x 40\n");
    let with = read_png(&at.join("out/shelf-indigo.tif.preview.png"));
    assert_eq!(with.dimensions(), (48, 40));
    // The same scene without guides differs in whole columns about the thirds, 16 and 32 px from the left.
    fs::write(
        at.join("scene.kdl"),
        SHELF.replace("guide x=\"1/3 2/3\"\n", ""),
    )
    .unwrap();
    assert_eq!(
        run(&at, &["render", "scene.kdl", "master", "--preview", "48"]).code,
        0
    );
    let without = read_png(&at.join("out/shelf-indigo.tif.preview.png"));
    let columns: Vec<u32> = (0..48)
        .filter(|&x| (0..40).all(|y| with.get_pixel(x, y) != without.get_pixel(x, y)))
        .collect();
    assert!(!columns.is_empty(), "guides are drawn");
    assert!(
        columns.iter().all(|x| [15, 16, 17, 31, 32, 33].contains(x)),
        "{columns:?}"
    );
}

fn read_png(path: &Path) -> image::RgbImage {
    image::load_from_memory(&bytes(path)).unwrap().to_rgb8()
}

/// A float plate with a NaN near its lower edge: only decoding can see it, when most rows are written.
#[test]
fn a_failed_render_leaves_the_previous_files_as_they_were() {
    let at = shelf("failed", SHELF);
    assert_eq!(run(&at, &["render", "scene.kdl"]).code, 0);
    let before = bytes(&at.join("out/shelf-indigo.tif"));
    let plate = at.join("frames/plate.tif");
    let whole = bytes(&plate);
    let scene = fs::read_to_string(at.join("scene.kdl")).unwrap();
    fs::write(
        at.join("scene.kdl"),
        scene.replace("frames/plate.tif", "frames/bad.tif"),
    )
    .unwrap();
    let (w, h) = (96u32, 80u32);
    let mut samples = vec![0.5f32; (w * h * 3) as usize];
    samples[(w * 70 * 3) as usize] = f32::NAN;
    super::common::rgb32f(&at.join("frames/bad.tif"), w, h, &samples);
    let ran = run(&at, &["render", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (1, ""));
    insta::assert_snapshot!(ran.err, @r#"
    stop frames/bad.tif holds NaN or infinity at pixel 0,70, channel 0 (counted from 0); every sample must be a finite number [frame-unreadable]
      at scene.kdl:5:7
      5 | plate "frames/bad.tif"
        |       ^^^^^^^^^^^^^^^^
      frame: frames/bad.tif

    1 thing to put right; no picture was written
    "#);
    assert_eq!(bytes(&at.join("out/shelf-indigo.tif")), before);
    assert_eq!(outputs(&at), ["card.png", "shelf-indigo.tif"]);
    assert_eq!(bytes(&plate), whole);
}

/// Pixels are read one file after the other; what is broken is told in one run all the same, each file at its line.
#[test]
fn all_damaged_files_are_told_at_once() {
    let scene = "scene \"shelf\" language=1\nplate \"frames/plate.tif\"\n\
        element \"a\" { frame \"frames/bad-1.tif\" }\nelement \"b\" { frame \"frames/bad-2.tif\"; mask { all } }\n\
        output \"master\" { file \"master.tif\" }\n";
    let at = shelf("broken", scene);
    let (w, h) = (96u32, 80u32);
    for (name, row) in [("bad-1", 70), ("bad-2", 3)] {
        let mut samples = vec![0.5f32; (w * h * 3) as usize];
        samples[(w * row * 3) as usize] = f32::INFINITY;
        super::common::rgb32f(&at.join(format!("frames/{name}.tif")), w, h, &samples);
    }
    for verb in ["render", "explain", "pin"] {
        let ran = run(&at, &[verb, "scene.kdl"]);
        assert_eq!((ran.code, ran.out.as_str()), (1, ""), "{verb}");
        let told: Vec<&str> = ran.err.lines().filter(|l| l.starts_with("  at ")).collect();
        assert_eq!(
            told,
            ["  at scene.kdl:3:21", "  at scene.kdl:4:21"],
            "{verb}"
        );
    }
    assert!(!at.join("master.tif").exists());
    // Without a scene there is no line to point at.
    let typed = [
        "cutout",
        "frames/bad-1.tif",
        "--plate",
        "frames/bad-2.tif",
        "--out",
        "cut",
    ];
    let ran = run(&at, &typed);
    assert_eq!((ran.code, ran.out.as_str()), (1, ""));
    let told: Vec<&str> = ran.err.lines().filter(|l| l.starts_with("stop ")).collect();
    assert_eq!(told.len(), 2, "{}", ran.err);
    assert!(!ran.err.contains("  at "), "{}", ran.err);
}

#[test]
fn an_output_over_an_input_is_refused() {
    let at = shelf(
        "input",
        "scene \"shelf\" language=1\nplate \"frames/plate.tif\"\noutput \"master\" { file \"frames/plate.tif\" }\n",
    );
    let before = bytes(&at.join("frames/plate.tif"));
    let ran = run(&at, &["render", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (1, ""));
    insta::assert_snapshot!(ran.err, @r#"
    stop frames/plate.tif is also read by this scene (frames/plate.tif) [output-is-input]
      at scene.kdl:3:24
      3 | output "master" { file "frames/plate.tif" }
        |                        ^^^^^^^^^^^^^^^^^^
      output: master
      do: give the output another name

    1 thing to put right; no picture was written
    "#);
    assert_eq!(bytes(&at.join("frames/plate.tif")), before);
    // Known before a pixel is read.
    let checked = run(&at, &["check", "scene.kdl"]);
    let told = ran.err.replace("; no picture was written", "");
    assert_eq!((checked.code, checked.err), (1, told));
}

#[test]
fn links_in_the_output_folder_are_not_followed() {
    let at = shelf("links", SHELF);
    fs::create_dir(at.join("elsewhere")).unwrap();
    fs::create_dir(at.join("out")).unwrap();
    fs::write(at.join("elsewhere/precious.png"), "precious").unwrap();
    symlink("../elsewhere/precious.png", at.join("out/card.png")).unwrap();
    let ran = run(&at, &["render", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    insta::assert_snapshot!(ran.err, @r#"
    stop out/card.png can't be written: ./out/card.png is a symbolic link, not a file: it is left alone; remove it or choose another file [output-unwritable]
      at scene.kdl:22:22
      22 | output "card" { file "out/card.png"; crop 10 10 60 60; size 30 30 }
         |                      ^^^^^^^^^^^^^^
      output: card

    1 thing to put right; no picture was written
    "#);
    assert_eq!(bytes(&at.join("elsewhere/precious.png")), b"precious");
    assert_eq!(outputs(&at), ["card.png"], "nothing else was written");
    // A folder that is a link is not gone through either.
    fs::remove_file(at.join("out/card.png")).unwrap();
    fs::remove_dir(at.join("out")).unwrap();
    symlink("elsewhere", at.join("out")).unwrap();
    let ran = run(&at, &["render", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert_eq!(fs::read_dir(at.join("elsewhere")).unwrap().count(), 1);
}

#[test]
fn a_folder_that_cannot_be_written_is_2() {
    let at = shelf("folder", SHELF);
    fs::write(at.join("taken"), "a file").unwrap();
    let ran = run(&at, &["render", "scene.kdl", "--out-dir", "taken"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    insta::assert_snapshot!(ran.err, @r#"
    stop could not make the output folder taken: File exists (os error 17) [folder-unwritable]
      do: give a folder of your own that can be written: --out-dir DIR

    1 thing to put right; no picture was written
    "#);
    // Permissions do not bind every user: only where they do can this be seen.
    let locked = at.join("locked");
    fs::create_dir(&locked).unwrap();
    fs::set_permissions(&locked, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(locked.join("probe"), "").is_err() {
        let ran = run(&at, &["render", "scene.kdl", "--out-dir", "locked"]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    }
}

#[test]
fn too_little_memory_is_2_and_leaves_nothing() {
    let at = shelf("memory", SHELF);
    let ran = run(&at, &["render", "scene.kdl", "--memory", "1MiB"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("[out-of-memory]"), "{}", ran.err);
    assert!(ran.err.contains("--memory"), "{}", ran.err);
    assert_eq!(outputs(&at), Vec::<String>::new());
}

/// reproducible-builds.org: SOURCE_DATE_EPOCH is whole seconds since 1970, and 1,000,000,000 is 2001-09-09 01:46:40.
#[test]
fn a_date_is_written_only_when_it_is_given() {
    let at = shelf("date", SHELF);
    let master = at.join("out/shelf-indigo.tif");
    let says = |text: &str| {
        let bytes = bytes(&master);
        bytes
            .windows(text.len())
            .any(|part| part == text.as_bytes())
    };
    assert_eq!(run(&at, &["render", "scene.kdl"]).code, 0);
    assert!(!says("2001:09:09"));
    let first = bytes(&master);
    assert_eq!(run(&at, &["render", "scene.kdl", "--threads", "3"]).code, 0);
    assert_eq!(bytes(&master), first, "no clock goes into a file");
    let dated = run_with(
        &at,
        &["render", "scene.kdl"],
        "SOURCE_DATE_EPOCH",
        "1000000000",
    );
    assert_eq!(dated.code, 0);
    assert!(says("2001:09:09 01:46:40"));
    let ran = run_with(
        &at,
        &["render", "scene.kdl"],
        "SOURCE_DATE_EPOCH",
        "yesterday",
    );
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    insta::assert_snapshot!(ran.err, @r#"
    stop the environment's SOURCE_DATE_EPOCH is "yesterday", which is no date [date-unreadable]
      allowed: whole seconds since 1970-01-01, or leave it unset for no date

    1 thing to put right; no picture was written
    "#);
}

#[test]
fn a_scene_without_outputs_says_what_to_add() {
    let at = shelf(
        "no-outputs",
        "scene \"shelf\" language=1\nplate \"frames/plate.tif\"\n",
    );
    let ran = run(&at, &["render", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (1, ""));
    insta::assert_snapshot!(ran.err, @r#"
    stop the scene has no output switched on, so there is nothing to write [no-outputs]
      do: add one: output "master" { file "out/{scene}.tif" }

    1 thing to put right; no picture was written
    "#);
}
