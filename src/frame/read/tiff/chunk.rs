//! One strip or tile, row by row, up to the last row wanted.

use super::super::FrameError;
use super::super::octets::Octets;
use super::codec::{Fault, Short, Stream};
use super::grid::Extent;
use super::layout::Layout;
use super::meaning::Compression;
use super::words::{self, Stored, Word};
use crate::geom::Rect;

/// Where a chunk lies in the stored picture.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// With the padding of tiles at the right and lower edge.
    pub rect: Rect,
    /// The channel it holds; all of them when `None`.
    pub plane: Option<usize>,
}

pub fn place(layout: &Layout, index: usize) -> Place {
    let chunks = &layout.chunks;
    let in_plane = chunks.across as usize * chunks.down as usize;
    let (plane, rest) = (index / in_plane, index % in_plane);
    let column = (rest % chunks.across as usize) as u32;
    let line = (rest / chunks.across as usize) as u32;
    let top = line * chunks.height;
    let rows = if layout.tiled {
        chunks.height
    } else {
        chunks.height.min(layout.height - top)
    };
    Place {
        rect: Rect::new(
            (column * chunks.width) as i32,
            top as i32,
            chunks.width,
            rows,
        ),
        plane: (chunks.planes > 1).then_some(plane),
    }
}

/// Channels interleaved in one chunk.
pub fn interleaved(layout: &Layout) -> usize {
    if layout.chunks.planes > 1 {
        1
    } else {
        layout.channels
    }
}

/// Memory that [`rows`] takes beside what it hands out.
pub fn memory(layout: &Layout, index: usize) -> u64 {
    let row = layout.chunks.width as u64 * interleaved(layout) as u64;
    let compressed = layout.extents[index].bytes;
    let stored = row * layout.kind.bytes() as u64;
    // The decoded bytes, the words they make, and the samples of the widest part.
    Stream::<[u8]>::memory(layout.compression, compressed)
        + 2 * stored
        + row * layout.kind.buffer_bytes() as u64
}

/// Decodes the rows of chunk `index` that lie in `wanted` (stored space) and hands each one's part on, top to bottom:
/// `sink(x, y, samples)` with the stored place of its first pixel.
pub fn rows<K: Stored>(
    bytes: &(impl Octets + ?Sized),
    layout: &Layout,
    index: usize,
    wanted: &Rect,
    mut sink: impl FnMut(i32, i32, &[K::Sample]),
) -> Result<(), FrameError> {
    let place = place(layout, index);
    let part = place.rect.intersected(wanted);
    if part.is_empty() {
        return Ok(());
    }
    let channels = interleaved(layout);
    let count = place.rect.width() as usize * channels;
    let row_bytes = count * K::Word::BYTES;
    let mut extent = layout.extents[index];
    let mut y = place.rect.y0;
    if layout.compression == Compression::None {
        let skipped = (part.y0 - y) as u64 * row_bytes as u64;
        extent = Extent {
            at: extent.at + skipped.min(extent.bytes),
            bytes: extent.bytes.saturating_sub(skipped),
        };
        y = part.y0;
    }
    // Of a last strip that is as tall as the others.
    let below = u64::from(layout.chunks.height.saturating_sub(place.rect.height()));
    let spare = below * row_bytes as u64;
    let mut stream = Stream::new(bytes, extent, layout.compression);
    let mut raw = vec![0; row_bytes];
    let mut numbers = vec![K::Word::default(); count];
    let mut samples = Vec::with_capacity(part.width() as usize * channels);
    let first = (part.x0 - place.rect.x0) as usize * channels;
    let last = (part.x1 - place.rect.x0) as usize * channels;
    for y in y..part.y1 {
        let filled = stream.fill(&mut raw).and_then(|()| {
            if y + 1 == place.rect.y1 {
                stream.end(spare)
            } else {
                Ok(())
            }
        });
        filled.map_err(|short| {
            let done = (y - place.rect.y0) as u64 * row_bytes as u64;
            let whole = u64::from(place.rect.height()) * row_bytes as u64;
            refused(layout, index, short, done, whole)
        })?;
        if y < part.y0 {
            continue;
        }
        words::row(
            &mut raw,
            &mut numbers,
            channels,
            layout.order,
            layout.predictor,
        );
        samples.clear();
        samples.extend(numbers[first..last].iter().map(|word| K::sample(*word)));
        if layout.inverted && place.plane.is_none_or(|plane| plane == 0) {
            for pixel in samples.chunks_exact_mut(channels) {
                pixel[0] = K::inverted(pixel[0]);
            }
        }
        sink(part.x0, y, &samples);
    }
    Ok(())
}

fn refused(layout: &Layout, index: usize, short: Short, done: u64, whole: u64) -> FrameError {
    let fault = match short {
        Short::Broken(Fault::Read(error)) => return error,
        Short::Broken(Fault::Data(fault)) => {
            format!("does not decode: {fault} (after {done} of {whole} bytes)")
        }
        Short::Ended { got } => format!(
            "decodes to only {} of the {whole} bytes it must have",
            done + got as u64
        ),
    };
    FrameError::damaged(layout.chunk_name(index), fault)
}
