//! Windows of the set, plainly seen in both pictures, with texture enough to tell tones from light.

use rayon::prelude::*;

use super::super::tools::twice::half;
use super::super::{Ask, Noise};
use crate::budget::{Account, Charge, OverBudget};
use crate::color::stops;
use crate::raster::Light;

/// Cells along a window's side, and windows looked at, at most.
const SIDE: i32 = 12;
const MOST: usize = 2000;
/// Least light of a cell, and most light of its pixels, of which tones are told, and the share of a window's cells that must lie there.
const TELLING: (f32, f32) = (0.004, 0.97);
const MANY: f32 = 0.8;
/// Variance of a cell's stops by noise, at most: a logarithm of more is off to one side, the more the darker.
const CALM: f32 = 0.008;
/// Texture is so much above noise, in variances,
const TEXTURE: f32 = 4.0;
/// and the ratio of frame to plate varies by no more than this share of it, and so much beside noise, in stops squared.
const SEEN: f32 = 0.05;
const SHADE: f32 = 0.0004;
/// Deviation that smooth light and a straight line leave, in stops.
const SMOOTH: f32 = 0.01;
/// Stops per relative change, squared.
const STOPS: f32 = 2.081_369;

/// One cell of one channel: place from the window's middle, the plate's tone (stops below white), frame against plate
/// (stops), and how sure that is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    pub x: f32,
    pub y: f32,
    pub tone: f32,
    pub change: f32,
    pub weight: f32,
}

/// The channels of a window that tell something.
pub(super) type Window = Vec<Vec<Cell>>;

/// Some windows, evenly over the picture, with the memory they may take.
pub(super) fn seen(
    ask: &Ask,
    noise: &Noise,
    account: &Account,
) -> Result<(Vec<Window>, Charge), OverBudget> {
    let cells = half(ask.frame.rect());
    let (across, down) = (cells.width() as i32 / SIDE, cells.height() as i32 / SIDE);
    let all = across.max(0) as usize * down.max(0) as usize;
    let step = all.div_ceil(MOST).max(1);
    let bytes = (all.min(MOST) * (SIDE * SIDE) as usize * 3 * size_of::<Cell>()) as u64;
    let held = account.charge(bytes, "windows of tones")?;
    let places: Vec<usize> = (0..all).step_by(step).collect();
    let windows = places.into_par_iter().filter_map(|n| {
        let (i, j) = (n as i32 % across, n as i32 / across);
        window(ask, noise, cells.x0 + SIDE * i, cells.y0 + SIDE * j)
    });
    Ok((windows.collect(), held))
}

/// A cell of a picture: the mean of its pixels and the brightest of each channel.
struct Lights {
    mean: [f32; 3],
    most: [f32; 3],
}

impl Lights {
    /// `None` where a pixel is missing or no number.
    fn at(picture: &Light, i: i32, j: i32) -> Option<Lights> {
        let rect = picture.rect();
        let (x, y) = (2 * i, 2 * j);
        if !rect.contains(x, y) || !rect.contains(x + 1, y + 1) {
            return None;
        }
        let (a, b) = (picture.at(x, y), picture.at(x + 1, y));
        let (c, d) = (picture.at(x, y + 1), picture.at(x + 1, y + 1));
        let lights = Lights {
            mean: [0, 1, 2].map(|k| 0.25 * ((a[k] + b[k]) + (c[k] + d[k]))),
            most: [0, 1, 2].map(|k| a[k].max(b[k]).max(c[k].max(d[k]))),
        };
        lights.mean.iter().all(|v| v.is_finite()).then_some(lights)
    }

    fn tells(&self, k: usize) -> bool {
        self.mean[k] > TELLING.0 && self.most[k] < TELLING.1
    }
}

/// Mean of a cell's pixels; `None` where one is missing or no number.
fn mean(picture: &Light, i: i32, j: i32) -> Option<[f32; 3]> {
    Some(Lights::at(picture, i, j)?.mean)
}

/// Squared slope of a picture at a cell, per px.
fn slope(picture: &Light, i: i32, j: i32, own: [f32; 3]) -> [f32; 3] {
    let beside = |u, v| mean(picture, i + u, j + v).unwrap_or(own);
    let (l, r, u, d) = (beside(-1, 0), beside(1, 0), beside(0, -1), beside(0, 1));
    // Neighbours of a cell lie four apart.
    [0, 1, 2].map(|k| ((r[k] - l[k]) * (r[k] - l[k]) + (d[k] - u[k]) * (d[k] - u[k])) / 16.0)
}

/// Variance of a cell's stops by noise alone.
fn scattered(noise: &Noise, k: usize, light: f32) -> f32 {
    (noise.p[k] * light + noise.q[k]) * 0.25 * STOPS / (light * light)
}

fn window(ask: &Ask, noise: &Noise, x0: i32, y0: i32) -> Option<Window> {
    // Each cell with its variance by noise alone.
    let mut channels: [Vec<(Cell, f32)>; 3] = Default::default();
    let places = (y0..y0 + SIDE).flat_map(|j| (x0..x0 + SIDE).map(move |i| (i, j)));
    for (i, j) in places {
        let at = |picture| Lights::at(picture, i, j);
        let (Some(frame), Some(plate)) = (at(ask.frame), at(ask.plate)) else {
            continue;
        };
        let slope = slope(ask.plate, i, j, plate.mean);
        for (k, channel) in channels.iter_mut().enumerate() {
            let (seen, set) = (frame.mean[k], plate.mean[k]);
            let tells = frame.tells(k) && plate.tells(k);
            if !tells || scattered(noise, k, seen.min(set)) > CALM {
                continue;
            }
            let alone = scattered(noise, k, set);
            let unmet = noise.r[k] * slope[k] * STOPS / (set * set);
            let tone = stops(set);
            let cell = Cell {
                x: (i - x0) as f32 - 0.5 * SIDE as f32,
                y: (j - y0) as f32 - 0.5 * SIDE as f32,
                tone,
                change: stops(seen) - tone,
                weight: 1.0 / (alone + unmet + SMOOTH * SMOOTH),
            };
            channel.push((cell, alone));
        }
    }
    let many = |cells: &Vec<(Cell, f32)>| cells.len() as f32 >= MANY * (SIDE * SIDE) as f32;
    let channels: Vec<_> = channels.into_iter().filter(many).collect();
    shows_the_set(&channels).then(|| {
        let cells = channels.into_iter().map(|channel| channel.into_iter());
        cells
            .map(|all| all.map(|(cell, _)| cell).collect())
            .collect()
    })
}

/// Whether there is texture above the noise, and the frame shows it.
fn shows_the_set(channels: &[Vec<(Cell, f32)>]) -> bool {
    let (mut texture, mut change, mut noisy, mut count) = (0.0, 0.0, 0.0, 0.0);
    for cells in channels {
        texture += scatter(cells, |c| c.tone);
        change += scatter(cells, |c| c.change);
        noisy += cells.iter().map(|c| c.1).sum::<f32>();
        count += cells.len() as f32;
    }
    let [texture, change, noisy] = [texture, change, noisy].map(|sum| sum / count);
    count > 0.0 && texture >= TEXTURE * noisy && change <= SEEN * texture + SHADE + 2.0 * noisy
}

/// Squared differences from the mean, summed.
fn scatter(cells: &[(Cell, f32)], of: impl Fn(&Cell) -> f32) -> f32 {
    let mean = cells.iter().map(|c| of(&c.0)).sum::<f32>() / cells.len() as f32;
    let off = cells.iter().map(|c| of(&c.0) - mean);
    off.map(|v| v * v).sum()
}
