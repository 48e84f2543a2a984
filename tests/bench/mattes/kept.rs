//! What the program takes for a scene of one piece: without a store, with an empty one, with what that left.

use crate::cases::{self, Case};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

const SCENE: &str = "scene \"box\" language=1\nplate \"plate.tif\"\n\
    element \"piece\" { frame \"frame.tif\"; mask { keep { piece } }; offset 3 2 }\n\
    output \"small\" { file \"small.png\"; size long-edge=64 }\n";

/// Seconds of whole processes, and bytes.
#[derive(Clone, Copy, Debug)]
pub struct Times {
    pub bare: f64,
    pub cold: f64,
    pub warm: f64,
    /// All that is in the store after the first run.
    pub kept: u64,
}

pub fn timed(case: &Case, folder: &Path) -> io::Result<Times> {
    let _ = fs::remove_dir_all(folder);
    cases::written(case, folder)?;
    fs::write(folder.join("scene.kdl"), SCENE)?;
    let store = folder.join("kept");
    let bare = run(folder, &PathBuf::new())?;
    // Files of this very moment are digested in every run; a photographer's are older.
    std::thread::sleep(std::time::Duration::from_secs(4));
    let cold = run(folder, &store)?;
    let kept = held(&store)?;
    let warm = run(folder, &store)?;
    fs::remove_dir_all(folder)?;
    Ok(Times {
        bare,
        cold,
        warm,
        kept,
    })
}

fn run(folder: &Path, store: &Path) -> io::Result<f64> {
    let start = Instant::now();
    let ended = Command::new(env!("CARGO_BIN_EXE_platewright"))
        .args(["render", "scene.kdl"])
        .current_dir(folder)
        .env("PLATEWRIGHT_CACHE", store)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()?;
    match ended.success() {
        true => Ok(start.elapsed().as_secs_f64()),
        false => Err(io::Error::other(format!("the render ended with {ended}"))),
    }
}

fn held(folder: &Path) -> io::Result<u64> {
    let mut sum = 0;
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        sum += match entry.file_type()?.is_dir() {
            true => held(&entry.path())?,
            false => entry.metadata()?.len(),
        };
    }
    Ok(sum)
}
