//! A frame as raw converters hand it over: of three channels a pixel has seen one, the others are filled in from around it,
//! colour noise is smoothed and edges are sharpened. Neighbours share noise then, and edges of the set depend on where the
//! filter array lay.
//!
//! Filling in is linear interpolation corrected by gradients (H. S. Malvar, L. He, R. Cutler, ICASSP 2004; weights from memory).

use crate::sensor;
use rayon::prelude::*;

/// Reach of the median that colour is smoothed by, px, and what of fine detail is added once more.
const COLOUR: i64 = 2;
const SHARPENED: f32 = 0.4;

/// Weights of the 5 x 5 pixels around, in eighths. Green where red or blue was seen.
const GREEN: [[f32; 5]; 5] = [
    [0.0, 0.0, -1.0, 0.0, 0.0],
    [0.0, 0.0, 2.0, 0.0, 0.0],
    [-1.0, 2.0, 4.0, 2.0, -1.0],
    [0.0, 0.0, 2.0, 0.0, 0.0],
    [0.0, 0.0, -1.0, 0.0, 0.0],
];
/// Red or blue where green was seen, its own samples left and right; turned where they lie above and below.
const BESIDE: [[f32; 5]; 5] = [
    [0.0, 0.0, 0.5, 0.0, 0.0],
    [0.0, -1.0, 0.0, -1.0, 0.0],
    [-1.0, 4.0, 5.0, 4.0, -1.0],
    [0.0, -1.0, 0.0, -1.0, 0.0],
    [0.0, 0.0, 0.5, 0.0, 0.0],
];
/// Red where blue was seen, and blue where red was.
const ACROSS: [[f32; 5]; 5] = [
    [0.0, 0.0, -1.5, 0.0, 0.0],
    [0.0, 2.0, 0.0, 2.0, 0.0],
    [-1.5, 0.0, 6.0, 0.0, -1.5],
    [0.0, 2.0, 0.0, 2.0, 0.0],
    [0.0, 0.0, -1.5, 0.0, 0.0],
];

/// Which channel a pixel sees: rows of red and green, and of green and blue.
fn seen(x: i64, y: i64) -> usize {
    match (x & 1, y & 1) {
        (0, 0) => 0,
        (1, 1) => 2,
        _ => 1,
    }
}

/// The nearest place within 0..`side` that the same filter lies over, mirrored at the border.
fn mirrored(v: i64, side: i64) -> i64 {
    let v = if v < 0 { -v } else { v };
    if v >= side { 2 * (side - 1) - v } else { v }
}

/// Codes of a square picture, converted.
pub fn converted(codes: &[[u16; 3]], size: u32) -> Vec<[u16; 3]> {
    let side = i64::from(size);
    let light: Vec<f32> = (0..codes.len())
        .into_par_iter()
        .map(|n| {
            let (x, y) = (n as i64 % side, n as i64 / side);
            decoded(codes[n][seen(x, y)])
        })
        .collect();
    let at = |x: i64, y: i64| light[(mirrored(y, side) * side + mirrored(x, side)) as usize];
    let filled = |x: i64, y: i64, k: usize| {
        let own = seen(x, y);
        if own == k {
            return at(x, y);
        }
        let (weights, turned) = match (own, k) {
            (_, 1) => (&GREEN, false),
            (1, _) => (&BESIDE, seen(x + 1, y) != k),
            _ => (&ACROSS, false),
        };
        let mut sum = 0.0;
        for (j, row) in (-2..).zip(weights) {
            for (i, weight) in (-2..).zip(row) {
                let (i, j) = if turned { (j, i) } else { (i, j) };
                sum += weight * at(x + i, y + j);
            }
        }
        sum / 8.0
    };
    let places = (0..codes.len()).into_par_iter();
    let colours: Vec<[f32; 3]> = places
        .map(|n| {
            let (x, y) = (n as i64 % side, n as i64 / side);
            [0, 1, 2].map(|k| filled(x, y, k))
        })
        .collect();
    let colour = |x: i64, y: i64| {
        let (x, y) = (x.clamp(0, side - 1), y.clamp(0, side - 1));
        colours[(y * side + x) as usize]
    };
    let places = (0..codes.len()).into_par_iter();
    places
        .map(|n| {
            let (x, y) = (n as i64 % side, n as i64 / side);
            let green = colour(x, y)[1];
            let mut around = 0.0;
            for (dy, b) in (-1..=1).zip([0.25, 0.5, 0.25f32]) {
                for (dx, a) in (-1..=1).zip([0.25, 0.5, 0.25f32]) {
                    around += a * b * colour(x + dx, y + dy)[1];
                }
            }
            let sharp = green + SHARPENED * (green - around);
            let hue = |k: usize| {
                let near = (-COLOUR..=COLOUR).flat_map(|v| (-COLOUR..=COLOUR).map(move |u| (u, v)));
                let mut off: Vec<f32> = near
                    .map(|(u, v)| {
                        let c = colour(x + u, y + v);
                        c[k] - c[1]
                    })
                    .collect();
                let middle = off.len() / 2;
                *off.select_nth_unstable_by(middle, f32::total_cmp).1
            };
            [sharp + hue(0), sharp, sharp + hue(2)].map(sensor::code)
        })
        .collect()
}

/// Light of a code of the profile's curve (IEC 61966-2-1).
pub(super) fn decoded(code: u16) -> f32 {
    let v = f32::from(code) / 65_535.0;
    if v <= 0.040_45 {
        v / 12.92
    } else {
        libm::powf((v + 0.055) / 1.055, 2.4)
    }
}
