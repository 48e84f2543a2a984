//! Outputs: file, crop, size, profile, depth and the rest of what makes a file of the picture.

use super::edits::{EDITS, Paths};
use super::output_rules::Draft;
use super::stage::STAGE;
use super::value::FAR;
use super::{Block, Range, Reader, Shape};
use crate::diag::{Finding, Spanned};
use crate::scene::model::{
    Compression, Crop, Depth, Guides, Intent, Output, ProfileName, Sharpen, Size, Stage,
};
use crate::scene::params::Landing;
use crate::scene::tree::{Kind, Node, Value};
use crate::scene::words::{quoted, shown};

const OWN: [&str; 15] = [
    "file",
    "crop",
    "bleed",
    "size",
    "profile",
    "intent",
    "depth",
    "compression",
    "quality",
    "max-bytes",
    "sharpen",
    "dither",
    "ppi",
    "background",
    "member",
];

const PROFILES: [(&str, ProfileName); 6] = [
    ("plate", ProfileName::Plate),
    ("srgb", ProfileName::Srgb),
    ("display-p3", ProfileName::DisplayP3),
    ("a98-rgb", ProfileName::A98Rgb),
    ("rec2020", ProfileName::Rec2020),
    ("gray", ProfileName::Gray),
];

const INTENTS: [(&str, Intent); 4] = [
    ("relative", Intent::Relative),
    ("perceptual", Intent::Perceptual),
    ("saturation", Intent::Saturation),
    ("absolute", Intent::Absolute),
];

const COMPRESSIONS: [(&str, Compression); 3] = [
    ("none", Compression::None),
    ("lzw", Compression::Lzw),
    ("deflate", Compression::Deflate),
];

const SHARPENINGS: [(&str, Sharpen); 3] = [
    ("screen", Sharpen::Screen),
    ("coated", Sharpen::Coated),
    ("uncoated", Sharpen::Uncoated),
];

