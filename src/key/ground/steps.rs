//! Steps: how much the light ratio changes across a line, at every cell and along eight normals, in deviations.
//!
//! The means that steps are made of are kept row by row and plane by plane, so that many cells are looked at side by
//! side; each band of rows makes its own as it goes down and holds no more than one normal reaches.

use rayon::prelude::*;

use super::course::Course;
use super::means::{LANES, Means, REACH, Row, Source};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// A step counts where light changes faster than the slopes outside it say. Beside an edge, a mean's length away, and at
/// a penumbra's rims the slope outside says more than what happens: echoes. A step may be this many times the change
/// there, once that is more than so many deviations, and some deviations besides; but never more than a few times all
/// that changes there: beside an edge of hundreds of deviations its own blur is a change of some.
const ECHO: f32 = 25.0;
const CHANGES: f32 = 3.0;
const TIMES: f32 = 4.0;
const FAINT: f32 = 2.0;

/// Cells along the frame's border without steps.
const MARGIN: usize = 6;
/// Relative departure from smooth light that is no step.
const SLACK: f32 = 0.003;
/// The same for tint, over the whole width of both means.
const SLACK_TINT: f32 = 0.004;

/// Median of the strongest of eight steps in white noise, with three channels and with two degrees of tint
/// (measured).
const MEDIAN_RATIO: f32 = 2.35;
const MEDIAN_TINT: f32 = 1.95;

/// Rows of a band.
const BAND: usize = 48;

/// Steps along and across the line, for normals every 22.5 degrees: the tangent per cell as (numerator / 4), the inner
/// and the outer offset in whole cells.
struct Line {
    tangent: (f32, f32),
    inner: (i32, i32),
    outer: (i32, i32),
    /// What one cell's slope outside predicts for the inner step.
    outside: f32,
}

const C: f32 = 0.923_879_5;
const S: f32 = 0.382_683_43;
const D: f32 = std::f32::consts::FRAC_1_SQRT_2;

/// Normals every 22.5 degrees over half a turn.
pub(super) const NORMALS: [(f32, f32); 8] = [
    (1.0, 0.0),
    (C, S),
    (D, D),
    (S, C),
    (0.0, 1.0),
    (-S, C),
    (-D, D),
    (-C, S),
];

fn line((nx, ny): (f32, f32)) -> Line {
    let at = |d: f32| ((nx * d).round() as i32, (ny * d).round() as i32);
    let across = |(x, y): (i32, i32)| x as f32 * nx + y as f32 * ny;
    let (inner, outer) = (at(1.6), at(4.8));
    Line {
        tangent: (-ny, nx),
        inner,
        outer,
        outside: across(inner) / (across(outer) - across(inner)),
    }
}

/// The strongest step at every cell, and which normal it has.
pub(super) struct Steps {
    pub strength: Raster<f32>,
    pub normal: Raster<u8>,
    pub of: Of,
}

/// What is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Of {
    /// The ratio in all channels.
    Ratio,
    /// Only how the channels differ: shadows hardly change tint, and never fast.
    Tint,
}

