//! Sets with a round piece, its shadow and what a flag does, all known by construction. Lengths in half-size cells.

use super::*;

const WIDE: i32 = 220;
const HIGH: i32 = 180;
/// The piece, and how far aside a lamp throws its shadow, made so soft.
const MIDDLE: (f64, f64) = (118.0, 84.0);
const RADIUS: f64 = 34.0;
const THROWN: (f64, f64) = (18.0, 26.0);
const SOFT: f64 = 12.0;

fn disc(x: f64, y: f64, soft: f64) -> f64 {
    let off = libm::hypot(x - MIDDLE.0, y - MIDDLE.1);
    ((RADIUS - off) / soft + 0.5).clamp(0.0, 1.0)
}

fn shadow(x: f64, y: f64) -> f64 {
    1.0 - 0.4 * disc(x - THROWN.0, y - THROWN.1, SOFT)
}

/// An edge of light that falls to the left of a place.
fn edge(x: f64, at: f64, width: f64) -> f64 {
    1.0 / (1.0 + libm::exp((x - at) / width))
}

fn bump(x: f64, y: f64, at: (f64, f64), size: f64) -> f64 {
    let (dx, dy) = (x - at.0, y - at.1);
    libm::exp(-(dx * dx + dy * dy) / (2.0 * size * size))
}

/// What is found in such light. A little noise of its own lies in every cell.
fn look(light: impl Fn(f64, f64) -> f64) -> Found {
    let account = Account::unlimited();
    let rect = Rect::of_size(WIDE as u32, HIGH as u32);
    let mut ratios = Raster::filled(rect, [1.0f32; 3], &account).unwrap();
    let mut seen = Raster::filled(rect, 1u8, &account).unwrap();
    let mut silhouette = Raster::filled(rect, 0.0f32, &account).unwrap();
    for y in 0..HIGH {
        for x in 0..WIDE {
            let (u, v) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let hides = disc(u, v, 1.0);
            silhouette.put(x, y, hides as f32);
            seen.put(x, y, u8::from(hides == 0.0));
            let noise = 0.002 * (f64::from((x * 7 + y * 13) % 5) - 2.0);
            let light = if hides > 0.0 {
                0.9
            } else {
                light(u, v) + noise
            };
            ratios.put(x, y, [light as f32; 3]);
        }
    }
    found(&ratios, &seen, &silhouette, &account).unwrap()
}

/// The largest departure of what was found from what the flag did, where the set is seen: far from the piece and its
/// shadow, and near them.
fn off(found: &Found, flag: impl Fn(f64, f64) -> f64) -> (f64, f64) {
    let field = found.field.as_ref().unwrap();
    let mut off = (0.0f64, 0.0f64);
    for y in 0..HIGH {
        for x in 0..WIDE {
            let (u, v) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            if disc(u, v, 1.0) > 0.0 {
                continue;
            }
            let apart = (f64::from(field.cells.at(x, y)[1]) / flag(u, v) - 1.0).abs();
            let near = disc(u, v, 40.0) > 0.0 || shadow(u, v) < 1.0;
            let worst = if near { &mut off.1 } else { &mut off.0 };
            *worst = worst.max(apart);
        }
    }
    off
}

#[test]
fn a_flag_at_the_side_is_found_whichever_way_it_went_and_the_shadow_is_kept() {
    for stops in [-0.5, -0.3, -0.1, -0.06, 0.06, 0.2, 0.5] {
        for at in [20.0, 45.0] {
            let flag = |x: f64| libm::exp2(stops * edge(x, at, 7.0));
            let got = look(|x, y| shadow(x, y) * flag(x));
            let [
                Notice::LightUneven {
                    place, stops: told, ..
                },
            ] = got.notices[..]
            else {
                panic!("{stops} at {at}: {:?}", got.notices);
            };
            assert!(
                (told - stops).abs() < 0.1 * stops.abs() + 0.01,
                "{told} for {stops}"
            );
            assert!(place.x0 == 0 && place.height() > 150 && place.x1 < at as i32 + 20);
            let (far, near) = off(&got, |x, _| flag(x));
            assert!(far < 0.016 && near < 0.012, "{stops} at {at}: {far} {near}");
        }
    }
}

#[test]
fn a_lamp_in_a_corner_is_found() {
    for stops in [-0.3, 0.2] {
        let flag = |x: f64, y: f64| libm::exp2(stops * bump(x, y, (24.0, 30.0), 22.0));
        let got = look(|x, y| shadow(x, y) * flag(x, y));
        assert!(matches!(
            got.notices[..],
            [Notice::LightUneven { meets: false, .. }]
        ));
        let (far, near) = off(&got, flag);
        assert!(far < 0.012 && near < 0.02, "{stops}: {far} {near}");
    }
}

