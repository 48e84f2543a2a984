//! `NOTICE-1.png` and so on: the place of a notice in the frame at 400 %, with the piece's outline.

use super::carry::light;
use super::sink::Sheet;
use super::{Facts, Fault, Piece, contour};
use crate::budget::Account;
use crate::deliver::Pending;
use crate::frame::write::Words;
use crate::geom::Rect;
use crate::key::Notice;

/// Every pixel is drawn as a square of so many.
const ZOOM: u32 = 4;
/// Around the place, frame pixels.
const MARGIN: u32 = 16;
/// At most so many frame pixels a side, about the middle of the place.
const MOST: u32 = 400;

pub(super) fn name(number: usize) -> String {
    format!("NOTICE-{number}.png")
}

/// The number in a name that [`name`] gave.
pub(super) fn number(name: &str) -> usize {
    name.chars()
        .filter(char::is_ascii_digit)
        .fold(0, |number, c| 10 * number + c as usize - '0' as usize)
}

/// What wants looking at: its identifier and, where it has them, its place in frame pixels and a change of light in stops.
pub(super) fn told(facts: &Facts) -> Vec<(&'static str, Option<Rect>, Option<f64>)> {
    let stops = |notice: &Notice| match notice {
        Notice::LightUneven { stops, .. } | Notice::LightOrShadow { stops, .. } => Some(*stops),
        _ => None,
    };
    let named = |notice: &Notice| match notice {
        Notice::Nothing => ("nothing-found", None),
        Notice::RodNotFound { place } => ("rod-not-found", Some(*place)),
        Notice::ThinPart { place } => ("thin-part", Some(*place)),
        Notice::Carried { place } => ("carried-across", Some(*place)),
        Notice::SeeThrough { place } => ("see-through", Some(*place)),
        Notice::LikePlate { place } => ("like-plate", Some(*place)),
        Notice::Elsewhere { place } => ("changed-elsewhere", Some(*place)),
        Notice::LightUneven { place, .. } => ("light-uneven", Some(*place)),
        Notice::LightOrShadow { place, .. } => ("light-or-shadow", Some(*place)),
    };
    let found = facts.notices.iter().map(|notice| {
        let (id, place) = named(notice);
        (id, place, stops(notice))
    });
    // Where the cut-out told of it, that is the same.
    let known = |notice: &Notice| matches!(notice, Notice::LightUneven { .. });
    let uneven = facts.balance.and_then(|balance| balance.uneven);
    let uneven = uneven.filter(|_| !facts.notices.iter().any(known));
    let uneven = uneven.map(|uneven| {
        let stops = libm::log2(1.0 + uneven.amount);
        ("light-uneven", Some(uneven.place), Some(stops))
    });
    found.chain(uneven).collect()
}

/// The places of those that have one, in their order.
pub(super) fn places(facts: &Facts) -> Vec<Rect> {
    let told = told(facts).into_iter();
    told.filter_map(|(_, place, _)| place).collect()
}

pub(super) fn written(
    pending: Pending,
    piece: &Piece,
    number: usize,
    words: &Words,
    account: &Account,
) -> Result<(Pending, (u32, u32)), Fault> {
    let place = places(piece.facts)
        .get(number - 1)
        .copied()
        .unwrap_or(Rect::EMPTY);
    let shown = shown(place, piece.frame.rect());
    let size = (shown.width() * ZOOM, shown.height() * ZOOM);
    let mut sheet = Sheet::new(pending, size, piece.space, words)?;
    let bytes = u64::from(size.0) * u64::from(size.1) * 3;
    let _room = account.charge(bytes, "a notice's picture")?;
    let frame = light(piece.frame, shown, piece.gains, account)
        .map_err(|finding| Fault::Told(Box::new(finding)))?;
    let matte = piece.matte;
    let zoom = ZOOM as i32;
    let inside = |x: i32, y: i32| {
        let (x, y) = (x.div_euclid(zoom), y.div_euclid(zoom));
        matte.rect().contains(x, y) && matte.at(x, y) >= 0.5
    };
    for y in shown.y0 * zoom..shown.y1 * zoom {
        let row: Vec<[u8; 3]> = (shown.x0 * zoom..shown.x1 * zoom)
            .map(|x| match contour::tone(x, y, &inside) {
                Some(tone) => [tone; 3],
                None => {
                    let pixel = frame.at(x.div_euclid(zoom), y.div_euclid(zoom));
                    let [r, g, b, _] = pixel.0;
                    sheet.tone([r, g, b])
                }
            })
            .collect();
        sheet.push(&row)?;
    }
    Ok((sheet.finish()?, size))
}

/// The place with its margin, cut down about its middle, never empty.
fn shown(place: Rect, frame: Rect) -> Rect {
    let wanted = place.grown(MARGIN).intersected(&frame);
    let wanted = if wanted.is_empty() { frame } else { wanted };
    let (w, h) = (wanted.width().min(MOST), wanted.height().min(MOST));
    Rect::new(
        wanted.x0 + ((wanted.width() - w) / 2) as i32,
        wanted.y0 + ((wanted.height() - h) / 2) as i32,
        w,
        h,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_large_place_is_shown_about_its_middle() {
        let frame = Rect::of_size(3000, 2000);
        assert_eq!(
            shown(Rect::new(10, 500, 20, 30), frame),
            Rect::new(0, 484, 46, 62)
        );
        assert_eq!(
            shown(Rect::new(1000, 0, 1000, 2000), frame),
            Rect::new(1300, 800, 400, 400)
        );
        assert_eq!(shown(Rect::EMPTY, Rect::of_size(1, 1)), Rect::of_size(1, 1));
        assert_eq!(number(&name(12)), 12);
    }
}
