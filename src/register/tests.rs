//! Invented sets with known movement, light and noise. The truth of each is the formula that drew it.

use super::*;
use crate::budget::{Account, OverBudget};
use crate::geom::{Map, Rect};
use crate::raster::{Light, Raster, Seen};

pub(super) struct Shown(pub Light, pub Account);

impl Seen for Shown {
    type Fault = OverBudget;

    fn rect(&self) -> Rect {
        self.0.rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, OverBudget> {
        self.0.cropped(rect, &self.1)
    }
}

/// Repeatable numbers, about normal with deviation 1: the sum of four uniform ones.
pub(super) struct Grain(pub u64);

impl Grain {
    pub(super) fn next(&mut self) -> f64 {
        let mut sum = -2.0;
        for _ in 0..4 {
            self.0 = self
                .0
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            sum += (self.0 >> 40) as f64 / f64::from(1 << 24);
        }
        sum * 1.732
    }
}

/// A value of -1..1 for a cell of a grid.
fn pebble(x: i64, y: i64, layer: u64) -> f64 {
    let mut hash =
        (x as u64).wrapping_mul(0x9e3779b97f4a7c15) ^ (y as u64).wrapping_mul(0xc2b2ae3d27d4eb4f);
    hash = (hash ^ layer ^ (hash >> 29)).wrapping_mul(0xbf58476d1ce4e5b9);
    hash = (hash ^ (hash >> 32)).wrapping_mul(0x94d049bb133111eb);
    (hash >> 40) as f64 / f64::from(1 << 23) - 1.0
}

/// Smooth between the values of a grid of `cell` px (quintic, so that it has no edges).
pub(super) fn layer(x: f64, y: f64, cell: f64, number: u64) -> f64 {
    let (u, v) = (x / cell, y / cell);
    let (i, j) = (u.floor(), v.floor());
    let ease = |t: f64| t * t * t * (t * (6.0 * t - 15.0) + 10.0);
    let (s, t) = (ease(u - i), ease(v - j));
    let (i, j) = (i as i64, j as i64);
    let at = |a, b| pebble(i + a, j + b, number);
    let top = at(0, 0) + (at(1, 0) - at(0, 0)) * s;
    let low = at(0, 1) + (at(1, 1) - at(0, 1)) * s;
    top + (low - top) * t
}

/// A set's light at a point of the plate: texture of 4, 9 and 23 px about a mean of 0.3.
fn set(x: f64, y: f64, depth: f64) -> f64 {
    let sum = layer(x, y, 4.0, 1) + layer(x, y, 9.0, 2) + layer(x, y, 23.0, 3);
    0.3 * (1.0 + depth * sum)
}

/// What happens before the camera, beside its movement.
#[derive(Clone, Copy)]
struct Scene {
    side: u32,
    depth: f64,
    noise: f64,
    gains: [f64; 3],
    /// A dark piece over a good part of the frame, its rod, its shadow over a third, light it throws back.
    piece: bool,
}

const SCENE: Scene = Scene {
    side: 240,
    depth: 0.25,
    noise: 0.01,
    gains: [1.0; 3],
    piece: false,
};

/// A frame whose pixels look at the plate through `map`.
fn shot(scene: Scene, map: &Map, seed: u64) -> Shown {
    let account = Account::unlimited();
    let mut grain = Grain(seed);
    let side = f64::from(scene.side);
    let rect = Rect::of_size(scene.side, scene.side);
    let mut light = Raster::filled(rect, [0.0; 3], &account).unwrap();
    for y in 0..scene.side as i32 {
        for x in 0..scene.side as i32 {
            let (px, py) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let (u, v) = map.apply(px, py);
            let mut value = [1.0, 0.9, 0.8].map(|tint| tint * set(u, v, scene.depth));
            if scene.piece {
                let (a, b) = (px / side, py / side);
                if b > 0.62 {
                    value = value.map(|v| v * 0.45);
                } else if a > 0.9 {
                    value = [value[0] * 1.03, value[1] * 1.015, value[2]];
                }
                let round = (a - 0.45) * (a - 0.45) + (b - 0.5) * (b - 0.5);
                let grip = (a - 0.45).abs() < 0.02 && b < 0.5;
                if round < 0.12 || grip {
                    // Its own texture moves its own way.
                    let own = set(3.0 * px + 11.0, 1.3 * py, 0.8);
                    value = [0.1 * own, 0.4 * own, 0.9 * own];
                }
            }
            let pixel =
                [0, 1, 2].map(|k| (value[k] * scene.gains[k] + scene.noise * grain.next()) as f32);
            light.put(x, y, pixel);
        }
    }
    Shown(light, account)
}

fn lie(scene: Scene, map: &Map, motion: Motion) -> Alignment {
    let bare = Scene {
        piece: false,
        gains: [1.0; 3],
        ..scene
    };
    let (frame, plate) = (shot(scene, map, 1), shot(bare, &Map::IDENTITY, 2));
    aligned(&frame, &plate, motion, &Account::unlimited()).unwrap()
}

fn error(found: &Map, truth: &Map, side: f64) -> f64 {
    let mut worst = 0.0f64;
    for (x, y) in [(0.0, 0.0), (side, 0.0), (0.0, side), (side, side)] {
        let ((a, b), (c, d)) = (found.apply(x, y), truth.apply(x, y));
        worst = worst.max(((a - c) * (a - c) + (b - d) * (b - d)).sqrt());
    }
    worst
}

#[test]
fn a_still_camera_is_exactly_still() {
    for motion in [Motion::Shift, Motion::Similarity, Motion::Perspective] {
        for piece in [false, true] {
            let found = lie(Scene { piece, ..SCENE }, &Map::IDENTITY, motion);
            assert_eq!(found.map, Map::IDENTITY, "{motion:?}, piece {piece}");
            assert_eq!((found.trust, found.corner), (Trust::Sure, 0.0));
        }
    }
    let quiet = lie(
        Scene {
            noise: 0.0,
            ..SCENE
        },
        &Map::IDENTITY,
        Motion::Shift,
    );
    assert_eq!((quiet.map, quiet.trust), (Map::IDENTITY, Trust::Sure));
}

#[test]
fn a_turn_that_a_shift_leaves_is_told() {
    let turn = Map::affine([0.999_98, 0.006, -0.006, 0.999_98, 0.4, 0.5]);
    let found = lie(
        Scene {
            piece: true,
            ..SCENE
        },
        &turn,
        Motion::Shift,
    );
    let shift = Map::translation(found.shift[0], found.shift[1]);
    assert_eq!(found.map, shift);
    let off = error(&shift, &turn, f64::from(SCENE.side));
    assert!((found.turned - off).abs() < 0.1, "{} {off}", found.turned);
    let found = lie(SCENE, &turn, Motion::Similarity);
    assert_eq!(found.turned, 0.0);
}

#[test]
fn shifts_are_found_beside_a_piece_and_its_shadow() {
    for (dx, dy) in [(0.37, -0.21), (-2.4, 1.32), (7.0, -11.5)] {
        let truth = Map::translation(dx, dy);
        for scene in [
            SCENE,
            Scene {
                piece: true,
                gains: [1.1, 1.05, 1.0],
                ..SCENE
            },
        ] {
            let found = lie(scene, &truth, Motion::Shift);
            assert_eq!((found.trust, found.turned), (Trust::Sure, 0.0));
            let off = error(&found.map, &truth, 0.0);
            assert!(off < 0.05, "({dx}, {dy}): off by {off}");
            assert!((found.shift[0] - dx).abs() < 0.05 && (found.shift[1] - dy).abs() < 0.05);
        }
    }
}

#[test]
fn turns_scales_and_tilts_are_found() {
    let about = |inner: Map| {
        Map::translation(-120.0, -120.0)
            .then(&inner)
            .then(&Map::translation(121.3, 119.2))
    };
    let similar = about(Map::rotation(0.2).then(&Map::scaling(1.002, 1.002)));
    let scene = Scene {
        piece: true,
        ..SCENE
    };
    let found = lie(scene, &similar, Motion::Similarity);
    let off = error(&found.map, &similar, 240.0);
    assert!(off < 0.1, "similarity off by {off}");
    assert!((found.corner - error(&similar, &Map::IDENTITY, 240.0)).abs() < 0.1);

    let tilted = about(Map([
        [1.001, 0.0006, 0.0],
        [-0.0008, 0.9995, 0.0],
        [3e-5, -2e-5, 1.0],
    ]));
    let found = lie(scene, &tilted, Motion::Perspective);
    let off = error(&found.map, &tilted, 240.0);
    assert!(off < 0.25, "perspective off by {off}");

    // What is no turn does not become one.
    let shift = Map::translation(1.4, 0.6);
    let found = lie(scene, &shift, Motion::Perspective);
    assert_eq!(found.map.0[0][..2], [1.0, 0.0]);
    assert!(error(&found.map, &shift, 240.0) < 0.05);
}

#[test]
fn faint_texture_counts_and_none_is_called_none() {
    let faint = Scene {
        depth: 0.01,
        ..SCENE
    };
    // Found, taken, and said to be rough: noise hides where it lies by more than a twentieth of a pixel.
    let found = lie(faint, &Map::translation(1.5, -0.8), Motion::Shift);
    let taken = Map::translation(found.shift[0], found.shift[1]);
    assert_eq!((found.map, found.trust), (taken, Trust::Rough));
    assert!((0.05..0.5).contains(&found.within), "{}", found.within);
    for (k, truth) in [1.5, -0.8].into_iter().enumerate() {
        let (off, deviation) = ((found.shift[k] - truth).abs(), found.deviation[k]);
        assert!(off < 0.2 && off < 3.0 * deviation && deviation > 0.05 / 3.0);
    }
    let bare = Scene {
        depth: 0.0,
        ..SCENE
    };
    for motion in [Motion::Shift, Motion::Similarity, Motion::Perspective] {
        let found = lie(bare, &Map::translation(1.5, -0.8), motion);
        assert_eq!(
            (found.map, found.trust),
            (Map::IDENTITY, Trust::Featureless)
        );
    }
}

#[test]
fn another_set_is_no_match_and_far_is_beyond() {
    let account = Account::unlimited();
    let plate = shot(SCENE, &Map::IDENTITY, 1);
    let other = shot(SCENE, &Map::rotation(40.0).then(&Map::scaling(1.7, 1.7)), 2);
    let found = aligned(&other, &plate, Motion::Similarity, &account).unwrap();
    assert_eq!((found.map, found.trust), (Map::IDENTITY, Trust::NoMatch));
    let far = lie(SCENE, &Map::translation(47.0, -30.0), Motion::Shift);
    assert_eq!((far.map, far.trust), (Map::IDENTITY, Trust::BeyondSearch));
    assert!((far.shift[0] - 47.0).abs() < 1.0 && (far.shift[1] + 30.0).abs() < 1.0);
}

#[test]
fn gains_are_found_beside_a_piece_and_its_shadow() {
    let gains = [1.08, 1.03, 0.99];
    let scene = Scene {
        piece: true,
        gains,
        ..SCENE
    };
    let (frame, plate) = (
        shot(scene, &Map::IDENTITY, 3),
        shot(SCENE, &Map::IDENTITY, 4),
    );
    let found = balanced(&frame, &plate, &Account::unlimited()).unwrap();
    let logs = [0, 1, 2].map(|k| libm::log(found.gains[k] * gains[k]));
    let level = (logs[0] + logs[1] + logs[2]) / 3.0;
    assert!(
        (level / std::f64::consts::LN_2).abs() < 0.01,
        "exposure off by {level}"
    );
    for log in logs {
        assert!((log - level).abs() < 0.005, "white off by {}", log - level);
    }
    let truth = libm::log(1.08 * 1.03 * 0.99) / 3.0 / std::f64::consts::LN_2;
    assert!((found.exposure - truth).abs() < 0.01);
    assert!(found.used > 0.1 && found.deviation < 0.01);
    assert_eq!(found.uneven, None);
}

#[test]
fn a_flag_that_moved_is_found() {
    let (mut frame, plate) = (
        shot(SCENE, &Map::IDENTITY, 5),
        shot(SCENE, &Map::IDENTITY, 6),
    );
    for y in 0..240 {
        for (x, pixel) in frame.0.row_mut(y).iter_mut().enumerate() {
            // Ten per cent less at the left, none from column 100 on.
            let fall = 0.1 * (1.0 - x as f32 / 100.0).max(0.0);
            *pixel = pixel.map(|v| v * (1.0 - fall));
        }
    }
    let found = balanced(&frame, &plate, &Account::unlimited()).unwrap();
    assert!(found.gains.iter().all(|gain| (gain - 1.0).abs() < 0.005));
    let uneven = found.uneven.unwrap();
    assert!(
        uneven.place.x0 < 20 && (-0.11..-0.08).contains(&uneven.amount),
        "{uneven:?}"
    );
}

#[test]
fn a_shadow_that_leaves_the_frame_and_a_reflection_are_no_flag() {
    let plate = shot(SCENE, &Map::IDENTITY, 6);
    // A round change of light: its middle, how far it reaches, and how much.
    for (middle, reach, amount) in [
        ((60.0, 205.0), 24.0, -0.12),
        ((170.0, 70.0), 12.0, 0.15),
        ((12.0, 120.0), 7.0, -0.12),
    ] {
        let mut frame = shot(SCENE, &Map::IDENTITY, 5);
        for y in 0..240 {
            for (x, pixel) in frame.0.row_mut(y).iter_mut().enumerate() {
                let (dx, dy) = (x as f32 - middle.0, y as f32 - middle.1);
                let off = (dx * dx + dy * dy) / (2.0 * reach * reach);
                let change = 1.0 + amount * libm::expf(-off);
                *pixel = pixel.map(|v| v * change);
            }
        }
        let found = balanced(&frame, &plate, &Account::unlimited()).unwrap();
        assert!(found.gains.iter().all(|gain| (gain - 1.0).abs() < 0.005));
        assert_eq!(found.uneven, None, "{middle:?}");
    }
}

#[test]
fn the_same_on_any_number_of_threads() {
    let scene = Scene {
        piece: true,
        ..SCENE
    };
    let map = Map::rotation(0.1).then(&Map::translation(1.3, -0.4));
    let answers = [1, 2, 7].map(|threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            let (frame, plate) = (shot(scene, &map, 1), shot(SCENE, &Map::IDENTITY, 2));
            let account = Account::unlimited();
            let place = aligned(&frame, &plate, Motion::Similarity, &account).unwrap();
            (place, balanced(&frame, &plate, &account).unwrap())
        })
    });
    assert_eq!(answers[0], answers[1]);
    assert_eq!(answers[0], answers[2]);
}

