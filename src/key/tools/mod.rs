//! Small tools of the cut-outs that know no plate: blurs, fills, connected parts, distances, surfaces, windows.

#[cfg(test)]
pub mod dice;
pub mod distance;
pub mod gauss;
pub mod labels;
pub mod linear;
pub mod push_pull;
pub mod surface;
pub mod twice;
pub mod windows;

/// The least and the most of some values but for one in `few` at each end; 1 where there are none.
pub fn ends(mut values: Vec<f32>, few: usize) -> (f32, f32) {
    let Some(last) = values.len().checked_sub(1) else {
        return (1.0, 1.0);
    };
    let mut nth = |n: usize| *values.select_nth_unstable_by(n, f32::total_cmp).1;
    (nth(last / few), nth(last - last / few))
}

/// The next whole number below, without a call; for numbers up to 2^22, as every place in a picture is. Adding and
/// taking away 1.5 * 2^23 rounds to the nearest whole number.
pub fn floor(v: f32) -> f32 {
    const WHOLE: f32 = 12_582_912.0;
    let nearest = (v + WHOLE) - WHOLE;
    nearest - if nearest > v { 1.0 } else { 0.0 }
}
