//! Rods and pieces of known geometry over a set of known light, so that every pixel's truth is a formula.

mod again;

use super::super::ground::Ground;
use super::super::{Ask, LightField, Noise, Notice};
use super::{Rig, found, mend::closed, mended};
use crate::budget::Account;
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

/// Grain of about one part in two hundred, the same everywhere.
fn grain(x: i32, y: i32, k: usize) -> f32 {
    let mut h = (x as u32).wrapping_mul(0x9E37_79B1)
        ^ (y as u32).wrapping_mul(0x85EB_CA77)
        ^ (k as u32 * 977);
    h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
    h = (h ^ (h >> 12)).wrapping_mul(0x297A_2D39);
    ((h ^ (h >> 15)) as f32 / u32::MAX as f32 - 0.5) * 0.004
}

fn wave(v: f64) -> f32 {
    libm::sin(v) as f32
}

fn set(x: i32, y: i32) -> [f32; 3] {
    let v =
        0.3 + 0.12 * wave(f64::from(x) * 0.21 + f64::from(y) * 0.13) * wave(f64::from(y) * 0.17);
    [v, 0.9 * v, 0.7 * v]
}

fn face(x: i32, y: i32) -> [f32; 3] {
    let v = 0.25 + 0.001 * (x + y) as f32;
    [v * 0.3, v * 0.5, v]
}

/// A rod: distance from its middle (and whether it is there at all), half width, its own light across, what it
/// lets through.
struct Made<'a> {
    middle: &'a dyn Fn(f64) -> f64,
    half: f64,
    own: &'a dyn Fn(f64) -> f32,
    through: f32,
    in_front: bool,
    from_top_to: f64,
}

/// An opaque grey rod behind the piece, straight.
fn plain(half: f64, from_top_to: f64) -> Made<'static> {
    Made {
        middle: &straight,
        half,
        own: &|_| 0.6,
        through: 0.0,
        in_front: false,
        from_top_to,
    }
}

struct Scene {
    frame: Light,
    plate: Light,
    ground: Ground,
    rod: Matte,
    piece: Matte,
}

const SIDE: i32 = 240;

/// The piece is a disc at (120, 150) of radius 50, or what `shape` says (signed distance, negative inside).
fn scene(rod: Option<&Made>, shape: &dyn Fn(f64, f64) -> f64) -> Scene {
    let account = Account::unlimited();
    let rect = Rect::of_size(SIDE as u32, SIDE as u32);
    let light = |v| Light::filled(rect, [v; 3], &account).unwrap();
    let matte = || Matte::filled(rect, 0.0, &account).unwrap();
    let (mut frame, mut plate, mut rods, mut piece) = (light(0.0), light(0.0), matte(), matte());
    for y in 0..SIDE {
        for x in 0..SIDE {
            let (px, py) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let a = (0.5 - shape(px, py)).clamp(0.0, 1.0) as f32;
            let mut seen = set(x, y);
            let (mut r, mut light) = (0.0f32, [0.0f32; 3]);
            if let Some(rod) = rod.filter(|rod| py < rod.from_top_to) {
                let step = (rod.middle)(py + 0.5) - (rod.middle)(py - 0.5);
                let u = (px - (rod.middle)(py)) / (1.0 + step * step).sqrt();
                r = (rod.half + 0.5 - u.abs()).clamp(0.0, 1.0) as f32;
                light = [(rod.own)(u), (rod.own)(u), 0.8 * (rod.own)(u)];
            }
            let through = rod.map_or(0.0, |rod| rod.through);
            let before = |seen: [f32; 3]| -> [f32; 3] {
                std::array::from_fn(|k| seen[k] + r * (light[k] + (through - 1.0) * seen[k]))
            };
            let front = rod.is_some_and(|rod| rod.in_front);
            if !front {
                seen = before(seen);
            }
            seen = std::array::from_fn(|k| a * face(x, y)[k] + (1.0 - a) * seen[k]);
            if front {
                seen = before(seen);
            }
            frame.put(x, y, std::array::from_fn(|k| seen[k] + grain(x, y, k)));
            plate.put(
                x,
                y,
                std::array::from_fn(|k| set(x, y)[k] + grain(x + 999, y, k)),
            );
            rods.put(x, y, r);
            piece.put(x, y, a);
        }
    }
    let half = Rect::of_size(SIDE as u32 / 2, SIDE as u32 / 2);
    let mut background = Raster::filled(half, 1u8, &account).unwrap();
    for y in 0..SIDE {
        for x in 0..SIDE {
            if piece.at(x, y) > 0.05 || rods.at(x, y) > 0.05 {
                background.put(x / 2, y / 2, 0);
            }
        }
    }
    let cells = Raster::filled(half, [1.0; 3], &account).unwrap();
    let noise = Noise {
        p: [0.0; 3],
        q: [3e-6; 3],
        r: [0.001; 3],
    };
    let ground = Ground {
        noise,
        grain: 1.0,
        background,
        light: LightField { cells },
    };
    Scene {
        frame,
        plate,
        ground,
        rod: rods,
        piece,
    }
}

