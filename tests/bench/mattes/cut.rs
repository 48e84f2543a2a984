//! One case through the program: laid onto its plate, balanced, cut out, carried to the plate's grid.

use crate::cases::Case;
use platewright::budget::{Account, OverBudget};
use platewright::color::srgb_decode;
use platewright::geom::{Map, Rect};
use platewright::key::{self, Ask};
use platewright::raster::{Light, Picture, Premul, Seen};
use platewright::register::{self, Motion};
use platewright::resample::{self, Kernel};
use rayon::prelude::*;
use std::time::Instant;

/// A cut-out on the plate's grid, whoever made it.
#[derive(Debug)]
pub struct Cut {
    pub matte: Vec<f32>,
    /// Light times coverage, in the plate's exposure and white.
    pub light: Vec<[f32; 3]>,
    /// Ratio of light on the set.
    pub ratio: Option<Vec<[f32; 3]>>,
    pub cost: Option<Cost>,
    pub laid: Option<Laid>,
}

#[derive(Clone, Copy, Debug)]
pub struct Cost {
    /// Seconds.
    pub laying: f64,
    pub cutting: f64,
    /// Bytes the memory account held at most while cutting out.
    pub peak: u64,
}

/// How far the frame was laid beside its true place and exposure.
#[derive(Clone, Copy, Debug)]
pub struct Laid {
    /// Pixels at the frame's middle, looked for as a shift.
    pub middle: f64,
    /// Pixels at the worst corner, looked for as a similarity.
    pub corner: f64,
    /// Stops.
    pub exposure: f64,
    /// Largest relative error of a channel beside the mean of the three.
    pub white: f64,
}

impl Cut {
    pub fn given(matte: Vec<f32>, light: Vec<[f32; 3]>) -> Cut {
        Cut {
            matte,
            light,
            ratio: None,
            cost: None,
            laid: None,
        }
    }
}

/// What a case's folder is called.
pub fn name(case: &Case) -> String {
    format!("{}-{}-{}", case.kind.name(), case.level.name(), case.seed)
}

struct Held<'a>(&'a Light, &'a Account);

impl Seen for Held<'_> {
    type Fault = OverBudget;

    fn rect(&self) -> Rect {
        self.0.rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, OverBudget> {
        self.0.cropped(rect, self.1)
    }
}

fn light(codes: &[[u16; 3]], rect: Rect, account: &Account) -> Result<Light, OverBudget> {
    let mut light = Light::filled(rect, [0.0; 3], account)?;
    light
        .data_mut()
        .par_iter_mut()
        .zip(codes)
        .for_each(|(l, c)| *l = c.map(|code| srgb_decode(f32::from(code) / 65_535.0)));
    Ok(light)
}

/// Light of the plate as the frame sees it; the border goes on beyond.
fn carried(plate: &Light, map: &Map, account: &Account) -> Result<Light, OverBudget> {
    let rect = plate.rect();
    let mut picture = Picture::filled(rect, Premul::CLEAR, account)?;
    for (p, l) in picture.data_mut().iter_mut().zip(plate.data()) {
        *p = Premul([l[0], l[1], l[2], 1.0]);
    }
    let seen = resample::resampled(&picture, map, rect, Kernel::Lanczos3, account)?;
    let mut out = Light::filled(rect, [0.0; 3], account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let Premul([r, g, b, a]) = seen.at(x, y);
            let value = if a > 0.999 {
                [r / a, g / a, b / a]
            } else {
                let (u, v) = map.apply(f64::from(x) + 0.5, f64::from(y) + 0.5);
                let near = |v: f64, low: i32, high: i32| (v.floor() as i32).clamp(low, high - 1);
                plate.at(near(u, rect.x0, rect.x1), near(v, rect.y0, rect.y1))
            };
            out.put(x, y, value);
        }
    }
    Ok(out)
}

/// How far two maps disagree at a point, px.
fn apart(a: &Map, b: &Map, (x, y): (f64, f64)) -> f64 {
    let ((ax, ay), (bx, by)) = (a.apply(x, y), b.apply(x, y));
    libm::hypot(ax - bx, ay - by)
}

