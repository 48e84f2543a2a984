//! Pieces to be cut out: each distinct one once, however many masks use it.

use super::footage::{Opener, ShotId};
use super::laying::{Carry, Laying};
use super::masks::{MaskRecipe, SourceRecipe, StepRecipe};
use super::plates::{PlateId, PlateSet};
use crate::diag::{Finding, Span, Spanned};
use crate::scene::{Body, Card, FrameRef, Source, SourceKind, Step};

/// Index into [`super::Plan::pieces`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PieceId(pub usize);

/// What in a frame is not its plate. In canvas space the frame is the base plate itself.
#[derive(Clone, Debug)]
pub struct PieceRecipe {
    pub shot: ShotId,
    pub plate: PlateId,
    /// How many standard deviations count as different; `None` for the method's own.
    pub sigma: Option<f64>,
    pub card: Option<CardRecipe>,
    pub laying: Laying,
    /// Nothing is kept where this is zero.
    pub within: Option<MaskRecipe>,
    /// The first member that uses it, for messages; `None` for a mask in canvas space.
    pub member: Option<String>,
    pub span: Span,
}

/// The same piece before a second plate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CardRecipe {
    pub shot: ShotId,
    pub plate: PlateId,
}

impl PartialEq for PieceRecipe {
    fn eq(&self, o: &Self) -> bool {
        self.shot == o.shot
            && self.plate == o.plate
            && self.sigma == o.sigma
            && self.card == o.card
            && self.laying == o.laying
            && self.within == o.within
    }
}

/// What masks of one frame, or of the canvas, find their pieces in.
#[derive(Clone, Debug)]
pub(super) struct Footing {
    pub shot: ShotId,
    /// The plate that governs.
    pub plate: PlateId,
    pub laying: Laying,
    /// `None` for the base plate.
    pub member: Option<String>,
}

/// `keep { piece }; cut { rig }`: what a scene with a plate takes where no mask is written.
pub(super) fn usual_mask(span: Span) -> Body {
    let source = |kind| Source {
        span,
        kind,
        feather: 0.0,
    };
    let piece = SourceKind::Piece {
        sigma: None,
        plate: None,
        card: None,
    };
    Body::of(vec![
        Spanned::new(Step::Keep(vec![source(piece)]), span),
        Spanned::new(Step::Cut(vec![source(SourceKind::Rig)]), span),
    ])
}

/// Whether anything in a mask is found by comparing with the plate.
pub(super) fn finds(body: &Body) -> bool {
    sources(body).any(|source| matches!(source.kind, SourceKind::Piece { .. } | SourceKind::Rig))
}

/// The plate that the mask's first piece names.
pub(super) fn named_plate(body: &Body) -> Option<&Spanned<String>> {
    sources(body)
        .find_map(|source| match &source.kind {
            SourceKind::Piece { plate, .. } => Some(plate.as_ref()),
            _ => None,
        })
        .flatten()
}

/// The piece whose rig a mask means: its first, as one exposure shows it.
pub(super) fn held(body: &Body) -> SourceKind {
    let first = sources(body).find_map(|source| match &source.kind {
        SourceKind::Piece { sigma, plate, .. } => Some((*sigma, plate.clone())),
        _ => None,
    });
    let (sigma, plate) = first.unwrap_or_default();
    SourceKind::Piece {
        sigma,
        plate,
        card: None,
    }
}

fn sources(body: &Body) -> impl Iterator<Item = &Source> {
    body.steps.iter().flat_map(|step| match &step.value {
        Step::Keep(sources) | Step::Within(sources) | Step::Cut(sources) => sources.as_slice(),
        _ => &[],
    })
}

/// The `within` blocks that limit a body's pieces from the start: drawn and painted ones that follow the last `keep`
/// of a piece before anything moves coverage about. None where a piece is used otherwise.
pub(super) fn limits(steps: &[Spanned<Step>]) -> Vec<usize> {
    let has_piece = |sources: &[Source]| {
        sources
            .iter()
            .any(|s| matches!(s.kind, SourceKind::Piece { .. }))
    };
    let elsewhere = steps.iter().any(|step| match &step.value {
        Step::Within(sources) | Step::Cut(sources) => has_piece(sources),
        _ => false,
    });
    let soft = steps.iter().any(|step| match &step.value {
        Step::Keep(sources) => sources
            .iter()
            .any(|s| matches!(s.kind, SourceKind::Piece { .. }) && s.feather > 0.0),
        _ => false,
    });
    let last = steps
        .iter()
        .rposition(|step| matches!(&step.value, Step::Keep(sources) if has_piece(sources)));
    let Some(last) = last.filter(|_| !elsewhere && !soft) else {
        return Vec::new();
    };
    // Feather and its like before the last keep carried earlier pieces beyond any later limit.
    let moved = steps[..last]
        .iter()
        .any(|step| !matches!(step.value, Step::Keep(_) | Step::Within(_) | Step::Cut(_)));
    if moved {
        return Vec::new();
    }
    let known = |source: &Source| {
        !matches!(
            source.kind,
            SourceKind::Luminance { .. } | SourceKind::Rig | SourceKind::Mask(_)
        )
    };
    (last + 1..steps.len())
        .take_while(|&k| {
            matches!(
                steps[k].value,
                Step::Keep(_) | Step::Within(_) | Step::Cut(_)
            )
        })
        .filter(|&k| matches!(&steps[k].value, Step::Within(s) if s.iter().all(known)))
        .collect()
}

