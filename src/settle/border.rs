//! Light that changed along much of the frame's border, where an element keeps its shadow: a piece throws its shadow into
//! a corner at most, while a flag or a lamp that moved changes the set as far as it is seen.

use super::Keyed;
use crate::diag::{Finding, Space};
use crate::geom::Rect;
use crate::key::LightField;
use crate::plan::Shot;
use crate::raster::Matte;

/// A change of light counts from this much: what eyes see side by side, and more than a day's drift.
const CHANGED: f32 = 0.03;

/// Share of the frame's outline along which it must have changed. Shadows that fall out of the picture came to a quarter.
const SHARE: f64 = 0.3;

/// A `look` where the shadow of a piece, within its own areas, runs along the frame's border.
pub(super) fn told(keyed: &Keyed, within: Option<&Matte>, frame: &Shot) -> Option<Finding> {
    let (place, strongest) = along(&keyed.shadow, within, frame.rect())?;
    let shown = frame.shown();
    let words = format!(
        "the shadow kept from {shown} runs along much of the frame's border, where light changed by up to {:.0} %: did a flag or a lamp move?",
        100.0 * strongest
    );
    Some(
        Finding::look("shadow-border", words)
            .frame(shown)
            .place(Space::Frame, place)
            .measured(f64::from(strongest), f64::from(CHANGED))
            .remedy("keep the piece's own shadow alone: shadow { within { ellipse cx cy rx ry } }; if it is all the piece's, all is well"),
    )
}

/// Where light changed along the border, frame pixels, and by how much; `None` where it is little of it.
fn along(shadow: &LightField, within: Option<&Matte>, frame: Rect) -> Option<(Rect, f32)> {
    let cells = &shadow.cells;
    let last = [frame.width(), frame.height()].map(|v| (v as i32 - 1).div_euclid(2));
    let counts = |x: i32, y: i32| {
        let limit = within.is_none_or(|matte| {
            let inside = matte.rect().contains(2 * x, 2 * y);
            inside && matte.at(2 * x, 2 * y) > 0.5
        });
        limit && cells.rect().contains(x, y)
    };
    let outline = (0..=last[0])
        .flat_map(|x| [(x, 0), (x, last[1])])
        .chain((0..=last[1]).flat_map(|y| [(0, y), (last[0], y)]));
    let (mut place, mut strongest, mut count) = (Rect::EMPTY, 0.0f32, 0u32);
    for (x, y) in outline.filter(|&(x, y)| counts(x, y)) {
        let cell = cells.at(x, y);
        let change = cell
            .iter()
            .fold(0.0f32, |most, s| most.max((s - 1.0).abs()));
        if change > CHANGED {
            place = place.united(&Rect::new(2 * x, 2 * y, 2, 2));
            strongest = strongest.max(change);
            count += 1;
        }
    }
    let all = 2.0 * f64::from(last[0] + last[1] + 2);
    let much = count > 0 && f64::from(count) >= SHARE * all;
    much.then(|| (place.intersected(&frame), strongest))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::budget::Account;
    use crate::raster::Raster;

    #[test]
    fn half_a_set_in_other_light_is_told_and_a_corner_is_not() {
        let account = Account::unlimited();
        let frame = Rect::of_size(61, 40);
        let shadow = |dark: Rect| {
            let mut cells = Raster::filled(Rect::of_size(31, 20), [1.0f32; 3], &account).unwrap();
            for y in dark.y0..dark.y1 {
                for x in dark.x0..dark.x1 {
                    cells.put(x, y, [0.75, 0.75, 0.8]);
                }
            }
            LightField { cells }
        };
        let half = shadow(Rect::new(16, 0, 15, 20));
        let found = along(&half, None, frame);
        assert_eq!(found, Some((Rect::new(32, 0, 29, 40), 0.25)));
        assert_eq!(along(&shadow(Rect::new(20, 12, 11, 8)), None, frame), None);
        // What the shadow's own areas leave out is not laid down.
        let inside = Matte::filled(Rect::new(4, 4, 50, 30), 1.0, &account).unwrap();
        assert_eq!(along(&half, Some(&inside), frame), None);
        let nothing = shadow(Rect::EMPTY);
        assert_eq!(along(&nothing, None, Rect::EMPTY), None);
    }
}