fn disc(x: f64, y: f64) -> f64 {
    libm::hypot(x - 120.0, y - 150.0) - 50.0
}

impl Scene {
    fn ask(&self) -> Ask<'_> {
        Ask::of(&self.frame, &self.plate)
    }

    fn rig(&self) -> Rig {
        found(&self.ask(), &self.ground, &Account::unlimited()).unwrap()
    }

    /// Nothing of the rod is left beside the piece, nothing of the piece is taken, and the backdrop is what is seen.
    fn check(&self, rig: &Rig, widest_error: f32) {
        assert_eq!(rig.notices, []);
        let (mut all, mut left, mut taken, mut worst) = (0, 0, 0, 0.0f32);
        for y in 0..SIDE {
            for x in 0..SIDE {
                let far = disc(f64::from(x) + 0.5, f64::from(y) + 0.5);
                let is_rod = rig.cells.at(x / 2, y / 2) == 1;
                if self.rod.at(x, y) > 0.5 && far > 3.0 {
                    all += 1;
                    left += u32::from(!is_rod);
                    assert!(
                        rig.known.rect().contains(x, y) && rig.known.at(x, y) == 1,
                        "at {x} {y}"
                    );
                    for k in 0..3 {
                        worst =
                            worst.max((rig.backdrop.at(x, y)[k] - self.frame.at(x, y)[k]).abs());
                    }
                }
                taken += u32::from(is_rod && far < -4.0);
            }
        }
        assert_eq!((left, taken), (0, 0), "of {all}");
        assert!(worst < widest_error, "backdrop off by {worst}");
    }
}

fn straight(y: f64) -> f64 {
    100.0 + 0.13 * y
}

#[test]
fn an_opaque_rod_is_followed_to_the_piece_and_carried_under_it() {
    let rod = plain(4.0, 140.0);
    let scene = scene(Some(&rod), &disc);
    let rig = scene.rig();
    scene.check(&rig, 0.06);
    // Under the piece, as far as a sharp edge's pixels are mixed, the backdrop is rod.
    let (x, y) = (straight(101.5) as i32, 101);
    assert!(scene.piece.at(x, y) == 1.0 && rig.known.at(x, y) == 1);
    assert!(
        (rig.backdrop.at(x, y)[0] - 0.6).abs() < 0.02,
        "{:?}",
        rig.backdrop.at(x, y)
    );
    assert!(rig.crossing.data().iter().all(|v| *v == 0.0));
}

#[test]
fn a_glossy_rod_keeps_its_highlight() {
    let own = |u: f64| 0.15 + 0.7 * libm::exp(-(u - 1.0) * (u - 1.0)) as f32;
    let rod = Made {
        middle: &straight,
        half: 5.0,
        own: &own,
        through: 0.0,
        in_front: false,
        from_top_to: 140.0,
    };
    let scene = scene(Some(&rod), &disc);
    scene.check(&scene.rig(), 0.12);
}

