//! The frames of the golden scenes: an invented tabletop in whole numbers, so that every machine makes the same ones.
//!
//! Small, with smooth parts, hard edges and a little noise: a kernel, a curve or an offset that is wrong shows.

use crate::common::{Dice, gray16, oriented16, rgb8, rgb16, rgba16};
use platewright::color::Named;
use std::fs;
use std::path::Path;

/// Writes every frame that golden scenes name as `../frames/...` into `folder`.
pub fn write(folder: &Path) {
    fs::create_dir_all(folder).unwrap();
    let at = |name: &str| folder.join(name);
    let table = table(173, 127, 1);
    rgb16(&at("table.tif"), 173, 127, &table, Named::Srgb);
    rgb16(&at("table-p3.tif"), 173, 127, &table, Named::DisplayP3);
    oriented16(&at("table-turned.tif"), 173, 127, &table, 6);
    let eight: Vec<u8> = table.iter().map(|c| (c >> 8) as u8).collect();
    rgb8(&at("table-8.tif"), 173, 127, &eight, Named::A98Rgb);
    let gray: Vec<u16> = table.iter().step_by(3).copied().collect();
    gray16(&at("table-gray.tif"), 173, 127, &gray, Named::Gray);
    rgb16(&at("nib.tif"), 64, 48, &nib(64, 48, 2), Named::Srgb);
    rgb16(&at("clip.tif"), 48, 48, &clip(48, 48, 3), Named::A98Rgb);
    rgba16(&at("ink.tif"), 56, 40, &ink(56, 40, 4), Named::Srgb);
    rgba16(&at("swatch.tif"), 24, 24, &swatch(24), Named::Srgb);
    let brush = brush(64, 48);
    gray16(&at("brush.tif"), 64, 48, &brush, Named::Gray);
}

/// 0 .. `top` .. 0 over `period`.
fn wave(v: u32, period: u32, top: u32) -> u32 {
    let at = v % period;
    2 * at.min(period - at) * top / period
}

fn pixels(w: u32, h: u32, seed: u64, pixel: impl Fn(u32, u32) -> [u32; 3]) -> Vec<u16> {
    let mut dice = Dice::new(seed);
    let mut codes = Vec::new();
    for y in 0..h {
        for x in 0..w {
            for level in pixel(x, y) {
                codes.push((level + dice.below(97)).min(65_535) as u16);
            }
        }
    }
    codes
}

/// A wall falling off to one side, a table edge, a glossy streak.
fn table(w: u32, h: u32, seed: u64) -> Vec<u16> {
    pixels(w, h, seed, |x, y| {
        let fall = 200 * x / w;
        if y < h * 3 / 5 {
            let light = 30_000 + 90 * y - 60 * fall;
            [light, light - 1200, light - 3000 + 8 * fall]
        } else {
            let streak = wave(x + 2 * y, 61, 9000);
            [14_000 + streak, 11_000 + streak, 9_500 + streak * 4 / 5]
        }
    })
}

/// Steel with fine engraved lines.
fn nib(w: u32, h: u32, seed: u64) -> Vec<u16> {
    pixels(w, h, seed, |x, y| {
        let shine = wave(x + y / 2, 32, 30_000);
        let line = if (x + 3 * y) % 11 < 2 { 9000 } else { 0 };
        let light = 24_000 + shine - line;
        [light, light, light + 2500]
    })
}

/// Brass: warm, with a hard edge down the middle.
fn clip(w: u32, h: u32, seed: u64) -> Vec<u16> {
    pixels(w, h, seed, |x, y| {
        let light = if x * 2 < w { 48_000 } else { 26_000 };
        let light = light - wave(y, 24, 12_000);
        [light, light * 3 / 4, light / 4]
    })
}

/// A splash of ink with a soft edge; colour goes on under alpha 0, where it must never show.
fn ink(w: u32, h: u32, seed: u64) -> Vec<u16> {
    let colour = pixels(w, h, seed, |x, y| {
        [3000 + 40 * y, 6000 + wave(x, 18, 7000), 24_000 + 300 * y]
    });
    colour
        .chunks(3)
        .zip(0..)
        .flat_map(|(rgb, k)| {
            let (x, y) = (i64::from(k % w), i64::from(k / w));
            let (dx, dy) = (2 * x - i64::from(w) + 1, 2 * y - i64::from(h) + 1);
            let far = dx * dx * 65_535 / i64::from(w * w) + dy * dy * 65_535 / i64::from(h * h);
            let alpha = (3 * (52_000 - far)).clamp(0, 65_535) as u16;
            [rgb[0], rgb[1], rgb[2], alpha]
        })
        .collect()
}

/// Every hue against every alpha: red and green across, blue and alpha down.
fn swatch(side: u32) -> Vec<u16> {
    let step = 65_535 / (side - 1);
    let mut codes = Vec::new();
    for y in 0..side {
        for x in 0..side {
            let (across, down) = (x * step, y * step);
            let alpha = 16_000 + down * 49_535 / 65_535;
            codes.extend([across, 65_535 - across, (across + down) / 2, alpha].map(|v| v as u16));
        }
    }
    codes
}

/// A brushed mask: full in the middle, falling off in steps of a few codes.
fn brush(w: u32, h: u32) -> Vec<u16> {
    let mut codes = Vec::new();
    for y in 0..h {
        for x in 0..w {
            let edge = x.min(w - 1 - x).min(y).min(h - 1 - y);
            codes.push((edge.saturating_sub(3) * 7001).min(65_535) as u16);
        }
    }
    codes
}
