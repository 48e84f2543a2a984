//! Nodes to the typed scene: what every reader of a node needs.
//!
//! A reader never stops at a fault: it tells it, puts something harmless in its place and goes on, so that one run
//! shows them all. What is put in place is never seen, since a scene with a `stop` is refused.

mod correct;
mod edits;
mod element;
mod group;
mod mask_body;
mod output;
mod output_rules;
mod place;
mod source;
mod stage;
mod top;
mod value;

pub(super) use top::scene;
use value::Range;

use super::params::{Landing, Params, Scope};
use super::suggest::{self, nearest};
use super::tree::{Node, Value};
use super::words::shown;
use crate::diag::{Finding, Span};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::PathBuf;

/// What all readers share.
pub(super) struct Reader<'a> {
    params: &'a Params,
    folders: &'a [PathBuf],
    scope: Scope,
    pub(super) findings: Vec<Finding>,
}

/// Whether a node may carry a block.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Block {
    None,
    Allowed,
    Required,
}

/// How a node is written: one line for the reader, and what the reader checks.
#[derive(Clone)]
struct Shape<'s> {
    usage: &'static str,
    args: RangeInclusive<usize>,
    props: &'s [&'s str],
    block: Block,
}

impl<'s> Shape<'s> {
    fn args(usage: &'static str, args: RangeInclusive<usize>) -> Shape<'s> {
        Shape {
            usage,
            args,
            props: &[],
            block: Block::None,
        }
    }

    fn props(self, props: &'s [&'s str]) -> Shape<'s> {
        Shape { props, ..self }
    }

    fn block(self, block: Block) -> Shape<'s> {
        Shape { block, ..self }
    }
}

