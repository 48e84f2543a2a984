//! Texts made to hang, to overflow or to fill memory. The bounds on time are a hundred times what is needed.

use super::*;
use crate::scene::{FileLoader, formatted};
use std::time::{Duration, Instant};

const LIMIT: Duration = Duration::from_secs(20);

/// The first identifier a text is refused with, soon.
fn refused_soon(text: &str) -> Vec<&'static str> {
    let start = Instant::now();
    let found = ids(text);
    let _ = formatted(text);
    assert!(
        start.elapsed() < LIMIT,
        "{:?} for {:?}...",
        start.elapsed(),
        &text[..40.min(text.len())]
    );
    assert!(!found.is_empty());
    found
}

#[test]
fn a_million_braces() {
    let opening = "a{".repeat(500_000);
    assert!(refused_soon(&opening).contains(&"too-deep"));
    assert_eq!(refused_soon(&"}".repeat(1_000_000))[0], "syntax");
    assert!(refused_soon(&"{".repeat(1_000_000)).contains(&"too-deep"));
    let nested = format!("{}{}", "a{".repeat(33), "}".repeat(33));
    assert_eq!(refused_soon(&nested), ["too-deep"]);
    let good = format!(
        "scene language=1\ncanvas 1 1\n{}{}",
        "group \"a\" {".repeat(32),
        "}".repeat(32)
    );
    assert!(!ids(&good).contains(&"too-deep"));
}

/// kdl-rs#177: time doubles with every repetition; 22 of them took 78 s.
#[test]
fn nested_slashdash() {
    for text in [
        "a /-{".repeat(100_000),
        "/-".repeat(500_000),
        "a /-b ".repeat(150_000),
        "/-a{".repeat(40),
        "a /-{ ".repeat(11) + &"}".repeat(11),
    ] {
        refused_soon(&text);
    }
}

#[test]
fn nested_comments() {
    assert_eq!(refused_soon(&"/*".repeat(500_000))[0], "too-deep");
    let nine = format!("{}{}", "/*".repeat(9), "*/".repeat(9));
    assert_eq!(refused_soon(&nine), ["too-deep"]);
    let eight = format!(
        "scene language=1 {} {}\ncanvas 1 1\n",
        "/*".repeat(8),
        "*/".repeat(8)
    );
    assert!(ids(&eight).is_empty());
}

#[test]
fn a_mebibyte_of_anything() {
    let size = 1 << 20;
    for unit in [
        "\0", "=", ")", "(", "(a)", "\"", "#", "\\", "a ", "a=1 ", "1 ", ";", "a;", "a\n",
        "\u{feff}", "/", "\"a\" ", "{name}", "a b=c{", "\"\"\"\n", "#\"", "\\\n", "\u{2028}", "é",
        "x=\\\n", "a /-b=1 ",
    ] {
        let text = unit.repeat(size / unit.len());
        let start = Instant::now();
        let _ = ids(&text);
        let _ = formatted(&unit.repeat(size / 8 / unit.len()));
        assert!(
            start.elapsed() < LIMIT,
            "{:?} for {unit:?}",
            start.elapsed()
        );
    }
}

#[test]
fn more_than_a_mebibyte() {
    assert_eq!(refused_soon(&" ".repeat((1 << 20) + 1)), ["too-large"]);
    assert_eq!(
        formatted(&" ".repeat((1 << 20) + 1)).unwrap_err()[0].id,
        "too-large"
    );
}

#[test]
fn ten_thousand_nodes_and_sixty_four_files() {
    let head = "scene language=1\ncanvas 1 1\n";
    let many = format!("{head}{}", "param 1\n".repeat(10_001));
    assert!(refused_soon(&many).contains(&"too-large"));
    // Files that include the next one twice: 2^40 texts if nobody counts.
    let mut shelf = Shelf::default();
    shelf
        .0
        .insert("scene.kdl".into(), format!("{head}include \"f0.kdl\""));
    for k in 0..40 {
        shelf.0.insert(
            format!("f{k}.kdl"),
            format!("include \"f{0}.kdl\"\ninclude \"f{0}.kdl\"", k + 1),
        );
    }
    shelf.0.insert("f40.kdl".into(), String::new());
    let start = Instant::now();
    let refused = read(Path::new("scene.kdl"), &[], &shelf).unwrap_err();
    assert!(start.elapsed() < LIMIT);
    assert!(told(&refused).contains("more than 64 files"));
}

