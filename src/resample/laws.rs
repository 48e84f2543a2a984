//! Tests of whole resamples: an independent reference in `f64`, and the laws every kernel keeps.

use proptest::prelude::*;

use super::*;
use crate::budget::Account;
use crate::geom::{Map, Rect};
use crate::raster::{Matte, Picture, Premul, Raster};

const KERNELS: [Kernel; 5] = [
    Kernel::Lanczos3,
    Kernel::Mitchell,
    Kernel::CatmullRom,
    Kernel::Bilinear,
    Kernel::Nearest,
];

/// A picture of noise: premultiplied, alpha 0 here and there, colour sometimes beyond its alpha.
fn noise(rect: Rect, seed: u64) -> Picture {
    let mut picture = Raster::filled(rect, Premul::CLEAR, &Account::unlimited()).unwrap();
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 40) as f32 / 16_777_216.0
    };
    for pixel in picture.data_mut() {
        let alpha = (next() * 1.6 - 0.3).clamp(0.0, 1.0);
        *pixel = Premul([
            next() * alpha * 1.2,
            next() * alpha,
            (next() - 0.1) * alpha,
            alpha,
        ]);
    }
    picture
}

/// The rule of the language written another way: every frame pixel within sight is asked for its distance, the
/// kernel is taken from its textbook formula, and the derivative is a difference quotient.
fn reference(window: &Picture, map: &Map, x: i32, y: i32, kernel: Kernel) -> [f64; 4] {
    let textbook = |d: f64| -> f64 {
        let a = d.abs();
        match kernel {
            Kernel::Lanczos3 if a < 1e-12 => 1.0,
            Kernel::Lanczos3 if a >= 3.0 => 0.0,
            Kernel::Lanczos3 => {
                let sinc =
                    |t: f64| libm::sin(std::f64::consts::PI * t) / (std::f64::consts::PI * t);
                sinc(a) * sinc(a / 3.0)
            }
            Kernel::Mitchell if a < 1.0 => (7.0 * a * a * a - 12.0 * a * a + 16.0 / 3.0) / 6.0,
            Kernel::Mitchell if a < 2.0 => {
                (-7.0 / 3.0 * a * a * a + 12.0 * a * a - 20.0 * a + 32.0 / 3.0) / 6.0
            }
            Kernel::CatmullRom if a < 1.0 => 1.5 * a * a * a - 2.5 * a * a + 1.0,
            Kernel::CatmullRom if a < 2.0 => -0.5 * a * a * a + 2.5 * a * a - 4.0 * a + 2.0,
            Kernel::Bilinear if a < 1.0 => 1.0 - a,
            Kernel::Nearest if -0.5 < d && d <= 0.5 => 1.0,
            _ => 0.0,
        }
    };
    let (cx, cy) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
    let (u, v) = map.apply(cx, cy);
    let step = 1e-4;
    let (east, west) = (map.apply(cx + step, cy), map.apply(cx - step, cy));
    let (south, north) = (map.apply(cx, cy + step), map.apply(cx, cy - step));
    let half = |dx: f64, dy: f64| (libm::hypot(dx, dy) / (2.0 * step)).max(1.0);
    let wide = half(east.0 - west.0, south.0 - north.0);
    let high = half(east.1 - west.1, south.1 - north.1);
    let rect = window.rect();
    let margin = 60;
    let weights = |from: i32, to: i32, centre: f64, scale: f64| -> Vec<f64> {
        let near = centre.floor() as i32;
        let all = (from.min(near) - margin)..(to.max(near) + margin);
        let total: f64 = all
            .map(|i| textbook((f64::from(i) + 0.5 - centre) / scale))
            .sum();
        (from..to)
            .map(|i| textbook((f64::from(i) + 0.5 - centre) / scale) / total)
            .collect()
    };
    let across = weights(rect.x0, rect.x1, u, wide);
    let down = weights(rect.y0, rect.y1, v, high);
    let mut sum = [0.0; 4];
    for (j, wy) in down.iter().enumerate() {
        for (i, wx) in across.iter().enumerate() {
            let pixel = window.at(rect.x0 + i as i32, rect.y0 + j as i32);
            for (total, value) in sum.iter_mut().zip(pixel.0) {
                *total += wx * wy * f64::from(value);
            }
        }
    }
    if sum[3] > 1.0 {
        sum.map(|value| value / sum[3])
    } else {
        sum
    }
}

