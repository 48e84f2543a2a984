//! Pieces whose coverage is known exactly, by geometry.

use super::*;

/// Table light 0.2 with a fine texture, piece light, both known.
pub struct Scene {
    pub frame: Light,
    pub backdrop: Light,
    pub body: Raster<u8>,
    pub truth: Matte,
}

pub const NOISE: Noise = Noise {
    p: [2e-5; 3],
    q: [2e-7; 3],
    r: [0.0; 3],
};

/// A table in patches of three lights, so that no piece is like all of it.
fn table(x: i32, y: i32) -> [f32; 3] {
    let v = 0.16 + 0.03 * ((x.div_euclid(7) + 2 * y.div_euclid(5)).rem_euclid(3) as f32);
    [v, v * 1.05, v * 0.9]
}

pub fn scene(
    size: i32,
    coverage: impl Fn(f64, f64) -> f64,
    light: impl Fn(i32, i32) -> [f32; 3],
) -> Scene {
    let account = Account::unlimited();
    let rect = Rect::of_size(size as u32, size as u32);
    let half = (size as u32).div_ceil(2);
    let mut frame = Light::filled(rect, [0.0; 3], &account).unwrap();
    let mut backdrop = Light::filled(rect, [0.0; 3], &account).unwrap();
    let mut truth = Matte::filled(rect, 0.0, &account).unwrap();
    let mut body = Raster::filled(Rect::of_size(half, half), 0u8, &account).unwrap();
    for y in 0..size {
        for x in 0..size {
            let a = coverage(f64::from(x) + 0.5, f64::from(y) + 0.5) as f32;
            let (b, f) = (table(x, y), light(x, y));
            frame.put(x, y, std::array::from_fn(|k| a * f[k] + (1.0 - a) * b[k]));
            backdrop.put(x, y, b);
            truth.put(x, y, a);
            if a > 0.05 {
                body.put(x / 2, y / 2, 1);
            }
        }
    }
    Scene {
        frame,
        backdrop,
        body,
        truth,
    }
}

impl Scene {
    pub fn solved(&self, within: Option<&Matte>) -> Solved {
        self.known(within, |known| {
            solved(known, &Account::unlimited()).unwrap()
        })
    }

    /// Does something with what is known of the scene: it has neither holes nor rods.
    pub fn known<T>(&self, within: Option<&Matte>, act: impl FnOnce(&Known) -> T) -> T {
        let account = Account::unlimited();
        act(&Known {
            frame: &self.frame,
            backdrop: &self.backdrop,
            noise: &NOISE,
            grain: 1.0,
            plate_frames: 1,
            body: &self.body,
            open: &Raster::filled(Rect::EMPTY, 0, &account).unwrap(),
            rig: &Matte::filled(Rect::EMPTY, 0.0, &account).unwrap(),
            within,
            sigma: None,
        })
    }
}

fn at(matte: &Matte, x: i32, y: i32) -> f32 {
    if matte.rect().contains(x, y) {
        matte.at(x, y)
    } else {
        0.0
    }
}

fn sum(matte: &Matte) -> f64 {
    matte.data().iter().map(|&a| f64::from(a)).sum()
}

/// Largest difference to the truth, anywhere.
fn worst(scene: &Scene, solved: &Solved) -> f32 {
    let rect = scene.truth.rect();
    let mut worst = 0.0f32;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            worst = worst.max((at(&solved.matte, x, y) - scene.truth.at(x, y)).abs());
        }
    }
    worst
}

const RED: [f32; 3] = [0.6, 0.1, 0.05];

/// Share of pixel (x, y) inside the disc, by 16 x 16 points.
fn disc(x: f64, y: f64, middle: f64, radius: f64) -> f64 {
    let mut count = 0;
    for v in 0..16 {
        for u in 0..16 {
            let (dx, dy) = (
                x - 0.5 + (f64::from(u) + 0.5) / 16.0 - middle,
                y - 0.5 + (f64::from(v) + 0.5) / 16.0 - middle,
            );
            count += u32::from(dx * dx + dy * dy <= radius * radius);
        }
    }
    f64::from(count) / 256.0
}

#[test]
fn a_straight_edge_covers_what_it_cuts() {
    for t in [0.0, 0.25, 0.5, 0.8] {
        // The half plane ends t into pixel column 40.
        let scene = scene(
            96,
            |x, _| (40.0 + t - (x - 0.5)).clamp(0.0, 1.0),
            |_, _| RED,
        );
        let got = scene.solved(None);
        for y in 8..88 {
            assert!(
                (f64::from(at(&got.matte, 40, y)) - t).abs() < 0.02,
                "{t} row {y}"
            );
        }
        assert!(worst(&scene, &got) < 0.02, "{t}: {}", worst(&scene, &got));
    }
}

#[test]
fn a_disc_has_its_area() {
    let scene = scene(80, |x, y| disc(x, y, 40.0, 10.0), |_, _| RED);
    let got = scene.solved(None);
    // pi r^2
    assert!(
        (sum(&got.matte) - 314.159).abs() < 1.5,
        "{}",
        sum(&got.matte)
    );
}

