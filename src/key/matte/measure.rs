//! What each pixel says about its own coverage when F and B' are given with their spreads.

use rayon::prelude::*;

use super::super::tools::linear::dot;
use super::super::tools::windows::{PIECE, inverse, times};
use crate::budget::{Account, Charge, OverBudget};
use crate::raster::{Light, Matte, Raster};

use super::super::Noise;
use super::band::Band;
use super::blended;
use super::colour::{Near, Nearby, Of};
use super::contour::Contour;
use super::edge::Edge;

/// A pixel's say is worth at most this much (1 / variance of coverage): 0.7 % is as good as registration gets.
const MOST: f32 = 20_000.0;

/// How well a rod's learnt look is known, as a share of its light.
const LEARNT: f32 = 0.04;

/// Deviations of noise and share of light by which what is seen must leave the backdrop before it bounds coverage.
const DOUBT: f32 = 4.0;
const LIT: f32 = 0.02;

/// How dark and how bright a pixel may be told to be, as a multiple of the colour near by; less than so much coverage
/// tells nothing of it.
const DIM: f32 = 0.05;
const BRIGHT: f32 = 2.0;
const SOME: f32 = 0.02;

/// How firmly an area found solid is held to full coverage.
const SOLID: f32 = 400.0;

/// Frame, backdrop and how far off either may be.
#[derive(Debug)]
pub struct Sensed<'a> {
    pub frame: &'a Light,
    pub backdrop: &'a Light,
    /// Variance of the backdrop's own error, per channel: its noise and what registration left at gradients.
    pub loose: Light,
    /// Variance of what channels that were interpolated show of the backdrop; `None` where none were.
    pub blended: Option<Matte>,
    /// 1 at and beside rods: their look is learnt, and what departs from it says nothing of the piece.
    pub rods: Raster<u8>,
    /// Frame noise: variance = p C + q.
    pub p: [f32; 3],
    pub q: [f32; 3],
    /// The most the frame can hold.
    pub ceiling: f32,
    /// Median variance of noise, for windows.
    pub floor: f32,
}

