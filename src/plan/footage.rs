//! The files of a run: frames with their profiles, painted masks, each opened once.

use crate::budget::Account;
use crate::color::{Decoding, Named, Profile, ProfileError, Space};
use crate::diag::{Finding, Span};
use crate::frame::{Alpha, Colour, Embedded, Frame, FrameError};
use crate::geom::Rect;
use crate::scene::{FrameRef, ProfileName, Scene};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ShotId(pub usize);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PaintedId(pub usize);

/// A frame or plate, opened, with the profile its codes are read through.
#[derive(Debug)]
pub struct Shot {
    pub path: PathBuf,
    pub frame: Frame,
    pub profile: Profile,
    pub decoding: Arc<Decoding>,
    /// Where it is named first.
    pub span: Span,
    stated: Option<ProfileName>,
}

impl Shot {
    /// The path as messages show it.
    pub fn shown(&self) -> String {
        self.path.display().to_string()
    }

    /// The whole frame in its own space.
    pub fn rect(&self) -> Rect {
        let header = self.frame.header();
        Rect::of_size(header.width, header.height)
    }

    pub fn has_alpha(&self) -> bool {
        self.frame.header().alpha != Alpha::None
    }
}

/// A painted mask, opened. Its values as stored are coverage, so it needs no profile.
#[derive(Debug)]
pub struct Painted {
    pub path: PathBuf,
    pub frame: Frame,
    /// Where it is named first.
    pub span: Span,
}

#[derive(Debug, Default)]
pub struct Footage {
    pub shots: Vec<Shot>,
    pub painted: Vec<Painted>,
    failed: Vec<PathBuf>,
}

impl Footage {
    pub fn shot(&self, id: ShotId) -> &Shot {
        &self.shots[id.0]
    }

    pub fn painted(&self, id: PaintedId) -> &Painted {
        &self.painted[id.0]
    }
}

/// What is wrong with the files of a scene that can't be planned: those that are not there, can't be read or are no
/// pictures. Whether they fit each other is for the planner.
pub fn unreadable(partial: &Scene, account: &Account) -> Vec<Finding> {
    let mut opener = Opener::new(account);
    for file in partial.files() {
        opener.open(&file.value, file.span);
    }
    opener.findings
}

/// Opens files for the planner and keeps what went wrong.
pub(super) struct Opener<'a> {
    pub footage: Footage,
    pub account: &'a Account,
    pub findings: Vec<Finding>,
    /// The working space, once the base plate has decided it.
    pub space: Option<Space>,
}

