//! What is measured of a cut-out, and where. All of it is "lower is better".
//!
//! SAD, MSE and gradient error are those of the perceptual matting benchmark (CVPR 2009: A Perceptually Motivated Online
//! Benchmark for Image Matting; gradient with Gaussian derivatives of deviation 1.4, squared difference of the vectors).

use crate::cases::Case;
use crate::composite;
use crate::cut::Cut;
use crate::distance;

/// Everything of a case that only the truth decides.
#[derive(Debug)]
pub struct Scale {
    side: usize,
    /// 0.02 < matte < 0.98 and 8 px around, without the rod.
    band: Vec<bool>,
    rod: Vec<bool>,
    joint: Vec<bool>,
    far: Vec<bool>,
    holes: Vec<bool>,
    set: Vec<bool>,
}

/// One case's numbers; `None` where there is nothing to measure.
#[derive(Clone, Debug)]
pub struct Score(pub [Option<f64>; COLUMNS.len()]);

pub const COLUMNS: [&str; 17] = [
    "sad", "sad_u", "mse_u", "grad_u", "dE", "dE95", "rod%", "joint", "far", "hole", "core%",
    "light", "px", "corner", "ev", "white%", "sec",
];

/// Of these the worst of all cases is shown too.
pub const WORST: [usize; 4] = [12, 13, 14, 15];

impl Scale {
    pub fn of(case: &Case) -> Scale {
        let side = case.size as usize;
        let (matte, rod) = (&case.truth.matte, &case.truth.rod);
        let marks =
            |mark: &dyn Fn(usize) -> bool| -> Vec<bool> { (0..matte.len()).map(mark).collect() };
        let to = |mark: &dyn Fn(usize) -> bool| distance::to(&marks(mark), side);
        let to_piece = to(&|n| matte[n] > 0.02);
        let to_rod = to(&|n| rod[n] > 0.02);
        let to_edge = to(&|n| matte[n] > 0.02 && matte[n] < 0.98);
        let beside_rod = |n: usize| to_rod[n] <= 2.0 && matte[n] <= 0.02;
        let to_heart = to(&|n| rod[n] > 0.5);
        let to_touch = to(&|n| to_heart[n] <= 1.5 && matte[n] > 0.1);
        let open: Vec<bool> = marks(&|n| matte[n] < 0.02);
        let mut holes = vec![false; matte.len()];
        for part in distance::parts(&open, side) {
            let at_border = |&n: &usize| {
                let (x, y) = (n % side, n / side);
                x == 0 || y == 0 || x + 1 == side || y + 1 == side
            };
            if part.len() > 12 && !part.iter().any(at_border) {
                part.into_iter()
                    .filter(|&n| !beside_rod(n))
                    .for_each(|n| holes[n] = true);
            }
        }
        Scale {
            band: marks(&|n| to_edge[n] <= 8.0 && !beside_rod(n)),
            rod: marks(&|n| rod[n] > 0.5 && to_piece[n] > 3.0),
            joint: marks(&|n| to_touch[n] <= 10.0),
            far: marks(&|n| to_piece[n] > 12.0 && to_rod[n] > 4.0),
            set: marks(&|n| to_piece[n] > 3.0 && to_rod[n] > 3.0),
            holes,
            side,
        }
    }
}

