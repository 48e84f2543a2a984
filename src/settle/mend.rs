//! Parts of a piece rebuilt: from its own surroundings, or from another frame of the same piece.

use super::coverage::{of_limit, trimmed};
use super::desk::{Asking, Desk};
use super::sight::FrameSight;
use super::{Keyed, patch};
use crate::budget::Account;
use crate::diag::{Finding, Space};
use crate::geom::Rect;
use crate::key::{self, Notice};
use crate::mask::{Layer, Program, Source, Step};
use crate::plan::{Cut, MendFrom, MendStep};
use crate::raster::{Light, Matte, Seen};
use crate::register::Trust;
use std::sync::Arc;

/// Correlation below which an alignment is no match, as `register` has it; for messages.
const CORRELATION: f64 = 0.5;

/// What is mended.
pub(super) struct Patient<'a> {
    pub frame: &'a FrameSight<'a>,
    pub keyed: Option<&'a Keyed>,
    pub coverage: Option<&'a Matte>,
    /// Where the cut's coverage is not zero.
    pub area: Rect,
}

/// The cut's straight colour on its area with everything mended, in file order.
pub(super) fn mended(
    desk: &mut Desk,
    cut: &Cut,
    patient: &Patient,
    mixed: Option<Light>,
) -> Result<Light, Finding> {
    let account = desk.account;
    let mut colour = match (mixed, patient.keyed) {
        (Some(light), _) => light,
        (None, Some(keyed)) if keyed.colour.rect().covers(&patient.area) => {
            keyed.colour.cropped(patient.area, account)?
        }
        _ => patient.frame.light(patient.area)?,
    };
    let own = own(patient, account)?;
    for mend in &cut.mends {
        let asking = Asking {
            span: mend.span,
            member: Some(&cut.member),
        };
        let spot = spot(desk, mend, patient)?;
        let spot = clipped(spot, patient.area, account)?;
        if spot.rect().is_empty() {
            let nothing = Finding::note(
                "mend-nothing",
                match mend.rig {
                    Some(_) => {
                        "no rod was found across the piece's face here, and nothing is rebuilt"
                    }
                    None => "the piece has nothing where this would rebuild it",
                },
            )
            .frame(patient.frame.shot.shown())
            .remedy("delete the mend, or draw its area over the piece");
            desk.findings.push(asking.told(nothing));
            continue;
        }
        let words = match mend.from {
            None => {
                key::mended(&mut colour, &own, &spot, account)?;
                "its own surroundings".to_owned()
            }
            Some(from) => {
                let taken = taken(desk, from, patient, &own, &spot, asking)?;
                patch::laid_in(&mut colour, &own, &spot, &taken, account)?;
                let (MendFrom::Piece(shot, _) | MendFrom::Frame(shot)) = from;
                desk.plan.footage.shot(shot).shown()
            }
        };
        let note = told(&spot, &words, patient);
        desk.findings.push(asking.told(note));
    }
    Ok(colour)
}

fn told(spot: &Matte, from: &str, patient: &Patient) -> Finding {
    let rect = spot.rect();
    let pixels = spot.data().iter().filter(|c| **c >= 0.5).count();
    Finding::note(
        "mended",
        format!(
            "{pixels} px of the piece, {} x {} at {},{}, are rebuilt from {from}",
            rect.width(),
            rect.height(),
            rect.x0,
            rect.y0
        ),
    )
    .frame(patient.frame.shot.shown())
    .place(Space::Frame, rect)
    .measured(pixels as f64, 0.0)
    .remedy("look at the place at full size; mend #false leaves it as it was shot")
}

/// The piece's own coverage: as it was found, else what the mask keeps.
fn own(patient: &Patient, account: &Account) -> Result<Arc<Matte>, Finding> {
    Ok(match (patient.keyed, patient.coverage) {
        (Some(keyed), _) => keyed.own.clone(),
        (None, Some(matte)) => Arc::new(matte.cropped(matte.rect(), account)?),
        (None, None) => Arc::new(Matte::filled(patient.area, 1.0, account)?),
    })
}

