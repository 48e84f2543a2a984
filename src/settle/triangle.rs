//! One piece before two plates: matte and colour by triangulation.

use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Matte};

/// a = 1 - ((C1 - C2) . (B1 - B2)) / |B1 - B2|^2 (Smith and Blinn, "Blue Screen Matting", 1996, theorem 4). All four
/// lie on one rectangle. Where the two plates are alike nothing can be said, and the piece is taken to be solid.
pub(super) fn triangulated(
    first: &Light,
    first_plate: &Light,
    second: &Light,
    second_plate: &Light,
    account: &Account,
) -> Result<(Matte, Light), OverBudget> {
    let rect = first.rect();
    let mut matte = Matte::filled(rect, 0.0, account)?;
    let mut colour = Light::filled(rect, [0.0; 3], account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let (c, b) = (first.at(x, y), first_plate.at(x, y));
            let (c2, b2) = (second.at(x, y), second_plate.at(x, y));
            let (mut seen, mut apart) = (0.0f32, 0.0f32);
            for k in 0..3 {
                seen += (c[k] - c2[k]) * (b[k] - b2[k]);
                apart += (b[k] - b2[k]) * (b[k] - b2[k]);
            }
            let a = if apart > 0.0 {
                (1.0 - seen / apart).clamp(0.0, 1.0)
            } else {
                1.0
            };
            matte.put(x, y, a);
            let own = std::array::from_fn(|k| {
                if a > 0.0 {
                    (c[k] - (1.0 - a) * b[k]) / a
                } else {
                    c[k]
                }
            });
            colour.put(x, y, own);
        }
    }
    Ok((matte, colour))
}
