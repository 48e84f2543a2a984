//! Smooth random fields for wood, paper and painted canvas.

use crate::sampling::unit;

fn corner(x: i32, y: i32, field: u32) -> f32 {
    let mut h = (x as u32).wrapping_mul(0x9e37_79b1)
        ^ (y as u32).wrapping_mul(0x85eb_ca77)
        ^ field.wrapping_mul(0xc2b2_ae3d);
    h = (h ^ (h >> 15)).wrapping_mul(0x2c1b_3c6d);
    h = (h ^ (h >> 12)).wrapping_mul(0x297a_2d39);
    unit(h ^ (h >> 15)) * 2.0 - 1.0
}

/// Value noise in -1..1 with a feature size of one unit; every `field` is another pattern.
pub fn value(x: f32, y: f32, field: u32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (i, j) = (fx as i32, fy as i32);
    let ease = |t: f32| t * t * (3.0 - 2.0 * t);
    let (a, b) = (ease(x - fx), ease(y - fy));
    let row = |j| {
        let (p, q) = (corner(i, j, field), corner(i.wrapping_add(1), j, field));
        p + (q - p) * a
    };
    let (p, q) = (row(j), row(j.wrapping_add(1)));
    p + (q - p) * b
}

/// `octaves` of value noise, each half as strong and twice as fine; about -1..1.
pub fn layered(x: f32, y: f32, field: u32, octaves: u32) -> f32 {
    let (mut sum, mut weight, mut total, mut scale) = (0.0, 0.5, 0.0, 1.0);
    for octave in 0..octaves {
        sum += weight * value(x * scale, y * scale, field + 101 * octave);
        total += weight;
        weight *= 0.5;
        scale *= 2.03;
    }
    sum / total
}
