//! What a cut-out looks like over new backgrounds: CIEDE2000 against the true composite.

use crate::cases::Case;
use crate::cut::Cut;
use crate::{icc, noise};
use platewright::color::{Profile, Space, delta_e_2000, lab_d50};
use rayon::prelude::*;

/// Mid gray, a strong green-blue, and something busy.
fn backgrounds(n: usize, side: usize) -> [[f32; 3]; 3] {
    let (x, y) = ((n % side) as f32, (n / side) as f32);
    let channel = |field: u32| {
        let large = noise::layered(x / 37.0, y / 29.0, field, 3);
        let fine = noise::value(x / 3.1, y / 3.7, field + 9);
        (0.30 + 0.30 * large + 0.10 * fine).clamp(0.01, 0.95)
    };
    [
        [0.18; 3],
        [0.03, 0.32, 0.24],
        [channel(301), channel(331), channel(361)],
    ]
}

/// Mean and 95th percentile over the pixels where either matte covers anything; where a rod crosses the piece's face the
/// colour is for mending and is left out.
pub fn difference(case: &Case, cut: &Cut) -> (f64, f64) {
    let profile = Profile::parse(&icc::profile()).expect("our profile is sound");
    let matrix = Space::of(&profile).to_pcs();
    let side = case.size as usize;
    let truth = &case.truth;
    let lab = |light: [f32; 3], matte: f32, under: [f32; 3]| {
        let rgb = [0, 1, 2].map(|k| {
            let sum = light[k] + (1.0 - matte) * under[k];
            f64::from(sum.clamp(0.0, 1.0))
        });
        lab_d50(matrix.map(|row| row[0] * rgb[0] + row[1] * rgb[1] + row[2] * rgb[2]))
    };
    let mut found: Vec<f64> = (0..truth.matte.len())
        .into_par_iter()
        .filter(|&n| truth.matte[n].max(cut.matte[n]) > 0.004 && truth.crossing[n] < 0.01)
        .flat_map_iter(|n| {
            backgrounds(n, side).map(|under| {
                delta_e_2000(
                    lab(truth.light[n], truth.matte[n], under),
                    lab(cut.light[n], cut.matte[n], under),
                )
            })
        })
        .collect();
    if found.is_empty() {
        return (0.0, 0.0);
    }
    let mean = found.iter().sum::<f64>() / found.len() as f64;
    found.sort_by(f64::total_cmp);
    (mean, found[(found.len() - 1) * 95 / 100])
}
