//! How far along a rod its look fits.

use super::look::Look;
use super::rod::{BLOCK, misfit};
use super::strip::Strip;

/// Mean misfit of a block from which the axis was led off the rod, and rows that must be left without it.
const LED_OFF: f32 = 20.0;
const ENOUGH: i32 = 72;

/// The row from which on the look misfits all that it was learnt on, if much is left before that.
pub(super) fn fits_to(strip: &Strip, look: &Look, (from, end): (i32, i32)) -> i32 {
    let mut fits = end;
    while fits - BLOCK - from >= ENOUGH {
        let rows = strip.rows(fits - BLOCK, fits);
        let (mut sum, mut count) = (0.0f32, 0.0f32);
        for p in rows.iter().filter(|p| look.coverage(p.u) > 0.5) {
            sum += misfit(look, p).min(60.0);
            count += 1.0;
        }
        if sum <= LED_OFF * count {
            break;
        }
        fits -= BLOCK;
    }
    fits
}

/// How far the look explains more than the bare set does, block by block.
pub(super) fn goes_on(strip: &Strip, look: &Look, end: i32, wall: i32) -> i32 {
    let mut end = end;
    while end + 8 <= wall {
        let next = (end + BLOCK).min(wall);
        let (mut won, mut misfit, mut count) = (0.0f64, 0.0f64, 0.0f64);
        for p in strip
            .rows(end, next)
            .iter()
            .filter(|p| look.coverage(p.u) > 0.5)
        {
            let seen = look.light(p.s, p.u, p.set);
            for k in 0..3 {
                let (a, b) = (
                    f64::from(p.frame[k] - p.set[k]),
                    f64::from(p.frame[k] - seen[k]),
                );
                let v = f64::from(p.variance[k]) + 0.0025 * f64::from(seen[k] * seen[k]);
                won += (a * a - b * b) / v;
                misfit += b * b / v;
                count += 1.0;
            }
        }
        // Half a unit a sample: noise alone gives about none.
        if count == 0.0 || won < 0.5 * count || misfit > 8.0 * count {
            break;
        }
        end = next;
    }
    end
}
