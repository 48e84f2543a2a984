//! Lays the golden scenes and the banded scene out in a folder with the frames they name, ready to be rendered:
//!
//! lay_out FOLDER
//!
//! Prints each scene's path, one a line.

#[path = "../common/banded.rs"]
mod banded;
#[path = "../common/mod.rs"]
mod common;
#[path = "../common/golden_frames.rs"]
mod golden_frames;

use std::fs;
use std::path::{Path, PathBuf};

fn main() -> std::io::Result<()> {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        eprintln!("lay_out: say the folder to lay the scenes out in");
        std::process::exit(2);
    };
    golden_frames::write(&folder.join("frames"));
    let mut scenes = Vec::new();
    for entry in fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("golden"))? {
        let entry = entry?;
        let scene = entry.path().join("scene.kdl");
        if scene.is_file() {
            let to = folder.join(entry.file_name());
            fs::create_dir_all(&to)?;
            fs::copy(scene, to.join("scene.kdl"))?;
            scenes.push(to.join("scene.kdl"));
        }
    }
    let banded = folder.join("banded");
    banded::write(&banded);
    scenes.push(banded.join("scene.kdl"));
    scenes.sort();
    for scene in scenes {
        println!("{}", scene.display());
    }
    Ok(())
}
