//! Mask bodies: `keep`, `within`, `cut` and the steps, top to bottom.

use super::source::SOURCES;
use super::value::Range;
use super::{Block, Reader, Shape};
use crate::diag::{Finding, Span, Spanned};
use crate::scene::model::{Body, NamedMask, Slot, Source, Step};
use crate::scene::tree::{Kind, Node};
use crate::scene::words::shown;

/// Where a mask body, or a block of sources, stands: it decides which sources mean something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Where {
    /// An element's mask, in frame space.
    Element,
    /// A group's mask, in canvas space.
    Group,
    /// A mask named at the top, in canvas space.
    Named,
    /// `protect`, in canvas space.
    Protect,
    /// The areas of a `mend`.
    Mend,
    /// The `within` of a `shadow`.
    Shadow,
}

const COMBINE: [&str; 3] = ["keep", "within", "cut"];
const STEPS: [&str; 5] = ["feather", "dilate", "erode", "ramp", "invert"];

impl Reader<'_> {
    /// `mask { ... }` of an element, an `each`, a group or a change.
    pub(super) fn mask_node(&mut self, node: &Node, place: Where) -> Slot<Body> {
        if let [value] = node.args.as_slice()
            && value.kind == Kind::Flag(false)
        {
            self.tell(
                Finding::stop("mask-off", "a mask can't be switched off")
                    .at(node.span)
                    .remedy("write `mask { all }` for the whole of it"),
            );
            return Slot::Set(Spanned::new(Body::default(), node.span));
        }
        let shape = Shape::args("mask { sources and steps }", 0..=0);
        self.shaped(node, &shape.block(Block::Required));
        Slot::Set(Spanned::new(self.body(node, place), node.span))
    }

    /// `mask "name" { ... }` and `protect "name" { ... }` at the top.
    pub(super) fn named_mask(&mut self, node: &Node, place: Where) -> NamedMask {
        let (usage, of) = match place {
            Where::Protect => ("protect \"name\" { a mask body }", "a protected place"),
            _ => ("mask \"name\" { a mask body }", "a mask"),
        };
        self.shaped(node, &Shape::args(usage, 1..=1).block(Block::Required));
        NamedMask {
            name: self.own_name(node, of),
            body: self.body(node, place),
        }
    }

    /// The block of a mask, top to bottom.
    fn body(&mut self, node: &Node, place: Where) -> Body {
        let mut steps: Vec<Spanned<Step>> = Vec::new();
        // Sources standing loose at the beginning are one `keep`.
        let mut loose: Vec<Source> = Vec::new();
        let (mut begun, mut sourced, mut unread) = (false, false, false);
        for child in node.children() {
            let name = child.name.as_str();
            if SOURCES.contains(&name) {
                let source = self.source(child, place);
                sourced |= !begun;
                if begun {
                    self.tell(
                        Finding::stop(
                            "mask-order",
                            format!("{} stands loose after the mask's beginning", shown(name)),
                        )
                        .at(child.span)
                        .remedy("say what it does: keep { ... } adds it, within { ... } limits to it, cut { ... } removes it"),
                    );
                } else {
                    loose.extend(source);
                }
                continue;
            }
            let step = if COMBINE.contains(&name) {
                self.combine(child, place)
            } else if STEPS.contains(&name) {
                self.step(child)
            } else {
                let mut known: Vec<&str> = COMBINE.to_vec();
                known.extend(STEPS);
                known.extend(SOURCES);
                self.unknown_node(child, "a mask", &known, &[]);
                unread = true;
                continue;
            };
            flush(&mut steps, &mut loose);
            if !begun && !sourced && !unread && name != "keep" {
                self.tell(
                    Finding::stop(
                        "mask-order",
                        format!("a mask begins with a keep, and {} has nothing to work on here", shown(name)),
                    )
                    .at(child.span)
                    .remedy("write `keep { ... }` above it, with what it starts from; `keep { all }` is everything"),
                );
            }
            begun = true;
            if let Some(step) = step {
                steps.push(Spanned::new(step, child.span));
            }
        }
        if node.children.is_some() && node.children().is_empty() {
            self.tell(
                Finding::stop("mask-order", "a mask is empty")
                    .at(node.span)
                    .remedy("draw something in it, or write `all` for everything"),
            );
        }
        flush(&mut steps, &mut loose);
        Body { steps, unread }
    }

    fn combine(&mut self, node: &Node, place: Where) -> Option<Step> {
        let usage = match node.name.as_str() {
            "keep" => "keep { sources }",
            "within" => "within { sources }",
            _ => "cut { sources }",
        };
        self.shaped(node, &Shape::args(usage, 0..=0).block(Block::Required));
        let sources = self.sources(node, &shown(&node.name), place);
        Some(match node.name.as_str() {
            "keep" => Step::Keep(sources),
            "within" => Step::Within(sources),
            _ => Step::Cut(sources),
        })
    }

    fn step(&mut self, node: &Node) -> Option<Step> {
        let reach = Range::of(0.0, 1000.0);
        match node.name.as_str() {
            "feather" => self.single(node, "feather s", reach).map(Step::Feather),
            "dilate" => self.single(node, "dilate d", reach).map(Step::Dilate),
            "erode" => self.single(node, "erode d", reach).map(Step::Erode),
            "ramp" => {
                let [low, high] = self.low_high(node, "ramp low high")?;
                Some(Step::Ramp(low, high))
            }
            _ => self
                .shaped(node, &Shape::args("invert", 0..=0))
                .then_some(Step::Invert),
        }
    }

    /// Two numbers within 10, the first below the second.
    pub(super) fn low_high(&mut self, node: &Node, usage: &'static str) -> Option<[f64; 2]> {
        if !self.shaped(
            node,
            &Shape::args(usage, 2..=2).props(&["feather"][..usize::from(node.name == "luminance")]),
        ) {
            return None;
        }
        let [low, high] = self.numbers(node, Range::within(10.0))?;
        if low < high {
            return Some([low, high]);
        }
        let span = Span {
            end: node.args[1].span.end,
            ..node.args[0].span
        };
        self.tell(
            Finding::stop(
                "out-of-range",
                format!(
                    "{} {low} {high}: the first must be below the second",
                    shown(&node.name)
                ),
            )
            .at(span)
            .allowed(usage),
        );
        None
    }
}

/// Puts sources gathered so far into a `keep` of their own.
fn flush(steps: &mut Vec<Spanned<Step>>, loose: &mut Vec<Source>) {
    let (Some(first), Some(last)) = (loose.first(), loose.last()) else {
        return;
    };
    let span = if first.span.source == last.span.source {
        Span {
            end: last.span.end,
            ..first.span
        }
    } else {
        first.span
    };
    steps.push(Spanned::new(Step::Keep(std::mem::take(loose)), span));
}