impl<'a> Sensed<'a> {
    pub fn new(
        frame: &'a Light,
        backdrop: &'a Light,
        noise: &Noise,
        plate_frames: usize,
        account: &Account,
    ) -> Result<Sensed<'a>, OverBudget> {
        let mut loose = Light::filled(frame.rect(), [0.0; 3], account)?;
        let n = plate_frames.max(1) as f32;
        let (own, plates) = (n / (n + 1.0), 1.0 / (n + 1.0));
        let clean = |v: [f32; 3]| v.map(|v| if v.is_finite() && v > 0.0 { v } else { 0.0 });
        let (p, q, r) = (clean(noise.p), clean(noise.q), clean(noise.r));
        let width = frame.width();
        let height = frame.data().len().checked_div(width).unwrap_or(0);
        let light = backdrop.data();
        loose
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                let (up, down) = (y.saturating_sub(1), (y + 1).min(height - 1));
                for (x, out) in row.iter_mut().enumerate() {
                    let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
                    for k in 0..3 {
                        let gx = 0.5 * (light[y * width + right][k] - light[y * width + left][k]);
                        let gy = 0.5 * (light[down * width + x][k] - light[up * width + x][k]);
                        out[k] = plates * (p[k] * light[y * width + x][k].max(0.0) + q[k])
                            + r[k] * (gx * gx + gy * gy);
                    }
                }
            });
        let mut ceiling = 1.0f32;
        let mut sum = 0.0f64;
        for c in frame.data() {
            for v in c {
                if v.is_finite() {
                    ceiling = ceiling.max(*v);
                    sum += f64::from(v.max(0.0));
                }
            }
        }
        let mean = (sum / (3.0 * frame.data().len().max(1) as f64)) as f32;
        let floor = own * (p[1] * mean + q[1]);
        Ok(Sensed {
            frame,
            backdrop,
            loose,
            blended: None,
            rods: Raster::filled(frame.rect(), 0u8, account)?,
            p: p.map(|v| v * own),
            q: q.map(|v| v * own + 1e-9),
            ceiling,
            floor: floor.max(1e-8),
        })
    }

    /// A rod's look is learnt along it, not seen: where `rig` covers, the backdrop is known to a few percent only.
    pub fn doubt(&mut self, rig: &Matte) {
        let rect = self.loose.rect();
        let both = rect.intersected(&rig.rect());
        for y in both.y0..both.y1 {
            for x in both.x0..both.x1 {
                let share = LEARNT * rig.at(x, y);
                let mut loose = self.loose.at(x, y);
                for (v, b) in loose.iter_mut().zip(self.backdrop.at(x, y)) {
                    *v += (share * b) * (share * b);
                }
                self.loose.put(x, y, loose);
                if rig.at(x, y) > 0.02 {
                    for v in (y - 2).max(rect.y0)..(y + 3).min(rect.y1) {
                        for u in (x - 2).max(rect.x0)..(x + 3).min(rect.x1) {
                            self.rods.put(u, v, 1);
                        }
                    }
                }
            }
        }
    }

    /// As of a frame of this `grain`, whose channels may be filled in from next to a pixel.
    pub fn interpolated(&mut self, grain: f32, account: &Account) -> Result<(), OverBudget> {
        self.blended = blended::found(self.frame, self.backdrop, grain, account)?;
        Ok(())
    }

    /// Variance of C - a F - (1 - a) B' from noise alone.
    pub fn variance(&self, i: usize, a: f32) -> [f32; 3] {
        let plain = self.plain(i, a);
        let Some(blended) = &self.blended else {
            return plain;
        };
        let more = (1.0 - a) * (1.0 - a) * blended.data()[i];
        plain.map(|v| v + more)
    }

    /// The same where every channel of a pixel is its own.
    pub fn plain(&self, i: usize, a: f32) -> [f32; 3] {
        let (c, loose) = (self.frame.data()[i], self.loose.data()[i]);
        let open = (1.0 - a) * (1.0 - a);
        std::array::from_fn(|k| self.p[k] * c[k].max(0.0) + self.q[k] + open * loose[k])
    }

    /// The least coverage that a colour can have which is no darker than black and no brighter than the frame can
    /// hold: whatever the piece's colour, less of it can't turn the backdrop into what is seen.
    pub fn least(&self, i: usize) -> f32 {
        if self.rods.data()[i] != 0 {
            return 0.0;
        }
        let (c, b, v) = (
            self.frame.data()[i],
            self.backdrop.data()[i],
            self.variance(i, 0.5),
        );
        let mut least = 0.0f32;
        for k in 0..3 {
            let doubt = DOUBT * v[k].sqrt();
            let low = (1.0 - LIT) * b[k];
            if low > c[k] + doubt {
                least = least.max(1.0 - (c[k] + doubt) / low);
            }
            let high = (1.0 + LIT) * b[k];
            if c[k] - doubt > high && self.ceiling > high {
                least = least.max((c[k] - doubt - high) / (self.ceiling - high));
            }
        }
        least.min(1.0)
    }

    /// C - B'.
    pub fn difference(&self, i: usize) -> [f32; 3] {
        let (c, b) = (self.frame.data()[i], self.backdrop.data()[i]);
        std::array::from_fn(|k| c[k] - b[k])
    }

    /// The same squared, in the variance that noise has at coverage `a`; three channels' sum.
    pub fn energy(&self, i: usize, a: f32) -> f32 {
        let (off, v) = (self.difference(i), self.plain(i, a));
        (0..3).map(|k| off[k] * off[k] / v[k]).sum()
    }
}

/// Per pixel of the band: coverage it asks for (NaN while nothing is known), and how firmly (1 / variance).
#[derive(Debug)]
pub struct Data {
    pub asked: Vec<f32>,
    pub weight: Vec<f32>,
    _charge: Charge,
}

impl Data {
    /// Room for `count` pixels that say nothing yet.
    pub fn silent(count: usize, account: &Account) -> Result<Data, OverBudget> {
        let charge = account.charge(count as u64 * 8, "matte data")?;
        Ok(Data {
            asked: vec![0.0; count],
            weight: vec![0.0; count],
            _charge: charge,
        })
    }
}

