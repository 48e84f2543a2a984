//! pin: settled values in the scene's text, and pictures that stay as they were.

use super::{SHELF, run, shelf};
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;

fn text(at: &Path, file: &str) -> String {
    fs::read_to_string(at.join(file)).unwrap()
}

fn rendered(at: &Path) -> Vec<(String, Vec<u8>)> {
    let ran = run(at, &["render", "scene.kdl"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let files = super::outputs(at).into_iter();
    files
        .map(|name| {
            let bytes = fs::read(at.join("out").join(&name)).unwrap();
            (name, bytes)
        })
        .collect()
}

#[test]
fn a_pinned_scene_renders_the_same_bytes_and_stays_where_it_is() {
    let at = shelf("pin", SHELF);
    let file = at.join("scene.kdl");
    fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
    let before = rendered(&at);
    let ran = run(&at, &["pin", "--check", "scene.kdl"]);
    assert_eq!((ran.code, ran.err.as_str()), (1, ""));
    insta::assert_snapshot!(ran.out, @"scene.kdl:7  clip  pivot 40.5 40.5");
    assert_eq!(text(&at, "scene.kdl"), SHELF);
    let ran = run(&at, &["pin", "scene.kdl"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    assert_eq!(ran.out, "scene.kdl:7  clip  pivot 40.5 40.5\n");
    let pinned = SHELF.replace(
        "    frame \"frames/clip.tif\"\n",
        "    frame \"frames/clip.tif\"\n    pivot 40.5 40.5\n",
    );
    assert_eq!(text(&at, "scene.kdl"), pinned, "nothing else was touched");
    let mode = fs::metadata(&file).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o640, "permissions are kept");
    assert!(rendered(&at) == before, "the same bytes");
    let ran = run(&at, &["pin", "scene.kdl"]);
    assert_eq!(
        (ran.code, ran.out.as_str()),
        (0, "shelf: nothing is left to pin\n")
    );
    assert_eq!(run(&at, &["pin", "--check", "scene.kdl"]).code, 0);
    assert_eq!(text(&at, "scene.kdl"), pinned);
}

/// Off, hidden, in a group, in an included file, by an `each`, by `pivot #false`: each in the file where it stands.
#[test]
fn every_element_is_pinned_in_the_file_where_it_stands() {
    let at = shelf(
        "pin-files",
        r##"scene "shelf" language=1
plate "frames/plate.tif"
group "far" {
    each { rotate 5; pivot 1 1 }
    element "a" { frame "frames/clip.tif"; mask { rect 10 10 20 20 } } // stated above
    element "b" { frame "frames/clip.tif"; mask { rect 10 10 20 21 }; pivot #false }
}
element "off" off=#true { frame "frames/clip.tif"; mask { rect 0 0 8 8 }; scale 2 }
element "hidden" {
    frame "frames/clip.tif"
    mask { rect 0 0 9 8 }
    flip "vertical"
}
include "parts/more.kdl"
output "master" { file "out/a.tif"; hide "hidden" }
"##,
    );
    fs::create_dir(at.join("parts")).unwrap();
    let part =
        "element \"curl\" { frame \"../frames/curl.tif\"; rotate 90; mask { rect 2 2 4 4 } }\n";
    fs::write(at.join("parts/real.kdl"), part).unwrap();
    symlink("real.kdl", at.join("parts/more.kdl")).unwrap();
    let before = rendered(&at);
    let ran = run(&at, &["pin", "scene.kdl"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    insta::assert_snapshot!(ran.out, @r"
    scene.kdl:6       far/b   pivot 20 20.5
    scene.kdl:8       off     pivot 4 4
    scene.kdl:9       hidden  pivot 4.5 4
    parts/more.kdl:1  curl    pivot 4 4
    ");
    insta::assert_snapshot!(text(&at, "scene.kdl"), @r#"
    scene "shelf" language=1
    plate "frames/plate.tif"
    group "far" {
        each { rotate 5; pivot 1 1 }
        element "a" { frame "frames/clip.tif"; mask { rect 10 10 20 20 } } // stated above
        element "b" { frame "frames/clip.tif"; mask { rect 10 10 20 21 }; pivot 20 20.5 }
    }
    element "off" off=#true { frame "frames/clip.tif"; pivot 4 4; mask { rect 0 0 8 8 }; scale 2 }
    element "hidden" {
        frame "frames/clip.tif"
        pivot 4.5 4
        mask { rect 0 0 9 8 }
        flip "vertical"
    }
    include "parts/more.kdl"
    output "master" { file "out/a.tif"; hide "hidden" }
    "#);
    let link = fs::symlink_metadata(at.join("parts/more.kdl")).unwrap();
    assert!(link.file_type().is_symlink());
    assert_eq!(
        text(&at, "parts/real.kdl"),
        part.replace("; rotate 90", "; pivot 4 4; rotate 90")
    );
    assert!(rendered(&at) == before, "the same bytes");
}

#[test]
fn what_cannot_be_one_number_is_told_and_left_alone() {
    let scene = r##"scene "shelf" language=1
param "which" "clip"
plate "frames/plate.tif"
element "a" { frame "frames/{which}.tif"; mask { rect 0 0 8 8 }; scale 2 }
element "b" { frame "frames/curl.tif"; mask { rect 0 0 8 8 }; scale 2 }
output "master" { file "out/a.tif" }
output "card" { file "out/b.png"; change "b" { mask { rect 0 0 10 8 } } }
"##;
    let at = shelf("pin-told", scene);
    let ran = run(&at, &["pin", "scene.kdl"]);
    assert_eq!(
        (ran.code, ran.out.as_str()),
        (0, "shelf: nothing is left to pin\n")
    );
    insta::assert_snapshot!(ran.err, @r#"
    look the pivot of b is not the same everywhere, and is left as it is: 4 4 as the scene stands, 5 4 in "card" [pin-differs]
      at scene.kdl:5:9
      5 | element "b" { frame "frames/curl.tif"; mask { rect 0 0 8 8 }; scale 2 }
        |         ^^^
      member: b
      do: state it where it differs: change "b" { pivot 5 4 }

    note a is not pinned: a parameter decides what it is cut out of, and numbers written here would hold for one value of it [pin-parameter]
      at scene.kdl:4:21
      4 | element "a" { frame "frames/{which}.tif"; mask { rect 0 0 8 8 }; scale 2 }
        |                     ^^^^^^^^^^^^^^^^^^^^
      at scene.kdl:4:9
      4 | element "a" { frame "frames/{which}.tif"; mask { rect 0 0 8 8 }; scale 2 }
        |         ^^^ this element
      member: a
      do: name the file itself, or write by hand what holds for every value
    "#);
    assert_eq!(text(&at, "scene.kdl"), scene);
}

/// The first file is ready when the second can't be written: both stay as they were.
#[test]
fn a_file_that_cannot_be_replaced_leaves_all_as_they_were() {
    let scene = r##"scene "shelf" language=1
plate "frames/plate.tif"
element "a" { frame "frames/clip.tif"; mask { rect 0 0 8 8 }; scale 2 }
include "parts/more.kdl"
output "master" { file "out/a.tif" }
"##;
    let at = shelf("pin-locked", scene);
    let parts = at.join("parts");
    fs::create_dir(&parts).unwrap();
    let part =
        "element \"curl\" { frame \"../frames/curl.tif\"; rotate 90; mask { rect 2 2 4 4 } }\n";
    fs::write(parts.join("more.kdl"), part).unwrap();
    fs::set_permissions(&parts, fs::Permissions::from_mode(0o555)).unwrap();
    // Permissions do not bind every user: only where they do can this be seen.
    if fs::write(parts.join("probe"), "").is_err() {
        let ran = run(&at, &["pin", "scene.kdl"]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""));
        assert!(ran.err.contains("[unwritable]"), "{}", ran.err);
        assert_eq!(text(&at, "scene.kdl"), scene);
        assert_eq!(text(&at, "parts/more.kdl"), part);
    }
    fs::set_permissions(&parts, fs::Permissions::from_mode(0o755)).unwrap();
}

#[test]
fn a_scene_with_errors_is_left_alone() {
    let wrong = SHELF.replace("rotate 10", "rotate ten");
    let at = shelf("pin-wrong", &wrong);
    let ran = run(&at, &["pin", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (1, ""));
    assert!(ran.err.starts_with("stop "), "{}", ran.err);
    assert_eq!(text(&at, "scene.kdl"), wrong);
    assert_eq!(run(&at, &["pin", "gone.kdl"]).code, 2);
}

/// The bottle's day in short: the picture is shown in any ink, its pieces hung before one plate.
const DAY: &str = r##"scene "day" language=1
param "ink" "indigo"
plate "frames/dry-1-{ink}.tif"                  // what is shown
plate "frames/dry-1-indigo.tif" name="day"
plate "frames/wet-1.tif" name="wet"
element "crown" order=10 plate="wet" {
    frame "frames/crown-27-{ink}.tif"
    mask { keep { piece }; within { rect 60 340 520 400 } }
}
group "nibs" order=60 plate="day" {
    element "a" { frame "frames/nib-a-1.tif" } // the long one
}
element "b" plate="day" {
    frame "frames/clip-b-1.tif"
    scale 0.9                                   /* nearer
                                                   than it was */
}
element "c" { frame "frames/nib-b-1.tif"; align 0 0 }
output "master" { file "out/{scene}.tif" }
"##;

/// Only the plate that governs a member says whether its numbers hold: others may change with the ink.
#[test]
fn members_of_a_fixed_plate_are_pinned_beside_those_of_a_changing_one() {
    let at = shelf("pin-day", DAY);
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenes/ink-bottle/frames");
    for entry in fs::read_dir(&frames).unwrap() {
        let path = entry.unwrap().path();
        symlink(&path, at.join("frames").join(path.file_name().unwrap())).unwrap();
    }
    // Kept from one run to the next: cut out once for all of them.
    let cache = at.join("cache");
    let ran =
        |typed: &[&str]| super::run_with(&at, typed, "PLATEWRIGHT_CACHE", cache.to_str().unwrap());
    let picture = || {
        assert_eq!(ran(&["render", "scene.kdl"]).code, 0);
        fs::read(at.join("out/day.tif")).unwrap()
    };
    let before = picture();
    let done = ran(&["pin", "scene.kdl"]);
    assert_eq!(done.code, 0, "{}", done.err);
    let stated: Vec<Vec<&str>> = done
        .out
        .lines()
        .map(|line| line.split_whitespace().skip(1).take(2).collect())
        .collect();
    assert_eq!(
        stated,
        [
            ["nibs/a", "align"],
            ["nibs/a", "balance"],
            ["b", "align"],
            ["b", "balance"],
            ["b", "pivot"]
        ]
    );
    let told = "note 2 members are not pinned: a parameter decides what they are cut out of";
    assert!(done.err.contains(told), "{}", done.err);
    let whose = "of: c \"frames/dry-1-{ink}.tif\", crown \"frames/crown-27-{ink}.tif\"\n";
    assert!(done.err.contains(whose), "{}", done.err);
    // Without the numbers the text is what it was.
    let pinned = text(&at, "scene.kdl");
    let mut bare = String::new();
    for line in pinned.lines() {
        let stated = ["align ", "balance ", "pivot "];
        if stated
            .iter()
            .any(|node| line.trim_start().starts_with(node))
        {
            continue;
        }
        let parts = line.split("; ").filter(|part| {
            line.contains("nib-b") || !stated.iter().any(|node| part.starts_with(node))
        });
        let kept: Vec<String> = parts.map(str::to_owned).collect();
        bare += &(kept.join("; ") + "\n");
    }
    let bare = bare.replace("nib-a-1.tif\"\n", "nib-a-1.tif\" } // the long one\n");
    assert_eq!(bare, DAY);
    assert!(picture() == before, "the same bytes");
    let again = ran(&["pin", "--check", "scene.kdl"]);
    assert_eq!(
        (again.code, again.out.as_str()),
        (0, "day: nothing is left to pin\n")
    );
}
