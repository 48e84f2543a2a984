//! `render`: compose the picture and write its outputs.

use super::Ending;
use super::args::RenderArgs;
use super::console::{Progress, complain, say};
use super::opened::{inputs, on_threads, opened, refuse, tell};
use crate::deliver::{self, Job, OutputFolder, Shape};
use crate::diag::Finding;
use crate::frame::write::{Moment, Words};
use crate::render::Tiling;
use crate::scene::Scene;
use crate::settle;
use serde_json::{Map, json};
use std::path::{Path, PathBuf};

pub(super) fn run(args: &RenderArgs) -> Ending {
    on_threads(&args.scene, || rendered(args))
}

fn rendered(args: &RenderArgs) -> Ending {
    let opened = match opened(&args.scene, &args.outputs) {
        Ok(opened) => opened,
        Err(ending) => return ending,
    };
    let sources = &opened.scene.sources;
    if opened.plan.outputs.is_empty() {
        let finding = Finding::stop(
            "no-outputs",
            "the scene names no output, so there is nothing to write",
        )
        .remedy("add one: output \"master\" { file \"out/{scene}.tif\" }");
        return refuse(&args.scene, &[finding], sources);
    }
    let words = match words(&opened.scene) {
        Ok(words) => words,
        Err(fault) => {
            complain(&fault);
            return Ending::Environment;
        }
    };
    let folder_path = args
        .out_dir
        .clone()
        .unwrap_or_else(|| scene_folder(&args.scene.scene));
    let folder = match OutputFolder::open(&folder_path) {
        Ok(folder) => folder,
        Err(fault) => {
            complain(&format!(
                "the output folder {}: {fault}",
                folder_path.display()
            ));
            return Ending::Environment;
        }
    };
    let settled = match settle::settled(&opened.plan, &opened.account) {
        Ok(settled) => settled,
        Err(finding) => return refuse(&args.scene, &[finding], sources),
    };
    let job = Job {
        plan: &opened.plan,
        settled: &settled,
        folder: &folder,
        shape: args.preview.map_or(Shape::Finished, Shape::Preview),
        tiling: Tiling::default(),
        words,
        inputs: &inputs(&opened, &args.scene.scene),
        account: &opened.account,
    };
    let mut progress = Progress::new();
    let result = deliver::delivered(&job, &mut |done, total| progress.rows(done, total));
    progress.done();
    match result {
        Ok((files, found)) => {
            let mut findings = opened.findings.clone();
            findings.extend(found);
            let mut more = Map::new();
            more.insert(
                "files".into(),
                files
                    .iter()
                    .map(|f| {
                        json!({
                            "output": f.output,
                            "file": folder_path.join(&f.file).display().to_string(),
                            "width": f.width,
                            "height": f.height,
                        })
                    })
                    .collect(),
            );
            tell(&args.scene, &findings, sources, more);
            if !args.scene.json {
                for f in &files {
                    say(&format!(
                        "{}  {} x {}",
                        folder_path.join(&f.file).display(),
                        f.width,
                        f.height
                    ));
                }
            }
            Ending::Done
        }
        Err(findings) => refuse(&args.scene, &findings, sources),
    }
}

/// The folder a scene lies in; `.` for a bare name.
pub(super) fn scene_folder(scene: &Path) -> PathBuf {
    match scene.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// What goes into every file's metadata. The date is the maker's own, never the clock's.
fn words(scene: &Scene) -> Result<Words, String> {
    let date = match std::env::var("SOURCE_DATE_EPOCH") {
        Err(_) => None,
        Ok(text) => Some(text.parse().ok().and_then(Moment::of_unix).ok_or_else(|| {
            format!("SOURCE_DATE_EPOCH is \"{text}\"; seconds since 1970 are wanted")
        })?),
    };
    let said = |text: &Option<crate::diag::Spanned<String>>| text.as_ref().map(|t| t.value.clone());
    Ok(Words {
        title: said(&scene.title),
        creator: said(&scene.creator),
        rights: said(&scene.rights),
        date,
    })
}