impl Data {
    /// Has pixels at an edge measured again, by the colour found there.
    pub fn retold(&mut self, sensed: &Sensed, band: &Band, edge: &Edge, matte: &Matte) {
        let said = self
            .asked
            .par_chunks_mut(PIECE)
            .zip(self.weight.par_chunks_mut(PIECE));
        said.zip(band.list.par_chunks(PIECE)).enumerate().for_each(
            |(piece, ((asked, weight), list))| {
                for (n, &pixel) in list.iter().enumerate() {
                    let i = pixel as usize;
                    if let Some((mean, spread)) = edge.colour(piece * PIECE + n) {
                        let start = 0.5 * (matte.data()[i] + 0.5);
                        let (a, w) = surface(sensed, i, (mean, spread), start);
                        // Where what lies further inside tells more, that stands.
                        if w > weight[n] {
                            (asked[n], weight[n]) = (a.max(sensed.least(i)), w);
                        }
                    }
                }
            },
        );
    }

    /// Adds what is expected of every pixel for its place: by its depth, and where the edge is known to run.
    pub fn expect(&mut self, band: &Band, line: Option<&Contour>, edge: Option<&Edge>) {
        let all = self.asked.par_iter_mut().zip(&mut self.weight);
        all.enumerate()
            .with_min_len(PIECE)
            .for_each(|(n, (asked, weight))| {
                let (a, w) = (*asked, *weight);
                if a.is_nan() {
                    // No colour is known near it: its place alone would only spread a wrong one.
                    *asked = 0.0;
                    return;
                }
                let (hope, firm) = band.expected(n);
                let (drawn, sure) = line.map_or((0.0, 0.0), |line| line.expected(n));
                let (fitted, fit) = edge.map_or((0.0, 0.0), |edge| edge.expected(n));
                let total = w + firm + sure + fit;
                if total > 0.0 {
                    *asked = (w * a + firm * hope + sure * drawn + fit * fitted) / total;
                    *weight = total;
                }
            });
    }
}

/// Noise and a share of a colour's covariance together.
pub fn crossed(noise: [f32; 3], share: f32, m: &[f32; 6]) -> [f32; 6] {
    [
        noise[0] + share * m[0],
        share * m[1],
        share * m[2],
        noise[1] + share * m[3],
        share * m[4],
        noise[2] + share * m[5],
    ]
}

/// Determinant of a symmetric matrix, at least a very small positive number.
fn determinant(m: &[f32; 6]) -> f32 {
    let [a, b, c, d, e, f] = m.map(f64::from);
    let det = a * (d * f - e * e) - b * (b * f - c * e) + c * (b * e - c * d);
    det.max(1e-36) as f32
}

/// Whether what departs from the mean's hue is the same however bright the piece is, or a share of its light.
#[derive(Clone, Copy, PartialEq)]
enum Hue {
    Loose,
    Kept,
}

/// What a pixel says when F's mean and covariance (xx xy xz yy yz zz) are given.
struct Said {
    coverage: f32,
    weight: f32,
    /// How far off the line it lies, in variances; `None` where F and B' are alike.
    wrong: Option<f32>,
}

/// The same covariance where light on the piece is `lit` times the mean's: what departs from its hue dims with it.
fn dimmed(m: &[f32; 6], hue: [f32; 3], lit: f32) -> [f32; 6] {
    let rest = 1.0 - lit;
    let l: [[f32; 3]; 3] = std::array::from_fn(|j| {
        std::array::from_fn(|k| rest * hue[j] * hue[k] + if j == k { lit } else { 0.0 })
    });
    let s = [[m[0], m[1], m[2]], [m[1], m[3], m[4]], [m[2], m[4], m[5]]];
    let half: [[f32; 3]; 3] =
        std::array::from_fn(|j| std::array::from_fn(|k| (0..3).map(|n| l[j][n] * s[n][k]).sum()));
    let at = |j: usize, k: usize| (0..3).map(|n| half[j][n] * l[n][k]).sum::<f32>();
    [at(0, 0), at(0, 1), at(0, 2), at(1, 1), at(1, 2), at(2, 2)]
}

