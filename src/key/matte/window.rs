//! One window on a sharp edge: for each shift of the edge the colour that explains it best, and how well.

use super::contour::step;
use super::measure::Sensed;
use super::plane::TERMS;
use super::shifts::{Shift, Which, rims, terms};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Half side of a window and the deviation of its weights, in pixels.
pub const REACH: i32 = 5;
const NEAR: f32 = 2.6;
/// Shifts tried: so many to either side, so far apart, in pixels; and the deviation of what is expected of them.
const SIDE: i32 = 7;
const APART: f32 = 0.2;
pub const USUAL: f32 = 0.8;
/// Widths tried (deviations in pixels), and the shifts tried for each.
pub const WIDTHS: [f32; 9] = [0.25, 0.33, 0.42, 0.52, 0.65, 0.8, 1.0, 1.25, 1.6];
const COARSE: i32 = 4;
const WIDE: f32 = 0.3;
/// One window says at most this much of the width (twice the log of a likelihood).
const TOLD: f32 = 30.0;
/// Fewer pixels than this make no window.
const FEW: usize = 12;
/// And fewer than this well inside, no colour: a thin part.
const INNER: usize = 14;
/// The same where both edges are seen.
const BAR: usize = 8;
/// How fast light on a piece may change, as a share of it a pixel (deviation): as it varies inside, but at least and at
/// most so much; and how fast that changes at the least steepness.
const STEEP: f32 = 0.15;
const STEEPEST: f32 = 0.6;
const BENT: f32 = 0.05;
/// Its hue changes far more slowly, a highlight and a dark flank are of one metal: the square of what it departs from the
/// mean's by, as a share of it, and how fast that changes (deviation a pixel).
const HUES: f32 = 0.2;
const TURN: f32 = 0.08;
/// What colour departs from those terms by, as a share of its brightness (deviation).
const SHADE: f32 = 0.03;
/// And in hue.
pub const HUE: f32 = 0.03;
/// How far inside that is looked for, in pixels.
const INSIDE: f32 = 1.0;
/// What a true edge's profile departs from a Gaussian's by, as coverage, within so many widths.
const PROFILE: f32 = 0.03;
const TAIL: f32 = 3.5;
/// From this share of the most a frame holds a channel may be cut off: such pixels count so much.
const FULL: f32 = 0.97;
const CLIPPED: f32 = 0.002;
/// The two edges of a bar are shifted in turn this many times.
const BOTH: usize = 2;
/// How well the place of an edge is known at its best, in pixels.
const PLACED: f32 = 0.03;

/// What is left over, in variances, from which a window shows no plain edge.
const OTHER: f32 = 6.0;

/// What one window says.
#[derive(Clone, Copy, Debug)]
pub struct Fit {
    /// Outward shift of the edge in pixels and its variance.
    pub shift: f32,
    pub unsure: f32,
    /// The terms of its colour, seen from the window's middle.
    pub colour: [[f32; 3]; TERMS],
    /// The way of the piece's own colour, and the variances of its colour at the line of the edge along that and across.
    pub hue: [f32; 3],
    pub loose: [f32; 2],
    /// The way inward.
    pub way: [f32; 2],
    /// What single pixels' colour departs from that by, as a share of its brightness (deviation).
    pub uneven: f32,
}

#[derive(Clone, Copy, Debug)]
pub struct Pixel {
    /// Offset from the window's middle.
    pub to: [f32; 2],
    /// Along the piece's hue, and across it.
    pub weight: [f32; 2],
    /// One over its weight by place alone.
    pub near_inverse: f32,
    pub distance: f32,
    /// How deep it lies below the window's own edge, as if that were straight where it is far off.
    pub depth: f32,
    /// Whether the edge next to it is the other one of a bar, and the way inward from there.
    pub other: bool,
    pub way: [f32; 2],
    /// In the axes of the piece's hue: what is seen less the backdrop, and the mean colour less the backdrop.
    pub off: [f32; 3],
    pub backdrop: [f32; 3],
}

