//! Every picture file a scene names, wherever it stands.

use super::model::{
    Body, Change, Edits, Element, Group, Member, Scene, Slot, Source, SourceKind, Step, Treatment,
};
use crate::diag::Spanned;
use std::path::PathBuf;

impl Scene {
    /// Plates, frames, cards, what mends take from, painted masks: with where each is named, a file named twice
    /// twice. A scene that was refused holds those that could be read.
    pub fn files(&self) -> Vec<&Spanned<PathBuf>> {
        let mut list = List(Vec::new());
        for plate in &self.plates {
            list.0.extend(&plate.files);
        }
        for named in self.protects.iter().chain(&self.masks) {
            list.body(&named.body);
        }
        self.each.iter().for_each(|each| list.treatment(each));
        self.members.iter().for_each(|member| list.member(member));
        for output in &self.outputs {
            list.edits(&output.edits);
        }
        for row in &self.rows {
            list.edits(&row.edits);
        }
        // A node whose file could not be read has none.
        list.0.retain(|file| !file.value.as_os_str().is_empty());
        list.0
    }
}

struct List<'a>(Vec<&'a Spanned<PathBuf>>);

impl<'a> List<'a> {
    fn member(&mut self, member: &'a Member) {
        match member {
            Member::Element(Element {
                frame, treatment, ..
            }) => {
                self.0.push(&frame.path);
                self.treatment(treatment);
            }
            Member::Group(Group {
                each,
                mask,
                members,
                ..
            }) => {
                each.iter().for_each(|each| self.treatment(each));
                self.slot(mask);
                members.iter().for_each(|member| self.member(member));
            }
        }
    }

    fn edits(&mut self, edits: &'a Edits) {
        for Change {
            frame,
            treatment,
            each,
            ..
        } in &edits.changes
        {
            self.0.extend(frame.iter().map(|frame| &frame.path));
            self.treatment(treatment);
            each.iter().for_each(|each| self.treatment(each));
        }
    }

    fn treatment(&mut self, treatment: &'a Treatment) {
        self.slot(&treatment.mask);
        for mend in &treatment.mends {
            self.0.extend(&mend.from);
            self.sources(&mend.areas);
        }
        if let Some(within) = treatment.shadow.value().and_then(|s| s.within.as_ref()) {
            self.sources(within);
        }
    }

    fn slot(&mut self, mask: &'a Slot<Body>) {
        mask.value().into_iter().for_each(|body| self.body(body));
    }

    fn body(&mut self, body: &'a Body) {
        for step in &body.steps {
            match &step.value {
                Step::Keep(sources) | Step::Within(sources) | Step::Cut(sources) => {
                    self.sources(sources);
                }
                Step::Feather(_)
                | Step::Dilate(_)
                | Step::Erode(_)
                | Step::Ramp(..)
                | Step::Invert => {}
            }
        }
    }

    fn sources(&mut self, sources: &'a [Source]) {
        for source in sources {
            match &source.kind {
                SourceKind::Image { path, .. } => self.0.push(path),
                SourceKind::Piece { card, .. } => self.0.extend(card.iter().map(|card| &card.path)),
                _ => {}
            }
        }
    }
}
