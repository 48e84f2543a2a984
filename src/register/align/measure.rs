//! How frame and plate differ under a map, block by block.

use rayon::prelude::*;

use super::patch::Patch;
use crate::geom::{Map, Rect};

/// Pixels at a plane's border that the filters spoil.
const SPOILT: i32 = 8;
/// Brightness ratios (square roots of light) beyond which a pixel can be no set under other light.
const RATIO: [f32; 2] = [0.5, 2.0];
/// Every so many pixels across and down a residual is kept for the spread.
const SAMPLE: i32 = 4;
/// Half-width of the derivative.
const REACH: i32 = 2;
/// The longest side of a block, px of its grid.
const SIDE: u32 = 32;
/// The longest row of a block with what its derivatives reach.
const WIDE: usize = SIDE as usize + 2 * REACH as usize;
/// What is summed over a block.
const TERMS: usize = 10;

/// Sums over one block. Weights fall with the difference: 1 / (1 + (e / 3 s)^2)^2.
#[derive(Clone, Debug, Default)]
pub(super) struct Block {
    /// Full-size frame coordinates of its middle.
    pub middle: [f64; 2],
    /// Sum of w dI e: where the match wants to go.
    pub pull: [f64; 2],
    /// Sum of w dI dP, symmetric: xx, xy, yy. Only what both pictures share counts, not their noise.
    pub hold: [f64; 3],
    /// Weighted products: plate squared, frame squared, plate times frame.
    pub products: [f64; 3],
    /// Product of both after cutting at three typical deviations, without weights.
    pub cut_product: f64,
    pub weight: f64,
    pub count: f64,
    residuals: Vec<f32>,
}

/// What to measure with.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gauge {
    /// Standard deviation of differences; infinite before it is known.
    pub spread: f32,
    /// Detail is cut here for `cut_product`.
    pub cut: f32,
}

impl Block {
    /// Whether this is the set, 0..1: where most pixels differ by more than noise it is a piece. Its few pixels
    /// that happen to agree would pull with a piece's strong edges.
    pub(super) fn belongs(&self) -> f64 {
        if self.count < 1.0 {
            return 0.0;
        }
        ((self.weight / self.count - STRANGE) / (FAMILIAR - STRANGE)).clamp(0.0, 1.0)
    }
}

/// Mean weight of a block that is no part of the set, and of one that is; with noise alone it is about 0.82.
const STRANGE: f64 = 0.55;
const FAMILIAR: f64 = 0.75;

/// All blocks of all patches, in order.
pub(super) fn blocks(patches: &[Patch], map: &Map, gauge: Gauge) -> Vec<Block> {
    let all: Vec<(usize, Rect)> = patches
        .iter()
        .enumerate()
        .flat_map(|(k, patch)| parts(patch).into_iter().map(move |part| (k, part)))
        .collect();
    all.par_iter()
        .map(|(k, part)| {
            let mut block = block(&patches[*k], *part, map, gauge);
            let share = block.belongs();
            let sums = block
                .pull
                .iter_mut()
                .chain(&mut block.hold)
                .chain(&mut block.products)
                .chain([&mut block.cut_product]);
            for sum in sums {
                *sum *= share;
            }
            block
        })
        .collect()
}

/// The standard deviation of differences on the set, robustly: from the smaller ones (a piece may cover half the
/// frame), of blocks that belong to the set where these are enough.
pub(super) fn spread(blocks: &[Block]) -> f32 {
    let all: f64 = blocks.iter().map(|block| block.count).sum();
    let set = |block: &&Block| block.belongs() > 0.5;
    let own: f64 = blocks.iter().filter(set).map(|block| block.count).sum();
    let enough = own > LEAST_SET * all;
    let taken = blocks.iter().filter(|block| !enough || set(block));
    let mut sizes: Vec<f32> = taken
        .flat_map(|block| block.residuals.iter().copied())
        .collect();
    if sizes.is_empty() {
        return LEAST_SPREAD;
    }
    let quarter = sizes.len() / 4;
    let size = *sizes.select_nth_unstable_by(quarter, f32::total_cmp).1;
    (size / QUARTILE).max(LEAST_SPREAD)
}

