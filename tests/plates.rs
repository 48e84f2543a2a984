//! Files of one plate between which the camera was bumped and the flash drifted: laid onto the first, in its light, and
//! only what is left of a difference is one.

mod common;

use common::{Dice, folder, rgb16};
use platewright::budget::Account;
use platewright::color::Named;
use platewright::diag::{Finding, Severity};
use platewright::geom::{Map, Rect};
use platewright::plan::{self, Plan, Settings};
use platewright::raster::Seen;
use platewright::scene::{self, FileLoader};
use platewright::settle::{self, PlateFile, PlateSight, Settled};
use std::fs;
use std::path::Path;

const W: u32 = 240;
const H: u32 = 200;

/// How one file was shot: what the camera moved the picture by, the light, what was left in the set.
#[derive(Clone, Copy)]
struct Take {
    bump: [f64; 2],
    gain: f64,
    seed: u64,
    left: Option<Rect>,
}

const STILL: Take = Take {
    bump: [0.0, 0.0],
    gain: 1.0,
    seed: 1,
    left: None,
};

/// Light of the set at a place: planks, grain, and a dark block with sharp edges.
fn light(x: f64, y: f64) -> f64 {
    if (80.3..150.6).contains(&x) && (60.7..140.2).contains(&y) {
        return 0.04;
    }
    let grain = libm::sin(x * 0.9 + 2.0 * libm::sin(y * 0.05)) * 0.03;
    let planks = libm::sin(y * 0.13) * 0.06 + libm::sin(x * 0.07 + y * 0.02) * 0.04;
    0.3 + grain + planks
}

/// A file of the plate: every pixel the mean light of its area, with noise.
fn shot(at: &Path, name: &str, take: Take) {
    let mut dice = Dice::new(take.seed);
    let mut codes = Vec::new();
    for y in 0..H {
        for x in 0..W {
            let mut sum = 0.0;
            for k in 0..16 {
                let (u, v) = (
                    0.125 + 0.25 * f64::from(k % 4),
                    0.125 + 0.25 * f64::from(k / 4),
                );
                sum += light(
                    f64::from(x) + u - take.bump[0],
                    f64::from(y) + v - take.bump[1],
                );
            }
            let mut light = take.gain * sum / 16.0;
            if take
                .left
                .is_some_and(|left| left.contains(x as i32, y as i32))
            {
                light *= 0.8;
            }
            for _ in 0..3 {
                // Twelve throws are a normal deviate, nearly.
                let throws = (0..12).map(|_| f64::from(dice.below(1 << 16)) / 65536.0);
                let noise = throws.sum::<f64>() - 6.0;
                let seen = light + 0.002 * noise;
                codes.push((srgb(seen) * 65535.0 + 0.5) as u16);
            }
        }
    }
    rgb16(&at.join("frames").join(name), W, H, &codes, Named::Srgb);
}

/// IEC 61966-2-1.
fn srgb(light: f64) -> f64 {
    if light <= 0.003_130_8 {
        12.92 * light.max(0.0)
    } else {
        1.055 * libm::pow(light, 1.0 / 2.4) - 0.055
    }
}

fn planned(at: &Path, files: &[&str]) -> Plan {
    let files: Vec<String> = files.iter().map(|f| format!("\"frames/{f}\"")).collect();
    let text = format!(
        "scene \"t\" language=1\nplate {}\noutput \"master\" {{ file \"out.tif\" }}\n",
        files.join(" ")
    );
    fs::write(at.join("scene.kdl"), text).unwrap();
    let scene = scene::read(&at.join("scene.kdl"), &[], &FileLoader).unwrap();
    let planned = plan::planned(&scene, &Settings::default(), &Account::unlimited());
    planned.unwrap().0
}

fn settled(plan: &Plan) -> Result<Settled, Finding> {
    settle::settled(plan, &Account::unlimited())
}

/// The first channel of a plate's mean.
fn mean(plan: &Plan, settled: &Settled) -> Vec<f32> {
    let shots = &plan.plates[0].shots;
    let files: Vec<PlateFile> = shots
        .iter()
        .enumerate()
        .map(|(k, &id)| {
            let still = PlateFile::still(plan.footage.shot(id));
            match k.checked_sub(1).map(|k| &settled.fellows[0][k]) {
                None => still,
                Some(laid) => PlateFile {
                    carry: laid.carry.inverted().unwrap(),
                    gains: laid.gains,
                    ..still
                },
            }
        })
        .collect();
    let sight = PlateSight {
        files: &files,
        held: None,
        account: Account::unlimited(),
    };
    let light = sight.light(sight.rect()).unwrap();
    light.data().iter().map(|pixel| pixel[0]).collect()
}

fn deviation(seen: &[f32]) -> f64 {
    let mut sum = 0.0;
    let mut count = 0.0;
    for y in 12..H - 12 {
        for x in 12..W - 12 {
            let truth: f64 = (0..16)
                .map(|k| {
                    let (u, v) = (
                        0.125 + 0.25 * f64::from(k % 4),
                        0.125 + 0.25 * f64::from(k / 4),
                    );
                    light(f64::from(x) + u, f64::from(y) + v)
                })
                .sum::<f64>()
                / 16.0;
            let off = f64::from(seen[(y * W + x) as usize]) - truth;
            sum += off * off;
            count += 1.0;
        }
    }
    (sum / count).sqrt()
}

