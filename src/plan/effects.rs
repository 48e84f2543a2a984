//! What a member does beyond laying its own pixels down: the shadow it keeps on the set, the product it stands behind.

use super::Plan;
use super::masks::{MaskId, MaskRecipe, SourceRecipe};
use super::pieces::PieceId;
use super::stack::Placing;
use crate::diag::{Finding, Span};
use crate::geom::Map;

impl Plan {
    /// The piece a canvas-space mask is found by, which says what the set looks like without it: where the mask holds
    /// pieces found against one and the same plate.
    pub fn product(&self, id: MaskId) -> Option<PieceId> {
        let mut found = Vec::new();
        self.pieces_of(&self.masks[id.0], &mut found);
        let first = *found.first()?;
        let plate = self.pieces[first.0].plate;
        let one = found.iter().all(|id| self.pieces[id.0].plate == plate);
        one.then_some(first)
    }

    fn pieces_of(&self, mask: &MaskRecipe, found: &mut Vec<PieceId>) {
        for source in mask.sources() {
            match source {
                SourceRecipe::Piece(id) => found.push(*id),
                SourceRecipe::Named(id) => self.pieces_of(&self.masks[id.0], found),
                _ => {}
            }
        }
    }
}

/// The light a piece takes from the set, laid on the base plate. A shadow on a table runs along the table: it follows
/// its piece to the side and takes no other part in its placement.
#[derive(Clone, Debug, PartialEq)]
pub struct ShadowStep {
    /// k in 1 + k (S - 1): the shadow's own strength times every opacity above it.
    pub strength: f32,
    /// How far it lies from where it was shot, canvas px.
    pub offset: [f64; 2],
    /// Where it counts, in the frame's own space; `None` for everywhere.
    pub within: Option<MaskRecipe>,
}

/// What the groups around an element add to its shadow.
#[derive(Clone, Copy, Debug)]
pub(super) struct Casting {
    /// Sum of the groups' offsets, canvas px.
    pub offset: [f64; 2],
    /// Product of the groups' opacities.
    pub opacity: f64,
}

impl Casting {
    pub const NONE: Casting = Casting {
        offset: [0.0; 2],
        opacity: 1.0,
    };

    pub fn inside(self, placing: &Placing, opacity: f64) -> Casting {
        Casting {
            offset: [
                self.offset[0] + placing.offset[0],
                self.offset[1] + placing.offset[1],
            ],
            opacity: self.opacity * opacity,
        }
    }
}

/// A piece that no longer stands where its shadow says it does. `moved` is its own offset with its groups', `own` the
/// shadow's: a stated one to up or down answers for the piece's.
pub(super) fn detached(
    member: &str,
    span: Span,
    placing: &Placing,
    outer: &Map,
    moved: [f64; 2],
    own: [f64; 2],
) -> Option<Finding> {
    let mut what = Vec::new();
    let mut number = None;
    let height = moved[1];
    if height != 0.0 && own[1] == 0.0 {
        let way = if height > 0.0 { "down" } else { "up" };
        what.push(format!("moved {} px {way}", height.abs()));
        number = Some(height.abs());
    }
    if placing.rotate % 360.0 != 0.0 {
        what.push(format!("turned by {} degrees", placing.rotate));
        number = number.or(Some(placing.rotate.abs()));
    }
    if placing.scale != [1.0, 1.0] {
        let [sx, sy] = placing.scale;
        what.push(if sx == sy {
            format!("scaled by {sx}")
        } else {
            format!("scaled by {sx} and {sy}")
        });
        number = number.or(Some((sx - 1.0).abs().max((sy - 1.0).abs())));
    }
    if placing.flip.is_some() {
        what.push("flipped".to_owned());
    }
    let [[a, b, _], [c, d, _], _] = outer.0;
    if [a, b, c, d] != [1.0, 0.0, 0.0, 1.0] {
        what.push("turned or scaled with its group".to_owned());
    }
    if what.is_empty() {
        return None;
    }
    let finding = Finding::look(
        "shadow-stays",
        format!(
            "{member} is {}, and the shadow it keeps is the one it threw where it was shot",
            what.join(" and ")
        ),
    )
    .at(span)
    .member(member)
    .remedy(if height != 0.0 && own[1] == 0.0 {
        format!("lay the shadow where it would fall: shadow {{ offset 0 {height} }}; or leave it out: shadow #false")
    } else {
        "see whether the shadow still belongs to the piece; if not, leave it out: shadow #false".to_owned()
    });
    Some(match number {
        Some(number) => finding.measured(number, 0.0),
        None => finding,
    })
}
