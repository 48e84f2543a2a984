//! The house rules that a compiler does not know: who may look at whom, what pixels may be made with, how long a
//! file may be, what may lie in the open. The table of floors in `src/lib.rs` is the only list of rooms.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const LONGEST_FILE: usize = 600;

/// Everything that may stand at the top of the repository, dotfiles apart.
const TOP: [&str; 9] = [
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "golden",
    "scenes",
    "src",
    "tests",
];

/// Float functions whose last bit depends on the platform. The lint in `.clippy.toml` knows types and catches them
/// first; this one also runs where clippy does not.
const PLATFORM_FUNCTIONS: [&str; 24] = [
    "powf", "powi", "exp", "exp2", "exp_m1", "ln", "ln_1p", "log", "log2", "log10", "sin", "cos",
    "tan", "asin", "acos", "atan", "atan2", "sinh", "cosh", "tanh", "sin_cos", "cbrt", "hypot",
    "mul_add",
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Room to floor, from the table in the crate's own documentation.
fn floors(lib: &str) -> BTreeMap<String, u32> {
    let mut floors = BTreeMap::new();
    for line in lib.lines().filter_map(|line| line.strip_prefix("//! | ")) {
        let mut cells = line.split('|').map(str::trim);
        let (Some(floor), Some(rooms)) = (cells.next(), cells.next()) else {
            continue;
        };
        let Ok(floor) = floor.parse() else { continue };
        let names = rooms.split(": ").next().unwrap_or_default();
        for name in names.split("[`").skip(1) {
            let name = name.split("`]").next().unwrap_or_default();
            assert!(
                floors.insert(name.to_owned(), floor).is_none(),
                "{name} stands twice in the table of src/lib.rs"
            );
        }
    }
    floors
}

/// Every Rust file of a folder, in path order.
fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// The code of a file: comments blanked, line numbers kept.
fn code_of(text: &str) -> String {
    text.lines()
        .map(|line| match line.trim_start().starts_with("//") {
            true => "",
            false => line.split(" // ").next().unwrap_or_default(),
        })
        .collect::<Vec<_>>()
        .join("\n")
}

/// Rooms named in code as `crate::room` or in a `use crate::{room, ...}` list, with their line.
fn rooms_named(code: &str) -> Vec<(String, usize)> {
    const CRATE: &str = "crate::";
    let mut named = Vec::new();
    let mut from = 0;
    while let Some(at) = code[from..].find(CRATE) {
        let start = from + at;
        from = start + CRATE.len();
        let joined = code[..start].ends_with(|c: char| c.is_alphanumeric() || c == '_');
        if joined {
            continue;
        }
        let line = code[..start].matches('\n').count() + 1;
        let rest = &code[from..];
        match rest.strip_prefix('{') {
            None => named.push((word(rest), line)),
            Some(list) => named.extend(heads(list).into_iter().map(|head| (head, line))),
        }
    }
    named
}

/// The first word of each entry of a use list, up to its closing brace.
fn heads(list: &str) -> Vec<String> {
    let mut heads = Vec::new();
    let mut depth = 0;
    let mut entry = 0;
    for (at, c) in list.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth > 0 => depth -= 1,
            '}' | ',' if depth == 0 => {
                heads.push(word(list[entry..at].trim_start()));
                entry = at + 1;
                if c == '}' {
                    break;
                }
            }
            _ => {}
        }
    }
    heads.retain(|head| !head.is_empty());
    heads
}

fn word(text: &str) -> String {
    text.chars()
        .take_while(|c| c.is_alphanumeric() || *c == '_')
        .collect()
}

/// What one file names that it must not: (line, what is wrong).
fn looks(floors: &BTreeMap<String, u32>, room: &str, code: &str) -> Vec<(usize, String)> {
    let floor = floors[room];
    rooms_named(code)
        .into_iter()
        .filter(|(named, _)| named != room)
        .filter_map(|(named, line)| match floors.get(&named) {
            Some(&other) if other < floor => None,
            Some(&other) => Some((
                line,
                format!("{room} (floor {floor}) looks at {named} (floor {other})"),
            )),
            None => Some((
                line,
                format!("{room} names crate::{named}, which is no room"),
            )),
        })
        .collect()
}