#[test]
fn a_bump_and_a_drift_between_files_of_a_plate_are_undone() {
    let at = folder("plates-bump");
    shot(&at, "p1.tif", STILL);
    let bumped = Take {
        bump: [0.42, -0.31],
        gain: 1.02,
        seed: 2,
        left: None,
    };
    shot(&at, "p2.tif", bumped);
    shot(&at, "p3.tif", Take { seed: 3, ..STILL });
    let plan = planned(&at, &["p1.tif", "p2.tif", "p3.tif"]);
    let found = settled(&plan).unwrap();
    let [second, third] = &found.fellows[0][..] else {
        panic!("two files lie on the first");
    };
    let shift = second.alignment.as_ref().unwrap().shift;
    assert!((shift[0] + 0.42).abs() < 0.03, "{shift:?}");
    assert!((shift[1] - 0.31).abs() < 0.03, "{shift:?}");
    for gain in second.gains {
        assert!((gain * 1.02 - 1.0).abs() < 0.002, "{gain}");
    }
    // What stood still is not touched at all.
    assert_eq!((third.carry, third.gains), (Map::IDENTITY, [1.0; 3]));
    // One note, for the one that moved, at its file.
    let [note] = &found.findings[..] else {
        panic!("{:?}", found.findings);
    };
    assert_eq!((note.id, note.severity), ("plate-laid", Severity::Note));
    assert!(note.frame.as_ref().unwrap().ends_with("p2.tif"));
    assert_eq!(note.span, Some(plan.plates[0].spans[1]));
    assert!(note.message.contains(" px off"), "{}", note.message);
    assert!(
        note.message.contains("0.029 EV brighter"),
        "{}",
        note.message
    );
    // Three files have less noise than two, whose edges fit; laid on top of one another they had more.
    let all = deviation(&mean(&plan, &found));
    let two = planned(&at, &["p1.tif", "p3.tif"]);
    let still = deviation(&mean(&two, &settled(&two).unwrap()));
    assert!(all < still, "{all} {still}");
    // The same bits on any number of threads.
    let bits = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        pool.build().unwrap().install(|| {
            let found = settled(&plan).unwrap();
            let mean = mean(&plan, &found);
            mean.iter().map(|v| v.to_bits()).collect::<Vec<u32>>()
        })
    };
    assert_eq!(bits(1), bits(3));
}

#[test]
fn what_was_left_in_a_bumped_file_is_found_all_the_same() {
    let at = folder("plates-left");
    shot(&at, "p1.tif", STILL);
    let bumped = Take {
        bump: [0.5, 0.5],
        gain: 0.98,
        seed: 2,
        left: None,
    };
    // A drop, and a wire one pixel wide.
    for left in [Rect::new(30, 30, 6, 6), Rect::new(190, 20, 1, 60)] {
        let with = Take {
            left: Some(left),
            ..bumped
        };
        shot(&at, "p2.tif", with);
        let plan = planned(&at, &["p1.tif", "p2.tif"]);
        let fault = settled(&plan).unwrap_err();
        assert_eq!(fault.id, "plate-differs");
        let place = fault.place.unwrap().rect;
        assert!(left.grown(3).covers(&place), "{place:?}");
        assert_eq!(fault.span, Some(plan.plates[0].spans[1]));
    }
}

/// A set that gives no hold is averaged as it lies; where files differ, it is said that they can't be laid down.
#[test]
fn files_that_give_no_hold_lie_as_they_are() {
    let at = folder("plates-plain");
    let plain = |name: &str, seed: u64, left: Option<Rect>| {
        let mut dice = Dice::new(seed);
        let codes: Vec<u16> = (0..H as i32)
            .flat_map(|y| (0..W as i32).map(move |x| (x, y)))
            .flat_map(|(x, y)| {
                let level = match left.is_some_and(|left| left.contains(x, y)) {
                    true => 30_000,
                    false => 36_000,
                };
                [0; 3].map(|_| (level + dice.below(500)) as u16)
            })
            .collect();
        rgb16(&at.join("frames").join(name), W, H, &codes, Named::Srgb);
    };
    plain("p1.tif", 1, None);
    plain("p2.tif", 2, None);
    let plan = planned(&at, &["p1.tif", "p2.tif"]);
    let found = settled(&plan).unwrap();
    let second = &found.fellows[0][0];
    assert_eq!((second.carry, second.gains), (Map::IDENTITY, [1.0; 3]));
    assert!(found.findings.is_empty(), "{:?}", found.findings);
    plain("p2.tif", 2, Some(Rect::new(100, 90, 40, 30)));
    let fault = settled(&planned(&at, &["p1.tif", "p2.tif"])).unwrap_err();
    assert_eq!(fault.id, "plate-differs");
    assert!(
        fault.message.contains("can't be laid onto the first file"),
        "{}",
        fault.message
    );
}

/// Files that differ everywhere have no noise to hide in.
#[test]
fn a_file_shot_without_its_flash_is_no_plate() {
    let at = folder("plates-dark");
    shot(&at, "p1.tif", STILL);
    for (gain, why) in [(0.02, ""), (0.3, "by a stop or more")] {
        let seed = 2;
        shot(
            &at,
            "p2.tif",
            Take {
                gain,
                seed,
                ..STILL
            },
        );
        let fault = settled(&planned(&at, &["p1.tif", "p2.tif"])).unwrap_err();
        assert_eq!(fault.id, "plate-differs");
        assert!(fault.message.contains(why), "{}", fault.message);
    }
}
