//! The planner: one pass over the scene, every fault of every file together.

use super::footage::{Opener, ShotId};
use super::masks::{self, Masks};
use super::output::{Around, OutputPlan, resolved};
use super::stack::{Cut, StackBuilder, matrix};
use super::{ExtendWith, Ground, Plan, Protect, Stack, plates};
use crate::budget::Account;
use crate::color::{Named, Space};
use crate::diag::Finding;
use crate::geom::Rect;
use crate::scene::{Canvas, Output, Scene, Working};

/// What the command line adds to a scene.
#[derive(Clone, Debug, Default)]
pub struct Settings {
    /// Only these outputs; all when empty.
    pub outputs: Vec<String>,
}

/// A scene resolved, with its notes and looks, or all its faults.
pub fn planned(
    scene: &Scene,
    settings: &Settings,
    account: &Account,
) -> Result<(Plan, Vec<Finding>), Vec<Finding>> {
    let mut opener = Opener::new(account);
    let plates = plates::opened(scene, &mut opener, None);
    let base = plates.first().and_then(|base| base.shots.first().copied());
    let space = working(scene, base, &opener);
    opener.settle_space(&space);
    let plate_rect = base.map(|id| opener.footage.shot(id).rect());
    let scene_canvas = match (&scene.stage.canvas, plate_rect) {
        (Some(canvas), _) => rect_of(&canvas.value),
        (None, Some(rect)) => rect,
        (None, None) => Rect::EMPTY,
    };
    let mut masks = Masks::of(plates);
    let mut cuts: Vec<Cut> = Vec::new();
    let mut pictures: Vec<Stack> = Vec::new();
    let mut outputs: Vec<OutputPlan> = Vec::new();
    let protects = scene
        .protects
        .iter()
        .filter_map(|protect| {
            // Only masks named in it can hold a piece.
            let ground = masks::Ground {
                space: scene_canvas,
                footing: None,
            };
            let recipe = masks.recipe(&protect.body, &scene.masks, &mut opener, ground)?;
            Some(Protect {
                name: protect.name.value.clone(),
                mask: masks.intern(recipe),
                span: protect.name.span,
            })
        })
        .collect();
    // Named masks nobody uses are opened too: a wrong path is a mistake wherever it stands.
    for mask in &scene.masks {
        masks.by_name(&mask.name.value, &scene.masks, &mut opener, scene_canvas);
    }
    wanted_exist(scene, settings, &mut opener);
    for output in &scene.outputs {
        let wanted = !output.off
            && (settings.outputs.is_empty() || settings.outputs.contains(&output.name.value));
        let canvas = match &output.stage.canvas {
            Some(canvas) => rect_of(&canvas.value),
            None => scene_canvas,
        };
        let mut builder = StackBuilder {
            masks: &mut masks,
            cuts: &mut cuts,
            opener: &mut opener,
            named: &scene.masks,
            space: &space,
            scene_canvas,
            canvas,
            edits: Some(&output.edits),
            only: output.member.as_ref().map(|m| m.value.as_str()),
        };
        let nodes = builder.nodes(&scene.members, scene.each.as_ref());
        let ground = ground(scene, output, base, &space);
        let solid = solid(&ground, plate_rect, canvas, base, &opener);
        let stack = Stack {
            canvas,
            ground,
            nodes,
            correct: scene.stage.correct.and_then(|c| matrix(&c.value, &space)),
        };
        let known = pictures.iter().position(|p| *p == stack);
        let around = Around {
            picture: known.unwrap_or(pictures.len()),
            canvas,
            solid,
            plate: base,
            space: &space,
            scene_guides: &scene.guides,
        };
        let plan = resolved(output, &around, &mut opener);
        if !wanted {
            continue;
        }
        if known.is_none() {
            pictures.push(stack);
        }
        outputs.extend(plan);
    }
    if scene.outputs.is_empty() {
        // A scene without outputs still has its members' files checked.
        StackBuilder {
            masks: &mut masks,
            cuts: &mut cuts,
            opener: &mut opener,
            named: &scene.masks,
            space: &space,
            scene_canvas,
            canvas: scene_canvas,
            edits: None,
            only: None,
        }
        .nodes(&scene.members, scene.each.as_ref());
    }
    let Opener {
        footage, findings, ..
    } = opener;
    let findings = once(findings);
    if findings
        .iter()
        .any(|f| f.severity == crate::diag::Severity::Stop)
    {
        return Err(findings);
    }
    let plan = Plan {
        space,
        footage,
        plates: masks.plates,
        cuts,
        pieces: masks.pieces,
        masks: masks.recipes,
        protects,
        pictures,
        outputs,
    };
    Ok((plan, findings))
}

fn working(scene: &Scene, base: Option<ShotId>, opener: &Opener) -> Space {
    match (scene.working.as_ref().map(|w| w.value), base) {
        (Some(Working::DisplayP3), _) => Space::named(Named::DisplayP3),
        (Some(Working::Rec2020), _) => Space::named(Named::Rec2020),
        (Some(Working::Srgb), _) | (_, None) => Space::named(Named::Srgb),
        (Some(Working::Plate) | None, Some(id)) => Space::of(&opener.footage.shot(id).profile),
    }
}

fn rect_of(canvas: &Canvas) -> Rect {
    Rect::new(canvas.x, canvas.y, canvas.width, canvas.height)
}

fn ground(scene: &Scene, output: &Output, base: Option<ShotId>, space: &Space) -> Ground {
    if output.member.is_some() {
        return Ground {
            plate: None,
            extend: None,
            backdrop: None,
        };
    }
    let extend = output.stage.extend.or(scene.stage.extend);
    Ground {
        plate: base,
        extend: extend
            .filter(|_| base.is_some())
            .map(|e| ExtendWith::of(e.value, space)),
        backdrop: scene.backdrop.map(|b| space.of_srgb_hex(b.value.0)),
    }
}

/// Where the ground alone is opaque.
fn solid(
    ground: &Ground,
    plate: Option<Rect>,
    canvas: Rect,
    base: Option<ShotId>,
    opener: &Opener,
) -> Rect {
    if ground.backdrop.is_some() {
        return canvas;
    }
    let see_through = base.is_some_and(|id| opener.footage.shot(id).has_alpha());
    match (ground.plate, plate) {
        (Some(_), Some(_)) if see_through => Rect::EMPTY,
        (Some(_), Some(_)) if ground.extend.is_some() => canvas,
        (Some(_), Some(rect)) => rect,
        _ => Rect::EMPTY,
    }
}

fn wanted_exist(scene: &Scene, settings: &Settings, opener: &mut Opener) {
    for name in &settings.outputs {
        if !scene.outputs.iter().any(|o| o.name.value == *name) {
            let names: Vec<&str> = scene
                .outputs
                .iter()
                .map(|o| o.name.value.as_str())
                .collect();
            opener.findings.push(
                Finding::stop(
                    "unknown-output",
                    format!("the scene has no output \"{name}\""),
                )
                .allowed(if names.is_empty() {
                    "the scene has no outputs yet".to_owned()
                } else {
                    names.join(", ")
                }),
            );
        }
    }
}

/// The same finding at the same place once: several outputs walk the same members.
fn once(findings: Vec<Finding>) -> Vec<Finding> {
    let mut kept: Vec<Finding> = Vec::with_capacity(findings.len());
    for finding in findings {
        if !kept.contains(&finding) {
            kept.push(finding);
        }
    }
    kept
}
