//! Smoothness of a matte along the colours of a picture: the closed-form matting Laplacian ("A closed-form solution
//! to natural image matting", IEEE TPAMI 30(2), 2008), applied window by window and never built as a matrix.
//!
//! In every 3 x 3 window the matte should be a linear function of the colour; what is left over is the penalty.
//! Only windows that touch an unknown pixel are kept.

use rayon::prelude::*;

use crate::budget::{Account, Charge, OverBudget};
use crate::raster::{Light, Raster};

/// Items of one parallel piece of work; sums are made per piece and then in order.
pub const PIECE: usize = 4096;
const NONE: u32 = u32::MAX;
/// Windows and pixels that lie side by side are worked on so many at a time.
const LANES: usize = 4;
type Four = [f32; LANES];
type Six = [f32; LANES + 2];

/// Items side by side in one row of pixels: the first one's column, the one after the last, and the first one's number.
#[derive(Clone, Copy, Debug)]
struct Side {
    from: u32,
    to: u32,
    first: u32,
}

/// The number of the item in a column.
fn number(row: &[Side], column: u32) -> Option<u32> {
    let at = row.partition_point(|side| side.to <= column);
    row.get(at)
        .filter(|side| side.from <= column)
        .map(|side| side.first + column - side.from)
}

/// Windows side by side: the number of the first, how many, and the numbers of the pixels at the left end of the three
/// rows that the first one looks at.
#[derive(Clone, Copy, Debug)]
struct Run {
    first: u32,
    count: u32,
    rows: [u32; 3],
}

/// Listed pixels side by side: place in the list of the first, how many, its number, and the numbers of the first three
/// windows that look at it, by rows; `NONE` where some are missing, as at the raster's border.
#[derive(Clone, Copy, Debug)]
struct Span {
    first: u32,
    count: u32,
    own: u32,
    windows: [u32; 3],
}

/// The windows that touch unknown pixels. They, and the pixels they look at, are numbered row by row.
#[derive(Debug)]
pub struct Windows {
    count: usize,
    /// How many pixels are listed.
    listed: usize,
    /// Windows by pieces.
    runs: Vec<Vec<Run>>,
    /// Listed pixels by pieces.
    spans: Vec<Vec<Span>>,
    /// Windows of listed pixels at the border, by their place in the list.
    rim: Vec<(u32, [u32; 9])>,
    /// Rows of pixels that are looked at: index in the raster, number, how many.
    rows: Vec<(usize, usize, usize)>,
    /// How many pixels are looked at.
    seen: usize,
    /// Their colour, and mean colour and inverse covariance (xx xy xz yy yz zz) of each window, channel by channel.
    light: [Vec<f32>; 3],
    mean: [Vec<f32>; 3],
    inverse: [Vec<f32>; 6],
    _charge: Charge,
}

/// A matte as a linear function of colour in every window: three slopes and a base.
#[derive(Debug)]
pub struct Lines([Vec<f32>; 4]);

/// Inverse of a symmetric 3 x 3 matrix (xx xy xz yy yz zz) that is safely positive.
pub fn inverse(m: [f32; 6]) -> [f32; 6] {
    let [a, b, c, d, e, f] = m.map(f64::from);
    let (aa, ab, ac) = (d * f - e * e, c * e - b * f, b * e - c * d);
    let det = a * aa + b * ab + c * ac;
    let scale = if det > 0.0 { 1.0 / det } else { 0.0 };
    [aa, ab, ac, a * f - c * c, b * c - a * e, a * d - b * b].map(|v| (v * scale) as f32)
}

/// A symmetric matrix times a vector.
pub fn times(m: &[f32; 6], v: [f32; 3]) -> [f32; 3] {
    [
        m[0] * v[0] + m[1] * v[1] + m[2] * v[2],
        m[1] * v[0] + m[3] * v[1] + m[4] * v[2],
        m[2] * v[0] + m[4] * v[1] + m[5] * v[2],
    ]
}

/// So many values from `at` on; lists are longer by `LANES` than what they hold.
#[inline(always)]
fn some<const N: usize>(list: &[f32], at: usize) -> &[f32; N] {
    list[at..].first_chunk().unwrap_or(&[0.0; N])
}

#[inline(always)]
fn four(list: &[f32], at: usize) -> Four {
    *some(list, at)
}

/// Four of six, from the `D`th on.
#[inline(always)]
fn of<const D: usize>(six: &Six) -> Four {
    each(|l| six[D + l])
}

