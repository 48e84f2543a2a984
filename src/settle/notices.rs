//! What a cut-out wants looked at, in words.

use crate::diag::{Finding, Space};
use crate::geom::Rect;
use crate::key::Notice;
use crate::plan::Shot;

/// A `look`, without the member, which the caller knows.
pub(super) fn told(notice: &Notice, frame: &Shot) -> Finding {
    let shown = frame.shown();
    let (id, words, remedy, place): (_, String, _, Rect) = match notice {
        Notice::Nothing => (
            "nothing-found",
            format!("nothing in {shown} differs from its plate, so nothing is cut out"),
            "see whether it is the right frame and the right plate; for a piece very like the plate lower its threshold: piece sigma=2, or draw the mask",
            frame.rect(),
        ),
        Notice::RodNotFound { place } => (
            "rod-not-found",
            format!("the piece in {shown} reaches the frame's border, and no rod was found there"),
            "if something holds it there, draw that away: cut { line \"x,y x,y\" width=w }; if the piece is cropped by the frame, all is well",
            *place,
        ),
        Notice::ThinPart { place } => (
            "thin-part",
            format!("a thin part in {shown} may be a rod, and was kept as the piece's own"),
            "if it is a rod, draw it away: cut { line \"x,y x,y\" width=w }",
            *place,
        ),
        Notice::SeeThrough { place } => (
            "see-through",
            format!(
                "part of the piece in {shown} seems to be see-through before a plain plate, where one frame can't tell thin ink from dark glass"
            ),
            "shoot it once more before a second card, and name the pair: piece { card \"file\" plate=\"name\" }",
            *place,
        ),
        Notice::LikePlate { place } => (
            "like-plate",
            format!(
                "part of the piece in {shown} looks just like the plate, and was kept because of what surrounds it"
            ),
            "see whether it is solid there; if it is a hole, draw it away: cut { polygon \"...\" }",
            *place,
        ),
        Notice::Carried { place } => {
            return Finding::note(
                "carried-across",
                format!(
                    "what holds the piece in {shown} runs before a thin part of it, which is carried across beneath"
                ),
            )
            .frame(shown)
            .place(Space::Frame, *place)
            .remedy("look at the place at full size; where another frame shows it, take it from there: mend from=\"file\" { rig }");
        }
        // The set always answers a piece a little, so this asks for nothing.
        Notice::Elsewhere { place } => {
            return Finding::note(
                "changed-elsewhere",
                format!(
                    "{shown} differs from its plate away from the piece too, and that is left out"
                ),
            )
            .frame(shown)
            .place(Space::Frame, *place)
            .remedy("if it belongs to the piece, name it: keep { piece; polygon \"...\" }")
            .together(
                "frames differ from their plates away from the pieces too, as a set that mirrors them does; that is left out",
                "",
                "if some of it belongs to a piece, name it: keep { piece; polygon \"...\" }; --json tells where each is",
            );
        }
    };
    Finding::look(id, words)
        .frame(shown)
        .place(Space::Frame, place)
        .remedy(remedy)
}
