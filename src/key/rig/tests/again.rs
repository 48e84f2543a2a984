//! Rods that are seen through holes of the piece, in its light, and in front of its thin parts.

use super::{Made, Scene, disc, plain, scene, straight, wave};
use crate::budget::Account;
use crate::key::rig::Rig;
use crate::key::rig::axis::{Axis, Stop};
use crate::key::rig::fits::fits_to;
use crate::key::rig::look::Look;
use crate::key::rig::strip::Strip;
use crate::raster::{Light, Raster};

#[test]
fn a_rod_behind_a_ring_is_seen_again_in_its_hole() {
    let ring = |x: f64, y: f64| disc(x, y).max(24.0 - libm::hypot(x - 120.0, y - 150.0));
    let rod = plain(3.0, 190.0);
    let scene = scene(Some(&rod), &ring);
    let rig = scene.rig();
    for y in 132..166 {
        let x = straight(f64::from(y) + 0.5) as i32;
        assert!(rig.coverage.at(x, y) > 0.9, "at {x} {y}");
        assert_eq!(rig.cells.at(x / 2, y / 2), 1, "at {x} {y}");
        // The ring itself is no rod, and nothing is beside the rod.
        assert_eq!(rig.cells.at(x / 2 - 8, y / 2), 0, "beside {x} {y}");
    }
    for y in 106..120 {
        let x = straight(f64::from(y) + 0.5) as i32;
        assert_eq!(rig.cells.at(x / 2, y / 2), 0, "at {x} {y}");
    }
}

#[test]
fn a_rod_that_fills_one_side_of_a_hole_is_seen_beside_the_other() {
    seen_on_one_side(0.0);
}

/// How a rod is lit on its left and its right side in the light of the piece; with grain.
const LIT: [f32; 2] = [1.5, 0.6];

/// A rod behind a hole, in another light where `lit` says.
fn lit_in_a_hole(hole: &dyn Fn(f64, f64) -> f64, lit: std::ops::Range<i32>) -> Scene {
    let rod = plain(3.0, 190.0);
    let mut scene = scene(Some(&rod), &|x, y| disc(x, y).max(-hole(x, y)));
    for y in lit {
        for x in 80..160 {
            let (r, a) = (scene.rod.at(x, y), scene.piece.at(x, y));
            let side = usize::from(f64::from(x) + 0.5 > straight(f64::from(y) + 0.5));
            let lit = LIT[side] - 1.0 + 0.3 * wave(f64::from(7 * x + 5 * y));
            let seen = (scene.frame.at(x, y)).map(|v| v * (1.0 + lit * r * (1.0 - a)));
            scene.frame.put(x, y, seen);
        }
    }
    scene
}

#[test]
fn a_rod_is_seen_again_in_another_light_before_it_is_in_its_own() {
    let hole = |x: f64, y: f64| libm::hypot(x - 120.0, y - 150.0) - 30.0;
    let rig = lit_in_a_hole(&hole, 100..150).rig();
    for y in 128..172 {
        let x = straight(f64::from(y) + 0.5) as i32;
        assert_eq!(rig.cells.at(x / 2, y / 2), 1, "at {x} {y}");
    }
}

/// Whether the rod is seen through the hole, where that `is_known`; what is found of it, the backdrop and the body then.
fn through_its_hole(scene: &Scene, is_known: bool) -> (bool, Rig, Light, Raster<u8>) {
    let account = Account::unlimited();
    let rect = scene.frame.rect();
    let mut body = Raster::filled(scene.ground.background.rect(), 1u8, &account).unwrap();
    let mut backdrop = scene.plate.cropped(rect, &account).unwrap();
    let mut open = Raster::filled(rect, 0u8, &account).unwrap();
    for y in 110..190 {
        for x in 80..160 {
            let free = scene.piece.at(x, y) == 0.0 && scene.rod.at(x, y) == 0.0;
            open.put(x, y, if free && is_known { 255 } else { 0 });
        }
    }
    let mut rig = scene.rig();
    let any = rig.seen_through(&open, &mut backdrop, &mut body, &account);
    (any.unwrap(), rig, backdrop, body)
}

#[test]
fn a_rod_lit_by_the_piece_is_followed_to_where_one_side_of_it_closes() {
    // Open on both sides, then on the left alone.
    let hole = |x: f64, y: f64| {
        let right = if y < 160.0 { 24.0 } else { 3.0 };
        let (across, along) = (x - straight(y), (y - 150.0).abs() - 32.0);
        along.max(across - right).max(-20.0 - across)
    };
    let scene = lit_in_a_hole(&hole, 100..190);
    let (any, _, _, body) = through_its_hole(&scene, true);
    assert!(any);
    for y in 165..172 {
        let x = straight(f64::from(y) + 0.5) as i32 - 1;
        assert_eq!(body.at(x / 2, y / 2), 0, "at {x} {y}");
        assert_eq!(body.at(x / 2 + 4, y / 2), 1, "the piece at {x} {y}");
    }
}