#[inline(always)]
fn each(f: impl Fn(usize) -> f32) -> Four {
    let mut out = [0.0; LANES];
    for (l, out) in out.iter_mut().enumerate() {
        *out = f(l);
    }
    out
}

/// Marks that make items side by side, and the number after the last of them.
fn sides(marks: &[u8], mut first: u32) -> (Vec<Side>, u32) {
    let mut sides = Vec::new();
    let mut x = 0;
    while let Some(from) = marks[x..].iter().position(|&m| m != 0).map(|n| x + n) {
        let to = marks[from..]
            .iter()
            .position(|&m| m == 0)
            .map_or(marks.len(), |n| from + n);
        sides.push(Side {
            from: from as u32,
            to: to as u32,
            first,
        });
        first += (to - from) as u32;
        x = to;
    }
    (sides, first)
}

/// Gives the items of all rows their numbers; how many there are.
fn numbered(rows: &mut [Vec<Side>]) -> u32 {
    let mut count = 0;
    for side in rows.iter_mut().flatten() {
        side.first = count;
        count += side.to - side.from;
    }
    count
}

impl Windows {
    /// Windows of `picture` around every pixel marked in `unknown` (same rectangle), which `list` holds row by row.
    /// `epsilon` is the variance of noise in one channel of one pixel.
    pub fn over(
        picture: &Light,
        unknown: &Raster<u8>,
        list: &[u32],
        epsilon: f32,
        account: &Account,
    ) -> Result<Windows, OverBudget> {
        let width = picture.width();
        let height = picture.data().len().checked_div(width).unwrap_or(0);
        let marks = unknown.data();
        let row = |y: usize| &marks[y * width..(y + 1) * width];
        // Middles of windows, row by row.
        let mut middles: Vec<Vec<Side>> = (0..height)
            .into_par_iter()
            .map(|y| {
                if y == 0 || y + 1 == height || width < 3 {
                    return Vec::new();
                }
                let any: Vec<u8> = (row(y - 1).iter().zip(row(y)).zip(row(y + 1)))
                    .map(|((a, b), c)| a | b | c)
                    .collect();
                let mut own = vec![0u8; width];
                for x in 1..width - 1 {
                    own[x] = any[x - 1] | any[x] | any[x + 1];
                }
                sides(&own, 0).0
            })
            .collect();
        let count = numbered(&mut middles);
        let mut seen: Vec<Vec<Side>> = (0..height)
            .into_par_iter()
            .map(|y| {
                let near = &middles[y.saturating_sub(1)..(y + 2).min(height)];
                if near.iter().all(Vec::is_empty) {
                    return Vec::new();
                }
                let mut own = vec![0u8; width];
                for side in near.iter().flatten() {
                    own[side.from as usize - 1..side.to as usize + 1].fill(1);
                }
                sides(&own, 0).0
            })
            .collect();
        let looked_at = numbered(&mut seen);
        let bytes = u64::from(count) * 36 + u64::from(looked_at) * 12;
        let charge = account.charge(bytes, "matte windows")?;
        let room = |n: u32| vec![0.0f32; n as usize + LANES];
        let mut windows = Windows {
            count: count as usize,
            listed: list.len(),
            runs: runs(&middles, &seen, count as usize),
            spans: Vec::new(),
            rim: Vec::new(),
            rows: Vec::new(),
            seen: looked_at as usize,
            light: [room(looked_at), room(looked_at), room(looked_at)],
            mean: [room(count), room(count), room(count)],
            inverse: std::array::from_fn(|_| room(count)),
            _charge: charge,
        };
        for (y, row) in seen.iter().enumerate() {
            for side in row {
                let from = y * width + side.from as usize;
                let (first, count) = (side.first as usize, (side.to - side.from) as usize);
                windows.rows.push((from, first, count));
                for (n, light) in picture.data()[from..from + count].iter().enumerate() {
                    for k in 0..3 {
                        windows.light[k][first + n] = light[k];
                    }
                }
            }
        }
        windows.shape(epsilon);
        windows.list(list, width, &middles, &seen);
        Ok(windows)
    }

