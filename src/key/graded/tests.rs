//! A set of planks, a disc that throws a shadow, and both through a recipe's curve.

use super::super::tools::dice::Dice;
use super::super::{Ask, Cutout, cut_out, ground};
use super::*;
use crate::geom::Rect;

const SIDE: i32 = 240;
const RECT: Rect = Rect {
    x0: 0,
    y0: 0,
    x1: SIDE,
    y1: SIDE,
};
/// A recipe of some contrast, with a toe and a shoulder.
const RECIPE: [f64; Response::TONES] = [0.65, 0.8, 1.0, 1.05, 1.0, 0.8, 0.5];

fn picture(of: impl Fn(i32, i32) -> [f32; 3]) -> Light {
    let mut light = Light::filled(RECT, [0.0; 3], &Account::unlimited()).unwrap();
    for y in 0..SIDE {
        for x in 0..SIDE {
            light.put(x, y, of(x, y));
        }
    }
    light
}

/// Planks from near black to near white.
fn planks(x: i32, y: i32) -> [f32; 3] {
    let wave = libm::sinf(0.31 * x as f32) * libm::sinf(0.23 * y as f32 + 0.05 * x as f32);
    let level = 0.02 + 0.75 * (0.5 + 0.5 * wave) * (0.5 + 0.5 * wave);
    [level, 0.8 * level, 0.5 * level]
}

fn distance(x: i32, y: i32, to: (f32, f32)) -> f32 {
    libm::hypotf(x as f32 - to.0, y as f32 - to.1)
}

fn coverage(x: i32, y: i32) -> f32 {
    (40.5 - distance(x, y, (110.0, 100.0))).clamp(0.0, 1.0)
}

const PAINT: [f32; 3] = [0.12, 0.3, 0.5];

/// Light where the disc keeps some of it off.
fn shade(x: i32, y: i32) -> f32 {
    let off = distance(x, y, (135.0, 140.0)) / 55.0;
    1.0 - 0.45 / (1.0 + off * off * off * off)
}

fn shot(of: impl Fn(i32, i32) -> [f32; 3], recipe: Option<&Response>, seed: u64) -> Light {
    let mut dice = Dice(seed);
    let mut light = picture(of);
    for pixel in light.data_mut() {
        *pixel = pixel.map(|v| {
            let noisy = v + dice.normal() * (4e-5 * v + 3e-7).sqrt();
            recipe.map_or(noisy, |recipe| recipe.laid_on(noisy))
        });
    }
    light
}

fn frame(x: i32, y: i32) -> [f32; 3] {
    let (set, cover, light) = (planks(x, y), coverage(x, y), shade(x, y));
    [0, 1, 2].map(|k| cover * PAINT[k] + (1.0 - cover) * light * set[k])
}

fn cut(recipe: Option<&Response>) -> Cutout {
    let (plate, frame) = (shot(planks, recipe, 1), shot(frame, recipe, 2));
    cut_out(&Ask::of(&frame, &plate), &Account::unlimited()).unwrap()
}

#[test]
fn slopes_are_told_from_a_shadow_over_tones() {
    let account = Account::unlimited();
    let recipe = Response::of(RECIPE);
    let (plate, frame) = (
        shot(planks, Some(&recipe), 1),
        shot(frame, Some(&recipe), 2),
    );
    let ask = Ask::of(&frame, &plate);
    let noise = ground::measured(&ask, &account).unwrap().noise;
    let told = told(&ask, &noise, &account).unwrap().unwrap();
    let (found, truth) = (told.slopes(), recipe.slopes());
    // From six stops below white on there are planks; what they make of the middle is what both are held against.
    for i in 1..Response::TONES {
        let (found, truth) = (found[i] / found[3], truth[i] / truth[3]);
        assert!((found - truth).abs() < 0.07, "{i}: {found} {truth}");
    }
}

#[test]
fn light_as_it_is_has_no_curve() {
    let straight = cut(None);
    assert_eq!(straight.response, None);
}

/// Without a change of light nothing tells how it would be answered.
#[test]
fn a_curve_takes_a_shadow_to_be_told() {
    let account = Account::unlimited();
    let recipe = Response::of(RECIPE);
    let (plate, frame) = (
        shot(planks, Some(&recipe), 1),
        shot(planks, Some(&recipe), 2),
    );
    let ask = Ask::of(&frame, &plate);
    let noise = ground::measured(&ask, &account).unwrap().noise;
    assert_eq!(told(&ask, &noise, &account).unwrap(), None);
}

#[test]
fn a_piece_is_cut_out_of_graded_frames_as_out_of_plain_ones() {
    let recipe = Response::of(RECIPE);
    let graded = cut(Some(&recipe));
    assert!(graded.response.is_some());
    let (mut off, mut beyond) = (0.0, 0);
    for y in 0..SIDE {
        for x in 0..SIDE {
            let inside = graded.matte.rect().contains(x, y);
            let matte = if inside { graded.matte.at(x, y) } else { 0.0 };
            off += (matte - coverage(x, y)).abs();
            let far = distance(x, y, (110.0, 100.0)) > 46.0;
            beyond += i32::from(far && matte > 0.05);
        }
    }
    assert!(off < 25.0, "{off}");
    assert_eq!(beyond, 0);
    // Its colour is the picture's own.
    let colour = graded.colour.at(110, 100);
    for k in 0..3 {
        let seen = recipe.laid_on(PAINT[k]);
        assert!((colour[k] - seen).abs() < 0.05 * seen, "{colour:?}");
    }
    // So is the light, cell by cell, in the middle of the shadow: what the frame shows of the plate.
    for (x, y) in [(150, 150), (140, 156), (160, 140)] {
        let (light, set, shade) = (graded.light.at(x, y), planks(x, y), shade(x, y));
        for k in 0..3 {
            let truth = recipe.laid_on(shade * set[k]) / recipe.laid_on(set[k]);
            assert!(
                (light[k] - truth).abs() < 0.03,
                "{x} {y}: {light:?} {truth}"
            );
        }
    }
}

#[test]
fn cells_at_an_odd_border_are_as_bright_as_the_rest() {
    let account = Account::unlimited();
    let mut picture = Light::filled(Rect::new(-1, 3, 6, 3), [0.3; 3], &account).unwrap();
    picture.put(1, 4, [f32::NAN, 0.3, 0.3]);
    let cells = cells(&picture, &account).unwrap();
    assert!(
        cells
            .data()
            .iter()
            .flatten()
            .all(|v| (v - 0.3).abs() < 1e-6)
    );
}

#[test]
fn no_change_of_light_stays_none() {
    let account = Account::unlimited();
    let recipe = Response::of(RECIPE);
    let mut light = LightField {
        cells: Raster::filled(Rect::of_size(3, 1), [1.0; 3], &account).unwrap(),
    };
    light.cells.put(1, 0, [0.5; 3]);
    let set = Raster::filled(Rect::of_size(3, 1), [0.3; 3], &account).unwrap();
    shown(&mut light, &set, &recipe);
    assert_eq!(light.cells.at(0, 0), [1.0; 3]);
    let half = recipe.laid_on(0.5 * recipe.taken_back(0.3)) / 0.3;
    assert_eq!(light.cells.at(1, 0), [half; 3]);
}
