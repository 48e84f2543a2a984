//! `at`: who is at a point of the picture, front to back.

use super::answer::{Answer, Stopped};
use super::args::AtArgs;
use super::console::columns;
use super::opened::{Opened, on_threads, opened};
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::OutputPlan;
use crate::render::{Here, Scope, View, here};
use crate::settle::{self, Keep};
use serde_json::{Map, Value, json};

pub(super) fn run(args: &AtArgs) -> Result<Answer, Stopped> {
    on_threads(&args.scene, || {
        let wanted: Vec<String> = args.output.iter().cloned().collect();
        let opened = opened(&args.scene, &wanted)?;
        asked(args, &opened).map_err(|finding| opened.stopped(finding))
    })
}

fn asked(args: &AtArgs, opened: &Opened) -> Result<Answer, Finding> {
    let output = opened.plan.outputs.first().ok_or_else(|| {
        Finding::stop(
            "no-outputs",
            "the scene names no output, so there is no picture to point at",
        )
        .remedy("add one: output \"master\" { file \"out/{scene}.tif\" }")
    })?;
    let stack = &opened.plan.pictures[output.picture];
    inside(stack.canvas, args)?;
    let settled = settle::settled_keeping(
        &opened.plan,
        Keep::NearPieces,
        &opened.store,
        &opened.account,
    )?;
    let scope = Scope::new(&opened.plan, &settled, stack, View::whole(stack.canvas));
    let found = here(&scope, args.x, args.y, &opened.account)?;
    let plate = stack
        .ground
        .plate
        .map(|id| opened.plan.footage.shot(id).shown());
    let mut findings = opened.findings.clone();
    findings.extend(settled.findings.iter().cloned());
    let mut more = Map::new();
    more.insert("x".into(), json!(args.x));
    more.insert("y".into(), json!(args.y));
    more.insert("output".into(), json!(output.name));
    more.insert("plate".into(), json!(plate));
    more.insert("members".into(), found.iter().map(as_json).collect());
    Ok(Answer {
        findings,
        sources: opened.scene.sources.clone(),
        text: text(args, output, &found, plate.as_deref()),
        more,
        attention: false,
    })
}

fn inside(canvas: Rect, args: &AtArgs) -> Result<(), Finding> {
    let (x, y) = (args.x, args.y);
    let across = f64::from(canvas.x0) <= x && x < f64::from(canvas.x1);
    let down = f64::from(canvas.y0) <= y && y < f64::from(canvas.y1);
    if across && down {
        return Ok(());
    }
    Err(Finding::stop(
        "point-outside",
        format!("the point {x}, {y} lies outside the canvas"),
    )
    .allowed(format!(
        "x from {} to below {}, y from {} to below {}",
        canvas.x0, canvas.x1, canvas.y0, canvas.y1
    )))
}

fn text(args: &AtArgs, output: &OutputPlan, found: &[Here], plate: Option<&str>) -> String {
    let mut lines = vec![format!(
        "{}, {} of \"{}\", front to back",
        args.x, args.y, output.name
    )];
    let mut rows: Vec<Vec<String>> = found.iter().map(row).collect();
    rows.push(match plate {
        Some(plate) => vec!["the plate".to_owned(), plate.to_owned()],
        None => vec!["no plate".to_owned()],
    });
    lines.extend(columns(&rows));
    lines.join("\n") + "\n"
}

fn row(here: &Here) -> Vec<String> {
    vec![
        here.member.clone(),
        here.frame.clone(),
        format!("at {:.2}, {:.2}", here.point.0, here.point.1),
        format!("covers {:.1} %", 100.0 * here.coverage),
        format!("shows {:.1} %", 100.0 * here.visible),
    ]
}

fn as_json(here: &Here) -> Value {
    json!({
        "member": here.member,
        "frame": here.frame,
        "x": here.point.0,
        "y": here.point.1,
        "coverage": here.coverage,
        "visible": here.visible,
    })
}
