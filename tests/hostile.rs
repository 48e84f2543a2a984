//! Files made to do harm, through the program itself: each ends with exit code 1 (2 where only memory is short) and a message, in bounded time
//! and memory, and nothing is written. The whole process has 1 GiB of address space (`ulimit -v`).

#![cfg(unix)]

mod common;

use common::{deflated16, folder, noise, rgb16};
use platewright::color::Named;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const ADDRESS_SPACE_KIB: u32 = 1 << 20;
/// Far more than any of these takes on an idle machine (a second at most), for the sake of busy ones.
const TIME: Duration = Duration::from_secs(60);
const SCENE: &str = "scene \"t\" language=1\nplate \"frames/plate.tif\"\n\
    element \"a\" { frame \"frames/piece.tif\"; mask { all }; offset 3.5 4; rotate 5; pivot 0 0 }\n\
    output \"master\" { file \"out.tif\" }\noutput \"web\" { file \"web.jpg\" }\n";

/// Runs `render` in `at`; exit code and everything it said.
fn run(at: &Path) -> (i32, String) {
    let said = at.join("said.txt");
    let mut child = Command::new("sh")
        .arg("-c")
        .arg(format!("ulimit -v {ADDRESS_SPACE_KIB}; exec \"$0\" \"$@\""))
        .arg(env!("CARGO_BIN_EXE_platewright"))
        .env("PLATEWRIGHT_CACHE", "")
        .args([
            "render",
            "--threads",
            "2",
            "--memory",
            "256 MiB",
            "--out-dir",
        ])
        .arg(at.join("out"))
        .arg(at.join("scene.kdl"))
        .stdout(Stdio::null())
        .stderr(fs::File::create(&said).unwrap())
        .spawn()
        .unwrap();
    let start = Instant::now();
    let code = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status.code().unwrap_or(-1);
        }
        if start.elapsed() > TIME {
            child.kill().unwrap();
            child.wait().unwrap();
            break -2;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    (code, fs::read_to_string(said).unwrap())
}

/// Exit code 1, a `stop` that holds `word`, and an output folder as it was.
fn assert_refused(at: &Path, what: &str, word: &str) {
    let out = at.join("out");
    fs::create_dir_all(&out).unwrap();
    fs::write(out.join("out.tif"), b"the earlier one").unwrap();
    let (code, said) = run(at);
    // A file that only wants too much memory may be read on another machine: that is no fault of the scene.
    let wanted = if said.contains("[out-of-memory]") {
        2
    } else {
        1
    };
    assert_eq!(code, wanted, "{what}: {said:.2000}");
    assert!(said.contains("stop"), "{what}: {said:.2000}");
    assert!(said.contains(word), "{what}: no {word:?} in {said:.2000}");
    assert!(said.len() < 200_000, "{what}: {} bytes said", said.len());
    let left: Vec<_> = fs::read_dir(&out).unwrap().collect();
    assert_eq!(left.len(), 1, "{what}: {left:?}");
    assert_eq!(
        fs::read(out.join("out.tif")).unwrap(),
        b"the earlier one",
        "{what}"
    );
}

/// A folder with a scene whose frames are sound.
fn shoot(name: &str) -> (PathBuf, Vec<u8>) {
    let at = folder(name);
    rgb16(
        &at.join("frames/plate.tif"),
        120,
        100,
        &noise(1, 120 * 100 * 3),
        Named::Srgb,
    );
    let piece = at.join("frames/piece.tif");
    deflated16(&piece, 90, 80, &noise(2, 90 * 80 * 3));
    fs::write(at.join("scene.kdl"), SCENE).unwrap();
    let bytes = fs::read(&piece).unwrap();
    (at, bytes)
}

/// The test would prove nothing if the sound shoot failed too.
#[test]
fn the_sound_shoot_renders() {
    let (at, _) = shoot("hostile-sound");
    fs::create_dir_all(at.join("out")).unwrap();
    assert_eq!(run(&at).0, 0);
    assert!(at.join("out/out.tif").is_file());
}

#[test]
fn truncated_frames_are_refused() {
    let (at, bytes) = shoot("hostile-truncated");
    for k in 0..16 {
        let cut = bytes.len() * k / 16;
        fs::write(at.join("frames/piece.tif"), &bytes[..cut]).unwrap();
        assert_refused(&at, &format!("cut at {cut}"), "piece.tif");
    }
}

