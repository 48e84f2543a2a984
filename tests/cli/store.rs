//! What one run keeps for the next: that it changes no byte of an output, when it is used and when it is not, and
//! that a store which can't be used is no error.

use super::cutout::set;
use super::{Ran, program, run};
use serde_json::Value;
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::Stdio;

/// A scene with a piece that is found and, `more`, whatever else its element says.
fn scene(piece: &str, more: &str) -> String {
    scene_with("", piece, more)
}

/// The same with properties of the element.
fn scene_with(properties: &str, piece: &str, more: &str) -> String {
    format!(
        "scene \"shelf\" language=1\nplate \"frames/dry-1.tif\" \"frames/dry-2.tif\"\n\
         element \"card\" {properties} {{ frame \"frames/card.tif\"; mask {{ {piece} }}; {more} }}\n\
         output \"master\" {{ file \"master.tif\" }}\n"
    )
}

/// A folder with a set, and a store of its own beside it.
struct Shelf {
    at: PathBuf,
    store: PathBuf,
}

impl Shelf {
    fn new(name: &str) -> Shelf {
        let at = set(&format!("store-{name}"));
        let store = at.join("kept");
        Shelf { at, store }
    }

    fn typed(&self, typed: &[&str]) -> Ran {
        super::ended(program(&self.at, typed).env("PLATEWRIGHT_CACHE", &self.store))
    }

    fn write(&self, text: &str) {
        fs::write(self.at.join("scene.kdl"), text).unwrap();
    }

