//! The way every verb about a scene begins: threads, memory, scene, plan.

use super::answer::{Answer, Stopped};
use super::args::SceneArgs;
use super::kept;
use crate::budget::Account;
use crate::diag::{Finding, SourceId};
use crate::plan::{self, Plan, Settings};
use crate::scene::{self, FileLoader, Scene};
use crate::settle;
use crate::store::Store;
use std::path::{Path, PathBuf};

/// A scene read and planned.
pub(super) struct Opened {
    pub scene: Scene,
    pub plan: Plan,
    pub findings: Vec<Finding>,
    pub account: Account,
    /// What earlier runs left.
    pub store: Store,
}

/// Runs `work` on a pool of as many threads as asked for.
pub(super) fn on_threads(
    args: &SceneArgs,
    work: impl FnOnce() -> Result<Answer, Stopped> + Send,
) -> Result<Answer, Stopped> {
    on_pool(args.threads, work)
}

/// The same for a verb without a scene; `None` for one thread a core.
pub(super) fn on_pool(
    threads: Option<u16>,
    work: impl FnOnce() -> Result<Answer, Stopped> + Send,
) -> Result<Answer, Stopped> {
    let threads = threads.map_or(0, usize::from);
    // This thread is one of them: what it lets go of it finds again. It can be so only once.
    let asked = || rayon::ThreadPoolBuilder::new().num_threads(threads);
    let pool = asked().use_current_thread().build();
    match pool.or_else(|_| asked().build()) {
        Ok(pool) => pool.install(work),
        Err(fault) => Err(Stopped::plain(
            Finding::stop(
                "threads-refused",
                format!("the threads can't be started: {fault}"),
            )
            .remedy("ask for fewer: --threads 2"),
        )),
    }
}

/// Reads and plans.
pub(super) fn opened(args: &SceneArgs, outputs: &[String]) -> Result<Opened, Stopped> {
    let account = Account::new(args.memory);
    let scene = scene::read(&args.scene, &args.settings, &FileLoader).map_err(|refused| {
        // A missing frame is told in the same run as a misspelt word.
        let files = refused.partial.as_deref();
        let files = files.map_or_else(Vec::new, |scene| plan::unreadable(scene, &account));
        let refused = refused.with(files);
        Stopped::with(refused.findings, &refused.sources)
    })?;
    let settings = Settings {
        outputs: outputs.to_vec(),
    };
    match plan::planned(&scene, &settings, &account) {
        Ok((plan, findings)) => Ok(Opened {
            scene,
            plan,
            findings,
            account,
            store: match args.no_store {
                true => Store::none(),
                false => kept::users(),
            },
        }),
        Err(findings) => Err(Stopped::with(findings, &scene.sources)),
    }
}

impl Opened {
    /// A reason found later on.
    pub fn stopped(&self, finding: Finding) -> Stopped {
        self.all_stopped(vec![finding])
    }

    /// Reasons found later on; where a file is damaged, all that are.
    pub fn all_stopped(&self, findings: Vec<Finding>) -> Stopped {
        let all = settle::with_all_broken(findings, &self.plan.footage, &self.account);
        Stopped::with(all, &self.scene.sources)
    }

    /// Every file this run reads: the scene, what it includes, frames and painted masks.
    pub fn inputs(&self) -> Vec<PathBuf> {
        let footage = &self.plan.footage;
        let mut inputs: Vec<PathBuf> = (0..)
            .map_while(|k| self.scene.sources.get(SourceId(k)))
            .map(|source| PathBuf::from(&source.name))
            .collect();
        inputs.extend(footage.shots.iter().map(|shot| shot.path.clone()));
        inputs.extend(footage.painted.iter().map(|mask| mask.path.clone()));
        inputs
    }
}

/// The folder a scene lies in; nothing for a bare name.
pub(super) fn scene_folder(scene: &Path) -> PathBuf {
    scene.parent().map(Path::to_owned).unwrap_or_default()
}