#[test]
fn a_flag_across_the_shadow_is_told_from_the_light_around() {
    let flag = |x: f64| libm::exp2(-0.3 * edge(x, 130.0, 9.0));
    let got = look(|x, y| shadow(x, y) * flag(x));
    assert!(matches!(
        got.notices[..],
        [Notice::LightUneven { meets: true, .. }]
    ));
    // Against the half of the frame that the slope of the light was told from.
    let field = got.field.as_ref().unwrap();
    let change = |x: i32, y: i32| f64::from(field.cells.at(x, y)[1]);
    for y in 0..HIGH {
        let across = change(10, y) / change(WIDE - 10, y);
        assert!((across - libm::exp2(-0.3)).abs() < 0.02, "{y}: {across}");
    }
}

#[test]
fn what_a_piece_does_is_no_flag() {
    let none = |light: &dyn Fn(f64, f64) -> f64, what: &str| {
        let got = look(light);
        assert!(
            got.field.is_none() && got.notices.is_empty(),
            "{what}: {:?}",
            got.notices
        );
    };
    none(&|_, _| 1.0, "nothing");
    none(&shadow, "a shadow");
    let aside = |x: f64, y: f64| 1.0 - 0.4 * disc(x + 70.0, y - 20.0, 6.0);
    none(&aside, "a shadow thrown far, with its outline");
    let falls = |x: f64, y: f64| 1.0 - 0.4 * disc(x - 60.0, y - 62.0, 8.0);
    none(&falls, "a shadow that falls out of the frame");
    let back = |x: f64, y: f64| shadow(x, y) * (1.0 + 0.06 * disc(x, y, 30.0));
    none(&back, "light thrown back");
    let slope = |x: f64, y: f64| shadow(x, y) * (1.0 + 0.0006 * (x - 110.0) - 0.0004 * (y - 90.0));
    none(&slope, "a drift");
    let waves =
        |x: f64, y: f64| shadow(x, y) * (1.0 + 0.05 * libm::sin(x / 24.0) * libm::cos(y / 21.0));
    none(&waves, "light that is uneven everywhere");
}

#[test]
fn a_shadow_that_is_not_understood_is_kept_and_told() {
    // No outline of the piece, from the piece to the frame's border.
    let bar = |x: f64, y: f64| {
        let along = edge(-x, -146.0, 2.0);
        let across = edge(y, 118.0, 2.0) * edge(-y, -58.0, 2.0);
        1.0 - 0.3 * along * across
    };
    let got = look(bar);
    assert!(got.field.is_none(), "{:?}", got.notices);
    let either = |n: &Notice| matches!(n, Notice::LightOrShadow { .. });
    assert!(got.notices.iter().all(either), "{:?}", got.notices);
}

#[test]
fn darkness_far_longer_than_the_piece_is_a_flags_though_no_shadow_is_known() {
    // It is plain beside the piece, and runs along all of a side.
    let flag = |x: f64| libm::exp2(-0.25 * edge(x, 74.0, 9.0));
    let got = look(|x, _| flag(x));
    assert!(
        matches!(got.notices[..], [Notice::LightUneven { .. }]),
        "{:?}",
        got.notices
    );
    let (far, near) = off(&got, |x, _| flag(x));
    // Close about the piece it is told from the light around that.
    assert!(far < 0.016 && near < 0.04, "{far} {near}");
}

#[test]
fn a_soft_shadow_to_the_border_is_kept_and_told() {
    // Deepest at the piece, and still there where the frame ends.
    let soft = |x: f64, y: f64| 1.0 - 0.5 * bump(x, y, (MIDDLE.0, MIDDLE.1 + 40.0), 34.0);
    let got = look(soft);
    assert!(got.field.is_none(), "{:?}", got.notices);
    let fades =
        |notice: &Notice| matches!(notice, Notice::LightOrShadow { stops, .. } if *stops < 0.0);
    assert!(got.notices.iter().all(fades), "{:?}", got.notices);
}

#[test]
fn the_same_on_any_number_of_threads() {
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            let got = look(|x, y| shadow(x, y) * libm::exp2(-0.2 * edge(x, 30.0, 8.0)));
            let cells = got.field.unwrap().cells;
            cells
                .data()
                .iter()
                .flatten()
                .map(|v| v.to_bits())
                .collect::<Vec<u32>>()
        })
    };
    assert_eq!(run(1), run(3));
}
