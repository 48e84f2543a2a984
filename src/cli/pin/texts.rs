//! Pins put into the texts they belong to, and the proof that they say what was meant.

use super::super::args::SceneArgs;
use super::super::opened::Opened;
use super::settled::{Pin, Shown, each, with_everything_shown};
use crate::diag::{Finding, SourceId, Sources, Span};
use crate::geom::Map;
use crate::plan::{self, Carry, CutId, ElementStep, Gains, Laying, Plan, Settings};
use crate::scene::{self, FileLoader, LoadFault, Loader, PinnedText, Scene};
use std::path::Path;

/// A file with its new text.
#[derive(Debug)]
pub(super) struct NewText {
    pub file: String,
    pub text: String,
}

/// The new texts and the pins that stand in them; what a parameter decides is told and left out.
pub(super) fn stated(
    scene: &Scene,
    pins: Vec<Pin>,
    findings: &mut Vec<Finding>,
) -> (Vec<NewText>, Vec<Pin>) {
    let sources: Vec<_> = (0..)
        .map_while(|k| Some((SourceId(k), scene.sources.get(SourceId(k))?)))
        .collect();
    let mut pages: Vec<_> = sources
        .iter()
        .map(|(id, source)| PinnedText::new(&source.text, *id).ok())
        .collect();
    let each = pages.iter().flatten().find_map(|p| p.parameter_of_each());
    let groups = pages.iter().flatten().find_map(|p| p.parameter_of_groups());
    let mut stated = Vec::new();
    for pin in pins {
        let plate = pin.plates.iter().find_map(|&file| {
            pages
                .iter()
                .flatten()
                .find_map(|p| p.parameter_of_plate(file))
        });
        let compared = !pin.plates.is_empty();
        let Some(page) = &mut pages[pin.name.source.0 as usize] else {
            continue;
        };
        let says = |word: &str| page.says(pin.name, word);
        let parameter = page
            .parameter(pin.name)
            .or(each.filter(|_| !says("mask")))
            .or(groups.filter(|_| compared && !says("plate")))
            .or(plate);
        if let Some(parameter) = parameter {
            let told = parameterised(&pin, parameter, &scene.sources);
            if !findings.contains(&told) {
                findings.push(told);
            }
        } else if page.state(pin.name, pin.node, &pin.numbers) {
            stated.push(pin);
        }
    }
    let texts = sources
        .iter()
        .zip(pages)
        .filter_map(|((_, source), page)| {
            let text = page?.text();
            (text != *source.text).then(|| NewText {
                file: source.name.clone(),
                text,
            })
        })
        .collect();
    (texts, stated)
}

fn parameterised(pin: &Pin, parameter: Span, sources: &Sources) -> Finding {
    let text = sources.get(parameter.source).map(|source| &*source.text);
    let range = parameter.start as usize..parameter.end as usize;
    let decides = text.and_then(|text| text.get(range)).unwrap_or_default();
    Finding::note(
        "pin-parameter",
        format!(
            "{} is not pinned: a parameter decides what it is cut out of, and numbers written here would hold for one value of it",
            pin.member
        ),
    )
    .at(parameter)
    .related(pin.name, "this element")
    .member(pin.member.as_str())
    .remedy("name the file itself, or write by hand what holds for every value")
    .together(
        "members are not pinned: a parameter decides what they are cut out of, and numbers written here would hold for one value of it",
        decides,
        "name the files themselves, or write by hand what holds for every value",
    )
}

/// The files of a scene, with new texts in front of some.
struct Overlay<'a>(&'a [NewText]);

impl Loader for Overlay<'_> {
    fn load(&self, path: &Path) -> Result<String, LoadFault> {
        let shown = path.display().to_string();
        match self.0.iter().find(|text| text.file == shown) {
            Some(text) => Ok(text.text.clone()),
            None => FileLoader.load(path),
        }
    }
}

/// Reads and plans the new texts: every member must come out as it was, with its numbers stated.
pub(super) fn proved(
    args: &SceneArgs,
    opened: &Opened,
    texts: &[NewText],
    pins: &[Pin],
    (shown, before): (Shown, &Plan),
) -> Result<(), Vec<Finding>> {
    let wrong = || {
        vec![
            Finding::stop(
                "pin-failed",
                "the scene with its numbers stated would not mean the same; nothing was written",
            )
            .remedy("state them by hand: explain says where each piece turns"),
        ]
    };
    let scene = scene::read(&args.scene, &args.settings, &Overlay(texts)).map_err(|_| wrong())?;
    let whole = match shown {
        Shown::Everything => with_everything_shown(&scene),
        Shown::Drawn => scene,
    };
    let (plan, _) = plan::planned(&whole, &Settings::default(), &opened.account)?;
    let (old, new) = (steps(before), steps(&plan));
    let same = old.len() == new.len()
        && old.into_iter().zip(new).all(|(old, new)| {
            let name = old.0.span;
            let numbers = |node: &str| {
                let stated = pins.iter().find(|p| p.name == name && p.node == node);
                stated.map(|pin| pin.numbers.as_slice())
            };
            expected(old, numbers) == new
        });
    if same { Ok(()) } else { Err(wrong()) }
}

/// Every placed element of every picture, with how its frame is laid. Which cut it is does not matter here.
fn steps(plan: &Plan) -> Vec<(ElementStep, Laying)> {
    let mut steps = Vec::new();
    for stack in &plan.pictures {
        each(&stack.nodes, &mut |step| {
            let laying = plan.cuts[step.cut.0].laying;
            let step = ElementStep {
                cut: CutId(0),
                ..step.clone()
            };
            steps.push((step, laying));
        });
    }
    steps
}

/// An element with what was left open stated.
fn expected<'p>(
    (mut step, mut laying): (ElementStep, Laying),
    numbers: impl Fn(&str) -> Option<&'p [f64]>,
) -> (ElementStep, Laying) {
    if let Some(&[x, y]) = numbers("pivot")
        && step.placing.pivot.is_none()
    {
        step.placing.pivot = Some([x, y]);
    }
    if let (Some(numbers), Carry::Estimated(_)) = (numbers("align"), laying.carry) {
        laying.carry = Carry::Stated(match *numbers {
            [dx, dy] => Map::translation(dx, dy),
            [a, b, c, d, e, f] => Map::affine([a, b, c, d, e, f]),
            [a, b, c, d, e, f, g, h, i] => Map([[a, b, c], [d, e, f], [g, h, i]]),
            _ => Map::IDENTITY,
        });
    }
    if let (Some(&[r, g, b]), Gains::Estimated(_)) = (numbers("balance"), laying.gains) {
        laying.gains = Gains::Stated([r, g, b]);
    }
    (step, laying)
}
