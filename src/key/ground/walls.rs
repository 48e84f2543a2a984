//! Walls: lines where the light ratio steps as no smooth light does. They stop the flood at soft, weak edges.
//!
//! Along a line's normal four means lie at -o, -i, i, o cells. The step between the inner two, minus what the
//! slopes outside it predict, is 0 for any straight or parabolic course: a wide penumbra gives nothing.

use rayon::prelude::*;

use super::super::tools::labels::{self, Joined};
use super::course::Course;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Where a wall begins to be seen, in standard deviations over the three channels together.
const CERTAIN: f32 = 5.5;
/// How weak it may become while it goes on.
const FOLLOWED: f32 = 3.8;
/// Cells of the shortest wall kept.
const SHORTEST: u64 = 12;
/// A penumbra's rim: weaker than this, and than this share of the strongest wall within `BESIDE` cells.
const RIM: f32 = 9.0;
const RIM_SHARE: f32 = 0.35;
const BESIDE: usize = 24;
/// A coarse wall this near to a fine one says nothing new.
const BESIDE_FINE: i32 = 8;

/// A step of tint this plain that is still more than a share of itself so many cells to both sides is no edge but
/// the wide course of bounced light.
const PLAIN: f32 = 9.0;
const RAMP: f32 = 5.0;
const RAMP_SHARE: f32 = 0.5;

/// A step counts where light changes faster than the slopes outside it say. Beside an edge, a mean's length away, and at
/// a penumbra's rims the slope outside says more than what happens: echoes. A step may be this many times the change
/// there, once that is more than so many deviations, and some deviations besides.
const ECHO: f32 = 25.0;
const CHANGES: f32 = 3.0;
const FAINT: f32 = 2.0;

/// How many independent cells one mean along the line holds, after the blur of the soft means.
const CELLS_IN_MEAN: f32 = 33.0;
/// Half the length of a mean along the line, in steps of one cell.
const ALONG: i32 = 3;
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

/// A ratio against a noisy plate falls short by up to this over the weight of a cell.
const SHIFT: f32 = 0.5;

/// Steps along and across the line, for normals every 22.5 degrees: the tangent per cell as (numerator / 4), the inner
/// and the outer offset in whole cells.
struct Line {
    tangent: (f32, f32),
    inner: (i32, i32),
    outer: (i32, i32),
    normal: (f32, f32),
}

const C: f32 = 0.923_879_5;
const S: f32 = 0.382_683_43;
const D: f32 = std::f32::consts::FRAC_1_SQRT_2;

/// Normals every 22.5 degrees over half a turn.
const NORMALS: [(f32, f32); 8] = [
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
    Line {
        tangent: (-ny, nx),
        inner: at(1.6),
        outer: at(4.8),
        normal: (nx, ny),
    }
}

/// The strongest step at every cell, and which normal it has.
pub(super) struct Steps {
    pub strength: Raster<f32>,
    pub normal: Raster<u8>,
    of: Of,
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
    let mut along = Raster::filled(rect, [0.0f32; 6], account)?;
    let width = soft.width();
    if width == 0 {
        return Ok(steps);
    }
    // The strongest steps with their echoes: what white noise shows of those is known.
    let mut plain = Raster::filled(rect, 0.0f32, account)?;
    for (n, &normal) in NORMALS.iter().enumerate() {
        let line = line(normal);
        summed_along(soft, &line, &mut along);
        if let Some(course) = course {
            course.laid_on(&mut along);
        }
        let along = &along;
        steps
            .strength
            .data_mut()
            .par_chunks_mut(width)
            .zip(steps.normal.data_mut().par_chunks_mut(width))
            .zip(plain.data_mut().par_chunks_mut(width))
            .enumerate()
            .for_each(|(j, ((strength, best), plain))| {
                // Nearer to the border a mean would look past it, and a carried plate ends there.
                if j < MARGIN || j + MARGIN >= rect.height() as usize || width <= 2 * MARGIN {
                    return;
                }
                let rows = Rows::of(along, &line, rect.y0 + j as i32);
                for x in MARGIN..width - MARGIN {
                    let found = rows.step(x, of);
                    if found.plain > plain[x] {
                        plain[x] = found.plain;
                        strength[x] = found.own;
                        best[x] = n as u8;
                    }
                }
            });
    }
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

/// Means along the line's own direction, and their weights, which are above zero.
fn summed_along(soft: &Raster<[f32; 6]>, line: &Line, out: &mut Raster<[f32; 6]>) {
    let rect = soft.rect();
    let width = soft.width();
    out.data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(j, out)| {
            out.copy_from_slice(soft.row(rect.y0 + j as i32));
            for t in (-ALONG..=ALONG).filter(|&t| t != 0) {
                let dx = (line.tangent.0 * t as f32).round() as i32;
                let dy = (line.tangent.1 * t as f32).round() as i32;
                let y = (rect.y0 + j as i32 + dy).clamp(rect.y0, rect.y1 - 1);
                add_shifted(out, soft.row(y), dx);
            }
            for [a, b, c, u, v, w] in out {
                (*u, *v, *w) = (u.max(1e-6), v.max(1e-6), w.max(1e-6));
                (*a, *b, *c) = (*a / *u, *b / *v, *c / *w);
            }
        });
}

