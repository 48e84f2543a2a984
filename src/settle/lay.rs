//! A frame laid onto its plate: the map and the gains a member asks for, stated or estimated, with what a
//! photographer should know about them.

use super::plate::{PlateFile, PlateSight};
use super::sight::{CarriedSight, FrameSight, Held};
use crate::budget::Account;
use crate::diag::{Finding, Space};
use crate::geom::Map;
use crate::plan::{Carry, Gains, Laying, Part, Shot};
use crate::raster::Seen;
use crate::register::{self, Alignment, Balance, Trust, Uneven};

/// Correlation below which an alignment is no match, as `register` has it; for messages.
const CORRELATION: f64 = 0.5;

/// Pixels at a corner from which `register` speaks of a turn or scale; for messages.
const TURNED: f64 = 0.3;

/// Change of light in one place only, as a ratio minus 1, from which `register` speaks of it; for messages.
pub(super) const UNEVEN: f64 = 0.03;

/// How a frame lies on its plate.
#[derive(Clone, Debug)]
pub struct Laid {
    /// Frame to plate.
    pub carry: Map,
    /// The frame's light is multiplied by these.
    pub gains: [f64; 3],
    /// What was estimated, where something was.
    pub alignment: Option<Alignment>,
    pub balance: Option<Balance>,
    /// Without a member or a place in the text, which the caller knows.
    pub findings: Vec<Finding>,
}

/// `plates` are the files of the plate that governs; none are needed where nothing is estimated.
pub fn laid(
    frame: &Shot,
    plates: &[PlateFile],
    laying: Laying,
    held: &Held,
    account: &Account,
) -> Result<Laid, Finding> {
    let mut laid = Laid {
        carry: Map::IDENTITY,
        gains: [1.0; 3],
        alignment: None,
        balance: None,
        findings: Vec::new(),
    };
    let sight = FrameSight {
        shot: frame,
        gains: [1.0; 3],
        held: held.frame.as_ref(),
        account: account.clone(),
    };
    let plate = PlateSight {
        files: plates,
        held: held.plate.as_ref(),
        account: account.clone(),
    };
    match laying.carry {
        Carry::Off => {}
        Carry::Stated(map) => laid.carry = map,
        Carry::Estimated(motion) => {
            let alignment = register::aligned(&sight, &plate, motion, account)?;
            // The identity where it can't be trusted.
            laid.carry = alignment.map;
            laid.alignment = Some(alignment);
        }
    }
    match laying.gains {
        Gains::Off => {}
        Gains::Stated(gains) => laid.gains = gains,
        Gains::Estimated(part) => {
            let mut carried = CarriedSight {
                plate,
                carry: laid.carry,
                rect: frame.rect(),
                held: None,
            };
            if held.plate.is_some() {
                // Made for this comparison and for the cut-out that follows.
                let light = carried.light(frame.rect())?;
                carried.held = Some(&held.carried.get_or_init(|| (laid.carry, light)).1);
            }
            let balance = register::balanced(&sight, &carried, account)?;
            laid.gains = part_of(balance.gains, part);
            laid.balance = Some(balance);
        }
    }
    Ok(laid.told(frame))
}

impl Laid {
    /// With what a photographer should know of these estimates, and nothing else.
    pub(super) fn told(mut self, frame: &Shot) -> Laid {
        let alignment = self.alignment.iter();
        let balance = self.balance.iter();
        self.findings = alignment
            .flat_map(|alignment| [untrusted(alignment, frame), turned(alignment, frame)])
            .flatten()
            .chain(
                balance
                    .clone()
                    .filter_map(|balance| unbalanced(balance, frame)),
            )
            .chain(balance.filter_map(|balance| uneven(balance, frame)))
            .collect();
        self
    }
}

/// The exposure of gains is their geometric mean, the white is the rest.
fn part_of(gains: [f64; 3], part: Part) -> [f64; 3] {
    let mean = libm::cbrt(gains[0] * gains[1] * gains[2]);
    match part {
        Part::Both => gains,
        Part::Exposure => [mean; 3],
        Part::White => gains.map(|gain| gain / mean),
    }
}

