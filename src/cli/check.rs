//! `check`: everything that can be said before a pixel is drawn.

use super::answer::{Answer, Stopped};
use super::args::CheckArgs;
use super::console::counted;
use super::opened::{on_threads, opened};
use serde_json::{Map, json};

pub(super) fn run(args: &CheckArgs) -> Result<Answer, Stopped> {
    on_threads(&args.scene, || {
        let opened = opened(&args.scene, &args.outputs)?;
        let plan = &opened.plan;
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