/// A quarter of normal values are smaller than this many standard deviations.
const QUARTILE: f32 = 0.3186;
/// Never zero: pictures without noise would give nothing any weight.
const LEAST_SPREAD: f32 = 1e-5;
/// The least share of pixels that can be called the set.
const LEAST_SET: f64 = 0.2;

fn parts(patch: &Patch) -> Vec<Rect> {
    let rect = patch.frame.detail.rect();
    let spoilt = SPOILT
        .min(rect.width().min(rect.height()) as i32 / 6)
        .max(REACH);
    let inner = Rect {
        x0: rect.x0 + spoilt,
        y0: rect.y0 + spoilt,
        x1: rect.x1 - spoilt,
        y1: rect.y1 - spoilt,
    };
    if inner.is_empty() {
        return Vec::new();
    }
    let side = (inner.width().min(inner.height()) / 18).clamp(6, SIDE);
    inner.tiles(side, side)
}

fn block(patch: &Patch, part: Rect, map: &Map, gauge: Gauge) -> Block {
    let mut block = Block {
        middle: patch.full(
            f64::from(part.x0 + part.x1) / 2.0,
            f64::from(part.y0 + part.y1) / 2.0,
        ),
        ..Block::default()
    };
    let around = part.grown(REACH as u32);
    let Some(warped) = Warped::of(patch, around, map) else {
        return block;
    };
    let (detail, base) = (&patch.frame.detail, &patch.frame.base);
    let wide = around.width() as usize;
    let mut line = Line::default();
    for y in part.y0..part.y1 {
        let first = (y - part.y0) as usize;
        let own = [-2, -1, 0, 1, 2].map(|dy| detail.span(y + dy, around.x0, around.x1));
        let seen = [0, 1, 2, 3, 4].map(|dy| &warped.values[(first + dy) * wide..][..wide]);
        let lows = &warped.base[(first + REACH as usize) * wide..][..wide];
        let smooth = base.span(y, part.x0, part.x1);
        line.compared(smooth, lows, &own, &seen, gauge);
        let count = smooth.len();
        block.count += line.kept[..count].iter().filter(|&&kept| kept).count() as f64;
        if y % SAMPLE == 0 {
            let sampled = (0..count).filter(|&x| (x as i32 + y) % SAMPLE == 0 && line.kept[x]);
            block
                .residuals
                .extend(sampled.map(|x| line.errors[x].abs()));
        }
        let sums = line.sums(count).map(f64::from);
        let totals = block.pull.iter_mut().chain(&mut block.hold);
        let totals = totals.chain(&mut block.products);
        let totals = totals.chain([&mut block.cut_product, &mut block.weight]);
        for (total, sum) in totals.zip(sums) {
            *total += sum;
        }
    }
    block
}

/// One row of a block: what each pixel adds to the sums. Column by column in plain loops, which the compiler turns
/// into vectors; a pixel that can be no set adds zeros, which change no sum.
struct Line {
    kept: [bool; SIDE as usize],
    errors: [f32; SIDE as usize],
    terms: [[f32; SIDE as usize]; TERMS],
}

impl Default for Line {
    fn default() -> Line {
        Line {
            kept: [false; SIDE as usize],
            errors: [0.0; SIDE as usize],
            terms: [[0.0; SIDE as usize]; TERMS],
        }
    }
}