/// Coverage of one pixel by such an F; starts from `a`.
fn said(
    sensed: &Sensed,
    i: usize,
    (mean, spread): ([f32; 3], &[f32; 6]),
    hue: Hue,
    mut a: f32,
) -> Said {
    let difference = sensed.difference(i);
    let b = sensed.backdrop.data()[i];
    let way: [f32; 3] = std::array::from_fn(|k| mean[k] - b[k]);
    let mut weight = 0.0;
    let mut wrong = 0.0;
    let size = dot(mean, mean);
    let unit = mean.map(|v| v / size.max(1e-12).sqrt());
    let mut lit = 1.0f32;
    for _ in 0..3 {
        let spread = match lit == 1.0 {
            true => *spread,
            false => dimmed(spread, unit, lit),
        };
        let m = inverse(crossed(sensed.variance(i, a), a * a, &spread));
        let t = times(&m, way);
        weight = dot(way, t);
        if weight.is_nan() || weight <= 1e-6 {
            return Said {
                coverage: a,
                weight: 0.0,
                wrong: None,
            };
        }
        let free = dot(difference, t) / weight;
        a = free.clamp(0.0, 1.0);
        let off: [f32; 3] = std::array::from_fn(|k| difference[k] - a * way[k]);
        if hue == Hue::Kept && a > SOME && size > 1e-9 {
            let own: [f32; 3] = std::array::from_fn(|k| difference[k] + a * b[k]);
            lit = (dot(own, mean) / (a * size)).clamp(DIM, BRIGHT);
        }
        // Off the line by more than noise and spread allow: this F is not what is seen here.
        wrong = dot(off, times(&m, off)) / 3.0;
        if wrong > 2.0 {
            weight *= 2.0 / wrong;
        }
    }
    Said {
        coverage: a,
        weight,
        wrong: Some(wrong),
    }
}

/// Coverage of one pixel and its weight by an F of this mean and covariance; starts from `a`.
pub fn projected(
    sensed: &Sensed,
    i: usize,
    (mean, spread): ([f32; 3], [f32; 6]),
    a: f32,
) -> (f32, f32) {
    let said = said(sensed, i, (mean, &spread), Hue::Loose, a);
    (said.coverage, said.weight.min(MOST))
}

/// The same of a surface lit unevenly: what its colour departs from its hue by grows and falls with the light on it.
fn surface(sensed: &Sensed, i: usize, (mean, spread): ([f32; 3], [f32; 6]), a: f32) -> (f32, f32) {
    let said = said(sensed, i, (mean, &spread), Hue::Kept, a);
    (said.coverage, said.weight.min(MOST))
}

/// How badly such an F explains a pixel at its best (lower is better).
fn odds(sensed: &Sensed, i: usize, (mean, spread): ([f32; 3], [f32; 6]), a: f32) -> f32 {
    let said = said(sensed, i, (mean, &spread), Hue::Loose, a);
    let Some(wrong) = said.wrong else {
        return f32::INFINITY;
    };
    let (v, a2) = (
        sensed.variance(i, said.coverage),
        said.coverage * said.coverage,
    );
    let spread = crossed(v, a2, &spread);
    3.0 * wrong + libm::logf(determinant(&spread)) + libm::logf(said.weight.max(1.0))
}

/// How badly full coverage by this F explains a pixel (lower is better).
fn covered(sensed: &Sensed, i: usize, mean: [f32; 3], spread: &[f32; 6]) -> f32 {
    let c = sensed.frame.data()[i];
    let m = crossed(sensed.variance(i, 1.0), 1.0, spread);
    let off = std::array::from_fn(|k| c[k] - mean[k]);
    dot(off, times(&inverse(m), off)) + libm::logf(determinant(&m))
}

/// In zones of strands: how much better a solid piece explains a pixel than a strand, as a mean over a small square
/// (a piece is solid in areas, not in single pixels).
fn solidity(
    sensed: &Sensed,
    band: &Band,
    near: &Near,
    nearby: &Nearby,
    matte: &Matte,
    account: &Account,
) -> Result<Raster<f32>, OverBudget> {
    let mut lean = Raster::filled(matte.rect(), f32::NAN, account)?;
    let said: Vec<f32> = band
        .list
        .par_iter()
        .with_min_len(PIECE)
        .enumerate()
        .map(|(n, &pixel)| {
            let i = pixel as usize;
            if !band.in_strands(n) {
                return f32::NAN;
            }
            let Some((Of::Strand, strand)) = nearby.at(n) else {
                return f32::NAN;
            };
            let Some((solid, tight)) = near.at(i) else {
                return f32::NAN;
            };
            let odds = odds(sensed, i, *strand, 0.5);
            (odds - covered(sensed, i, solid, &tight)).clamp(-12.0, 12.0) + band.depth_bonus(n)
        })
        .collect();
    for (&pixel, said) in band.list.iter().zip(said) {
        lean.data_mut()[pixel as usize] = said;
    }
    let width = matte.width();
    let height = matte.data().len() / width.max(1);
    let mut smooth = Raster::filled(matte.rect(), f32::NAN, account)?;
    let from = lean.data();
    smooth
        .data_mut()
        .par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(y, row)| {
            for (x, out) in row.iter_mut().enumerate() {
                if from[y * width + x].is_nan() {
                    continue;
                }
                let (mut sum, mut count) = (0.0, 0.0);
                for v in y.saturating_sub(3)..(y + 4).min(height) {
                    for u in x.saturating_sub(3)..(x + 4).min(width) {
                        let l = from[v * width + u];
                        if !l.is_nan() {
                            sum += l;
                            count += 1.0;
                        }
                    }
                }
                *out = sum / count;
            }
        });
    Ok(smooth)
}

