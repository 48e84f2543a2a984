//! Plate light that white cut off: how bright the set is there nobody knows, only that it is no darker. In a shadow the
//! frame shows more of it than the plate's white says.

use rayon::prelude::*;

use super::Ask;
use super::ground::Ground;
use crate::budget::{Account, OverBudget};
use crate::raster::Light;

/// From here on a channel of the plate may be cut off.
pub(super) const WHITE: f32 = 0.98;
/// Squared deviations up to which a whole channel shows the set.
const FITS: f32 = 9.0;

/// The plate with as much light as the frame shows of it, where its other channels show the set; `None` where nothing
/// is cut off.
pub(super) fn healed(
    ask: &Ask,
    ground: &Ground,
    account: &Account,
) -> Result<Option<Light>, OverBudget> {
    let cut = |pixel: &[f32; 3]| pixel.iter().any(|&v| v >= WHITE);
    if !ask.plate.data().par_iter().with_min_len(4096).any(cut) {
        return Ok(None);
    }
    let rect = ask.plate.rect();
    let mut plate = ask.plate.cropped(rect, account)?;
    let width = plate.width().max(1);
    let rows = plate.data_mut().par_chunks_mut(width).zip(rect.y0..rect.y1);
    rows.for_each(|(row, y)| {
        for (set, x) in row.iter_mut().zip(rect.x0..) {
            if !cut(set) {
                continue;
            }
            let (seen, light) = (ask.frame.at(x, y), ground.light.at(x, y));
            let shows = (0..3).filter(|&k| set[k] < WHITE).all(|k| {
                let off = seen[k] - light[k] * set[k];
                off * off <= FITS * ground.noise.variance(k, set[k], 0.0)
            });
            for k in 0..3 {
                let more = seen[k] / light[k].max(0.02);
                if shows && set[k] >= WHITE && more > set[k] && seen[k] <= set[k] {
                    set[k] = more;
                }
            }
        }
    });
    Ok(Some(plate))
}
