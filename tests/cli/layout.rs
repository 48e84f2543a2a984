//! fmt: files laid out in place, and what is left alone.

use super::{piped, run, shelf};
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};

const UNTIDY: &str = "scene   \"shelf\" language=1\nplate \"frames/plate.tif\" // the set\n\n\n\noutput \"master\" {\nfile \"out/a.tif\"\n  }\n";
const TIDY: &str = "scene \"shelf\" language=1\nplate \"frames/plate.tif\" // the set\n\noutput \"master\" {\n    file \"out/a.tif\"\n}\n";

#[test]
fn an_untidy_file_is_listed_then_laid_out_then_left_alone() {
    let at = shelf("fmt", UNTIDY);
    let file = at.join("scene.kdl");
    fs::write(at.join("tidy.kdl"), TIDY).unwrap();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
    let ran = run(&at, &["fmt", "--check", "scene.kdl", "tidy.kdl"]);
    assert_eq!(
        (ran.code, ran.out.as_str(), ran.err.as_str()),
        (1, "scene.kdl\n", "")
    );
    assert_eq!(fs::read_to_string(&file).unwrap(), UNTIDY);
    let ran = run(&at, &["fmt", "scene.kdl", "tidy.kdl"]);
    assert_eq!(
        (ran.code, ran.out.as_str(), ran.err.as_str()),
        (0, "scene.kdl\n", "")
    );
    assert_eq!(fs::read_to_string(&file).unwrap(), TIDY);
    let mode = fs::metadata(&file).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o640, "permissions are kept");
    let ran = run(&at, &["fmt", "--check", "scene.kdl", "tidy.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (0, ""));
    let left = fs::read_dir(&at).unwrap().count();
    assert_eq!(left, 3, "frames, two scenes, nothing temporary");
}

#[test]
fn a_link_stays_a_link_and_its_file_is_laid_out() {
    let at = shelf("fmt-link", UNTIDY);
    symlink("scene.kdl", at.join("today.kdl")).unwrap();
    assert_eq!(run(&at, &["fmt", "today.kdl"]).code, 0);
    let link = fs::symlink_metadata(at.join("today.kdl")).unwrap();
    assert!(link.file_type().is_symlink());
    assert_eq!(fs::read_to_string(at.join("scene.kdl")).unwrap(), TIDY);
}

#[test]
fn standard_input_comes_out_on_standard_output() {
    let at = shelf("fmt-pipe", UNTIDY);
    let ran = piped(&at, &["fmt", "-"], UNTIDY);
    assert_eq!(
        (ran.code, ran.out.as_str(), ran.err.as_str()),
        (0, TIDY, "")
    );
    let ran = piped(&at, &["fmt", "-", "--check"], UNTIDY);
    assert_eq!((ran.code, ran.out.as_str()), (1, "standard input\n"));
    let ran = piped(&at, &["fmt", "-", "--check"], TIDY);
    assert_eq!((ran.code, ran.out.as_str()), (0, ""));
}

#[test]
fn a_broken_file_is_left_alone_and_the_others_are_laid_out() {
    let at = shelf("fmt-broken", UNTIDY);
    fs::write(at.join("broken.kdl"), "scene \"a\" {\n").unwrap();
    let ran = run(&at, &["fmt", "broken.kdl", "scene.kdl"]);
    assert_eq!((ran.code, ran.out.as_str()), (1, "scene.kdl\n"));
    insta::assert_snapshot!(ran.err, @r#"
    stop this `{` is never closed [syntax]
      at broken.kdl:1:11
      1 | scene "a" {
        |           ^
      do: write `}` after its last node

    1 thing to put right
    "#);
    assert_eq!(
        fs::read_to_string(at.join("broken.kdl")).unwrap(),
        "scene \"a\" {\n"
    );
    assert_eq!(run(&at, &["fmt", "gone.kdl"]).code, 2);
    assert_eq!(run(&at, &["fmt"]).code, 2);
}
