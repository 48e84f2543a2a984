//! Where a sharp edge runs and what colour the piece has there, both at once, from a small window at a time.
//!
//! A piece's colour may change toward its edge as fast as the edge itself rises: a highlight along a rim, a flank
//! turning dark. Colour from further inside then puts the edge in the wrong place. But the profile of the edge is
//! known, a step seen through a Gaussian, and colour is smooth: in a window along the edge it is a plane. So for each
//! shift of the edge the best plane is found, and the shift whose plane explains the window best is taken.

use rayon::prelude::*;

use super::super::tools::windows::PIECE;
use super::band::Band;
use super::contour::{Contour, step};
use super::measure::Sensed;
use super::plane::TERMS;
use super::window::{Fit, HUE, REACH, WIDTHS, Window};
use crate::budget::{Account, Charge, OverBudget};
use crate::raster::Raster;

/// Windows are laid where the edge is no further than this, in pixels.
const ON: f32 = 0.8;
/// The width is that of so large a block and its neighbours, in pixels; one in so many windows is asked for it.
const BLOCK: usize = 20;
const ASKED: usize = 4;
/// How well coverage at an edge is known at its best (standard deviation).
const FLOOR: f32 = 0.03;
/// A fit's say, as a factor of its own precision, beside that of single pixels: those all lean on one colour from inside.
const SAY: f32 = 3.5;
/// Nothing is said of coverage further from the edge than this, in pixels.
const BESIDE: f32 = 4.0;
/// Windows this far away (half side, deviation; pixels) have a say at a pixel.
const AROUND: i32 = 3;
const CLOSE: f32 = 1.3;

/// Coverage and colour at sharp edges.
#[derive(Debug)]
pub struct Edge {
    /// Per pixel of the list: coverage and how firmly (1 / variance).
    expected: Vec<(f32, f32)>,
    /// Colour, its variances along its hue and across (negative where nothing is known), and the share it varies by from
    /// pixel to pixel.
    colour: Vec<([f32; 3], [f32; 3])>,
    _charge: Charge,
}

impl Edge {
    pub fn expected(&self, n: usize) -> (f32, f32) {
        self.expected[n]
    }

    /// Mean and covariance of the colour at the list's nth pixel.
    pub fn colour(&self, n: usize) -> Option<([f32; 3], [f32; 6])> {
        let (mean, [along, across, uneven]) = self.colour[n];
        (along >= 0.0).then(|| {
            let size = mean[0] * mean[0] + mean[1] * mean[1] + mean[2] * mean[2];
            let across = across + HUE * HUE * size / 3.0 + 1e-7;
            let more = (along + uneven * uneven * size + 1e-7 - across) / size.max(1e-9);
            let [r, g, b] = mean;
            let spread = [
                across + more * r * r,
                more * r * g,
                more * r * b,
                across + more * g * g,
                more * g * b,
                across + more * b * b,
            ];
            (mean, spread)
        })
    }
}

/// Points of the edge count by how much further off than the nearest they are (deviation along the edge, pixels).
const ALONG: f32 = 1.2;
/// Distance to the edge in pixels where nothing need be known of it.
const AWAY: f32 = 100.0;

/// Fits windows along `line`.
pub fn fitted(
    sensed: &Sensed,
    band: &Band,
    line: &Contour,
    account: &Account,
) -> Result<Edge, OverBudget> {
    let rect = sensed.frame.rect();
    let width = sensed.frame.width().max(1);
    let height = sensed.frame.data().len() / width;
    let count = band.list.len();
    let charge = account.charge(count as u64 * 28, "line of the edge")?;
    let mut at = Raster::filled(rect, [0.0f32; 3], account)?;
    for (i, a) in at.data_mut().iter_mut().enumerate() {
        *a = [
            if band.outside_by(i) < 0.0 {
                AWAY
            } else {
                -AWAY
            },
            0.0,
            0.0,
        ];
    }
    for (n, &pixel) in band.list.iter().enumerate() {
        at.data_mut()[pixel as usize][0] = if band.on_line(n) {
            line.distance(n)
        } else {
            f32::NAN
        };
    }
    let from = points(&at, band, width, height);
    at = distances(at, &from, band, account)?;
    let profile = super::window::profile();
    let window = Window::over(sensed, &at, &profile, &band.list, account)?;
    let places: Vec<u32> = band
        .list
        .iter()
        .copied()
        .filter(|&pixel| at.data()[pixel as usize][0].abs() < ON)
        .collect();
    let widths = Widths::along(&window, &places, line.width());
    let _held = account.charge(
        places.len() as u64 * size_of::<Fit>() as u64,
        "line of the edge",
    )?;
    let fits: Vec<Option<Fit>> = places
        .par_iter()
        .with_min_len(64)
        .map(|&pixel| window.fit(pixel as usize, widths.of(pixel as usize)))
        .collect();
    let mut which = Raster::filled(rect, u32::MAX, account)?;
    for (n, (&pixel, fit)) in places.iter().zip(&fits).enumerate() {
        if fit.is_some() {
            which.data_mut()[pixel as usize] = n as u32;
        }
    }
    let (expected, colour) = band
        .list
        .par_iter()
        .with_min_len(PIECE)
        .map(|&pixel| {
            joined(
                &window,
                &which,
                &fits,
                pixel as usize,
                widths.of(pixel as usize),
            )
        })
        .unzip();
    Ok(Edge {
        expected,
        colour,
        _charge: charge,
    })
}

