//! A sharp edge is a smooth line and nothing else: where it runs, found from all pixels along it together.
//!
//! The matte so far, blurred a little, tells each pixel's distance to the edge; along the edge that distance is set
//! right by what the pixels say (their shift, as a weighted mean over a short stretch). The profile across is that of
//! a step seen through a Gaussian, of one width for the whole piece. An edge that is no such thing, out of focus or
//! ragged, is left alone, or as far as it isn't.

use rayon::prelude::*;

use super::super::tools::gauss;
use super::super::tools::windows::PIECE;
use super::band::Band;
use super::measure::Data;
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster};

/// Blur that tells the distance to the edge, in pixels (standard deviation).
const BLUR: f32 = 1.0;
/// Stretch of edge whose pixels speak together, in pixels (standard deviation).
const STRETCH: f64 = 2.0;
/// Widths of an edge that are tried, in pixels (standard deviation). Whose best is the last is not sharp.
const WIDTHS: [f32; 7] = [0.3, 0.42, 0.55, 0.7, 0.9, 1.2, 1.6];
/// Further from the edge than this many widths coverage is 0 or 1.
const FAR: f32 = 3.0;
/// How far a stretch may be moved at once, in widths; and what holds it (precision of that move).
const MOST: f32 = 1.5;
const HELD: f32 = 6.0;
/// How well such an edge is known at its best (standard deviation of coverage).
const FLOOR: f32 = 0.02;
const PASSES: usize = 2;
/// What a pixel says counts at most this much when the width is chosen (1 / variance, squared error).
const SAID: f32 = 1000.0;
const OFF: f32 = 0.04;
/// Pixels whose say is held at a time.
const AT_A_TIME: usize = 16 * PIECE;
/// Fewer pixels than this show no width.
const FEW: usize = 50;

/// What the line of the edge expects of the band's pixels.
#[derive(Debug)]
pub struct Contour {
    /// Coverage and how firmly (1 / variance), per pixel of the list.
    expected: Vec<(f32, f32)>,
    /// Distance to the edge in pixels, positive inside, per pixel of the list.
    distances: Vec<f32>,
    /// Deviation of the Gaussian the edge is seen through, in pixels.
    width: f32,
    _charge: Charge,
}

impl Contour {
    pub fn distance(&self, n: usize) -> f32 {
        self.distances[n]
    }

    pub fn width(&self) -> f32 {
        self.width
    }

    pub fn expected(&self, n: usize) -> (f32, f32) {
        self.expected[n]
    }
}

/// Share of a Gaussian step at `x` deviations inside it.
pub fn step(x: f32) -> f32 {
    0.5 * libm::erfcf(-x * std::f32::consts::FRAC_1_SQRT_2)
}

/// Its slope.
fn slope(x: f32) -> f32 {
    0.398_942_3 * libm::expf(-0.5 * x * x)
}

/// Where a Gaussian step has the share `p`, within 1e-3 (P. J. Acklam's rational fits of the inverse, coefficients
/// shortened), held to +-`FAR`.
fn place(p: f32) -> f32 {
    const LOW: f32 = 0.024_25;
    let tail = |p: f32| {
        let q = (-2.0 * libm::logf(p.max(1e-6))).sqrt();
        let top = ((((-7.784_894e-3 * q - 0.322_396_46) * q - 2.400_758_3) * q - 2.549_732_5) * q
            + 4.374_664)
            * q
            + 2.938_164;
        let low =
            (((7.784_696e-3 * q + 0.322_467_13) * q + 2.445_134_2) * q + 3.754_408_7) * q + 1.0;
        top / low
    };
    let x = if p < LOW {
        tail(p)
    } else if p > 1.0 - LOW {
        -tail(1.0 - p)
    } else {
        let q = p - 0.5;
        let r = q * q;
        let top = ((((-39.696_83 * r + 220.946_1) * r - 275.928_5) * r + 138.357_75) * r
            - 30.664_798)
            * r
            + 2.506_628_3;
        let low = ((((-54.476_097 * r + 161.585_83) * r - 155.698_98) * r + 66.801_31) * r
            - 13.280_682)
            * r
            + 1.0;
        q * top / low
    };
    if x.is_nan() { 0.0 } else { x.clamp(-FAR, FAR) }
}

/// Distances to the edge of the band's pixels, in deviations of the edge after the blur.
fn places(matte: &Matte, band: &Band, account: &Account) -> Result<Vec<f32>, OverBudget> {
    let soft = gauss::blurred(matte, f64::from(BLUR), account)?;
    Ok(band
        .list
        .par_iter()
        .with_min_len(PIECE)
        .map(|&pixel| place(soft.data()[pixel as usize]))
        .collect())
}

