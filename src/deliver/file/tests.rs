//! What POSIX promises (rename, openat, umask), seen on real folders. Each test has a folder of its own.

use std::os::unix::fs::{FileTypeExt, PermissionsExt, symlink};

use proptest::prelude::*;

use super::*;

/// A folder that goes away with its test.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Scratch {
        let path = std::env::temp_dir().join(format!("platewright-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&path);
        fs::create_dir_all(&path).unwrap();
        Scratch(path)
    }

    /// All names below the folder, sorted, links not followed.
    fn names(&self) -> Vec<String> {
        fn collect(at: &Path, root: &Path, names: &mut Vec<String>) {
            for entry in fs::read_dir(at).unwrap().map(Result::unwrap) {
                let path = entry.path();
                names.push(
                    path.strip_prefix(root)
                        .unwrap()
                        .to_str()
                        .unwrap()
                        .to_string(),
                );
                if entry.file_type().unwrap().is_dir() {
                    collect(&path, root, names);
                }
            }
        }
        let mut names = Vec::new();
        collect(&self.0, &self.0, &mut names);
        names.sort();
        names
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn write(folder: &OutputFolder, name: &str, text: &str) -> Result<(), FileFault> {
    let mut pending = folder.create(name)?;
    pending.write_all(text.as_bytes()).unwrap();
    pending.commit()
}

/// The fault as a person reads it, the test's own folder left out.
fn said(fault: FileFault, scratch: &Scratch) -> String {
    fault
        .to_string()
        .replace(scratch.0.to_str().unwrap(), "FOLDER")
}

#[test]
fn a_committed_file_replaces_the_previous_one() {
    let scratch = Scratch::new("replaces");
    let folder = OutputFolder::open(&scratch.0.join("new/deep")).unwrap();
    write(&folder, "out/master.tif", "first").unwrap();
    let mut pending = folder.create("out/master.tif").unwrap();
    assert!(pending.path().ends_with("new/deep/out/master.tif"));
    pending.write_all(b"....nd").unwrap();
    pending.seek(SeekFrom::Start(0)).unwrap();
    pending.write_all(b"seco").unwrap();
    pending.flush().unwrap();
    let path = scratch.0.join("new/deep/out/master.tif");
    assert_eq!(fs::read_to_string(&path).unwrap(), "first");
    assert_eq!(
        scratch.names().len(),
        5,
        "the temporary stands beside: {:?}",
        scratch.names()
    );
    pending.commit().unwrap();
    assert_eq!(fs::read_to_string(&path).unwrap(), "second");
    assert_eq!(
        scratch.names(),
        ["new", "new/deep", "new/deep/out", "new/deep/out/master.tif"]
    );
}

#[test]
fn a_file_given_up_leaves_the_previous_one() {
    let scratch = Scratch::new("given-up");
    let folder = OutputFolder::open(&scratch.0).unwrap();
    write(&folder, "master.tif", "first").unwrap();
    let mut pending = folder.create("master.tif").unwrap();
    pending.write_all(&vec![7; 1 << 20]).unwrap();
    drop(pending);
    assert_eq!(scratch.names(), ["master.tif"]);
    assert_eq!(
        fs::read_to_string(scratch.0.join("master.tif")).unwrap(),
        "first"
    );
}

/// The process's umask is read from a folder made with mode 777: changing it here would reach other tests.
#[test]
fn permissions_are_the_umask_s() {
    let scratch = Scratch::new("umask");
    let mode = |path: PathBuf| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    fs::create_dir(scratch.0.join("plain")).unwrap();
    let allowed = mode(scratch.0.join("plain"));
    let folder = OutputFolder::open(&scratch.0).unwrap();
    write(&folder, "made/x.png", "x").unwrap();
    assert_eq!(mode(scratch.0.join("made")), allowed);
    assert_eq!(mode(scratch.0.join("made/x.png")), allowed & 0o666);
}

#[test]
fn links_inside_are_not_followed() {
    let scratch = Scratch::new("links");
    let outside = scratch.0.join("outside");
    let base = scratch.0.join("base");
    fs::create_dir(&outside).unwrap();
    fs::create_dir(&base).unwrap();
    fs::write(outside.join("kept.tif"), "kept").unwrap();
    symlink(&outside, base.join("folder")).unwrap();
    symlink(outside.join("kept.tif"), base.join("file.tif")).unwrap();
    symlink("nowhere", base.join("dangling.tif")).unwrap();
    let folder = OutputFolder::open(&base).unwrap();
    let refusal = |name| said(folder.create(name).unwrap_err(), &scratch);
    insta::assert_snapshot!(refusal("folder/x.tif"), @"FOLDER/base/folder is a symbolic link, not a folder: outputs don't go through it; rename it or choose another file");
    insta::assert_snapshot!(refusal("file.tif"), @"FOLDER/base/file.tif is a symbolic link, not a file: it is left alone; remove it or choose another file");
    insta::assert_snapshot!(refusal("dangling.tif"), @"FOLDER/base/dangling.tif is a symbolic link, not a file: it is left alone; remove it or choose another file");
    assert!(folder.identity("folder/kept.tif").is_err());
    // A link put there while the file is being written.
    let pending = folder.create("late.tif").unwrap();
    symlink(outside.join("kept.tif"), base.join("late.tif")).unwrap();
    insta::assert_snapshot!(said(pending.commit().unwrap_err(), &scratch), @"FOLDER/base/late.tif is a symbolic link, not a file: it is left alone; remove it or choose another file");
    assert_eq!(
        fs::read_to_string(outside.join("kept.tif")).unwrap(),
        "kept"
    );
    assert_eq!(fs::read_dir(&outside).unwrap().count(), 1);
    assert_eq!(fs::read_dir(&base).unwrap().count(), 4);
}

#[test]
fn the_folder_itself_may_be_a_link() {
    let scratch = Scratch::new("base-link");
    fs::create_dir(scratch.0.join("real")).unwrap();
    symlink("real", scratch.0.join("link")).unwrap();
    let folder = OutputFolder::open(&scratch.0.join("link")).unwrap();
    write(&folder, "x.tif", "x").unwrap();
    assert_eq!(scratch.names(), ["link", "real", "real/x.tif"]);
}

#[test]
fn what_is_no_file_is_left_alone() {
    let scratch = Scratch::new("kinds");
    fs::create_dir(scratch.0.join("x.tif")).unwrap();
    fs::write(scratch.0.join("plain"), "").unwrap();
    rustix::fs::mknodat(
        CWD,
        scratch.0.join("pipe.tif"),
        FileType::Fifo,
        Mode::from_raw_mode(0o600),
        0,
    )
    .unwrap();
    let folder = OutputFolder::open(&scratch.0).unwrap();
    let refusal = |name| said(folder.create(name).unwrap_err(), &scratch);
    insta::assert_snapshot!(refusal("x.tif"), @"FOLDER/x.tif is a folder, not a file: it is left alone; remove it or choose another file");
    insta::assert_snapshot!(refusal("pipe.tif"), @"FOLDER/pipe.tif is a pipe, not a file: it is left alone; remove it or choose another file");
    insta::assert_snapshot!(refusal("plain/x.tif"), @"FOLDER/plain is a file, not a folder: outputs don't go through it; rename it or choose another file");
    assert!(
        fs::metadata(scratch.0.join("pipe.tif"))
            .unwrap()
            .file_type()
            .is_fifo()
    );
    insta::assert_snapshot!(said(OutputFolder::open(&scratch.0.join("plain")).unwrap_err(), &scratch), @"could not make the output folder FOLDER/plain: File exists (os error 17)");
}

#[test]
fn hostile_names_are_refused() {
    let scratch = Scratch::new("names");
    let folder = OutputFolder::open(&scratch.0).unwrap();
    let long = "n".repeat(256);
    let deep = "n/".repeat(3000) + "x";
    let refusals: Vec<String> = [
        "",
        "/x.tif",
        "..",
        "a/../x.tif",
        "./x.tif",
        "a//x.tif",
        "out/",
        "a\0b",
        "a\nb",
        &long,
        &deep,
    ]
    .iter()
    .map(|name| match folder.create(name).unwrap_err() {
        FileFault::Name { fault, .. } => fault.to_string(),
        other => panic!("{name:?}: {other}"),
    })
    .collect();
    insta::assert_snapshot!(refusals.join("\n"), @r"
    it is empty
    it begins with /; names are relative to the output folder
    . and .. are no parts of a name
    . and .. are no parts of a name
    . and .. are no parts of a name
    there is nothing between two /
    it ends with /, as a folder does
    it holds the control character U+0000
    it holds the control character U+000A
    a part of it has 256 bytes; at most 255 are allowed
    it has 6001 bytes; at most 4095 are allowed
    ");
    insta::assert_snapshot!(said(folder.create("out\0/x").unwrap_err(), &scratch), @r#""out\0/x" can't be an output's name: it holds the control character U+0000"#);
    assert!(scratch.names().is_empty());
    // Only a name, whatever it means elsewhere.
    for name in ["C:x.tif", "..x", "a\\..\\x.tif", "-rf", "Füller.tif"] {
        write(&folder, name, "x").unwrap();
    }
    assert_eq!(scratch.names().len(), 5);
}

#[test]
fn two_names_of_a_file_have_one_identity() {
    let scratch = Scratch::new("identity");
    let folder = OutputFolder::open(&scratch.0).unwrap();
    assert_eq!(folder.identity("out/x.tif").unwrap(), None);
    assert!(scratch.names().is_empty(), "looking makes nothing");
    write(&folder, "out/x.tif", "x").unwrap();
    fs::hard_link(scratch.0.join("out/x.tif"), scratch.0.join("hard.tif")).unwrap();
    symlink("out/x.tif", scratch.0.join("soft.tif")).unwrap();
    let output = folder.identity("out/x.tif").unwrap().unwrap();
    assert_eq!(Identity::of(&scratch.0.join("soft.tif")).unwrap(), output);
    assert_eq!(Identity::of(&scratch.0.join("hard.tif")).unwrap(), output);
    write(&folder, "y.tif", "x").unwrap();
    assert_ne!(folder.identity("y.tif").unwrap().unwrap(), output);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the name, what is written is below the folder.
    #[test]
    fn nothing_leaves_the_folder(parts in prop::collection::vec("\\.{0,3}[a-c]?", 1..5)) {
        let scratch = Scratch::new("law");
        let base = scratch.0.join("base");
        let folder = OutputFolder::open(&base).unwrap();
        let name = parts.join("/");
        let fine = parts.iter().all(|part| !matches!(part.as_str(), "" | "." | ".."));
        prop_assert_eq!(write(&folder, &name, "x").is_ok(), fine);
        prop_assert_eq!(base.join(&name).is_file(), fine);
        prop_assert_eq!(fs::read_dir(&scratch.0).unwrap().count(), 1);
        prop_assert!(fine || scratch.names() == ["base"]);
    }
}