/// Sets the first number of a tag in a little-endian classic TIFF (TIFF 6.0, section 2).
fn with_tag(bytes: &[u8], tag: u16, value: u32) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let word = |bytes: &[u8], at: usize| u16::from_le_bytes([bytes[at], bytes[at + 1]]);
    let long = |bytes: &[u8], at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
    let directory = long(&bytes, 4) as usize;
    for k in 0..usize::from(word(&bytes, directory)) {
        let entry = directory + 2 + 12 * k;
        if word(&bytes, entry) != tag {
            continue;
        }
        let wide = if word(&bytes, entry + 2) == 3 { 2 } else { 4 };
        let at = match long(&bytes, entry + 4) as usize * wide {
            0..=4 => entry + 8,
            _ => long(&bytes, entry + 8) as usize,
        };
        bytes[at..at + wide].copy_from_slice(&value.to_le_bytes()[..wide]);
        return bytes;
    }
    panic!("no tag {tag}");
}

#[test]
fn lying_frames_are_refused() {
    let (at, bytes) = shoot("hostile-lying");
    let cases: [(&str, u16, u32); 13] = [
        ("width", 256, 60_000),
        ("no width", 256, 0),
        ("a width beyond all", 256, u32::MAX),
        ("height", 257, 60_000),
        ("a height beyond all", 257, 99_999),
        ("bits", 258, 7),
        ("compression", 259, 7),
        ("colours", 262, 8),
        ("a strip outside the file", 273, u32::MAX),
        ("channels", 277, 65_535),
        ("rows per strip", 278, 1),
        ("a strip longer than the file", 279, u32::MAX),
        ("a strip that ends early", 279, 40),
    ];
    for (what, tag, value) in cases {
        let mut lie = with_tag(&bytes, tag, value);
        if tag == 257 {
            // Believable strips, so that only the size itself is wrong.
            lie = with_tag(&lie, 278, value);
        }
        fs::write(at.join("frames/piece.tif"), lie).unwrap();
        assert_refused(&at, what, "piece.tif");
    }
    // More pixels than the memory allowed, in a file of a few bytes.
    let huge = with_tag(&with_tag(&bytes, 256, 40_000), 257, 40_000);
    fs::write(at.join("frames/piece.tif"), with_tag(&huge, 278, 8000)).unwrap();
    assert_refused(&at, "40,000 x 40,000", "1920000000");
    // Found out while pixels are read, and still told at its line.
    let said = fs::read_to_string(at.join("said.txt")).unwrap();
    assert!(said.contains("scene.kdl:3:"), "{said}");
}

#[test]
fn other_kinds_cut_short_or_huge_are_refused() {
    let (at, _) = shoot("hostile-kinds");
    fs::create_dir_all(at.join("out")).unwrap();
    let whole = SCENE.replace("out.tif", "out.png");
    fs::write(at.join("scene.kdl"), whole).unwrap();
    assert_eq!(run(&at).0, 0, "pictures to spoil");
    for (name, bytes) in ["out.png", "web.jpg"].map(|name| {
        let path = at.join("out").join(name);
        let bytes = fs::read(&path).unwrap();
        fs::remove_file(path).unwrap();
        (
            name.replace("out.", "piece.").replace("web.", "piece."),
            bytes,
        )
    }) {
        fs::write(at.join("scene.kdl"), SCENE.replace("piece.tif", &name)).unwrap();
        for part in [0, 1, 5, 9, 12] {
            let cut = bytes.len() * part / 16;
            fs::write(at.join("frames").join(&name), &bytes[..cut]).unwrap();
            assert_refused(&at, &format!("{name} cut at {cut}"), &name);
        }
        if name.ends_with("png") {
            // IHDR says 100,000 x 20,000 (PNG, 11.2.2); its checksum is wrong then, or its size is.
            let mut huge = bytes.clone();
            huge[16..24].copy_from_slice(&[0, 1, 0x86, 0xa0, 0, 0, 0x4e, 0x20]);
            fs::write(at.join("frames").join(&name), huge).unwrap();
            assert_refused(&at, "a huge PNG", &name);
        }
    }
}

#[test]
fn what_is_no_file_is_refused() {
    let (at, _) = shoot("hostile-nodes");
    let piece = at.join("frames/piece.tif");
    fs::remove_file(&piece).unwrap();
    assert_refused(&at, "nothing there", "piece.tif");
    fs::create_dir(&piece).unwrap();
    assert_refused(&at, "a folder", "piece.tif");
    fs::remove_dir(&piece).unwrap();
    // Opening a pipe nobody writes to waits for ever.
    let made = Command::new("mkfifo").arg(&piece).status().unwrap();
    assert!(made.success());
    assert_refused(&at, "a pipe", "piece.tif");
    fs::remove_file(&piece).unwrap();
    std::os::unix::fs::symlink("/dev/zero", &piece).unwrap();
    assert_refused(&at, "a device", "piece.tif");
}

