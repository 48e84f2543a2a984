//! From the frame's grid to the plate's, once.

use super::Piece;
use crate::budget::{Account, OverBudget};
use crate::diag::Finding;
use crate::geom::{Map, PixelMap, Rect};
use crate::key::LightField;
use crate::plan::Shot;
use crate::raster::{Picture, Premul, Raster};
use crate::resample::{Kernel, copied, footprint, reach, resampled};
use crate::settle::unreadable;

/// How far beyond the edge colour is carried on, px.
const BEYOND: i32 = 8;

/// A piece with its way to the plate.
pub(super) struct Carried<'a> {
    piece: &'a Piece<'a>,
    to_frame: Option<Map>,
    /// 1 where colour is written: within [`BEYOND`] of coverage, as a box.
    known: Raster<u8>,
    /// The box of coverage above zero, frame pixels.
    pub covered: Rect,
    /// Plate pixels that it can land on, the kernel's width included.
    pub landing: Rect,
}

impl<'a> Carried<'a> {
    pub fn new(piece: &'a Piece<'a>, account: &Account) -> Result<Carried<'a>, OverBudget> {
        let covered = covered(piece);
        let landing = match piece.carry.as_pixel_map() {
            Some(map) => map.rect(&covered),
            None => reach(&piece.carry, &covered, Kernel::Lanczos3),
        };
        Ok(Carried {
            piece,
            to_frame: piece.carry.inverted(),
            known: known(piece, covered, account)?,
            covered,
            landing: landing.intersected(&piece.grid()),
        })
    }

    /// The piece, colour times coverage, on plate pixels.
    pub fn piece(&self, out: Rect, account: &Account) -> Result<Picture, OverBudget> {
        let (matte, colour) = (self.piece.matte, self.piece.colour);
        let within = matte.rect().intersected(&colour.rect());
        self.carried(out, within, account, |x, y| {
            let coverage = matte.at(x, y);
            let [r, g, b] = colour.at(x, y);
            Premul([r * coverage, g * coverage, b * coverage, coverage])
        })
    }

    /// The colour where it is known, opaque, elsewhere transparent.
    pub fn colour(&self, out: Rect, account: &Account) -> Result<Picture, OverBudget> {
        let colour = self.piece.colour;
        let within = self.known.rect().intersected(&colour.rect());
        self.carried(out, within, account, |x, y| match self.known.at(x, y) {
            0 => Premul::CLEAR,
            _ => {
                let [r, g, b] = colour.at(x, y);
                Premul([r, g, b, 1.0])
            }
        })
    }

    /// The whole frame, balanced.
    pub fn frame(&self, out: Rect, account: &Account) -> Result<Picture, Finding> {
        let memory = |fault: OverBudget| crate::settle::out_of_memory(&fault);
        let shot = self.piece.frame;
        let Some(map) = self.to_frame else {
            return Picture::filled(out, Premul::CLEAR, account).map_err(memory);
        };
        let window = window(&map, out).intersected(&shot.rect());
        let picture = light(shot, window, self.piece.gains, account)?;
        laid(&picture, &map, out, account).map_err(memory)
    }

    /// Ratios of a field at plate pixels, row by row; beyond the frame the field's border goes on.
    pub fn ratios(&self, field: &LightField, out: Rect, mut act: impl FnMut([f32; 3])) {
        let rect = field.cells.rect();
        let map = self.to_frame.filter(|_| !rect.is_empty());
        let Some(map) = map else {
            (0..out.area()).for_each(|_| act([1.0; 3]));
            return;
        };
        let place = |x: i32, y: i32| map.apply(f64::from(x) + 0.5, f64::from(y) + 0.5);
        let across = |u: f64| between(u, rect.x0, rect.x1);
        let down = |v: f64| between(v, rect.y0, rect.y1);
        let m = &map.0;
        if map.is_affine() && m[0][1] == 0.0 && m[1][0] == 0.0 {
            // Columns and rows do not know of each other.
            let columns: Vec<_> = (out.x0..out.x1)
                .map(|x| across(place(x, out.y0).0))
                .collect();
            for y in out.y0..out.y1 {
                let down = down(place(out.x0, y).1);
                columns
                    .iter()
                    .for_each(|&across| act(ratio(field, across, down)));
            }
            return;
        }
        for y in out.y0..out.y1 {
            for x in out.x0..out.x1 {
                let (u, v) = place(x, y);
                act(ratio(field, across(u), down(v)));
            }
        }
    }

    fn carried(
        &self,
        out: Rect,
        within: Rect,
        account: &Account,
        pixel: impl Fn(i32, i32) -> Premul,
    ) -> Result<Picture, OverBudget> {
        let Some(map) = self.to_frame else {
            return Picture::filled(out, Premul::CLEAR, account);
        };
        let rect = window(&map, out).intersected(&within);
        let mut picture = Picture::filled(rect, Premul::CLEAR, account)?;
        for y in rect.y0..rect.y1 {
            for (x, out) in (rect.x0..rect.x1).zip(picture.row_mut(y)) {
                *out = pixel(x, y);
            }
        }
        laid(&picture, &map, out, account)
    }
}

