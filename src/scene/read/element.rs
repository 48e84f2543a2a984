//! Elements, and the treatment nodes they share with `each` and `change`.

use super::mask_body::Where;
use super::place::{ELEMENT_PROPS, PLACEMENT};
use super::value::{FAR, INPUT_PROFILES};
use super::{Block, Range, Reader, Shape};
use crate::diag::{Finding, Spanned};
use crate::geom::Map;
use crate::resample::Kernel;
use crate::scene::model::{Align, Balance, Element, FrameRef, Mend, Shadow, Slot, Treatment};
use crate::scene::tree::{Kind, Node};
use std::path::PathBuf;

/// What an element's block holds, but for `frame`.
pub(super) const TREATMENT: [&str; 13] = [
    "align", "balance", "mask", "correct", "defocus", "offset", "scale", "rotate", "flip", "pivot",
    "resample", "behind", "shadow",
];

const KERNELS: [(&str, Kernel); 5] = [
    ("lanczos3", Kernel::Lanczos3),
    ("mitchell", Kernel::Mitchell),
    ("catmull-rom", Kernel::CatmullRom),
    ("bilinear", Kernel::Bilinear),
    ("nearest", Kernel::Nearest),
];

impl Reader<'_> {
    pub(super) fn element(&mut self, node: &Node) -> Element {
        let shape = Shape::args("element \"name\" { frame \"file\"; ... }", 1..=1);
        self.shaped(node, &shape.props(&ELEMENT_PROPS).block(Block::Required));
        let name = self.own_name(node, "an element");
        let props = self.props(node);
        let mut known = vec!["frame"];
        known.extend(TREATMENT);
        let nodes = self.known_nodes(node.children(), "an element", &known, &["mend"]);
        let frame = nodes.iter().find(|node| node.name == "frame");
        let frame = match frame {
            Some(frame) => self.frame(frame),
            None => {
                if node.children.is_some() {
                    self.tell(
                        Finding::stop(
                            "missing-node",
                            format!("element \"{}\" has no frame", name.value),
                        )
                        .at(node.span)
                        .remedy("name its picture: frame \"frames/file.tif\""),
                    );
                }
                None
            }
        };
        Element {
            span: node.span,
            name,
            props,
            frame: frame.unwrap_or_else(|| FrameRef {
                path: Spanned::new(PathBuf::new(), node.span),
                profile: None,
            }),
            treatment: self.treatment(&nodes),
        }
    }

    pub(super) fn frame(&mut self, node: &Node) -> Option<FrameRef> {
        let shape = Shape::args(
            "frame \"file\", with profile=\"...\" if the file has none",
            1..=1,
        );
        let counted = self.shaped(node, &shape.props(&["profile"]));
        let profile = self.prop(node, "profile").and_then(|value| {
            self.profile(value, &INPUT_PROFILES)
                .map(|profile| Spanned::new(profile, value.span))
        });
        if !counted {
            return None;
        }
        let path = self.path(&node.args[0], "frame")?;
        Some(FrameRef { path, profile })
    }

    /// The treatment among nodes that were found to be known; the others are left alone.
    pub(super) fn treatment(&mut self, nodes: &[&Node]) -> Treatment {
        let mut out = Treatment::default();
        for node in nodes {
            if self.placed(node, &mut out.placement) {
                continue;
            }
            if node.name == "mask" {
                out.mask = self.mask_node(node, Where::Element);
                continue;
            }
            if !TREATMENT.contains(&node.name.as_str()) && node.name != "mend" {
                continue;
            }
            let off = self.off(node);
            macro_rules! slot {
                ($field:ident, $read:expr) => {
                    if let Some(span) = off {
                        out.$field = Slot::Off(span);
                    } else if let Some(value) = $read {
                        out.$field = Slot::Set(Spanned::new(value, node.span));
                    }
                };
            }
            match node.name.as_str() {
                "align" => slot!(align, self.align(node)),
                "balance" => slot!(balance, self.balance(node)),
                "correct" => slot!(correct, self.correct(node).map(|correct| correct.value)),
                "defocus" => slot!(
                    defocus,
                    self.single(node, "defocus radius", Range::of(0.0, 500.0))
                ),
                "resample" => slot!(resample, self.resample(node)),
                "behind" => slot!(behind, self.behind(node)),
                "shadow" => slot!(shadow, self.shadow(node)),
                "mend" => match off {
                    Some(span) => out.no_mends = Some(span),
                    None => out.mends.push(self.mend(node)),
                },
                _ => {}
            }
        }
        if let (Some(none), Some(mend)) = (out.no_mends, out.mends.first()) {
            self.tell(
                Finding::stop("repeated-node", "`mend #false` stands beside a `mend`")
                    .at(none)
                    .related(mend.span, "the other one")
                    .remedy("keep one of them"),
            );
        }
        out
    }

    fn align(&mut self, node: &Node) -> Option<Align> {
        let usage = "align \"shift\", \"similarity\" or \"perspective\"; align dx dy; 6 or 9 numbers; align #false";
        if let Some(Kind::Text(_)) = node.args.first().map(|value| &value.kind) {
            let known = [
                ("shift", Align::Shift),
                ("similarity", Align::Similarity),
                ("perspective", Align::Perspective),
            ];
            return self
                .shaped(node, &Shape::args(usage, 1..=1))
                .then(|| self.word(&node.args[0], "align", &known))
                .flatten();
        }
        if !self.shaped(node, &Shape::args(usage, 1..=9)) {
            return None;
        }
        match node.args.len() {
            2 => self.numbers(node, Range::within(FAR)).map(Align::By),
            6 => {
                let numbers = self.numbers(node, Range::within(FAR))?;
                self.turns_back(node, Map::affine(numbers))
                    .then_some(Align::Affine(numbers))
            }
            9 => {
                let numbers: [f64; 9] = self.numbers(node, Range::within(FAR))?;
                let [a, b, c, d, e, f, g, h, i] = numbers;
                self.turns_back(node, Map([[a, b, c], [d, e, f], [g, h, i]]))
                    .then_some(Align::Projective(numbers))
            }
            1 => {
                self.wrong(
                    &node.args[0],
                    "align",
                    "a word or numbers",
                    Some(usage.to_owned()),
                );
                None
            }
            count => {
                self.tell(
                    Finding::stop(
                        "missing-argument",
                        format!("`align` can't take {}", super::count(count, "argument")),
                    )
                    .at(node.span)
                    .allowed(usage),
                );
                None
            }
        }
    }

    /// Whether a stated map leaves anything of the frame.
    fn turns_back(&mut self, node: &Node, map: Map) -> bool {
        let turns = map.inverted().is_some();
        if !turns {
            self.tell(
                Finding::stop(
                    "flat-map",
                    "these numbers flatten the frame to a line or a point",
                )
                .at(node.span)
                .allowed("a map that can be turned back: align 1 0 0 1 dx dy for a shift"),
            );
        }
        turns
    }

    fn balance(&mut self, node: &Node) -> Option<Balance> {
        let usage = "balance; balance \"exposure\" or \"white\"; balance r g b; balance #false";
        match node.args.len() {
            0 => {
                self.shaped(node, &Shape::args(usage, 0..=0));
                Some(Balance::Both)
            }
            1 => {
                self.shaped(node, &Shape::args(usage, 1..=1));
                let known = [("exposure", Balance::Exposure), ("white", Balance::White)];
                self.word(&node.args[0], "balance", &known)
            }
            _ => self
                .shaped(node, &Shape::args(usage, 3..=3))
                .then(|| self.numbers(node, Range::of(1.0 / 16.0, 16.0)))
                .flatten()
                .map(Balance::Gains),
        }
    }

    fn resample(&mut self, node: &Node) -> Option<Kernel> {
        let usage =
            "resample \"lanczos3\", \"mitchell\", \"catmull-rom\", \"bilinear\" or \"nearest\"";
        self.shaped(node, &Shape::args(usage, 1..=1))
            .then(|| self.word(&node.args[0], "resample", &KERNELS))
            .flatten()
    }

    fn behind(&mut self, node: &Node) -> Option<String> {
        self.shaped(
            node,
            &Shape::args(
                "behind \"mask\", a mask named at the top of the scene",
                1..=1,
            ),
        )
        .then(|| self.text(&node.args[0], "behind"))
        .flatten()
        .map(|name| name.value)
    }

    fn shadow(&mut self, node: &Node) -> Option<Shadow> {
        let usage =
            "shadow, with strength=k and a block of offset dx dy and within { areas } if wanted";
        self.shaped(
            node,
            &Shape::args(usage, 0..=0)
                .props(&["strength"])
                .block(Block::Allowed),
        );
        let mut shadow = Shadow {
            strength: 1.0,
            offset: [0.0; 2],
            within: None,
        };
        if let Some(value) = self.prop(node, "strength") {
            shadow.strength = self
                .number(value, "strength", Range::of(0.0, 2.0))
                .unwrap_or(1.0);
        }
        for child in self.known_nodes(node.children(), "`shadow`", &["offset", "within"], &[]) {
            if child.name == "offset" {
                shadow.offset = self.pair(child, "offset dx dy").unwrap_or([0.0; 2]);
            } else {
                let shape = Shape::args("within { rect x y w h }", 0..=0);
                self.shaped(child, &shape.block(Block::Required));
                shadow.within = Some(self.sources(child, "`within`", Where::Shadow));
            }
        }
        Some(shadow)
    }

    fn mend(&mut self, node: &Node) -> Mend {
        let shape = Shape::args("mend { areas }, or mend from=\"file\" { areas }", 0..=0);
        self.shaped(node, &shape.props(&["from"]).block(Block::Required));
        let from = self
            .prop(node, "from")
            .and_then(|value| self.path(value, "from"));
        Mend {
            span: node.span,
            from,
            areas: self.sources(node, "`mend`", Where::Mend),
        }
    }
}

/// The names of placement nodes and some more, for lists of what a block holds.
pub(super) fn placement_and(more: &[&'static str]) -> Vec<&'static str> {
    PLACEMENT.iter().chain(more).copied().collect()
}
