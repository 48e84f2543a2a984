//! Light that a recipe pressed into the dark, and light that black or white cut off.

use super::super::super::clipped;
use super::*;

/// Half of it a board whose light runs from nothing to a tenth, half of it near black.
fn dim(x: i32, y: i32) -> [f32; 3] {
    let level = match x < 80 {
        true => 0.0004 + 0.000_02 * y as f32,
        false => 0.003 + 0.0006 * y as f32 + 0.01 * ((x * 7 + y * 13) % 5) as f32,
    };
    [level; 3]
}

fn shot(
    of: impl Fn(i32, i32) -> [f32; 3],
    variance: impl Fn(f32) -> f32,
    seed: u64,
    account: &Account,
) -> Light {
    let mut dice = Dice(seed);
    let mut light = picture(account, of);
    for pixel in light.data_mut() {
        *pixel = pixel.map(|v| v + dice.normal() * variance(v).sqrt());
    }
    light
}

#[test]
fn noise_of_the_dark_is_told_beside_that_of_lights() {
    let account = Account::unlimited();
    // A toe presses read noise together: less of it than lights tell, and more than none.
    let variance = |v: f32| (7e-5 * v).max(2e-7);
    let plate = shot(dim, variance, 1, &account);
    let frame = shot(dim, variance, 2, &account);
    let noise = measured(&Ask::of(&frame, &plate), &account).unwrap().noise;
    for (k, light) in [(0, 0.0005), (1, 0.001), (2, 0.002), (0, 0.05)] {
        let (told, truth) = (noise.variance(k, light, 0.0), 2.0 * variance(light));
        let off = told / truth;
        assert!(off > 0.5 && off < 2.0, "{light}: {off}");
    }
}

#[test]
fn noise_that_black_cut_off_is_no_measure() {
    let account = Account::unlimited();
    let variance = |v: f32| 7e-5 * v.max(0.0) + 5e-7;
    // So dark that half of what noise does is below black.
    let deep = |x: i32, y: i32| match x < 80 {
        true => [0.0002, 0.05, -0.002],
        false => dim(x, y),
    };
    let black = |mut light: Light| {
        for pixel in light.data_mut() {
            *pixel = pixel.map(|v| v.max(0.0));
        }
        light
    };
    let plate = black(shot(deep, variance, 1, &account));
    let frame = black(shot(deep, variance, 2, &account));
    let noise = measured(&Ask::of(&frame, &plate), &account).unwrap().noise;
    for (k, light) in [(2, 0.004), (2, 0.05), (0, 0.05)] {
        let off = noise.variance(k, light, 0.0) / (2.0 * variance(light));
        assert!(off > 0.6 && off < 1.6, "{k} {light}: {off}");
    }
}

/// Petals: red beyond white in most of them.
fn petals(x: i32, y: i32) -> [f32; 3] {
    let wave = libm::sinf(0.17 * x as f32) * libm::sinf(0.13 * y as f32);
    let level = 0.35 + 0.2 * wave;
    [3.2 * level, level, 0.3 * level]
}

fn white(mut light: Light) -> Light {
    for pixel in light.data_mut() {
        *pixel = pixel.map(|v| v.min(1.0));
    }
    light
}

fn shade(x: i32, y: i32) -> f32 {
    let off = distance(x, y) / 50.0;
    1.0 - 0.25 / (1.0 + off * off * off * off)
}

#[test]
fn a_shadow_on_what_white_cut_off_is_light() {
    let account = Account::unlimited();
    let plate = white(noisy(picture(&account, petals), 1));
    let shaded = |x: i32, y: i32| scaled(petals(x, y), shade(x, y));
    let frame = white(noisy(picture(&account, shaded), 2));
    let ask = Ask::of(&frame, &plate);
    let ground = found(&ask, &account).unwrap().0;
    assert_eq!(left(&ground), 0);
    let light = ground.light.at(80, 80);
    for k in 0..3 {
        assert!((light[k] - shade(80, 80)).abs() < 0.02, "{light:?}");
    }
    // The plate is as bright there as the frame shows it to be.
    let healed = clipped::healed(&ask, &ground, &account).unwrap().unwrap();
    let truth = |x, y| petals(x, y)[0];
    for y in 60..100 {
        for x in 60..100 {
            let (set, true_red, shown) = (healed.at(x, y), truth(x, y), frame.at(x, y)[0]);
            if true_red > 1.05 && shown < 0.98 {
                assert!(
                    (set[0] - true_red).abs() < 0.05 * true_red,
                    "{x} {y}: {set:?}"
                );
            }
            assert_eq!(set[1], plate.at(x, y)[1]);
        }
    }
}

#[test]
fn a_hole_over_what_white_cut_off_is_open() {
    let account = Account::unlimited();
    // Red is beyond white everywhere.
    let bright = |x: i32, y: i32| {
        let [_, green, blue] = petals(x, y);
        [4.0 * (green + 0.15), green + 0.15, blue]
    };
    let plate = white(noisy(picture(&account, bright), 1));
    let ring = |x: i32, y: i32| match distance(x, y) {
        d if d > 26.0 && d < 60.0 => [0.2, 0.25, 0.5],
        _ => scaled(bright(x, y), shade(x, y)),
    };
    let frame = white(noisy(picture(&account, ring), 2));
    let ground = found(&Ask::of(&frame, &plate), &account).unwrap().0;
    assert_eq!(ground.background.at(40, 40), 1);
    assert_eq!(ground.background.at(40 + 21, 40), 0);
}

#[test]
fn a_plate_that_is_nowhere_cut_off_stays() {
    let account = Account::unlimited();
    let plate = noisy(picture(&account, busy), 1);
    let ask = Ask::of(&plate, &plate);
    let ground = found(&ask, &account).unwrap().0;
    assert!(clipped::healed(&ask, &ground, &account).unwrap().is_none());
}
