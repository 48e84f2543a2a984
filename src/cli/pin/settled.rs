//! What a scene leaves to be settled, and what it comes to.
//!
//! Beside the scene's outputs, those that are off too, one more picture is settled, in which every member is shown and
//! nothing is changed, so that what is off or hidden is pinned as well.

use super::super::opened::Opened;
use crate::diag::{Finding, SourceId, Span, Spanned};
use crate::geom::Map;
use crate::plan::{self, Carry, Cut, ElementStep, Gains, Node, Plan, Settings, SourceRecipe};
use crate::scene::{
    Compression, Depth, Edits, Format, Guides, Member, Output, ProfileName, Scene, Stage, arguments,
};
use crate::settle::{self, Keep, Settled};

/// One node to be stated in an element.
#[derive(Clone, Debug)]
pub(super) struct Pin {
    pub member: String,
    /// The element's name in the text.
    pub name: Span,
    pub node: &'static str,
    pub numbers: Vec<f64>,
    /// The files of every plate that had a part in it, where the text names them.
    pub plates: Vec<Span>,
    /// The output it was seen in; `None` for the scene as it stands, nothing changed.
    output: Option<String>,
}

#[derive(Debug)]
pub(super) struct Found {
    /// Each element and node once.
    pub pins: Vec<Pin>,
    pub findings: Vec<Finding>,
    /// The scene as it was planned for that, and what that gave.
    pub shown: Shown,
    pub plan: Plan,
}

/// Which members were settled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shown {
    Everything,
    /// What some output shows.
    Drawn,
}

pub(super) fn found(opened: &Opened) -> Result<Found, Vec<Finding>> {
    let whole = with_everything_shown(&opened.scene);
    let mut findings = Vec::new();
    let mut shown = Shown::Everything;
    let (plan, settled) = match measured(&whole, opened) {
        Ok(measured) => measured,
        Err(fault) => {
            // Perhaps only what no output shows can't be settled.
            let measured = measured(&opened.scene, opened)?;
            findings.extend(left_out(&whole, &measured.0, fault));
            shown = Shown::Drawn;
            measured
        }
    };
    let mut seen = Vec::new();
    for (index, stack) in plan.pictures.iter().enumerate() {
        let output = plan
            .outputs
            .iter()
            .find(|output| output.picture == index)
            .map(|output| output.name.clone())
            .filter(|name| !name.is_empty());
        each(&stack.nodes, &mut |step| {
            seen.extend(of_step(step, &plan, &settled, output.clone()));
        });
    }
    findings.extend(settled.findings.iter().cloned());
    let pins = agreed(seen, &mut findings);
    Ok(Found {
        pins,
        findings,
        shown,
        plan,
    })
}

fn measured(scene: &Scene, opened: &Opened) -> Result<(Plan, Settled), Vec<Finding>> {
    let (plan, _) = plan::planned(scene, &Settings::default(), &opened.account)?;
    let settled = settle::settled_keeping(&plan, Keep::NearPieces, &opened.store, &opened.account)
        .map_err(|finding| vec![finding])?;
    Ok((plan, settled))
}

/// What one placed element leaves open.
fn of_step(step: &ElementStep, plan: &Plan, settled: &Settled, output: Option<String>) -> Vec<Pin> {
    let (cut, recipe) = (settled.cut(step.cut), &plan.cuts[step.cut.0]);
    let laying = recipe.laying;
    let pin = |node, numbers| Pin {
        member: step.member.clone(),
        name: step.span,
        node,
        numbers,
        plates: governing(recipe, node, plan),
        output: output.clone(),
    };
    let mut pins = Vec::new();
    // What can't be trusted stays open, so that it goes on being told.
    let frame = plan.footage.shot(recipe.shot).shown();
    let untrusted = |id: &str| {
        let told = |finding: &Finding| finding.frame.as_deref() == Some(frame.as_str());
        settled.findings.iter().any(|f| f.id == id && told(f))
    };
    let open = untrusted("align-untrusted") || untrusted("align-rough");
    if matches!(laying.carry, Carry::Estimated(_)) && !open {
        pins.push(pin("align", of_map(&cut.carry)));
    }
    if matches!(laying.gains, Gains::Estimated(_)) && !untrusted("balance-untrusted") {
        pins.push(pin("balance", cut.gains.to_vec()));
    }
    if step.placing.pivot.is_none() && step.placing.turns() {
        pins.push(pin("pivot", cut.pivot.to_vec()));
    }
    pins
}

/// Where the text names the files that a cut's `node` was found with.
fn governing(cut: &Cut, node: &str, plan: &Plan) -> Vec<Span> {
    let mut plates = Vec::new();
    for source in cut.mask.sources() {
        if let SourceRecipe::Piece(id) | SourceRecipe::Rig(id) = source {
            let piece = &plan.pieces[id.0];
            plates.push(piece.plate);
            plates.extend(piece.card.map(|card| card.plate));
        }
    }
    if node != "pivot" {
        plates.push(cut.plate);
    }
    let spans = plates.iter().flat_map(|id| &plan.plates[id.0].spans);
    spans.copied().collect()
}