#[test]
fn a_line_has_its_width() {
    // 2.4 px wide, 60 long.
    let across = |x: f64| ((x + 0.5).min(41.9) - (x - 0.5).max(39.5)).clamp(0.0, 1.0);
    let along = |y: f64| f64::from(u8::from(y > 20.0 && y < 80.0));
    let scene = scene(100, |x, y| across(x) * along(y), |_, _| RED);
    let got = scene.solved(None);
    assert!(
        (sum(&got.matte) - 2.4 * 60.0).abs() < 6.0,
        "{}",
        sum(&got.matte)
    );
}

#[test]
fn a_piece_out_of_focus_keeps_its_soft_edge() {
    // A wide disc under a blur disc of radius 6: near the edge as a straight edge under that blur, whose share is the
    // circular segment's.
    let share = |t: f64| {
        let t = (t / 6.0).clamp(-1.0, 1.0);
        let angle = libm::acos(-t);
        (angle + t * (1.0 - t * t).sqrt()) / std::f64::consts::PI
    };
    let from_edge =
        |x: f64, y: f64| 40.0 - ((x - 70.0) * (x - 70.0) + (y - 70.0) * (y - 70.0)).sqrt();
    let scene = scene(140, |x, y| share(from_edge(x, y)), |_, _| RED);
    let got = scene.solved(None);
    assert!(worst(&scene, &got) < 0.04, "{}", worst(&scene, &got));
    let off: f64 = sum(&got.matte) - sum(&scene.truth);
    assert!(off.abs() < 0.01 * sum(&scene.truth), "{off}");
}

#[test]
fn an_opaque_grey_piece_keeps_its_grey() {
    let scene = scene(120, |x, y| disc(x, y, 60.0, 20.0), |_, _| [0.5; 3]);
    let got = scene.solved(None);
    let rect = got.colour.rect();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            for v in got.colour.at(x, y) {
                assert!((v - 0.5).abs() < 0.02, "({x}, {y}): {v}");
            }
        }
    }
    assert_eq!(got.colour.at(60, 60), [0.5; 3]);
    assert!(rect.contains(60 - 20 - 30, 60), "carried 30 px: {rect:?}");
}

#[test]
fn nothing_is_kept_outside_the_limit() {
    let account = Account::unlimited();
    let scene = scene(80, |x, y| disc(x, y, 40.0, 20.0), |_, _| RED);
    let mut within = Matte::filled(Rect::new(0, 0, 45, 80), 1.0, &account).unwrap();
    within.put(30, 40, 0.0);
    let got = scene.solved(Some(&within));
    assert_eq!(at(&got.matte, 30, 40), 0.0);
    assert_eq!(at(&got.matte, 31, 40), 1.0);
    assert_eq!(at(&got.matte, 45, 40), 0.0);
    assert_eq!(at(&got.matte, 44, 40), 1.0);
}

#[test]
fn the_same_bytes_on_one_thread_and_on_two() {
    let scene = scene(
        120,
        |x, y| disc(x, y, 60.0, 30.0),
        |x, y| [0.3 + 0.01 * ((x * 7 + y * 3) % 13) as f32, 0.2, 0.4],
    );
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        let got = pool.install(|| scene.solved(None));
        let bits = |v: &f32| v.to_bits();
        let matte: Vec<u32> = got.matte.data().iter().map(bits).collect();
        let colour: Vec<u32> = got.colour.data().iter().flatten().map(bits).collect();
        (matte, colour)
    };
    assert!(run(1) == run(2));
}

#[test]
fn tiny_empty_and_broken_pictures() {
    for size in [1, 2, 3, 5] {
        let full = scene(size, |_, _| 1.0, |_, _| RED).solved(None);
        assert!(
            full.matte.data().iter().all(|a| (0.0..=1.0).contains(a)),
            "{size}"
        );
        let none = scene(size, |_, _| 0.0, |_, _| RED).solved(None);
        assert!(none.matte.rect().is_empty());
    }
    let broken = scene(
        40,
        |x, y| disc(x, y, 20.0, 8.0),
        |x, y| {
            if (x + y) % 5 == 0 {
                [f32::NAN; 3]
            } else {
                [f32::INFINITY; 3]
            }
        },
    );
    let got = broken.solved(None);
    assert!(got.matte.data().iter().all(|a| (0.0..=1.0).contains(a)));
    let black = scene(40, |_, _| 1.0, |_, _| [0.0; 3]).solved(None);
    assert!(black.matte.data().iter().all(|&a| a > 0.9));
}

