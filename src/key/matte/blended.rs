//! What a raw converter fills in: of three channels a pixel has seen one, the others come from those around it. Next to fine
//! detail of the piece they show a share of that where the backdrop is seen.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Matte};

/// Variance of what is filled in, as a share of the detail's over the nearest pixels, and how far grain lies above a plain
/// sensor's where all of that counts: a channel of the pixel beside a line is off by up to half the line.
const FALSE: f32 = 0.4;
const SMOOTHED: f32 = 0.3;

/// Variance, in light squared, of what a frame of this `grain` shows of the backdrop; `None` where nothing was filled in, as
/// far as its noise says (`grain` 1).
pub fn found(
    frame: &Light,
    backdrop: &Light,
    grain: f32,
    account: &Account,
) -> Result<Option<Matte>, OverBudget> {
    let share = FALSE * ((grain - 1.0) / SMOOTHED).clamp(0.0, 1.0);
    let width = frame.width();
    if share <= 0.0 || width == 0 {
        return Ok(None);
    }
    let mut blended = Matte::filled(frame.rect(), 0.0, account)?;
    let (frame, backdrop) = (frame.data(), backdrop.data());
    let height = frame.len() / width;
    let rows = blended.data_mut().par_chunks_mut(width).enumerate();
    rows.for_each(|(y, row)| {
        for (x, blended) in row.iter_mut().enumerate() {
            let (mut sum, mut squares, mut count) = ([0.0f32; 3], [0.0f32; 3], 0.0f32);
            for v in y.saturating_sub(1)..(y + 2).min(height) {
                for i in v * width + x.saturating_sub(1)..v * width + (x + 2).min(width) {
                    count += 1.0;
                    for k in 0..3 {
                        let off = frame[i][k] - backdrop[i][k];
                        sum[k] += off;
                        squares[k] += off * off;
                    }
                }
            }
            let detail: f32 = (0..3)
                .map(|k| (squares[k] - sum[k] * sum[k] / count).max(0.0) / (3.0 * count))
                .sum();
            if detail.is_finite() {
                *blended = share * detail;
            }
        }
    });
    Ok(Some(blended))
}

#[cfg(test)]
mod tests {
    use super::super::super::Noise;
    use super::super::measure::Sensed;
    use super::super::strands::like_plate;
    use super::*;
    use crate::geom::Rect;

    #[test]
    fn beside_a_strand_a_channel_may_be_filled_in_from_it() {
        let account = Account::unlimited();
        let rect = Rect::of_size(9, 9);
        let backdrop = Light::filled(rect, [0.3; 3], &account).unwrap();
        let mut frame = Light::filled(rect, [0.3; 3], &account).unwrap();
        for y in 0..9 {
            frame.put(4, y, [0.8; 3]);
            // Red of a pixel next to the strand that is half the strand's.
            frame.put(5, y, [0.4, 0.3, 0.3]);
        }
        let noise = Noise {
            p: [1e-5; 3],
            q: [1e-7; 3],
            r: [0.0; 3],
        };
        let sensed = |grain: f32| {
            let mut sensed = Sensed::new(&frame, &backdrop, &noise, 1, &account).unwrap();
            sensed.interpolated(grain, &account).unwrap();
            sensed
        };
        let like = |grain: f32, x: usize| like_plate(&sensed(grain), 36 + x);
        assert!(!like(1.0, 5) && like(1.5, 5));
        // The strand itself stays one, and what is clear without doubt stays clear.
        assert!(!like(1.5, 4) && like(1.5, 7));
        assert_eq!(sensed(1.5).energy(41, 0.0), sensed(1.0).energy(41, 0.0));
        assert_eq!(sensed(1.5).variance(43, 0.0), sensed(1.0).variance(43, 0.0));
    }
}
