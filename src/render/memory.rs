//! How much memory a drawing takes at most, found by walking its bands without reading a pixel.

use super::bands::Tiling;
use super::feed::{load_bytes, loaded, reads};
use super::ground;
use super::scope::Scope;
use super::tile::Stored;
use crate::geom::Rect;
use crate::raster::Premul;

/// Bytes in use at the fullest band: decoded samples, what decoding them takes for the moment, and the band itself
/// with its tiles. `taking` is what an output needs while it takes a band. What `settle` holds and what outputs wait
/// with comes on top.
pub fn peak_bytes(
    scope: &Scope,
    part: Rect,
    tiling: Tiling,
    with_codes: bool,
    threads: u64,
    taking: u64,
) -> u64 {
    let pixel = size_of::<Premul>() as u64
        + if with_codes {
            size_of::<Stored>() as u64
        } else {
            0
        };
    let tile = u64::from(tiling.tile) * u64::from(tiling.band) * size_of::<Premul>() as u64;
    let mut held: Vec<Option<(Rect, u64)>> = vec![None; scope.elements];
    let threads = threads.max(1);
    let mut peak = 0;
    for band in part.bands(tiling.band) {
        let mut decoding = 0;
        let mut plate = 0;
        if let Some(id) = scope.stack.ground.plate {
            let shot = scope.plan.footage.shot(id);
            let needed = ground::needs(scope, band);
            let cost = shot.frame.cost(needed);
            plate = load_bytes(shot, needed) + cost.kept;
            decoding = cost.working;
        }
        let mut samples = 0;
        scope.each_element(&mut |element| {
            let slot = &mut held[element.index];
            if element.reach.y1 <= band.y0 {
                *slot = None;
                return;
            }
            let needed = reads(element, &band);
            let there = slot.is_some_and(|(rect, _)| rect.covers(&needed));
            if !needed.is_empty() && !there {
                let shot = scope
                    .plan
                    .footage
                    .shot(scope.plan.cuts[element.step.cut.0].shot);
                let load = loaded(element, shot, needed);
                let cost = shot.frame.cost(load);
                // While it is decoded, what is already there stays.
                decoding = decoding.max(cost.working);
                *slot = Some((load, load_bytes(shot, load) + cost.kept));
            }
            samples += slot.map_or(0, |(_, bytes)| bytes);
        });
        // Tiles side by side with the band they are joined to; or with what every thread has at hand while it draws
        // one (window, resampled piece, group); or, tiles gone, with outputs taking the band.
        let whole = band.area() * pixel;
        let drawing = whole + whole.max(threads * 3 * tile).max(taking);
        // Memory a thread has freed is not always there for the others.
        let stranded = whole * (threads - 1) / threads;
        peak = peak.max(plate + samples + stranded + drawing.max(decoding));
    }
    peak
}