impl<'a> Reader<'a> {
    pub(super) fn new(params: &'a Params, folders: &'a [PathBuf]) -> Reader<'a> {
        Reader {
            params,
            folders,
            scope: Scope::default(),
            findings: Vec::new(),
        }
    }

    fn tell(&mut self, finding: Finding) {
        self.findings.push(finding);
    }

    /// Checks arguments, properties and block against `shape`. True if the count of arguments is right.
    fn shaped(&mut self, node: &Node, shape: &Shape<'_>) -> bool {
        self.known_props(node, shape.props);
        let name = shown(&node.name);
        match (shape.block, &node.children) {
            (Block::None, Some(children)) => {
                let span = children.first().map_or(node.span, |child| child.name_span);
                self.tell(
                    Finding::stop("no-block", format!("{name} takes no block"))
                        .at(span)
                        .allowed(shape.usage)
                        .remedy("put these nodes beside it, not into it"),
                );
            }
            (Block::Required, None) => self.tell(
                Finding::stop("missing-block", format!("{name} needs a block"))
                    .at(node.span)
                    .allowed(shape.usage),
            ),
            _ => {}
        }
        let (least, most, has) = (*shape.args.start(), *shape.args.end(), node.args.len());
        if has > most {
            let extra = &node.args[most];
            let words = match most {
                0 => format!("{name} takes no arguments"),
                _ => format!("{name} has {} too many", count(has - most, "argument")),
            };
            self.tell(
                Finding::stop("extra-argument", words)
                    .at(extra.span)
                    .allowed(shape.usage),
            );
            return false;
        }
        if has < least {
            let words = if has == 0 && least == 1 {
                format!("{name} has no argument")
            } else {
                format!("{name} needs {} and has {has}", count(least, "argument"))
            };
            self.tell(
                Finding::stop("missing-argument", words)
                    .at(node.span)
                    .allowed(shape.usage),
            );
            return false;
        }
        true
    }

    /// Tells properties that are unknown or written twice.
    fn known_props(&mut self, node: &Node, known: &[&str]) {
        let mut seen: BTreeMap<&str, Span> = BTreeMap::new();
        let mut repeated = false;
        for prop in &node.props {
            if let Some(first) = seen.get(prop.name.as_str()) {
                if !repeated {
                    let finding = Finding::stop(
                        "repeated-property",
                        format!("{} is written twice on one node", shown(&prop.name)),
                    )
                    .at(prop.name_span)
                    .related(*first, "the first one")
                    .remedy("keep one");
                    self.tell(finding);
                }
                repeated = true;
                continue;
            }
            seen.insert(&prop.name, prop.name_span);
            if known.contains(&prop.name.as_str()) {
                continue;
            }
            let allowed = if known.is_empty() {
                "no properties".to_owned()
            } else {
                known.join(", ")
            };
            let mut finding = Finding::stop(
                "unknown-property",
                format!(
                    "{} is no property of {}",
                    shown(&prop.name),
                    shown(&node.name)
                ),
            )
            .at(prop.name_span)
            .allowed(allowed)
            .nearest(nearest(&prop.name, known.iter().copied()));
            if let Some(words) = suggest::home_of_node(&prop.name) {
                finding = finding.remedy(format!(
                    "{} is a node, written in a block without `=`: {words}",
                    shown(&prop.name)
                ));
            }
            self.tell(finding);
        }
    }

    fn prop<'n>(&self, node: &'n Node, name: &str) -> Option<&'n Value> {
        node.props
            .iter()
            .find(|prop| prop.name == name)
            .map(|prop| &prop.value)
    }

    /// The nodes of a block that may stand there, each once unless it is in `many`; the others are told.
    fn known_nodes<'n>(
        &mut self,
        nodes: &'n [Node],
        parent: &str,
        known: &[&str],
        many: &[&str],
    ) -> Vec<&'n Node> {
        let mut seen: BTreeMap<&str, Span> = BTreeMap::new();
        let mut good = Vec::with_capacity(nodes.len());
        for node in nodes {
            let name = node.name.as_str();
            if many.contains(&name) {
                good.push(node);
                continue;
            }
            if !known.contains(&name) {
                self.unknown_node(node, parent, known, many);
                continue;
            }
            if let Some(first) = seen.get(name) {
                let finding = Finding::stop(
                    "repeated-node",
                    format!(
                        "{} stands twice in {parent}, and may stand once",
                        shown(name)
                    ),
                )
                .at(node.name_span)
                .related(*first, "the first one")
                .remedy("keep one");
                self.tell(finding);
                continue;
            }
            seen.insert(name, node.name_span);
            good.push(node);
        }
        good
    }

    fn unknown_node(&mut self, node: &Node, parent: &str, known: &[&str], many: &[&str]) {
        let names = || known.iter().chain(many).copied();
        let mut finding = Finding::stop(
            "unknown-node",
            format!("{} is no node of {parent}", shown(&node.name)),
        )
        .at(node.name_span)
        .allowed(names().collect::<Vec<_>>().join(", "))
        .nearest(nearest(&node.name, names()));
        if let Some(owner) = suggest::home_of_property(&node.name) {
            finding = finding.remedy(format!(
                "{} is a property: write it on the line of {owner}, as {}=...",
                shown(&node.name),
                node.name
            ));
        } else if let Some(home) = suggest::home_of_node(&node.name) {
            finding = finding.remedy(home.to_owned());
        }
        self.tell(finding);
    }

    /// `node #false`: its place. Anything else beside the `#false` is told.
    fn off(&mut self, node: &Node) -> Option<Span> {
        use super::tree::Kind;
        let [value] = node.args.as_slice() else {
            return None;
        };
        if value.kind != Kind::Flag(false) {
            return None;
        }
        self.shaped(node, &Shape::args("node #false stands alone", 1..=1));
        Some(node.span)
    }

    /// A text with parameters put in.
    fn put(&mut self, text: &str, span: Span, landing: Landing) -> Option<String> {
        self.params
            .put(text, span, &self.scope, landing, &mut self.findings)
    }
}

/// "1 argument", "2 arguments".
fn count(number: usize, what: &str) -> String {
    if number == 1 {
        format!("1 {what}")
    } else {
        format!("{number} {what}s")
    }
}