/// A point of the edge: its pixel, its distance from it, and the way inward.
type Point = (u32, f32, [f32; 2]);

/// Points of the edge: pixels next to it, with true ways inward from the differences of distances.
fn points(at: &Raster<[f32; 3]>, band: &Band, width: usize, height: usize) -> Vec<Point> {
    band.list
        .par_iter()
        .with_min_len(PIECE)
        .filter_map(|&pixel| {
            let own = at.data()[pixel as usize][0];
            if own.is_nan() || own.abs() >= ON {
                return None;
            }
            let (x, y) = (pixel as usize % width, pixel as usize / width);
            let d = |x: usize, y: usize| at.data()[y * width + x][0].clamp(-4.0, 4.0);
            let g = [
                d((x + 1).min(width - 1), y) - d(x.saturating_sub(1), y),
                d(x, (y + 1).min(height - 1)) - d(x, y.saturating_sub(1)),
            ];
            let length = (g[0] * g[0] + g[1] * g[1]).sqrt();
            (length.is_finite() && length > 0.3).then(|| (pixel, own, g.map(|v| v / length)))
        })
        .collect()
}

/// Distances of the band's pixels from the nearest stretch of edge. The blur that told the first ones mixes both edges
/// of a thin part.
fn distances(
    mut at: Raster<[f32; 3]>,
    points: &[Point],
    band: &Band,
    account: &Account,
) -> Result<Raster<[f32; 3]>, OverBudget> {
    let width = at.width();
    let height = at.data().len() / width.max(1);
    let mut which = Raster::filled(at.rect(), u32::MAX, account)?;
    for (n, point) in points.iter().enumerate() {
        which.data_mut()[point.0 as usize] = n as u32;
    }
    let found: Vec<[f32; 3]> = band
        .list
        .par_iter()
        .with_min_len(PIECE)
        .map(|&pixel| {
            let i = pixel as usize;
            let old = at.data()[i];
            if old[0].is_nan() {
                return old;
            }
            let (x, y) = ((i % width) as i32, (i / width) as i32);
            let mut near = [(0u32, 0.0f32); 121];
            let mut count = 0;
            let mut least = f32::INFINITY;
            for v in (y - REACH).max(0)..(y + REACH + 1).min(height as i32) {
                for u in (x - REACH).max(0)..(x + REACH + 1).min(width as i32) {
                    let n = which.data()[v as usize * width + u as usize];
                    if n != u32::MAX {
                        let (_, d, way) = points[n as usize];
                        let (dx, dy) = ((x - u) as f32 + d * way[0], (y - v) as f32 + d * way[1]);
                        near[count] = (n, dx * dx + dy * dy);
                        least = least.min(near[count].1);
                        count += 1;
                    }
                }
            }
            if count == 0 {
                return [if old[0] > 0.0 { AWAY } else { -AWAY }, 0.0, 0.0];
            }
            let mut sums = [0.0f32; 4];
            for &(n, far) in &near[..count] {
                let w = libm::expf(-0.5 * (far - least) / (ALONG * ALONG));
                let (p, d, way) = points[n as usize];
                let (u, v) = ((p as usize % width) as i32, (p as usize / width) as i32);
                let depth = d + (x - u) as f32 * way[0] + (y - v) as f32 * way[1];
                for (sum, v) in sums.iter_mut().zip([1.0, depth, way[0], way[1]]) {
                    *sum += w * v;
                }
            }
            [sums[1], sums[2], sums[3]].map(|v| v / sums[0])
        })
        .collect();
    for (&pixel, found) in band.list.iter().zip(found) {
        at.data_mut()[pixel as usize] = found;
    }
    Ok(at)
}

