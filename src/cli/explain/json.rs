//! The same for a program.

use super::super::json::rect;
use super::super::opened::Opened;
use super::text::{ground, kind};
use super::{Needs, found};
use crate::plan::{OutputPlan, Painted, ShotId};
use crate::render::{Scope, View};
use crate::settle::Settled;
use serde_json::{Map, Value, json};

pub(super) fn members(opened: &Opened, settled: &Settled, needs: Needs) -> Map<String, Value> {
    let plan = &opened.plan;
    let mut more = Map::new();
    more.insert("scene".into(), json!(opened.scene.name));
    more.insert(
        "reads".into(),
        (0..plan.footage.shots.len())
            .map(|k| read_json(opened, settled, ShotId(k)))
            .collect(),
    );
    more.insert(
        "masks".into(),
        plan.footage.painted.iter().map(mask_json).collect(),
    );
    more.insert("pictures".into(), pictures_json(opened, settled));
    more.insert(
        "outputs".into(),
        plan.outputs.iter().map(output_json).collect(),
    );
    more.insert("memory".into(), json!(needs.memory));
    more.insert("memory-allowed".into(), json!(needs.allowed));
    more.insert("threads".into(), json!(needs.threads));
    more
}

fn read_json(opened: &Opened, settled: &Settled, id: ShotId) -> Value {
    let shot = opened.plan.footage.shot(id);
    let header = shot.frame.header();
    let mut object = json!({
        "frame": shot.shown(),
        "width": header.width,
        "height": header.height,
        "kind": kind(shot),
        "profile": shot.profile.description(),
    });
    if let Some(laid) = found::fellow(opened, settled, id) {
        object["on-its-plate"] = found::laid_json(laid);
    }
    object
}

fn mask_json(painted: &Painted) -> Value {
    let header = painted.frame.header();
    json!({
        "file": painted.path.display().to_string(),
        "width": header.width,
        "height": header.height,
    })
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
                let mut member = json!({
                    "member": element.step.member,
                    "frame": shot.shown(),
                    "lands": rect(element.reach),
                    "matrix": element.map.0,
                    "pivot": element.pivot,
                    "copies": element.copies.is_some(),
                });
                for (key, value) in found::values(element, opened) {
                    member[key] = value;
                }
                members.push(member);
            });
            json!({
                "canvas": rect(stack.canvas),
                "ground": ground(opened, stack),
                "back-to-front": members,
            })
        })
        .collect()
}

fn output_json(output: &OutputPlan) -> Value {
    json!({
        "output": output.name,
        "file": output.target.file,
        "window": rect(output.window),
        "width": output.size.0,
        "height": output.size.1,
        "picture": output.picture,
    })
}
