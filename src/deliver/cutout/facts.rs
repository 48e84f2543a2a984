//! `cutout.json`: what was estimated and found, with places. Keys are stable.
//!
//! * `frame`, `plate` [files], `size` of every file {`width`, `height`}
//! * `plate-files` [{`file`, `align`, `balance`}]: how each file of the plate but the first lies on the first, as below
//! * `align`: `map` (frame to plate, row by row), and where it was estimated `shift` (plate minus frame, px),
//!   `deviation` (px), `corner` (how far the map moves a corner at most, px), `turned` (where a shift was asked for and
//!   leaves corners off: how far, px), `correlation`, `trust` (`sure`, `no-match`,
//!   `beyond-search`, `featureless`)
//! * `balance`: `gains`, and where they were estimated `exposure` (stops, positive: the frame is brighter), `used` (share
//!   of the frame), `deviation` (relative), `uneven` {`place`, `amount`} where light changed in one place
//!   only
//! * `noise`: `p`, `q`, `r` of variance = p B + q + r |grad B|^2, B the plate's light
//! * `response` [{`light`, `slope`}], where a colour recipe bent how the pictures answer the set's light and it could be
//!   told: stops of the picture per stop of the set at a tone of the picture
//! * `piece`: `box` (plate px), `area` (coverage summed, frame px), `parts` (how many)
//! * `holes`, `rods` [{`box` (plate px), `area` (frame px)}], the largest first, at most 100
//! * `notices` [{`id` as the finding's, `place` (frame px), `file`, of light `stops` (below 0: darker)}]

use super::carry::Carried;
use super::parts::{Part, Sort, parts};
use super::{Fault, Piece, notice};
use crate::budget::Account;
use crate::color::Response;
use crate::deliver::Pending;
use crate::frame::write::WriteFault;
use crate::geom::{self, Rect};
use crate::key::{Noise, Notice};
use crate::raster::Matte;
use crate::register::{Alignment, Balance, Trust};
use crate::settle::Laid;
use serde_json::{Map, Value, json};
use std::io::Write;

/// What is known of a piece beside its pixels.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    pub plates: &'a [String],
    /// How each file of the plate but the first lies on the first.
    pub fellows: &'a [Laid],
    /// `None` where it was stated or not asked for.
    pub alignment: Option<&'a Alignment>,
    pub balance: Option<&'a Balance>,
    pub noise: Option<Noise>,
    pub response: Option<&'a Response>,
    /// Coverage of what holds the piece.
    pub rig: Option<&'a Matte>,
    pub notices: &'a [Notice],
}

/// Parts told at most.
const MOST: usize = 100;
/// A hole or rod has at least so many pixels.
const LEAST: u64 = 16;

pub(super) fn written(
    mut pending: Pending,
    piece: &Piece,
    carried: &Carried,
    account: &Account,
) -> Result<Pending, Fault> {
    let text = format!("{:#}\n", object(piece, carried, account)?);
    pending
        .write_all(text.as_bytes())
        .map_err(WriteFault::from)?;
    Ok(pending)
}