#[test]
fn a_glassy_rod_lets_the_set_through() {
    let rod = Made {
        middle: &straight,
        half: 5.0,
        own: &|_| 0.1,
        through: 0.5,
        in_front: false,
        from_top_to: 140.0,
    };
    let scene = scene(Some(&rod), &disc);
    scene.check(&scene.rig(), 0.03);
}

#[test]
fn a_bent_wire_is_followed() {
    let bent = |y: f64| 105.0 + 0.0015 * (y - 20.0) * (y - 20.0);
    let rod = Made {
        middle: &bent,
        half: 1.1,
        own: &|_| 0.02,
        through: 0.0,
        in_front: false,
        from_top_to: 140.0,
    };
    let scene = scene(Some(&rod), &disc);
    scene.check(&scene.rig(), 0.12);
}

#[test]
fn a_rod_in_front_is_marked_over_the_face_to_its_end() {
    let rod = Made {
        middle: &straight,
        half: 3.0,
        own: &|_| 0.8,
        through: 0.0,
        in_front: true,
        from_top_to: 150.0,
    };
    let scene = scene(Some(&rod), &disc);
    let rig = scene.rig();
    let at = |y: i32| {
        let x = straight(f64::from(y) + 0.5) as i32;
        if rig.crossing.rect().contains(x, y) {
            rig.crossing.at(x, y)
        } else {
            0.0
        }
    };
    assert!(at(120) > 0.9 && at(145) > 0.9, "{} {}", at(120), at(145));
    assert!(at(156) == 0.0 && at(60) == 0.0);
    // Coverage and colour come back.
    let account = Account::unlimited();
    let mut matte = scene.piece.cropped(scene.piece.rect(), &account).unwrap();
    let mut colour = scene.frame.cropped(scene.frame.rect(), &account).unwrap();
    for y in 0..SIDE {
        for x in 0..SIDE {
            if rig.crossing.rect().contains(x, y) && rig.crossing.at(x, y) > 0.0 {
                matte.put(x, y, 0.4);
            }
        }
    }
    closed(&mut matte, &rig.crossing, &account).unwrap();
    mended(&mut colour, &matte, &rig.crossing, &account).unwrap();
    let (mut sum, mut count) = (0.0f32, 0.0f32);
    for y in 0..SIDE {
        for x in 0..SIDE {
            let off = (matte.at(x, y) - scene.piece.at(x, y)).abs();
            if rig.crossing.rect().contains(x, y) && rig.crossing.at(x, y) > 0.0 {
                sum += off;
                count += 1.0;
            }
            if scene.piece.at(x, y) == 1.0 && disc(f64::from(x), f64::from(y)) < -4.0 && y < 148 {
                for k in 0..3 {
                    let off = (colour.at(x, y)[k] - face(x, y)[k]).abs();
                    assert!(off < 0.015, "colour off by {off} at {x} {y}");
                }
            }
        }
    }
    assert!(sum < 0.03 * count, "coverage off by {}", sum / count);
}

/// Rods found of one that bends by a tenth of its length, with stripes of light and dark across it by so much.
fn found_bowed(stripes: f32) -> usize {
    let bent = |y: f64| 88.0 + 0.004 * (y - 10.0) * (y - 10.0);
    let rod = Made {
        middle: &bent,
        ..plain(3.0, 140.0)
    };
    let mut scene = scene(Some(&rod), &disc);
    for y in 0..120 {
        for x in 70..170 {
            let (r, a) = (scene.rod.at(x, y), scene.piece.at(x, y));
            let more = stripes * r * (1.0 - a) * wave(f64::from(y) * 0.9);
            let seen = scene.frame.at(x, y).map(|v| v + more);
            scene.frame.put(x, y, seen);
        }
    }
    scene.rig().lines.len()
}

