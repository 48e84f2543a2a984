//! Two known backdrops, one piece: coverage and colour without guessing (triangulation matting, "Blue screen
//! matting", SIGGRAPH 1996).
//!
//! a = 1 - ((C1 - C2) . (B1 - B2)) / |B1 - B2|^2. The colour is the least-squares one over both frames.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Matte};

/// |B1 - B2|^2 below which the backdrops are too alike to tell (differences of 1 % of full light in a channel).
const ALIKE: f64 = 1e-4;
/// Coverage below which there is no colour to speak of.
const FAINT: f64 = 1e-3;

/// Coverage and straight colour of a piece seen before two backdrops; on the rectangle all four pictures share.
/// Where the backdrops are too alike coverage tends to 1, as for a piece that hides both.
pub fn triangulated(
    first: &Light,
    first_plate: &Light,
    second: &Light,
    second_plate: &Light,
    account: &Account,
) -> Result<(Matte, Light), OverBudget> {
    let rect = first
        .rect()
        .intersected(&first_plate.rect())
        .intersected(&second.rect())
        .intersected(&second_plate.rect());
    let mut matte = Matte::filled(rect, 0.0, account)?;
    let mut colour = Light::filled(rect, [0.0; 3], account)?;
    let width = matte.width();
    if width == 0 {
        return Ok((matte, colour));
    }
    matte
        .data_mut()
        .par_chunks_mut(width)
        .zip(colour.data_mut().par_chunks_mut(width))
        .enumerate()
        .for_each(|(row, (matte, colour))| {
            let y = rect.y0 + row as i32;
            let [c1, b1, c2, b2] = [first, first_plate, second, second_plate]
                .map(|light| light.span(y, rect.x0, rect.x1));
            for (x, (a, f)) in matte.iter_mut().zip(colour).enumerate() {
                (*a, *f) = pixel(c1[x], b1[x], c2[x], b2[x]);
            }
        });
    Ok((matte, colour))
}

fn pixel(c1: [f32; 3], b1: [f32; 3], c2: [f32; 3], b2: [f32; 3]) -> (f32, [f32; 3]) {
    let (mut shown, mut apart) = (0.0f64, 0.0f64);
    for k in 0..3 {
        let b = f64::from(b1[k]) - f64::from(b2[k]);
        shown += (f64::from(c1[k]) - f64::from(c2[k])) * b;
        apart += b * b;
    }
    // The share of the backdrops' difference still seen; a faint difference says little and is held back.
    let held = if apart < ALIKE { apart / ALIKE } else { 1.0 };
    let open = if apart > 0.0 {
        held * shown / apart
    } else {
        0.0
    };
    let a = (1.0 - open).clamp(0.0, 1.0);
    if !a.is_finite() {
        return (0.0, [0.0; 3]);
    }
    if a < FAINT {
        return (a as f32, [0.0; 3]);
    }
    let f = std::array::from_fn(|k| {
        let sum =
            f64::from(c1[k]) + f64::from(c2[k]) - (1.0 - a) * (f64::from(b1[k]) + f64::from(b2[k]));
        (sum / (2.0 * a)).max(0.0) as f32
    });
    (a as f32, f)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    fn one(light: [f32; 3]) -> Light {
        Light::filled(Rect::new(3, -2, 2, 1), light, &Account::unlimited()).unwrap()
    }

    #[test]
    fn the_worked_example_comes_back() {
        // Coverage .37 of (.6, .2, .1) over .05 grey and over (.9, .85, .8), worked by hand from C = a F + (1 - a) B.
        let (a, f) = triangulated(
            &one([0.2535, 0.1055, 0.0685]),
            &one([0.05; 3]),
            &one([0.789, 0.6095, 0.541]),
            &one([0.9, 0.85, 0.8]),
            &Account::unlimited(),
        )
        .unwrap();
        assert!((a.at(4, -2) - 0.37).abs() < 1e-6, "{}", a.at(4, -2));
        for (got, want) in f.at(3, -2).into_iter().zip([0.6, 0.2, 0.1]) {
            assert!((got - want).abs() < 1e-6, "{got} {want}");
        }
    }

    #[test]
    fn nothing_there_and_backdrops_alike() {
        let account = Account::unlimited();
        let (dark, pale) = (one([0.05; 3]), one([0.8; 3]));
        let (a, _) = triangulated(&dark, &dark, &pale, &pale, &account).unwrap();
        assert_eq!(a.at(3, -2), 0.0);
        let (a, f) = triangulated(&pale, &dark, &pale, &dark, &account).unwrap();
        assert_eq!(a.at(3, -2), 1.0);
        assert_eq!(f.at(3, -2), [0.8; 3]);
        let nan = one([f32::NAN; 3]);
        let (a, _) = triangulated(&nan, &dark, &pale, &pale, &account).unwrap();
        assert_eq!(a.at(3, -2), 0.0);
    }
}
