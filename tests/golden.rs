//! Golden pictures: every folder `golden/NAME` with a `scene.kdl` is rendered, and each file it makes must equal
//! the one in `golden/NAME/expected` byte for byte.
//!
//! A scene that differs leaves expected | difference | actual side by side under `target/golden/`.
//! `PLATEWRIGHT_BLESS=1` rewrites what is expected and still fails, so that nobody blesses by habit.

mod common;
#[path = "common/golden_frames.rs"]
mod golden_frames;
#[path = "common/side_by_side.rs"]
mod side_by_side;

use common::*;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Fewer than this were not all found.
const AT_LEAST: usize = 12;

#[test]
fn every_golden_is_the_same_to_the_byte() {
    let scenes = scenes();
    assert!(
        scenes.len() >= AT_LEAST,
        "only {} goldens in golden/",
        scenes.len()
    );
    let bless = std::env::var_os("PLATEWRIGHT_BLESS").is_some_and(|v| v == "1");
    let work = laid_out("golden");
    let mut faults = Vec::new();
    for name in &scenes {
        let expected = home().join(name).join("expected");
        let out = work.join(name).join("out");
        let text = fs::read_to_string(work.join(name).join("scene.kdl")).unwrap();
        fs::create_dir_all(&out).unwrap();
        let code = render(
            &work.join(name),
            &text,
            &["--out-dir", out.to_str().unwrap()],
        );
        if code != 0 {
            faults.push(format!("{name}: exit code {code}"));
            continue;
        }
        if bless {
            let _ = fs::remove_dir_all(&expected);
            fs::create_dir_all(&expected).unwrap();
            for file in files(&out) {
                fs::copy(out.join(&file), expected.join(&file)).unwrap();
            }
        }
        faults.extend(differences(name, &expected, &out));
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
    assert!(
        !bless,
        "{} goldens were rewritten; look at each, then run again without PLATEWRIGHT_BLESS",
        scenes.len()
    );
}

/// The comparison itself can fail: one changed byte, a missing file and one too many are each told.
#[test]
fn a_difference_is_found_and_shown() {
    let at = folder("golden-fault");
    let (old, new) = (at.join("old"), at.join("new"));
    for side in [&old, &new] {
        fs::create_dir_all(side).unwrap();
        rgb16(
            &side.join("same.tif"),
            9,
            7,
            &noise(1, 9 * 7 * 3),
            platewright::color::Named::Srgb,
        );
    }
    assert_eq!(differences("t", &old, &new), Vec::<String>::new());
    let mut codes = noise(1, 9 * 7 * 3);
    codes[(3 * 9 + 5) * 3 + 1] ^= 0x40;
    rgb16(
        &new.join("same.tif"),
        9,
        7,
        &codes,
        platewright::color::Named::Srgb,
    );
    fs::write(new.join("more.tif"), b"x").unwrap();
    fs::write(old.join("less.tif"), b"x").unwrap();
    let told = differences("t", &old, &new);
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(told[0].contains("less.tif was not written"), "{told:?}");
    assert!(told[1].contains("more.tif is new"), "{told:?}");
    assert!(
        told[2].contains("first at 5,3 channel 1") && told[2].contains("by 64 at most"),
        "{told:?}"
    );
    let shown = told[2].rsplit("see ").next().unwrap();
    assert!(Path::new(shown).is_file(), "{shown}");
}

fn home() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("golden")
}

/// Names of all folders with a scene, in order.
fn scenes() -> Vec<String> {
    files(&home())
        .into_iter()
        .filter(|name| home().join(name).join("scene.kdl").is_file())
        .collect()
}

/// The scenes copied to where their frames are, under `target/`.
fn laid_out(name: &str) -> PathBuf {
    let work = folder(name);
    golden_frames::write(&work.join("frames"));
    for scene in scenes() {
        fs::create_dir_all(work.join(&scene)).unwrap();
        fs::copy(
            home().join(&scene).join("scene.kdl"),
            work.join(&scene).join("scene.kdl"),
        )
        .unwrap();
    }
    work
}

/// Names in a folder, sorted; none when it is not there.
fn files(folder: &Path) -> BTreeSet<String> {
    fs::read_dir(folder)
        .map(|entries| {
            entries
                .map(|e| e.unwrap().file_name().into_string().unwrap())
                .collect()
        })
        .unwrap_or_default()
}

/// What differs between two folders of pictures, one line a file.
fn differences(name: &str, expected: &Path, out: &Path) -> Vec<String> {
    let (old, new) = (files(expected), files(out));
    let mut told: Vec<String> = old
        .difference(&new)
        .map(|file| format!("{name}: {file} was not written"))
        .collect();
    told.extend(
        new.difference(&old)
            .map(|file| format!("{name}: {file} is new; nothing is expected of it")),
    );
    for file in old.intersection(&new) {
        let (was, is) = (expected.join(file), out.join(file));
        let (a, b) = (fs::read(&was).unwrap(), fs::read(&is).unwrap());
        if a == b {
            continue;
        }
        let at = a.iter().zip(&b).position(|(a, b)| a != b);
        let at = at.unwrap_or(a.len().min(b.len()));
        let shown = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}-{file}.png"));
        let pixels = side_by_side::shown(&was, &is, &shown);
        told.push(format!(
            "{name}: {file} differs from byte {at} on ({} and {} bytes); {pixels}; see {}",
            a.len(),
            b.len(),
            shown.display()
        ));
    }
    told
}