/// Steps of the soft means: ratio times weight, and weight; with a `course`, what that leaves over in the ratio's place.
pub(super) fn steps(
    soft: &Raster<[f32; 6]>,
    course: Option<&Course>,
    quiet: &Raster<u8>,
    of: Of,
    account: &Account,
) -> Result<Steps, OverBudget> {
    let rect = soft.rect();
    let mut steps = Steps {
        strength: Raster::filled(rect, 0.0, account)?,
        normal: Raster::filled(rect, 0, account)?,
        of,
    };
    let width = soft.width();
    if width == 0 {
        return Ok(steps);
    }
    // The strongest steps with their echoes: what white noise shows of those is known.
    let mut plain = Raster::filled(rect, 0.0f32, account)?;
    let room = Means::bytes(width) * rayon::current_num_threads() as u64;
    let _held = account.charge(room, "means along lines")?;
    let source = Source { soft, course };
    let lines = NORMALS.map(line);
    steps
        .strength
        .data_mut()
        .par_chunks_mut(BAND * width)
        .zip(steps.normal.data_mut().par_chunks_mut(BAND * width))
        .zip(plain.data_mut().par_chunks_mut(BAND * width))
        .enumerate()
        .for_each_init(
            || Means::new(width),
            |means, (band, ((strength, normal), plain))| {
                let mut best = Best {
                    own: strength,
                    plain,
                    normal,
                    width,
                };
                for (n, line) in lines.iter().enumerate() {
                    best.asked(line, n as u8, band * BAND, of, source, means);
                }
            },
        );
    for strength in [&mut steps.strength, &mut plain] {
        let all = strength.data_mut().par_iter_mut();
        all.with_min_len(4096).for_each(|v| *v = v.sqrt());
    }
    let expected = match of {
        Of::Ratio => MEDIAN_RATIO,
        Of::Tint => MEDIAN_TINT,
    };
    let mut strengths: Vec<f32> = (plain.data().iter().zip(quiet.data()))
        .filter_map(|(&v, &quiet)| (quiet > 0).then_some(v))
        .collect();
    if strengths.len() > 100 {
        let middle = strengths.len() / 2;
        let median = *strengths.select_nth_unstable_by(middle, f32::total_cmp).1;
        // What frames share over wider distances than one cell makes steps likelier than white noise would.
        let much = (median / expected).clamp(1.0, 4.0);
        for v in steps.strength.data_mut() {
            *v /= much;
        }
    }
    Ok(steps)
}

/// The strongest steps of a band of rows so far: squares in units of their variance, summed over channels.
struct Best<'a> {
    /// Without what may be an echo.
    own: &'a mut [f32],
    plain: &'a mut [f32],
    normal: &'a mut [u8],
    width: usize,
}

impl Best<'_> {
    /// Asks the `n`th line at all cells of the band that begins with row `first`.
    fn asked(
        &mut self,
        line: &Line,
        n: u8,
        first: usize,
        of: Of,
        source: Source,
        means: &mut Means,
    ) {
        // Nearer to the border a mean would look past it, and a carried plate ends there.
        let width = self.width;
        let high = (source.soft.rect().height() as usize).saturating_sub(MARGIN);
        let rows = first.max(MARGIN)..(first + self.plain.len() / width).min(high);
        if rows.is_empty() || width <= 2 * MARGIN {
            return;
        }
        let reach = line.outer.1.unsigned_abs() as usize;
        debug_assert!(reach <= REACH);
        means.begin(line.tangent, rows.start - reach);
        for row in rows {
            means.make(source, row + reach);
            let four = Four::of(means, line, row);
            let part = (row - first) * width..(row - first + 1) * width;
            let own = &mut self.own[part.clone()];
            let plain = &mut self.plain[part.clone()];
            let normal = &mut self.normal[part];
            for x in (MARGIN..width - MARGIN).step_by(LANES) {
                let cells = x..(x + LANES).min(width - MARGIN);
                let found = four.steps(x, of);
                let place = own[cells.clone()]
                    .iter_mut()
                    .zip(&mut normal[cells.clone()]);
                let found = found.own.iter().zip(&found.plain);
                for ((best, plain), found) in place.zip(&mut plain[cells]).zip(found) {
                    let more = *found.1 > *plain;
                    *plain = if more { *found.1 } else { *plain };
                    *best.0 = if more { *found.0 } else { *best.0 };
                    *best.1 = if more { n } else { *best.1 };
                }
            }
        }
    }
}

/// The four rows of means that a row of steps is made from, and where in them.
struct Four<'a> {
    rows: [&'a Row; 4],
    shifts: [i32; 4],
    outside: f32,
}

type Lanes = [f32; LANES];

/// Steps at cells side by side.
struct Found {
    own: Lanes,
    plain: Lanes,
}

