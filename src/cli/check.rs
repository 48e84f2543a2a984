//! `check`: everything that can be said before a pixel is drawn.

use super::answer::{Answer, Stopped};
use super::args::CheckArgs;
use super::console::counted;
use super::opened::{on_threads, opened, scene_folder};
use crate::deliver::{OutputFolder, misplaced};
use serde_json::{Map, json};

pub(super) fn run(args: &CheckArgs) -> Result<Answer, Stopped> {
    on_threads(&args.scene, || {
        let opened = opened(&args.scene, &args.outputs)?;
        let plan = &opened.plan;
        let place = args
            .out_dir
            .clone()
            .unwrap_or_else(|| scene_folder(&args.scene.scene));
        // A folder that is not there yet holds nothing that could be written over.
        if (place.is_dir() || place.as_os_str().is_empty())
            && let Ok(folder) = OutputFolder::open(&place)
        {
            let faults = misplaced(&folder, &plan.outputs, &opened.inputs());
            if !faults.is_empty() {
                return Err(Stopped::with(faults, &opened.scene.sources));
            }
        }
        let (frames, masks, outputs) = (
            plan.footage.shots.len(),
            plan.footage.painted.len(),
            plan.outputs.len(),
        );
        let mut more = Map::new();
        more.insert("scene".into(), json!(opened.scene.name));
        more.insert("frames".into(), json!(frames));
        more.insert("painted-masks".into(), json!(masks));
        more.insert("outputs".into(), json!(outputs));
        let mut checked = format!("the scene's text, {}", counted(frames, "frame"));
        if masks > 0 {
            checked += &format!(", {}", counted(masks, "painted mask"));
        }
        let text = format!(
            "{}: nothing stands in the way\nchecked: {checked} and {}; pixels are read by render\n",
            opened.scene.name,
            counted(outputs, "output")
        );
        Ok(Answer {
            findings: opened.findings,
            sources: opened.scene.sources,
            text,
            more,
            attention: false,
        })
    })
}