impl Reader<'_> {
    pub(super) fn output(&mut self, node: &Node, paths: &Paths) -> Output {
        let shape = Shape::args("output \"name\" { file \"out/{scene}.tif\"; ... }", 1..=1);
        self.shaped(node, &shape.props(&["off"]).block(Block::Required));
        let name = self.own_name(node, "an output");
        self.scope.output = Some(name.value.clone());
        let off = self
            .prop(node, "off")
            .and_then(|value| self.flag(value, "off"))
            .unwrap_or(false);
        let mut known: Vec<&str> = OWN.to_vec();
        known.extend(STAGE);
        let mut many = vec!["safe", "include"];
        many.extend(EDITS);
        let nodes = self.known_nodes(node.children(), "an output", &known, &many);
        let mut draft = Draft::default();
        let mut stage = Stage::default();
        let mut guides = Guides::default();
        for child in &nodes {
            if !self.staged(child, &mut stage, &mut guides) {
                self.output_node(child, &mut draft, paths);
            }
        }
        let edits = self.edits(&nodes, paths);
        let output = self.settled(node, name, off, draft, stage, guides, edits);
        self.scope.output = None;
        output
    }

    fn output_node(&mut self, node: &Node, draft: &mut Draft, paths: &Paths) {
        let span = node.span;
        let usage = match node.name.as_str() {
            "crop" => {
                draft.crop = self.crop(node);
                return;
            }
            "bleed" => return self.bleed(node, draft),
            "size" => {
                draft.size = self.size(node).map(|size| Spanned::new(size, span));
                return;
            }
            "dither" => return self.dither(node, draft),
            "file" => {
                draft.file_told = true;
                "file \"out/{scene}.tif\", in the output folder"
            }
            "profile" => "profile \"srgb\", or an .icc file",
            "intent" => "intent \"relative\"",
            "depth" => "depth 8, 16 or 32",
            "compression" => "compression \"none\", \"lzw\" or \"deflate\"",
            "quality" => "quality 1..100",
            "max-bytes" => "max-bytes \"400 kB\"",
            "sharpen" => "sharpen \"screen\", \"coated\" or \"uncoated\"",
            "ppi" => {
                draft.ppi_told = true;
                "ppi 300"
            }
            "background" => "background \"#rrggbb\"",
            "member" => "member \"path\"",
            // Edits are read together.
            _ => return,
        };
        if self.shaped(node, &Shape::args(usage, 1..=1)) {
            self.single_valued(node, draft, paths);
        }
    }

    /// The nodes with one value, whose count is right.
    fn single_valued(&mut self, node: &Node, draft: &mut Draft, paths: &Paths) {
        let (name, value) = (node.name.as_str(), &node.args[0]);
        macro_rules! put {
            ($field:ident, $read:expr) => {
                draft.$field = $read.map(|value| Spanned::new(value, node.span))
            };
        }
        match name {
            "file" => draft.file = self.landing_text(value, name, Landing::File),
            "profile" => put!(profile, self.profile(value, &PROFILES)),
            "intent" => put!(intent, self.word(value, name, &INTENTS)),
            "depth" => put!(depth, self.depth(value)),
            "compression" => put!(compression, self.word(value, name, &COMPRESSIONS)),
            "quality" => {
                let quality = self.whole(value, name, Range::of(1.0, 100.0));
                put!(quality, quality.map(|quality| quality as u8));
            }
            "max-bytes" => put!(max_bytes, self.max_bytes(value)),
            "sharpen" => put!(sharpen, self.word(value, name, &SHARPENINGS)),
            "ppi" => draft.ppi = self.number(value, name, Range::of(1.0, 10_000.0)),
            "background" => put!(background, self.hex(value, name)),
            _ => draft.member = self.member_path(value, paths).map(|(path, _)| path),
        }
    }

    fn crop(&mut self, node: &Node) -> Option<Spanned<Crop>> {
        let usage = "crop x y width height, or crop \"4:5\" { centre x y; zoom z }";
        if node.args.len() != 1 {
            if !self.shaped(node, &Shape::args(usage, 4..=4)) {
                return None;
            }
            return self
                .canvas(node)
                .map(|canvas| Spanned::new(Crop::Rect(canvas), node.span));
        }
        self.shaped(node, &Shape::args(usage, 1..=1).block(Block::Allowed));
        let mut centre = None;
        let mut zoom = 1.0;
        for child in self.known_nodes(
            node.children(),
            "a `crop` by ratio",
            &["centre", "zoom"],
            &[],
        ) {
            if child.name == "centre" {
                centre = self.pair(child, "centre x y");
            } else {
                self.one(child, "zoom z", Range::of(1.0, 100.0), &mut zoom);
            }
        }
        if matches!(node.args[0].kind, Kind::Number(..)) {
            self.tell(
                Finding::stop(
                    "missing-argument",
                    "`crop` needs 4 numbers or a ratio, and has one number",
                )
                .at(node.args[0].span)
                .allowed(usage),
            );
            return None;
        }
        let text = self.text(&node.args[0], "crop")?;
        let side = |text: &str| -> Option<f64> {
            let plain = text.trim();
            (plain.starts_with(|c: char| c.is_ascii_digit())
                && plain.bytes().all(|b| b.is_ascii_digit() || b == b'.'))
            .then(|| plain.parse().ok())
            .flatten()
            .filter(|side: &f64| *side > 0.0 && *side <= FAR)
        };
        let ratio = text
            .value
            .split_once(':')
            .and_then(|(width, height)| Some((side(width)?, side(height)?)));
        let Some((width, height)) = ratio else {
            self.tell(
                Finding::stop(
                    "unknown-value",
                    format!("{} is no ratio", quoted(&text.value)),
                )
                .at(node.args[0].span)
                .allowed("\"a:b\" with a and b above 0, such as \"4:5\" or \"1.91:1\""),
            );
            return None;
        };
        let crop = Crop::Ratio {
            width,
            height,
            centre,
            zoom,
        };
        Some(Spanned::new(crop, node.span))
    }

    fn bleed(&mut self, node: &Node, draft: &mut Draft) {
        let shape = Shape::args("bleed 3 unit=\"mm\", or in px", 1..=1);
        let counted = self.shaped(node, &shape.props(&["unit"]));
        if let Some(value) = self.prop(node, "unit") {
            let known = [("px", false), ("mm", true)];
            if self.word(value, "unit", &known) == Some(true) {
                draft.bleed_mm = Some(value.span);
            }
        }
        if counted {
            draft.bleed = self
                .number(&node.args[0], "bleed", Range::of(0.0, 100.0))
                .map(|bleed| Spanned::new(bleed, node.span));
        }
    }

    fn size(&mut self, node: &Node) -> Option<Size> {
        let usage = "size width height, or one of width=, height=, long-edge=";
        let sides = ["width", "height", "long-edge"];
        let range = Range::of(1.0, 65_535.0);
        if node.props.is_empty() {
            if !self.shaped(node, &Shape::args(usage, 2..=2)) {
                return None;
            }
            let width = self.whole(&node.args[0], "size", range);
            let height = self.whole(&node.args[1], "size", range);
            return Some(Size::Both(width? as u32, height? as u32));
        }
        if !self.shaped(node, &Shape::args(usage, 0..=0).props(&sides)) {
            return None;
        }
        let mut found = None;
        for name in sides {
            let Some(value) = self.prop(node, name) else {
                continue;
            };
            let number = self.whole(value, name, range);
            if found.is_some() {
                self.tell(
                    Finding::stop("extra-argument", "`size` is given by more than one side")
                        .at(value.span)
                        .allowed(usage)
                        .remedy("write both sides as `size width height`"),
                );
                continue;
            }
            let number = number.unwrap_or(1) as u32;
            found = Some(match name {
                "width" => Size::Width(number),
                "height" => Size::Height(number),
                _ => Size::LongEdge(number),
            });
        }
        found
    }

    fn depth(&mut self, value: &Value) -> Option<Depth> {
        match self.whole(value, "depth", Range::of(1.0, 64.0))? {
            8 => Some(Depth::Eight),
            16 => Some(Depth::Sixteen),
            32 => Some(Depth::ThirtyTwo),
            other => {
                self.tell(
                    Finding::stop("unknown-value", format!("`depth` can't be {other}"))
                        .at(value.span)
                        .allowed("8, 16 or 32 (floating point) bits a channel"),
                );
                None
            }
        }
    }

    fn dither(&mut self, node: &Node, draft: &mut Draft) {
        let usage = "dither #false; without it outputs of depth 8 are dithered";
        if !self.shaped(node, &Shape::args(usage, 1..=1)) {
            return;
        }
        match self.flag(&node.args[0], "dither") {
            Some(false) => draft.no_dither = true,
            Some(true) => self.tell(
                Finding::stop("unknown-value", "`dither` can only be #false")
                    .at(node.args[0].span)
                    .allowed(usage)
                    .remedy("leave it out"),
            ),
            None => {}
        }
    }

    fn max_bytes(&mut self, value: &Value) -> Option<u64> {
        let text = self.text(value, "max-bytes")?;
        let bytes = text.value.split_once(' ').and_then(|(number, unit)| {
            let digits = number.bytes().all(|b| b.is_ascii_digit()) && !number.is_empty();
            let number: u64 = digits.then(|| number.parse().ok()).flatten()?;
            let unit = match unit {
                "B" => 1,
                "kB" => 1_000,
                "MB" => 1_000_000,
                _ => return None,
            };
            number.checked_mul(unit).filter(|&bytes| bytes > 0)
        });
        if bytes.is_none() {
            self.tell(
                Finding::stop(
                    "unknown-value",
                    format!("{} can't be {}", shown("max-bytes"), quoted(&text.value)),
                )
                .at(value.span)
                .allowed(
                    "\"N B\", \"N kB\" or \"N MB\", a whole number above 0, 1 kB = 1,000 bytes",
                ),
            );
        }
        bytes
    }
}
