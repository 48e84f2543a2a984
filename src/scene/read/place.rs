//! Placement nodes and the properties of elements and groups.

use super::value::FAR;
use super::{Range, Reader, Shape};
use crate::blend::{Mixing, Mode};
use crate::diag::Spanned;
use crate::scene::model::{Flip, Placement, Props, Slot};
use crate::scene::tree::Node;

pub(super) const PLACEMENT: [&str; 5] = ["offset", "scale", "rotate", "flip", "pivot"];
pub(super) const ELEMENT_PROPS: [&str; 6] = ["order", "opacity", "blend", "in", "off", "plate"];
pub(super) const GROUP_PROPS: [&str; 7] =
    ["order", "opacity", "blend", "in", "off", "plate", "isolate"];

const MODES: [(&str, Mode); 17] = [
    ("normal", Mode::Normal),
    ("multiply", Mode::Multiply),
    ("screen", Mode::Screen),
    ("overlay", Mode::Overlay),
    ("darken", Mode::Darken),
    ("lighten", Mode::Lighten),
    ("color-dodge", Mode::ColorDodge),
    ("color-burn", Mode::ColorBurn),
    ("hard-light", Mode::HardLight),
    ("soft-light", Mode::SoftLight),
    ("difference", Mode::Difference),
    ("exclusion", Mode::Exclusion),
    ("hue", Mode::Hue),
    ("saturation", Mode::Saturation),
    ("color", Mode::Color),
    ("luminosity", Mode::Luminosity),
    ("plus-lighter", Mode::PlusLighter),
];

impl Reader<'_> {
    /// One placement node into its slot. False if it is none.
    pub(super) fn placed(&mut self, node: &Node, placement: &mut Placement) -> bool {
        if !PLACEMENT.contains(&node.name.as_str()) {
            return false;
        }
        let off = self.off(node);
        macro_rules! slot {
            ($field:ident, $read:expr) => {
                if let Some(span) = off {
                    placement.$field = Slot::Off(span);
                } else if let Some(value) = $read {
                    placement.$field = Slot::Set(Spanned::new(value, node.span));
                }
            };
        }
        match node.name.as_str() {
            "offset" => slot!(offset, self.pair(node, "offset dx dy")),
            "pivot" => slot!(pivot, self.pair(node, "pivot x y")),
            "scale" => slot!(scale, self.scale(node)),
            "rotate" => slot!(rotate, self.single(node, "rotate degrees", Range::ANY)),
            _ => slot!(flip, self.flip(node)),
        }
        true
    }

    /// Two numbers of canvas or frame pixels.
    pub(super) fn pair(&mut self, node: &Node, usage: &'static str) -> Option<[f64; 2]> {
        self.shaped(node, &Shape::args(usage, 2..=2))
            .then(|| self.numbers(node, Range::within(FAR)))
            .flatten()
    }

    pub(super) fn single(&mut self, node: &Node, usage: &'static str, range: Range) -> Option<f64> {
        self.shaped(node, &Shape::args(usage, 1..=1))
            .then(|| self.number(&node.args[0], &node.name, range))
            .flatten()
    }

    fn scale(&mut self, node: &Node) -> Option<[f64; 2]> {
        let range = Range::of(0.001, 100.0);
        if !self.shaped(node, &Shape::args("scale s, or scale sx sy", 1..=2)) {
            return None;
        }
        match node.args.len() {
            1 => self.numbers(node, range).map(|[both]| [both, both]),
            _ => self.numbers(node, range),
        }
    }

    fn flip(&mut self, node: &Node) -> Option<Flip> {
        let known = [
            ("horizontal", Flip::Horizontal),
            ("vertical", Flip::Vertical),
        ];
        self.shaped(
            node,
            &Shape::args("flip \"horizontal\" or flip \"vertical\"", 1..=1),
        )
        .then(|| self.word(&node.args[0], "flip", &known))
        .flatten()
    }

    /// The properties of an element or a group; unknown ones were told by its shape.
    pub(super) fn props(&mut self, node: &Node) -> Props {
        let mut props = Props::default();
        if let Some(value) = self.prop(node, "order") {
            props.order = self
                .whole(value, "order", Range::within(FAR))
                .map(|order| Spanned::new(order as i32, value.span));
        }
        if let Some(value) = self.prop(node, "opacity") {
            props.opacity = self
                .number(value, "opacity", Range::of(0.0, 1.0))
                .map(|opacity| Spanned::new(opacity, value.span));
        }
        if let Some(value) = self.prop(node, "blend") {
            props.blend = self
                .word(value, "blend", &MODES)
                .map(|mode| Spanned::new(mode, value.span));
        }
        if let Some(value) = self.prop(node, "in") {
            let known = [("linear", Mixing::Linear), ("encoded", Mixing::Encoded)];
            props.mixing = self
                .word(value, "in", &known)
                .map(|mixing| Spanned::new(mixing, value.span));
        }
        if let Some(value) = self.prop(node, "off") {
            props.off = self
                .flag(value, "off")
                .map(|off| Spanned::new(off, value.span));
        }
        if let Some(value) = self.prop(node, "plate") {
            props.plate = self.text(value, "plate");
        }
        if let Some(value) = self.prop(node, "isolate") {
            props.isolate = self
                .flag(value, "isolate")
                .map(|isolate| Spanned::new(isolate, value.span));
        }
        props
    }
}