#[test]
fn tiny_blank_and_broken_pictures_are_answered() {
    let account = Account::unlimited();
    for (width, height) in [(0, 0), (1, 1), (7, 3), (24, 24), (30, 400), (700, 25)] {
        for value in [0.0, 0.5, 1.0, 50.0, -1.0, f32::NAN, f32::INFINITY] {
            let rect = Rect::new(-3, 5, width, height);
            let blank = || {
                Shown(
                    Raster::filled(rect, [value; 3], &account).unwrap(),
                    account.clone(),
                )
            };
            let (frame, plate) = (blank(), blank());
            for motion in [Motion::Shift, Motion::Perspective] {
                let found = aligned(&frame, &plate, motion, &account).unwrap();
                assert_eq!(
                    (found.map, found.trust),
                    (Map::IDENTITY, Trust::Featureless)
                );
                assert!(!found.correlation.is_nan() && !found.shift[0].is_nan());
            }
            let found = balanced(&frame, &plate, &account).unwrap();
            assert_eq!(found.gains, [1.0; 3]);
            let light = carried(&plate, &Map::translation(0.3, 0.2), rect, &account).unwrap();
            assert_eq!(light.rect(), rect);
        }
    }
}

/// Pictures of 1.9 Mpx are looked at in tiles, and little of them at a time.
#[test]
fn large_pictures_need_little_memory() {
    struct Drawn([f64; 2], u64, Account);
    impl Seen for Drawn {
        type Fault = OverBudget;
        fn rect(&self) -> Rect {
            Rect::of_size(1900, 1000)
        }
        fn light(&self, rect: Rect) -> Result<Light, OverBudget> {
            let mut light = Raster::filled(rect, [0.0; 3], &self.2)?;
            for y in rect.y0..rect.y1 {
                for x in rect.x0..rect.x1 {
                    let (u, v) = (f64::from(x) + self.0[0], f64::from(y) + self.0[1]);
                    let value = 0.3 + 0.05 * layer(u, v, 5.0, 1);
                    let seed = self.1 ^ ((x as u64) << 32 | y as u64);
                    let noise = 0.005 * Grain(seed.wrapping_mul(0x9e3779b97f4a7c15)).next();
                    light.put(x, y, [(value + noise) as f32; 3]);
                }
            }
            Ok(light)
        }
    }
    let account = Account::unlimited();
    let frame = Drawn([1.63, -0.55], 1, account.clone());
    let plate = Drawn([0.0; 2], 2, account.clone());
    let found = aligned(&frame, &plate, Motion::Shift, &account).unwrap();
    assert_eq!(found.trust, Trust::Sure);
    assert!(
        (found.shift[0] - 1.63).abs() < 0.05 && (found.shift[1] + 0.55).abs() < 0.05,
        "{found:?}"
    );
    assert!(account.peak() < 80 << 20, "{} bytes", account.peak());
}