#[test]
fn parameters_that_double() {
    let mut text = String::from("scene language=1\ncanvas 1 1\nparam \"p0\" \"aaaaaaaaaa\"\n");
    for k in 1..60 {
        text.push_str(&format!("param \"p{k}\" \"{{p{0}}}{{p{0}}}\"\n", k - 1));
    }
    assert!(refused_soon(&text).contains(&"too-large"));
}

#[test]
fn a_ring_and_a_ladder_of_masks() {
    let mut text = String::from("scene language=1\ncanvas 1 1\n");
    for k in 0..3_000 {
        text.push_str(&format!(
            "mask \"m{k}\" {{ mask \"m{}\" }}\n",
            (k + 1) % 3_000
        ));
    }
    assert_eq!(refused_soon(&text), ["mask-cycle"]);
    // Each made of the next one twice: two to the thousand ways through.
    let mut text = String::from("scene language=1\ncanvas 1 1\n");
    for k in 0..1_000 {
        text.push_str(&format!(
            "mask \"m{k}\" {{ mask \"m{0}\"; mask \"m{0}\" }}\n",
            k + 1
        ));
    }
    text.push_str("mask \"m1000\" { all }\n");
    let start = Instant::now();
    assert!(ids(&text).is_empty());
    assert!(start.elapsed() < LIMIT);
}

#[test]
fn arcs_as_wide_as_a_galaxy() {
    for data in [
        "M0 0A1e300 1e300 0 0 1 9 9",
        "M0 0a1e30,1e30 0 01 9,9",
        "M 0 0 L 1e400 0 1 1",
        "M0 0 A999999999999 1 0 0 0 1 1",
    ] {
        let text = format!("scene language=1\ncanvas 1 1\nmask \"m\" {{ path \"{data}\" }}\n");
        assert_eq!(refused_soon(&text), ["bad-path-data"], "{data}");
    }
}

#[test]
fn only_regular_files_of_bounded_size_are_read() {
    let folder = std::env::temp_dir().join(format!("platewright-scene-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let big = folder.join("big.kdl");
    // 100 MB by its size, nothing on the disk.
    std::fs::File::create(&big)
        .unwrap()
        .set_len(100_000_000)
        .unwrap();
    let pipe = folder.join("pipe.kdl");
    rustix::fs::mknodat(
        rustix::fs::CWD,
        &pipe,
        rustix::fs::FileType::Fifo,
        rustix::fs::Mode::RUSR,
        0,
    )
    .unwrap();
    let latin = folder.join("latin.kdl");
    std::fs::write(&latin, b"title \"\xe9\"").unwrap();
    let good = folder.join("good.kdl");
    std::fs::write(&good, "scene language=1\ncanvas 1 1\n").unwrap();
    let start = Instant::now();
    let load = |path: &Path| FileLoader.load(path);
    assert_eq!(load(&big), Err(LoadFault::TooLarge(100_000_000)));
    assert_eq!(load(&pipe), Err(LoadFault::NotAFile("a pipe")));
    assert_eq!(load(&folder), Err(LoadFault::NotAFile("a folder")));
    assert_eq!(
        load(Path::new("/dev/zero")),
        Err(LoadFault::NotAFile("a device"))
    );
    assert_eq!(load(&latin), Err(LoadFault::NotText(7)));
    assert_eq!(load(&folder.join("none.kdl")), Err(LoadFault::Missing));
    assert_eq!(load(&good.join("none.kdl")), Err(LoadFault::Missing));
    assert!(read(&good, &[], &FileLoader).is_ok());
    assert!(start.elapsed() < LIMIT);
    std::fs::remove_dir_all(&folder).unwrap();
}