#[test]
fn what_bends_like_a_jet_must_look_alike_all_along_to_be_a_rod() {
    assert_eq!(found_bowed(0.0), 1);
    assert_eq!(found_bowed(0.3), 0);
}

/// Thin parts that are told of a piece: a disc with `more` on it, or beside it.
fn thin_parts(more: &dyn Fn(f64, f64) -> f64) -> Vec<Rect> {
    let rig = scene(None, &|x, y| disc(x, y).min(more(x, y))).rig();
    (rig.notices.iter())
        .filter_map(|notice| match notice {
            Notice::ThinPart { place } => Some(*place),
            _ => None,
        })
        .collect()
}

#[test]
fn a_thin_part_on_the_way_to_the_border_is_told() {
    // It fades out of sight 14 px from the border; and once more before the piece.
    let bar = |x: f64, y: f64| ((x - 120.0).abs() - 2.5).max(14.0 - y).max(y - 110.0);
    let told = thin_parts(&bar);
    assert_eq!(told.len(), 1);
    assert!(
        (12..18).contains(&told[0].y0) && (84..110).contains(&told[0].y1),
        "{told:?}"
    );
    assert!(told[0].x0 > 110 && told[0].x1 < 130, "{told:?}");
    let apart = thin_parts(&|x, y| bar(x, y).max(y - 80.0));
    assert_eq!(apart.len(), 1);
    assert!((78..84).contains(&apart[0].y1), "{apart:?}");
}

#[test]
fn a_pieces_own_thin_parts_are_not_told() {
    let point = |x: f64, y: f64| (x - 120.0).abs() - 0.12 * (y - 14.0);
    assert_eq!(thin_parts(&|x, y| point(x, y).max(y - 110.0)), []);
    let ring = |x: f64, y: f64| (libm::hypot(x - 120.0, y - 70.0) - 45.0).abs() - 3.0;
    assert_eq!(thin_parts(&ring), []);
    // Far from the border.
    let stub = |x: f64, y: f64| ((x - 120.0).abs() - 2.5).max(60.0 - y).max(y - 110.0);
    assert_eq!(thin_parts(&stub), []);
    // Beside the piece, but not on the way to it.
    let line = |x: f64, y: f64| ((y - 30.0).abs() - 2.5).max(40.0 - x).max(x - 100.0);
    assert_eq!(thin_parts(&line), []);
}

#[test]
fn a_rim_along_the_border_hides_no_rod() {
    let rod = plain(4.0, 140.0);
    let mut scene = scene(Some(&rod), &disc);
    for x in 0..SIDE {
        scene.ground.background.put(x / 2, 0, 0);
    }
    let rig = scene.rig();
    assert_eq!(rig.notices, []);
    for y in 10..90 {
        let x = straight(f64::from(y) + 0.5) as i32;
        assert!(rig.coverage.at(x, y) > 0.9, "at {x} {y}");
    }
}

#[test]
fn a_rods_shadow_is_marked_and_no_other() {
    let rod = plain(4.0, 140.0);
    // The piece's shadow lies 60 px right of it and 30 px down, and is darker; the rod's runs to it.
    let cast = |thrown: bool, x: f64, y: f64| {
        let own = 1.0 / (1.0 + libm::exp(0.2 * disc(x - 60.0, y - 30.0)));
        let (u, above) = (x - 60.0 - straight(y - 30.0), y < 140.0);
        let line = if thrown && above {
            libm::exp(-u * u / 72.0)
        } else {
            0.0
        };
        1.0 - 0.3 * own - 0.04 * line
    };
    for thrown in [true, false] {
        let mut scene = scene(Some(&rod), &disc);
        let rect = scene.ground.light.cells.rect();
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                let s = cast(thrown, 2.0 * f64::from(x) + 1.0, 2.0 * f64::from(y) + 1.0);
                scene.ground.light.cells.put(x, y, [s as f32; 3]);
                for (px, py) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    let (px, py) = (2 * x + px, 2 * y + py);
                    let open = 1.0 - scene.piece.at(px, py).max(scene.rod.at(px, py));
                    let more = (s as f32 - 1.0) * open;
                    let seen = scene.frame.at(px, py);
                    let b = set(px, py);
                    let lit = std::array::from_fn(|k| seen[k] + more * b[k]);
                    scene.frame.put(px, py, lit);
                }
            }
        }
        let shadow = scene.rig().shadow;
        if !thrown {
            assert!(shadow.data().iter().all(|&v| v == 0));
            continue;
        }
        for y in 6..100 {
            let middle = 60.0 + straight(f64::from(y) - 30.0);
            let at = |off: f64| shadow.at(((middle + off) / 2.0) as i32, y / 2);
            assert_eq!((at(0.0), at(-32.0), at(32.0)), (1, 0, 0), "row {y}");
        }
    }
}

