//! The files of one plate laid onto its first: between two exposures of an empty set a tripod gets bumped and a flash
//! drifts. Neither is a change of the set, so both are taken out before files are compared and averaged.

use super::lay::{self, Laid};
use super::plate::PlateFile;
use super::sight::Held;
use crate::budget::Account;
use crate::diag::{Finding, Space, Span};
use crate::geom::Map;
use crate::plan::{Carry, Laying, Shot};
use crate::register::{Alignment, Motion, Trust};

/// A gain that differs from 1 by no more is none: a seventh of the 0.01 EV that light may be off by.
const DRIFT: f64 = 0.001;

/// A gain beyond this, or below its inverse, is no drift: one stop. Such a file stays as dark or bright as it is, and is
/// then found to differ.
const MOST: f64 = 2.0;

/// Pixels below which nothing is moved, as `register` has it; for messages.
const STILL: f64 = 0.05;

/// Standard deviations of a gain from which it is believed.
const SURE: f64 = 3.0;

/// How every file of a plate is looked for on the first one.
const LAYING: Laying = Laying {
    carry: Carry::Estimated(Motion::Similarity),
    ..Laying::FOUND
};

/// How `file` lies on `first`, both of one plate: from it to the first, with gains that bring it to the first's light.
/// Nothing moves and no gain acts where the camera and the light stood still.
pub(super) fn laid(file: &Shot, first: &Shot, account: &Account) -> Result<Laid, Finding> {
    let plate = [PlateFile::still(first)];
    let held = Held::of(file, &plate, account)?;
    let mut laid = lay::laid(file, &plate, LAYING, &held, account)?;
    let sure = laid.balance.as_ref().map_or(0.0, |b| SURE * b.deviation);
    let none = |gain: &f64| (gain - 1.0).abs() <= DRIFT.max(sure);
    let other = |gain: &f64| !(1.0 / MOST..=MOST).contains(gain);
    if laid.gains.iter().all(none) || laid.gains.iter().any(other) {
        laid.gains = [1.0; 3];
    }
    // Whether it matters that one can't be laid down is seen when they are compared.
    laid.findings.clear();
    Ok(laid)
}

/// A plate's files with how each but the first lies; one that nothing is known of stands still.
pub(super) fn files<'a>(shots: &[&'a Shot], fellows: &[Laid]) -> Vec<PlateFile<'a>> {
    let placed = |(k, shot): (usize, &&'a Shot)| {
        let laid = k.checked_sub(1).and_then(|k| fellows.get(k));
        let Some(laid) = laid else {
            return PlateFile::still(shot);
        };
        PlateFile {
            shot,
            // What was laid down can be taken up.
            carry: laid.carry.inverted().unwrap_or(Map::IDENTITY),
            gains: laid.gains,
        }
    };
    shots.iter().enumerate().map(placed).collect()
}

/// What a photographer should know: a `note` where a file was moved or lit, a `look` where light changed in one place.
pub(super) fn told(file: &Shot, first: &Shot, laid: &Laid, span: Option<Span>) -> Vec<Finding> {
    let mut found = Vec::new();
    let moved = laid
        .alignment
        .as_ref()
        .filter(|_| laid.carry != Map::IDENTITY);
    let stops = stops(laid.gains);
    if moved.is_some() || laid.gains != [1.0; 3] {
        let shown = file.shown();
        let words = [
            moved.map(away),
            (laid.gains != [1.0; 3]).then(|| lit(stops)),
        ];
        let words: Vec<String> = words.into_iter().flatten().collect();
        let how = words.join(" and ");
        let mut note = Finding::note(
            "plate-laid",
            format!(
                "{shown}, against {}, the first file of its plate, {how}; that is undone",
                first.shown()
            ),
        )
        .frame(shown.clone())
        .remedy("nothing, if the tripod was bumped or the flash drifted; else leave this file out of the plate")
        .together(
            "files of plates are laid onto the first of their plate and brought to its light",
            how.clone(),
            "nothing, if the tripod was bumped or the flash drifted; else leave those files out",
        );
        if let Some(alignment) = moved {
            note = note.measured(alignment.corner, STILL);
        }
        found.push(note);
    }
    let uneven = laid.balance.as_ref().and_then(|b| b.uneven);
    found.extend(uneven.map(|uneven| {
        Finding::look(
            "light-uneven",
            format!(
                "of one plate's files, {} is {} than {} in one place",
                file.shown(),
                lay::changed(uneven),
                first.shown()
            ),
        )
        .frame(file.shown())
        .place(Space::Frame, uneven.place)
        .measured(uneven.amount, lay::UNEVEN)
        .remedy("see whether a flag or a reflection moved; leave out of the plate what was shot under other light than the frames")
    }));
    for finding in &mut found {
        finding.span = span;
    }
    found
}

/// Why a file stays where it is, for the message that it differs.
pub(super) fn why_not(laid: &Laid) -> Option<&'static str> {
    let alignment = laid.alignment.as_ref()?;
    let balance = laid.balance.as_ref()?;
    if balance.exposure.abs() >= 1.0 || balance.used == 0.0 {
        return Some("it is lit otherwise than the first file, by a stop or more");
    }
    match alignment.trust {
        Trust::Sure | Trust::Rough => None,
        Trust::NoMatch => Some("it can't be laid onto the first file: too little looks alike"),
        Trust::BeyondSearch => Some("it can't be laid onto the first file: it moved too far"),
        Trust::Featureless => {
            Some("it can't be laid onto the first file: there is too little to hold on to")
        }
    }
}

/// Exposure of what gains undo, positive where the file is brighter.
fn stops(gains: [f64; 3]) -> f64 {
    -libm::log2(gains[0] * gains[1] * gains[2]) / 3.0
}

fn away(alignment: &Alignment) -> String {
    let rough = match alignment.trust {
        Trust::Rough => format!(" (to within {:.2} px)", alignment.within),
        _ => String::new(),
    };
    let [dx, dy] = alignment.shift;
    let [across, down, _] = alignment.map.0;
    let turned = match across[..2] == [1.0, 0.0] && down[..2] == [0.0, 1.0] {
        true => String::new(),
        false => format!(
            ", turned or scaled so that corners lie up to {:.2} px off",
            alignment.corner
        ),
    };
    // Minus what it takes to bring it back.
    format!("lies {:.2} {:.2} px off{rough}{turned}", 0.0 - dx, 0.0 - dy)
}

fn lit(stops: f64) -> String {
    let how = if stops < 0.0 { "darker" } else { "brighter" };
    format!("is {:.3} EV {how}", stops.abs())
}
