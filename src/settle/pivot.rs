//! Where a piece turns when nobody says: the centre of the box it fills (rule 9 of the language).

use super::coverage::ROWS;
use super::sight::decoded;
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::Shot;
use crate::raster::Matte;

pub(super) fn centre(rect: Rect) -> [f64; 2] {
    [
        f64::from(rect.x0) + f64::from(rect.width()) / 2.0,
        f64::from(rect.y0) + f64::from(rect.height()) / 2.0,
    ]
}

/// Centre of the integer box of coverage >= 0.5 (rounded to 1/256), the frame's own alpha included; the frame's
/// centre where nothing is covered that much.
pub(super) fn computed(
    shot: &Shot,
    area: Rect,
    coverage: Option<&Matte>,
    account: &Account,
) -> Result<[f64; 2], Finding> {
    let mut filled = Rect::EMPTY;
    if !shot.has_alpha() {
        let Some(matte) = coverage else {
            return Ok(centre(area));
        };
        for y in area.y0..area.y1 {
            widen(&mut filled, area, y, matte.row(y).iter().copied());
        }
    } else {
        for band in area.bands(ROWS) {
            let picture = decoded(shot, band, account)?;
            for y in band.y0..band.y1 {
                let alpha = picture.row(y).iter().map(|p| p.alpha());
                match coverage {
                    Some(matte) => {
                        let both = alpha.zip(matte.row(y)).map(|(a, c)| a * c);
                        widen(&mut filled, area, y, both);
                    }
                    None => widen(&mut filled, area, y, alpha),
                }
            }
        }
    }
    Ok(centre(if filled.is_empty() {
        shot.rect()
    } else {
        filled
    }))
}

/// Takes the half-covered pixels of row `y` into the box.
fn widen(filled: &mut Rect, area: Rect, y: i32, row: impl Iterator<Item = f32>) {
    let mut ends: Option<(i32, i32)> = None;
    for (x, coverage) in (area.x0..).zip(row) {
        // To the nearest 1/256, so that a last bit never moves a pivot.
        if (f64::from(coverage) * 256.0 + 0.5).floor() >= 128.0 {
            ends = Some((ends.map_or(x, |(first, _)| first), x + 1));
        }
    }
    if let Some((x0, x1)) = ends {
        *filled = filled.united(&Rect {
            x0,
            y0: y,
            x1,
            y1: y + 1,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_box_takes_half_covered_pixels() {
        let mut filled = Rect::EMPTY;
        let area = Rect::new(10, 20, 4, 1);
        widen(&mut filled, area, 20, [0.49, 0.499, 1.0, 0.2].into_iter());
        assert_eq!(filled, Rect::new(11, 20, 2, 1));
        assert_eq!(centre(filled), [12.0, 20.5]);
    }
}