/// Adds the row moved by `dx` cells; its ends go on.
fn add_shifted(out: &mut [[f32; 6]], row: &[[f32; 6]], dx: i32) {
    let last = row.len() as i32 - 1;
    let add = |out: &mut [f32; 6], v: &[f32; 6]| {
        for k in 0..6 {
            out[k] += v[k];
        }
    };
    let low = (-dx).clamp(0, last + 1) as usize;
    let high = (last + 1 - dx).clamp(low as i32, last + 1) as usize;
    for (x, out) in out.iter_mut().enumerate().take(low) {
        add(out, &row[(x as i32 + dx).clamp(0, last) as usize]);
    }
    let from = (low as i32 + dx).clamp(0, last + 1) as usize;
    for (out, v) in out[low..high].iter_mut().zip(&row[from..]) {
        add(out, v);
    }
    for (x, out) in out.iter_mut().enumerate().skip(high) {
        add(out, &row[(x as i32 + dx).clamp(0, last) as usize]);
    }
}

/// A step: sums over channels of its square in units of its variance.
#[derive(Clone, Copy)]
struct Step {
    /// Without what may be an echo.
    own: f32,
    plain: f32,
}

/// The four rows a row of steps is made from.
struct Rows<'a> {
    rows: [&'a [[f32; 6]]; 4],
    shifts: [i32; 4],
    /// What one cell's slope outside predicts for the inner step.
    outside: f32,
}

