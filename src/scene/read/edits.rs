//! What an output or a row changes about members: `change`, `hide`, `show`.

use super::element::{TREATMENT, placement_and};
use super::place::{ELEMENT_PROPS, GROUP_PROPS};
use super::{Block, Reader, Shape};
use crate::diag::{Finding, Span, Spanned};
use crate::scene::model::{Change, Edits, Member, Treatment};
use crate::scene::suggest::nearest;
use crate::scene::tree::Node;
use crate::scene::words::quoted;
use std::collections::BTreeMap;

/// What a path names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::scene) enum MemberKind {
    Element,
    Group,
}

/// Every member by its path.
pub(in crate::scene) type Paths = BTreeMap<String, MemberKind>;

/// The paths of all members: `nibs`, `nibs/a`.
pub(in crate::scene) fn paths(members: &[Member]) -> Paths {
    fn walk(members: &[Member], prefix: &str, out: &mut Paths) {
        for member in members {
            let (name, kind) = match member {
                Member::Element(element) => (&element.name.value, MemberKind::Element),
                Member::Group(group) => (&group.name.value, MemberKind::Group),
            };
            if name.is_empty() {
                continue;
            }
            let path = format!("{prefix}{name}");
            if let Member::Group(group) = member {
                walk(&group.members, &format!("{path}/"), out);
            }
            out.entry(path).or_insert(kind);
        }
    }
    let mut out = Paths::new();
    walk(members, "", &mut out);
    out
}

pub(super) const EDITS: [&str; 3] = ["change", "hide", "show"];

