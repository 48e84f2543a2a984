//! Plates: the same empty set shot once or several times, and which of them governs a member.

use super::footage::{Footage, Opener, ShotId};
use crate::color::Space;
use crate::diag::{Finding, Span};
use crate::geom::Rect;
use crate::scene::{FrameRef, Scene};

/// Index into [`super::Plan::plates`]; 0 is the base.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PlateId(pub usize);

impl PlateId {
    pub const BASE: PlateId = PlateId(0);
}

/// One plate. The first file is the one shown; as a reference the mean of all counts, in linear light.
#[derive(Clone, Debug)]
pub struct PlateSet {
    pub name: Option<String>,
    /// At least one, all of one size.
    pub shots: Vec<ShotId>,
    /// Where each file is named.
    pub spans: Vec<Span>,
}

impl PlateSet {
    pub fn rect(&self, footage: &Footage) -> Rect {
        footage.shot(self.shots[0]).rect()
    }
}

/// Opens every plate, the base first. A set lacks the files that can't be opened, which is said.
pub(super) fn opened(scene: &Scene, opener: &mut Opener, space: Option<&Space>) -> Vec<PlateSet> {
    let mut plates = Vec::new();
    for plate in &scene.plates {
        let mut set = PlateSet {
            name: plate.name.as_ref().map(|name| name.value.clone()),
            shots: Vec::new(),
            spans: Vec::new(),
        };
        for file in &plate.files {
            let reference = FrameRef {
                path: file.clone(),
                profile: plate.profile.clone(),
            };
            if let Some(shot) = opener.shot(&reference, space) {
                set.shots.push(shot);
                set.spans.push(file.span);
            }
        }
        one_size(&set, opener);
        plates.push(set);
    }
    plates
}

/// Files of one plate that can't be laid onto one another.
fn one_size(set: &PlateSet, opener: &mut Opener) {
    let mut faults = Vec::new();
    let Some(first) = set.shots.first().map(|&id| opener.footage.shot(id)) else {
        return;
    };
    for (&id, &span) in set.shots.iter().zip(&set.spans).skip(1) {
        let shot = opener.footage.shot(id);
        let (own, other) = (shot.rect(), first.rect());
        if own != other {
            faults.push(
                Finding::stop(
                    "plate-size",
                    format!(
                        "{} is {} x {} px, and {}, the same plate, is {} x {} px",
                        shot.shown(),
                        own.width(),
                        own.height(),
                        first.shown(),
                        other.width(),
                        other.height()
                    ),
                )
                .at(span)
                .related(set.spans[0], "the file shown")
                .frame(shot.shown())
                .remedy("export all files of one plate at the same size, or leave this one out"),
            );
        }
    }
    opener.findings.extend(faults);
}