/// Frame pixels that matter for plate pixels.
fn window(to_frame: &Map, out: Rect) -> Rect {
    match to_frame.as_pixel_map() {
        Some(map) => map.rect(&out),
        None => footprint(to_frame, &out, Kernel::Lanczos3),
    }
}

fn laid(
    window: &Picture,
    to_frame: &Map,
    out: Rect,
    account: &Account,
) -> Result<Picture, OverBudget> {
    let pixels: Option<PixelMap> = to_frame.as_pixel_map();
    match pixels {
        Some(map) => copied(window, &map, out, account),
        None => resampled(window, to_frame, out, Kernel::Lanczos3, account),
    }
}

/// A rectangle of a frame or plate as light, balanced.
pub(super) fn light(
    shot: &Shot,
    rect: Rect,
    gains: [f64; 3],
    account: &Account,
) -> Result<Picture, Finding> {
    let mut picture = shot
        .frame
        .samples(rect, account)
        .and_then(|samples| samples.picture(rect, shot.frame.header(), &shot.decoding, account))
        .map_err(|fault| unreadable(&shot.path, &fault))?;
    if gains != [1.0; 3] {
        let gains = gains.map(|gain| gain as f32);
        for Premul(pixel) in picture.data_mut() {
            for (value, gain) in pixel.iter_mut().zip(gains) {
                *value *= gain;
            }
        }
    }
    Ok(picture)
}

/// The cells, of those from `low` to `high`, whose centres a place lies between along one side, and its share of the way;
/// `None` where it is no number.
type Between = Option<(i32, i32, f32)>;

fn between(at: f64, low: i32, high: i32) -> Between {
    // Cells of 2 x 2 frame pixels.
    let cell = at / 2.0 - 0.5;
    let first = cell.floor();
    let near = (cell - first) as f32;
    let first = first.clamp(-1e9, 1e9) as i32;
    let inside = |k: i32| k.clamp(low, high - 1);
    at.is_finite()
        .then(|| (inside(first), inside(first + 1), near))
}

/// Bilinear between the centres of cells.
fn ratio(field: &LightField, across: Between, down: Between) -> [f32; 3] {
    let (Some((x0, x1, s)), Some((y0, y1, t))) = (across, down) else {
        return [1.0; 3];
    };
    let cells = &field.cells;
    let (a, b) = (cells.at(x0, y0), cells.at(x1, y0));
    let (c, d) = (cells.at(x0, y1), cells.at(x1, y1));
    std::array::from_fn(|k| {
        let top = a[k] + (b[k] - a[k]) * s;
        let low = c[k] + (d[k] - c[k]) * s;
        top + (low - top) * t
    })
}

/// The box of coverage above zero, frame pixels.
fn covered(piece: &Piece) -> Rect {
    piece.matte.bounds(|&c| c > 0.0)
}

/// Coverage above zero grown by [`BEYOND`] each way, first along the rows, then across them.
fn known(piece: &Piece, covered: Rect, account: &Account) -> Result<Raster<u8>, OverBudget> {
    if covered.is_empty() {
        return Raster::filled(Rect::EMPTY, 0, account);
    }
    let rect = covered
        .grown(BEYOND as u32)
        .intersected(&piece.colour.rect());
    let tall = Rect {
        y0: covered.y0,
        y1: covered.y1,
        ..rect
    };
    let mut wide = Raster::filled(tall, 0u8, account)?;
    for y in tall.y0..tall.y1 {
        let out = wide.row_mut(y);
        for (x, _) in (covered.x0..)
            .zip(piece.matte.span(y, covered.x0, covered.x1))
            .filter(|(_, c)| **c > 0.0)
        {
            let from = (x - BEYOND).max(rect.x0) - rect.x0;
            let to = (x + BEYOND + 1).min(rect.x1) - rect.x0;
            if from < to {
                out[from as usize..to as usize].fill(1);
            }
        }
    }
    let mut known = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        let rows = (y - BEYOND).max(tall.y0)..(y + BEYOND + 1).min(tall.y1);
        let out = known.row_mut(y);
        for row in rows {
            for (out, near) in out.iter_mut().zip(wide.row(row)) {
                *out |= near;
            }
        }
    }
    Ok(known)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The room that measures the field says what it is at a pixel; here the same is asked by place.
    #[test]
    fn ratios_are_read_as_the_field_says() {
        let account = Account::unlimited();
        let mut cells = Raster::filled(Rect::new(-1, 2, 5, 4), [1.0f32; 3], &account).unwrap();
        for (k, cell) in cells.data_mut().iter_mut().enumerate() {
            *cell = [k as f32 * 0.1, 1.0 - k as f32 * 0.01, (k * k % 7) as f32];
        }
        let field = LightField { cells };
        for y in 0..16 {
            for x in -6..12 {
                let here = ratio(
                    &field,
                    between(f64::from(x) + 0.5, -1, 4),
                    between(f64::from(y) + 0.5, 2, 6),
                );
                let own = field.at(x, y);
                for (here, own) in here.into_iter().zip(own) {
                    assert!((here - own).abs() < 1e-5, "{x} {y}: {here} {own}");
                }
            }
        }
    }
}