/// `super::` chains long enough to leave the room would hide a look from the reader (and from the test above).
fn climbs(floors: &BTreeMap<String, u32>, room: &str, code: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    for (number, line) in code.lines().enumerate() {
        let mut rest = line;
        while let Some(at) = rest.find("super::") {
            let mut tail = &rest[at..];
            while let Some(after) = tail.strip_prefix("super::") {
                tail = after;
            }
            let name = word(tail);
            if name != room && floors.contains_key(&name) {
                found.push((
                    number + 1,
                    format!("reaches {name} through super; write crate::{name}"),
                ));
            }
            rest = tail;
        }
    }
    found
}

fn report(faults: &[String]) {
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

#[test]
fn the_table_of_floors_lists_every_room() {
    let lib = fs::read_to_string(root().join("src/lib.rs")).unwrap();
    let floors = floors(&lib);
    let listed: Vec<&str> = floors.keys().map(String::as_str).collect();
    let mut declared: Vec<String> = code_of(&lib)
        .lines()
        .filter_map(|line| line.trim().strip_prefix("pub mod ").map(word))
        .collect();
    declared.sort();
    assert_eq!(listed, declared, "table of src/lib.rs against its modules");
    let mut there: Vec<String> = fs::read_dir(root().join("src"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| {
            path.file_name()
                .is_some_and(|name| name != "lib.rs" && name != "main.rs")
        })
        .map(|path| path.file_stem().unwrap().to_string_lossy().into_owned())
        .collect();
    there.sort();
    assert_eq!(
        listed, there,
        "table of src/lib.rs against what lies in src/"
    );
}

#[test]
fn a_room_names_only_rooms_below_it() {
    let source = root().join("src");
    let floors = floors(&fs::read_to_string(source.join("lib.rs")).unwrap());
    let mut faults = Vec::new();
    for room in floors.keys() {
        let single = source.join(format!("{room}.rs"));
        let files = match single.is_file() {
            true => vec![single],
            false => rust_files(&source.join(room)),
        };
        assert!(!files.is_empty(), "the room {room} has no file");
        for file in files {
            let code = code_of(&fs::read_to_string(&file).unwrap());
            let place = file.strip_prefix(root()).unwrap().display();
            for (line, fault) in looks(&floors, room, &code)
                .into_iter()
                .chain(climbs(&floors, room, &code))
            {
                faults.push(format!("{place}:{line}: {fault}"));
            }
        }
    }
    report(&faults);
}

#[test]
fn looks_upward_and_sideways_are_found() {
    let lib = "//! | 2 | [`b`], [`c`]: two · three |\n//! | 1 | [`a`]: one |\n";
    let floors = floors(lib);
    assert_eq!(floors.len(), 3);
    assert_eq!(looks(&floors, "b", "use crate::a::Thing;"), []);
    assert_eq!(looks(&floors, "b", "use crate::{a::{X, Y}, b};"), []);
    assert_eq!(looks(&floors, "a", "use crate::b;").len(), 1);
    assert_eq!(looks(&floors, "b", "use crate::{a, c::{X}};").len(), 1);
    assert_eq!(looks(&floors, "b", "let x = crate::c::f();").len(), 1);
    assert_eq!(looks(&floors, "b", "\nuse crate::d;")[0].0, 2);
    assert_eq!(climbs(&floors, "b", "use super::super::c;").len(), 1);
    assert_eq!(climbs(&floors, "b", "use super::b;"), []);
    assert_eq!(looks(&floors, "a", &code_of("// use crate::b;")), []);
}

#[test]
fn no_float_function_depends_on_the_platform() {
    let mut faults = Vec::new();
    for file in rust_files(&root().join("src")) {
        let code = code_of(&fs::read_to_string(&file).unwrap());
        for (number, line) in code.lines().enumerate() {
            for name in PLATFORM_FUNCTIONS {
                let called = [
                    format!(".{name}("),
                    format!("f32::{name}"),
                    format!("f64::{name}"),
                ]
                .iter()
                .any(|call| {
                    line.match_indices(call.as_str()).any(|(at, found)| {
                        let after = &line[at + found.len()..];
                        call.ends_with('(') || word(after).is_empty()
                    })
                });
                if called {
                    let place = file.strip_prefix(root()).unwrap().display();
                    faults.push(format!(
                        "{place}:{}: {name} is not the same on every machine; use libm or a table",
                        number + 1
                    ));
                }
            }
        }
    }
    report(&faults);
}

#[test]
fn no_source_file_is_too_long_to_read() {
    let mut faults = Vec::new();
    for file in rust_files(&root().join("src")) {
        let lines = fs::read_to_string(&file).unwrap().lines().count();
        if lines > LONGEST_FILE {
            let place = file.strip_prefix(root()).unwrap().display();
            faults.push(format!("{place}: {lines} lines; at most {LONGEST_FILE}"));
        }
    }
    report(&faults);
}

/// Paths known to git, relative to the repository's root.
fn tracked() -> Vec<String> {
    let listing = Command::new("git")
        .args(["ls-files", "-z"])
        .current_dir(root())
        .output()
        .expect("git is needed to list the tracked files");
    assert!(
        listing.status.success(),
        "git ls-files failed: not a clone?"
    );
    let names: Vec<String> = String::from_utf8(listing.stdout)
        .unwrap()
        .split_terminator('\0')
        .map(str::to_owned)
        .collect();
    assert!(names.len() > 20, "git lists only {} files", names.len());
    names
}

#[test]
fn the_top_level_holds_only_what_belongs_there() {
    let faults: Vec<String> = tracked()
        .into_iter()
        .filter(|name| {
            let top = name.split('/').next().unwrap_or_default();
            !top.starts_with('.') && !TOP.contains(&top)
        })
        .collect();
    report(&faults);
}

#[test]
fn no_tracked_file_names_a_path_of_somebodys_machine() {
    // Put together here so that this file does not find itself.
    let folders =
        ["home", "root", "tmp", "work", "Users", "var/folders"].map(|name| format!("/{name}/"));
    let mut faults = Vec::new();
    for name in tracked() {
        // A file may be deleted in the working tree and still be listed.
        let Ok(bytes) = fs::read(root().join(&name)) else {
            continue;
        };
        for folder in &folders {
            if let Some(at) = path_in(&bytes, folder.as_bytes()) {
                let line = bytes[..at].iter().filter(|&&byte| byte == b'\n').count() + 1;
                faults.push(format!("{name}:{line}: names {folder}"));
            }
        }
    }
    report(&faults);
}

#[test]
fn no_test_meets_the_users_own_store() {
    let starts = ["CARGO_BIN_EXE_platewright", "cli::run", "\"render\""];
    let mut faults = Vec::new();
    let mut seen = 0;
    for name in tracked() {
        let own = name == "tests/house.rs" || !name.starts_with("tests/");
        let Ok(text) = fs::read_to_string(root().join(&name)) else {
            continue;
        };
        let runs = !own && starts.iter().any(|word| text.contains(word));
        // Files of tests/cli go through the builder in its main.rs.
        let through = name.starts_with("tests/cli/") && !text.contains(starts[0]);
        if !runs || through {
            continue;
        }
        seen += 1;
        if !text.contains("PLATEWRIGHT_CACHE") && !text.contains("--no-store") {
            faults.push(format!(
                "{name}: runs the program; set PLATEWRIGHT_CACHE or type --no-store"
            ));
        }
    }
    assert!(seen > 6, "only {seen} files run the program?");
    report(&faults);
}

/// Where an absolute path below `folder` begins: a folder of that name inside a relative path is none.
fn path_in(bytes: &[u8], folder: &[u8]) -> Option<usize> {
    bytes
        .windows(folder.len())
        .enumerate()
        .find_map(|(at, part)| {
            let before = at.checked_sub(1).map(|before| bytes[before]);
            let inside =
                before.is_some_and(|b| b.is_ascii_alphanumeric() || b"._-/{}*".contains(&b));
            (part == folder && !inside).then_some(at)
        })
}

#[test]
fn only_absolute_paths_count_as_a_machines() {
    assert_eq!(path_in(b"see /shelf/x", b"/shelf/"), Some(4));
    assert_eq!(path_in(b"dry/shelf/x", b"/shelf/"), None);
    assert_eq!(path_in(b"/shelfs", b"/shelf/"), None);
}
