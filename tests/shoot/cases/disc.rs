//! A lens out of focus: every point becomes a disc.

use super::canvas::{Canvas, Cover};
use super::view::FINE;
use rayon::prelude::*;

/// The layer as an open lens sees it: spread over a disc of `radius` pixels.
pub fn defocused(sharp: &Canvas, radius: f32, samples: i64) -> Canvas {
    let reach = (radius * FINE as f32) as i64;
    if sharp.width == 0 || reach == 0 {
        return sharp.clone();
    }
    let (left, top) = ((sharp.left - reach).max(0), (sharp.top - reach).max(0));
    let right = (sharp.left + sharp.width + reach).min(samples);
    let bottom = (sharp.top + sharp.height + reach).min(samples);
    // Sums of every row from its left end, so that a stretch costs two look-ups whatever its length.
    let wide = sharp.width as usize;
    let sums: Vec<[f64; 4]> = sharp
        .covers
        .par_chunks(wide)
        .flat_map_iter(|row| {
            let mut sum = [0.0; 4];
            std::iter::once(sum).chain(row.iter().map(move |cover| {
                for (sum, value) in sum.iter_mut().zip(cover) {
                    *sum += f64::from(*value);
                }
                sum
            }))
        })
        .collect();
    let half: Vec<i64> = (-reach..=reach)
        .map(|dy| ((reach * reach - dy * dy) as f64 + 0.25).sqrt() as i64)
        .collect();
    let area: i64 = half.iter().map(|h| 2 * h + 1).sum();
    let stretch = |row: i64, from: i64, to: i64| -> [f64; 4] {
        let start = row as usize * (wide + 1);
        let at = |v: i64| start + v.clamp(0, wide as i64) as usize;
        let (a, b) = (sums[at(from)], sums[at(to)]);
        std::array::from_fn(|k| b[k] - a[k])
    };
    let canvas = Canvas {
        left,
        top,
        width: right - left,
        height: bottom - top,
        covers: vec![[0.0; 4]; ((right - left) * (bottom - top)) as usize],
    };
    canvas.painted(|i, j| -> Cover {
        let (x, y) = (i - sharp.left, j - sharp.top);
        let mut sum = [0.0f64; 4];
        for (dy, h) in (-reach..=reach).zip(&half) {
            if (0..sharp.height).contains(&(y + dy)) {
                let part = stretch(y + dy, x - h, x + h + 1);
                for (sum, part) in sum.iter_mut().zip(part) {
                    *sum += part;
                }
            }
        }
        sum.map(|v| (v / area as f64) as f32)
    })
}