/// What a window sees.
pub struct Seen {
    pub pixels: Vec<Pixel>,
    pub mean: [f32; 3],
    /// Three axes, the first along the mean colour.
    pub axes: [[f32; 3]; 3],
    /// Along the hue, and across it.
    pub ridge: [[f32; TERMS]; 2],
    pub way: [f32; 2],
    pub uneven: f32,
    /// How many pixels speak in it.
    pub whole: f32,
    /// Whether both edges of a bar are seen in it.
    pub bar: bool,
}

#[derive(Debug)]
pub struct Window<'a> {
    pub sensed: &'a Sensed<'a>,
    /// Distance to the edge, positive inside, and the way inward.
    pub at: &'a Raster<[f32; 3]>,
    /// The profile across an edge, in deviations.
    profile: &'a [f32],
    /// Variance that colour inside shows from pixel to pixel beyond noise, and its power there; 0, 0 elsewhere.
    grain: Raster<[f32; 2]>,
    /// Weight by squared offset along one axis.
    near: [f32; (REACH * REACH) as usize + 1],
    pub width: usize,
    pub height: usize,
}

/// The profile is tabled at this many steps a deviation, to this many.
const FINE: f32 = 32.0;
const TABLED: f32 = 5.0;

/// Share of a step seen through a Gaussian, as a table.
pub fn profile() -> Vec<f32> {
    (0..=(2.0 * TABLED * FINE) as usize)
        .map(|n| step(n as f32 / FINE - TABLED))
        .collect()
}

impl<'a> Window<'a> {
    pub fn over(
        sensed: &'a Sensed<'a>,
        at: &'a Raster<[f32; 3]>,
        profile: &'a [f32],
        list: &[u32],
        account: &Account,
    ) -> Result<Window<'a>, OverBudget> {
        let width = sensed.frame.width().max(1);
        let mut grain = Raster::filled(at.rect(), [0.0f32; 2], account)?;
        for &pixel in list {
            grain.data_mut()[pixel as usize] = self::grain(sensed, at, pixel as usize);
        }
        Ok(Window {
            sensed,
            at,
            profile,
            grain,
            near: std::array::from_fn(|n| libm::expf(-0.5 * n as f32 / (NEAR * NEAR))),
            width,
            height: sensed.frame.data().len() / width,
        })
    }
}

/// Three axes at right angles, the first along a colour.
fn axes(colour: [f32; 3]) -> [[f32; 3]; 3] {
    let unit = |v: [f32; 3]| {
        let length = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
        (length > 1e-6).then(|| v.map(|v| v / length))
    };
    let first = unit(colour).unwrap_or([0.577_350_26; 3]);
    // No light is far from the greys, so red less blue is never along it.
    let along = std::f32::consts::FRAC_1_SQRT_2 * (first[0] - first[2]);
    let from = [
        std::f32::consts::FRAC_1_SQRT_2,
        0.0,
        -std::f32::consts::FRAC_1_SQRT_2,
    ];
    let second =
        unit(std::array::from_fn(|k| from[k] - along * first[k])).unwrap_or([0.0, 1.0, 0.0]);
    let [a, b, c] = first;
    let [u, v, w] = second;
    [first, second, [b * w - c * v, c * u - a * w, a * v - b * u]]
}

/// A colour in such axes.
fn turned(axes: &[[f32; 3]; 3], colour: [f32; 3]) -> [f32; 3] {
    axes.map(|axis| axis[0] * colour[0] + axis[1] * colour[1] + axis[2] * colour[2])
}