/// As `align` takes it: a shift, an affine map in SVG's order, or all nine numbers.
fn of_map(map: &Map) -> Vec<f64> {
    let [[a, c, e], [b, d, f], _] = map.0;
    if !map.is_affine() {
        map.0.as_flattened().to_vec()
    } else if [a, b, c, d] == [1.0, 0.0, 0.0, 1.0] {
        vec![e, f]
    } else {
        vec![a, b, c, d, e, f]
    }
}

/// One pin for each element and node; where pictures differ nothing can be stated for all of them.
fn agreed(seen: Vec<Pin>, findings: &mut Vec<Finding>) -> Vec<Pin> {
    let mut groups: Vec<Vec<Pin>> = Vec::new();
    for pin in seen {
        let same = |group: &&mut Vec<Pin>| group[0].name == pin.name && group[0].node == pin.node;
        match groups.iter_mut().find(same) {
            Some(group) => group.push(pin),
            None => groups.push(vec![pin]),
        }
    }
    let mut pins = Vec::new();
    for group in groups {
        let first = &group[0];
        let Some(other) = group.iter().find(|pin| pin.numbers != first.numbers) else {
            pins.extend(group.into_iter().next());
            continue;
        };
        let at = |pin: &Pin| match &pin.output {
            Some(output) => format!("{} in \"{output}\"", arguments(&pin.numbers)),
            None => format!("{} as the scene stands", arguments(&pin.numbers)),
        };
        let (here, there) = if first.member == other.member {
            (at(first), at(other))
        } else {
            let of = |pin: &Pin| format!("{} for {}", arguments(&pin.numbers), pin.member);
            (of(first), of(other))
        };
        findings.push(
            Finding::look(
                "pin-differs",
                format!(
                    "the {} of {} is not the same everywhere, and is left as it is: {here}, {there}",
                    first.node, first.member
                ),
            )
            .at(first.name)
            .member(first.member.as_str())
            .remedy(format!(
                "state it where it differs: change \"{}\" {{ {} {} }}",
                other.member,
                other.node,
                arguments(&other.numbers)
            )),
        );
    }
    pins.sort_by_key(|pin| (pin.name.source, pin.name.start));
    pins
}

/// Members that no output shows and that can't be settled.
fn left_out(whole: &Scene, drawn: &Plan, faults: Vec<Finding>) -> Vec<Finding> {
    let mut names = Vec::new();
    for stack in &drawn.pictures {
        each(&stack.nodes, &mut |step| names.push(step.span));
    }
    let why = faults.first().map_or("", |fault| fault.message.as_str());
    let mut findings = Vec::new();
    each_element(&whole.members, "", &mut |path, name| {
        if !names.contains(&name) {
            findings.push(
                Finding::look(
                    "pin-unsettled",
                    format!(
                        "{path} is in no output, and what is in none can't be settled here: {why}"
                    ),
                )
                .at(name)
                .member(path),
            );
        }
    });
    findings
}

pub(super) fn each(nodes: &[Node], told: &mut dyn FnMut(&ElementStep)) {
    for node in nodes {
        match node {
            Node::Element(step) => told(step),
            Node::Group(group) => each(&group.nodes, told),
        }
    }
}

fn each_element(members: &[Member], above: &str, told: &mut dyn FnMut(&str, Span)) {
    for member in members {
        match member {
            Member::Element(element) => {
                told(&format!("{above}{}", element.name.value), element.name.span);
            }
            Member::Group(group) => {
                each_element(
                    &group.members,
                    &format!("{above}{}/", group.name.value),
                    told,
                );
            }
        }
    }
}

/// The scene with every output on and one more, which has no name and shows every member as it stands.
pub(super) fn with_everything_shown(scene: &Scene) -> Scene {
    let nowhere = Span {
        source: SourceId(0),
        start: 0,
        end: 0,
    };
    let mut shown = Vec::new();
    fn walk(members: &[Member], above: &str, at: Span, shown: &mut Vec<(Spanned<String>, bool)>) {
        for member in members {
            let name = match member {
                Member::Element(element) => &element.name.value,
                Member::Group(group) => &group.name.value,
            };
            let path = format!("{above}{name}");
            if let Member::Group(group) = member {
                walk(&group.members, &format!("{path}/"), at, shown);
            }
            shown.push((Spanned::new(path, at), true));
        }
    }
    walk(&scene.members, "", nowhere, &mut shown);
    let mut whole = scene.clone();
    for output in &mut whole.outputs {
        output.off = false;
    }
    whole.outputs.insert(
        0,
        Output {
            span: nowhere,
            name: Spanned::new(String::new(), nowhere),
            off: false,
            file: Spanned::new("whole.tif".to_owned(), nowhere),
            format: Format::Tiff,
            crop: None,
            bleed: None,
            size: None,
            profile: Some(Spanned::new(ProfileName::Srgb, nowhere)),
            intent: None,
            depth: Depth::Sixteen,
            compression: Compression::None,
            quality: 90,
            max_bytes: None,
            sharpen: None,
            dither: false,
            ppi: 300.0,
            background: None,
            stage: Stage::default(),
            guides: Guides::default(),
            edits: Edits {
                changes: Vec::new(),
                shown,
            },
            member: None,
        },
    );
    whole
}