impl Line {
    /// `smooth` is the frame's base; the other rows begin `REACH` pixels before it. Stands alone so that nothing it
    /// writes can be taken for what it reads.
    #[inline(never)]
    fn compared(
        &mut self,
        smooth: &[f32],
        lows: &[f32],
        own: &[&[f32]; 5],
        seen: &[&[f32]; 5],
        gauge: Gauge,
    ) {
        const S: usize = SIDE as usize;
        let n = smooth.len().min(S);
        let reach = REACH as usize;
        let inverse = 1.0 / (3.0 * gauge.spread);
        let cut = |v: f32| {
            let v = if v < -gauge.cut { -gauge.cut } else { v };
            if v > gauge.cut { gauge.cut } else { v }
        };
        let (mut gx, mut gy) = ([0.0f32; S], [0.0f32; S]);
        let (mut px, mut py) = ([0.0f32; S], [0.0f32; S]);
        derivatives(own, &mut gx[..n], &mut gy[..n]);
        derivatives(seen, &mut px[..n], &mut py[..n]);
        let (lows, own, seen) = (
            &lows[reach..][..n],
            &own[reach][reach..][..n],
            &seen[reach][reach..][..n],
        );
        let [t0, t1, t2, t3, t4, t5, t6, t7, t8, t9] = &mut self.terms;
        let (kept, errors) = (&mut self.kept, &mut self.errors);
        for x in 0..n {
            let ratio = smooth[x] / lows[x];
            let keep = (RATIO[0]..=RATIO[1]).contains(&ratio);
            let only = |v: f32| if keep { v } else { 0.0 };
            let (value, plate) = (own[x], ratio * seen[x]);
            let error = plate - value;
            let bend = error * inverse;
            let weight = 1.0 / (1.0 + bend * bend);
            let weight = weight * weight;
            let (gx, gy) = (gx[x], gy[x]);
            let (px, py) = (ratio * px[x], ratio * py[x]);
            let pull = weight * error;
            kept[x] = keep;
            errors[x] = error;
            t0[x] = only(pull * gx);
            t1[x] = only(pull * gy);
            t2[x] = only(weight * gx * px);
            t3[x] = only(weight * 0.5 * (gx * py + gy * px));
            t4[x] = only(weight * gy * py);
            t5[x] = only(weight * plate * plate);
            t6[x] = only(weight * value * value);
            t7[x] = only(weight * plate * value);
            t8[x] = only(cut(plate) * cut(value));
            t9[x] = only(weight);
        }
    }

    /// From left to right, all terms side by side.
    fn sums(&self, count: usize) -> [f32; TERMS] {
        let mut sums = [0.0f32; TERMS];
        for x in 0..count.min(SIDE as usize) {
            for (sum, terms) in sums.iter_mut().zip(&self.terms) {
                *sum += terms[x];
            }
        }
        sums
    }
}

/// Five-point derivatives across and down on the middle row, from its third column on.
fn derivatives(rows: &[&[f32]; 5], across: &mut [f32], down: &mut [f32]) {
    let n = across.len().min(down.len());
    let reach = REACH as usize;
    let middle = rows[reach];
    let five = |slices: [&[f32]; 4], out: &mut [f32]| {
        let [a, b, c, d] = slices.map(|slice| &slice[..n]);
        for x in 0..n {
            out[x] = (8.0 * (c[x] - b[x]) - (d[x] - a[x])) / 12.0;
        }
    };
    five([0, 1, 3, 4].map(|by| &middle[by..]), &mut across[..n]);
    five([0, 1, 3, 4].map(|k| &rows[k][reach..]), &mut down[..n]);
}

/// The plate as the frame's grid sees it.
struct Warped {
    values: Vec<f32>,
    base: Vec<f32>,
}

impl Warped {
    /// `None` where it would leave the plate's unspoilt part.
    fn of(patch: &Patch, around: Rect, map: &Map) -> Option<Warped> {
        let [width, height] = patch.plate.size();
        let spoilt = SPOILT.min(width.min(height) as i32 / 6).max(3);
        let low = f64::from(spoilt);
        let high = [width, height].map(|side| side as f64 - 1.0 - low);
        let place = |x: i32, y: i32| {
            let [x, y] = patch.full(f64::from(x) + 0.5, f64::from(y) + 0.5);
            let (x, y) = map.apply(x, y);
            [
                (x - patch.plate.origin[0]) / patch.step - 0.5,
                (y - patch.plate.origin[1]) / patch.step - 0.5,
            ]
        };
        for (x, y) in [
            (around.x0, around.y0),
            (around.x1 - 1, around.y0),
            (around.x0, around.y1 - 1),
            (around.x1 - 1, around.y1 - 1),
        ] {
            let at = place(x, y);
            let inside = |k: usize| at[k] >= low && at[k] < high[k] - 1.0;
            if !inside(0) || !inside(1) {
                return None;
            }
        }
        let count = around.area() as usize;
        let mut warped = Warped {
            values: Vec::with_capacity(count),
            base: Vec::with_capacity(count),
        };
        let (detail, base) = (patch.plate.detail.data(), patch.plate.base.data());
        if map.0[0][..2] == [1.0, 0.0] && map.0[1][..2] == [0.0, 1.0] && map.is_affine() {
            warped.shift(patch, around, place(around.x0, around.y0));
            return Some(warped);
        }
        let mut row = Places::default();
        let wide = around.width() as usize;
        let mut values = [0.0f32; WIDE];
        for y in around.y0..around.y1 {
            row.placed(patch, around.x0, y, map);
            row.weighed([width, height]);
            row.read(wide, detail, width, &mut values);
            warped.values.extend_from_slice(&values[..wide]);
            let lows = row.near[0][..wide].iter().zip(&row.near[1]);
            let lows = lows.map(|(u, v)| base[*v as usize * width + *u as usize]);
            warped.base.extend(lows);
        }
        Some(warped)
    }

