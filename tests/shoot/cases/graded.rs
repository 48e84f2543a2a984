//! A colour recipe that was copied to the whole set: one curve of more contrast, with a toe and a shoulder, on the codes of
//! every channel. Shadows no longer multiply then, and edges no longer mix, until it is taken back.

use super::converted::decoded;
use super::made::Case;
use crate::sensor;
use rayon::prelude::*;

/// How much the curve leaves a straight line: its slope in the middle is 1 and so much, at both ends 1 less as much.
const CONTRAST: f32 = 0.35;

fn code(code: u16) -> u16 {
    let turn = std::f32::consts::TAU;
    let v = f32::from(code) / 65_535.0;
    let bent = v - CONTRAST * libm::sinf(turn * v) / turn;
    (bent * 65_535.0 + 0.5) as u16
}

/// Light of the picture that shows this light.
fn light(v: f32) -> f32 {
    decoded(code(sensor::code(v)))
}

/// Frame, plate and their truth through the recipe.
pub fn graded(case: &mut Case) {
    for picture in [&mut case.frame, &mut case.plate] {
        let pixels = picture.par_iter_mut();
        pixels.for_each(|pixel| *pixel = pixel.map(code));
    }
    let truth = &mut case.truth;
    for ratios in [&mut truth.ratio, &mut truth.ratio_all] {
        for (ratio, set) in ratios.iter_mut().zip(&truth.plate) {
            for k in 0..3 {
                let shown = light(set[k]).max(1e-6);
                ratio[k] = light(ratio[k] * set[k]) / shown;
            }
        }
    }
    for (pixel, &cover) in truth.light.iter_mut().zip(&truth.matte) {
        if cover > 0.0 {
            *pixel = pixel.map(|v| cover * light(v / cover));
        }
    }
    for picture in [&mut truth.plate, &mut case.clean] {
        for pixel in picture {
            *pixel = pixel.map(light);
        }
    }
}
