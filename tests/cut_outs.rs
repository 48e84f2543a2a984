//! The cases that cut-outs are measured on are what they say: their truth adds up to their frames (C = a F + (1 - a) S B,
//! Porter and Duff 1984), lies where they say, and their noise is what they say. A handful are cut out.

#[path = "shoot/cases/mod.rs"]
#[allow(dead_code, unused_imports, reason = "shared with the benchmark")]
mod cases;
#[path = "shoot/icc.rs"]
mod icc;
#[path = "shoot/mesh.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod mesh;
#[path = "shoot/noise.rs"]
mod noise;
#[path = "shoot/pieces.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod pieces;
#[path = "shoot/sampling.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod sampling;
#[path = "shoot/sensor.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod sensor;
#[path = "shoot/surface.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod surface;
#[path = "shoot/tiff.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod tiff;
#[path = "shoot/vector.rs"]
#[allow(dead_code, reason = "shared with the shoot")]
mod vector;

#[path = "bench/mattes/cut.rs"]
#[allow(dead_code, reason = "shared with the benchmark")]
mod cut;

use cases::{Case, Kind, Level, made};
use platewright::color::srgb_decode;
use platewright::register::Motion;

const SIDE: u32 = 128;

/// Errors of a pixel's three channels that are summed and searched.
#[derive(Debug, Default)]
struct Errors {
    sum: f64,
    worst: f64,
    count: f64,
}

impl Errors {
    fn add(&mut self, found: [f32; 3], wanted: [f32; 3]) {
        for (f, w) in found.iter().zip(wanted) {
            let error = f64::from((f - w).abs());
            self.sum += error;
            self.worst = self.worst.max(error);
            self.count += 1.0;
        }
    }

    fn mean(&self) -> f64 {
        self.sum / self.count
    }
}

fn light(code: [u16; 3]) -> [f32; 3] {
    code.map(|c| srgb_decode(f32::from(c) / 65_535.0))
}

#[test]
fn the_truth_adds_up_to_the_frame() {
    for kind in Kind::ALL {
        let case = made(kind, Level::None, 7, SIDE);
        let truth = &case.truth;
        let mut errors = Errors::default();
        let mut covered = 0.0;
        for n in 0..truth.matte.len() {
            covered += truth.matte[n];
            if truth.rod[n] + truth.crossing[n] == 0.0 {
                let sum = [0, 1, 2].map(|k| {
                    truth.light[n][k]
                        + (1.0 - truth.matte[n]) * truth.ratio_all[n][k] * truth.plate[n][k]
                });
                errors.add(case.clean[n], sum);
            }
        }
        // Only where an edge and the set's texture share a pixel is the mean of products not the product of means.
        assert!(
            errors.mean() < 2.5e-4 && errors.worst < 0.05,
            "{kind:?}: {errors:?}"
        );
        let share = covered / truth.matte.len() as f32;
        assert!((0.02..0.5).contains(&share), "{kind:?} covers {share}");
        let soft = truth
            .matte
            .iter()
            .filter(|a| (0.02..0.98).contains(*a))
            .count();
        assert!(soft > 100, "{kind:?}: {soft} soft pixels");
    }
}

/// Light of the plate's truth at a point, between pixel centres.
fn between(case: &Case, x: f64, y: f64, of: impl Fn(usize) -> [f32; 3]) -> [f32; 3] {
    let (x, y) = (x - 0.5, y - 0.5);
    let (i, j) = (x.floor() as usize, y.floor() as usize);
    let (u, w) = ((x - x.floor()) as f32, (y - y.floor()) as f32);
    let at = |i: usize, j: usize| of(j * case.size as usize + i);
    let (a, b, c, d) = (at(i, j), at(i + 1, j), at(i, j + 1), at(i + 1, j + 1));
    [0, 1, 2].map(|k| {
        let (top, low) = (a[k] + (b[k] - a[k]) * u, c[k] + (d[k] - c[k]) * u);
        top + (low - top) * w
    })
}

/// Mean error of the set in the frame against the truth carried by `map`.
fn laid_by(case: &Case, map: [[f64; 3]; 2]) -> f64 {
    let truth = &case.truth;
    let side = case.size as usize;
    let mut errors = Errors::default();
    let mut bare = vec![true; side * side];
    for n in 0..bare.len() {
        if truth.matte[n] + truth.rod[n] > 0.0 {
            let (x, y) = (n % side, n / side);
            for j in y.saturating_sub(6)..(y + 7).min(side) {
                for i in x.saturating_sub(6)..(x + 7).min(side) {
                    bare[j * side + i] = false;
                }
            }
        }
    }
    for y in 6..side - 6 {
        for x in (6..side - 6).filter(|x| bare[y * side + x]) {
            let (px, py) = (x as f64 + 0.5, y as f64 + 0.5);
            let [u, w] = map.map(|row| row[0] * px + row[1] * py + row[2]);
            let plate = between(case, u, w, |n| truth.plate[n]);
            let ratio = between(case, u, w, |n| truth.ratio_all[n]);
            let wanted = [0, 1, 2].map(|k| plate[k] * ratio[k] * case.camera.gain[k]);
            errors.add(case.clean[y * side + x], wanted);
        }
    }
    errors.mean()
}

