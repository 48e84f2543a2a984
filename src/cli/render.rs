//! `render`: compose the picture and write its outputs.

use super::answer::{Answer, Stopped};
use super::args::RenderArgs;
use super::console::{Progress, columns};
use super::cutout;
use super::opened::{Opened, on_threads, opened, scene_folder};
use super::words::words;
use crate::deliver::cutout::{Place, of_members};
use crate::deliver::{self, Delivered, Job, OutputFolder, Shape};
use crate::diag::Finding;
use crate::render::Tiling;
use crate::report;
use crate::settle::{self, Keep};
use serde_json::{Map, json};
use std::path::Path;

pub(super) fn run(args: &RenderArgs) -> Result<Answer, Stopped> {
    on_threads(&args.scene, || {
        let opened = opened(&args.scene, &args.outputs)?;
        rendered(args, &opened).map_err(|findings| opened.all_stopped(findings))
    })
}

fn rendered(args: &RenderArgs, opened: &Opened) -> Result<Answer, Vec<Finding>> {
    let one = |finding: Finding| vec![finding];
    if opened.plan.outputs.is_empty() {
        return Err(vec![
            Finding::stop(
                "no-outputs",
                "the scene has no output switched on, so there is nothing to write",
            )
            .remedy("add one: output \"master\" { file \"out/{scene}.tif\" }"),
        ]);
    }
    let words = words(&opened.scene).map_err(one)?;
    let place = args
        .out_dir
        .clone()
        .unwrap_or_else(|| scene_folder(&args.scene.scene));
    let folder = OutputFolder::open(&place).map_err(|fault| {
        one(Finding::stop("folder-unwritable", fault.to_string())
            .remedy("give a folder of your own that can be written: --out-dir DIR"))
    })?;
    let keep = match args.cutouts {
        true => Keep::AllLight,
        false => Keep::NearPieces,
    };
    let settled =
        settle::settled_keeping(&opened.plan, keep, &opened.store, &opened.account).map_err(one)?;
    let inputs = opened.inputs();
    let cutouts = match args.cutouts {
        true => {
            let place = Place {
                folder: &folder,
                prefix: "",
                inputs: &inputs,
                words: &words,
            };
            of_members(&opened.plan, &settled, &place, &opened.account).map_err(one)?
        }
        false => Vec::new(),
    };
    let job = Job {
        plan: &opened.plan,
        settled: &settled,
        folder: &folder,
        shape: args.preview.map_or(Shape::Finished, Shape::Preview),
        tiling: Tiling::default(),
        words,
        inputs: &inputs,
        account: &opened.account,
    };
    let mut progress = Progress::new();
    let delivery = deliver::delivered(&job, &mut |done, total| progress.rows(done, total))?;
    drop(progress);
    let mut findings = opened.findings.clone();
    findings.extend(settled.findings.iter().cloned());
    findings.extend(report::covered(&opened.plan.protects, &delivery.measured));
    let mut more = Map::new();
    let files = delivery.files.iter();
    more.insert(
        "files".into(),
        files.clone().map(|file| as_json(file, &place)).collect(),
    );
    let mut rows: Vec<Vec<String>> = files.map(|file| row(file, &place)).collect();
    if args.cutouts {
        let members = cutouts.iter().map(|cut| {
            let files = cutout::listed(&cut.files, &place);
            json!({ "member": cut.member, "files": files })
        });
        more.insert("cutouts".into(), members.collect());
        let made = cutouts.iter().flat_map(|cut| &cut.files);
        rows.extend(made.map(|made| cutout::row(made, &place)));
    }
    Ok(Answer {
        findings,
        sources: opened.scene.sources.clone(),
        text: columns(&rows)
            .iter()
            .map(|line| format!("{}\n", line.trim_start()))
            .collect(),
        more,
        attention: false,
    })
}

fn row(file: &Delivered, place: &Path) -> Vec<String> {
    vec![
        place.join(&file.file).display().to_string(),
        format!("{} x {}", file.width, file.height),
    ]
}

fn as_json(file: &Delivered, place: &Path) -> serde_json::Value {
    json!({
        "output": file.output,
        "file": place.join(&file.file).display().to_string(),
        "width": file.width,
        "height": file.height,
    })
}