    /// Finds mean and inverse covariance of every window.
    fn shape(&mut self, epsilon: f32) {
        let light = &self.light;
        let [a, b, c] = self.mean.each_mut().map(|m| m.par_chunks_mut(PIECE));
        let [d, e, f, g, h, i] = self.inverse.each_mut().map(|m| m.par_chunks_mut(PIECE));
        let means = a.zip(b).zip(c);
        let inverses = d.zip(e).zip(f).zip(g.zip(h).zip(i));
        (means.zip(inverses).zip(&self.runs)).for_each(|((((a, b), c), inverses), runs)| {
            let (((d, e), f), ((g, h), i)) = inverses;
            let mut n = 0;
            for run in runs {
                for x in 0..run.count as usize {
                    let rows = run.rows.map(|row| row as usize + x);
                    let (mean, inverse) = shaped(light, rows, epsilon);
                    [a[n], b[n], c[n]] = mean;
                    [d[n], e[n], f[n], g[n], h[n], i[n]] = inverse;
                    n += 1;
                }
            }
        });
    }

    /// Puts down where the pixels of `list` and their windows are.
    fn list(&mut self, list: &[u32], width: usize, middles: &[Vec<Side>], seen: &[Vec<Side>]) {
        if self.count == 0 {
            return;
        }
        let height = middles.len();
        let inner = |x: usize, y: usize| {
            (2..width.saturating_sub(2)).contains(&x) && (2..height.saturating_sub(2)).contains(&y)
        };
        for (piece, list) in list.chunks(PIECE).enumerate() {
            let mut spans: Vec<Span> = Vec::new();
            for (n, &pixel) in list.iter().enumerate() {
                let (x, y) = (pixel as usize % width, pixel as usize / width);
                let inside = inner(x, y);
                if let Some(last) = spans.last_mut() {
                    let follows = n > 0 && list[n - 1] + 1 == pixel;
                    if inside && follows && last.windows[0] != NONE && x > 0 {
                        last.count += 1;
                        continue;
                    }
                }
                let first = (piece * PIECE + n) as u32;
                let own = number(&seen[y], x as u32).unwrap_or(0);
                let window = |v: usize, u: usize| {
                    let at = middles.get(v).and_then(|row| number(row, u as u32));
                    at.unwrap_or(NONE)
                };
                let mut windows = [NONE; 3];
                if inside {
                    windows = [0, 1, 2].map(|k| window(y + k - 1, x - 1));
                } else {
                    let nine = std::array::from_fn(|k| {
                        // Beyond the first row and column numbers wrap to where no window is.
                        window((y + k / 3).wrapping_sub(1), (x + k % 3).wrapping_sub(1))
                    });
                    self.rim.push((first, nine));
                }
                spans.push(Span {
                    first,
                    count: 1,
                    own,
                    windows,
                });
            }
            self.spans.push(spans);
        }
    }

    /// Number of windows.
    pub fn len(&self) -> usize {
        self.count
    }

    /// Number of pixels that windows look at: the length of what [`Windows::gathered`] gives.
    pub fn seen(&self) -> usize {
        self.seen
    }

    /// What [`Windows::fit`] wants to write to.
    pub fn lines(&self) -> Lines {
        Lines(std::array::from_fn(|_| vec![0.0; self.count + LANES]))
    }

    /// A matte (all pixels of the raster) at the pixels that windows look at.
    pub fn gathered(&self, matte: &[f32]) -> Vec<f32> {
        let mut values = vec![0.0; self.seen + LANES];
        for &(from, to, count) in &self.rows {
            values[to..to + count].copy_from_slice(&matte[from..from + count]);
        }
        values
    }

    /// Puts values of the listed pixels where windows look for them.
    pub fn spread(&self, of: &[f32], values: &mut [f32]) {
        for span in self.spans.iter().flatten() {
            let (first, own, count) = (span.first as usize, span.own as usize, span.count as usize);
            let out = values[own..own + count].iter_mut();
            out.zip(&of[first..first + count])
                .for_each(|(out, v)| *out = *v);
        }
    }

    /// The matte in `values` as a linear function of the colour, window by window.
    pub fn fit(&self, values: &[f32], lines: &mut Lines) {
        let [a, b, c, d] = &mut lines.0;
        a.par_chunks_mut(PIECE)
            .zip(b.par_chunks_mut(PIECE))
            .zip(c.par_chunks_mut(PIECE).zip(d.par_chunks_mut(PIECE)))
            .zip(&self.runs)
            .enumerate()
            .for_each(|(piece, (((a, b), (c, d)), runs))| {
                let mut out = [a, b, c, d];
                for run in runs {
                    self.fit_run(run, values, piece * PIECE, &mut out);
                }
            });
    }

