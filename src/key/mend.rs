//! Part of a piece's face rebuilt from what lies around it: a sheet stretched between the edges of the gap.

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

/// Pixels around the gap that are looked at.
const AROUND: u32 = 24;

/// Coverage of an area from which a pixel counts as gone: a trace of the rod is enough.
const GONE: f32 = 1.0 / 512.0;

/// Coverage from which a pixel is piece.
const PIECE: f32 = 0.5;

/// Rounds of smoothing once the gap is filled roughly.
const ROUNDS: usize = 80;

/// Rebuilds `colour` where `area` is not zero, from the piece (`matte`) around it. Where no piece is near, nothing
/// changes.
pub fn mended(
    colour: &mut Light,
    matte: &Matte,
    area: &Matte,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = area.rect().grown(AROUND).intersected(&colour.rect());
    if rect.is_empty() {
        return Ok(());
    }
    let at = |matte: &Matte, x, y| {
        if matte.rect().contains(x, y) {
            matte.at(x, y)
        } else {
            0.0
        }
    };
    // Weight 1 where the piece is seen, 0 in the gap and beside the piece.
    let mut known = Raster::filled(rect, [0.0f32; 4], account)?;
    let mut gap = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if at(area, x, y) > GONE {
                gap.put(x, y, 1);
            } else if at(matte, x, y) >= PIECE {
                let [r, g, b] = colour.at(x, y);
                known.put(x, y, [r, g, b, 1.0]);
            }
        }
    }
    if !known.data().iter().any(|pixel| pixel[3] > 0.0) {
        return Ok(());
    }
    let mut sheet = spread(&known, account)?;
    smooth(&mut sheet, &known, &gap);
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if gap.at(x, y) > 0 {
                colour.put(x, y, sheet.at(x, y));
            }
        }
    }
    Ok(())
}

/// Every pixel from the known ones about it: halved until nothing is empty, then doubled again.
fn spread(known: &Raster<[f32; 4]>, account: &Account) -> Result<Light, OverBudget> {
    let rect = known.rect();
    let mut filled = Light::filled(rect, [0.0; 3], account)?;
    if rect.width() <= 1 && rect.height() <= 1 {
        for (out, [r, g, b, weight]) in filled.data_mut().iter_mut().zip(known.data()) {
            *out = if *weight > 0.0 {
                [r / weight, g / weight, b / weight]
            } else {
                [0.0; 3]
            };
        }
        return Ok(filled);
    }
    let half = Rect::of_size(rect.width().div_ceil(2), rect.height().div_ceil(2));
    let mut small = Raster::filled(half, [0.0f32; 4], account)?;
    for y in rect.y0..rect.y1 {
        for (x, pixel) in (rect.x0..).zip(known.row(y)) {
            let (i, j) = ((x - rect.x0) / 2, (y - rect.y0) / 2);
            let sum: [f32; 4] = small.at(i, j);
            small.put(i, j, std::array::from_fn(|k| sum[k] + pixel[k]));
        }
    }
    // A half-size pixel counts as one, however many it stands for.
    for pixel in small.data_mut() {
        if pixel[3] > 1.0 {
            *pixel = pixel.map(|v| v / pixel[3]);
        }
    }
    let coarse = spread(&small, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let [r, g, b, weight] = known.at(x, y);
            let below = coarse.at((x - rect.x0) / 2, (y - rect.y0) / 2);
            let rest = 1.0 - weight;
            filled.put(
                x,
                y,
                [
                    r + rest * below[0],
                    g + rest * below[1],
                    b + rest * below[2],
                ],
            );
        }
    }
    Ok(filled)
}

/// Lets the gap settle: each of its pixels becomes the mean of its neighbours in the gap and on the piece.
fn smooth(sheet: &mut Light, known: &Raster<[f32; 4]>, gap: &Raster<u8>) {
    let rect = sheet.rect();
    for round in 0..ROUNDS {
        for step in 0..rect.height() as i32 {
            // To and fro, so that nothing is pushed one way.
            let y = if round % 2 == 0 {
                rect.y0 + step
            } else {
                rect.y1 - 1 - step
            };
            for x in rect.x0..rect.x1 {
                if gap.at(x, y) == 0 {
                    continue;
                }
                let (mut sum, mut count) = ([0.0f32; 3], 0.0f32);
                for (x, y) in [(x, y - 1), (x - 1, y), (x + 1, y), (x, y + 1)] {
                    let counts =
                        rect.contains(x, y) && (gap.at(x, y) > 0 || known.at(x, y)[3] > 0.0);
                    if counts {
                        let near = sheet.at(x, y);
                        sum = std::array::from_fn(|k| sum[k] + near[k]);
                        count += 1.0;
                    }
                }
                if count > 0.0 {
                    sheet.put(x, y, sum.map(|v| v / count));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A slope has no bend: a sheet stretched over a gap in it is the slope (Laplace's equation).
    #[test]
    fn a_slope_goes_on_under_the_gap() {
        let account = Account::unlimited();
        let rect = Rect::of_size(70, 50);
        let slope = |x: i32, y: i32| 0.2 + 0.004 * x as f32 - 0.002 * y as f32;
        let mut colour = Light::filled(rect, [0.0; 3], &account).unwrap();
        let mut area = Matte::filled(Rect::new(30, 0, 8, 50), 0.0, &account).unwrap();
        for y in 0..50 {
            for x in 0..70 {
                let rod = (30..38).contains(&x);
                colour.put(x, y, [if rod { 0.9 } else { slope(x, y) }; 3]);
                if rod {
                    area.put(x, y, 1.0);
                }
            }
        }
        let matte = Matte::filled(rect, 1.0, &account).unwrap();
        mended(&mut colour, &matte, &area, &account).unwrap();
        for y in 5..45 {
            for x in 28..40 {
                let (got, wanted) = (colour.at(x, y)[0], slope(x, y));
                assert!((got - wanted).abs() < 2e-3, "{x} {y}: {got} {wanted}");
            }
        }
    }

    #[test]
    fn without_a_piece_nothing_changes() {
        let account = Account::unlimited();
        let mut colour = Light::filled(Rect::of_size(9, 9), [0.5; 3], &account).unwrap();
        let none = Matte::filled(Rect::EMPTY, 0.0, &account).unwrap();
        let area = Matte::filled(Rect::new(2, 2, 3, 3), 1.0, &account).unwrap();
        mended(&mut colour, &none, &area, &account).unwrap();
        assert!(colour.data().iter().all(|c| *c == [0.5; 3]));
        let nowhere = Matte::filled(Rect::EMPTY, 0.0, &account).unwrap();
        mended(&mut colour, &area, &nowhere, &account).unwrap();
    }
}
