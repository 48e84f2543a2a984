//! Small tools of the cut-outs that know no plate: blurs, fills, connected parts, distances, surfaces, windows.

pub mod distance;
pub mod gauss;
pub mod labels;
pub mod push_pull;
pub mod surface;
pub mod twice;
pub mod windows;

/// The next whole number below, without a call; for numbers up to 2^22, as every place in a picture is. Adding and
/// taking away 1.5 * 2^23 rounds to the nearest whole number.
pub fn floor(v: f32) -> f32 {
    const WHOLE: f32 = 12_582_912.0;
    let nearest = (v + WHOLE) - WHOLE;
    nearest - if nearest > v { 1.0 } else { 0.0 }
}
