//! What may stand at the top and inside an output: canvas, extend, correct, guide, safe.

use super::value::{FAR, hex};
use super::{Range, Reader, Shape};
use crate::diag::{Finding, Span, Spanned};
use crate::scene::model::{Canvas, Extend, Guides, Safe, Stage};
use crate::scene::suggest::nearest;
use crate::scene::tree::{Kind, Node, Value};
use crate::scene::words::{quoted, shown};

/// Lines of a guide; more can't be told apart on a preview.
const GUIDES: usize = 100;

pub(super) const STAGE: [&str; 4] = ["canvas", "extend", "correct", "guide"];

impl Reader<'_> {
    /// One of the stage nodes. False if it is none.
    pub(super) fn staged(&mut self, node: &Node, stage: &mut Stage, guides: &mut Guides) -> bool {
        match node.name.as_str() {
            "canvas" => {
                if self.shaped(
                    node,
                    &Shape::args("canvas width height, or canvas x y width height", 2..=4),
                ) {
                    stage.canvas = self
                        .canvas(node)
                        .map(|canvas| Spanned::new(canvas, node.span));
                }
            }
            "extend" => stage.extend = self.extend(node),
            "correct" => stage.correct = self.correct(node),
            "guide" => self.guide(node, guides),
            "safe" => {
                let known = [("action", Safe::Action), ("graphics", Safe::Graphics)];
                if self.shaped(
                    node,
                    &Shape::args("safe \"action\" or safe \"graphics\"", 1..=1),
                ) && let Some(safe) = self.word(&node.args[0], "safe", &known)
                {
                    guides.safe.push(safe);
                }
            }
            _ => return false,
        }
        true
    }

    /// `w h` or `x y w h`, whole pixels; `crop` reads them too. The count is 2 to 4.
    pub(super) fn canvas(&mut self, node: &Node) -> Option<Canvas> {
        let count = node.args.len();
        if count == 3 {
            self.tell(
                Finding::stop(
                    "missing-argument",
                    format!("{} has 3 arguments", shown(&node.name)),
                )
                .at(node.span)
                .allowed("width height, or x y width height"),
            );
            return None;
        }
        let mut out = [0i64; 4];
        let mut whole = true;
        for (k, value) in node.args.iter().enumerate() {
            let place = k + 4 - count;
            let range = if place < 2 {
                Range::within(FAR)
            } else {
                Range::of(1.0, FAR)
            };
            match self.whole(value, &node.name, range) {
                Some(number) => out[place] = number,
                None => whole = false,
            }
        }
        let [x, y, width, height] = out;
        whole.then_some(Canvas {
            x: x as i32,
            y: y as i32,
            width: width as u32,
            height: height as u32,
        })
    }

    fn extend(&mut self, node: &Node) -> Option<Spanned<Extend>> {
        let usage = "extend \"reflect\", \"pad\" or \"#rrggbb\"";
        if !self.shaped(node, &Shape::args(usage, 1..=1)) {
            return None;
        }
        let text = self.text(&node.args[0], "extend")?;
        let extend = match text.value.as_str() {
            "reflect" => Extend::Reflect,
            "pad" => Extend::Pad,
            other => match hex(other) {
                Some(colour) => Extend::Colour(colour),
                None => {
                    self.tell(
                        Finding::stop(
                            "unknown-value",
                            format!("`extend` can't be {}", quoted(other)),
                        )
                        .at(node.args[0].span)
                        .allowed(usage)
                        .nearest(nearest(other, ["reflect", "pad"])),
                    );
                    return None;
                }
            },
        };
        Some(Spanned::new(extend, node.span))
    }

    fn guide(&mut self, node: &Node, guides: &mut Guides) {
        let usage = "guide x=\"1/3 2/3\" y=\"1/3 2/3\", fractions of the crop";
        self.shaped(node, &Shape::args(usage, 0..=0).props(&["x", "y"]));
        if node.props.is_empty() {
            self.tell(
                Finding::stop("missing-property", "`guide` has neither x nor y")
                    .at(node.span)
                    .allowed(usage),
            );
        }
        if let Some(value) = self.prop(node, "x") {
            guides.x = self.fractions(value);
        }
        if let Some(value) = self.prop(node, "y") {
            guides.y = self.fractions(value);
        }
    }

    /// Numbers 0 to 1 in a text, as `0.5` or `1/3`, or one number.
    fn fractions(&mut self, value: &Value) -> Vec<f64> {
        if !matches!(value.kind, Kind::Text(_)) {
            return self
                .number(value, "guide", Range::of(0.0, 1.0))
                .into_iter()
                .collect();
        }
        let Some(text) = self.text(value, "guide") else {
            return Vec::new();
        };
        let mut out = Vec::new();
        for word in text.value.split_whitespace().take(GUIDES + 1) {
            match fraction(word) {
                Some(number) if out.len() < GUIDES => out.push(number),
                _ => {
                    self.bad_fraction(word, out.len(), value.span);
                    break;
                }
            }
        }
        out
    }

    fn bad_fraction(&mut self, word: &str, before: usize, span: Span) {
        let words = if before == GUIDES {
            format!("a guide has more than {GUIDES} lines")
        } else {
            format!("{} is no fraction from 0 to 1", shown(word))
        };
        self.tell(
            Finding::stop("out-of-range", words)
                .at(span)
                .allowed("numbers from 0 to 1 such as \"1/3 2/3\" or \"0.5\""),
        );
    }
}

fn fraction(word: &str) -> Option<f64> {
    let number = |text: &str| -> Option<f64> {
        text.bytes()
            .all(|b| b.is_ascii_digit() || b == b'.')
            .then(|| text.parse().ok())
            .flatten()
    };
    let value = match word.split_once('/') {
        Some((top, bottom)) => number(top)? / number(bottom)?,
        None => number(word)?,
    };
    (0.0..=1.0).contains(&value).then_some(value)
}
