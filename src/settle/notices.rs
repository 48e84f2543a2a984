//! What a cut-out wants looked at, in words.

use crate::diag::{Finding, Space};
use crate::geom::Rect;
use crate::key::{self, Notice};
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
        Notice::LightUneven {
            place,
            stops,
            meets,
        } => {
            let rest = match meets {
                true => ", and told from the light around where it meets the piece's own shadow",
                false => "",
            };
            let words = format!(
                "in {shown} the light is {} in one place than on the plate, as where a flag or a lamp moved; no shadow lays that down: it is taken out{rest}",
                by(*stops)
            );
            return Finding::look("light-uneven", words)
                .frame(shown)
                .place(Space::Frame, *place)
                .measured(*stops, key::LIGHT_CHANGED)
                .remedy("see whether a flag or a lamp moved; a plate shot again under this light takes all of it out");
        }
        Notice::LightOrShadow { place, stops } => {
            let words = format!(
                "in {shown} the light is {} about the piece as far as the frame's border, which may be the piece's soft shadow or a flag that moved: one frame can't tell, and it is kept as a shadow",
                by(*stops)
            );
            return Finding::look("light-or-shadow", words)
                .frame(shown)
                .place(Space::Frame, *place)
                .measured(*stops, key::LIGHT_CHANGED)
                .remedy("if a flag moved, keep the piece's own shadow alone: shadow { within { ellipse cx cy rx ry } }; or shoot the plate again under this light");
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

/// A change of light in words.
pub(super) fn by(stops: f64) -> String {
    let how = if stops < 0.0 { "darker" } else { "brighter" };
    format!("up to {:.2} EV {how}", stops.abs())
}
