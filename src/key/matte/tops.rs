//! Strands wide enough to be seen whole: their colour is level across a pixel or more and ends at once. There it is
//! their own, at full coverage, whatever that of brighter strands is; thinner ones and soft ones have no such top.

use rayon::prelude::*;

use super::super::tools::linear::dot;
use super::super::tools::windows::PIECE;
use super::band::Band;
use super::measure::Sensed;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Squared deviations of noise, over three channels, by which a top is no plate.
const CLEAR: f32 = 1000.0;
/// Share of what it differs from the plate by that it may change over a pixel to each side, and what noise adds to
/// that, in variances of three channels.
const LEVEL: f32 = 0.06;
const NOISE: f32 = 6.0;
/// How much of that is left, at most, so many pixels to the one side or the other, straight and aslant.
const ENDS: f32 = 0.35;
const WITHIN: [((i32, i32), [i32; 2]); 4] = [
    ((1, 0), [3, 4]),
    ((0, 1), [3, 4]),
    ((1, 1), [2, 3]),
    ((1, -1), [2, 3]),
];

/// 1 at the tops of the band's strands.
pub fn found(sensed: &Sensed, band: &Band, account: &Account) -> Result<Raster<u8>, OverBudget> {
    let mut tops = Raster::filled(sensed.frame.rect(), 0u8, account)?;
    let _held = account.charge(band.list.len() as u64, "tops of strands")?;
    let is_top: Vec<bool> = (band.list.par_iter().with_min_len(PIECE).enumerate())
        .map(|(n, &pixel)| band.in_strands(n) && is_top(sensed, pixel as usize))
        .collect();
    for (&pixel, is_top) in band.list.iter().zip(is_top) {
        tops.data_mut()[pixel as usize] = u8::from(is_top);
    }
    Ok(tops)
}

fn is_top(sensed: &Sensed, i: usize) -> bool {
    if sensed.rods.data()[i] != 0 || sensed.energy(i, 1.0) < CLEAR {
        return false;
    }
    let width = sensed.frame.width() as i32;
    let height = sensed.frame.data().len() as i32 / width;
    let (x, y) = (i as i32 % width, i as i32 / width);
    let at = |(dx, dy): (i32, i32), n: i32| {
        let (x, y) = (x + n * dx, y + n * dy);
        let held = x >= 0 && y >= 0 && x < width && y < height;
        held.then(|| (y * width + x) as usize)
    };
    let own = sensed.difference(i);
    let whole = dot(own, own);
    let variance = sensed.variance(i, 1.0);
    let noise = NOISE / 3.0 * variance.iter().sum::<f32>();
    let level = |j: usize| {
        let other = sensed.difference(j);
        let off: [f32; 3] = std::array::from_fn(|k| other[k] - own[k]);
        dot(off, off) < LEVEL * LEVEL * whole + 2.0 * noise
    };
    let ends = |j: usize| dot(sensed.difference(j), own) < ENDS * whole;
    // Straight and aslant, two ways each: along a strand and across it.
    WITHIN.chunks(2).any(|ways| {
        let ends = |&(way, far): &((i32, i32), [i32; 2])| {
            let mut sides = far.into_iter().flat_map(|n| [n, -n]);
            sides.any(|n| at(way, n).is_some_and(&ends))
        };
        let beside = ways.iter().flat_map(|&(way, _)| [at(way, 1), at(way, -1)]);
        beside.into_iter().all(|j| j.is_some_and(&level)) && ways.iter().any(ends)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;
    use crate::key::Noise;
    use crate::raster::Light;

    /// Whether a strand along x = y / 4 that covers so much of pixels so far beside it has a top at its middle.
    fn has_top(coverage: impl Fn(f32) -> f32) -> bool {
        let account = Account::unlimited();
        let rect = Rect::of_size(40, 40);
        let backdrop = Light::filled(rect, [0.3, 0.25, 0.2], &account).unwrap();
        let mut frame = backdrop.cropped(rect, &account).unwrap();
        for y in 0..40 {
            for x in 0..40 {
                let beside = (x as f32 - 20.0 - 0.25 * (y as f32 - 20.0)) / 1.0625f32.sqrt();
                let a = coverage(beside);
                frame.put(x, y, [0.3, 0.25, 0.2].map(|b| a * 0.6 + (1.0 - a) * b));
            }
        }
        let noise = Noise {
            p: [1e-6; 3],
            q: [1e-8; 3],
            r: [0.0; 3],
        };
        let sensed = Sensed::new(&frame, &backdrop, &noise, 1, &account).unwrap();
        is_top(&sensed, 20 * 40 + 20)
    }

    #[test]
    fn a_strand_of_some_pixels_has_a_top() {
        for width in [4.0, 5.0, 6.0] {
            assert!(
                has_top(|u| (0.5 * width + 0.5 - u.abs()).clamp(0.0, 1.0)),
                "{width}"
            );
        }
    }

    #[test]
    fn a_thin_strand_and_a_soft_one_have_none() {
        for width in [0.5, 1.0, 1.5, 2.0] {
            assert!(
                !has_top(|u| (0.5 * width + 0.5 - u.abs()).clamp(0.0, 1.0)),
                "{width}"
            );
        }
        for deviation in [1.0f32, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0] {
            let soft = |u: f32| libm::expf(-0.5 * (u / deviation) * (u / deviation));
            assert!(!has_top(soft), "{deviation}");
        }
    }
}
