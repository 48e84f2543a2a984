//! How long a whole shoot takes: `cargo bench --bench speed -- a` (24 MP x 12 pieces) or `b` (60 MP x 40).
//!
//! The frames are made under `target/speed` (about 1.5 GB for `a`, 11 GB for `b`; taken away again unless `--keep`
//! is given). Each run is one whole process of the program with the page cache warm; medians are printed beside what
//! `explain` says about memory. `b` runs with 2 GiB of address space, because that is what it must do with.

#[path = "shoot.rs"]
mod shoot;

use shoot::Shoot;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

const PROGRAM: &str = env!("CARGO_BIN_EXE_platewright");

/// What one whole process took.
#[derive(Clone, Copy, Debug)]
struct Taken {
    wall: f64,
    cpu: f64,
    peak_mib: f64,
}

fn main() -> ExitCode {
    let typed: Vec<String> = std::env::args().skip(1).collect();
    let has = |word: &str| typed.iter().any(|t| t == word);
    let shoots: Vec<(&Shoot, usize, Option<u64>)> = [
        (&shoot::A, 5, None),
        (&shoot::B, 1, Some(2 << 20)),
        (&shoot::SMALL, 3, Some(2 << 20)),
    ]
    .into_iter()
    .filter(|(shoot, ..)| has(shoot.name))
    .collect();
    if shoots.is_empty() {
        println!("speed: say which: a (24 MP x 12), b (60 MP x 40), small (1 MP x 12)");
        return ExitCode::SUCCESS;
    }
    println!("shoot  pieces     wall s    CPU s  peak MiB  explained MiB   MP/s  master MB");
    let mut ending = ExitCode::SUCCESS;
    for (shoot, runs, limit) in shoots {
        let folder = home().join(shoot.name);
        shoot.made(&folder);
        let scene = folder.join("scene.kdl");
        let explained = explained(&scene);
        let taken: Option<Vec<Taken>> = (0..runs).map(|_| run(&scene, limit)).collect();
        match taken {
            Some(taken) => report(shoot, &folder, &taken, explained),
            None => ending = ExitCode::FAILURE,
        }
        if !has("--keep") {
            let _ = fs::remove_dir_all(&folder);
        }
    }
    ending
}

fn home() -> PathBuf {
    // Build products lie in target/tmp; what is this large stands beside it.
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("../speed")
}

fn report(shoot: &Shoot, folder: &Path, taken: &[Taken], explained: f64) {
    let median = |value: fn(&Taken) -> f64| {
        let mut all: Vec<f64> = taken.iter().map(value).collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    let wall = median(|t| t.wall);
    let master = fs::metadata(folder.join("out/master.tif")).map_or(0, |m| m.len());
    println!(
        "{:5} {:3} x {:2} MP {:9.2} {:8.2} {:9.0} {:14.0} {:6.1} {:10.1}",
        shoot.name,
        shoot.pieces,
        shoot.megapixels().round(),
        wall,
        median(|t| t.cpu),
        median(|t| t.peak_mib),
        explained,
        shoot.megapixels() / wall,
        master as f64 / 1e6
    );
}

/// MiB that `explain` expects.
fn explained(scene: &Path) -> f64 {
    let out = Command::new(PROGRAM)
        .args(["explain", "--json", "--no-store"])
        .arg(scene)
        .output()
        .expect("the program starts");
    let report: serde_json::Value = serde_json::from_slice(&out.stdout).expect("explain's JSON");
    report["memory"].as_f64().unwrap_or(0.0) / f64::from(1 << 20)
}

/// One render; `limit` is the address space in KiB. `None` when it failed, after its words were printed.
fn run(scene: &Path, limit: Option<u64>) -> Option<Taken> {
    let mut command = match limit {
        None => Command::new(PROGRAM),
        Some(kib) => {
            let mut shell = Command::new("sh");
            shell.args(["-c", &format!("ulimit -v {kib}; exec \"$0\" \"$@\"")]);
            shell.arg(PROGRAM);
            shell
        }
    };
    let before = children_seconds();
    let start = Instant::now();
    let mut child = command
        .args(["render", "--no-store"])
        .arg(scene)
        .stdout(Stdio::null())
        .spawn()
        .expect("the program starts");
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kib = 0.0;
    let ended = loop {
        peak_kib = high_water(&status).unwrap_or(peak_kib);
        match child.try_wait().expect("the child is ours") {
            Some(ended) => break ended,
            None => std::thread::sleep(Duration::from_millis(3)),
        }
    };
    let wall = start.elapsed().as_secs_f64();
    if !ended.success() {
        println!("speed: the render ended with {ended}");
        return None;
    }
    Some(Taken {
        wall,
        cpu: children_seconds() - before,
        peak_mib: peak_kib / 1024.0,
    })
}

/// The most memory a process has held so far, in KiB (Linux, proc(5): VmHWM).
fn high_water(status: &str) -> Option<f64> {
    let text = fs::read_to_string(status).ok()?;
    let line = text.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// Processor seconds of all children that have ended (Linux, proc(5): cutime and cstime, 100 ticks a second).
fn children_seconds() -> f64 {
    let text = fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name in parentheses may hold blanks; the third field follows it.
    let after = text.rsplit(')').next().unwrap_or_default();
    let ticks: f64 = after
        .split_whitespace()
        .skip(13)
        .take(2)
        .filter_map(|field| field.parse::<f64>().ok())
        .sum();
    ticks / 100.0
}