    fn fit_run(&self, run: &Run, values: &[f32], before: usize, out: &mut [&mut [f32]; 4]) {
        let count = run.count as usize;
        let rows = run.rows.map(|row| row as usize);
        let values = rows.map(|row| &values[row..row + count + 2 + LANES]);
        let light: [[&[f32]; 3]; 3] =
            std::array::from_fn(|k| rows.map(|row| &self.light[k][row..row + count + 2 + LANES]));
        let first = run.first as usize;
        for x in (0..count).step_by(LANES) {
            let at = first + x;
            let mut sum = [0.0f32; LANES];
            let here: [&Six; 3] = values.map(|row| some(row, x));
            for row in here {
                let (v, w, u) = (of::<0>(row), of::<1>(row), of::<2>(row));
                sum = each(|l| sum[l] + v[l] + w[l] + u[l]);
            }
            let level = each(|l| sum[l] / 9.0);
            let mean = [0, 1, 2].map(|k| four(&self.mean[k], at));
            let mut slope = [[0.0f32; LANES]; 3];
            for (row, v) in here.into_iter().enumerate() {
                let light = [0, 1, 2].map(|k| some(light[k][row], x));
                added::<0>(&mut slope, v, light, &level, &mean);
                added::<1>(&mut slope, v, light, &level, &mean);
                added::<2>(&mut slope, v, light, &level, &mean);
            }
            let m = [0, 1, 2, 3, 4, 5].map(|k| four(&self.inverse[k], at));
            let [x0, x1, x2] = slope;
            let product = |a: Four, b: Four, c: Four| -> Four {
                each(|l| a[l] * x0[l] + b[l] * x1[l] + c[l] * x2[l])
            };
            let s = [
                product(m[0], m[1], m[2]),
                product(m[1], m[3], m[4]),
                product(m[2], m[4], m[5]),
            ];
            let base = each(|l| {
                level[l] - s[0][l] * mean[0][l] - s[1][l] * mean[1][l] - s[2][l] * mean[2][l]
            });
            let all = [s[0], s[1], s[2], base];
            for (out, line) in out.iter_mut().zip(&all) {
                let out = &mut out[at - before..];
                match out.first_chunk_mut() {
                    Some(out) if count - x >= LANES => *out = *line,
                    _ => (out.iter_mut().zip(line).take(count - x)).for_each(|(o, v)| *o = *v),
                }
            }
        }
    }

    /// The Laplacian times the matte that `values` and `lines` stand for, at the listed pixels of a piece: some of them at
    /// a time, with the first one's place in the list.
    pub fn misfits(
        &self,
        piece: usize,
        values: &[f32],
        lines: &Lines,
        mut each_some: impl FnMut(usize, &[f32]),
    ) {
        let Some(spans) = self.spans.get(piece) else {
            // A raster too small for windows.
            let last = ((piece + 1) * PIECE).min(self.listed);
            (piece * PIECE..last).for_each(|n| each_some(n, &[0.0]));
            return;
        };
        let lines = &lines.0;
        for span in spans {
            let (first, own, count) = (span.first as usize, span.own as usize, span.count as usize);
            if span.windows[0] == NONE {
                let c = [0, 1, 2].map(|k| self.light[k][own]);
                let mut sum = 0.0f32;
                for i in self.nine(span.first) {
                    let l = [0, 1, 2, 3].map(|k| lines[k][i]);
                    sum += values[own] - (l[0] * c[0] + l[1] * c[1] + l[2] * c[2] + l[3]);
                }
                each_some(first, &[sum]);
                continue;
            }
            let rows = span.windows.map(|w| {
                let w = w as usize;
                [0, 1, 2, 3].map(|k| &lines[k][w..w + count + 2 + LANES])
            });
            for x in (0..count).step_by(LANES) {
                let v = four(values, own + x);
                let c = [0, 1, 2].map(|k| four(&self.light[k], own + x));
                let mut sum = [0.0f32; LANES];
                for row in &rows {
                    let lines: [&Six; 4] = row.map(|list| some(list, x));
                    let (one, two) = (along::<0>(lines, &c), along::<1>(lines, &c));
                    let three = along::<2>(lines, &c);
                    sum = each(|n| sum[n] + (v[n] - one[n]) + (v[n] - two[n]) + (v[n] - three[n]));
                }
                each_some(first + x, &sum[..LANES.min(count - x)]);
            }
        }
    }