impl<'a> Rows<'a> {
    fn of(along: &'a Raster<[f32; 6]>, line: &Line, y: i32) -> Rows<'a> {
        let rect = along.rect();
        let row = |dy: i32| along.row((y + dy).clamp(rect.y0, rect.y1 - 1));
        let (i, o) = (line.inner, line.outer);
        let across = |(x, y): (i32, i32)| x as f32 * line.normal.0 + y as f32 * line.normal.1;
        let (inner, outer) = (across(i), across(o));
        Rows {
            rows: [row(-o.1), row(-i.1), row(i.1), row(o.1)],
            shifts: [-o.0, -i.0, i.0, o.0],
            outside: inner / (outer - inner),
        }
    }

    fn step(&self, x: usize, of: Of) -> Step {
        let last = self.rows[0].len() as i32 - 1;
        let four: [&[f32; 6]; 4] = std::array::from_fn(|n| {
            &self.rows[n][(x as i32 + self.shifts[n]).clamp(0, last) as usize]
        });
        let slack = match of {
            Of::Ratio => SLACK,
            Of::Tint => SLACK_TINT,
        };
        // The course outside counts against the step in brightness; tint has none, so it counts with it.
        let outside = match of {
            Of::Ratio => self.outside,
            Of::Tint => -0.5,
        };
        let (near, far) = (1.0 + outside, outside);
        let one = (2 * ALONG + 1) as f32 / CELLS_IN_MEAN;
        // Channels side by side, the fourth a copy that counts for nothing: quotients of four take as long as one.
        let lanes = |v: &[f32; 6], k: usize| [v[k], v[k + 1], v[k + 2], v[k]];
        let weight = four.map(|v| lanes(v, 3));
        let means = four.map(|v| lanes(v, 0));
        let mut steps = [0.0f32; 4];
        let mut mosts = [0.0f32; 4];
        let mut sures = [0.0f32; 4];
        for k in 0..4 {
            let mean = means.map(|mean| mean[k]);
            let slopes = (mean[1] - mean[0]) + (mean[3] - mean[2]);
            let change = mean[2] - mean[1];
            let step = change - outside * slopes;
            let variance = near * near * (one / weight[1][k] + one / weight[2][k])
                + far * far * (one / weight[0][k] + one / weight[3][k]);
            // What a noisy plate may shift a ratio by, where both sides differ in light.
            let shift = SHIFT * (2 * ALONG + 1) as f32 / weight[1][k].min(weight[2][k]);
            let variance = variance + shift * shift;
            let level = (0.5 * (mean[1] + mean[2])).max(0.02);
            let sigma = variance.sqrt();
            let faster = match step * change > 0.0 {
                true => (change.abs() - CHANGES * sigma).max(0.0),
                false => 0.0,
            };
            steps[k] = step / level;
            mosts[k] = (ECHO * faster + FAINT * sigma) / level;
            sures[k] = 1.0 / (variance / (level * level) + slack * slack);
        }
        if of == Of::Tint {
            let sum = sures[0] + sures[1] + sures[2];
            let common = (0..3).map(|k| steps[k] * sures[k]).sum::<f32>() / sum;
            let plain = (0..3)
                .map(|k| (steps[k] - common) * (steps[k] - common) * sures[k])
                .sum();
            return Step { own: plain, plain };
        }
        let mut found = Step {
            own: 0.0,
            plain: 0.0,
        };
        for k in 0..3 {
            let own = steps[k].clamp(-mosts[k], mosts[k]);
            found.own += own * own * sures[k];
            found.plain += steps[k] * steps[k] * sures[k];
        }
        found
    }
}

/// Adds walls found at half this size where no finer wall runs beside them: within `BESIDE_FINE` cells along their
/// normal. At a finer wall's end they go on.
pub(super) fn joined(
    fine: &mut Raster<u8>,
    coarse: &Raster<u8>,
    steps: &Steps,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = fine.rect();
    let mut added = Raster::filled(rect, 0u8, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let (half_x, half_y) = (x.div_euclid(2), y.div_euclid(2));
            if coarse.at(half_x, half_y) == 0 {
                continue;
            }
            let (nx, ny) = NORMALS[usize::from(steps.normal.at(half_x, half_y))];
            let beside = (-BESIDE_FINE..=BESIDE_FINE).any(|d| {
                (-1..=1).any(|t| {
                    let (d, t) = (d as f32, t as f32);
                    let px = x + (nx * d - ny * t).round() as i32;
                    let py = y + (ny * d + nx * t).round() as i32;
                    rect.contains(px, py) && fine.at(px, py) > 0
                })
            });
            added.put(x, y, u8::from(!beside));
        }
    }
    for (fine, &added) in fine.data_mut().iter_mut().zip(added.data()) {
        *fine |= added;
    }
    Ok(())
}