#[test]
fn a_slit_is_open_and_leaves_the_outline_as_it_is() {
    // A bar of 40 pixels with a slit of one along its middle, half open.
    let bar = |x: f64, _: f64| {
        let edge = (20.5 - (x - 50.0).abs()).clamp(0.0, 1.0);
        if (49.0..50.0).contains(&x) { 0.5 } else { edge }
    };
    let scene = scene(100, bar, |_, _| [0.7, 0.5, 0.2]);
    let account = Account::unlimited();
    let mut open = Raster::filled(Rect::of_size(100, 100), 0u8, &account).unwrap();
    for y in 0..100 {
        open.put(49, y, 127);
    }
    let rig = Matte::filled(Rect::EMPTY, 0.0, &account).unwrap();
    let known = |open| Known {
        frame: &scene.frame,
        backdrop: &scene.backdrop,
        noise: &NOISE,
        grain: 1.0,
        plate_frames: 1,
        body: &scene.body,
        open,
        rig: &rig,
        within: None,
        sigma: None,
    };
    let slit = solved(&known(&open), &account).unwrap().matte;
    let none = Raster::filled(Rect::EMPTY, 0, &account).unwrap();
    let whole = solved(&known(&none), &account).unwrap().matte;
    for y in 20..80 {
        assert!((slit.at(49, y) - 0.5).abs() < 0.1, "{}", slit.at(49, y));
        assert!(whole.at(49, y) > 0.9);
        for x in [20, 27, 30, 31, 40, 60, 69, 70, 75] {
            assert!((slit.at(x, y) - whole.at(x, y)).abs() < 0.03, "{x} {y}");
        }
    }
}

/// A slanted edge, soft by a pixel, and how deep below it a pixel lies.
fn slanted(x: f64, y: f64) -> (f64, f64) {
    let deep = (x - 30.0) * 0.949 + (y - 48.0) * 0.316;
    ((deep + 0.5).clamp(0.0, 1.0), deep)
}

/// Mean error beside the slanted edge, away from the picture's border.
fn beside_the_edge(scene: &Scene, solved: &Solved) -> f32 {
    let (mut sum, mut count) = (0.0, 0.0);
    for y in 16..80 {
        for x in 8..60 {
            let (_, deep) = slanted(f64::from(x) + 0.5, f64::from(y) + 0.5);
            if deep.abs() < 3.0 {
                sum += (at(&solved.matte, x, y) - scene.truth.at(x, y)).abs();
                count += 1.0;
            }
        }
    }
    sum / count
}

/// Numbers from -1 to 1 that look like none of each other.
fn sparkle(x: i32, y: i32) -> f32 {
    let mut h = (x as u32).wrapping_mul(0x9e37_79b1) ^ (y as u32).wrapping_mul(0x85eb_ca77);
    h ^= h >> 15;
    h = h.wrapping_mul(0x2c1b_3c6d);
    h ^= h >> 12;
    (h & 0xffff) as f32 / 32_768.0 - 1.0
}

#[test]
fn a_dark_rim_before_a_highlight_is_piece() {
    let scene = scene(
        96,
        |x, y| slanted(x, y).0,
        |x, y| {
            let (_, deep) = slanted(f64::from(x) + 0.5, f64::from(y) + 0.5);
            // White beyond what the frame holds, then a rim darker than the table.
            if deep > 2.0 {
                [1.0, 1.0, 1.0]
            } else {
                [0.04, 0.02, 0.008]
            }
        },
    );
    let off = beside_the_edge(&scene, &scene.solved(None));
    // Without the bound that light sets: 0.21.
    assert!(off < 0.03, "{off}");
}

#[test]
fn an_edge_of_sparkling_metal_is_a_line() {
    let scene = scene(
        96,
        |x, y| slanted(x, y).0,
        |x, y| {
            // Now darker, now brighter than the table, and of a tint much like it.
            let v = 0.2 * (1.0 + 0.9 * sparkle(x, y));
            [v, 0.9 * v, 0.7 * v]
        },
    );
    let off = beside_the_edge(&scene, &scene.solved(None));
    // Pixel by pixel it comes to 0.0143.
    assert!(off < 0.012, "{off}");
}

/// A block with arms on its right side, `arm` pixels wide every ten, all so much covered, in a body that has what lies
/// between them.
pub fn with_arms(arm: i32, cover: f64) -> Scene {
    let block = |x: i32, y: i32| (20..90).contains(&x) && (20..100).contains(&y);
    let arms = |x: i32, y: i32, wide: i32| {
        (90..130).contains(&x) && (20..100).contains(&y) && y % 10 < wide
    };
    let mut made = scene(
        150,
        |x, y| {
            let (x, y) = (x as i32, y as i32);
            cover * f64::from(u8::from(block(x, y) || arms(x, y, arm)))
        },
        |_, _| RED,
    );
    for y in 0..75 {
        for x in 0..75 {
            if arms(2 * x, 2 * y, 8) {
                made.body.put(x, y, 1);
            }
        }
    }
    made
}

#[test]
fn arms_like_hair_leave_a_piece_seen_through() {
    let made = with_arms(2, 0.5);
    assert!(strands::tests::is_open(&made));
    let got = made.solved(None);
    for (x, y) in [(40, 60), (55, 40), (60, 80)] {
        let a = at(&got.matte, x, y);
        assert!((a - 0.5).abs() < 0.1, "{x} {y}: {a}");
    }
}