#[test]
fn a_pointed_piece_that_ends_in_the_frame_has_no_rod() {
    // A nib: a wedge whose tip lies 20 px below the frame's upper border.
    let nib = |x: f64, y: f64| ((x - 120.0).abs() - 0.16 * (y - 20.0)).max(y - 200.0);
    let rig = scene(None, &nib).rig();
    assert!(rig.coverage.rect().is_empty() && rig.notices.is_empty());
    assert!(rig.cells.data().iter().all(|c| *c == 0));
}

#[test]
fn a_piece_that_runs_out_of_the_frame_is_told() {
    let rig = scene(None, &|x, y| (x - 120.0).abs().max(y - 100.0) - 50.0).rig();
    assert!(
        matches!(rig.notices[..], [Notice::RodNotFound { place }] if place.y0 == 0),
        "{:?}",
        rig.notices
    );
    assert!(rig.coverage.rect().is_empty());
}

#[test]
fn the_same_bytes_on_any_number_of_threads() {
    let rod = Made {
        middle: &straight,
        half: 4.0,
        own: &|_| 0.6,
        through: 0.0,
        in_front: true,
        from_top_to: 150.0,
    };
    let scene = scene(Some(&rod), &disc);
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            let (rig, account) = (scene.rig(), Account::unlimited());
            let mut colour = scene.frame.cropped(scene.frame.rect(), &account).unwrap();
            mended(&mut colour, &scene.piece, &rig.crossing, &account).unwrap();
            let bits = |light: &Light| {
                light
                    .data()
                    .iter()
                    .flatten()
                    .map(|v| v.to_bits())
                    .collect::<Vec<_>>()
            };
            (bits(&rig.backdrop), bits(&colour))
        })
    };
    assert_eq!(run(1), run(3));
}

#[test]
fn tiny_pictures_and_nonsense_are_no_trouble() {
    let account = Account::unlimited();
    for (width, height) in [(1, 1), (2, 3), (5, 1), (12, 12)] {
        for value in [0.5, f32::NAN] {
            let rect = Rect::new(-3, 5, width, height);
            let frame = Light::filled(rect, [value; 3], &account).unwrap();
            let half = Rect {
                x0: -2,
                y0: 2,
                x1: (rect.x1 + 1).div_euclid(2),
                y1: (rect.y1 + 1).div_euclid(2),
            };
            let ground = Ground {
                noise: Noise::default(),
                grain: 1.0,
                background: Raster::filled(half, 0, &account).unwrap(),
                light: LightField {
                    cells: Raster::filled(half, [1.0; 3], &account).unwrap(),
                },
            };
            let ask = Ask::of(&frame, &frame);
            let rig = found(&ask, &ground, &account).unwrap();
            assert!(rig.coverage.rect().is_empty());
            let (mut colour, mut matte) = (
                frame.cropped(rect, &account).unwrap(),
                Matte::filled(rect, 1.0, &account).unwrap(),
            );
            let area = Matte::filled(rect, 1.0, &account).unwrap();
            closed(&mut matte, &area, &account).unwrap();
            mended(&mut colour, &matte, &area, &account).unwrap();
        }
    }
}