/// Cells on walls; `scale` multiplies the thresholds.
pub(super) fn walls(
    steps: &Steps,
    scale: f32,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let crest_share = match steps.of {
        Of::Ratio => 0.66,
        Of::Tint => 0.85,
    };
    let ridge = ridges(steps, crest_share, scale, account)?;
    let parts = labels::parts(&ridge, Joined::SidesAndCorners, account)?;
    let mut strongest = vec![0.0f32; parts.parts.len()];
    for (at, &label) in parts.labels.data().iter().enumerate() {
        if label > 0 {
            let top = &mut strongest[label as usize - 1];
            *top = top.max(steps.strength.data()[at]);
        }
    }
    let held = |label: u32| {
        label > 0 && {
            let part = label as usize - 1;
            strongest[part] >= CERTAIN * scale && parts.parts[part].area >= SHORTEST
        }
    };
    let mut kept = Raster::filled(ridge.rect(), 0.0f32, account)?;
    for (at, kept) in kept.data_mut().iter_mut().enumerate() {
        if held(parts.labels.data()[at]) {
            *kept = steps.strength.data()[at];
        }
    }
    let beside = highest(&kept, BESIDE, account)?;
    // Median strength of each wall, and of the strongest beside each of its cells.
    let mut of: Vec<(Vec<f32>, Vec<f32>)> = vec![Default::default(); parts.parts.len()];
    let _charge = account.charge(8 * kept.data().len() as u64, "walls")?;
    for (at, &label) in parts.labels.data().iter().enumerate() {
        if held(label) {
            let (own, others) = &mut of[label as usize - 1];
            own.push(kept.data()[at]);
            others.push(beside.data()[at]);
        }
    }
    let median = |values: &mut Vec<f32>| {
        let middle = values.len() / 2;
        *values.select_nth_unstable_by(middle, f32::total_cmp).1
    };
    let rim: Vec<bool> = of
        .iter_mut()
        .map(|(own, others)| {
            !own.is_empty() && {
                let own = median(own);
                own < RIM * scale && own < RIM_SHARE * median(others)
            }
        })
        .collect();
    let mut walls = Raster::filled(ridge.rect(), 0u8, account)?;
    for (wall, &label) in walls.data_mut().iter_mut().zip(parts.labels.data()) {
        *wall = u8::from(held(label) && !rim[label as usize - 1]);
    }
    Ok(walls)
}

/// Cells near the crest of their step: a sharp step has weaker echoes some cells beside it.
fn ridges(
    steps: &Steps,
    crest_share: f32,
    scale: f32,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = steps.strength.rect();
    let mut ridge = Raster::filled(rect, 0u8, account)?;
    let width = ridge.width().max(1);
    ridge
        .data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(j, row)| {
            let y = rect.y0 + j as i32;
            for (x, ridge) in (rect.x0..).zip(row) {
                let own = steps.strength.at(x, y);
                if own < FOLLOWED * scale {
                    continue;
                }
                let (nx, ny) = NORMALS[usize::from(steps.normal.at(x, y))];
                let crest = (-5i32..=5)
                    .map(|d| {
                        let (px, py) = (
                            x + (nx * d as f32).round() as i32,
                            y + (ny * d as f32).round() as i32,
                        );
                        if rect.contains(px, py) {
                            steps.strength.at(px, py)
                        } else {
                            0.0
                        }
                    })
                    .fold(0.0, f32::max);
                let wide = steps.of == Of::Tint && own >= PLAIN * scale && {
                    let beside = |d: f32| {
                        let (px, py) = (x + (nx * d).round() as i32, y + (ny * d).round() as i32);
                        if rect.contains(px, py) {
                            steps.strength.at(px, py)
                        } else {
                            0.0
                        }
                    };
                    beside(-RAMP) + beside(RAMP) > 2.0 * RAMP_SHARE * own
                };
                *ridge = u8::from(own >= crest_share * crest && !wide);
            }
        });
    Ok(ridge)
}

/// The highest value within a square of `reach` cells around.
fn highest(of: &Raster<f32>, reach: usize, account: &Account) -> Result<Raster<f32>, OverBudget> {
    let rect = of.rect();
    let mut across = Raster::filled(rect, 0.0f32, account)?;
    let mut out = Raster::filled(rect, 0.0f32, account)?;
    let width = of.width();
    if width == 0 {
        return Ok(out);
    }
    // Reach doubled step by step: the highest of two overlapping runs is the highest of both together.
    across
        .data_mut()
        .par_chunks_mut(width)
        .zip(of.data().par_chunks(width))
        .for_each(|(out, row)| {
            for (x, out) in out.iter_mut().enumerate() {
                let near = &row[x.saturating_sub(reach)..(x + reach + 1).min(width)];
                *out = near.iter().fold(0.0, |a, &b| f32::max(a, b));
            }
        });
    let across = across.data();
    let rows = rect.height() as usize;
    out.data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, out)| {
            for near in y.saturating_sub(reach)..(y + reach + 1).min(rows) {
                for (out, &v) in out.iter_mut().zip(&across[near * width..][..width]) {
                    *out = f32::max(*out, v);
                }
            }
        });
    Ok(out)
}
