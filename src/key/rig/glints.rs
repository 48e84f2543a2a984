//! What a rod's look leaves over where it hangs beside the piece: no two places along a rod shine alike, and faint
//! coverage there, far from all that is more, is none of the piece.

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Matte;

/// Coverage below which it is faint, and pixels around that must show no more.
const FAINT: f32 = 0.2;
const AWAY: u32 = 2;
/// Coverage of the rod from which a pixel is its own.
const RODS: f32 = 0.3;

/// Takes such out of `matte`, where `rods` cover.
pub(super) fn taken_out(
    matte: &mut Matte,
    rods: &Matte,
    account: &Account,
) -> Result<(), OverBudget> {
    let both = matte.rect().intersected(&rods.rect());
    let around = both.grown(AWAY).intersected(&matte.rect());
    let seen = matte.cropped(around, account)?;
    for y in both.y0..both.y1 {
        for x in both.x0..both.x1 {
            let value = seen.at(x, y);
            if value == 0.0 || value >= FAINT || rods.at(x, y) < RODS {
                continue;
            }
            let near = Rect::new(x, y, 1, 1).grown(AWAY).intersected(&around);
            let joined = (near.y0..near.y1)
                .any(|y| seen.span(y, near.x0, near.x1).iter().any(|v| *v >= FAINT));
            if !joined {
                matte.put(x, y, 0.0);
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_faint_and_alone_on_a_rod_goes() {
        let account = Account::unlimited();
        let rect = Rect::of_size(20, 12);
        let mut matte = Matte::filled(rect, 0.0, &account).unwrap();
        let mut rods = Matte::filled(rect, 0.0, &account).unwrap();
        for y in 0..12 {
            for x in 0..20 {
                rods.put(x, y, if x < 12 { 1.0 } else { 0.2 });
            }
        }
        // A glint, a soft edge of the piece, the same glint beside the rod.
        matte.put(3, 3, 0.15);
        matte.put(8, 8, 0.15);
        matte.put(9, 9, 0.9);
        matte.put(16, 3, 0.15);
        taken_out(&mut matte, &rods, &account).unwrap();
        let left = [(3, 3), (8, 8), (9, 9), (16, 3)].map(|(x, y)| matte.at(x, y));
        assert_eq!(left, [0.0, 0.15, 0.9, 0.15]);
        taken_out(
            &mut matte,
            &Matte::filled(Rect::EMPTY, 0.0, &account).unwrap(),
            &account,
        )
        .unwrap();
    }
}
