//! The program as a person or a script meets it: what it prints, where, which exit code, and what it leaves on disk.
//!
//! No outside source decides these words; the snapshots keep them from changing unseen. Exit codes are those the
//! command line's own documentation states.

#[path = "../common/mod.rs"]
mod common;

mod cutout;
mod files;
mod help;
mod json;
mod layout;
mod pin;
mod scene;
mod store;

use common::{gray16, rgb16};
use platewright::color::Named;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// What a run gave.
#[derive(Debug)]
pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
}

/// The program as typed in a folder; it keeps nothing unless a test names a store.
fn program(at: &Path, typed: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_platewright"));
    command
        .args(typed)
        .current_dir(at)
        .env("PLATEWRIGHT_CACHE", "")
        .env_remove("SOURCE_DATE_EPOCH")
        .env_remove("NO_COLOR");
    command
}

fn ended(command: &mut Command) -> Ran {
    let output = command.stdin(Stdio::null()).output().unwrap();
    Ran {
        code: output.status.code().expect("it ends by itself"),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// Runs the program in a folder, output into pipes.
pub fn run(at: &Path, typed: &[&str]) -> Ran {
    ended(&mut program(at, typed))
}

pub fn run_with(at: &Path, typed: &[&str], name: &str, value: &str) -> Ran {
    ended(program(at, typed).env(name, value))
}

/// Runs it with a text on standard input.
pub fn piped(at: &Path, typed: &[&str], text: &str) -> Ran {
    let mut child = program(at, typed)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    input.write_all(text.as_bytes()).unwrap();
    drop(input);
    let output = child.wait_with_output().unwrap();
    Ran {
        code: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// A scene of two pieces on a plate of 96 x 80 px, with a master and a crop.
pub const SHELF: &str = r##"scene "shelf" language=1

param "ink" "indigo"

plate "frames/plate.tif"

element "clip" {
    frame "frames/clip.tif"
    mask { image "frames/clip-mask.tif" }
    offset 12 -4
    rotate 10
}
element "curl" order=5 opacity=0.5 {
    frame "frames/curl.tif"
    mask { rect 30 20 20 20 }
}

protect "label" { rect 40 20 20 20 }
guide x="1/3 2/3"

output "master" { file "out/{scene}-{ink}.tif" }
output "card" { file "out/card.png"; crop 10 10 60 60; size 30 30 }
"##;

/// A folder with the frames of [`SHELF`] and a scene file.
pub fn shelf(name: &str, scene: &str) -> PathBuf {
    let at = common::folder(&format!("cli-{name}"));
    let (w, h) = (96, 80);
    for (k, file) in ["plate", "clip", "curl"].iter().enumerate() {
        let codes = common::noise(k as u64 + 40, (w * h * 3) as usize);
        let path = at.join(format!("frames/{file}.tif"));
        rgb16(&path, w, h, &codes, Named::Srgb);
    }
    let disc: Vec<u16> = (0..w * h)
        .map(|k| {
            let (x, y) = ((k % w) as i32 - 40, (k / w) as i32 - 40);
            if x * x + y * y < 300 { u16::MAX } else { 0 }
        })
        .collect();
    gray16(&at.join("frames/clip-mask.tif"), w, h, &disc, Named::Gray);
    fs::write(at.join("scene.kdl"), scene).unwrap();
    at
}

/// Every file below a folder's `out`, sorted.
pub fn outputs(at: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(at.join("out")) else {
        return Vec::new();
    };
    let mut names: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}
