//! How the picture is cut into strips or tiles, and where their bytes lie.

use super::super::octets::{Octets, inside};
use super::super::{FrameError, MAX_SIDE};
use super::tags::Tags;
use crate::budget::{Account, Charge};
use crate::frame::Chunks;

/// Where a chunk's compressed bytes lie.
#[derive(Clone, Copy, Debug)]
pub struct Extent {
    pub at: u64,
    pub bytes: u64,
}

/// The grid, and whether it is one of tiles.
pub fn chunks<B: Octets + ?Sized>(
    tags: &Tags<'_, B>,
    width: u32,
    height: u32,
    channels: u64,
) -> Result<(Chunks, bool), FrameError> {
    let planes = match tags.number(284, 1)? {
        1 => 1,
        2 => channels as u32,
        other => {
            return Err(FrameError::damaged(
                "the image directory",
                format!("says PlanarConfiguration {other}; 1 and 2 exist"),
            ));
        }
    };
    let tile_width = tags.directory.number(tags.bytes, 322)?;
    let tile_height = tags.directory.number(tags.bytes, 323)?;
    let (tiled, wide, high) = match (tile_width, tile_height) {
        (Some(wide), Some(high)) => (true, wide, high),
        (None, None) => {
            let rows = tags.number(278, u64::from(height))?;
            (false, u64::from(width), rows.min(u64::from(height)))
        }
        _ => {
            return Err(FrameError::damaged(
                "the image directory",
                "has only one of TileWidth and TileLength",
            ));
        }
    };
    let allowed = 1..=u64::from(MAX_SIDE);
    if !allowed.contains(&wide) || !allowed.contains(&high) {
        return Err(FrameError::damaged(
            "the image directory",
            format!("says its strips or tiles have {wide} x {high} px"),
        ));
    }
    let chunks = Chunks {
        width: wide as u32,
        height: high as u32,
        across: width.div_ceil(wide as u32),
        down: height.div_ceil(high as u32),
        planes,
    };
    Ok((chunks, tiled))
}

/// Plane by plane, row by row, all inside the file.
pub fn extents<B: Octets + ?Sized>(
    tags: &Tags<'_, B>,
    chunks: &Chunks,
    tiled: bool,
    account: &Account,
) -> Result<(Vec<Extent>, Charge), FrameError> {
    let count = u64::from(chunks.across) * u64::from(chunks.down) * u64::from(chunks.planes);
    // Two lists of 8-byte numbers with their raw bytes while reading; the pairs stay.
    let reading = account.charge(count.saturating_mul(32), "chunk tables")?;
    let charge = account.charge(
        count.saturating_mul(size_of::<Extent>() as u64),
        "chunk tables",
    )?;
    let list = |of_tiles: u16, of_strips: u16, name: &str| -> Result<Vec<u64>, FrameError> {
        // Some writers give tiles the tags of strips, and libtiff takes either.
        let first = if tiled { of_tiles } else { of_strips };
        let tag = match tags.directory.get(first) {
            None if tiled => of_strips,
            _ => first,
        };
        let values = tags.numbers(tag, count)?.unwrap_or_default();
        if values.len() as u64 == count {
            return Ok(values);
        }
        Err(FrameError::damaged(
            "the image directory",
            format!(
                "has {} {name} (tag {tag}) for {count} strips or tiles",
                values.len()
            ),
        ))
    };
    let starts = list(324, 273, "offsets")?;
    let lengths = list(325, 279, "byte counts")?;
    let word = if tiled { "tile" } else { "strip" };
    let mut extents = Vec::with_capacity(count as usize);
    for (k, (&at, &bytes)) in starts.iter().zip(&lengths).enumerate() {
        inside(
            at,
            bytes,
            tags.bytes.size(),
            &format!("{word} {k} of {count}"),
        )?;
        extents.push(Extent { at, bytes });
    }
    drop(reading);
    Ok((extents, charge))
}
