//! Frames and plates that one colour recipe bent: how is told from light that changed on the set, and taken back before
//! anything is cut out, since shadows multiply and edges mix in the light of the set. Colour and light found there are
//! laid on again, so that they are the picture's own.

mod fit;
#[cfg(test)]
mod tests;
mod windows;

use rayon::prelude::*;

use super::tools::gauss;
use super::tools::twice::half;
use super::{Ask, Cutout, LightField, Noise};
use crate::budget::{Account, OverBudget};
use crate::color::Response;
use crate::raster::{Light, Raster};

/// Blur of the set's own tones, in cells, at which light is told as the picture shows it: what a shadow is on its way to
/// another place must not carry the grain of where it fell.
const AROUND: f64 = 8.0;
/// Darker than this nothing is known of a tone.
const DARK: f32 = 1e-4;

/// How the pictures answer the set's light, where that can be told and is not as profiles say.
pub(super) fn told(
    ask: &Ask,
    noise: &Noise,
    account: &Account,
) -> Result<Option<Response>, OverBudget> {
    let (windows, _held) = windows::seen(ask, noise, account)?;
    Ok(fit::fitted(&windows).map(Response::of))
}

/// A picture in the light of the set.
pub(super) fn taken_back(
    picture: &Light,
    response: &Response,
    account: &Account,
) -> Result<Light, OverBudget> {
    let mut set = Light::filled(picture.rect(), [0.0; 3], account)?;
    let pixels = set.data_mut().par_iter_mut().with_min_len(4096);
    pixels.zip(picture.data()).for_each(|(set, seen)| {
        *set = seen.map(|v| response.taken_back(v));
    });
    Ok(set)
}

/// What was found in the light of the set as the picture shows it.
pub(super) fn laid_on(
    cutout: &mut Cutout,
    plate: &Light,
    response: &Response,
    account: &Account,
) -> Result<(), OverBudget> {
    let pixels = cutout.colour.data_mut().par_iter_mut().with_min_len(4096);
    pixels.for_each(|colour| *colour = colour.map(|v| response.laid_on(v)));
    let own = cells(plate, account)?;
    let around = gauss::blurred(&own, AROUND, account)?;
    shown(&mut cutout.light, &own, response);
    shown(&mut cutout.shadow, &around, response);
    if let Some(flags) = &mut cutout.flags {
        shown(flags, &around, response);
    }
    Ok(())
}

/// The picture's mean in every cell, of the pixels that there are.
fn cells(picture: &Light, account: &Account) -> Result<Raster<[f32; 3]>, OverBudget> {
    let rect = half(picture.rect());
    let mut cells = Raster::filled(rect, [0.0; 3], account)?;
    let width = cells.width().max(1);
    let rows = cells.data_mut().par_chunks_mut(width).zip(rect.y0..rect.y1);
    rows.for_each(|(row, j)| {
        for (out, i) in row.iter_mut().zip(rect.x0..) {
            let places = [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(u, v)| (2 * i + u, 2 * j + v));
            let there = places
                .into_iter()
                .filter(|&(x, y)| picture.rect().contains(x, y));
            let pixels = there.map(|(x, y)| picture.at(x, y));
            let mut count = 0.0f32;
            for pixel in pixels.filter(|pixel| pixel.iter().all(|v| v.is_finite())) {
                count += 1.0;
                *out = [0, 1, 2].map(|k| out[k] + pixel[k]);
            }
            *out = out.map(|v| v / count.max(1.0));
        }
    });
    Ok(cells)
}

/// A change of light on a set that the picture shows as `set`, as the picture shows it. None stays none.
fn shown(light: &mut LightField, set: &Raster<[f32; 3]>, response: &Response) {
    let rect = light.cells.rect().intersected(&set.rect());
    for y in rect.y0..rect.y1 {
        let set = set.span(y, rect.x0, rect.x1);
        let cells = light.cells.span_mut(y, rect.x0, rect.x1);
        for (ratio, set) in cells.iter_mut().zip(set) {
            *ratio = std::array::from_fn(|k| match set[k] > DARK && ratio[k] != 1.0 {
                true => response.laid_on(ratio[k] * response.taken_back(set[k])) / set[k],
                false => ratio[k],
            });
        }
    }
}
