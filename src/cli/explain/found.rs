//! What was found about an element before it is placed: how its frame lies on its plate, and the piece in it.

use super::super::json::rect;
use super::super::opened::Opened;
use crate::geom::Map;
use crate::plan::{Carry, Cut, Gains, Part, PlateId, ShotId};
use crate::register::Motion;
use crate::render::PlacedElement;
use crate::settle::{Laid, Origin, Settled};
use serde_json::{Value, json};

/// How a file of a plate lies on its first one; nothing for the first, and for what is no plate's.
pub(super) fn fellow<'a>(opened: &Opened, settled: &'a Settled, shot: ShotId) -> Option<&'a Laid> {
    let plates = opened.plan.plates.iter().zip(&settled.fellows);
    let mut all = plates.flat_map(|(set, fellows)| set.shots.iter().skip(1).zip(fellows));
    all.find(|(id, _)| **id == shot).map(|(_, laid)| laid)
}

pub(super) fn laid(laid: &Laid) -> String {
    let carry = match laid.carry {
        Map::IDENTITY => "lies as the first of its plate".to_owned(),
        map => match &laid.alignment {
            Some(found) if !shifts(&map) => format!(
                "aligned to the first of its plate, corners by {:.2} px",
                found.corner
            ),
            _ => format!(
                "aligned {:.2} {:.2} to the first of its plate",
                map.0[0][2], map.0[1][2]
            ),
        },
    };
    let [r, g, b] = laid.gains;
    match laid.gains == [1.0; 3] {
        true => carry,
        false => format!("{carry}, balanced {r:.4} {g:.4} {b:.4}"),
    }
}

/// The same for a program.
pub(super) fn laid_json(laid: &Laid) -> Value {
    json!({ "align": laid.carry.0, "balance": laid.gains })
}

fn shifts(map: &Map) -> bool {
    matches!(map, Map([[1.0, 0.0, _], [0.0, 1.0, _], [0.0, 0.0, 1.0]]))
}

/// In a few words each; nothing for what was not asked for.
pub(super) fn words(element: &PlacedElement, opened: &Opened) -> Vec<String> {
    let cut = &opened.plan.cuts[element.step.cut.0];
    let carry = &element.cut.carry;
    let mut words = Vec::new();
    if cut.laying.carry != Carry::Off {
        words.push(match *carry {
            Map::IDENTITY => "lies still".to_owned(),
            Map([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]]) => {
                format!("aligned {dx:.2} {dy:.2}")
            }
            _ => format!("aligned, corners by {:.2} px", moved(element, opened)),
        });
    }
    if cut.laying.gains != Gains::Off {
        let [r, g, b] = element.cut.gains;
        words.push(format!("balanced {r:.4} {g:.4} {b:.4}"));
    }
    if let Some(keyed) = &element.cut.keyed {
        let own = keyed.own.rect();
        let against = match name(opened, keyed.plate) {
            Some(name) => format!("against plate \"{name}\""),
            None => "against the plate".to_owned(),
        };
        let from = match keyed.origin {
            Origin::Kept => " (kept from an earlier run)",
            Origin::Found => "",
        };
        words.push(format!(
            "cut out {against}, {} x {} at {},{} of the frame{from}",
            own.width(),
            own.height(),
            own.x0,
            own.y0
        ));
    }
    words
}

/// The same for a program; `null` for what was not asked for.
pub(super) fn values(element: &PlacedElement, opened: &Opened) -> [(&'static str, Value); 5] {
    let cut = &opened.plan.cuts[element.step.cut.0];
    let align = asked_carry(cut).map(|asked| json!({"by": asked, "matrix": element.cut.carry.0}));
    let balance = asked_gains(cut).map(|asked| json!({"by": asked, "gains": element.cut.gains}));
    let keyed = element.cut.keyed.as_ref();
    let piece = keyed.map(|keyed| rect(keyed.own.rect()));
    let kept = keyed.map(|keyed| keyed.origin == Origin::Kept);
    let plate = (align.is_some() || balance.is_some() || piece.is_some())
        .then(|| opened.plan.plates.get(cut.plate.0))
        .flatten()
        .map(|set| opened.plan.footage.shot(set.shots[0]).shown());
    [
        ("plate", json!(plate)),
        ("align", json!(align)),
        ("balance", json!(balance)),
        ("piece", json!(piece)),
        ("kept", json!(kept)),
    ]
}

fn asked_carry(cut: &Cut) -> Option<&'static str> {
    Some(match cut.laying.carry {
        Carry::Off => return None,
        Carry::Stated(_) => "stated",
        Carry::Estimated(Motion::Shift) => "shift",
        Carry::Estimated(Motion::Similarity) => "similarity",
        Carry::Estimated(Motion::Perspective) => "perspective",
    })
}

fn asked_gains(cut: &Cut) -> Option<&'static str> {
    Some(match cut.laying.gains {
        Gains::Off => return None,
        Gains::Stated(_) => "stated",
        Gains::Estimated(Part::Both) => "both",
        Gains::Estimated(Part::Exposure) => "exposure",
        Gains::Estimated(Part::White) => "white",
    })
}

fn name(opened: &Opened, plate: PlateId) -> Option<&str> {
    opened.plan.plates[plate.0].name.as_deref()
}

/// How far the frame's corners are carried at most, px.
fn moved(element: &PlacedElement, opened: &Opened) -> f64 {
    let shot = opened.plan.cuts[element.step.cut.0].shot;
    let frame = opened.plan.footage.shot(shot).rect();
    [
        (frame.x0, frame.y0),
        (frame.x1, frame.y0),
        (frame.x0, frame.y1),
        (frame.x1, frame.y1),
    ]
    .map(|(x, y)| {
        let (x, y) = (f64::from(x), f64::from(y));
        let (u, v) = element.cut.carry.apply(x, y);
        ((u - x) * (u - x) + (v - y) * (v - y)).sqrt()
    })
    .into_iter()
    .fold(0.0, f64::max)
}