/// Coverage of a mend's areas, united.
fn spot(desk: &Desk, mend: &MendStep, patient: &Patient) -> Result<Matte, Finding> {
    let account = desk.account;
    let mut layers = Vec::new();
    if let Some(drawn) = &mend.drawn {
        layers.push(Layer {
            source: Source::Given(Arc::new(of_limit(desk, drawn, patient.frame.shot)?)),
            feather: 0.0,
        });
    }
    if let (Some(feather), Some(keyed)) = (mend.rig, patient.keyed) {
        let crossing = &keyed.crossing;
        let mut crossing = crossing.cropped(crossing.rect(), account)?;
        if mend.from.is_none() {
            without_carried(&mut crossing, &keyed.estimates.notices);
        }
        layers.push(Layer {
            source: Source::Given(Arc::new(crossing)),
            feather,
        });
    }
    let program = Program {
        steps: vec![Step::Keep(layers)],
    };
    let space = patient.frame.rect();
    Ok(program.coverage(space, program.extent(space), account)?)
}

/// Pixels of soft edge around a part that was carried across.
const EDGE: u32 = 4;

/// Takes out what was carried across beneath a rod already, along the part's own course: its surroundings know less.
fn without_carried(crossing: &mut Matte, notices: &[Notice]) {
    for notice in notices {
        let Notice::Carried { place } = notice else {
            continue;
        };
        let place = place.grown(EDGE).intersected(&crossing.rect());
        for y in place.y0..place.y1 {
            crossing.span_mut(y, place.x0, place.x1).fill(0.0);
        }
    }
}

/// The part of an area that lies on the cut.
fn clipped(spot: Matte, area: Rect, account: &Account) -> Result<Matte, Finding> {
    let part = spot.rect().intersected(&area);
    trimmed(spot.cropped(part, account)?, account)
}

/// The other frame's light laid onto this one, around the area.
fn taken(
    desk: &mut Desk,
    from: MendFrom,
    patient: &Patient,
    own: &Matte,
    spot: &Matte,
    asking: Asking,
) -> Result<Light, Finding> {
    let account = desk.account;
    let plan = desk.plan;
    let (taken, shot) = match from {
        MendFrom::Piece(shot, id) => {
            desk.found(id)?;
            let other = desk.piece(id).clone();
            (patch::of_piece(patient, own, &other, spot, account)?, shot)
        }
        MendFrom::Frame(shot) => {
            let sight = FrameSight {
                shot: plan.footage.shot(shot),
                gains: [1.0; 3],
                held: None,
                account: account.clone(),
            };
            (patch::of_frame(patient, &sight, spot, account)?, shot)
        }
    };
    if !matches!(taken.trust, Trust::Sure | Trust::Rough) {
        let shown = plan.footage.shot(shot).shown();
        let finding = Finding::look(
            "mend-untrusted",
            format!(
                "{shown} can't be laid onto the piece around the area to be mended, and is taken as it lies"
            ),
        )
        .frame(shown)
        .place(Space::Frame, spot.rect())
        .measured(taken.correlation, CORRELATION)
        .remedy("take another frame, in which the piece hangs as it does here, or mend from the surroundings: delete from=");
        desk.findings.push(asking.told(finding));
    }
    Ok(taken.light)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_carried_across_is_not_rebuilt_from_its_surroundings() {
        let account = Account::unlimited();
        let mut crossing = Matte::filled(Rect::of_size(40, 60), 1.0, &account).unwrap();
        let notices = [
            Notice::ThinPart {
                place: Rect::new(0, 0, 40, 10),
            },
            Notice::Carried {
                place: Rect::new(10, 30, 8, 6),
            },
        ];
        without_carried(&mut crossing, &notices);
        let left = [(5, 5), (12, 32), (7, 27), (25, 32), (12, 50)].map(|(x, y)| crossing.at(x, y));
        assert_eq!(left, [1.0, 0.0, 0.0, 1.0, 1.0]);
    }
}
