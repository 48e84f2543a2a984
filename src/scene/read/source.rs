//! Sources of coverage: drawn shapes, painted masks, what is computed from frames.

use super::mask_body::Where;
use super::value::FAR;
use super::{Block, Range, Reader, Shape};
use crate::diag::{Finding, Spanned};
use crate::mask::{Cap, FillRule};
use crate::scene::model::{Card, Channel, Source, SourceKind};
use crate::scene::outline;
use crate::scene::tree::{Node, Value};
use crate::scene::words::shown;
use std::path::PathBuf;

/// Everything a mask can be made of.
pub(super) const SOURCES: [&str; 11] = [
    "all",
    "rect",
    "ellipse",
    "polygon",
    "path",
    "line",
    "image",
    "piece",
    "rig",
    "luminance",
    "mask",
];
/// What a `mend` can be told to rebuild.
const AREAS: [&str; 6] = ["rect", "ellipse", "polygon", "path", "line", "rig"];
/// What can limit a shadow.
const LIMITS: [&str; 7] = ["all", "rect", "ellipse", "polygon", "path", "line", "image"];

const CHANNELS: [(&str, Channel); 5] = [
    ("alpha", Channel::Alpha),
    ("gray", Channel::Gray),
    ("red", Channel::Red),
    ("green", Channel::Green),
    ("blue", Channel::Blue),
];

