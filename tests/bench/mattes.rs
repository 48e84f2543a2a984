//! How good our mattes are: `cargo bench --bench mattes -- --seeds 21..40`.
//!
//! Makes cases of our own world by seed (`tests/shoot/cases/`), lays each frame onto its plate, cuts it out, carries the
//! piece to the plate's grid as a picture would, and scores it there. One table a level: a line a kind, the mean of all, and
//! the limit (true matte and light, the frame's own noise). `--results DIR` adds what other programs made of the same
//! files. Seeds 1 to 20 are for tuning, 21 to 40 for reporting. Nothing asserts a score here.

#[path = "../shoot/cases/mod.rs"]
#[allow(
    dead_code,
    unused_imports,
    reason = "the benchmark uses its part of the generator"
)]
mod cases;
#[path = "../shoot/icc.rs"]
mod icc;
#[path = "../shoot/mesh.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod mesh;
#[path = "../shoot/noise.rs"]
mod noise;
#[path = "../shoot/pieces.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod pieces;
#[path = "../shoot/sampling.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod sampling;
#[path = "../shoot/sensor.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod sensor;
#[path = "../shoot/surface.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod surface;
#[path = "../shoot/tiff.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod tiff;
#[path = "../shoot/vector.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod vector;

#[path = "mattes/args.rs"]
mod args;
#[path = "mattes/composite.rs"]
mod composite;
#[path = "mattes/cut.rs"]
mod cut;
#[path = "mattes/distance.rs"]
mod distance;
#[path = "mattes/kept.rs"]
mod kept;
#[path = "mattes/look.rs"]
mod look;
#[path = "mattes/others.rs"]
mod others;
#[path = "mattes/score.rs"]
mod score;
#[path = "mattes/table.rs"]
mod table;

use args::Asked;
use cases::{Case, Level};
use cut::Cut;
use score::Score;
use std::path::Path;
use std::process::ExitCode;
use table::Row;

fn main() -> ExitCode {
    let asked = match Asked::read(std::env::args().skip(1)) {
        Ok(Some(asked)) => asked,
        Ok(None) => return ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("mattes: {fault}\n\n{}", args::USAGE);
            return ExitCode::from(2);
        }
    };
    if let Some(folder) = &asked.write {
        for case in asked.cases() {
            let made = asked.made(case.0, case.1, case.2);
            if let Err(fault) = cases::written(&made, &folder.join(cut::name(&made))) {
                eprintln!("mattes: {}: {fault}", folder.display());
                return ExitCode::FAILURE;
            }
        }
        return ExitCode::SUCCESS;
    }
    println!(
        "{} kinds, seeds {}..{}, {} x {} px{}{}{}, frames laid on their plates by {}",
        asked.kinds.len(),
        asked.seeds.start(),
        asked.seeds.end(),
        asked.size,
        asked.size,
        if asked.converted {
            " through a raw converter"
        } else {
            ""
        },
        if asked.graded { " and a curve" } else { "" },
        if asked.converted || asked.graded {
            " (the limit is the sensor's)"
        } else {
            ""
        },
        asked.motion_name(),
    );
    for &level in &asked.levels {
        one_level(&asked, level);
    }
    if let Some(size) = asked.large {
        large(&asked, size);
    }
    println!("{}", table::LEGEND);
    ExitCode::SUCCESS
}

/// Scores every case of a level and prints its table.
fn one_level(asked: &Asked, level: Level) {
    let methods = others::methods(asked.results.as_deref());
    let mut rows = Vec::new();
    let mut all = Row::new("all kinds");
    let mut limit = Row::new("limit");
    let mut theirs: Vec<Row> = methods.iter().map(|m| Row::new(&m.name)).collect();
    for &kind in &asked.kinds {
        let mut row = Row::new(kind.name());
        for seed in asked.seeds.clone() {
            let case = asked.made(kind, level, seed);
            let scale = score::Scale::of(&case);
            let cut = cut::run(&case, asked.motion);
            let scored = Score::of(&case, &scale, &cut);
            if asked.each {
                let (name, set) = (cut::name(&case), case.cloth.name());
                println!("{name:20} {set:7} {}", scored.line());
            }
            if let Some(folder) = &asked.look
                && let Err(fault) = look::save(folder, &case, &cut)
            {
                eprintln!("mattes: {}: {fault}", folder.display());
            }
            row.add(&scored);
            all.add(&scored);
            limit.add(&Score::of(&case, &scale, &limit_of(&case)));
            for (method, row) in methods.iter().zip(&mut theirs) {
                if let Some(cut) = method.cut(&case) {
                    row.add(&Score::of(&case, &scale, &cut));
                }
            }
        }
        rows.push(row);
    }
    rows.push(all);
    rows.push(limit);
    rows.extend(theirs);
    table::print(level.name(), &rows);
}

/// What the true matte and the true light make of a frame that lies exactly on its plate: only its noise is left.
fn limit_of(case: &Case) -> Cut {
    let truth = &case.truth;
    let under: Vec<[f32; 3]> = (0..truth.matte.len())
        .map(|n| {
            let rest = 1.0 - truth.matte[n];
            [0, 1, 2].map(|k| rest * truth.ratio_all[n][k] * truth.plate[n][k])
        })
        .collect();
    let whole: Vec<[f32; 3]> = under
        .iter()
        .zip(&truth.light)
        .map(|(under, light)| [0, 1, 2].map(|k| under[k] + light[k]))
        .collect();
    let seen = cases::noisy(&whole, case.size, &case.camera, case.seed ^ 0x0115_e5ed);
    let light = seen
        .iter()
        .zip(&under)
        .map(|(seen, under)| [0, 1, 2].map(|k| seen[k] - under[k]))
        .collect();
    Cut::given(truth.matte.clone(), light)
}

/// Seconds and memory of one large box of each kind that differs in what it costs.
fn large(asked: &Asked, size: u32) {
    println!(
        "\none {size} x {size} box, level typical: seconds of laying on and of cutting out, peak of the memory account; \
         then whole renders: without a store, with an empty one, with what that left, and how much that is"
    );
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("mattes-kept");
    for &kind in &asked.kinds {
        let case = cases::made(kind, Level::Typical, *asked.seeds.start(), size);
        let mib = |bytes: u64| bytes as f64 / f64::from(1 << 20);
        let cut = cut::run(&case, asked.motion);
        if let Some(cost) = cut.cost {
            print!(
                "{:10} {:7.2} s {:7.2} s {:8.0} MiB",
                kind.name(),
                cost.laying,
                cost.cutting,
                mib(cost.peak)
            );
        }
        match kept::timed(&case, &folder) {
            Ok(times) => println!(
                " {:9.2} s {:7.2} s {:7.2} s {:8.1} MiB",
                times.bare,
                times.cold,
                times.warm,
                mib(times.kept)
            ),
            Err(fault) => println!("   {fault}"),
        }
    }
}
