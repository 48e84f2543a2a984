//! Parts of a piece to be rebuilt: where, and from what.

use super::footage::ShotId;
use super::masks::{Ground, MaskRecipe};
use super::pieces::{self, Footing, PieceId};
use super::stack::StackBuilder;
use crate::diag::{Finding, Span, Spanned};
use crate::scene::{Body, FrameRef, Mend, Source, SourceKind, Step};

/// One `mend`.
#[derive(Clone, Debug)]
pub struct MendStep {
    pub span: Span,
    /// Drawn areas in the frame's own space.
    pub drawn: Option<MaskRecipe>,
    /// Where the rod that was found crosses the piece, too; feathered by this standard deviation, px.
    pub rig: Option<f64>,
    /// `None`: from the piece's own surroundings.
    pub from: Option<MendFrom>,
}

/// Another frame of the same piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MendFrom {
    /// Where the element is a piece that was found: the same found in the other frame.
    Piece(ShotId, PieceId),
    /// The other frame as it is.
    Frame(ShotId),
}

impl PartialEq for MendStep {
    fn eq(&self, o: &Self) -> bool {
        self.drawn == o.drawn && self.rig == o.rig && self.from == o.from
    }
}

impl StackBuilder<'_, '_> {
    /// Mends of an element with that mask; `None` where one has a fault. A frame to take from is read through the
    /// profile stated for the element's own, if one is.
    pub(super) fn mends(
        &mut self,
        mends: &[Mend],
        own: &FrameRef,
        body: Option<&Body>,
        mask: &MaskRecipe,
        footing: &Footing,
    ) -> Option<Vec<MendStep>> {
        let mut steps = Vec::with_capacity(mends.len());
        let mut whole = true;
        for mend in mends {
            match self.mend(mend, own, body, mask, footing) {
                Some(step) => steps.push(step),
                None => whole = false,
            }
        }
        whole.then_some(steps)
    }

    fn mend(
        &mut self,
        mend: &Mend,
        own: &FrameRef,
        body: Option<&Body>,
        mask: &MaskRecipe,
        footing: &Footing,
    ) -> Option<MendStep> {
        let rig = mend
            .areas
            .iter()
            .find(|source| source.kind == SourceKind::Rig);
        if let Some(rig) = rig
            && mask.piece().is_none()
        {
            self.opener.findings.push(
                Finding::stop(
                    "needs-piece",
                    "`rig` is what holds a piece, and this element's mask has no `piece`",
                )
                .at(rig.span)
                .remedy("draw the strip to rebuild: mend { line \"x,y x,y\" width=w }"),
            );
            return None;
        }
        let drawn: Vec<Source> = mend
            .areas
            .iter()
            .filter(|source| source.kind != SourceKind::Rig)
            .cloned()
            .collect();
        let drawn = match drawn.is_empty() {
            true => None,
            false => {
                let ground = Ground {
                    space: self.opener.footage.shot(footing.shot).rect(),
                    footing: None,
                };
                let body = Body::of(vec![Spanned::new(Step::Keep(drawn), mend.span)]);
                Some(self.masks.recipe(&body, self.named, self.opener, ground)?)
            }
        };
        let from = match &mend.from {
            None => None,
            Some(path) => {
                let reference = FrameRef {
                    path: path.clone(),
                    profile: own.profile.clone(),
                };
                let shot = self.opener.shot(&reference, Some(self.space))?;
                Some(match body.filter(|_| mask.piece().is_some()) {
                    Some(body) => {
                        let piece = self.piece_in(shot, body, footing, path.span)?;
                        MendFrom::Piece(shot, piece)
                    }
                    None => MendFrom::Frame(shot),
                })
            }
        };
        Some(MendStep {
            span: mend.span,
            drawn,
            rig: rig.map(|source| source.feather),
            from,
        })
    }

    /// The element's piece as another frame shows it.
    fn piece_in(
        &mut self,
        shot: ShotId,
        body: &Body,
        footing: &Footing,
        span: Span,
    ) -> Option<PieceId> {
        let footing = Footing {
            shot,
            ..footing.clone()
        };
        let ground = Ground {
            space: self.opener.footage.shot(shot).rect(),
            footing: Some(&footing),
        };
        self.masks
            .piece(&pieces::held(body), span, ground, None, self.opener)
    }
}
