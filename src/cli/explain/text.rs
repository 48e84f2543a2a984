//! The page a person reads.

use super::super::console::{columns, counted};
use super::super::opened::Opened;
use super::{Needs, found};
use crate::blend::Mode;
use crate::budget::Bytes;
use crate::frame::{Alpha, Colour, SampleKind};
use crate::geom::Rect;
use crate::plan::{OutputPlan, Shot, ShotId, Stack};
use crate::render::{Placed, PlacedElement, Scope, View};
use crate::scene::{Compression, Depth, Flip, Format};
use crate::settle::Settled;

pub(super) fn page(opened: &Opened, settled: &Settled, needs: Needs) -> String {
    let plan = &opened.plan;
    let mut lines = vec![opened.scene.name.clone(), String::new(), "Reads".to_owned()];
    let mut reads: Vec<Vec<String>> = plan
        .footage
        .shots
        .iter()
        .enumerate()
        .map(|(k, shot)| {
            let fellow = found::fellow(opened, settled, ShotId(k));
            read_row(shot, fellow.map(found::laid))
        })
        .collect();
    reads.extend(plan.footage.painted.iter().map(|painted| {
        let header = painted.frame.header();
        let size = format!("{} x {}", header.width, header.height);
        vec![painted.path.display().to_string(), size, "mask".to_owned()]
    }));
    lines.extend(columns(&reads));
    for (index, stack) in plan.pictures.iter().enumerate() {
        lines.push(String::new());
        lines.extend(order(opened, settled, index, stack));
    }
    lines.push(String::new());
    lines.push("Writes".to_owned());
    let writes: Vec<Vec<String>> = plan.outputs.iter().map(output_row).collect();
    lines.extend(columns(&writes));
    lines.push(String::new());
    lines.push(format!(
        "Memory: about {} with {}; {} are allowed",
        Bytes(needs.memory),
        counted(needs.threads as usize, "thread"),
        Bytes(needs.allowed)
    ));
    lines.join("\n") + "\n"
}

/// One picture's members, back to front.
fn order(opened: &Opened, settled: &Settled, index: usize, stack: &Stack) -> Vec<String> {
    let outputs = opened.plan.outputs.iter();
    let shown: Vec<&str> = outputs
        .filter(|output| output.picture == index)
        .map(|output| output.name.as_str())
        .collect();
    let c = stack.canvas;
    let mut lines = vec![
        format!("Order, back to front, for {}", shown.join(", ")),
        format!(
            "  a canvas of {} x {} px, its corner at {},{}",
            c.width(),
            c.height(),
            c.x0,
            c.y0
        ),
        format!("  {}", ground(opened, stack)),
    ];
    let scope = Scope::new(&opened.plan, settled, stack, View::whole(stack.canvas));
    let mut rows = Vec::new();
    node_rows(&scope.nodes, 0, opened, &mut rows);
    lines.extend(columns(&rows));
    lines
}

/// What lies below every member, in a few words.
pub(super) fn ground(opened: &Opened, stack: &Stack) -> String {
    match stack.ground.plate {
        Some(id) => format!("the plate {}", opened.plan.footage.shot(id).shown()),
        None if stack.ground.backdrop.is_some() => "the backdrop".to_owned(),
        None => "nothing: transparent".to_owned(),
    }
}

/// "16-bit RGB, alpha".
pub(super) fn kind(shot: &Shot) -> String {
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

fn read_row(shot: &Shot, laid: Option<String>) -> Vec<String> {
    let header = shot.frame.header();
    vec![
        shot.shown(),
        format!("{} x {}", header.width, header.height),
        kind(shot),
        shot.profile.description().to_owned(),
        laid.unwrap_or_default(),
    ]
}

fn node_rows(nodes: &[Placed], depth: usize, opened: &Opened, rows: &mut Vec<Vec<String>>) {
    let indent = "  ".repeat(depth);
    for node in nodes {
        match node {
            Placed::Element(element) => {
                let mut row = element_row(element, opened);
                row[0] = format!("{indent}{}", row[0]);
                rows.push(row);
            }
            Placed::Group(group) => {
                let mut how = Vec::new();
                if group.step.opacity != 1.0 {
                    how.push(format!("opacity {}", group.step.opacity));
                }
                if group.step.mode != Mode::Normal {
                    how.push(group.step.mode.name().to_owned());
                }
                if group.step.mask.is_some() {
                    how.push("masked".to_owned());
                }
                if group.step.correct.is_some() {
                    how.push("corrected".to_owned());
                }
                rows.push(vec![
                    format!("{indent}{} (as one)", group.step.member),
                    String::new(),
                    landing(group.reach),
                    how.join(", "),
                ]);
                node_rows(&group.nodes, depth + 1, opened, rows);
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

fn element_row(element: &PlacedElement, opened: &Opened) -> Vec<String> {
    let step = element.step;
    let shot = opened.plan.footage.shot(opened.plan.cuts[step.cut.0].shot);
    let placing = &step.placing;
    let mut how = found::words(element, opened);
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
    if step.mode != Mode::Normal {
        how.push(step.mode.name().to_owned());
    }
    vec![
        step.member.clone(),
        shot.shown(),
        landing(element.reach),
        how.join(", "),
    ]
}

fn output_row(output: &OutputPlan) -> Vec<String> {
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
