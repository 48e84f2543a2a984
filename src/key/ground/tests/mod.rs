//! Small scenes whose truth is known by construction.

mod converted;
mod cut_off;

use super::super::tools::dice::Dice;
use super::*;
use crate::geom::Rect;
use crate::raster::Light;

const SIDE: i32 = 160;

fn picture(account: &Account, of: impl Fn(i32, i32) -> [f32; 3]) -> Light {
    let mut light = Light::filled(Rect::new(0, 0, 160, 160), [0.0; 3], account).unwrap();
    for y in 0..SIDE {
        for x in 0..SIDE {
            light.put(x, y, of(x, y));
        }
    }
    light
}

fn noisy(mut light: Light, seed: u64) -> Light {
    let mut dice = Dice(seed);
    for pixel in light.data_mut() {
        *pixel = pixel.map(|v| v + dice.normal() * (4e-5 * v + 3e-7).sqrt());
    }
    light
}

/// A sweep with faint texture.
fn plain(x: i32, y: i32) -> [f32; 3] {
    let level = 0.25 + 0.0004 * y as f32 + 0.002 * ((x * 7 + y * 13) % 5) as f32;
    [level, 1.02 * level, 0.97 * level]
}

/// Planks.
fn busy(x: i32, y: i32) -> [f32; 3] {
    let grain = ((x * x / 9 + y * 5) % 11) as f32 / 11.0;
    let gap = if y % 23 < 2 { 0.4 } else { 1.0 };
    let level = gap * (0.18 + 0.2 * grain);
    [1.2 * level, level, 0.7 * level]
}

fn scaled(v: [f32; 3], by: f32) -> [f32; 3] {
    v.map(|v| v * by)
}

fn distance(x: i32, y: i32) -> f32 {
    let (dx, dy) = (x as f32 - 79.5, y as f32 - 79.5);
    (dx * dx + dy * dy).sqrt()
}

