//! Which parts of a large frame are looked at in full size: where the set has texture, spread over the frame.

use rayon::prelude::*;

use super::measure::Block;
use super::patch::{self, Patch};
use crate::budget::Account;
use crate::geom::{Map, Rect};
use crate::raster::Seen;

/// The frame is cut into so many fields a side; each gives one tile.
const FIELDS: u32 = 4;
/// Side of a tile, px.
const TILE: u32 = 384;

/// One tile of each field: the one whose coarse blocks hold the match best.
pub(super) fn chosen<F: Seen, P: Seen<Fault = F::Fault>>(
    frame: &F,
    plate: &P,
    blocks: &[Block],
    map: &Map,
    account: &Account,
) -> Result<Vec<Patch>, F::Fault> {
    let rect = frame.rect();
    let (width, height) = (
        rect.width().div_ceil(FIELDS),
        rect.height().div_ceil(FIELDS),
    );
    let mut found = Vec::new();
    for field in rect.tiles(width, height) {
        let mut best: Option<(f64, Rect)> = None;
        for tile in field.tiles(TILE, TILE) {
            if tile.width() < TILE.min(field.width()) || tile.height() < TILE.min(field.height()) {
                continue;
            }
            let hold = hold(blocks, &tile);
            if best.is_none_or(|(most, _)| hold > most) {
                best = Some((hold, tile));
            }
        }
        found.extend(best.map(|(_, tile)| tile));
    }
    let patches: Vec<Result<Option<Patch>, F::Fault>> = found
        .into_par_iter()
        .map(|tile| patch::tile(frame, plate, tile, map, account))
        .collect();
    patches.into_iter().filter_map(Result::transpose).collect()
}

/// What the coarse blocks in and around a tile say about its worth.
fn hold(blocks: &[Block], tile: &Rect) -> f64 {
    let around = tile.grown(TILE / 4);
    let inside = blocks.iter().filter(|block| {
        let [x, y] = block.middle;
        around.contains(x as i32, y as i32)
    });
    let (sum, count) = inside.fold((0.0, 0.0), |(sum, count), block| {
        (sum + (block.hold[0] + block.hold[2]).max(0.0), count + 1.0)
    });
    if count > 0.0 { sum / count } else { 0.0 }
}