fn untrusted(alignment: &Alignment, frame: &Shot) -> Option<Finding> {
    let [dx, dy] = alignment.shift;
    let why = match alignment.trust {
        Trust::Sure => return None,
        Trust::Rough => return Some(rough(alignment, frame)),
        Trust::NoMatch => format!(
            "too little of the two pictures looks alike (correlation {:.2})",
            alignment.correlation
        ),
        Trust::BeyondSearch => {
            format!("the best match, {dx:.1} {dy:.1} px away, lies at the edge of what is searched")
        }
        Trust::Featureless if alignment.within.is_finite() => format!(
            "the plate has too little in it to hold on to, and the best match, {dx:.1} {dy:.1} px away, is known to within {:.1} px only",
            alignment.within
        ),
        Trust::Featureless => "frame or plate has nothing in it to hold on to".to_owned(),
    };
    // Beyond the window the direction is known, if not the distance.
    let remedy = match alignment.trust {
        Trust::BeyondSearch => format!(
            "state the shift, which is at least this: align {dx:.1} {dy:.1}; or align #false if the camera stood still"
        ),
        _ => "state the shift if the camera moved: align dx dy; or align #false if it stood still"
            .to_owned(),
    };
    Some(
        Finding::look(
            "align-untrusted",
            format!(
                "{} can't be laid onto its plate, and stays where it is: {why}",
                frame.shown()
            ),
        )
        .frame(frame.shown())
        .place(Space::Frame, frame.rect())
        .measured(alignment.correlation, CORRELATION)
        .remedy(remedy),
    )
}

fn rough(alignment: &Alignment, frame: &Shot) -> Finding {
    Finding::look(
        "align-rough",
        format!(
            "{} is laid onto its plate to within about {:.2} px: noise or light hides where it lies",
            frame.shown(),
            alignment.within
        ),
    )
    .frame(frame.shown())
    .place(Space::Frame, frame.rect())
    .measured(alignment.within, alignment.close())
    .remedy("see whether edges fit; where they must, pin it: align dx dy, or align #false if the camera stood still")
}

/// A shift was asked for, and more happened.
fn turned(alignment: &Alignment, frame: &Shot) -> Option<Finding> {
    if alignment.turned == 0.0 {
        return None;
    }
    let shown = frame.shown();
    let words = format!(
        "{shown} lies turned or scaled on its plate, and a shift alone leaves its corners up to {:.2} px off",
        alignment.turned
    );
    Some(
        Finding::look("align-turned", words)
            .frame(shown)
            .place(Space::Frame, frame.rect())
            .measured(alignment.turned, TURNED)
            .remedy("undo that too: align \"similarity\""),
    )
}

/// Where nothing could be compared the gains are 1.
fn unbalanced(balance: &Balance, frame: &Shot) -> Option<Finding> {
    if balance.used > 0.0 {
        return None;
    }
    let shown = frame.shown();
    let words = format!(
        "too little of {shown} shows its plate to compare their light, which stays as it is"
    );
    Some(
        Finding::look("balance-untrusted", words)
            .frame(shown)
            .place(Space::Frame, frame.rect())
            .remedy(
                "state the gains: balance r g b; or balance #false if the light did not change",
            ),
    )
}

fn uneven(balance: &Balance, frame: &Shot) -> Option<Finding> {
    let uneven = balance.uneven?;
    Some(
        Finding::look(
            "light-uneven",
            format!(
                "in {} the light is {} in one place than on the plate, which no gain of the whole frame can undo",
                frame.shown(),
                changed(uneven)
            ),
        )
        .frame(frame.shown())
        .place(Space::Frame, uneven.place)
        .measured(uneven.amount, UNEVEN)
        .remedy("see whether a flag or a reflection moved; a plate shot again under this light takes it out"),
    )
}

/// How much brighter or darker.
pub(super) fn changed(uneven: Uneven) -> String {
    super::notices::by(libm::log2(1.0 + uneven.amount))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposure_and_white_are_the_two_parts_of_gains() {
        let gains = [1.0, 2.0, 4.0];
        assert_eq!(part_of(gains, Part::Both), gains);
        assert_eq!(part_of(gains, Part::Exposure), [2.0; 3]);
        assert_eq!(part_of(gains, Part::White), [0.5, 1.0, 2.0]);
    }
}
