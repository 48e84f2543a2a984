//! Groups, `each` and the members of a block.

use super::element::{TREATMENT, placement_and};
use super::mask_body::Where;
use super::place::GROUP_PROPS;
use super::{Block, Reader, Shape};
use crate::diag::{Finding, Span, Spanned};
use crate::scene::model::{Correct, Group, Member, Placement, Slot, Treatment};
use crate::scene::tree::Node;
use crate::scene::words::quoted;
use std::collections::BTreeMap;

impl Reader<'_> {
    /// The elements and groups among nodes found to be known.
    pub(super) fn members(&mut self, nodes: &[&Node]) -> Vec<Member> {
        let mut seen: BTreeMap<String, Span> = BTreeMap::new();
        let mut members = Vec::new();
        for node in nodes {
            let member = match node.name.as_str() {
                "element" => Member::Element(self.element(node)),
                "group" => Member::Group(self.group(node)),
                _ => continue,
            };
            let name = match &member {
                Member::Element(element) => &element.name,
                Member::Group(group) => &group.name,
            };
            self.unique(&mut seen, name, "members here");
            members.push(member);
        }
        members
    }

    /// Tells a name that was there before. Empty ones were told as such.
    pub(super) fn unique(
        &mut self,
        seen: &mut BTreeMap<String, Span>,
        name: &Spanned<String>,
        what: &str,
    ) {
        if name.value.is_empty() {
            return;
        }
        match seen.get(&name.value) {
            None => {
                seen.insert(name.value.clone(), name.span);
            }
            Some(first) => {
                let finding = Finding::stop(
                    "duplicate-name",
                    format!("two {what} are called {}", quoted(&name.value)),
                )
                .at(name.span)
                .related(*first, "the first one")
                .remedy("give one another name");
                self.tell(finding);
            }
        }
    }

    fn group(&mut self, node: &Node) -> Group {
        let shape = Shape::args("group \"name\" { members }", 1..=1);
        self.shaped(node, &shape.props(&GROUP_PROPS).block(Block::Required));
        let name = self.own_name(node, "a group");
        let props = self.props(node);
        let known = placement_and(&["each", "mask", "correct"]);
        let nodes = self.known_nodes(
            node.children(),
            "a group",
            &known,
            &["element", "group", "include"],
        );
        let own = self.group_nodes(&nodes);
        Group {
            span: node.span,
            name,
            props,
            each: own.each,
            placement: own.placement,
            correct: own.correct,
            mask: own.mask,
            members: self.members(&nodes),
        }
    }

    /// What a group says of itself, and a `change` of it too.
    pub(super) fn group_nodes(&mut self, nodes: &[&Node]) -> GroupNodes {
        let mut out = GroupNodes::default();
        for node in nodes {
            if self.placed(node, &mut out.placement) {
                continue;
            }
            match node.name.as_str() {
                "each" => out.each = Some(self.each(node)),
                "mask" => out.mask = self.mask_node(node, Where::Group),
                "correct" => match self.off(node) {
                    Some(span) => out.correct = Slot::Off(span),
                    None => {
                        if let Some(correct) = self.correct(node) {
                            out.correct = Slot::Set(correct);
                        }
                    }
                },
                _ => {}
            }
        }
        out
    }

    pub(super) fn each(&mut self, node: &Node) -> Treatment {
        let shape = Shape::args("each { any node of an element but frame }", 0..=0);
        self.shaped(node, &shape.block(Block::Required));
        let nodes = self.known_nodes(node.children(), "`each`", &TREATMENT, &["mend"]);
        self.treatment(&nodes)
    }
}

#[derive(Default)]
pub(super) struct GroupNodes {
    pub(super) each: Option<Treatment>,
    pub(super) placement: Placement,
    pub(super) correct: Slot<Correct>,
    pub(super) mask: Slot<crate::scene::model::Body>,
}