    /// The same for a plain shift, where all pixels share their weights: down first, then across.
    fn shift(&mut self, patch: &Patch, around: Rect, first: [f64; 2]) {
        let width = patch.plate.size()[0];
        let wide = around.width() as usize;
        let (detail, base) = (patch.plate.detail.data(), patch.plate.base.data());
        let (u, v) = (first[0].floor(), first[1].floor());
        let (across, down) = (six((first[0] - u) as f32), six((first[1] - v) as f32));
        let (column, row) = (u as usize - 2, v as usize - 2);
        let near = [(first[0] + 0.5) as usize, (first[1] + 0.5) as usize];
        let mut line = vec![0.0f32; wide + 5];
        for y in 0..around.height() as usize {
            line.fill(0.0);
            for (k, weight) in down.iter().enumerate() {
                let from = &detail[(row + y + k) * width + column..][..wide + 5];
                for (sum, value) in line.iter_mut().zip(from) {
                    *sum += weight * value;
                }
            }
            let from = self.values.len();
            self.values.resize(from + wide, -0.0);
            for (k, weight) in across.iter().enumerate() {
                let samples = &line[k..][..wide];
                for (sum, value) in self.values[from..].iter_mut().zip(samples) {
                    *sum += value * weight;
                }
            }
            self.base
                .extend_from_slice(&base[(near[1] + y) * width + near[0]..][..wide]);
        }
    }
}

/// Where the pixels of one row are read from, on the plate's grid.
struct Places {
    across: [f64; WIDE],
    down: [f64; WIDE],
    /// First of the six columns and rows around each.
    column: [i32; WIDE],
    row: [i32; WIDE],
    /// Column and row of the nearest.
    near: [[i32; WIDE]; 2],
    /// Weight k of pixel x at `[k][x]`.
    columns: [[f32; WIDE]; 6],
    rows: [[f32; WIDE]; 6],
}

impl Default for Places {
    fn default() -> Places {
        Places {
            across: [0.0; WIDE],
            down: [0.0; WIDE],
            column: [0; WIDE],
            row: [0; WIDE],
            near: [[0; WIDE]; 2],
            columns: [[0.0; WIDE]; 6],
            rows: [[0.0; WIDE]; 6],
        }
    }
}

/// Pixels that are read at once where their places lie side by side.
const RUN: usize = 4;

impl Places {
    /// Places under a map of the row's pixels from `x0` on.
    fn placed(&mut self, patch: &Patch, x0: i32, y: i32, map: &Map) {
        let first = f64::from(x0) + 0.5;
        let [left, y] = patch.full(0.0, f64::from(y) + 0.5);
        let (step, [u0, v0]) = (patch.step, patch.plate.origin);
        let (across, down) = (&mut self.across, &mut self.down);
        if map.is_affine() {
            let [[a, b, c], [d, e, f], _] = map.0;
            let (b, e) = (b * y, e * y);
            for k in 0..WIDE {
                let x = left + step * (first + k as i32 as f64);
                across[k] = a * x + b + c;
                down[k] = d * x + e + f;
            }
        } else {
            for k in 0..WIDE {
                let x = left + step * (first + k as i32 as f64);
                (across[k], down[k]) = map.apply(x, y);
            }
        }
        // Most grids are the picture's own, where nothing is divided.
        for (places, from) in [(across, u0), (down, v0)] {
            for place in places.iter_mut() {
                *place -= from;
            }
            if step != 1.0 {
                for place in places.iter_mut() {
                    *place /= step;
                }
            }
            for place in places.iter_mut() {
                *place -= 0.5;
            }
        }
    }