/// Room left around a limit, px: the piece's colour is found from both sides of it, and the mask itself cuts exactly.
const ROOM: f64 = 16.0;

/// Limits as a mask of their own, with room for what the body's later steps reach beyond them.
pub(super) fn limiting(steps: Vec<StepRecipe>, body: &Body) -> Option<MaskRecipe> {
    let mut limits = steps.into_iter();
    let first = match limits.next()? {
        StepRecipe::Within(layers) => StepRecipe::Keep(layers),
        other => other,
    };
    let reached: f64 = body
        .steps
        .iter()
        .map(|step| match step.value {
            Step::Feather(s) => 4.0 * s,
            Step::Dilate(d) | Step::Erode(d) => d,
            _ => 0.0,
        })
        .sum();
    let room = StepRecipe::Dilate((ROOM + reached).min(1000.0));
    Some(MaskRecipe {
        steps: std::iter::once(first).chain(limits).chain([room]).collect(),
    })
}

/// The second exposure of a card pair, opened and held against the first.
pub(super) fn card(
    card: &Card,
    footing: &Footing,
    plates: &[PlateSet],
    opener: &mut Opener,
) -> Option<CardRecipe> {
    let plate = match &card.plate {
        Some(name) => by_name(plates, &name.value)?,
        None => footing.plate,
    };
    if plate == footing.plate {
        opener.findings.push(
            Finding::stop(
                "card-plate",
                "both exposures of the pair are said to lie before the same plate",
            )
            .at(card
                .plate
                .as_ref()
                .map_or(card.path.span, |name| name.span))
            .remedy("shoot the second card without the piece, and name it: plate \"file\" name=\"dark\", then card \"file\" plate=\"dark\""),
        );
        return None;
    }
    let reference = FrameRef {
        path: card.path.clone(),
        profile: None,
    };
    let space = opener.space.clone();
    let shot = opener.shot(&reference, space.as_ref())?;
    let (own, first) = (opener.footage.shot(shot), opener.footage.shot(footing.shot));
    if own.rect() != first.rect() {
        let finding = differs(
            "card-size",
            &own.shown(),
            own.rect(),
            &first.shown(),
            first.rect(),
        )
        .at(card.path.span)
        .frame(own.shown())
        .remedy("export both exposures of the pair at the same size");
        opener.findings.push(finding);
        return None;
    }
    Some(CardRecipe { shot, plate })
}

/// The plate of that name; the scene has already checked that it exists.
pub(super) fn by_name(plates: &[PlateSet], name: &str) -> Option<PlateId> {
    plates
        .iter()
        .position(|set| set.name.as_deref() == Some(name))
        .map(PlateId)
}

/// Whether a frame can be compared with its plate pixel by pixel; if not, it is said.
pub(super) fn comparable(
    footing: &Footing,
    finds: bool,
    plates: &[PlateSet],
    span: Span,
    opener: &mut Opener,
) -> bool {
    let stated = matches!(footing.laying.carry, Carry::Stated(_));
    let needed = footing.laying.needs_plate() || finds;
    let Some(plate) = plates
        .get(footing.plate.0)
        .and_then(|set| set.shots.first().copied())
    else {
        // No such plate, or it could not be opened, which has been said.
        return !needed;
    };
    let (frame, plate) = (
        opener.footage.shot(footing.shot),
        opener.footage.shot(plate),
    );
    if !needed || stated || frame.rect() == plate.rect() {
        return true;
    }
    let mut finding = differs(
        "frame-size",
        &frame.shown(),
        frame.rect(),
        &plate.shown(),
        plate.rect(),
    )
    .at(span)
    .frame(frame.shown())
    .remedy("export the frame at its plate's size, say where it lies with align dx dy, or leave the plate out of it: mask { all }; align #false; balance #false");
    finding.member = footing.member.clone();
    opener.findings.push(finding);
    false
}

fn differs(
    id: &'static str,
    own: &str,
    size: crate::geom::Rect,
    other: &str,
    expected: crate::geom::Rect,
) -> Finding {
    Finding::stop(
        id,
        format!(
            "{own} is {} x {} px, and {other}, which it is compared with, is {} x {} px",
            size.width(),
            size.height(),
            expected.width(),
            expected.height()
        ),
    )
}

/// Whether a recipe keeps anything that is not a piece.
pub fn keeps_more(recipe: &MaskRecipe) -> bool {
    recipe.steps.iter().any(|step| match step {
        StepRecipe::Keep(layers) => layers
            .iter()
            .any(|layer| !matches!(layer.source, SourceRecipe::Piece(_))),
        StepRecipe::Invert => true,
        _ => false,
    })
}