/// How wide the edge is, block by block.
struct Widths {
    across: usize,
    width: usize,
    blocks: Vec<f32>,
}

impl Widths {
    fn along(window: &Window, places: &[u32], usual: f32) -> Widths {
        let across = window.width.div_ceil(BLOCK);
        let down = window.height.div_ceil(BLOCK);
        let block = |pixel: u32| {
            let (x, y) = (pixel as usize % window.width, pixel as usize / window.width);
            y / BLOCK * across + x / BLOCK
        };
        let some: Vec<u32> = places.iter().copied().step_by(ASKED).collect();
        let said: Vec<Option<[f32; WIDTHS.len()]>> = some
            .par_iter()
            .with_min_len(32)
            .map(|&pixel| window.widths(pixel as usize))
            .collect();
        let mut sums = vec![[0.0f32; WIDTHS.len()]; across * down];
        for (&pixel, said) in some.iter().zip(said) {
            for (sum, said) in sums[block(pixel)].iter_mut().zip(said.unwrap_or_default()) {
                *sum += said;
            }
        }
        let mut blocks = vec![usual; across * down];
        for y in 0..down {
            for x in 0..across {
                let mut all = [0.0f32; WIDTHS.len()];
                for v in y.saturating_sub(1)..(y + 2).min(down) {
                    for u in x.saturating_sub(1)..(x + 2).min(across) {
                        let share = if (u, v) == (x, y) { 1.0 } else { 0.5 };
                        for (all, sum) in all.iter_mut().zip(&sums[v * across + u]) {
                            *all += share * sum;
                        }
                    }
                }
                blocks[y * across + x] = best(&all).unwrap_or(usual);
            }
        }
        Widths {
            across,
            width: window.width,
            blocks,
        }
    }

    fn of(&self, i: usize) -> f32 {
        let (x, y) = (i % self.width, i / self.width);
        self.blocks[y / BLOCK * self.across + x / BLOCK]
    }
}

/// The width of least cost, between those tried; `None` where all cost the same.
fn best(costs: &[f32; WIDTHS.len()]) -> Option<f32> {
    let at = (0..costs.len()).min_by(|&i, &j| costs[i].total_cmp(&costs[j]).then(i.cmp(&j)))?;
    if costs.iter().all(|&c| c <= costs[at] + 1.0) {
        return None;
    }
    if at == 0 || at + 1 == costs.len() {
        return Some(WIDTHS[at]);
    }
    let (before, after) = (costs[at - 1] - costs[at], costs[at + 1] - costs[at]);
    let part = 0.5 * (before - after) / (before + after).max(1e-6);
    let to = if part < 0.0 {
        WIDTHS[at - 1]
    } else {
        WIDTHS[at + 1]
    };
    Some(WIDTHS[at] + part.abs() * (to - WIDTHS[at]))
}

