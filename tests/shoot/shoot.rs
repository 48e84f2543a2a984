//! A day in a tabletop studio that never was: an ink bottle on a walnut table, nibs, paper curls and brass clips on rods in
//! front of it, a crown of ink, as 16-bit frames, with the truth beside them. Everything is made here, light included, by a
//! small path tracer; nothing is shared with the program under test. The same arguments give the same files.

mod bottle;
mod bvh;
mod camera;
mod covers;
mod icc;
mod job;
mod layers;
mod lobe;
mod masks;
mod mesh;
mod more;
mod nets;
mod noise;
mod pieces;
mod sampling;
mod sensor;
mod shots;
mod splash;
mod studio;
mod surface;
mod take;
mod tiff;
mod trace;
mod vector;
mod world;

use job::{Job, Scope};
use std::process::ExitCode;
use studio::Ink;

const USAGE: &str = "\
Renders a tabletop shoot: plates, frames with a piece on a rod, painted masks, and the truth.

  cargo run --release --example shoot -- --out DIR [--height N] [--seed N] [--small | --more] [--samples N]
                                            [--ink indigo|crimson] [--only TEXT]

  --out DIR      where frames/, masks/ and truth/ go
  --height N     rows of a frame, 100 to 20000; the width is four fifths of it (1500; with --small or --more 800; 8660 makes 60 MP)
  --seed N       another day: other noise, drift and bumps (1)
  --small        one dry plate, the wet and the bare one, one frame a piece, the masks; of the truth the pieces alone
  --more         frames that no finished picture has, with their plates and truth: an action frame, pieces before the wet
                 set, a see-through thing before a dark and a light card
  --samples N    light paths a pixel (20, with --small or --more 40; fewer the more a frame is above 4 MP); 4 times as
                 many on pieces, 32 times with --small
  --ink COLOUR   indigo or crimson (indigo)
  --only TEXT    only the files whose name contains TEXT

Of each piece, whole behind its rod, truth/NAME.png is straight colour and coverage (brighter than white is white), truth/NAME-light.tif colour times
coverage in linear light, 32-bit, with what is above white (1) kept; both in the frame's geometry at the plate's exposure.
";

fn arguments() -> Result<Job, String> {
    let mut args = std::env::args().skip(1);
    let (mut out, mut height, mut seed, mut samples) = (None, None, 1, None);
    let (mut scope, mut ink, mut only) = (Scope::Whole, Ink::Indigo, None);
    while let Some(name) = args.next() {
        if name == "--small" || name == "--more" {
            scope = match name.as_str() {
                "--small" => Scope::Small,
                _ => Scope::More,
            };
            continue;
        }
        let value = args
            .next()
            .ok_or_else(|| format!("{name}: not known, or its value is missing"))?;
        let number = |low: u32, high: u32| {
            let n = value
                .parse::<u32>()
                .ok()
                .filter(|n| (low..=high).contains(n));
            n.ok_or_else(|| format!("{name} {value}: a whole number from {low} to {high}"))
        };
        match name.as_str() {
            "--out" => out = Some(value.into()),
            "--height" => height = Some(number(100, 20_000)?),
            "--seed" => seed = number(0, u32::MAX)?,
            "--samples" => samples = Some(number(1, 4096)?),
            "--ink" if value == "indigo" => ink = Ink::Indigo,
            "--ink" if value == "crimson" => ink = Ink::Crimson,
            "--ink" => return Err(format!("--ink {value}: indigo or crimson")),
            "--only" => only = Some(value),
            _ => return Err(format!("{name}: not known")),
        }
    }
    let out = out.ok_or("--out DIR is missing")?;
    let height = height.unwrap_or(if scope == Scope::Whole { 1500 } else { 800 });
    Ok(Job {
        out,
        height,
        seed,
        samples,
        scope,
        ink,
        only,
    })
}

fn main() -> ExitCode {
    let job = match arguments() {
        Ok(job) => job,
        Err(fault) => {
            eprintln!("{fault}\n\n{USAGE}");
            return ExitCode::from(2);
        }
    };
    match job.run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("{}: {fault}", job.out.display());
            ExitCode::FAILURE
        }
    }
}
