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

    look a parameter decides how a is cut out: its numbers hold for one value of it and are not written [pin-parameter]
      at scene.kdl:4:21
      4 | element "a" { frame "frames/{which}.tif"; mask { rect 0 0 8 8 }; scale 2 }
        |                     ^^^^^^^^^^^^^^^^^^^^
      at scene.kdl:4:9
      4 | element "a" { frame "frames/{which}.tif"; mask { rect 0 0 8 8 }; scale 2 }
        |         ^^^ this element
      member: a
      do: state the file itself, or state the numbers by hand where they hold for every value
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
