//! `explain`: what would be read, where each piece lands and in which order, and how much memory it takes.

use super::Ending;
use super::args::ExplainArgs;
use super::console::say;
use super::opened::{Opened, on_threads, opened, refuse, tell};
use crate::budget::Bytes;
use crate::deliver;
use crate::diag::Finding;
use crate::frame::{Alpha, Colour, SampleKind};
use crate::geom::Rect;
use crate::plan::{OutputPlan, Shot};
use crate::render::{Placed, PlacedElement, Scope, Tiling, View};
use crate::scene::{Compression, Depth, Flip, Format};
use crate::settle::{self, Settled};
use serde_json::{Map, Value, json};

pub(super) fn run(args: &ExplainArgs) -> Ending {
    on_threads(&args.scene, || explained(args))
}

fn explained(args: &ExplainArgs) -> Ending {
    let opened = match opened(&args.scene, &args.outputs) {
        Ok(opened) => opened,
        Err(ending) => return ending,
    };
    let settled = match settle::settled(&opened.plan, &opened.account) {
        Ok(settled) => settled,
        Err(finding) => return refuse(&args.scene, &[finding], &opened.scene.sources),
    };
    let threads = rayon::current_num_threads() as u64;
    let memory = deliver::peak_bytes(
        &opened.plan,
        &settled,
        Tiling::default(),
        threads,
        &opened.account,
    );
    let mut findings = opened.findings.clone();
    findings.extend(pivots(&opened, &settled));
    if args.scene.json {
        let mut more = Map::new();
        more.insert(
            "reads".into(),
            opened.plan.footage.shots.iter().map(read_json).collect(),
        );
        more.insert("pictures".into(), pictures_json(&opened, &settled));
        more.insert(
            "outputs".into(),
            opened.plan.outputs.iter().map(output_json).collect(),
        );
        more.insert("memory".into(), json!(memory));
        tell(&args.scene, &findings, &opened.scene.sources, more);
        return Ending::Done;
    }
    say(&opened.scene.name);
    say("");
    say("Reads");
    for line in columns(opened.plan.footage.shots.iter().map(read_line).collect()) {
        say(&line);
    }
    for painted in &opened.plan.footage.painted {
        let header = painted.frame.header();
        say(&format!(
            "  {}  {} x {}  mask",
            painted.path.display(),
            header.width,
            header.height
        ));
    }
    for (index, stack) in opened.plan.pictures.iter().enumerate() {
        let shown: Vec<&str> = opened
            .plan
            .outputs
            .iter()
            .filter(|o| o.picture == index)
            .map(|o| o.name.as_str())
            .collect();
        let c = stack.canvas;
        say("");
        say(&format!(
            "Order, back to front ({}; canvas {} x {} px at {},{})",
            shown.join(", "),
            c.width(),
            c.height(),
            c.x0,
            c.y0
        ));
        let ground = match stack.ground.plate {
            Some(id) => opened.plan.footage.shot(id).shown(),
            None if stack.ground.backdrop.is_some() => "the backdrop".to_owned(),
            None => "transparent".to_owned(),
        };
        say(&format!("  {ground}"));
        let scope = Scope::new(&opened.plan, &settled, stack, View::whole(stack.canvas));
        let mut lines = Vec::new();
        node_lines(&scope.nodes, 1, &opened, &mut lines);
        for line in columns(lines) {
            say(&line);
        }
    }
    say("");
    say("Writes");
    for line in columns(opened.plan.outputs.iter().map(output_line).collect()) {
        say(&line);
    }
    say("");
    say(&format!(
        "Memory: about {} with {threads} thread{}; {} are allowed",
        Bytes(memory),
        if threads == 1 { "" } else { "s" },
        Bytes(opened.account.limit())
    ));
    tell(&args.scene, &findings, &opened.scene.sources, Map::new());
    Ending::Done
}