    /// Renders; the master's bytes.
    fn rendered(&self) -> Vec<u8> {
        let ran = self.typed(&["render", "scene.kdl"]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        let file = self.at.join("master.tif");
        let bytes = fs::read(&file).unwrap();
        fs::remove_file(file).unwrap();
        bytes
    }

    /// Whether `explain` finds the card kept.
    fn kept(&self) -> bool {
        let ran = self.typed(&["explain", "--json", "scene.kdl"]);
        assert_eq!(ran.code, 0, "{}", ran.out);
        let page: Value = serde_json::from_str(&ran.out).unwrap();
        let card = &page["pictures"][0]["back-to-front"][0];
        assert_eq!(card["member"], "card");
        card["kept"].as_bool().unwrap()
    }

    /// Every entry of a kind.
    fn entries(&self, kind: &str) -> Vec<PathBuf> {
        let Ok(shelves) = fs::read_dir(self.store.join(kind)) else {
            return Vec::new();
        };
        let mut entries: Vec<PathBuf> = shelves
            .flat_map(|shelf| fs::read_dir(shelf.unwrap().path()).unwrap())
            .map(|entry| entry.unwrap().path())
            .collect();
        entries.sort();
        entries
    }
}

#[test]
fn a_warm_store_changes_no_byte_and_no_word() {
    let shelf = Shelf::new("bytes");
    let sides = [
        scene("keep { piece }", "offset 3.4 -2; rotate 4; shadow"),
        scene_with(
            "blend=\"plus-lighter\"",
            "keep { piece sigma=3 }; within { rect 20 10 120 100 }; dilate 2; feather 1.5",
            "align \"similarity\"",
        ),
    ];
    for text in &sides {
        shelf.write(text);
        let bare = run(&shelf.at, &["render", "scene.kdl"]);
        assert_eq!(bare.code, 0, "{}", bare.err);
        let master = fs::read(shelf.at.join("master.tif")).unwrap();
        let cold = shelf.typed(&["render", "scene.kdl"]);
        assert_eq!(master, fs::read(shelf.at.join("master.tif")).unwrap());
        let warm = shelf.typed(&["render", "scene.kdl"]);
        assert_eq!(master, fs::read(shelf.at.join("master.tif")).unwrap());
        assert_eq!((&cold.err, &warm.err), (&bare.err, &bare.err));
        let fresh = shelf.typed(&["render", "--no-store", "scene.kdl"]);
        assert_eq!(fresh.err, bare.err);
        assert_eq!(master, fs::read(shelf.at.join("master.tif")).unwrap());
        // What is written of the cut-out itself is the same too.
        let parts = [
            "cutout.tif",
            "colour.tif",
            "matte.tif",
            "shadow.tif",
            "cutout.json",
        ];
        let files = |out: &str, typed: &[&str]| -> Vec<Vec<u8>> {
            let all = [typed, &["--cutouts", "--out-dir", out, "scene.kdl"]].concat();
            let ran = shelf.typed(&all);
            assert_eq!(ran.code, 0, "{}", ran.err);
            let folder = shelf.at.join(out).join("cutouts/card");
            let read = |part| fs::read(folder.join(part)).unwrap();
            parts.map(read).into()
        };
        let cold = files("cold", &["render"]);
        let warm = files("warm", &["render"]);
        assert!(cold == warm && files("bare", &["render", "--no-store"]) == cold);
    }
}

#[test]
fn findings_come_back_with_the_cut_out() {
    let shelf = Shelf::new("findings");
    // The plate itself as a frame: nothing is found in it.
    let frames = shelf.at.join("frames");
    fs::copy(frames.join("dry-2.tif"), frames.join("card.tif")).unwrap();
    shelf.write(&scene("keep { piece }", ""));
    let cold = shelf.typed(&["render", "scene.kdl"]);
    assert!(cold.err.contains("nothing-found"), "{}", cold.err);
    let warm = shelf.typed(&["render", "scene.kdl"]);
    assert_eq!(cold.err, warm.err);
    assert!(shelf.kept());
    // The same bytes under another name: the words name the file that is there now.
    fs::rename(frames.join("card.tif"), frames.join("other.tif")).unwrap();
    shelf.write(&scene("keep { piece }", "").replace("card.tif", "other.tif"));
    let renamed = shelf.typed(&["render", "scene.kdl"]);
    assert!(renamed.err.contains("other.tif"), "{}", renamed.err);
    assert!(!renamed.err.contains("card.tif"));
    assert!(shelf.kept());
}

#[test]
fn placing_a_piece_reuses_it_and_its_wishes_do_not() {
    let shelf = Shelf::new("reuse");
    shelf.write(&scene("keep { piece }", ""));
    assert!(!shelf.kept());
    assert!(shelf.kept());
    for more in [
        "offset 20 10",
        "scale 0.5; rotate 30",
        "correct { exposure 1 }; shadow strength=0.5",
        "align \"shift\"; balance",
    ] {
        shelf.write(&scene_with("order=7 opacity=0.5", "keep { piece }", more));
        assert!(shelf.kept(), "{more}");
    }
    // Steps after the piece are drawn anew from it; the text around it counts for nothing.
    shelf.write(&format!(
        "// A note.\n{}",
        scene("keep { piece }; feather 3", "")
    ));
    assert!(shelf.kept());
    for (piece, more) in [
        ("keep { piece sigma=3 }", ""),
        ("keep { piece sigma=4 }", ""),
        ("keep { piece }; within { rect 10 10 130 100 }", ""),
        ("keep { piece }; within { rect 10 10 131 100 }", ""),
        ("keep { piece }", "align 1 0"),
        ("keep { piece }", "balance 1.1 1 1"),
    ] {
        shelf.write(&scene(piece, more));
        assert!(!shelf.kept(), "{piece} {more}");
        assert!(shelf.kept(), "{piece} {more}");
    }
    // The first one is still there.
    shelf.write(&scene("keep { piece }", ""));
    assert!(shelf.kept());
}

#[test]
fn other_content_under_the_same_name_is_cut_out_anew() {
    let shelf = Shelf::new("content");
    shelf.write(&scene("keep { piece }", ""));
    shelf.rendered();
    assert!(shelf.kept());
    let frames = shelf.at.join("frames");
    let (frame, plate) = (frames.join("card.tif"), frames.join("dry-2.tif"));
    for file in [&frame, &plate] {
        // The last sample of the last strip: the same length, and the same times as far as they can be set.
        let mut bytes = fs::read(file).unwrap();
        let time = fs::metadata(file).unwrap().modified().unwrap();
        let before = bytes.len();
        let at = picture_byte(&bytes);
        bytes[at] ^= 1;
        fs::write(file, &bytes).unwrap();
        let open = fs::File::options().write(true).open(file).unwrap();
        open.set_modified(time).unwrap();
        assert_eq!(fs::metadata(file).unwrap().len(), before as u64);
        assert!(!shelf.kept(), "{}", file.display());
        assert!(shelf.kept(), "{}", file.display());
        // And back again: the digest is the truth, not the file's times.
        bytes[at] ^= 1;
        fs::write(file, &bytes).unwrap();
        assert!(shelf.kept(), "{}", file.display());
    }
    // Another stated profile makes other light of the same bytes.
    let text = scene("keep { piece }", "");
    shelf.write(&text.replace("card.tif\"", "card.tif\" profile=\"srgb\""));
    assert!(!shelf.kept());
}

/// Where a byte of the picture lies: in the middle of the file, which holds nothing but samples there.
fn picture_byte(bytes: &[u8]) -> usize {
    bytes.len() / 2
}

#[test]
fn a_damaged_entry_is_cut_out_anew_and_replaced() {
    let shelf = Shelf::new("damaged");
    shelf.write(&scene("keep { piece }", "shadow"));
    let right = shelf.rendered();
    for kind in ["cut-outs", "laid", "agreed", "files"] {
        let cut = |bytes: &[u8]| bytes[..bytes.len() / 2].to_vec();
        let turned = |bytes: &[u8]| {
            let mut wrong = bytes.to_vec();
            let last = wrong.len() - 1;
            wrong[last] ^= 0x10;
            wrong
        };
        for damage in [&cut as &dyn Fn(&[u8]) -> Vec<u8>, &turned, &|_| Vec::new()] {
            for entry in shelf.entries(kind) {
                let whole = fs::read(&entry).unwrap();
                fs::write(&entry, damage(&whole)).unwrap();
            }
            if kind == "cut-outs" {
                assert_eq!(shelf.entries(kind).len(), 1);
                assert!(!shelf.kept());
                assert!(shelf.kept(), "it was replaced");
            }
            assert_eq!(shelf.rendered(), right, "{kind}");
        }
    }
}

#[test]
fn a_store_that_cant_be_used_is_no_error() {
    let shelf = Shelf::new("unusable");
    shelf.write(&scene("keep { piece }", ""));
    let right = {
        let ran = run(&shelf.at, &["render", "scene.kdl"]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        fs::read(shelf.at.join("master.tif")).unwrap()
    };
    let at = &shelf.at;
    fs::write(at.join("file"), "in the way").unwrap();
    fs::create_dir(at.join("shut")).unwrap();
    fs::set_permissions(at.join("shut"), fs::Permissions::from_mode(0o500)).unwrap();
    fs::create_dir(at.join("open")).unwrap();
    fs::set_permissions(at.join("open"), fs::Permissions::from_mode(0o777)).unwrap();
    fs::create_dir(at.join("real")).unwrap();
    symlink(at.join("real"), at.join("link")).unwrap();
    for place in ["file", "file/below", "shut", "shut/below", "open", "link"] {
        let mut command = program(at, &["render", "scene.kdl"]);
        let ran = super::ended(command.env("PLATEWRIGHT_CACHE", at.join(place)));
        assert_eq!((ran.code, ran.err.as_str()), (0, ""), "{place}");
        assert_eq!(fs::read(at.join("master.tif")).unwrap(), right, "{place}");
    }
    for empty in ["open", "real"] {
        assert_eq!(fs::read_dir(at.join(empty)).unwrap().count(), 0, "{empty}");
    }
    // No home at all.
    let mut command = program(at, &["render", "scene.kdl"]);
    for name in ["PLATEWRIGHT_CACHE", "XDG_CACHE_HOME", "HOME"] {
        command.env_remove(name);
    }
    let ran = super::ended(&mut command);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
}

#[test]
fn the_users_cache_folder_is_where_the_platform_has_it() {
    let shelf = Shelf::new("place");
    shelf.write(&scene("keep { piece }", ""));
    let at = &shelf.at;
    for (name, value, store) in [
        ("XDG_CACHE_HOME", "caches", "caches/platewright"),
        ("HOME", "owner", "owner/.cache/platewright"),
    ] {
        let mut command = program(at, &["render", "scene.kdl"]);
        for name in ["PLATEWRIGHT_CACHE", "XDG_CACHE_HOME"] {
            command.env_remove(name);
        }
        command.env("HOME", at.join("owner"));
        command.env(name, at.join(value));
        assert_eq!(super::ended(&mut command).code, 0);
        let store = at.join(store);
        let mode = fs::metadata(&store).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o700);
        assert!(store.join("cut-outs").is_dir());
        fs::remove_dir_all(store).unwrap();
    }
}

#[test]
fn two_processes_at_once_do_not_disturb_one_another() {
    let shelf = Shelf::new("together");
    shelf.write(&scene("keep { piece }", "shadow"));
    let outputs = ["one", "two", "three"];
    let children: Vec<_> = outputs
        .iter()
        .map(|out| {
            program(
                &shelf.at,
                &["render", "scene.kdl", "--threads", "1", "--out-dir", out],
            )
            .env("PLATEWRIGHT_CACHE", &shelf.store)
            .stdout(Stdio::null())
            .spawn()
            .unwrap()
        })
        .collect();
    for mut child in children {
        assert!(child.wait().unwrap().success());
    }
    let master = |out: &str| fs::read(shelf.at.join(out).join("master.tif")).unwrap();
    assert!(master("one") == master("two") && master("one") == master("three"));
    assert_eq!(shelf.rendered(), master("one"));
    assert!(shelf.kept());
    assert_eq!(shelf.entries("cut-outs").len(), 1);
    assert!(shelf.entries("cut-outs").iter().all(|entry| whole(entry)));
}

/// An entry under its own name, nothing unfinished.
fn whole(entry: &Path) -> bool {
    entry.file_name().unwrap().len() == 62
}

#[test]
fn explain_says_in_words_what_was_kept() {
    let shelf = Shelf::new("words");
    shelf.write(&scene("keep { piece }", ""));
    let words = "of the frame (kept from an earlier run)";
    let page = || shelf.typed(&["explain", "scene.kdl"]).out;
    assert!(!page().contains(words));
    let again = page();
    assert!(again.contains(words), "{again}");
    let fresh = shelf.typed(&["explain", "--no-store", "scene.kdl"]).out;
    assert!(!fresh.contains(words), "{fresh}");
}