impl Reader<'_> {
    /// The sources in a block, at least one.
    pub(super) fn sources(&mut self, node: &Node, parent: &str, place: Where) -> Vec<Source> {
        let known: &[&str] = match place {
            Where::Mend => &AREAS,
            Where::Shadow => &LIMITS,
            _ => &SOURCES,
        };
        let mut sources = Vec::new();
        for child in self.known_nodes(node.children(), parent, &[], known) {
            sources.extend(self.source(child, place));
        }
        if node.children.is_some() && node.children().is_empty() {
            self.tell(
                Finding::stop("missing-node", format!("{parent} holds no source"))
                    .at(node.span)
                    .allowed(format!("at least one of {}", known.join(", "))),
            );
        }
        sources
    }

    pub(super) fn source(&mut self, node: &Node, place: Where) -> Option<Source> {
        if !self.stands(node, place) {
            return None;
        }
        let kind = match node.name.as_str() {
            "all" => self
                .shaped(node, &Shape::args("all", 0..=0).props(&["feather"]))
                .then_some(SourceKind::All),
            "rect" => self.rect(node),
            "ellipse" => self.ellipse(node),
            "polygon" => self.polygon(node),
            "path" => self.svg_path(node),
            "line" => self.polyline(node),
            "image" => self.image(node),
            "piece" => Some(self.piece(node, place)),
            "rig" => self
                .shaped(node, &Shape::args("rig", 0..=0).props(&["feather"]))
                .then_some(SourceKind::Rig),
            "luminance" => self
                .low_high(node, "luminance low high")
                .map(|[low, high]| SourceKind::Luminance { low, high }),
            _ => self
                .shaped(
                    node,
                    &Shape::args("mask \"name\"", 1..=1).props(&["feather"]),
                )
                .then(|| self.text(&node.args[0], "mask"))
                .flatten()
                .map(SourceKind::Mask),
        };
        let feather = self
            .prop(node, "feather")
            .and_then(|value| self.number(value, "feather", Range::of(0.0, 1000.0)));
        Some(Source {
            span: node.span,
            kind: kind?,
            feather: feather.unwrap_or(0.0),
        })
    }

    /// Whether a source means something where it stands.
    fn stands(&mut self, node: &Node, place: Where) -> bool {
        let name = node.name.as_str();
        let element = place == Where::Element;
        let (id, words, remedy) = match name {
            "mask" if element => (
                "mask-in-element",
                "a named mask lies in canvas space, and this element's mask in its frame's",
                "write `behind \"name\"` in the element, beside its mask: what the named mask covers stands before it",
            ),
            "piece" if !element && place != Where::Named => (
                "source-place",
                "`piece` is found in a frame, and there is none here",
                "use it in an element's mask, or in a mask named at the top",
            ),
            "rig" if !element && place != Where::Mend => (
                "source-place",
                "`rig` is found in a frame, and there is none here",
                "use it in an element's mask or in `mend`",
            ),
            "luminance" if !element => (
                "source-place",
                "`luminance` is measured in a frame, and there is none here",
                "use it in an element's mask",
            ),
            _ => return true,
        };
        self.tell(Finding::stop(id, words).at(node.span).remedy(remedy));
        false
    }

    fn rect(&mut self, node: &Node) -> Option<SourceKind> {
        let names = ["x of rect", "y of rect", "width of rect", "height of rect"];
        let [x, y, width, height] = self.box_of(node, "rect x y width height", names)?;
        Some(SourceKind::Rect {
            x,
            y,
            width,
            height,
        })
    }

    fn ellipse(&mut self, node: &Node) -> Option<SourceKind> {
        let names = [
            "cx of ellipse",
            "cy of ellipse",
            "rx of ellipse",
            "ry of ellipse",
        ];
        let [cx, cy, rx, ry] = self.box_of(node, "ellipse cx cy rx ry", names)?;
        Some(SourceKind::Ellipse { cx, cy, rx, ry })
    }

    /// A place and two lengths above 0.
    fn box_of(&mut self, node: &Node, usage: &'static str, names: [&str; 4]) -> Option<[f64; 4]> {
        if !self.shaped(node, &Shape::args(usage, 4..=4).props(&["feather"])) {
            return None;
        }
        let mut out = [0.0; 4];
        let mut whole = true;
        for (k, value) in node.args.iter().enumerate() {
            let range = if k < 2 {
                Range::within(FAR)
            } else {
                Range::above_zero(FAR)
            };
            match self.number(value, names[k], range) {
                Some(number) => out[k] = number,
                None => whole = false,
            }
        }
        whole.then_some(out)
    }

    /// The points of a `polygon` or `line`.
    fn points(&mut self, value: &Value, of: &str, least: usize) -> Option<Vec<[f64; 2]>> {
        let text = self.text(value, of)?;
        let fault = match outline::points(&text.value) {
            Ok(points) if points.len() < least => {
                format!(
                    "{} has {}, and needs at least {least}",
                    shown(of),
                    super::count(points.len(), "point")
                )
            }
            Ok(points) => return Some(points),
            Err(words) => format!("the points of {} can't be read: {words}", shown(of)),
        };
        self.tell(
            Finding::stop("bad-points", fault)
                .at(value.span)
                .allowed(format!(
                    "\"x,y x,y ...\": {least} to 10,000 points, each number within 1,000,000"
                )),
        );
        None
    }

    fn rule(&mut self, node: &Node) -> FillRule {
        let known = [
            ("nonzero", FillRule::Nonzero),
            ("evenodd", FillRule::EvenOdd),
        ];
        self.prop(node, "rule")
            .and_then(|value| self.word(value, "rule", &known))
            .unwrap_or_default()
    }

    fn polygon(&mut self, node: &Node) -> Option<SourceKind> {
        let shape = Shape::args(
            "polygon \"x,y x,y x,y ...\", with rule=\"evenodd\" if wanted",
            1..=1,
        );
        let counted = self.shaped(node, &shape.props(&["rule", "feather"]));
        let rule = self.rule(node);
        let points = counted
            .then(|| self.points(&node.args[0], "polygon", 3))
            .flatten()?;
        Some(SourceKind::Polygon { points, rule })
    }

    fn svg_path(&mut self, node: &Node) -> Option<SourceKind> {
        let usage =
            "path \"M x,y ... Z\", SVG 2 path data of at most 64 KiB, numbers within 1,000,000";
        let counted = self.shaped(node, &Shape::args(usage, 1..=1).props(&["rule", "feather"]));
        let rule = self.rule(node);
        if !counted {
            return None;
        }
        let data = self.text(&node.args[0], "path")?;
        match outline::path(&data.value) {
            Ok(path) => Some(SourceKind::Path { path, rule }),
            Err(words) => {
                self.tell(
                    Finding::stop(
                        "bad-path-data",
                        format!("this path can't be drawn: {words}"),
                    )
                    .at(node.args[0].span)
                    .allowed(usage),
                );
                None
            }
        }
    }

    fn polyline(&mut self, node: &Node) -> Option<SourceKind> {
        let usage = "line \"x,y x,y ...\" width=w, with cap=\"butt\" if wanted";
        let counted = self.shaped(
            node,
            &Shape::args(usage, 1..=1).props(&["width", "cap", "feather"]),
        );
        let width = match self.prop(node, "width") {
            Some(value) => self.number(value, "width", Range::above_zero(FAR)),
            None => {
                self.tell(
                    Finding::stop("missing-property", "`line` needs a width")
                        .at(node.span)
                        .allowed(usage),
                );
                None
            }
        };
        let known = [("round", Cap::Round), ("butt", Cap::Butt)];
        let cap = self
            .prop(node, "cap")
            .and_then(|value| self.word(value, "cap", &known))
            .unwrap_or_default();
        let points = counted
            .then(|| self.points(&node.args[0], "line", 2))
            .flatten()?;
        Some(SourceKind::Line {
            points,
            width: width?,
            cap,
        })
    }

    fn image(&mut self, node: &Node) -> Option<SourceKind> {
        let shape = Shape::args(
            "image \"file\", with channel=\"...\" unless it is gray, and { at x y }",
            1..=1,
        );
        let counted = self.shaped(
            node,
            &shape.props(&["channel", "feather"]).block(Block::Allowed),
        );
        let channel = self.prop(node, "channel").and_then(|value| {
            self.word(value, "channel", &CHANNELS)
                .map(|channel| Spanned::new(channel, value.span))
        });
        let mut at = [0; 2];
        for child in self.known_nodes(node.children(), "`image`", &["at"], &[]) {
            if !self.shaped(child, &Shape::args("at x y, whole pixels", 2..=2)) {
                continue;
            }
            for (slot, value) in at.iter_mut().zip(&child.args) {
                *slot = self.whole(value, "at", Range::within(FAR)).unwrap_or(0) as i32;
            }
        }
        let path = counted
            .then(|| self.path(&node.args[0], "image"))
            .flatten()?;
        Some(SourceKind::Image { path, channel, at })
    }

    fn piece(&mut self, node: &Node, place: Where) -> SourceKind {
        let shape = Shape::args(
            "piece, with sigma=, plate= and { card \"file\" plate=\"name\" } if wanted",
            0..=0,
        );
        self.shaped(
            node,
            &shape
                .props(&["sigma", "plate", "feather"])
                .block(Block::Allowed),
        );
        let sigma = self
            .prop(node, "sigma")
            .and_then(|value| self.number(value, "sigma", Range::of(1.0, 50.0)));
        let plate = self
            .prop(node, "plate")
            .and_then(|value| self.text(value, "plate"));
        if place == Where::Named && self.prop(node, "plate").is_none() {
            self.tell(
                Finding::stop(
                    "missing-property",
                    "`piece` in a named mask needs the plate to compare with",
                )
                .at(node.span)
                .allowed("piece plate=\"name\": what the base plate shows and that one does not"),
            );
        }
        let cards = self.known_nodes(node.children(), "`piece`", &["card"], &[]);
        let card = cards.first().map(|card| self.card(card));
        SourceKind::Piece { sigma, plate, card }
    }

    fn card(&mut self, node: &Node) -> Card {
        let shape = Shape::args("card \"file\" plate=\"name\"", 1..=1);
        let counted = self.shaped(node, &shape.props(&["plate"]));
        let plate = self
            .prop(node, "plate")
            .and_then(|value| self.text(value, "plate"));
        let path = counted.then(|| self.path(&node.args[0], "card")).flatten();
        Card {
            path: path.unwrap_or_else(|| Spanned::new(PathBuf::new(), node.span)),
            plate,
        }
    }
}