/// Computed pivots, so that a scene that depends on one says so.
fn pivots(opened: &Opened, settled: &Settled) -> Vec<Finding> {
    let mut findings: Vec<Finding> = Vec::new();
    for stack in &opened.plan.pictures {
        let scope = Scope::new(&opened.plan, settled, stack, View::whole(stack.canvas));
        scope.each_element(&mut |element| {
            if element.step.placing.pivot.is_some() || !element.step.placing.turns() {
                return;
            }
            let [x, y] = element.pivot;
            let finding = Finding::note(
                "pivot-computed",
                format!(
                    "{} turns about {x}, {y}, the centre of what its mask keeps",
                    element.step.member
                ),
            )
            .at(element.step.span)
            .member(element.step.member.as_str())
            .remedy(format!("to keep it when the mask changes: pivot {x} {y}"));
            if !findings.contains(&finding) {
                findings.push(finding);
            }
        });
    }
    findings
}

/// Cells padded to columns, two blanks between, two in front.
fn columns(rows: Vec<Vec<String>>) -> Vec<String> {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count)
        .map(|k| {
            rows.iter()
                .filter_map(|r| r.get(k))
                .map(|c| c.chars().count())
                .max()
                .unwrap_or(0)
        })
        .collect();
    rows.iter()
        .map(|row| {
            let cells: Vec<String> = row
                .iter()
                .zip(&widths)
                .map(|(cell, width)| format!("{cell:width$}"))
                .collect();
            format!("  {}", cells.join("  ")).trim_end().to_owned()
        })
        .collect()
}

fn kind(shot: &Shot) -> String {
    let header = shot.frame.header();
    let depth = match header.kind {
        SampleKind::U8 => "8-bit",
        SampleKind::U16 => "16-bit",
        SampleKind::U32 => "32-bit",
        SampleKind::F16 => "16-bit float",
        SampleKind::F32 => "32-bit float",
    };
    let colour = match header.colour {
        Colour::Gray => "gray",
        Colour::Rgb => "RGB",
    };
    let alpha = match header.alpha {
        Alpha::None => "",
        Alpha::Associated => ", associated alpha",
        Alpha::Unassociated => ", alpha",
    };
    format!("{depth} {colour}{alpha}")
}

fn read_line(shot: &Shot) -> Vec<String> {
    let header = shot.frame.header();
    vec![
        shot.shown(),
        format!("{} x {}", header.width, header.height),
        kind(shot),
        shot.profile.description().to_owned(),
    ]
}

fn read_json(shot: &Shot) -> Value {
    let header = shot.frame.header();
    json!({
        "frame": shot.shown(),
        "width": header.width,
        "height": header.height,
        "kind": kind(shot),
        "profile": shot.profile.description(),
    })
}

fn node_lines(nodes: &[Placed], depth: usize, opened: &Opened, lines: &mut Vec<Vec<String>>) {
    let indent = "  ".repeat(depth - 1);
    for node in nodes {
        match node {
            Placed::Element(element) => {
                let mut line = element_line(element, opened);
                line[0] = format!("{indent}{}", line[0]);
                lines.push(line);
            }
            Placed::Group(group) => {
                let mut how = Vec::new();
                if group.step.opacity != 1.0 {
                    how.push(format!("opacity {}", group.step.opacity));
                }
                if group.step.mode != crate::blend::Mode::Normal {
                    how.push(group.step.mode.name().to_owned());
                }
                if group.step.mask.is_some() {
                    how.push("masked".to_owned());
                }
                if group.step.correct.is_some() {
                    how.push("corrected".to_owned());
                }
                lines.push(vec![
                    format!("{indent}{} (as one)", group.step.member),
                    String::new(),
                    landing(group.reach),
                    how.join(", "),
                ]);
                node_lines(&group.nodes, depth + 1, opened, lines);
            }
        }
    }
}

fn landing(rect: Rect) -> String {
    if rect.is_empty() {
        return "outside the canvas".to_owned();
    }
    format!(
        "{} x {} at {},{}",
        rect.width(),
        rect.height(),
        rect.x0,
        rect.y0
    )
}