    /// The windows of a listed pixel at the border.
    fn nine(&self, first: u32) -> impl Iterator<Item = usize> {
        let at = self.rim.partition_point(|(n, _)| *n < first);
        let found = self.rim.get(at).map_or([NONE; 9], |(_, nine)| *nine);
        found.into_iter().filter(|&i| i != NONE).map(|i| i as usize)
    }

    /// The Laplacian's diagonal at the listed pixels, for a preconditioner.
    pub fn diagonal(&self, out: &mut [f32]) {
        out.par_chunks_mut(PIECE)
            .zip(&self.spans)
            .enumerate()
            .for_each(|(piece, (out, spans))| {
                for span in spans {
                    for x in 0..span.count {
                        let own = (span.own + x) as usize;
                        let c = [0, 1, 2].map(|k| self.light[k][own]);
                        let mut sum = 0.0;
                        let mut add = |i: usize| {
                            let d: [f32; 3] = std::array::from_fn(|k| c[k] - self.mean[k][i]);
                            let inverse = std::array::from_fn(|k| self.inverse[k][i]);
                            let s = times(&inverse, d);
                            sum += 1.0 - 1.0 / 9.0 - (d[0] * s[0] + d[1] * s[1] + d[2] * s[2]);
                        };
                        if span.windows[0] == NONE {
                            self.nine(span.first).for_each(&mut add);
                        } else {
                            for row in span.windows {
                                (row + x..row + x + 3).for_each(|i| add(i as usize));
                            }
                        }
                        out[(span.first + x) as usize - piece * PIECE] = sum.max(0.0);
                    }
                }
            });
    }
}

/// Adds to the slopes of four windows what their `D`th pixels of one row give.
#[inline(always)]
fn added<const D: usize>(
    slope: &mut [Four; 3],
    matte: &Six,
    light: [&Six; 3],
    level: &Four,
    mean: &[Four; 3],
) {
    let v = of::<D>(matte);
    let d = each(|l| v[l] - level[l]);
    for k in 0..3 {
        let c = of::<D>(light[k]);
        slope[k] = each(|l| slope[k][l] + d[l] * (c[l] - mean[k][l]));
    }
}

/// What the `D`th windows of one row say of four pixels.
#[inline(always)]
fn along<const D: usize>(lines: [&Six; 4], light: &[Four; 3]) -> Four {
    let [a, b, c, base] = [
        of::<D>(lines[0]),
        of::<D>(lines[1]),
        of::<D>(lines[2]),
        of::<D>(lines[3]),
    ];
    each(|l| a[l] * light[0][l] + b[l] * light[1][l] + c[l] * light[2][l] + base[l])
}

/// Windows by pieces, with the pixels they look at.
fn runs(middles: &[Vec<Side>], seen: &[Vec<Side>], count: usize) -> Vec<Vec<Run>> {
    let mut pieces = vec![Vec::new(); count.div_ceil(PIECE)];
    for (y, row) in middles.iter().enumerate() {
        for side in row {
            let mut from = side.from;
            while from < side.to {
                let first = side.first + from - side.from;
                let piece = first as usize / PIECE;
                let room = ((piece + 1) * PIECE) as u32 - first;
                let count = room.min(side.to - from);
                let rows = [0, 1, 2].map(|k| number(&seen[y + k - 1], from - 1).unwrap_or(0));
                pieces[piece].push(Run { first, count, rows });
                from += count;
            }
        }
    }
    pieces
}

/// Mean colour and inverse covariance of the window whose three rows begin at these pixels.
fn shaped(light: &[Vec<f32>; 3], rows: [usize; 3], epsilon: f32) -> ([f32; 3], [f32; 6]) {
    let here: [usize; 9] = std::array::from_fn(|k| rows[k / 3] + k % 3);
    let mut mean = [0.0f32; 3];
    for &i in &here {
        for k in 0..3 {
            mean[k] += light[k][i];
        }
    }
    let mean = mean.map(|v| v / 9.0);
    let mut m = [0.0f32; 6];
    for &i in &here {
        let d: [f32; 3] = std::array::from_fn(|k| light[k][i] - mean[k]);
        m[0] += d[0] * d[0];
        m[1] += d[0] * d[1];
        m[2] += d[0] * d[2];
        m[3] += d[1] * d[1];
        m[4] += d[1] * d[2];
        m[5] += d[2] * d[2];
    }
    for k in [0, 3, 5] {
        m[k] += epsilon;
    }
    (mean, inverse(m))
}
