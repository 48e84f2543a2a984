//! What the language has and this program can't do yet: each an error at its place, never ignored.
//!
//! One check an ability, each on its own, so that building the ability deletes its check and nothing else.

use super::check::sources;
use super::model::{
    Body, Edits, Format, Member, Output, Scene, Slot, Source, SourceKind, Treatment,
};
use crate::diag::{Finding, Span};

/// Every use of an ability that is not built yet.
pub(super) fn found(scene: &Scene) -> Vec<Finding> {
    let mut look = Look {
        scene,
        findings: Vec::new(),
    };
    look.plates();
    look.series();
    for mask in scene.masks.iter().chain(&scene.protects) {
        look.body(&mask.body);
    }
    if let Some(each) = &scene.each {
        look.treatment(each);
    }
    look.members(&scene.members, Masked::of(scene.each.as_ref(), Masked::No));
    for output in &scene.outputs {
        look.output(output);
        look.edits(&output.edits);
    }
    for row in &scene.rows {
        look.edits(&row.edits);
    }
    look.findings
}

/// Whether an `each` above an element gives it a mask.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Masked {
    Yes,
    No,
}

impl Masked {
    fn of(each: Option<&Treatment>, above: Masked) -> Masked {
        match each {
            Some(each) if each.mask != Slot::Unset => Masked::Yes,
            _ => above,
        }
    }
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

    fn plates(&mut self) {
        for plate in &self.scene.plates {
            if let Some(second) = plate.files.get(1) {
                self.tell(
                    second.span,
                    "several files in one plate, the same empty set shot again",
                    "keep the first file, which is the one shown",
                );
            }
        }
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

    /// In a scene with a plate, an element without a mask is cut out by itself one day.
    fn members(&mut self, members: &[Member], above: Masked) {
        for member in members {
            match member {
                Member::Element(element) => {
                    self.treatment(&element.treatment);
                    let masked = Masked::of(Some(&element.treatment), above);
                    if masked == Masked::No && !self.scene.plates.is_empty() {
                        self.tell(
                            element.span,
                            &format!("cutting out element {} by itself, as it has no mask", super::words::quoted(&element.name.value)),
                            "draw a mask, name a painted one with `mask { image \"file\" }`, or write `mask { all }` for the whole frame",
                        );
                    }
                }
                Member::Group(group) => {
                    if let Slot::Set(body) = &group.mask {
                        self.body(&body.value);
                    }
                    if let Some(each) = &group.each {
                        self.treatment(each);
                    }
                    self.members(&group.members, Masked::of(group.each.as_ref(), above));
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
        if let Slot::Set(align) = &treatment.align {
            self.tell(
                align.span,
                "`align`, laying a frame onto its plate",
                "place the frame by hand with `offset`, `rotate` and `scale`",
            );
        }
        if let Slot::Set(balance) = &treatment.balance {
            self.tell(
                balance.span,
                "`balance`, bringing a frame to its plate's exposure and white",
                "state the gains: correct { gain r g b }",
            );
        }
        for mend in &treatment.mends {
            self.tell(
                mend.span,
                "`mend`, rebuilding part of a piece",
                "cover the place with an element of another frame of the same piece",
            );
        }
        if let Slot::Set(body) = &treatment.mask {
            self.body(&body.value);
        }
    }

    fn body(&mut self, body: &Body) {
        for source in sources(body) {
            self.source(source);
        }
    }

    fn source(&mut self, source: &Source) {
        match &source.kind {
            SourceKind::Piece { card, .. } => {
                self.tell(
                    source.span,
                    "`piece`, finding what is not the plate",
                    "draw the outline (polygon, path), or name a painted mask with `image \"file\"`",
                );
                if let Some(card) = card {
                    self.tell(
                        card.path.span,
                        "`card`, the same piece before a second plate",
                        "paint the mask and name it with `image \"file\"`",
                    );
                }
            }
            SourceKind::Rig => self.tell(
                source.span,
                "`rig`, finding what holds a piece",
                "draw it: cut { line \"x,y x,y\" width=w }",
            ),
            _ => {}
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
