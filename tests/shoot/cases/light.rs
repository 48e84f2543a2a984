//! What a piece and its rod do to the light of the set: soft shadows, light thrown back, and the day's slow drift. Ratios on
//! a coarse grid, read between its points.

use super::canvas::Canvas;
use super::draw::Draw;
use super::levels::Shade;
use super::view::{FINE, PAD, View};
use crate::noise;
use crate::vector::{V3, v};

/// Cells across the frame and its surroundings.
const CELLS: usize = 240;

#[derive(Clone, Debug)]
pub struct Field {
    /// Side of a cell, px.
    cell: f32,
    values: Vec<V3>,
}

impl Field {
    fn new(size: i64, value: impl Fn([f32; 2]) -> V3) -> Field {
        let cell = (size + 2 * PAD) as f32 / CELLS as f32;
        let middle = |n: usize| (n as f32 + 0.5) * cell - PAD as f32;
        let values = (0..CELLS * CELLS)
            .map(|n| value([middle(n % CELLS), middle(n / CELLS)]))
            .collect();
        Field { cell, values }
    }

    /// The value at a point of the plate, px.
    pub fn at(&self, [x, y]: [f32; 2]) -> V3 {
        let last = CELLS as i64 - 1;
        let place = |v: f32| {
            let cell = (v + PAD as f32) / self.cell - 0.5;
            let low = cell.floor();
            let n = (low as i64).clamp(0, last);
            (
                n as usize,
                (n + 1).min(last) as usize,
                (cell - low).clamp(0.0, 1.0),
            )
        };
        let ((x0, x1, u), (y0, y1, w)) = (place(x), place(y));
        let get = |x: usize, y: usize| self.values[y * CELLS + x];
        let top = get(x0, y0).toward(get(x1, y0), u);
        top.toward(get(x0, y1).toward(get(x1, y1), u), w)
    }

    /// A Gaussian of `sigma` pixels; nothing lies outside the grid.
    fn softened(&self, sigma: f32) -> Field {
        let sigma = sigma / self.cell;
        let reach = (3.0 * sigma).ceil() as i64;
        let taps: Vec<f32> = (-reach..=reach)
            .map(|k| libm::expf(-0.5 * (k * k) as f32 / (sigma * sigma).max(1e-6)))
            .collect();
        let total: f32 = taps.iter().sum();
        let pass = |from: &[V3], step: [i64; 2]| -> Vec<V3> {
            let cells = CELLS as i64;
            let value = |n: usize| {
                let (x, y) = (n as i64 % cells, n as i64 / cells);
                let mut sum = V3::ZERO;
                for (k, tap) in (-reach..=reach).zip(&taps) {
                    let (i, j) = (x + k * step[0], y + k * step[1]);
                    if (0..cells).contains(&i) && (0..cells).contains(&j) {
                        sum += from[(j * cells + i) as usize] * *tap;
                    }
                }
                sum / total
            };
            (0..from.len()).map(value).collect()
        };
        Field {
            cell: self.cell,
            values: pass(&pass(&self.values, [1, 0]), [0, 1]),
        }
    }

    /// Mean light and coverage of a layer in each cell.
    fn of(layer: &Canvas, size: i64) -> (Field, Field) {
        let cell = (size + 2 * PAD) as f32 / CELLS as f32;
        let mut sums = vec![[0.0f32; 4]; CELLS * CELLS];
        let side = cell * FINE as f32;
        for (n, cover) in layer.covers.iter().enumerate() {
            let (i, j) = (n as i64 % layer.width, n as i64 / layer.width);
            let cell = |v: i64| (((v as f32 + 0.5) / side) as usize).min(CELLS - 1);
            let at = cell(layer.top + j) * CELLS + cell(layer.left + i);
            for (sum, value) in sums[at].iter_mut().zip(cover) {
                *sum += value / (side * side);
            }
        }
        let field = |value: fn(&[f32; 4]) -> V3| Field {
            cell,
            values: sums.iter().map(value).collect(),
        };
        (field(|s| V3::splat(s[3])), field(|s| v(s[0], s[1], s[2])))
    }
}

/// Ratios to the light of the plate.
#[derive(Clone, Debug)]
pub struct Ratios {
    /// The piece's shadow and bounce alone.
    pub piece: Field,
    /// The rod's shadow and the drift with it: what the frame really shows.
    pub all: Field,
}

pub fn ratios(
    view: &View,
    piece: &Canvas,
    rod: &Canvas,
    shade: Option<Shade>,
    draw: &mut Draw,
) -> Ratios {
    let size = view.size;
    let Some(shade) = shade else {
        let flat = Field::new(size, |_| V3::ONE);
        return Ratios {
            piece: flat.clone(),
            all: flat,
        };
    };
    let wide = size as f32;
    let (mask, glow) = Field::of(piece, size);
    let soft = mask.softened(shade.sigma * wide);
    let rod = Field::of(rod, size).0.softened(shade.sigma * wide * 0.6);
    let glow = glow.softened(0.09 * wide);
    let brightest = glow
        .values
        .iter()
        .fold(1e-4, |most: f32, g| most.max(g.largest()));
    let from = |[x, y]: [f32; 2]| [x - shade.offset[0] * wide, y - shade.offset[1] * wide];
    // What fills a shadow is a little blue: less of it is taken away there.
    let taken = v(1.0, 0.985, 0.955) * shade.density;
    let alone = |p: [f32; 2]| {
        let shadow = V3::ONE - taken * soft.at(from(p)).x;
        shadow * (V3::ONE + glow.at(p) * (1.6 * shade.bounce / brightest))
    };
    let field = draw.word();
    let scale = 1.8 / wide;
    let wave = |[x, y]: [f32; 2]| noise::layered(x * scale, y * scale, field, 2);
    // Its mean over the frame is exposure, and exposure is the camera's.
    let steps = 16;
    let level = (0..steps * steps).fold(0.0, |sum, n| {
        let place = |k: usize| (k as f32 + 0.5) * wide / steps as f32;
        sum + wave([place(n % steps), place(n / steps)])
    }) / (steps * steps) as f32;
    let drift = |p: [f32; 2]| V3::ONE + v(1.0, 0.95, 0.9) * (2.2 * shade.drift * (wave(p) - level));
    Ratios {
        piece: Field::new(size, alone),
        all: Field::new(size, |p| {
            let rods = V3::ONE - taken * (0.5 * rod.at(from(p)).x);
            alone(p) * rods * drift(p)
        }),
    }
}
