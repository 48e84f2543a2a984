//! What the language has and this program can't do yet: each an error at its place, never ignored.
//!
//! One check an ability, each on its own, so that building the ability deletes its check and nothing else.

use super::check::sources;
use super::model::{Edits, Format, Member, NamedMask, Output, Scene, Slot, SourceKind, Treatment};
use crate::diag::{Finding, Span};
use std::collections::BTreeSet;

/// Every use of an ability that is not built yet.
pub(super) fn found(scene: &Scene) -> Vec<Finding> {
    let mut look = Look {
        scene,
        pieces: masks_of_pieces(&scene.masks),
        findings: Vec::new(),
    };
    look.series();
    if let Some(each) = &scene.each {
        look.treatment(each);
    }
    look.members(&scene.members);
    for output in &scene.outputs {
        look.output(output);
        look.edits(&output.edits);
    }
    for row in &scene.rows {
        look.edits(&row.edits);
    }
    look.findings
}

struct Look<'a> {
    scene: &'a Scene,
    /// Named masks that hold a `piece`, themselves or through others.
    pieces: BTreeSet<&'a str>,
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

    fn members(&mut self, members: &[Member]) {
        for member in members {
            match member {
                Member::Element(element) => self.treatment(&element.treatment),
                Member::Group(group) => {
                    if let Some(each) = &group.each {
                        self.treatment(each);
                    }
                    self.members(&group.members);
                }
            }
        }
    }

    fn edits(&mut self, edits: &Edits) {
        for change in &edits.changes {
            self.treatment(&change.treatment);
            if let Some(each) = &change.each {
                self.treatment(each);
            }
        }
    }

    fn treatment(&mut self, treatment: &Treatment) {
        if let Slot::Set(defocus) = &treatment.defocus {
            self.tell(
                defocus.span,
                "`defocus`, a lens blur",
                "blur the frame before it comes in, or leave it sharp",
            );
        }
        if let Slot::Set(shadow) = &treatment.shadow {
            self.tell(
                shadow.span,
                "`shadow`, keeping the shadow a piece throws on the set",
                "lay the shadow as an element of its own, with a drawn mask and blend=\"multiply\"",
            );
        }
        for mend in &treatment.mends {
            self.tell(
                mend.span,
                "`mend`, rebuilding part of a piece",
                "cover the place with an element of another frame of the same piece",
            );
        }
        if let Slot::Set(behind) = &treatment.behind
            && self.pieces.contains(behind.value.as_str())
        {
            self.tell(
                behind.span,
                "`behind` a mask that holds a `piece`",
                "draw the mask, or name a painted one with `image`",
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

/// Names of masks that hold a `piece`, followed through the masks they are made of.
fn masks_of_pieces(masks: &[NamedMask]) -> BTreeSet<&str> {
    let mut found: BTreeSet<&str> = BTreeSet::new();
    // Who is made of whom, turned round: from a mask to those that use it.
    let mut used_by: std::collections::BTreeMap<&str, Vec<&str>> =
        std::collections::BTreeMap::new();
    let mut todo: Vec<&str> = Vec::new();
    for mask in masks {
        for source in sources(&mask.body) {
            match &source.kind {
                SourceKind::Piece { .. } => todo.push(&mask.name.value),
                SourceKind::Mask(name) => used_by
                    .entry(&name.value)
                    .or_default()
                    .push(&mask.name.value),
                _ => {}
            }
        }
    }
    while let Some(name) = todo.pop() {
        if found.insert(name) {
            todo.extend(used_by.get(name).into_iter().flatten());
        }
    }
    found
}
