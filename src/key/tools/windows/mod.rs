//! Smoothness of a matte along the colours of a picture: the closed-form matting Laplacian ("A closed-form solution
//! to natural image matting", IEEE TPAMI 30(2), 2008), applied window by window and never built as a matrix.
//!
//! In every 3 x 3 window the matte should be a linear function of the colour; what is left over is the penalty.
//! Only windows that touch an unknown pixel are kept.

mod lanes;
mod laplacian;
mod places;
mod shape;

pub use shape::{inverse, times};

use rayon::prelude::*;

use crate::budget::{Account, Charge, OverBudget};
use crate::raster::{Light, Raster};
use lanes::LANES;
use places::{Run, Side, Span, number, numbered, runs, sides};
use shape::shaped;

/// Items of one parallel piece of work; sums are made per piece and then in order.
pub const PIECE: usize = 4096;
const NONE: u32 = u32::MAX;

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
}
