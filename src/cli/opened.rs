//! The way every verb begins: threads, memory, scene, plan.

use super::args::SceneArgs;
use super::{Ending, console, json};
use crate::budget::Account;
use crate::diag::{Finding, Severity, Sources};
use crate::plan::{self, Plan, Settings};
use crate::scene::{self, FileLoader, Scene};
use serde_json::{Map, Value};
use std::path::{Path, PathBuf};

/// A scene read and planned.
pub(super) struct Opened {
    pub scene: Scene,
    pub plan: Plan,
    pub findings: Vec<Finding>,
    pub account: Account,
}

/// Runs `work` on a pool of as many threads as asked for.
pub(super) fn on_threads(args: &SceneArgs, work: impl FnOnce() -> Ending + Send) -> Ending {
    let threads = args.threads.map_or(0, usize::from);
    match rayon::ThreadPoolBuilder::new().num_threads(threads).build() {
        Ok(pool) => pool.install(work),
        Err(fault) => {
            console::complain(&format!("the threads can't be started: {fault}"));
            Ending::Environment
        }
    }
}

/// Reads and plans; on a `stop` reports it and gives the ending.
pub(super) fn opened(args: &SceneArgs, outputs: &[String]) -> Result<Opened, Ending> {
    let scene = match scene::read(&args.scene, &args.settings, &FileLoader) {
        Ok(scene) => scene,
        Err(refused) => return Err(refuse(args, &refused.findings, &refused.sources)),
    };
    let account = Account::new(args.memory);
    let settings = Settings {
        outputs: outputs.to_vec(),
    };
    match plan::planned(&scene, &settings, &account) {
        Ok((plan, findings)) => Ok(Opened {
            scene,
            plan,
            findings,
            account,
        }),
        Err(findings) => Err(refuse(args, &findings, &scene.sources)),
    }
}

/// Reports findings that stop the run.
pub(super) fn refuse(args: &SceneArgs, findings: &[Finding], sources: &Sources) -> Ending {
    tell(args, findings, sources, Map::new());
    Ending::Scene
}

/// Reports findings the way that was asked for; `more` goes into the JSON object.
pub(super) fn tell(
    args: &SceneArgs,
    findings: &[Finding],
    sources: &Sources,
    more: Map<String, Value>,
) {
    if args.json {
        let report = json::report(findings, sources, more);
        console::say(&format!("{report:#}"));
    } else {
        console::report(findings, sources, Severity::Note);
    }
}

/// Every file this run reads.
pub(super) fn inputs(opened: &Opened, scene: &Path) -> Vec<PathBuf> {
    let footage = &opened.plan.footage;
    let mut inputs = vec![scene.to_owned()];
    inputs.extend(footage.shots.iter().map(|shot| shot.path.clone()));
    inputs.extend(footage.painted.iter().map(|mask| mask.path.clone()));
    inputs
}
