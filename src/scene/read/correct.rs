//! `correct { ... }`: exposure, gain, mired, saturate, hue-rotate.

use super::{Block, Range, Reader, Shape};
use crate::diag::{Finding, Spanned};
use crate::scene::model::Correct;
use crate::scene::tree::Node;

const NODES: [&str; 5] = ["exposure", "gain", "mired", "saturate", "hue-rotate"];

impl Reader<'_> {
    /// `None` for a node without its block.
    pub(super) fn correct(&mut self, node: &Node) -> Option<Spanned<Correct>> {
        let shape = Shape::args(
            "correct { exposure 0.3; gain 1 1 0.98; mired 10; saturate 1.1; hue-rotate 0 }",
            0..=0,
        );
        self.shaped(node, &shape.block(Block::Required));
        let children = node.children.as_deref()?;
        if children.is_empty() {
            self.tell(
                Finding::stop("missing-block", "`correct` corrects nothing")
                    .at(node.span)
                    .allowed(format!("at least one of {}", NODES.join(", ")))
                    .remedy("write one, or `correct #false` in an element to undo an `each`"),
            );
        }
        let mut correct = Correct {
            exposure: 0.0,
            gain: [1.0; 3],
            mired: 0.0,
            saturate: 1.0,
            hue_rotate: 0.0,
        };
        for child in self.known_nodes(children, "`correct`", &NODES, &[]) {
            match child.name.as_str() {
                "exposure" => self.one(
                    child,
                    "exposure stops",
                    Range::within(20.0),
                    &mut correct.exposure,
                ),
                "mired" => self.one(
                    child,
                    "mired m",
                    Range::of(-113.0, 96.0),
                    &mut correct.mired,
                ),
                "saturate" => self.one(
                    child,
                    "saturate k",
                    Range::of(0.0, 10.0),
                    &mut correct.saturate,
                ),
                "hue-rotate" => self.one(
                    child,
                    "hue-rotate degrees",
                    Range::ANY,
                    &mut correct.hue_rotate,
                ),
                _ => {
                    if self.shaped(child, &Shape::args("gain r g b", 3..=3)) {
                        correct.gain = self
                            .numbers(child, Range::of(0.0, 64.0))
                            .unwrap_or(correct.gain);
                    }
                }
            }
        }
        Some(Spanned::new(correct, node.span))
    }

    /// A node with one number, put into `slot` if it is good.
    pub(super) fn one(&mut self, node: &Node, usage: &'static str, range: Range, slot: &mut f64) {
        if self.shaped(node, &Shape::args(usage, 1..=1))
            && let Some(number) = self.number(&node.args[0], &node.name, range)
        {
            *slot = number;
        }
    }
}