/// Whether a pixel is what the reference says; where alpha is within rounding of 0, transparent is right too.
fn agrees(pixel: Premul, expected: [f64; 4]) -> bool {
    let near = |(value, expected): (f32, f64)| (f64::from(value) - expected).abs() < 1e-5;
    let equal = pixel.0.into_iter().zip(expected).all(near);
    let clear = pixel == Premul::CLEAR && expected[3] < 1e-6;
    clear || (equal && expected[3] > -1e-6)
}

fn kernel() -> impl Strategy<Value = Kernel> {
    prop::sample::select(&KERNELS[..])
}

/// Turned, scaled, sheared and shifted maps, and some that keep the axes.
fn affine() -> impl Strategy<Value = Map> {
    let turn = prop_oneof![Just(0.0), Just(90.0), Just(180.0), -180.0..180.0f64];
    (turn, 0.4..2.5f64, 0.4..2.5f64, -8.0..8.0f64, -8.0..8.0f64).prop_map(
        |(turn, sx, sy, dx, dy)| {
            Map::translation(-10.0, -8.0)
                .then(&Map::scaling(sx, sy))
                .then(&Map::rotation(turn))
                .then(&Map::translation(10.0 + dx, 8.0 + dy))
        },
    )
}

fn perspective() -> impl Strategy<Value = Map> {
    (affine(), -4e-3..4e-3f64, -4e-3..4e-3f64)
        .prop_map(|(map, p, q)| map.then(&Map([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [p, q, 1.0]])))
}

fn any_map() -> impl Strategy<Value = Map> {
    prop_oneof![affine(), perspective()]
}

fn whole(window: &Picture, map: &Map, out: Rect, kernel: Kernel) -> Picture {
    resampled(window, map, out, kernel, &Account::unlimited()).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Against the reference. The box jumps at its border, so a sample within rounding of one may go either way;
    /// random maps do not meet that.
    #[test]
    fn any_map_is_the_written_rule(map in any_map(), kernel in kernel(), seed in 0u64..1000) {
        let window = noise(Rect::new(2, 1, 17, 14), seed);
        let out = Rect::new(-4, -3, 26, 22);
        let result = whole(&window, &map, out, kernel);
        for y in out.y0..out.y1 {
            for x in out.x0..out.x1 {
                let expected = reference(&window, &map, x, y, kernel);
                let pixel = result.at(x, y);
                prop_assert!(agrees(pixel, expected), "{kernel:?} at ({x}, {y}): {pixel:?}, expected {expected:?}");
            }
        }
    }

    /// Tiles, and windows cut to what a tile needs, never change a bit.
    #[test]
    fn split_tiles_are_the_whole(
        map in any_map(), kernel in kernel(), seed in 0u64..1000, width in 1u32..12, height in 1u32..12,
    ) {
        let window = noise(Rect::new(0, 0, 24, 19), seed);
        let out = Rect::new(-5, -6, 37, 31);
        let account = Account::unlimited();
        let result = whole(&window, &map, out, kernel);
        for tile in out.tiles(width, height) {
            let needed = footprint(&map, &tile, kernel).intersected(&window.rect());
            let part = window.cropped(needed, &account).unwrap();
            let pixels = whole(&part, &map, tile, kernel);
            for y in tile.y0..tile.y1 {
                for x in tile.x0..tile.x1 {
                    prop_assert_eq!(pixels.at(x, y).0.map(f32::to_bits), result.at(x, y).0.map(f32::to_bits));
                }
            }
        }
        drop(result);
    }

    /// Outside the reach of a frame's box there is nothing.
    #[test]
    fn nothing_lies_outside_the_reach(map in any_map(), kernel in kernel(), seed in 0u64..1000) {
        let window = noise(Rect::new(3, 2, 13, 11), seed);
        let out = Rect::new(-30, -30, 80, 80);
        let frame_to_canvas = map.inverted().unwrap();
        let box_ = reach(&frame_to_canvas, &window.rect(), kernel);
        let result = whole(&window, &map, out, kernel);
        for y in out.y0..out.y1 {
            for x in out.x0..out.x1 {
                prop_assert!(box_.contains(x, y) || result.at(x, y) == Premul::CLEAR, "({x}, {y}) outside {box_:?}");
            }
        }
    }

    /// The shared-row path has the bits of the pixel-by-pixel path.
    #[test]
    fn shared_rows_have_the_same_bits(
        sx in 0.3..3.0f64, sy in 0.3..3.0f64, dx in -6.0..6.0f64, dy in -6.0..6.0f64,
        turn in prop::sample::select(&[0.0, 90.0, 180.0, 270.0][..]), kernel in kernel(), seed in 0u64..1000,
    ) {
        let account = Account::unlimited();
        let map = Map::scaling(sx, sy).then(&Map::rotation(turn)).then(&Map::translation(dx, dy));
        let window = noise(Rect::new(-9, -8, 20, 17), seed);
        let out = Rect::new(-12, -11, 23, 25);
        prop_assert!(separable::axes(&map).is_some());
        let shared = whole(&window, &map, out, kernel);
        let mut single = Raster::filled(out, Premul::CLEAR, &account).unwrap();
        sampler::fill(&window, &map, kernel, &mut single, &account).unwrap();
        for (a, b) in shared.data().iter().zip(single.data()) {
            prop_assert_eq!(a.0.map(f32::to_bits), b.0.map(f32::to_bits));
        }
    }

    /// A constant opaque picture stays what it is, far enough from its edges. 1e-6 is eight steps of f32 at 1.
    #[test]
    fn a_constant_stays_constant(map in affine(), kernel in kernel(), value in 0.0..1.0f32) {
        let colour = Premul([value, 1.0 - value, 0.5, 1.0]);
        let window = Raster::filled(Rect::new(-300, -300, 600, 600), colour, &Account::unlimited()).unwrap();
        let result = whole(&window, &map, Rect::new(0, 0, 12, 12), kernel);
        for pixel in result.data() {
            for (a, b) in pixel.0.iter().zip(colour.0) {
                prop_assert!((a - b).abs() <= 1e-6, "{pixel:?}");
            }
        }
    }
}