/// How much narrower the edge is than after the blur, as a factor of distances; `None` if it is not sharp.
fn sharpness(places: &[f32], band: &Band, data: &Data) -> Option<(f32, f32)> {
    let mut costs = [0.0f64; WIDTHS.len()];
    let mut count = 0;
    let factor = |width: f32| (1.0 + (BLUR / width) * (BLUR / width)).sqrt();
    for (some, places) in places.chunks(AT_A_TIME).enumerate() {
        let said: Vec<[f32; WIDTHS.len()]> = places
            .par_iter()
            .with_min_len(PIECE)
            .enumerate()
            .map(|(n, &z)| (some * AT_A_TIME + n, z))
            .filter(|&(n, z)| !(z.abs() >= 2.5 || data.weight[n] <= 0.0 || !band.on_line(n)))
            .map(|(n, z)| {
                WIDTHS.map(|width| {
                    let off = data.asked[n] - step(factor(width) * z);
                    data.weight[n].min(SAID) * (off * off).min(OFF)
                })
            })
            .collect();
        for said in said {
            count += 1;
            for (cost, said) in costs.iter_mut().zip(said) {
                *cost += f64::from(said);
            }
        }
    }
    let best = (0..WIDTHS.len()).min_by(|&i, &j| costs[i].total_cmp(&costs[j]).then(i.cmp(&j)))?;
    (count >= FEW && best + 1 < WIDTHS.len()).then(|| (factor(WIDTHS[best]), WIDTHS[best]))
}

/// Where the edge runs, from the matte so far and what the band's pixels say; `None` where it is not sharp.
pub fn found(
    matte: &Matte,
    band: &Band,
    data: &Data,
    account: &Account,
) -> Result<Option<Contour>, OverBudget> {
    let count = band.list.len();
    let charge = account.charge(count as u64 * 20, "line of the edge")?;
    let mut at = places(matte, band, account)?;
    let Some((sharp, width)) = sharpness(&at, band, data) else {
        return Ok(None);
    };
    let mut line = matte.cropped(matte.rect(), account)?;
    let mut sums = Raster::filled(matte.rect(), [0.0f32; 5], account)?;
    let mut known = sums.cropped(Rect::EMPTY, account)?;
    for pass in 0..=PASSES {
        if pass > 0 {
            at = places(&line, band, account)?;
        }
        for (some, list) in band.list.chunks(AT_A_TIME).enumerate() {
            let told: Vec<[f32; 5]> = (some * AT_A_TIME..some * AT_A_TIME + list.len())
                .into_par_iter()
                .with_min_len(PIECE)
                .map(|n| {
                    let (z, w) = (sharp * at[n], data.weight[n]);
                    let (r, s) = (data.asked[n] - step(z), slope(z));
                    if z.abs() < FAR && w > 0.0 && band.on_line(n) {
                        [w * r * s, w * s * s, w * r * r, w, 1.0]
                    } else {
                        [0.0; 5]
                    }
                })
                .collect();
            for (&pixel, told) in list.iter().zip(told) {
                sums.data_mut()[pixel as usize] = told;
            }
        }
        known = gauss::blurred(&sums, STRETCH, account)?;
        let steps: Vec<f32> = at
            .par_iter_mut()
            .with_min_len(PIECE)
            .zip(&band.list)
            .map(|(at, &pixel)| {
                let k = known.data()[pixel as usize];
                let by = (k[0] / (k[1] + HELD)).clamp(-MOST, MOST);
                *at = sharp * *at + by;
                step(*at)
            })
            .collect();
        for (&pixel, step) in band.list.iter().zip(steps) {
            line.data_mut()[pixel as usize] = step;
        }
    }
    // As many independent pixels as a Gaussian window holds.
    let window = (4.0 * std::f64::consts::PI * STRETCH * STRETCH) as f32;
    let expected = band
        .list
        .par_iter()
        .with_min_len(PIECE)
        .zip(&at)
        .enumerate()
        .map(|(n, (&pixel, &z))| {
            let k = known.data()[pixel as usize];
            if !band.on_line(n) || k[3] <= 0.0 {
                return (0.0, 0.0);
            }
            // What the move left: beyond noise, it is no such edge.
            let left = (k[2] - k[0] * k[0] / (k[1] + HELD) - k[4]).max(0.0) / k[3];
            let s = slope(z);
            let unsure = s * s / (window * k[1] + HELD);
            (step(z), 1.0 / (left + unsure + FLOOR * FLOOR))
        })
        .collect();
    Ok(Some(Contour {
        expected,
        distances: at.into_iter().map(|z| z * width).collect(),
        width,
        _charge: charge,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_on_a_step_is_found_from_its_share() {
        for n in -29..30 {
            let x = n as f32 * 0.1;
            assert!((place(step(x)) - x).abs() < 2e-3, "{x} {}", place(step(x)));
        }
        assert_eq!(place(0.0), -FAR);
        assert_eq!(place(1.0), FAR);
        assert_eq!(place(f32::NAN), 0.0);
    }
}