fn object(piece: &Piece, carried: &Carried, account: &Account) -> Result<Value, Fault> {
    let facts = piece.facts;
    let grid = piece.grid();
    let mut object = Map::new();
    object.insert("frame".into(), json!(piece.frame.shown()));
    object.insert("plate".into(), json!(facts.plates));
    if !facts.fellows.is_empty() {
        let files = facts.plates.iter().skip(1).zip(facts.fellows);
        let laid = files.map(|(file, laid)| {
            let mut object =
                json!({ "file": file, "align": align(&laid.carry, laid.alignment.as_ref()) });
            object["balance"] = balance(laid.gains, laid.balance.as_ref());
            object
        });
        object.insert("plate-files".into(), laid.collect());
    }
    let size = json!({ "width": grid.width(), "height": grid.height() });
    object.insert("size".into(), size);
    object.insert("align".into(), align(&piece.carry, facts.alignment));
    object.insert("balance".into(), balance(piece.gains, facts.balance));
    if let Some(noise) = facts.noise {
        let noise = json!({ "p": noise.p, "q": noise.q, "r": noise.r });
        object.insert("noise".into(), noise);
    }
    if let Some(response) = facts.response {
        let slopes = Response::stops().into_iter().zip(response.slopes());
        let slopes =
            slopes.map(|(tone, slope)| json!({ "light": libm::exp2(tone), "slope": slope }));
        object.insert("response".into(), slopes.collect());
    }
    // The sum of nothing is -0.
    let area = 0.0
        + piece
            .matte
            .data()
            .iter()
            .map(|c| f64::from(*c))
            .sum::<f64>();
    let covered = parts(piece.matte, Sort::Covered, 1, account)?;
    let body = json!({
        "box": rect(landed(piece, carried.covered)),
        "area": area,
        "parts": covered.len(),
    });
    object.insert("piece".into(), body);
    let listed = |parts: Vec<Part>| -> Value {
        let few = parts.into_iter().take(MOST);
        few.map(|p| json!({ "box": rect(landed(piece, p.rect)), "area": p.area }))
            .collect()
    };
    let holes = parts(piece.matte, Sort::Hole, LEAST, account)?;
    object.insert("holes".into(), listed(holes));
    let rods = match facts.rig {
        Some(rig) => parts(rig, Sort::Covered, LEAST, account)?,
        None => Vec::new(),
    };
    object.insert("rods".into(), listed(rods));
    object.insert("notices".into(), notices(facts));
    Ok(Value::Object(object))
}

fn align(carry: &geom::Map, found: Option<&Alignment>) -> Value {
    let mut align = json!({ "map": carry.0 });
    if let Some(found) = found {
        align["shift"] = json!(found.shift);
        align["deviation"] = json!(found.deviation);
        align["within"] = json!(found.within);
        align["corner"] = json!(found.corner);
        if found.turned > 0.0 {
            align["turned"] = json!(found.turned);
        }
        align["correlation"] = json!(found.correlation);
        align["trust"] = json!(match found.trust {
            Trust::Sure => "sure",
            Trust::Rough => "rough",
            Trust::NoMatch => "no-match",
            Trust::BeyondSearch => "beyond-search",
            Trust::Featureless => "featureless",
        });
    }
    align
}

fn balance(gains: [f64; 3], found: Option<&Balance>) -> Value {
    let mut balance = json!({ "gains": gains });
    if let Some(found) = found {
        balance["exposure"] = json!(found.exposure);
        balance["used"] = json!(found.used);
        balance["deviation"] = json!(found.deviation);
        if let Some(uneven) = found.uneven {
            balance["uneven"] = json!({ "place": rect(uneven.place), "amount": uneven.amount });
        }
    }
    balance
}

fn notices(facts: &Facts) -> Value {
    let mut number = 0;
    notice::told(facts)
        .into_iter()
        .map(|(id, place, stops)| {
            let mut object = json!({ "id": id });
            if let Some(stops) = stops {
                object["stops"] = json!(stops);
            }
            if let Some(place) = place {
                number += 1;
                object["place"] = rect(place);
                object["file"] = json!(notice::name(number));
            }
            object
        })
        .collect()
}

/// A box of frame pixels on the plate.
fn landed(piece: &Piece, frame: Rect) -> Rect {
    if frame.is_empty() {
        return Rect::EMPTY;
    }
    let (x0, y0, x1, y1) = piece.carry.bounds(&frame);
    // Rounding dust of a still camera must not widen a box.
    let dust = 1.0 / 1024.0;
    Rect::around(x0 + dust, y0 + dust, x1 - dust, y1 - dust).intersected(&piece.grid())
}

fn rect(r: Rect) -> Value {
    json!({ "x": r.x0, "y": r.y0, "width": r.width(), "height": r.height() })
}
