//! `check`: everything that can be said before a pixel is drawn.

use super::Ending;
use super::args::CheckArgs;
use super::console::say;
use super::opened::{on_threads, opened, tell};
use serde_json::Map;

pub(super) fn run(args: &CheckArgs) -> Ending {
    on_threads(&args.scene, || {
        let opened = match opened(&args.scene, &args.outputs) {
            Ok(opened) => opened,
            Err(ending) => return ending,
        };
        tell(
            &args.scene,
            &opened.findings,
            &opened.scene.sources,
            Map::new(),
        );
        if !args.scene.json {
            let plan = &opened.plan;
            say(&format!(
                "{}: {} frames, {} masks, {} outputs; nothing stands in the way",
                opened.scene.name,
                plan.footage.shots.len(),
                plan.footage.painted.len(),
                plan.outputs.len()
            ));
        }
        Ending::Done
    })
}