#[test]
fn a_whole_pixel_step_needs_no_kernel() {
    let window = noise(Rect::new(0, 0, 9, 9), 7);
    let out = Rect::new(3, 2, 9, 9);
    for kernel in [
        Kernel::Lanczos3,
        Kernel::CatmullRom,
        Kernel::Bilinear,
        Kernel::Nearest,
    ] {
        let result = whole(&window, &Map::translation(-3.0, -2.0), out, kernel);
        assert_eq!(result.data(), window.data(), "{kernel:?}");
    }
}

/// Overshoot of a unit step, from the formulas in double precision: Lanczos-3 11.8 %, Catmull-Rom 7.4 %, Mitchell
/// 3.6 %. Seen in colour under an opaque alpha, which nothing clamps.
#[test]
fn a_step_overshoots_as_published() {
    let account = Account::unlimited();
    let mut window = Raster::filled(
        Rect::new(-40, -5, 80, 11),
        Premul([0.0, 0.0, 0.0, 1.0]),
        &account,
    )
    .unwrap();
    for y in -5..6 {
        window.span_mut(y, 0, 40).fill(Premul([1.0; 4]));
    }
    for (kernel, published) in [
        (Kernel::Lanczos3, 11.8),
        (Kernel::CatmullRom, 7.4),
        (Kernel::Mitchell, 3.6),
    ] {
        let mut highest = 0.0f32;
        for phase in 0..200 {
            let map = Map::translation(f64::from(phase) / 200.0, 0.0);
            let out = Rect::new(-10, 0, 20, 1);
            for pixel in whole(&window, &map, out, kernel).data() {
                highest = highest.max(pixel.0[0]);
            }
        }
        let overshoot = f64::from(highest - 1.0) * 100.0;
        assert!(
            (overshoot - published).abs() < 0.05,
            "{kernel:?}: {overshoot}"
        );
    }
}

/// The same step in alpha: the overshoot divides the whole pixel, so white stays white up to the rim.
#[test]
fn an_edge_has_no_bright_rim() {
    let window = Raster::filled(
        Rect::new(0, 0, 20, 20),
        Premul([1.0; 4]),
        &Account::unlimited(),
    )
    .unwrap();
    let map = Map::rotation(17.0).then(&Map::translation(0.3, 0.4));
    for pixel in whole(&window, &map, Rect::new(-10, -10, 45, 45), Kernel::Lanczos3).data() {
        let [r, _, _, a] = pixel.0;
        assert!(
            (0.0..=1.0).contains(&a) && (r - a).abs() < 1e-6,
            "{pixel:?}"
        );
    }
}