#[test]
fn a_plate_is_carried() {
    let account = Account::unlimited();
    let plate = shot(
        Scene {
            noise: 0.0,
            ..SCENE
        },
        &Map::IDENTITY,
        1,
    );
    let rect = Rect::of_size(240, 240);
    let same = carried(&plate, &Map::IDENTITY, rect, &account).unwrap();
    assert_eq!(same.data(), plate.0.data());
    let copied = carried(&plate, &Map::translation(3.0, -2.0), rect, &account).unwrap();
    assert_eq!(copied.at(10, 10), plate.0.at(13, 8));
    // Its border goes on.
    assert_eq!(copied.at(239, 0), plate.0.at(239, 0));
    let map = Map::translation(0.4, 0.3);
    let moved = carried(&plate, &map, Rect::new(50, 60, 40, 30), &account).unwrap();
    for (x, y) in [(50, 60), (70, 80), (89, 89)] {
        let truth = set(f64::from(x) + 0.9, f64::from(y) + 0.8, SCENE.depth);
        assert!((f64::from(moved.at(x, y)[0]) - truth).abs() < 2e-3);
    }
    let outside = carried(&plate, &map, Rect::new(-9, -9, 4, 4), &account).unwrap();
    assert_eq!(outside.at(-9, -9), plate.0.at(0, 0));
}
