//! What the language has and this program can't do yet: each an error at its place, never ignored.
//!
//! One check an ability, each on its own, so that building the ability deletes its check and nothing else.

use super::model::{Format, Output, Scene};
use crate::diag::{Finding, Span};

/// Every use of an ability that is not built yet.
pub(super) fn found(scene: &Scene) -> Vec<Finding> {
    let mut look = Look {
        scene,
        findings: Vec::new(),
    };
    look.series();
    for output in &scene.outputs {
        look.output(output);
    }
    look.findings
}

struct Look<'a> {
    scene: &'a Scene,
    findings: Vec<Finding>,
}

impl Look<'_> {
    fn tell(&mut self, span: Span, what: &str, instead: &str) {
        self.findings.push(
            Finding::stop("not-built", format!("{what}: not built yet"))
                .at(span)
                .remedy(instead),
        );
    }

    fn series(&mut self) {
        if let Some(series) = &self.scene.series {
            self.tell(
                series.span,
                "`series`, one render a row of a table",
                "set the parameters of one product with --set name=value, and run once a product",
            );
        }
        for row in &self.scene.rows {
            self.tell(
                row.span,
                "`row`, the changes of one row of a series",
                "put the changes into an output",
            );
        }
    }

    fn output(&mut self, output: &Output) {
        if let Some(sharpen) = &output.sharpen {
            self.tell(
                sharpen.span,
                "`sharpen`",
                "delete it, and sharpen the file afterwards if it needs it",
            );
        }
        if let Some(bleed) = &output.bleed {
            self.tell(
                bleed.span,
                "`bleed`, picture beyond the trim",
                "crop larger: crop x y width height",
            );
        }
        if let Some(max) = &output.max_bytes {
            self.tell(
                max.span,
                "`max-bytes`, finding the quality for a file's size",
                "set `quality` by hand",
            );
        }
        if output.format == Format::Webp {
            self.tell(
                output.file.span,
                "writing .webp files",
                "write .jpg or .png",
            );
        }
    }
}