/// The same in one channel: the step, the most of it that is no echo, and one over its variance.
struct Channel {
    step: Lanes,
    most: Lanes,
    sure: Lanes,
}

impl<'a> Four<'a> {
    fn of(means: &'a Means, line: &Line, row: usize) -> Four<'a> {
        let (i, o) = (line.inner, line.outer);
        let beside = |dy: i32| means.row(row.wrapping_add_signed(dy as isize));
        Four {
            rows: [beside(-o.1), beside(-i.1), beside(i.1), beside(o.1)],
            shifts: [-o.0, -i.0, i.0, o.0],
            outside: line.outside,
        }
    }

    /// At the cells from `x` on.
    fn steps(&self, x: usize, of: Of) -> Found {
        let mut found = Found {
            own: [0.0; LANES],
            plain: [0.0; LANES],
        };
        match of {
            Of::Ratio => {
                for k in 0..3 {
                    let Channel { step, most, sure } = self.channel(k, x, self.outside, SLACK);
                    for i in 0..LANES {
                        let own = if step[i] < -most[i] {
                            -most[i]
                        } else {
                            step[i]
                        };
                        let own = if own > most[i] { most[i] } else { own };
                        found.own[i] += own * own * sure[i];
                        found.plain[i] += step[i] * step[i] * sure[i];
                    }
                }
            }
            Of::Tint => {
                // Brightness counts the course outside against its step; tint has none, so it counts with it.
                let all = [0, 1, 2].map(|k| self.channel(k, x, -0.5, SLACK_TINT));
                let [a, b, c] = &all;
                for i in 0..LANES {
                    let sum = a.sure[i] + b.sure[i] + c.sure[i];
                    let common = a.step[i] * a.sure[i] + b.step[i] * b.sure[i];
                    let common = (common + c.step[i] * c.sure[i]) / sum;
                    for of in &all {
                        let off = of.step[i] - common;
                        found.plain[i] += off * off * of.sure[i];
                    }
                }
                found.own = found.plain;
            }
        }
        found
    }

    #[inline(always)]
    fn channel(&self, k: usize, x: usize, outside: f32, slack: f32) -> Channel {
        let lanes = |plane: &'a Vec<f32>, n: usize| -> &'a Lanes {
            let from = x.wrapping_add_signed(self.shifts[n] as isize);
            plane[from..]
                .first_chunk()
                .expect("rows have room for lanes")
        };
        let mean = [0, 1, 2, 3].map(|n| lanes(&self.rows[n].mean[k], n));
        let spread = [0, 1, 2, 3].map(|n| lanes(&self.rows[n].variance[k], n));
        let shifts = [1, 2].map(|n| lanes(&self.rows[n].shift[k], n));
        let (near, far) = (1.0 + outside, outside);
        let mut channel = Channel {
            step: [0.0; LANES],
            most: [0.0; LANES],
            sure: [0.0; LANES],
        };
        for i in 0..LANES {
            let slopes = (mean[1][i] - mean[0][i]) + (mean[3][i] - mean[2][i]);
            let change = mean[2][i] - mean[1][i];
            let step = change - outside * slopes;
            let variance = near * near * (spread[1][i] + spread[2][i])
                + far * far * (spread[0][i] + spread[3][i]);
            // What a noisy plate may shift a ratio by, where both sides differ in light.
            let shift = shifts[0][i].max(shifts[1][i]);
            let variance = variance + shift * shift;
            let level = (0.5 * (mean[1][i] + mean[2][i])).max(0.02);
            let sigma = variance.sqrt();
            let fast = (change.abs() - CHANGES * sigma).max(0.0);
            let faster = if step * change > 0.0 { fast } else { 0.0 };
            channel.step[i] = step / level;
            let most = (ECHO * faster).min(TIMES * change.abs());
            channel.most[i] = (most + FAINT * sigma) / level;
            channel.sure[i] = 1.0 / (variance / (level * level) + slack * slack);
        }
        channel
    }
}