/// What is found of a rod that runs down in front of a bar of so many pixels on its way to the piece.
fn before_a_bar(half: f64) -> Rig {
    let bar = |x: f64, y: f64| ((y - 60.0).abs() - half).max((x - 120.0).abs() - 60.0);
    let rod = Made {
        in_front: true,
        ..plain(3.0, 140.0)
    };
    scene(Some(&rod), &|x, y| disc(x, y).min(bar(x, y))).rig()
}

#[test]
fn a_thin_part_beside_a_rod_in_front_is_the_pieces() {
    let rig = before_a_bar(3.0);
    let x = straight(60.5) as i32;
    for y in 59..61 {
        assert_eq!(rig.coverage.at(x, y), 1.0, "at {x} {y}");
        for beside in [-7, 8] {
            let cell = rig.cells.at((x + beside) / 2, y / 2);
            assert_eq!(cell, 0, "{beside} beside {x} {y}");
        }
    }
    // The mask's slack beside the rod alone is its own.
    let x = straight(30.5) as i32;
    assert_eq!(rig.cells.at(x / 2, 15), 1);
}

#[test]
fn what_a_rod_in_front_passes_is_looked_at_from_where_the_mask_closes() {
    let (from, _) = before_a_bar(5.0).courses[0].looked(0.0);
    assert!(from < 55.0, "looked at from {from}");
}

#[test]
fn a_twisted_wire_is_seen_beside_a_hole_though_no_two_rows_are_alike() {
    seen_on_one_side(0.22);
}

/// A rod with stripes of light and dark across it by so much.
fn seen_on_one_side(stripes: f32) {
    // The hole ends where the rod does, along its other side.
    let hole =
        |x: f64, y: f64| (libm::hypot(x - 120.0, y - 150.0) - 24.0).max(x - straight(y) - 3.0);
    let rod = plain(3.0, 190.0);
    let mut scene = scene(Some(&rod), &|x, y| disc(x, y).max(-hole(x, y)));
    for j in 60..90 {
        // The light on the set says nothing of it.
        scene.ground.background.row_mut(j)[45..75].fill(0);
    }
    for y in 0..190 {
        for x in 80..160 {
            let (r, a) = (scene.rod.at(x, y), scene.piece.at(x, y));
            let turn = (f64::from(x) - straight(f64::from(y))) * 0.8 + f64::from(y) * 0.9;
            let more = stripes * r * (1.0 - a) * wave(turn);
            scene
                .frame
                .put(x, y, scene.frame.at(x, y).map(|v| v + more));
        }
    }
    assert!(!through_its_hole(&scene, false).0, "without a hole");
    let (any, rig, backdrop, body) = through_its_hole(&scene, true);
    assert!(any);
    for y in 136..164 {
        let x = straight(f64::from(y) + 0.5) as i32 - 1;
        assert_eq!(backdrop.at(x, y), scene.frame.at(x, y), "at {x} {y}");
        assert!(rig.coverage.at(x, y) > 0.9, "at {x} {y}");
        assert_eq!(body.at(x / 2, y / 2), 0, "at {x} {y}");
        assert_eq!(rig.coverage.at(x + 6, y), 0.0, "the piece at {x} {y}");
        assert_eq!(body.at(x / 2 + 3, y / 2), 1, "the piece at {x} {y}");
    }
}

#[test]
fn a_look_fits_to_where_its_axis_was_led_off_the_rod() {
    let account = Account::unlimited();
    let rod = plain(2.0, 190.0);
    let scene = scene(Some(&rod), &|x, y| disc(x, y - 80.0));
    let (ask, ground) = (scene.ask(), &scene.ground);
    // Off the rod by so much for every row beyond the hundredth.
    let points = |off: f64| {
        let rows = (0..36).map(|n| f64::from(4 * n));
        rows.map(move |y| (straight(y) + off * (y - 100.0).max(0.0), y))
    };
    let fits = |off: f64| {
        let stops: Vec<Stop> = points(off)
            .map(|(x, y)| Stop { x, y, weight: 1.0 })
            .collect();
        let axis = Axis::through(&stops).unwrap();
        let strip = Strip::along(&ask, ground, &axis, (0, 140), 12.0, &account).unwrap();
        let look = Look::learnt(&strip, (0, 140), 12.0, 3.0).unwrap();
        fits_to(&strip, &look, (0, 140))
    };
    assert_eq!(fits(0.0), 140);
    assert!(fits(0.3) < 140, "{}", fits(0.3));
}