pub fn run(case: &Case, motion: Motion) -> Cut {
    cut(case, motion).expect("an account without a limit refuses nothing")
}

fn cut(case: &Case, motion: Motion) -> Result<Cut, OverBudget> {
    let account = Account::unlimited();
    let rect = Rect::of_size(case.size, case.size);
    let mut frame = light(&case.frame, rect, &account)?;
    let plate = light(&case.plate, rect, &account)?;

    let start = Instant::now();
    let (held, under) = (Held(&frame, &account), Held(&plate, &account));
    let found = register::aligned(&held, &under, motion, &account)?;
    let on_frame = match found.map == Map::IDENTITY {
        true => plate.cropped(rect, &account)?,
        false => carried(&plate, &found.map, &account)?,
    };
    let balance = register::balanced(&held, &Held(&on_frame, &account), &account)?;
    let laying = start.elapsed().as_secs_f64();

    // Both ways of laying it on are looked at, whichever was used.
    let [row0, row1] = case.to_plate;
    let truth = Map([row0, row1, [0.0, 0.0, 1.0]]);
    let other = |wanted: Motion| match wanted == motion {
        true => Ok(found.map),
        false => register::aligned(&held, &under, wanted, &account).map(|a| a.map),
    };
    let side = f64::from(case.size);
    let similar = other(Motion::Similarity)?;
    let corners = [(0.0, 0.0), (side, 0.0), (0.0, side), (side, side)];
    let product = [0, 1, 2].map(|k| balance.gains[k] * f64::from(case.camera.gain[k]));
    let mean = libm::cbrt(product[0] * product[1] * product[2]);
    let laid = Laid {
        middle: apart(&other(Motion::Shift)?, &truth, (side / 2.0, side / 2.0)),
        corner: corners.into_iter().fold(0.0, |worst, corner| {
            f64::max(worst, apart(&similar, &truth, corner))
        }),
        exposure: libm::log2(mean).abs(),
        white: product
            .into_iter()
            .fold(0.0, |worst, p| f64::max(worst, (p / mean - 1.0).abs())),
    };

    let gains = balance.gains.map(|gain| gain as f32);
    for pixel in frame.data_mut() {
        *pixel = [0, 1, 2].map(|k| pixel[k] * gains[k]);
    }
    // An account of its own, so that only what the cutting out holds is counted.
    let books = Account::unlimited();
    let start = Instant::now();
    let ask = Ask {
        frame: &frame,
        plate: &on_frame,
        plate_frames: 1,
        within: None,
        sigma: None,
    };
    let piece = key::cut_out(&ask, &books)?;
    let cutting = start.elapsed().as_secs_f64();

    // To the plate's grid in one step, light and coverage together.
    let to_frame = found.map.inverted().unwrap_or(Map::IDENTITY);
    let mut picture = Picture::filled(rect, Premul::CLEAR, &account)?;
    let inside = piece.matte.rect();
    for y in inside.y0..inside.y1 {
        for x in inside.x0..inside.x1 {
            let a = piece.matte.at(x, y);
            if a > 0.0 {
                let [r, g, b] = piece.colour.at(x, y);
                picture.put(x, y, Premul([r * a, g * a, b * a, a]));
            }
        }
    }
    if to_frame != Map::IDENTITY {
        picture = resample::resampled(&picture, &to_frame, rect, Kernel::Lanczos3, &account)?;
    }
    let pixels = (0..case.size * case.size).map(|n| (n % case.size, n / case.size));
    let ratio = pixels
        .map(|(x, y)| {
            let (u, v) = to_frame.apply(f64::from(x) + 0.5, f64::from(y) + 0.5);
            piece.light.at(u.floor() as i32, v.floor() as i32)
        })
        .collect();
    Ok(Cut {
        matte: picture.data().iter().map(|p| p.0[3]).collect(),
        light: picture
            .data()
            .iter()
            .map(|p| [p.0[0], p.0[1], p.0[2]])
            .collect(),
        ratio: Some(ratio),
        cost: Some(Cost {
            laying,
            cutting,
            peak: books.peak(),
        }),
        laid: Some(laid),
    })
}
