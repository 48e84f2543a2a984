//! Light that a piece adds to its set: what `plus-lighter` lays down for a piece that was found.

use super::Keyed;
use super::coverage::ROWS;
use super::desk::Desk;
use super::plate::PlateSight;
use super::sight::{CarriedSight, FrameSight};
use crate::diag::Finding;
use crate::geom::{Map, Rect};
use crate::raster::{Light, Seen};

/// C - S B on `area`: the balanced frame less its plate under the frame's light. Negative where the piece takes light.
pub(super) fn added(
    desk: &Desk,
    keyed: &Keyed,
    frame: &FrameSight,
    carry: Map,
    area: Rect,
) -> Result<Light, Finding> {
    let files = desk.files(keyed.plate);
    let plate = CarriedSight {
        plate: PlateSight {
            files: &files,
            held: None,
            account: desk.account.clone(),
        },
        carry,
        rect: frame.rect(),
        held: None,
    };
    let mut light = Light::filled(area, [0.0; 3], desk.account)?;
    for band in area.bands(ROWS) {
        let (seen, set) = (frame.light(band)?, plate.light(band)?);
        for y in band.y0..band.y1 {
            for (x, out) in (band.x0..).zip(light.row_mut(y)) {
                let (c, b, s) = (seen.at(x, y), set.at(x, y), keyed.light.at(x, y));
                *out = std::array::from_fn(|k| c[k] - s[k] * b[k]);
            }
        }
    }
    Ok(light)
}