impl Score {
    pub fn of(case: &Case, scale: &Scale, cut: &Cut) -> Score {
        let truth = &case.truth;
        let (a, t) = (&cut.matte, &truth.matte);
        let off: Vec<f64> = a
            .iter()
            .zip(t)
            .map(|(a, t)| f64::from((a - t).abs()))
            .collect();
        let mean = |over: &[bool], least: usize, value: &dyn Fn(usize) -> f64| {
            let among: Vec<usize> = (0..over.len()).filter(|&n| over[n]).collect();
            let sum: f64 = among.iter().map(|&n| value(n)).sum();
            (among.len() >= least).then(|| sum / among.len().max(1) as f64)
        };
        let band = &scale.band;
        let in_band = |value: &dyn Fn(usize) -> f64| -> f64 {
            (0..off.len()).filter(|&n| band[n]).map(value).sum::<f64>() / 1000.0
        };
        let slope = slopes(a, t, scale.side);
        let core: Vec<bool> = t.iter().map(|&t| t > 0.98).collect();
        let (de, de95) = composite::difference(case, cut);
        let far = (0..off.len())
            .filter(|&n| scale.far[n] && a[n] > 0.05)
            .count();
        let light = cut.ratio.as_ref().and_then(|ratio| {
            mean(&scale.set, 1, &|n| {
                let all = truth.ratio_all[n];
                (0..3)
                    .map(|k| f64::from((ratio[n][k] - all[k]).abs()))
                    .sum::<f64>()
                    / 3.0
            })
        });
        Score([
            Some(off.iter().sum::<f64>() / 1000.0),
            Some(in_band(&|n| off[n])),
            mean(band, 1, &|n| 1000.0 * off[n] * off[n]),
            Some(in_band(&|n| f64::from(slope[n]))),
            Some(de),
            Some(de95),
            mean(&scale.rod, 20, &|n| if a[n] > 0.05 { 100.0 } else { 0.0 }),
            mean(&scale.joint, 1, &|n| off[n]),
            Some(far as f64 / off.len() as f64 * 1e6),
            mean(&scale.holes, 60, &|n| off[n]),
            mean(&core, 1000, &|n| if a[n] < 0.9 { 100.0 } else { 0.0 }),
            light,
            cut.laid.map(|l| l.middle),
            cut.laid.map(|l| l.corner),
            cut.laid.map(|l| l.exposure),
            cut.laid.map(|l| 100.0 * l.white),
            cut.cost.map(|c| c.laying + c.cutting),
        ])
    }

    pub fn line(&self) -> String {
        let cells: Vec<String> = self.0.iter().map(|&v| cell(v)).collect();
        cells.join(" ")
    }
}

/// A number in eight places.
pub fn cell(value: Option<f64>) -> String {
    match value {
        None => format!("{:>8}", "-"),
        Some(v) if v.abs() < 10.0 => format!("{v:8.3}"),
        Some(v) => format!("{v:8.1}"),
    }
}

/// Squared length of the difference of both mattes' gradients.
fn slopes(a: &[f32], t: &[f32], side: usize) -> Vec<f32> {
    const SIGMA: f32 = 1.4;
    const REACH: i64 = 6;
    let bell: Vec<f32> = (-REACH..=REACH)
        .map(|k| libm::expf(-0.5 * (k * k) as f32 / (SIGMA * SIGMA)))
        .collect();
    let sum: f32 = bell.iter().sum();
    let smooth: Vec<f32> = bell.iter().map(|b| b / sum).collect();
    let slope: Vec<f32> = (-REACH..=REACH)
        .zip(&smooth)
        .map(|(k, b)| b * k as f32 / (SIGMA * SIGMA))
        .collect();
    let off: Vec<f32> = a.iter().zip(t).map(|(a, t)| a - t).collect();
    let last = side as i64 - 1;
    let pass = |from: &[f32], taps: &[f32], step: (i64, i64)| -> Vec<f32> {
        (0..from.len())
            .map(|n| {
                let (x, y) = ((n % side) as i64, (n / side) as i64);
                let get = |k: i64| {
                    let (i, j) = (
                        (x + k * step.0).clamp(0, last),
                        (y + k * step.1).clamp(0, last),
                    );
                    from[j as usize * side + i as usize]
                };
                (-REACH..=REACH)
                    .zip(taps)
                    .map(|(k, tap)| tap * get(k))
                    .sum()
            })
            .collect()
    };
    let across = pass(&pass(&off, &slope, (1, 0)), &smooth, (0, 1));
    let down = pass(&pass(&off, &smooth, (1, 0)), &slope, (0, 1));
    across
        .iter()
        .zip(down)
        .map(|(x, y)| x * x + y * y)
        .collect()
}