/// What the windows around a pixel say together.
fn joined(
    window: &Window,
    which: &Raster<u32>,
    fits: &[Option<Fit>],
    i: usize,
    deviation: f32,
) -> ((f32, f32), ([f32; 3], [f32; 3])) {
    let [d, gx, gy] = window.at.data()[i];
    let nothing = ((0.0, 0.0), ([0.0; 3], [-1.0, 0.0, 0.0]));
    if d.is_nan() || d.abs() > BESIDE {
        return nothing;
    }
    let (x, y) = ((i % window.width) as i32, (i / window.width) as i32);
    let (mut total, mut shift, mut unsure, mut square) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
    let (mut colour, mut loose, mut squares, mut uneven) =
        ([0.0f32; 3], [0.0f32; 2], [0.0f32; 2], 0.0f32);
    let mut hue = None;
    for v in (y - AROUND).max(0)..(y + AROUND + 1).min(window.height as i32) {
        for u in (x - AROUND).max(0)..(x + AROUND + 1).min(window.width as i32) {
            let j = v as usize * window.width + u as usize;
            let Some(fit) = fits.get(which.data()[j] as usize).and_then(Option::as_ref) else {
                continue;
            };
            let [_, nx, ny] = window.at.data()[j];
            if nx * gx + ny * gy < 0.0 {
                continue;
            }
            let (dx, dy) = ((x - u) as f32, (y - v) as f32);
            let z = (d + fit.shift) / deviation;
            let share = window.share(z).max(1e-4);
            let terms = window.terms(share, z, [dx, dy], d + fit.shift, fit.way, deviation);
            let w = libm::expf(-0.5 * (dx * dx + dy * dy) / (CLOSE * CLOSE)) / fit.unsure;
            total += w;
            shift += w * fit.shift;
            square += w * fit.shift * fit.shift;
            unsure += w * fit.unsure;
            loose = [0, 1].map(|k| loose[k] + w * fit.loose[k]);
            let hue = *hue.get_or_insert(fit.hue);
            let mut lit = 0.0;
            uneven += w * fit.uneven;
            for k in 0..3 {
                let f = (0..TERMS).map(|n| terms[n] * fit.colour[n][k]).sum::<f32>() / share;
                colour[k] += w * f;
                squares[1] += w * f * f;
                lit += f * hue[k];
            }
            squares[0] += w * lit * lit;
        }
    }
    if total.is_nan() || total <= 0.0 {
        return nothing;
    }
    let shift = shift / total;
    let unsure = unsure / total + (square / total - shift * shift).max(0.0);
    let colour = colour.map(|v| v / total);
    let hue = hue.unwrap_or([0.0; 3]);
    let lit: f32 = (0..3).map(|k| colour[k] * hue[k]).sum();
    let size: f32 = colour.iter().map(|v| v * v).sum();
    let along = (squares[0] / total - lit * lit).max(0.0);
    let across = 0.5 * (squares[1] / total - size - along).max(0.0);
    let z = (d + shift) / deviation;
    let slope = 0.398_942_3 * libm::expf(-0.5 * z * z) / deviation;
    let firm = SAY / (slope * slope * unsure + FLOOR * FLOOR);
    let top = window.sensed.ceiling;
    (
        (step(z), firm),
        (
            colour.map(|v| v.clamp(0.0, top)),
            [
                loose[0] / total + along,
                loose[1] / total + across,
                uneven / total,
            ],
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::super::tests::scene;
    use super::*;

    /// A disc seen through a Gaussian of half a pixel, whose rim is brighter by half than what lies 5 px further in: colour from there alone puts its edge 0.065 of
    /// coverage too far out.
    #[test]
    fn an_edge_is_found_where_the_piece_brightens_toward_it() {
        let depth =
            |x: f64, y: f64| 40.3 - ((x - 60.2) * (x - 60.2) + (y - 59.7) * (y - 59.7)).sqrt();
        let made = scene(
            120,
            |x, y| f64::from(step((depth(x, y) / 0.5) as f32)),
            |x, y| {
                let d = depth(f64::from(x) + 0.5, f64::from(y) + 0.5).clamp(0.0, 5.0) as f32;
                [0.6, 0.5, 0.4].map(|v| v * (1.0 - d / 15.0))
            },
        );
        let solved = made.solved(None);
        let (mut sum, mut count, mut lean) = (0.0, 0, 0.0);
        for y in 15..105 {
            for x in 15..105 {
                if depth(f64::from(x) + 0.5, f64::from(y) + 0.5).abs() < 1.5 {
                    let off = f64::from(solved.matte.at(x, y) - made.truth.at(x, y));
                    sum += off.abs();
                    lean += off;
                    count += 1;
                }
            }
        }
        let (mean, lean) = (sum / f64::from(count), lean / f64::from(count));
        assert!(mean < 0.055 && lean.abs() < 0.055, "{mean} {lean}");
    }

    /// A wire 5 px wide that is bright on one side and dark on the other: neither edge has an inside of its own.
    #[test]
    fn both_edges_of_a_wire_are_found_where_light_falls_off_across_it() {
        let across = |x: f64, y: f64| 0.96 * (x - 60.3) + 0.28 * (y - 60.1);
        let cover = |x: f64, y: f64| {
            let (d, end) = (across(x, y), (y - 60.0).abs() - 45.0);
            let sides = step(((2.5 - d) / 0.6) as f32) - step(((-2.5 - d) / 0.6) as f32);
            f64::from(sides * step((-end / 0.6) as f32))
        };
        let made = scene(120, cover, |x, y| {
            let d = across(f64::from(x) + 0.5, f64::from(y) + 0.5).clamp(-2.5, 2.5) as f32;
            [0.5, 0.4, 0.3].map(|v| v * (1.0 + 0.16 * d))
        });
        let solved = made.solved(None);
        let (mut sum, mut count) = (0.0, 0);
        for y in 30..90 {
            for x in 30..90 {
                if (across(f64::from(x) + 0.5, f64::from(y) + 0.5).abs() - 2.5).abs() < 1.5 {
                    sum += f64::from(solved.matte.at(x, y) - made.truth.at(x, y)).abs();
                    count += 1;
                }
            }
        }
        let mean = sum / f64::from(count);
        assert!(mean < 0.038, "{mean}");
    }
}