/// Holds the band's coverage to what is possible at all.
pub fn bounded(sensed: &Sensed, band: &Band, matte: &mut Matte) {
    for &pixel in &band.list {
        let a = &mut matte.data_mut()[pixel as usize];
        *a = a.max(sensed.least(pixel as usize));
    }
}

/// What all pixels of the band say of themselves.
pub fn data(
    sensed: &Sensed,
    band: &Band,
    near: &Near,
    nearby: &Nearby,
    matte: &Matte,
    account: &Account,
) -> Result<Data, OverBudget> {
    let solid_here = band
        .has_strands()
        .then(|| solidity(sensed, band, near, nearby, matte, account))
        .transpose()?;
    let count = band.list.len();
    let charge = account.charge(count as u64 * 8, "matte data")?;
    let mut said = vec![(0.0f32, 0.0f32); count];
    said.par_chunks_mut(PIECE)
        .zip(band.list.par_chunks(PIECE))
        .enumerate()
        .for_each(|(piece, (said, list))| {
            for (n, (said, &pixel)) in said.iter_mut().zip(list).enumerate() {
                let i = pixel as usize;
                let start = 0.5 * (matte.data()[i] + 0.5);
                // A hole that was found is none of the solid parts.
                let full = solid_here.as_ref().is_some_and(|s| s.data()[i] > 0.0)
                    && !band.is_open(piece * PIECE + n);
                // Told solid only where both colours are known.
                if full {
                    *said = (1.0, SOLID);
                    continue;
                }
                let (a, w) = match nearby.at(piece * PIECE + n) {
                    Some((Of::Strand, found)) => projected(sensed, i, *found, start),
                    Some((Of::Surface, found)) => surface(sensed, i, *found, start),
                    None => {
                        *said = (f32::NAN, 0.0);
                        continue;
                    }
                };
                let a = a.max(sensed.least(i));
                *said = (a, w);
            }
        });
    let (asked, weight) = said.into_iter().unzip();
    Ok(Data {
        asked,
        weight,
        _charge: charge,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    #[test]
    fn light_bounds_coverage_from_below_but_not_at_a_rod() {
        let account = Account::unlimited();
        let rect = Rect::of_size(9, 1);
        let backdrop = Light::filled(rect, [0.5, 0.4, 0.3], &account).unwrap();
        let mut frame = Light::filled(rect, [0.5, 0.4, 0.3], &account).unwrap();
        // Half hidden by black; hidden by 0.6 of white at least; within noise; half hidden, but at a rod.
        frame.put(0, 0, [0.25, 0.2, 0.15]);
        frame.put(1, 0, [0.8, 0.76, 0.72]);
        frame.put(2, 0, [0.495, 0.396, 0.297]);
        frame.put(8, 0, [0.25, 0.2, 0.15]);
        let noise = Noise {
            p: [1e-6; 3],
            q: [1e-8; 3],
            r: [0.0; 3],
        };
        let mut sensed = Sensed::new(&frame, &backdrop, &noise, 1, &account).unwrap();
        let rods = Matte::filled(Rect::new(8, 0, 1, 1), 1.0, &account).unwrap();
        sensed.doubt(&rods);
        assert!((sensed.least(0) - 0.49).abs() < 0.02, "{}", sensed.least(0));
        assert!((sensed.least(1) - 0.6).abs() < 0.03, "{}", sensed.least(1));
        assert_eq!(sensed.least(2), 0.0);
        assert_eq!(sensed.least(8), 0.0);
    }
}