impl Reader<'_> {
    /// The edits among nodes found to be known.
    pub(super) fn edits(&mut self, nodes: &[&Node], paths: &Paths) -> Edits {
        let mut edits = Edits::default();
        let mut changed: BTreeMap<String, Span> = BTreeMap::new();
        let mut shown: BTreeMap<String, (Span, bool)> = BTreeMap::new();
        for node in nodes {
            match node.name.as_str() {
                "change" => {
                    let Some(change) = self.change(node, paths) else {
                        continue;
                    };
                    let path = change.path.clone();
                    match changed.get(&path.value) {
                        Some(first) => {
                            let finding = Finding::stop(
                                "repeated-node",
                                format!("{} is changed twice here", quoted(&path.value)),
                            )
                            .at(path.span)
                            .related(*first, "the first one")
                            .remedy("put both into one `change`");
                            self.tell(finding);
                        }
                        None => {
                            changed.insert(path.value, path.span);
                            edits.changes.push(change);
                        }
                    }
                }
                "hide" | "show" => {
                    let show = node.name == "show";
                    let usage = if show {
                        "show \"path\""
                    } else {
                        "hide \"path\""
                    };
                    if !self.shaped(node, &Shape::args(usage, 1..=1)) {
                        continue;
                    }
                    let Some((path, _)) = self.member_path(&node.args[0], paths) else {
                        continue;
                    };
                    match shown.get(&path.value) {
                        Some((first, before)) => {
                            let words = if *before == show {
                                format!(
                                    "{} stands twice for {}",
                                    super::shown(&node.name),
                                    quoted(&path.value)
                                )
                            } else {
                                format!("{} is both hidden and shown", quoted(&path.value))
                            };
                            let finding = Finding::stop("repeated-node", words)
                                .at(path.span)
                                .related(*first, "the first one")
                                .remedy("keep one of them");
                            self.tell(finding);
                        }
                        None => {
                            shown.insert(path.value.clone(), (path.span, show));
                            edits.shown.push((path, show));
                        }
                    }
                }
                _ => {}
            }
        }
        edits
    }

    /// A path that names a member.
    pub(super) fn member_path(
        &mut self,
        value: &crate::scene::tree::Value,
        paths: &Paths,
    ) -> Option<(Spanned<String>, MemberKind)> {
        let path = self.text(value, "path")?;
        if let Some(kind) = paths.get(&path.value) {
            return Some((path, *kind));
        }
        // A member named without its groups is the likeliest slip.
        let tail = format!("/{}", path.value);
        let near = paths
            .keys()
            .find(|known| known.ends_with(&tail))
            .map(String::as_str)
            .or_else(|| nearest(&path.value, paths.keys().map(String::as_str)));
        let mut known: Vec<&str> = paths.keys().map(String::as_str).take(20).collect();
        if paths.len() > known.len() {
            known.push("...");
        }
        let allowed = if known.is_empty() {
            "nothing: the scene has no elements and groups".to_owned()
        } else {
            known.join(", ")
        };
        let finding = Finding::stop(
            "unknown-member",
            format!("no element or group is called {}", quoted(&path.value)),
        )
        .at(value.span)
        .allowed(allowed)
        .nearest(near);
        self.tell(finding);
        None
    }

    fn change(&mut self, node: &Node, paths: &Paths) -> Option<Change> {
        let usage = "change \"path\" { nodes }, its properties on the same line";
        let target = match node.args.first() {
            Some(value) => self.member_path(value, paths),
            None => {
                self.shaped(
                    node,
                    &Shape::args(usage, 1..=1)
                        .props(&GROUP_PROPS)
                        .block(Block::Allowed),
                );
                return None;
            }
        };
        // An unknown target is read as an element, so that its block is checked too; what only groups have passes.
        let kind = target
            .as_ref()
            .map_or(MemberKind::Element, |(_, kind)| *kind);
        let group = kind == MemberKind::Group;
        let props: &[&str] = if group || target.is_none() {
            &GROUP_PROPS
        } else {
            &ELEMENT_PROPS
        };
        self.shaped(
            node,
            &Shape::args(usage, 1..=1).props(props).block(Block::Allowed),
        );
        let (parent, known, many): (&str, Vec<&str>, &[&str]) = if group {
            (
                "a change of a group",
                placement_and(&["each", "mask", "correct", "nudge"]),
                &[],
            )
        } else {
            let mut known = vec!["frame", "nudge"];
            known.extend(TREATMENT);
            ("a change of an element", known, &["mend"])
        };
        if target.is_none() {
            // What it may hold depends on what it names, which was told.
            let known: Vec<&str> = known.into_iter().chain(["each"]).collect();
            let nodes = self.known_nodes(node.children(), parent, &known, many);
            self.change_nodes(&nodes, group);
            return None;
        }
        let (path, _) = target?;
        let nodes = self.known_nodes(node.children(), parent, &known, many);
        if nodes.is_empty() && node.props.is_empty() && node.children().is_empty() {
            self.tell(
                Finding::stop(
                    "missing-block",
                    format!("this changes nothing about {}", quoted(&path.value)),
                )
                .at(node.span)
                .allowed(usage),
            );
        }
        let props = self.props(node);
        let (treatment, each, frame, nudge) = self.change_nodes(&nodes, group);
        Some(Change {
            span: node.span,
            path,
            props,
            frame,
            treatment,
            each,
            nudge,
        })
    }

    fn change_nodes(
        &mut self,
        nodes: &[&Node],
        group: bool,
    ) -> (
        Treatment,
        Option<Treatment>,
        Option<crate::scene::model::FrameRef>,
        [f64; 2],
    ) {
        let mut nudge = [0.0; 2];
        let mut frame = None;
        for node in nodes {
            match node.name.as_str() {
                "nudge" => nudge = self.pair(node, "nudge dx dy").unwrap_or(nudge),
                "frame" => frame = self.frame(node),
                _ => {}
            }
        }
        if !group {
            return (self.treatment(nodes), None, frame, nudge);
        }
        let own = self.group_nodes(nodes);
        let treatment = Treatment {
            placement: own.placement,
            correct: own.correct,
            mask: own.mask,
            ..Treatment::default()
        };
        (treatment, own.each, frame, nudge)
    }
}
