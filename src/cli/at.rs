//! `at`: who is at a point of the picture, front to back.

use super::Ending;
use super::args::AtArgs;
use super::console::say;
use super::opened::{on_threads, opened, refuse, tell};
use crate::diag::Finding;
use crate::render::{Here, Scope, View, here};
use crate::settle;
use serde_json::{Map, json};

pub(super) fn run(args: &AtArgs) -> Ending {
    on_threads(&args.scene, || asked(args))
}

fn asked(args: &AtArgs) -> Ending {
    let wanted: Vec<String> = args.output.iter().cloned().collect();
    let opened = match opened(&args.scene, &wanted) {
        Ok(opened) => opened,
        Err(ending) => return ending,
    };
    let sources = &opened.scene.sources;
    let Some(output) = opened.plan.outputs.first() else {
        let finding = Finding::stop(
            "no-outputs",
            "the scene names no output, so there is no picture to look at",
        );
        return refuse(&args.scene, &[finding], sources);
    };
    let stack = &opened.plan.pictures[output.picture];
    let canvas = stack.canvas;
    let inside = f64::from(canvas.x0) <= args.x
        && args.x < f64::from(canvas.x1)
        && f64::from(canvas.y0) <= args.y
        && args.y < f64::from(canvas.y1);
    if !inside {
        let finding = Finding::stop(
            "point-outside",
            format!("the point {},{} lies outside the canvas", args.x, args.y),
        )
        .allowed(format!(
            "x from {} up to {}, y from {} up to {}",
            canvas.x0, canvas.x1, canvas.y0, canvas.y1
        ));
        return refuse(&args.scene, &[finding], sources);
    }
    let found = settle::settled(&opened.plan, &opened.account).and_then(|settled| {
        let scope = Scope::new(&opened.plan, &settled, stack, View::whole(canvas));
        here(&scope, args.x, args.y, &opened.account)
    });
    let found = match found {
        Ok(found) => found,
        Err(finding) => return refuse(&args.scene, &[finding], sources),
    };
    let plate = stack
        .ground
        .plate
        .map(|id| opened.plan.footage.shot(id).shown());
    if args.scene.json {
        let mut more = Map::new();
        more.insert("members".into(), found.iter().map(as_json).collect());
        more.insert("plate".into(), json!(plate));
        tell(&args.scene, &opened.findings, sources, more);
        return Ending::Done;
    }
    for line in table(&found) {
        say(&line);
    }
    say(&match plate {
        Some(plate) => format!("then the plate  {plate}  at {:.2}, {:.2}", args.x, args.y),
        None => "then nothing".to_owned(),
    });
    Ending::Done
}

fn as_json(here: &Here) -> serde_json::Value {
    json!({
        "member": here.member,
        "frame": here.frame,
        "x": here.point.0,
        "y": here.point.1,
        "coverage": here.coverage,
        "visible": here.visible,
    })
}

/// One line a member, columns aligned.
fn table(found: &[Here]) -> Vec<String> {
    let member = found
        .iter()
        .map(|h| h.member.chars().count())
        .max()
        .unwrap_or(0);
    let frame = found
        .iter()
        .map(|h| h.frame.chars().count())
        .max()
        .unwrap_or(0);
    found
        .iter()
        .map(|h| {
            format!(
                "{:member$}  {:frame$}  at {:.2}, {:.2}  covers {:.1} %, shows {:.1} %",
                h.member,
                h.frame,
                h.point.0,
                h.point.1,
                100.0 * h.coverage,
                100.0 * h.visible
            )
        })
        .collect()
}