#[test]
fn hostile_scenes_are_refused() {
    let (at, _) = shoot("hostile-scenes");
    let deep = 100_000;
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("deep nesting", "a {\n".repeat(deep).into_bytes()),
        (
            "groups too deep",
            format!("{SCENE}{}", nested(40)).into_bytes(),
        ),
        ("slashdash in slashdash", "/-".repeat(deep).into_bytes()),
        ("slashdashed blocks", "a /-{ ".repeat(deep).into_bytes()),
        ("open comments", "/*".repeat(deep).into_bytes()),
        ("open strings", "a \"\n".repeat(deep).into_bytes()),
        (
            "many hashes",
            format!("a {}\"", "#".repeat(deep)).into_bytes(),
        ),
        (
            "many escapes",
            format!("a {}", "\\\n".repeat(deep)).into_bytes(),
        ),
        ("brackets", "(a)(".repeat(deep).into_bytes()),
        (
            "a long number",
            with("offset 3.5", &format!("offset 1{}", "0".repeat(deep))),
        ),
        ("beyond all numbers", with("offset 3.5", "offset 1e400")),
        ("no number", with("offset 3.5", "offset #nan")),
        ("without end", with("offset 3.5", "offset #-inf")),
        ("twice the same", with("\"a\" {", "\"a\" order=1 order=2 {")),
        ("many nodes", "guide x=0.5\n".repeat(20_000).into_bytes()),
        (
            "many members",
            format!("{SCENE}{}", members(12_000)).into_bytes(),
        ),
        ("not text", vec![0xff; 5000]),
        ("zeros", vec![0; 500_000]),
        (
            "a path of nothing",
            with("frames/piece.tif", &"../".repeat(20_000)),
        ),
        (
            "a long path",
            with(
                "mask { all }",
                &format!("mask {{ path \"M0 0{}\" }}", "L9 9".repeat(30_000)),
            ),
        ),
        (
            "includes itself",
            format!("{SCENE}include \"scene.kdl\"\n").into_bytes(),
        ),
        (
            "includes a device",
            format!("{SCENE}include \"/dev/zero\"\n").into_bytes(),
        ),
        (
            "includes a folder",
            format!("{SCENE}include \"frames\"\n").into_bytes(),
        ),
    ];
    for (what, text) in cases {
        fs::write(at.join("scene.kdl"), text).unwrap();
        assert_refused(&at, what, "scene.kdl");
    }
}

/// Two includes in each of twenty files would be a million; 64 are allowed.
#[test]
fn includes_do_not_multiply() {
    let (at, _) = shoot("hostile-includes");
    for k in 0..20 {
        let next = format!("include \"i{}.kdl\"\n", k + 1);
        fs::write(at.join(format!("i{k}.kdl")), next.repeat(2)).unwrap();
    }
    fs::write(at.join("i20.kdl"), "// nothing\n").unwrap();
    fs::write(at.join("scene.kdl"), format!("{SCENE}include \"i0.kdl\"\n")).unwrap();
    assert_refused(&at, "includes", "64");
}

/// A file of 100 MB is refused by its size, before any of it is parsed.
#[test]
fn a_scene_of_100_megabytes_is_refused() {
    let (at, _) = shoot("hostile-large");
    let mut file = fs::File::create(at.join("scene.kdl")).unwrap();
    let lines = "// one line of a very long scene\n".repeat(1 << 15);
    for _ in 0..100 {
        file.write_all(lines.as_bytes()).unwrap();
    }
    drop(file);
    assert_refused(&at, "100 MB", "1048576");
}

fn with(old: &str, new: &str) -> Vec<u8> {
    assert!(SCENE.contains(old));
    SCENE.replace(old, new).into_bytes()
}

fn nested(depth: usize) -> String {
    let open: String = (0..depth).map(|k| format!("group \"g{k}\" {{\n")).collect();
    open + &"}\n".repeat(depth)
}

fn members(count: usize) -> String {
    (0..count)
        .map(|k| format!("element \"e{k}\" {{ frame \"frames/piece.tif\"; mask {{ all }} }}\n"))
        .collect()
}