fn element_line(element: &PlacedElement, opened: &Opened) -> Vec<String> {
    let step = element.step;
    let shot = opened.plan.footage.shot(opened.plan.cuts[step.cut.0].shot);
    let placing = &step.placing;
    let mut how = Vec::new();
    if placing.offset != [0.0, 0.0] {
        how.push(format!("moved {} {}", placing.offset[0], placing.offset[1]));
    }
    if placing.scale != [1.0, 1.0] {
        let [sx, sy] = placing.scale;
        how.push(if sx == sy {
            format!("scaled {sx}")
        } else {
            format!("scaled {sx} {sy}")
        });
    }
    if placing.rotate != 0.0 {
        how.push(format!("turned {}", placing.rotate));
    }
    match placing.flip {
        Some(Flip::Horizontal) => how.push("flipped left to right".to_owned()),
        Some(Flip::Vertical) => how.push("flipped top to bottom".to_owned()),
        None => {}
    }
    if placing.turns() {
        how.push(format!("about {}, {}", element.pivot[0], element.pivot[1]));
    }
    how.push(
        match element.copies {
            Some(_) => "samples copied",
            None => step.kernel.name(),
        }
        .to_owned(),
    );
    if step.opacity != 1.0 {
        how.push(format!("opacity {}", step.opacity));
    }
    if step.mode != crate::blend::Mode::Normal {
        how.push(step.mode.name().to_owned());
    }
    vec![
        step.member.clone(),
        shot.shown(),
        landing(element.reach),
        how.join(", "),
    ]
}

fn pictures_json(opened: &Opened, settled: &Settled) -> Value {
    opened
        .plan
        .pictures
        .iter()
        .map(|stack| {
            let scope = Scope::new(&opened.plan, settled, stack, View::whole(stack.canvas));
            let mut members = Vec::new();
            scope.each_element(&mut |element| {
                let shot = opened
                    .plan
                    .footage
                    .shot(opened.plan.cuts[element.step.cut.0].shot);
                let r = element.reach;
                members.push(json!({
                    "member": element.step.member,
                    "frame": shot.shown(),
                    "lands": { "x": r.x0, "y": r.y0, "width": r.width(), "height": r.height() },
                    "matrix": element.map.0,
                    "pivot": element.pivot,
                    "copies": element.copies.is_some(),
                }));
            });
            json!({ "back-to-front": members })
        })
        .collect()
}

fn output_line(output: &OutputPlan) -> Vec<String> {
    let t = &output.target;
    let depth = match t.depth {
        Depth::Eight => "8-bit",
        Depth::Sixteen => "16-bit",
        Depth::ThirtyTwo => "32-bit float",
    };
    let format = match (t.format, t.compression) {
        (Format::Tiff, Compression::None) => "TIFF".to_owned(),
        (Format::Tiff, Compression::Lzw) => "TIFF, lzw".to_owned(),
        (Format::Tiff, Compression::Deflate) => "TIFF, deflate".to_owned(),
        (Format::Png, _) => "PNG".to_owned(),
        (Format::Jpeg, _) => format!("JPEG, quality {}", t.quality),
        (Format::Webp, _) => "WebP".to_owned(),
    };
    let alpha = if output.alpha { " with alpha" } else { "" };
    vec![
        output.name.clone(),
        t.file.clone(),
        format!("{} x {}", output.size.0, output.size.1),
        format!("{depth} {format}{alpha}"),
        output.profile.description().to_owned(),
    ]
}

fn output_json(output: &OutputPlan) -> Value {
    let w = output.window;
    json!({
        "output": output.name,
        "file": output.target.file,
        "window": { "x": w.x0, "y": w.y0, "width": w.width(), "height": w.height() },
        "width": output.size.0,
        "height": output.size.1,
        "picture": output.picture,
    })
}
