//! One frame and its plate without a scene, as a command line names them.

use super::footage::{Footage, Opener, Painted, Shot, ShotId};
use crate::budget::Account;
use crate::color::Space;
use crate::diag::{Finding, SourceId, Span, Spanned};
use crate::frame::{Embedded, Frame, FrameError};
use crate::scene::{FrameRef, ProfileName};
use std::path::{Path, PathBuf};

/// Files named on a command line.
#[derive(Clone, Copy, Debug)]
pub struct Named<'a> {
    pub frame: &'a Path,
    /// The same empty set, shot once or several times; at least one.
    pub plates: &'a [PathBuf],
    /// A painted mask.
    pub within: Option<&'a Path>,
    /// The profile of files that carry none.
    pub untagged: Option<&'a ProfileName>,
}

/// The files, opened, all of one size.
#[derive(Debug)]
pub struct Alone {
    pub space: Space,
    footage: Footage,
    plates: Vec<ShotId>,
    frame: ShotId,
}

impl Alone {
    pub fn frame(&self) -> &Shot {
        self.footage.shot(self.frame)
    }

    pub fn plates(&self) -> Vec<&Shot> {
        let shots = self.plates.iter();
        shots.map(|&id| self.footage.shot(id)).collect()
    }

    /// Every file that was opened.
    pub fn footage(&self) -> &Footage {
        &self.footage
    }

    pub fn within(&self) -> Option<&Painted> {
        self.footage.painted.first()
    }
}

/// Where a finding of the opener points, until that is taken away.
const NOWHERE: Span = Span {
    source: SourceId(u32::MAX),
    start: 0,
    end: 0,
};

const STATE: &str =
    "state it: --profile srgb (or display-p3, a98-rgb, rec2020, gray, an .icc file)";

/// Opens and checks everything, all faults together. Light is read into the first plate's own space.
pub fn opened_alone(named: &Named, account: &Account) -> Result<Alone, Vec<Finding>> {
    let mut opener = Opener::new(account);
    let plates: Vec<Option<ShotId>> = named
        .plates
        .iter()
        .map(|path| shot(path, named, &mut opener))
        .collect();
    let frame = shot(named.frame, named, &mut opener);
    if let Some(path) = named.within
        && readable(path, &mut opener).is_some()
    {
        opener.painted(path, NOWHERE);
    }
    if let Some(first) = plates.first().copied().flatten() {
        let plate = opener.footage.shot(first).rect();
        let all = plates.iter().skip(1).chain([&frame]).flatten();
        let sizes = all.filter_map(|&id| {
            let other = opener.footage.shot(id);
            let size = other.rect();
            (size != plate).then(|| {
                Finding::stop(
                    "frame-size",
                    format!(
                        "{} is {} x {} px, and {}, which it is compared with, is {} x {} px",
                        other.shown(),
                        size.width(),
                        size.height(),
                        opener.footage.shot(first).shown(),
                        plate.width(),
                        plate.height()
                    ),
                )
                .frame(other.shown())
                .remedy("export both at the same size, uncropped")
            })
        });
        let sizes: Vec<Finding> = sizes.collect();
        opener.findings.extend(sizes);
    }
    let plates: Option<Vec<ShotId>> = plates.into_iter().collect();
    match (plates, frame) {
        (Some(plates), Some(frame)) if opener.findings.is_empty() => {
            let space = Space::of(&opener.footage.shot(plates[0]).profile);
            opener.settle_space(&space);
            Ok(Alone {
                space,
                footage: opener.footage,
                plates,
                frame,
            })
        }
        _ => Err(opener.findings.into_iter().map(plain).collect()),
    }
}

/// Words that fit a command line.
fn plain(mut finding: Finding) -> Finding {
    finding.span = None;
    match finding.id {
        "profile-missing" => finding.remedy(STATE),
        "profile-mismatch" => finding.remedy("state an RGB profile: --profile srgb"),
        "profile-unusable" if finding.frame.is_some() => {
            finding.remedy("export the file with a matrix profile")
        }
        _ => finding,
    }
}

fn shot(path: &Path, named: &Named, opener: &mut Opener) -> Option<ShotId> {
    let carries = readable(path, opener)?.header().profile != Embedded::None;
    let stated = named.untagged.filter(|_| !carries).cloned();
    let reference = FrameRef {
        path: Spanned::new(path.to_owned(), NOWHERE),
        profile: stated.map(|name| Spanned::new(name, NOWHERE)),
    };
    opener.shot(&reference, None)
}

/// A file that is not there is the command line's fault, what is in it is the file's own.
fn readable(path: &Path, opener: &mut Opener) -> Option<Frame> {
    let fault = match Frame::open(path, opener.account) {
        Ok(frame) => return Some(frame),
        Err(fault) => fault,
    };
    let id = match fault {
        FrameError::System { .. } | FrameError::NotAFile { .. } => "unreadable",
        FrameError::OverBudget(_) => "out-of-memory",
        _ => "frame-unreadable",
    };
    let shown = path.display().to_string();
    let finding = Finding::stop(id, format!("{shown} {fault}")).frame(shown);
    // The same file may be named twice.
    if !opener.findings.contains(&finding) {
        opener.findings.push(finding);
    }
    None
}