#[test]
fn a_frame_lies_where_its_case_says() {
    for (kind, level) in [
        (Kind::Steel, Level::Typical),
        (Kind::Curl, Level::Hard),
        (Kind::Ink, Level::Hard),
    ] {
        for seed in 1..=3 {
            let case = made(kind, level, seed, SIDE);
            let right = laid_by(&case, case.to_plate);
            let [a, b] = case.to_plate;
            for (dx, dy) in [(0.2, 0.0), (-0.2, 0.0), (0.0, 0.2), (0.0, -0.2)] {
                let moved = laid_by(&case, [[a[0], a[1], a[2] + dx], [b[0], b[1], b[2] + dy]]);
                assert!(
                    right < moved,
                    "{kind:?} {level:?} {seed}: {right} here, {moved} at {dx} {dy}"
                );
            }
            assert!(right < 0.002, "{kind:?} {level:?} {seed}: {right}");
        }
    }
}

#[test]
fn noise_is_as_large_as_the_case_says() {
    for level in Level::ALL {
        let case = made(Kind::Ink, level, 3, SIDE);
        let mut sum = [0.0f64; 2];
        for (code, truth) in case.plate.iter().zip(&case.truth.plate) {
            for (seen, truth) in light(*code).into_iter().zip(truth) {
                let variance = case.camera.shot * truth + case.camera.floor;
                sum[0] += f64::from((seen - truth) * (seen - truth) / variance);
                sum[1] += 1.0;
            }
        }
        let ratio = sum[0] / sum[1];
        assert!((0.97..1.03).contains(&ratio), "{level:?}: {ratio}");
    }
}

#[test]
fn a_seed_is_a_case_and_another_seed_another() {
    let case = |seed| made(Kind::Quill, Level::Hard, seed, 96);
    let (first, again, other) = (case(5), case(5), case(6));
    assert!(first.frame == again.frame && first.plate == again.plate);
    assert_eq!(first.truth.matte, again.truth.matte);
    assert_ne!(first.truth.matte, other.truth.matte);
    assert_ne!(first.camera.shift, other.camera.shift);
}

/// Generous: what is measured in earnest is the benchmark's business.
#[test]
fn small_pieces_come_out_nearly_whole_and_without_their_rods() {
    // The mean |matte - truth| over the frame that is let pass, in thousandths.
    let cases = [
        (Kind::Curl, Level::None, 4.0),
        (Kind::Curl, Level::Typical, 6.0),
        (Kind::Blurred, Level::Typical, 8.0),
        (Kind::Clip, Level::Typical, 12.0),
    ];
    for (kind, level, allowed) in cases {
        let case = made(kind, level, 1, 192);
        let cut = cut::run(&case, Motion::Shift);
        let truth = &case.truth;
        let pixels = truth.matte.len() as f32;
        let off: f32 = cut
            .matte
            .iter()
            .zip(&truth.matte)
            .map(|(a, t)| (a - t).abs())
            .sum();
        let thousandths = 1000.0 * off / pixels;
        let (mut rod, mut left) = (0.0, 0.0);
        for n in 0..truth.matte.len() {
            if truth.rod[n] > 0.5 && truth.matte[n] == 0.0 {
                rod += 1.0;
                left += cut.matte[n];
            }
        }
        assert!(thousandths < allowed, "{kind:?} {level:?}: {thousandths}");
        assert!(
            left <= 0.2 * rod,
            "{kind:?} {level:?}: {left} of {rod} px of rod"
        );
    }
}

/// A raw converter fills two of three channels in, and what that adds stands still while the camera moves.
#[test]
fn a_converted_frame_is_laid_where_it_lies_and_its_piece_comes_out() {
    let case = made(Kind::Curl, Level::Typical, 41, 600).converted();
    let cut = cut::run(&case, Motion::Shift);
    let laid = cut.laid.expect("laid on its plate");
    assert!(laid.middle < 0.05, "{laid:?}");
    let wrong = cut.matte.iter().zip(&case.truth.matte);
    let wrong = wrong.filter(|(a, t)| (*a - *t).abs() > 0.5).count();
    // Pixels on the wrong side of half.
    assert!(wrong < 60, "{wrong}");
}
