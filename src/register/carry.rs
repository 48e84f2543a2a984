//! A plate as its frame's grid sees it.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::geom::{Map, PixelMap, Rect};
use crate::raster::{Light, Picture, Premul, Raster, Seen};
use crate::resample::{Kernel, footprint, resampled};

/// The plate's light on the frame's grid for the frame pixels `rect`; `map` takes frame to plate.
///
/// Lanczos-3, in bands so that little of the plate is held at a time; where the map is one of whole pixels, samples
/// are copied. Beyond the plate its border goes on.
pub fn carried<P: Seen>(
    plate: &P,
    map: &Map,
    rect: Rect,
    account: &Account,
) -> Result<Light, P::Fault> {
    let whole = plate.rect();
    if *map == Map::IDENTITY && whole.covers(&rect) {
        return plate.light(rect);
    }
    let mut result = Raster::filled(rect, [0.0; 3], account)?;
    if rect.is_empty() || whole.is_empty() {
        return Ok(result);
    }
    let copies = map.as_pixel_map();
    let rows = (BAND / rect.width().max(1)).clamp(16, 512);
    for band in rect.bands(rows) {
        match copies {
            Some(pixels) => copy(plate, &pixels, band, &mut result)?,
            None => resample(plate, map, band, &mut result, account)?,
        }
    }
    Ok(result)
}

/// Pixels carried at a time.
const BAND: u32 = 1 << 20;

fn copy<P: Seen>(
    plate: &P,
    pixels: &PixelMap,
    band: Rect,
    result: &mut Light,
) -> Result<(), P::Fault> {
    let whole = plate.rect();
    let window = plate.light(nearest(&whole, &pixels.rect(&band)))?;
    let held = window.rect();
    for y in band.y0..band.y1 {
        for x in band.x0..band.x1 {
            let (u, v) = pixels.apply(x, y);
            let light = window.at(u.clamp(held.x0, held.x1 - 1), v.clamp(held.y0, held.y1 - 1));
            result.put(x, y, light);
        }
    }
    Ok(())
}

fn resample<P: Seen>(
    plate: &P,
    map: &Map,
    band: Rect,
    result: &mut Light,
    account: &Account,
) -> Result<(), P::Fault> {
    let under = footprint(map, &band, Kernel::Lanczos3);
    let window = plate.light(nearest(&plate.rect(), &under))?;
    let width = result.width().max(1);
    let from = (band.y0 - result.rect().y0) as usize * width;
    let lines = &mut result.data_mut()[from..from + band.height() as usize * width];
    let parts: Vec<Rect> = band.bands(PART).collect();
    // Part by part: what one needs stays near.
    let done: Vec<Result<(), OverBudget>> = lines
        .par_chunks_mut(width * PART as usize)
        .zip(parts)
        .map(|(lines, part)| resample_part(&window, map, part, lines, account))
        .collect();
    Ok(done.into_iter().collect::<Result<(), OverBudget>>()?)
}

/// Rows resampled together.
const PART: u32 = 32;

fn resample_part(
    window: &Light,
    map: &Map,
    part: Rect,
    lines: &mut [[f32; 3]],
    account: &Account,
) -> Result<(), OverBudget> {
    let held = window.rect();
    let under = footprint(map, &part, Kernel::Lanczos3).intersected(&held);
    let seen = resampled(
        &opaque(window, under, account)?,
        map,
        part,
        Kernel::Lanczos3,
        account,
    )?;
    let width = (part.width() as usize).max(1);
    for (line, y) in lines.chunks_exact_mut(width).zip(part.y0..part.y1) {
        for (x, out) in (part.x0..part.x1).zip(line) {
            let Premul([r, g, b, alpha]) = seen.at(x, y);
            // At the plate's border part of the kernel stands outside: what is inside decides.
            *out = if alpha > INSIDE {
                [r / alpha, g / alpha, b / alpha]
            } else {
                let (u, v) = map.apply(f64::from(x) + 0.5, f64::from(y) + 0.5);
                let near = |v: f64, low: i32, high: i32| (v.floor() as i32).clamp(low, high - 1);
                window.at(near(u, held.x0, held.x1), near(v, held.y0, held.y1))
            };
        }
    }
    Ok(())
}

/// The share of the kernel that must stand on the plate. Pixels whose centre lies on it have at least this.
const INSIDE: f32 = 0.45;

fn opaque(light: &Light, part: Rect, account: &Account) -> Result<Picture, OverBudget> {
    let mut picture = Picture::filled(part, Premul::CLEAR, account)?;
    for y in part.y0..part.y1 {
        let row = light.span(y, part.x0, part.x1);
        for (pixel, [r, g, b]) in picture.row_mut(y).iter_mut().zip(row) {
            *pixel = Premul([*r, *g, *b, 1.0]);
        }
    }
    Ok(picture)
}

/// The part of `whole` under `wanted`; at least the pixel nearest to it.
fn nearest(whole: &Rect, wanted: &Rect) -> Rect {
    let both = whole.intersected(wanted);
    if !both.is_empty() {
        return both;
    }
    let x = wanted.x0.clamp(whole.x0, whole.x1 - 1);
    let y = wanted.y0.clamp(whole.y0, whole.y1 - 1);
    Rect::new(x, y, 1, 1)
}