/// Two bounds that must be neither too small nor wasteful. From the kernel's radius alone: a shift of a quarter
/// pixel under Lanczos-3 reads three pixels on each side and may touch three.
#[test]
fn boxes_are_tight() {
    let out = Rect::new(10, 10, 5, 5);
    let map = Map::translation(0.25, 0.0);
    let expected = Rect {
        x0: 8,
        y0: 7,
        x1: 18,
        y1: 18,
    };
    let needed = footprint(&map, &out, Kernel::Lanczos3);
    assert!(
        needed.covers(&expected) && expected.grown(1).covers(&needed),
        "{needed:?}"
    );
    let touched = reach(&map.inverted().unwrap(), &out, Kernel::Lanczos3);
    let expected = Rect {
        x0: 7,
        y0: 7,
        x1: 17,
        y1: 18,
    };
    assert!(
        touched.covers(&expected) && expected.grown(1).covers(&touched),
        "{touched:?}"
    );
    let near_affine = Map([[1.0, 0.01, 3.0], [-0.01, 1.0, 2.0], [1e-6, -1e-6, 1.0]]);
    let touched = reach(&near_affine, &Rect::new(0, 0, 2000, 1000), Kernel::Lanczos3);
    let image = near_affine.bounds(&Rect::new(0, 0, 2000, 1000));
    let image = Rect::around(image.0, image.1, image.2, image.3);
    assert!(
        image.grown(5).covers(&touched) && touched.covers(&image),
        "{touched:?}, image {image:?}"
    );
}

#[test]
fn horizons_and_broken_maps_end_in_transparency() {
    let account = Account::unlimited();
    let window = noise(Rect::new(0, 0, 30, 30), 3);
    let out = Rect::new(0, 0, 40, 8);
    // The horizon stands at x = 20.
    let over = Map([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [-0.05, 0.0, 1.0]]);
    let result = whole(&window, &over, out, Kernel::Lanczos3);
    for y in 0..8 {
        for x in 20..40 {
            assert_eq!(result.at(x, y), Premul::CLEAR);
        }
    }
    assert!(footprint(&over, &out, Kernel::Lanczos3).covers(&window.rect()));
    let behind = Rect::new(21, 0, 5, 5);
    assert!(footprint(&over, &behind, Kernel::Lanczos3).is_empty());
    let flat = Map([[0.0, 0.0, 1.0], [0.0, 0.0, 1.0], [0.0, 0.0, 1.0]]);
    assert!(reach(&flat, &window.rect(), Kernel::Lanczos3).covers(&out));
    for broken in [f64::NAN, f64::INFINITY, 1e300, -1e300] {
        for cell in 0..9 {
            let mut map = Map::IDENTITY;
            map.0[cell / 3][cell % 3] = broken;
            let result = whole(&window, &map, out, Kernel::Lanczos3);
            assert!(
                result
                    .data()
                    .iter()
                    .all(|pixel| pixel.0.iter().all(|v| v.is_finite()))
            );
            footprint(&map, &out, Kernel::Lanczos3);
            reach(&map, &window.rect(), Kernel::Lanczos3);
        }
    }
    let nothing = Raster::filled(Rect::EMPTY, 0.0f32, &account).unwrap();
    let clear = resampled_matte(&nothing, &Map::IDENTITY, out, Kernel::Mitchell, &account).unwrap();
    assert!(clear.data().iter().all(|v| *v == 0.0));
}

#[test]
fn a_matte_is_the_alpha_of_a_picture() {
    let picture = noise(Rect::new(0, 0, 16, 16), 11);
    let account = Account::unlimited();
    let mut matte: Matte = Raster::filled(picture.rect(), 0.0, &account).unwrap();
    for (value, pixel) in matte.data_mut().iter_mut().zip(picture.data()) {
        *value = pixel.alpha();
    }
    let map = Map::rotation(20.0).then(&Map::translation(1.5, -2.5));
    let out = Rect::new(-6, -6, 30, 30);
    let coverage = resampled_matte(&matte, &map, out, Kernel::Lanczos3, &account).unwrap();
    for (value, pixel) in coverage
        .data()
        .iter()
        .zip(whole(&picture, &map, out, Kernel::Lanczos3).data())
    {
        assert_eq!(value.to_bits(), pixel.alpha().to_bits());
    }
}

#[test]
fn memory_is_asked_for_first() {
    let window = noise(Rect::new(0, 0, 30, 30), 3);
    let account = Account::new(40 * 1024);
    let map = Map::scaling(0.5, 0.5);
    let refused = resampled(
        &window,
        &map,
        Rect::new(0, 0, 60, 60),
        Kernel::Lanczos3,
        &account,
    )
    .unwrap_err();
    assert_eq!(refused.limit, 40 * 1024);
    assert_eq!(account.used(), 0);
}
