//! Sets that are hard to lay on: lines of a few pixels, and grain below its noise.

use super::super::tests::{Grain, Shown, layer};
use super::aligned;
use crate::budget::Account;
use crate::geom::Rect;
use crate::raster::Raster;
use crate::register::{Alignment, Motion, Trust};

/// `set` seen through a shift, with noise of the deviation `noise`, and under it what `piece` gives.
fn shot(
    side: u32,
    [dx, dy]: [f64; 2],
    noise: f64,
    set: impl Fn(f64, f64) -> f64,
    piece: impl Fn(f64, f64) -> Option<f64>,
) -> Shown {
    let account = Account::unlimited();
    let mut grain = Grain(dx.to_bits() | 1);
    let mut light = Raster::filled(Rect::of_size(side, side), [0.0; 3], &account).unwrap();
    for y in 0..side as i32 {
        for x in 0..side as i32 {
            let (u, v) = (f64::from(x), f64::from(y));
            let value = piece(u, v).unwrap_or_else(|| set(u + dx, v + dy));
            light.put(x, y, [(value + noise * grain.next()) as f32; 3]);
        }
    }
    Shown(light, account)
}

fn lie(frame: &Shown, plate: &Shown) -> Alignment {
    aligned(frame, plate, Motion::Shift, &Account::unlimited()).unwrap()
}

/// Sheets of so many px, nearly level, each of its own tone, with dark gaps and a little fibre.
fn sheets(thick: f64, x: f64, y: f64) -> f64 {
    let at = |y: f64| {
        let level = (y + 0.03 * x) / thick;
        let part = level - level.floor();
        let gap = (part.min(1.0 - part) * 5.0).min(1.0);
        let tone = layer(x, level.floor() * 400.0, 400.0, 1);
        (0.8 + 0.16 * tone) * (0.42 + 0.58 * gap)
    };
    // A pixel is as tall as its neighbours are apart.
    let tall: f64 = (0..8).map(|k| at(y - 0.4375 + f64::from(k) / 8.0)).sum();
    let fibre = layer(2.0 * x, 2.0 * y, 6.0, 2);
    0.5 * (tall / 8.0 + 0.05 * fibre)
}

#[test]
fn lines_are_followed_along_too() {
    let truth = [-0.33, 0.43];
    let sheets = |x: f64, y: f64| sheets(6.2, x, y);
    let nothing = |_: f64, _: f64| None;
    let plate = shot(560, [0.0; 2], 0.005, sheets, nothing);
    let disc = |x: f64, y: f64| {
        let (a, b) = (x - 280.0, y - 260.0);
        (a * a + b * b < 140.0 * 140.0).then(|| 0.3 + 0.2 * layer(x, y, 30.0, 5))
    };
    let found = lie(&shot(560, truth, 0.005, sheets, disc), &plate);
    assert_eq!(found.trust, Trust::Sure, "{found:?}");
    for k in 0..2 {
        assert!((found.shift[k] - truth[k]).abs() < 0.05, "{found:?}");
    }
}

#[test]
fn grain_below_the_noise_is_found_beside_a_piece() {
    // Texture of 1.5 %, noise of 4 % of a set's light; a piece with edges fifty times as strong.
    let set = |x: f64, y: f64| 0.25 * (1.0 + 0.015 * layer(x, y, 1.4, 3));
    let truth = [-1.6, 2.3];
    let plate = shot(400, [0.0; 2], 0.01, set, |_, _| None);
    let disc = |x: f64, y: f64| {
        let (a, b) = (x - 180.0, y - 210.0);
        (a * a + b * b < 110.0 * 110.0).then(|| 0.5 + 0.4 * layer(x, y, 12.0, 5))
    };
    let found = lie(&shot(400, truth, 0.01, set, disc), &plate);
    assert!(
        [Trust::Rough, Trust::Sure].contains(&found.trust),
        "{found:?}"
    );
    for k in 0..2 {
        let off = (found.shift[k] - truth[k]).abs();
        assert!(off < 0.5 && off < 4.0 * found.deviation[k], "{found:?}");
    }
}

#[test]
fn lines_too_fine_for_the_reduced_pictures_are_found_at_full_size() {
    let truth = [-2.2, -1.9];
    let sheets = |x: f64, y: f64| sheets(4.1, x, y);
    let nothing = |_: f64, _: f64| None;
    let plate = shot(1300, [0.0; 2], 0.005, sheets, nothing);
    let found = lie(&shot(1300, truth, 0.005, sheets, nothing), &plate);
    assert_eq!(found.trust, Trust::Sure, "{found:?}");
    for k in 0..2 {
        assert!((found.shift[k] - truth[k]).abs() < 0.05, "{found:?}");
    }
}
