//! A whole picture as bands of rows, each drawn in parallel tiles, handed on in order.

use super::feed::Feeds;
use super::ground;
use super::protect::{Tally, Watch};
use super::scope::Scope;
use super::tile::{self, Codes, Stored, Tile};
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::raster::{Picture, Premul, Raster};
use crate::resample::{Kernel, Resizer};
use crate::settle::out_of_memory;
use rayon::prelude::*;

/// How a picture is cut up for drawing. It never changes a byte; it decides memory and speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tiling {
    pub tile: u32,
    pub band: u32,
}

impl Default for Tiling {
    /// The master's own tiles.
    fn default() -> Tiling {
        Tiling {
            tile: 256,
            band: 256,
        }
    }
}

/// Finished rows of a picture, all columns of the drawn part.
#[derive(Debug)]
pub struct Band {
    pub picture: Picture,
    pub stored: Option<Raster<Stored>>,
}

/// What takes finished bands, top to bottom.
pub trait BandSink {
    /// Whether the sink copies stored codes.
    fn wants_codes(&self) -> bool;

    fn take(&mut self, band: &Band) -> Result<(), Finding>;
}

/// Draws `part` of the view and hands it on band by band. `progress` hears the rows done. Returns a tally for
/// each watch.
pub fn drawn(
    scope: &Scope,
    part: Rect,
    tiling: Tiling,
    watches: &[Watch],
    sinks: &mut [Box<dyn BandSink + '_>],
    account: &Account,
    progress: &mut dyn FnMut(u32),
) -> Result<Vec<Tally>, Finding> {
    let codes = if sinks.iter().any(|s| s.wants_codes()) {
        Codes::Kept
    } else {
        Codes::Dropped
    };
    let prepared = if scope.view.is_canvas() {
        None
    } else {
        Some(small_ground(scope, tiling, account)?)
    };
    let mut feeds = Feeds::new(scope);
    let mut tallies = vec![Tally::default(); watches.len()];
    for rect in part.bands(tiling.band) {
        feeds.advance(scope, rect, account)?;
        let tiles: Vec<Tile> = rect
            .tiles(tiling.tile, tiling.band)
            .into_par_iter()
            .map(|tile| {
                tile::drawn(
                    scope,
                    &feeds,
                    prepared.as_ref(),
                    tile,
                    codes,
                    watches,
                    account,
                )
            })
            // Collected before it is judged, so that the first fault in reading order is the one reported.
            .collect::<Vec<Result<Tile, Finding>>>()
            .into_iter()
            .collect::<Result<_, _>>()?;
        for tile in &tiles {
            for (sum, tally) in tallies.iter_mut().zip(&tile.tallies) {
                sum.add(tally);
            }
        }
        let band = joined(tiles, rect, account)?;
        for sink in sinks.iter_mut() {
            sink.take(&band)?;
        }
        progress(rect.height());
    }
    Ok(tallies)
}

fn joined(tiles: Vec<Tile>, rect: Rect, account: &Account) -> Result<Band, Finding> {
    let mut picture =
        Picture::filled(rect, Premul::CLEAR, account).map_err(|f| out_of_memory(&f))?;
    // A correction on the whole stack computes every pixel, and then no tile holds codes.
    let mut stored = match tiles.iter().any(|t| t.stored.is_some()) {
        true => {
            Some(Raster::filled(rect, Stored::COMPUTED, account).map_err(|f| out_of_memory(&f))?)
        }
        false => None,
    };
    for tile in tiles {
        let part = tile.picture.rect();
        for y in part.y0..part.y1 {
            picture
                .span_mut(y, part.x0, part.x1)
                .copy_from_slice(tile.picture.row(y));
            if let (Some(to), Some(from)) = (&mut stored, &tile.stored) {
                to.span_mut(y, part.x0, part.x1)
                    .copy_from_slice(from.row(y));
            }
        }
    }
    Ok(Band { picture, stored })
}

/// A preview's ground: the canvas window's own ground, made small once.
fn small_ground(scope: &Scope, tiling: Tiling, account: &Account) -> Result<Picture, Finding> {
    let view = scope.view.rect;
    let back = scope
        .view
        .from_canvas
        .inverted()
        .expect("a view's scale is positive");
    let (x0, y0, x1, y1) = back.bounds(&view);
    let window = Rect {
        x0: x0.round() as i32,
        y0: y0.round() as i32,
        x1: x1.round() as i32,
        y1: y1.round() as i32,
    };
    let full = Scope {
        view: super::scope::View::whole(scope.stack.canvas),
        nodes: Vec::new(),
        shadows: scope.shadows.clone(),
        products: Vec::new(),
        elements: 0,
        ..*scope
    };
    let mut small = Picture::filled(view, Premul::CLEAR, account).map_err(|f| out_of_memory(&f))?;
    let mut resizer = Resizer::new(
        (window.width(), window.height()),
        (view.width(), view.height()),
        Kernel::Lanczos3,
        account,
    )
    .map_err(|f| out_of_memory(&f))?;
    let mut feeds = Feeds::new(&full);
    for rect in window.bands(tiling.band) {
        feeds.advance(&full, rect, account)?;
        let band = ground::drawn(&full, feeds.plate.as_ref(), rect, None, account)?;
        for y in rect.y0..rect.y1 {
            resizer.push(band.row(y), &mut |row, pixels| {
                small.row_mut(view.y0 + row as i32).copy_from_slice(pixels);
            });
        }
    }
    Ok(small)
}

impl<S: BandSink> BandSink for &mut S {
    fn wants_codes(&self) -> bool {
        (**self).wants_codes()
    }

    fn take(&mut self, band: &Band) -> Result<(), Finding> {
        (**self).take(band)
    }
}