/// What second differences of the frame show of a surface's grain at pixel `i`, where all of it is well inside.
fn grain(sensed: &Sensed, at: &Raster<[f32; 3]>, i: usize) -> [f32; 2] {
    let width = at.width();
    let (x, y) = (i % width, i / width);
    let inside = |j: usize| at.data()[j][0] > INSIDE;
    let (mut sum, mut count) = (0.0f32, 0.0f32);
    let v = sensed.variance(i, 1.0);
    let frame = sensed.frame.data();
    for (step, room) in [
        (1, x > 0 && x + 1 < width),
        (width, y > 0 && i + width < frame.len()),
    ] {
        if room && inside(i - step) && inside(i) && inside(i + step) {
            for k in 0..3 {
                let d = frame[i - step][k] + frame[i + step][k] - 2.0 * frame[i][k];
                sum += (d * d / 6.0 - v[k]).clamp(-1.0, 1.0);
            }
            count += 3.0;
        }
    }
    if count == 0.0 || !sum.is_finite() {
        return [0.0; 2];
    }
    let c = frame[i];
    [sum / count, (c[0] * c[0] + c[1] * c[1] + c[2] * c[2]) / 3.0]
}

impl Window<'_> {
    pub fn share(&self, z: f32) -> f32 {
        let v = ((z + TABLED) * FINE).clamp(0.0, 2.0 * TABLED * FINE - 1.0);
        let n = v as usize;
        let t = v - n as f32;
        self.profile[n] + (self.profile[n + 1] - self.profile[n]) * t
    }

    /// What colour departs from a window's terms by, as a share of its brightness.
    fn unevenness(&self, x: i32, y: i32, gx: f32, gy: f32) -> f32 {
        let (mut sum, mut power) = (0.0f32, 1e-9f32);
        for v in (y - REACH).max(0)..(y + REACH + 1).min(self.height as i32) {
            for u in (x - REACH).max(0)..(x + REACH + 1).min(self.width as i32) {
                let j = v as usize * self.width + u as usize;
                let [g, p] = self.grain.data()[j];
                let [_, nx, ny] = self.at.data()[j];
                if p > 0.0 && nx * gx + ny * gy >= 0.0 {
                    sum += g;
                    power += p;
                }
            }
        }
        (sum.max(0.0) / power).sqrt().max(SHADE)
    }

    /// The pixels a window at pixel `i` speaks for; `None` if they are too few.
    fn seen(&self, i: usize, deviation: f32) -> Option<Seen> {
        let (x, y) = ((i % self.width) as i32, (i / self.width) as i32);
        let [own, gx, gy] = self.at.data()[i];
        let unit = |[x, y]: [f32; 2]| {
            let length = (x * x + y * y).sqrt().max(1e-3);
            [x / length, y / length]
        };
        let way = unit([gx, gy]);
        let mut pixels = Vec::with_capacity(100);
        let uneven = self.unevenness(x, y, gx, gy);
        let (mut bright, mut count, mut whole) = ([0.0f32; 3], 0.0f32, 0.0f32);
        let (mut inner, mut lights) = (0usize, [0.0f32; 3]);
        for dy in -REACH..=REACH {
            for dx in -REACH..=REACH {
                let (u, v) = (x + dx, y + dy);
                let far = (dx * dx + dy * dy) as f32;
                if u < 0
                    || v < 0
                    || u as usize >= self.width
                    || v as usize >= self.height
                    || far > (REACH * REACH) as f32
                {
                    continue;
                }
                let j = v as usize * self.width + u as usize;
                let [d, nx, ny] = self.at.data()[j];
                let (c, b) = (self.sensed.frame.data()[j], self.sensed.backdrop.data()[j]);
                if d.is_nan() || !c.iter().all(|v| v.is_finite()) {
                    continue;
                }
                // Across the piece lies the other edge of a bar, which has its own shift; across bare plate, another piece.
                let straight = own + dx as f32 * way[0] + dy as f32 * way[1];
                let other = nx * gx + ny * gy < 0.0;
                if other && straight < 0.0 {
                    continue;
                }
                let top = c[0].max(c[1]).max(c[2]);
                let v = self.sensed.variance(j, 0.5);
                let noise = (v[0] + v[1] + v[2]) / 3.0;
                let share = self.share(d / deviation);
                let near = self.near[(dy * dy) as usize] * self.near[(dx * dx) as usize];
                let mut w = [uneven, HUE].map(|by| {
                    let shade = by * share * top;
                    near / (noise + shade * shade)
                });
                let clipped = top > FULL * self.sensed.ceiling;
                if clipped {
                    w = w.map(|w| w * CLIPPED);
                } else {
                    whole += near;
                }
                if share > 0.5 {
                    let sure = if clipped { near * CLIPPED } else { near };
                    for k in 0..3 {
                        bright[k] += sure * c[k];
                    }
                    count += sure;
                }
                if d > 2.0 * deviation {
                    inner += 1;
                    let light = (c[0] * c[0] + c[1] * c[1] + c[2] * c[2]).sqrt();
                    for (sum, v) in lights.iter_mut().zip([1.0, light, light * light]) {
                        *sum += near * v;
                    }
                }
                pixels.push(Pixel {
                    to: [dx as f32, dy as f32],
                    weight: w,
                    near_inverse: 1.0 / near,
                    distance: d,
                    depth: if d.abs() < 2.5 && !other { d } else { straight },
                    other,
                    way: if other { unit([nx, ny]) } else { way },
                    off: std::array::from_fn(|k| c[k] - b[k]),
                    backdrop: b,
                });
            }
        }
        let bar = pixels.iter().any(|pixel| pixel.other);
        let enough = if bar { BAR } else { INNER };
        if count <= 0.0 || pixels.len() < FEW || inner < enough {
            return None;
        }
        let mean = bright.map(|v| v / count);
        let axes = axes(mean);
        let power = mean[0] * mean[0] + mean[1] * mean[1] + mean[2] * mean[2];
        let varied = (lights[2] * lights[0] / (lights[1] * lights[1]).max(1e-12) - 1.0).max(0.0);
        let steep = varied.sqrt().clamp(STEEP, STEEPEST);
        // Colours as seen from the mean, so that sums stay small.
        for pixel in &mut pixels {
            let from: [f32; 3] = std::array::from_fn(|k| mean[k] - pixel.backdrop[k]);
            pixel.backdrop = turned(&axes, from);
            pixel.off = turned(&axes, pixel.off);
            if pixel.distance.abs() < TAIL * deviation {
                let [a, b, c] = pixel.backdrop.map(|v| v * v);
                for (w, step) in pixel.weight.iter_mut().zip([a, 0.5 * (b + c)]) {
                    *w = 1.0 / (1.0 / *w + pixel.near_inverse * PROFILE * PROFILE * step);
                }
            }
        }
        let ridge = |any: f32, steep: f32, bent: f32| {
            let slope = 1.0 / (steep * steep * power + 1e-6);
            [
                1.0 / (any * power + 1e-6),
                slope,
                slope,
                1.0 / (bent * bent * power + 1e-6),
            ]
        };
        Some(Seen {
            pixels,
            mean,
            axes,
            ridge: [
                ridge(1.0, steep, steep * BENT / STEEP),
                ridge(HUES, TURN, TURN * BENT / STEEP),
            ],
            way,
            uneven,
            whole,
            bar,
        })
    }

    /// What light of each term comes through the edge: light that is even, grows to the right, grows downward, or grows
    /// with the square of depth, cut off at the edge and then seen through a Gaussian. Where coverage is low it is the
    /// rim that is seen, not what would lie beyond it.
    pub fn terms(
        &self,
        share: f32,
        z: f32,
        to: [f32; 2],
        depth: f32,
        way: [f32; 2],
        deviation: f32,
    ) -> [f32; TERMS] {
        let rim = rims([z], [deviation]);
        terms([share], rim, to, [depth], way, [deviation]).map(|[t]| t)
    }

    /// How badly each of [`WIDTHS`] explains a window at its best.
    pub fn widths(&self, i: usize) -> Option<[f32; WIDTHS.len()]> {
        let seen = self.seen(i, 0.5)?;
        const TRIED: usize = 2 * COARSE as usize + 1;
        let shifts: [Shift; TRIED * WIDTHS.len()] = std::array::from_fn(|n| Shift {
            by: ((n % TRIED) as i32 - COARSE) as f32 * WIDE,
            over: 0.0,
            deviation: WIDTHS[n / TRIED],
        });
        let each = self.costs(&seen, shifts, Which::Own);
        let mut costs = [f32::INFINITY; WIDTHS.len()];
        for (cost, each) in costs.iter_mut().zip(each.chunks(TRIED)) {
            *cost = each.iter().copied().fold(f32::INFINITY, f32::min);
        }
        let least = costs.iter().copied().fold(f32::INFINITY, f32::min);
        let worse = (least / (3.0 * seen.whole)).max(1.0);
        let costs = costs.map(|cost| ((cost - least) / worse).min(TOLD));
        costs.iter().all(|c| c.is_finite()).then_some(costs)
    }

    pub fn fit(&self, i: usize, deviation: f32) -> Option<Fit> {
        let seen = self.seen(i, deviation)?;
        let mut over = 0.0;
        let mut found = self.shifted(&seen, over, deviation, Which::Own)?;
        if seen.bar {
            for _ in 0..BOTH {
                over = self.shifted(&seen, found.0, deviation, Which::Other)?.0;
                found = self.shifted(&seen, over, deviation, Which::Own)?;
            }
        }
        let (shift, curve) = found;
        let last = Shift {
            by: shift,
            over,
            deviation,
        };
        let [planes] = self.planes(&seen, [last]);
        let (along, across) = planes?;
        let worse = ((along.cost + across.cost) / (3.0 * seen.whole)).max(1.0);
        if worse > OTHER {
            return None;
        }
        let mut colour: [[f32; 3]; TERMS] = std::array::from_fn(|n| {
            let ([a], [b, c]) = (along.colour[n], across.colour[n]);
            std::array::from_fn(|k| a * seen.axes[0][k] + b * seen.axes[1][k] + c * seen.axes[2][k])
        });
        for (c, m) in colour[0].iter_mut().zip(seen.mean) {
            *c += m;
        }
        let depth = self.at.data()[i][0] + shift;
        let back = [1.0, -depth * seen.way[0], -depth * seen.way[1], 0.0];
        Some(Fit {
            way: seen.way,
            uneven: seen.uneven,
            shift,
            unsure: worse * worse * 2.0 * APART * APART / curve + PLACED * PLACED,
            colour,
            hue: seen.axes[0],
            loose: [along.unsure(back), across.unsure(back)].map(|v| worse * worse * v),
        })
    }

    /// The shift of one edge that explains the window best and how sharply (second difference of the cost), given that of
    /// the other.
    fn shifted(&self, seen: &Seen, given: f32, deviation: f32, which: Which) -> Option<(f32, f32)> {
        let shifts: [Shift; 2 * SIDE as usize + 1] = std::array::from_fn(|n| {
            let own = (n as i32 - SIDE) as f32 * APART;
            let (by, over) = match which {
                Which::Own => (own, given),
                Which::Other => (given, own),
            };
            Shift {
                by,
                over,
                deviation,
            }
        });
        let costs = self.costs(seen, shifts, which);
        let mut best: Option<(i32, f32)> = None;
        for (&cost, at) in costs.iter().zip(-SIDE..) {
            if cost < best.map_or(f32::INFINITY, |(_, least)| least) {
                best = Some((at, cost));
            }
        }
        let (at, least) = best?;
        if at.abs() == SIDE {
            return None;
        }
        let (before, after) = (
            costs[(at + SIDE - 1) as usize],
            costs[(at + SIDE + 1) as usize],
        );
        let curve = before + after - 2.0 * least;
        if !curve.is_finite() || curve <= 1e-6 {
            return None;
        }
        Some(((at as f32 + 0.5 * (before - after) / curve) * APART, curve))
    }
}