/// 0 far outside, 1 far inside, over a width around radius 40.
fn disc(x: i32, y: i32, soft: f32) -> f32 {
    let t = ((40.0 - distance(x, y)) / soft + 0.5).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

fn ground(
    plate: impl Fn(i32, i32) -> [f32; 3],
    frame: impl Fn(i32, i32) -> [f32; 3],
    account: &Account,
) -> Ground {
    let plate = noisy(picture(account, plate), 1);
    let frame = noisy(picture(account, frame), 2);
    found(&Ask::of(&frame, &plate), account).unwrap().0
}

/// Cells left out of the background.
fn left(ground: &Ground) -> usize {
    ground.background.data().iter().filter(|v| **v == 0).count()
}

#[test]
fn noise_alone_is_nothing_and_is_measured() {
    let account = Account::unlimited();
    let even = |_: i32, _: i32| [0.3; 3];
    for plate in [plain, busy, even] {
        let ground = ground(plate, plate, &account);
        assert_eq!(left(&ground), 0);
        // Two pictures of one frame each.
        let want = 2.0 * (4e-5 * 0.3 + 3e-7);
        let got = ground.noise.variance(1, 0.3, 0.0);
        assert!((got / want - 1.0).abs() < 0.15, "{got} for {want}");
    }
}

#[test]
fn light_that_is_cut_off_says_nothing_of_noise() {
    let account = Account::unlimited();
    // A lamp that is more than a frame holds, and a corner that is less than it tells.
    let lamp = |x: i32, y: i32| match (x / 40, y / 40) {
        (0, 0) => [-0.1; 3],
        (1, 1) => [1.6; 3],
        _ => plain(x, y),
    };
    let held = |seed| {
        let mut picture = noisy(picture(&account, lamp), seed);
        for pixel in picture.data_mut() {
            *pixel = pixel.map(|v| v.clamp(0.0, 1.0));
        }
        picture
    };
    let (plate, mut frame) = (held(1), held(2));
    for pixel in frame.data_mut() {
        *pixel = pixel.map(|v| 1.004 * v);
    }
    let noise = noise::measured(&Ask::of(&frame, &plate), &account)
        .unwrap()
        .noise;
    let want = 2.0 * (4e-5 * 0.3 + 3e-7);
    let got = noise.variance(1, 0.3, 0.0);
    assert!((got / want - 1.0).abs() < 0.15, "{got} for {want}");
}

#[test]
fn a_shadow_and_a_penumbra_are_the_set() {
    let account = Account::unlimited();
    for plate in [plain, busy] {
        let shadow = ground(
            plate,
            |x, y| scaled(plate(x, y), 1.0 - 0.5 * disc(x, y, 76.0)),
            &account,
        );
        assert_eq!(left(&shadow), 0);
        let inside = shadow.light.at(79, 79);
        assert!(inside.iter().all(|v| (v - 0.5).abs() < 0.02), "{inside:?}");
    }
}

#[test]
#[ignore = "fails: a tint that changes by 15 % over 60 px is taken for an edge"]
fn bounced_light_is_the_set() {
    let account = Account::unlimited();
    for plate in [plain, busy] {
        let bounce = ground(
            plate,
            |x, y| {
                let (b, t) = (plate(x, y), disc(x, y, 60.0));
                [b[0] * (1.0 + 0.15 * t), b[1] * (1.0 + 0.1 * t), b[2]]
            },
            &account,
        );
        assert_eq!(left(&bounce), 0);
    }
}

#[test]
fn beside_an_edge_of_hundreds_of_deviations_its_echo_is_no_wall() {
    let account = Account::unlimited();
    let dark = |x: i32, y: i32| scaled(plain(x, y), 0.1);
    for (half, soft) in [(9.0, 3.0), (13.0, 2.0), (17.0, 3.0)] {
        let off = |x: i32, y: i32| (0.8 * (x as f32 - 79.5) - 0.6 * (y as f32 - 79.5)).abs();
        // A pale rod before a dark set, by a fiftieth of the usual noise.
        let rod = |x: i32, y: i32| {
            let t = ((half - off(x, y)) / soft + 0.5).clamp(0.0, 1.0);
            let (t, b) = (t * t * (3.0 - 2.0 * t), dark(x, y));
            [0, 1, 2].map(|k| b[k] + ([0.36, 0.27, 0.16][k] - b[k]) * t)
        };
        let calm = |of: &dyn Fn(i32, i32) -> [f32; 3], seed| {
            let all = noisy(picture(&account, of), seed);
            picture(&account, |x, y| {
                let (is, was) = (of(x, y), all.at(x, y));
                [0, 1, 2].map(|k| is[k] + 0.02 * (was[k] - is[k]))
            })
        };
        let (plate, frame) = (calm(&dark, 1), calm(&rod, 2));
        let (ground, _) = found(&Ask::of(&frame, &plate), &account).unwrap();
        for j in 8..72 {
            for i in 8..72 {
                if off(2 * i + 1, 2 * j + 1) > half + 7.0 {
                    assert_eq!(ground.background.at(i, j), 1, "{half} {i} {j}");
                }
            }
        }
    }
}

/// As a rendered frame has it, and as a camera has it.
#[test]
fn a_shadow_at_a_piece_is_the_set_however_low_the_noise() {
    let account = Account::unlimited();
    let round = |x: i32, y: i32, (cx, cy): (f32, f32), radius: f32, soft: f32| {
        let (dx, dy) = (x as f32 + 0.5 - cx, y as f32 + 0.5 - cy);
        ((radius - (dx * dx + dy * dy).sqrt()) / soft + 0.5).clamp(0.0, 1.0)
    };
    let shown = |x, y| {
        let piece = round(x, y, (64.0, 66.0), 16.0, 1.5);
        let shade = 1.0 - 0.35 * round(x, y, (72.0, 82.0), 17.0, 24.0);
        let (set, own) = (scaled(plain(x, y), shade), [0.05, 0.1, 0.5]);
        [0, 1, 2].map(|k| piece * own[k] + (1.0 - piece) * set[k])
    };
    for share in [0.02, 0.3, 1.0] {
        let less = |light: Light, of: &dyn Fn(i32, i32) -> [f32; 3]| {
            let mut light = light;
            for y in 0..SIDE {
                for x in 0..SIDE {
                    let (noisy, clean) = (light.at(x, y), of(x, y));
                    let v = [0, 1, 2].map(|k| clean[k] + share * (noisy[k] - clean[k]));
                    light.put(x, y, v);
                }
            }
            light
        };
        let plate = less(noisy(picture(&account, plain), 1), &plain);
        let frame = less(noisy(picture(&account, shown), 2), &shown);
        let (ground, _) = found(&Ask::of(&frame, &plate), &account).unwrap();
        // The piece covers 201 cells, its rim 30 more.
        let left = left(&ground);
        assert!((200..280).contains(&left), "{left} at {share}");
    }
}

#[test]
fn a_grey_piece_on_a_grey_plate_has_no_holes() {
    let account = Account::unlimited();
    // As bright as the plate but for some hundredths.
    for piece in [|_: i32, _: i32| [0.265f32, 0.27, 0.257]] {
        let shown = |x, y| {
            if distance(x, y) < 40.0 {
                piece(x, y)
            } else {
                scaled(plain(x, y), 0.9)
            }
        };
        let ground = ground(plain, shown, &account);
        for y in 0..SIDE / 2 {
            for x in 0..SIDE / 2 {
                let far = distance(2 * x, 2 * y);
                let want = if far < 36.0 { 0 } else { 1 };
                if !(36.0..46.0).contains(&far) {
                    assert_eq!(ground.background.at(x, y), want, "{x} {y}");
                }
            }
        }
    }
}

/// Grain about as strong as the noise, everywhere alike; `other` is other stuff of the same kind.
fn grain(x: i32, y: i32, other: i32) -> [f32; 3] {
    let at = |x: i32, y: i32| {
        let mut v = (x * 73 + y * 19_349 + other * 83_492) as u32;
        for _ in 0..3 {
            v = (v ^ (v >> 15)).wrapping_mul(0x2c1b_3c6d);
        }
        (v >> 8) as f32 / (1u32 << 24) as f32 - 0.5
    };
    let near: f32 = [(0, 0), (1, 0), (0, 1), (1, 1)]
        .iter()
        .map(|(a, b)| at(x + a, y + b))
        .sum();
    [0.3 * (1.0 + 0.015 * near); 3]
}

#[test]
fn a_piece_of_the_plates_own_stuff_is_told_by_its_grain() {
    let account = Account::unlimited();
    let shown = |x, y| grain(x, y, i32::from(distance(x, y) < 40.0));
    let ground = ground(|x, y| grain(x, y, 0), shown, &account);
    for y in 0..SIDE / 2 {
        for x in 0..SIDE / 2 {
            let far = distance(2 * x, 2 * y);
            if !(26.0..58.0).contains(&far) {
                let want = u8::from(far > 40.0);
                assert_eq!(ground.background.at(x, y), want, "{x} {y}");
            }
        }
    }
}

#[test]
fn a_dark_smooth_inside_is_no_hole() {
    let account = Account::unlimited();
    let sweep = |_: i32, y: i32| [0.25 + 0.0004 * y as f32; 3];
    for (light, open) in [(0.45, 0), (0.85, 1)] {
        // A mirror of the set behind the camera, or the set seen in the shadow of a ring.
        let shown = |x, y| match distance(x, y) {
            d if d < 34.0 => scaled(sweep(x, y), light),
            d if d < 52.0 => [0.05, 0.06, 0.08],
            _ => sweep(x, y),
        };
        let ground = ground(sweep, shown, &account);
        assert_eq!(ground.background.at(40, 40), open, "{light}");
        assert_eq!(ground.background.at(3, 40), 1);
    }
}

#[test]
fn a_streak_beside_a_hole_is_no_part_of_it() {
    let account = Account::unlimited();
    let sweep = |_: i32, y: i32| [0.25 + 0.0004 * y as f32; 3];
    // A round hole, and from its rim on a face that is grey as the set and darkens away from it.
    let shown = |x: i32, y: i32| {
        let (dx, dy) = ((x - 60) as f32, (y - 80) as f32);
        match (dx * dx + dy * dy).sqrt() {
            d if d < 18.0 => sweep(x, y),
            _ if distance(x, y) >= 60.0 => sweep(x, y),
            _ if x >= 60 && dy.abs() < 30.0 => scaled(
                sweep(x, y),
                0.95 - 0.5 * ((dx - 10.0) / 50.0).clamp(0.0, 1.0),
            ),
            _ => [0.05, 0.06, 0.08],
        }
    };
    let ground = ground(sweep, shown, &account);
    for (x, y, set) in [(30, 40, 1), (52, 40, 0), (3, 40, 1)] {
        assert_eq!(ground.background.at(x, y), set, "{x} {y}");
    }
}

#[test]
fn a_hole_shows_the_set() {
    let account = Account::unlimited();
    let shown = |x, y| match distance(x, y) {
        d if d < 22.0 => scaled(busy(x, y), 0.8),
        d if d < 55.0 => [0.1, 0.3, 0.2],
        _ => busy(x, y),
    };
    let ground = ground(busy, shown, &account);
    assert_eq!(ground.background.at(40, 40), 1);
    assert_eq!(ground.background.at(20, 40), 0);
    assert_eq!(ground.background.at(3, 40), 1);
    assert!((ground.light.at(79, 79)[1] - 0.8).abs() < 0.03);
}

#[test]
fn specks_in_a_hole_are_no_outline_of_it() {
    let account = Account::unlimited();
    let sweep = |_: i32, y: i32| [0.25 + 0.0004 * y as f32; 3];
    // One cell in sixteen has another tint than the set.
    let speck = |x: i32, y: i32| x.div_euclid(2) % 4 == 0 && y.div_euclid(2) % 4 == 0;
    let shown = |x, y| match distance(x, y) {
        d if d < 34.0 && speck(x, y) => {
            let [r, g, b] = scaled(sweep(x, y), 0.85);
            [1.3 * r, 0.45 * g, 1.3 * b]
        }
        d if d < 34.0 => scaled(sweep(x, y), 0.85),
        d if d < 52.0 => [0.05, 0.06, 0.08],
        _ => sweep(x, y),
    };
    let ground = ground(sweep, shown, &account);
    for (x, y, set) in [(42, 42, 1), (38, 30, 1), (18, 40, 0), (3, 40, 1)] {
        assert_eq!(ground.background.at(x, y), set, "{x} {y}");
    }
}

#[test]
fn a_wide_hole_is_one_though_its_middle_lies_in_no_shadow() {
    let account = Account::unlimited();
    let sweep = |_: i32, y: i32| [0.25 + 0.0004 * y as f32; 3];
    let shown = |x, y| match distance(x, y) {
        // A ring's shadow lies about it on both sides, and little of it on the middle.
        d if d < 30.0 => scaled(sweep(x, y), 1.0 - 0.4 * ((d - 4.0) / 22.0).clamp(0.0, 1.0)),
        d if d < 50.0 => [0.05, 0.06, 0.08],
        d => scaled(sweep(x, y), 1.0 - 0.4 * ((78.0 - d) / 24.0).clamp(0.0, 1.0)),
    };
    let ground = ground(sweep, shown, &account);
    for (x, y, set) in [(40, 40, 1), (40, 50, 1), (40, 60, 0), (3, 40, 1)] {
        assert_eq!(ground.background.at(x, y), set, "{x} {y}");
    }
}

#[test]
fn thrown_light_is_one_where_nothing_happens_whatever_the_drift() {
    let account = Account::unlimited();
    let shade = |d: f32| 1.0 / (1.0 + (d / 30.0) * (d / 30.0) * (d / 30.0) * (d / 30.0));
    let drift = |x: i32| 1.0 + 0.0004 * (x - 80) as f32;
    let piece = |x: i32, y: i32, dark: f32| match distance(x, y) {
        d if d < 18.0 => [0.7, 0.2, 0.1],
        d => scaled(plain(x, y), drift(x) * (1.0 - dark * shade(d))),
    };
    for dark in [0.0, 0.4] {
        let ground = ground(plain, |x, y| piece(x, y, dark), &account);
        let mut body = Raster::filled(ground.background.rect(), 0u8, &account).unwrap();
        for (body, &set) in body.data_mut().iter_mut().zip(ground.background.data()) {
            *body = 1 - set;
        }
        assert!(left(&ground) > 200 && left(&ground) < 500);
        let none = Raster::filled(Rect::EMPTY, 0u8, &account).unwrap();
        let mut matte = Matte::filled(Rect::of_size(160, 160), 0.0, &account).unwrap();
        for y in 0..160 {
            for x in 0..160 {
                matte.put(x, y, f32::from(u8::from(distance(x, y) < 18.0)));
            }
        }
        let (thrown, _) = shadow::thrown(&ground, &body, &matte, (&[], &none), &account).unwrap();
        assert_eq!(thrown.cells.at(2, 70), [1.0; 3]);
        assert_eq!(thrown.cells.at(77, 5), [1.0; 3]);
        let beside = thrown.cells.at(40, 40 + 13)[1];
        let want = 1.0 - dark * shade(27.0);
        assert!((beside - want).abs() < 0.03, "{beside} for {want}");
    }
}

#[test]
fn what_a_flag_did_is_not_thrown() {
    let account = Account::unlimited();
    // A shadow beside the piece by its outline, and an edge of light that falls to the left.
    let shade = |x: i32, y: i32| {
        let (dx, dy) = (x as f32 - 102.0, y as f32 - 92.0);
        1.0 - 0.3 * ((18.0 - (dx * dx + dy * dy).sqrt()) / 30.0 + 0.5).clamp(0.0, 1.0)
    };
    let beside = |x: i32, y: i32| {
        let (dx, dy) = (x as f32 - 90.0, y as f32 - 80.0);
        (dx * dx + dy * dy).sqrt()
    };
    for change in [0.0, -0.25, 0.2] {
        let flag = |x: i32| 1.0 + change / (1.0 + libm::expf((x as f32 - 22.0) / 5.0));
        let shown = |x: i32, y: i32| match beside(x, y) {
            d if d < 18.0 => [0.7, 0.2, 0.1],
            _ => scaled(plain(x, y), shade(x, y) * flag(x)),
        };
        let ground = ground(plain, shown, &account);
        let mut body = Raster::filled(ground.background.rect(), 0u8, &account).unwrap();
        for (body, &set) in body.data_mut().iter_mut().zip(ground.background.data()) {
            *body = 1 - set;
        }
        let none = Raster::filled(Rect::EMPTY, 0u8, &account).unwrap();
        let mut matte = Matte::filled(Rect::of_size(160, 160), 0.0, &account).unwrap();
        for y in 0..160 {
            for x in 0..160 {
                matte.put(x, y, f32::from(u8::from(beside(x, y) < 18.0)));
            }
        }
        let (thrown, flags) =
            shadow::thrown(&ground, &body, &matte, (&[], &none), &account).unwrap();
        assert_eq!(flags.field.is_some(), change != 0.0, "{change}");
        for y in (2..80).step_by(7) {
            for x in [1, 6, 11, 16, 74] {
                let far = thrown.cells.at(x, y)[1];
                assert!((far - 1.0).abs() < 0.004, "{change}: {x} {y}: {far}");
            }
        }
        let (got, want) = (thrown.cells.at(53, 53)[1], shade(106, 106));
        assert!((got - want).abs() < 0.04, "{change}: {got} for {want}");
    }
}

#[test]
fn the_outside_of_within_is_no_limit_to_the_set() {
    let account = Account::unlimited();
    // A frame whose border is all rod: only what lies outside `within` says what the set is.
    let shown = |x: i32, y: i32| {
        let edge = x.min(y).min(SIDE - 1 - x).min(SIDE - 1 - y);
        if edge < 14 || distance(x, y) < 25.0 {
            [0.02, 0.3, 0.5]
        } else {
            busy(x, y)
        }
    };
    let plate = noisy(picture(&account, busy), 1);
    let frame = noisy(picture(&account, shown), 2);
    let mut within = Matte::filled(Rect::new(45, 45, 70, 70), 1.0, &account).unwrap();
    within.put(45, 45, 0.0);
    let asked = Ask {
        within: Some(&within),
        ..Ask::of(&frame, &plate)
    };
    let (ground, _) = found(&asked, &account).unwrap();
    assert_eq!(ground.background.at(16, 40), 1);
    assert_eq!(ground.background.at(40, 40), 0);
}

#[test]
fn tiny_blank_and_broken_pictures_are_survived() {
    let account = Account::unlimited();
    for (rect, value) in [
        (Rect::new(0, 0, 1, 1), 0.5),
        (Rect::new(-3, 7, 3, 1), 0.0),
        (Rect::new(1, 1, 40, 33), 0.0),
        (Rect::new(0, 0, 40, 40), f32::NAN),
        (Rect::new(0, 0, 25, 60), 1.0),
        (Rect::EMPTY, 0.0),
    ] {
        let frame = Light::filled(rect, [value; 3], &account).unwrap();
        let plate = Light::filled(rect, [0.5; 3], &account).unwrap();
        for (a, b) in [(&frame, &plate), (&plate, &frame), (&frame, &frame)] {
            let (ground, _) = found(&Ask::of(a, b), &account).unwrap();
            assert!(
                ground
                    .light
                    .cells
                    .data()
                    .iter()
                    .flatten()
                    .all(|v| v.is_finite())
            );
            let body = Raster::filled(Rect::EMPTY, 0u8, &account).unwrap();
            let matte = Matte::filled(Rect::EMPTY, 0.0, &account).unwrap();
            let (thrown, _) =
                shadow::thrown(&ground, &body, &matte, (&[], &body), &account).unwrap();
            assert!(thrown.cells.data().iter().flatten().all(|v| v.is_finite()));
        }
    }
}

#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let account = Account::unlimited();
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            let shown = |x, y| {
                if distance(x, y) < 30.0 {
                    [0.4, 0.1, 0.3]
                } else {
                    busy(x, y)
                }
            };
            let ground = ground(busy, shown, &account);
            let bits: Vec<u32> = ground
                .light
                .cells
                .data()
                .iter()
                .flatten()
                .map(|v| v.to_bits())
                .collect();
            (ground.background.data().to_vec(), bits, ground.noise)
        })
    };
    assert_eq!(run(1), run(2));
}