    /// The weights and first samples, from the places.
    fn weighed(&mut self, [width, height]: [usize; 2]) {
        let [across, down] = &mut self.near;
        let (column, row) = (&mut self.column, &mut self.row);
        weights(&self.across, width, [column, across], &mut self.columns);
        weights(&self.down, height, [row, down], &mut self.rows);
    }

    /// The weighed samples.
    fn read(&self, wide: usize, detail: &[f32], width: usize, values: &mut [f32; WIDE]) {
        let mut x = 0;
        while x < wide {
            let (column, row) = (self.column[x], self.row[x]);
            let beside = x + RUN <= wide
                && (1..RUN).all(|k| self.column[x + k] == column + k as i32)
                && (1..RUN).all(|k| self.row[x + k] == row);
            let from = &detail[row as usize * width + column as usize..];
            let taken = if beside {
                self.run::<RUN>(x, from, width, values)
            } else {
                self.run::<1>(x, from, width, values)
            };
            x += taken;
        }
    }

    /// `N` pixels whose samples lie side by side.
    fn run<const N: usize>(
        &self,
        x: usize,
        detail: &[f32],
        width: usize,
        values: &mut [f32; WIDE],
    ) -> usize {
        let part = |weights: &[f32; WIDE]| -> [f32; N] { std::array::from_fn(|i| weights[x + i]) };
        let columns: [[f32; N]; 6] = std::array::from_fn(|k| part(&self.columns[k]));
        let mut sum = [0.0f32; N];
        for (k, rows) in self.rows.iter().enumerate() {
            let line = &detail[k * width..][..5 + N];
            let rows = part(rows);
            let mut along = [-0.0f32; N];
            for (j, columns) in columns.iter().enumerate() {
                for i in 0..N {
                    along[i] += line[j + i] * columns[i];
                }
            }
            for i in 0..N {
                sum[i] += rows[i] * along[i];
            }
        }
        values[x..][..N].copy_from_slice(&sum);
        N
    }
}

/// Six weights a place, the first of the samples they belong to, and the nearest sample, of `side`.
#[inline(never)]
fn weights(
    places: &[f64; WIDE],
    side: usize,
    [first, near]: [&mut [i32; WIDE]; 2],
    weights: &mut [[f32; WIDE]; 6],
) {
    let mut between = [0.0f32; WIDE];
    for x in 0..WIDE {
        let (low, _) = floor(places[x]);
        between[x] = (places[x] - low) as f32;
    }
    // Under perspective a point between the corners may stick out by a hair.
    let last = side as i32 - 4;
    for x in 0..WIDE {
        first[x] = floor(places[x]).1.max(2).min(last) - 2;
        near[x] = floor(places[x] + 0.5).1.max(0).min(side as i32 - 1);
    }
    let [w0, w1, w2, w3, w4, w5] = weights;
    for x in 0..WIDE {
        [w0[x], w1[x], w2[x], w3[x], w4[x], w5[x]] = six(between[x]);
    }
}

/// The next whole number below, as both kinds of number, without a call; for numbers up to 2^31, as every place in a
/// picture is. Adding 1.5 * 2^52 rounds to the nearest whole number and leaves it in the low bits.
fn floor(v: f64) -> (f64, i32) {
    const WHOLE: f64 = 6_755_399_441_055_744.0;
    let raised = v + WHOLE;
    let nearest = raised - WHOLE;
    let above = nearest > v;
    let low = nearest - if above { 1.0 } else { 0.0 };
    (low, raised.to_bits() as i32 - i32::from(above))
}

/// Six samples around a point: weights of the polynomial through them (Lagrange), at `t` between the third and the
/// fourth. Its phase is right far beyond a cubic's, which would pull shifts by some hundredths of a pixel.
fn six(t: f32) -> [f32; 6] {
    let [a, b, c, d, e, f] = [t + 2.0, t + 1.0, t, t - 1.0, t - 2.0, t - 3.0];
    [
        -b * c * d * e * f / 120.0,
        a * c * d * e * f / 24.0,
        -a * b * d * e * f / 12.0,
        a * b * c * e * f / 12.0,
        -a * b * c * d * f / 24.0,
        a * b * c * d * e / 120.0,
    ]
}