impl<'a> Opener<'a> {
    pub fn new(account: &'a Account) -> Opener<'a> {
        Opener {
            footage: Footage::default(),
            account,
            findings: Vec::new(),
            space: None,
        }
    }

    /// Opens a frame or finds it among those already open. `space` is the working space; the base plate, which
    /// decides the space, passes `None` and is read through its own primaries.
    pub fn shot(&mut self, reference: &FrameRef, space: Option<&Space>) -> Option<ShotId> {
        let path = &reference.path.value;
        let stated = reference.profile.as_ref().map(|p| p.value.clone());
        let known = |s: &Shot| s.path == *path && s.stated == stated;
        if let Some(index) = self.footage.shots.iter().position(known) {
            return Some(ShotId(index));
        }
        let frame = self.open(path, reference.path.span)?;
        let profile = match &reference.profile {
            Some(name) => self.profile(&name.value, name.span, None)?,
            None => self.embedded(&frame, path, reference.path.span)?,
        };
        if profile.is_gray() && frame.header().colour == Colour::Rgb {
            self.findings.push(
                Finding::stop(
                    "profile-mismatch",
                    format!("{} holds RGB, its profile is for gray", path.display()),
                )
                .at(reference
                    .profile
                    .as_ref()
                    .map_or(reference.path.span, |p| p.span))
                .frame(path.display().to_string())
                .remedy("state an RGB profile on its node: profile=\"srgb\""),
            );
            return None;
        }
        let own = Space::of(&profile);
        let space = space.unwrap_or(&own);
        let same = |s: &&Shot| s.profile.same_colours(&profile);
        let decoding = match self.footage.shots.iter().find(same) {
            Some(shot) => shot.decoding.clone(),
            None => Arc::new(Decoding::new(&profile, space)),
        };
        self.footage.shots.push(Shot {
            path: path.clone(),
            frame,
            profile,
            decoding,
            span: reference.path.span,
            stated,
        });
        Some(ShotId(self.footage.shots.len() - 1))
    }

    /// Reads every shot opened so far through `space` from now on.
    pub fn settle_space(&mut self, space: &Space) {
        self.space = Some(space.clone());
        for shot in &mut self.footage.shots {
            shot.decoding = Arc::new(Decoding::new(&shot.profile, space));
        }
    }

    pub fn painted(&mut self, path: &Path, span: Span) -> Option<PaintedId> {
        if let Some(index) = self.footage.painted.iter().position(|p| p.path == path) {
            return Some(PaintedId(index));
        }
        let frame = self.open(path, span)?;
        self.footage.painted.push(Painted {
            path: path.to_owned(),
            frame,
            span,
        });
        Some(PaintedId(self.footage.painted.len() - 1))
    }

    /// The profile a name stands for; `plate` is the base plate's, where there is one.
    pub fn profile(
        &mut self,
        name: &ProfileName,
        span: Span,
        plate: Option<ShotId>,
    ) -> Option<Profile> {
        let named = match name {
            ProfileName::Srgb => Named::Srgb,
            ProfileName::DisplayP3 => Named::DisplayP3,
            ProfileName::A98Rgb => Named::A98Rgb,
            ProfileName::Rec2020 => Named::Rec2020,
            ProfileName::Gray => Named::Gray,
            ProfileName::Plate => {
                return plate.map(|id| self.footage.shot(id).profile.clone());
            }
            ProfileName::File(path) => {
                let read = read_bounded(path).and_then(|bytes| {
                    Profile::parse(&bytes).map_err(|fault: ProfileError| fault.to_string())
                });
                return match read {
                    Ok(profile) => Some(profile),
                    Err(fault) => {
                        self.findings.push(
                            Finding::stop(
                                "profile-unusable",
                                format!("the profile {} can't be used: {fault}", path.display()),
                            )
                            .at(span)
                            .allowed("matrix and curve profiles for RGB or gray, at most 16 MiB"),
                        );
                        None
                    }
                };
            }
        };
        Some(Profile::named(named))
    }

    fn open(&mut self, path: &Path, span: Span) -> Option<Frame> {
        match Frame::open(path, self.account) {
            Ok(frame) => Some(frame),
            Err(fault) => {
                // A missing file named ten times is one mistake.
                if !self.footage.failed.iter().any(|p| p == path) {
                    self.footage.failed.push(path.to_owned());
                    // Too little memory is no fault of the frame's.
                    let id = match fault {
                        FrameError::OverBudget(_) => "out-of-memory",
                        _ => "frame-unreadable",
                    };
                    self.findings.push(
                        Finding::stop(id, format!("{} {fault}", path.display()))
                            .at(span)
                            .frame(path.display().to_string()),
                    );
                }
                None
            }
        }
    }

    fn embedded(&mut self, frame: &Frame, path: &Path, span: Span) -> Option<Profile> {
        match &frame.header().profile {
            Embedded::Named(name) => Some(Profile::named(*name)),
            // A shoot carries one profile in all its frames: its tables are made once.
            Embedded::Icc(bytes) => match self
                .footage
                .shots
                .iter()
                .find(|shot| shot.profile.bytes() == bytes)
                .map_or_else(|| Profile::parse(bytes), |shot| Ok(shot.profile.clone()))
            {
                Ok(profile) => Some(profile),
                Err(fault) => {
                    self.findings.push(
                        Finding::stop(
                            "profile-unusable",
                            format!("the profile in {} can't be used: {fault}", path.display()),
                        )
                        .at(span)
                        .frame(path.display().to_string())
                        .remedy("export the frame with a matrix profile, or state one: profile=\"srgb\" on its node"),
                    );
                    None
                }
            },
            Embedded::None => {
                self.findings.push(
                    Finding::stop(
                        "profile-missing",
                        format!("{} carries no colour profile", path.display()),
                    )
                    .at(span)
                    .frame(path.display().to_string())
                    .remedy("state it on this node: profile=\"srgb\" (or \"display-p3\", \"a98-rgb\", \"rec2020\", \"gray\", an .icc file)"),
                );
                None
            }
        }
    }
}

/// A profile file, at most 16 MiB and regular.
fn read_bounded(path: &Path) -> Result<Vec<u8>, String> {
    const LIMIT: u64 = 16 << 20;
    let meta = std::fs::metadata(path).map_err(|e| e.to_string())?;
    if !meta.is_file() {
        return Err("it is no regular file".into());
    }
    if meta.len() > LIMIT {
        return Err(format!("it has {} bytes, 16 MiB are allowed", meta.len()));
    }
    let file = std::fs::File::open(path).map_err(|e| e.to_string())?;
    let mut bytes = Vec::new();
    file.take(LIMIT)
        .read_to_end(&mut bytes)
        .map_err(|e| e.to_string())?;
    Ok(bytes)
}
