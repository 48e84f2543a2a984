//! Both pictures as sums over small cells, and which cells show the set.

use rayon::prelude::*;

use crate::budget::Account;
use crate::geom::Rect;
use crate::raster::Seen;

/// Cells along the longer side, about.
const FINENESS: u32 = 180;
/// Smallest cell, px a side: averages noise.
const SMALLEST: u32 = 4;
/// Light from here on may be clipped, and below here it is noise and stray light.
const BRIGHTEST: f32 = 0.97;
const DARKEST: f32 = 5e-4;
/// How far the channels of a set's ratio may lie apart, natural logarithm.
const NEUTRAL: f64 = 0.15;
/// Widest ratio of light compared, natural logarithm (two stops and a little).
const WIDEST: f64 = 1.5;
/// Texture counts when its variance is so many times the noise's.
const TEXTURE: f64 = 6.0;
/// A textured cell is the set if less of its texture than this differs (variance).
const DIFFERS: f64 = 0.5;
/// Pixels read at a time and thread.
const BAND: u32 = 1 << 18;

/// One cell. Logarithms are natural.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Cell {
    /// Frame over plate, brightness (green twice).
    pub light: f64,
    /// Channels' ratios beside it.
    pub tint: [f64; 3],
    /// 0: no part of the set, or nothing to compare.
    pub weight: f64,
    /// Variance of the difference of both, relative to the light: what noise and misfit make.
    misfit: f64,
    /// Variance of the plate's light, relative likewise.
    texture: f64,
}

/// Cells row by row.
#[derive(Debug)]
pub(super) struct Grid {
    pub cells: Vec<Cell>,
    pub columns: usize,
    pub step: u32,
    pub rect: Rect,
}

pub(super) fn compared<F: Seen, P: Seen<Fault = F::Fault>>(
    frame: &F,
    plate: &P,
    account: &Account,
) -> Result<Grid, F::Fault> {
    let rect = frame.rect().intersected(&plate.rect());
    let step = (rect.width().max(rect.height()) / FINENESS).max(SMALLEST);
    let (columns, rows) = ((rect.width() / step) as usize, rect.height() / step);
    let bytes = columns as u64 * u64::from(rows) * size_of::<Cell>() as u64;
    let _charge = account.charge(bytes, "cells")?;
    let lines = (BAND / (rect.width().max(1) * step).max(1)).max(1);
    let wide = columns as u32 * step;
    let bands: Vec<Rect> = Rect::new(rect.x0, rect.y0, wide, rows * step)
        .bands(lines * step)
        .collect();
    let read: Vec<Result<Vec<Cell>, F::Fault>> = bands
        .par_iter()
        .map(|band| {
            let (c, b) = (frame.light(*band)?, plate.light(*band)?);
            let cells = band.tiles(step, step);
            Ok(cells
                .into_iter()
                .map(|cell| {
                    let mut sums = Sums::default();
                    for y in cell.y0..cell.y1 {
                        let (c, b) = (c.span(y, cell.x0, cell.x1), b.span(y, cell.x0, cell.x1));
                        for (c, b) in c.iter().zip(b) {
                            sums.add(*c, *b);
                        }
                    }
                    sums.cell(cell.area() as f64)
                })
                .collect())
        })
        .collect();
    let mut cells = Vec::with_capacity(columns * rows as usize);
    if wide > 0 {
        for band in read {
            cells.extend(band?);
        }
    }
    without_strangers(&mut cells);
    Ok(Grid {
        cells,
        columns,
        step,
        rect,
    })
}

/// Takes the weight of cells whose own texture is not the plate's.
fn without_strangers(cells: &mut [Cell]) {
    let mut misfits: Vec<f64> = cells
        .iter()
        .filter(|cell| cell.weight > 0.0)
        .map(|cell| cell.misfit)
        .collect();
    if misfits.is_empty() {
        return;
    }
    // The quietest fifth is noise alone, whatever covers the rest.
    let fifth = misfits.len() / 5;
    let noise = *misfits.select_nth_unstable_by(fifth, f64::total_cmp).1;
    for cell in cells {
        let textured = cell.texture > TEXTURE * noise;
        let limit = if textured {
            DIFFERS * cell.texture
        } else {
            0.0
        };
        if cell.misfit > limit.max(TEXTURE * noise) {
            cell.weight = 0.0;
        }
    }
}

#[derive(Default)]
struct Sums {
    count: f64,
    frame: [f64; 3],
    plate: [f64; 3],
    squares: [f64; 3],
}

impl Sums {
    fn add(&mut self, c: [f32; 3], b: [f32; 3]) {
        let open = |v: f32| (DARKEST..=BRIGHTEST).contains(&v);
        // Not a number is in no range.
        if !(c.iter().all(|v| open(*v)) && b.iter().all(|v| open(*v))) {
            return;
        }
        let (c, b) = (c.map(f64::from), b.map(f64::from));
        for k in 0..3 {
            self.frame[k] += c[k];
            self.plate[k] += b[k];
        }
        let (c, b) = (brightness(c), brightness(b));
        self.squares[0] += c * c;
        self.squares[1] += c * b;
        self.squares[2] += b * b;
        self.count += 1.0;
    }

    fn cell(&self, pixels: f64) -> Cell {
        if self.count < 0.5 * pixels {
            return Cell::default();
        }
        let (frame, plate) = (brightness(self.frame), brightness(self.plate));
        let ratio = frame / plate;
        let light = libm::log(ratio);
        let tint = [0, 1, 2].map(|k| libm::log(self.frame[k] / self.plate[k]) - light);
        let apart = tint.iter().fold(0.0f64, |far, t| far.max(t.abs()));
        let n = self.count;
        let (c, b) = (frame / n, plate / n);
        let variance = |sum: f64, mean: f64| (sum / n - mean).max(0.0);
        let [cc, cb, bb] = self.squares;
        let spread = variance(cc, c * c) - 2.0 * ratio * (cb / n - c * b)
            + ratio * ratio * variance(bb, b * b);
        Cell {
            light,
            tint,
            weight: if apart < NEUTRAL && light.abs() < WIDEST {
                1.0
            } else {
                0.0
            },
            misfit: spread.max(0.0) / c,
            texture: ratio * ratio * variance(bb, b * b) / c,
        }
    }
}

fn brightness([r, g, b]: [f64; 3]) -> f64 {
    (r + 2.0 * g + b) * 0.25
}
