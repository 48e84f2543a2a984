//! TIFF and BigTIFF: the first picture of the file, by rectangles.
//!
//! Only the chunks under the wanted box are read and decoded, in parallel, each as a stream: memory is the samples
//! asked for plus a bounded working set, whatever the chunk sizes. See `layout` for what is refused.

mod chunk;
mod codec;
mod grid;
pub(super) mod ifd;
mod layout;
mod meaning;
mod tags;
mod words;

use super::octets::{Disk, Octets};
use super::place::Placement;
use super::{Cost, FrameError};
use crate::budget::{Account, Charge};
use crate::frame::{Embedded, FileFormat, Header, SampleBuffer, SampleKind};
use crate::geom::Rect;
use ifd::Directory;
use layout::Layout;
use rayon::prelude::*;
use tags::Tags;
use words::Stored;

/// Decoded pieces held at one time while chunks decode side by side. A constant, never the number of threads, so
/// that memory is the same on every machine.
const BATCH_BYTES: u64 = 48 << 20;
const BATCH_MOST: u64 = 32;

#[derive(Debug)]
pub struct Tiff<B> {
    bytes: B,
    layout: Layout,
}

pub fn open(
    disk: Disk,
    account: &Account,
) -> Result<(Tiff<Disk>, Header, Option<Charge>), FrameError> {
    // A directory's entries as bytes and as numbers: at most 4096 of them.
    let _reading = account.charge(256 << 10, "image directories")?;
    let directory = Directory::first(&disk)?;
    let tags = Tags {
        bytes: &disk,
        directory: &directory,
    };
    let layout = Layout::read(&tags, account)?;
    let (profile, charge) = match tags::icc(&tags, account)? {
        Some((icc, charge)) => (Embedded::Icc(icc), Some(charge)),
        None => (Embedded::None, None),
    };
    let turned = super::orient::swaps_sides(layout.orientation);
    let (width, height) = (layout.width, layout.height);
    let header = Header {
        width: if turned { height } else { width },
        height: if turned { width } else { height },
        orientation: layout.orientation,
        colour: layout.colour,
        channels: layout.channels as u16,
        alpha: layout.alpha,
        alpha_channel: layout.alpha_channel,
        kind: layout.kind,
        profile,
        format: if directory.big {
            FileFormat::BigTiff
        } else {
            FileFormat::Tiff
        },
        chunks: layout.chunks,
    };
    let tiff = Tiff {
        bytes: disk,
        layout,
    };
    Ok((tiff, header, charge))
}

impl<B: Octets> Tiff<B> {
    pub fn bytes(&self) -> &B {
        &self.bytes
    }

    /// Samples of `rect`, which lies inside the frame as seen and is not empty.
    pub fn samples(&self, rect: Rect, account: &Account) -> Result<SampleBuffer, FrameError> {
        Ok(match self.layout.kind {
            SampleKind::U8 => SampleBuffer::U8(self.region::<words::U8>(rect, account)?),
            SampleKind::U16 => SampleBuffer::U16(self.region::<words::U16>(rect, account)?),
            SampleKind::U32 => SampleBuffer::U32(self.region::<words::U32>(rect, account)?),
            SampleKind::F16 => SampleBuffer::F32(self.region::<words::F16>(rect, account)?),
            SampleKind::F32 => SampleBuffer::F32(self.region::<words::F32>(rect, account)?),
        })
    }

    pub fn cost(&self, rect: Rect) -> Cost {
        let work = self.work(&self.placement(rect).stored());
        Cost {
            read: work
                .chunks
                .iter()
                .map(|&index| self.layout.extents[index].bytes)
                .sum(),
            working: work.memory,
            kept: 0,
        }
    }

    fn placement(&self, rect: Rect) -> Placement {
        let layout = &self.layout;
        Placement::new(
            layout.orientation,
            layout.width,
            layout.height,
            rect,
            layout.channels,
        )
    }

    fn region<K: Stored>(
        &self,
        rect: Rect,
        account: &Account,
    ) -> Result<Vec<K::Sample>, FrameError> {
        let placement = self.placement(rect);
        let wanted = placement.stored();
        let work = self.work(&wanted);
        let _working = account.charge(work.memory, "strips and tiles being decoded")?;
        let mut out = vec![K::Sample::default(); rect.area() as usize * self.layout.channels];
        if work.at_once == 1 {
            for &index in &work.chunks {
                let plane = chunk::place(&self.layout, index).plane;
                chunk::rows::<K>(&self.bytes, &self.layout, index, &wanted, |x, y, row| {
                    placement.put(&mut out, x, y, row, plane);
                })?;
            }
            return Ok(out);
        }
        for batch in work.chunks.chunks(work.at_once) {
            let pieces: Vec<_> = batch
                .par_iter()
                .map(|&index| self.piece::<K>(index, &wanted))
                .collect();
            for (&index, piece) in batch.iter().zip(pieces) {
                let piece = piece?;
                let place = chunk::place(&self.layout, index);
                let part = place.rect.intersected(&wanted);
                let long = part.width() as usize * chunk::interleaved(&self.layout);
                for (y, row) in (part.y0..).zip(piece.chunks_exact(long)) {
                    placement.put(&mut out, part.x0, y, row, place.plane);
                }
            }
        }
        Ok(out)
    }

    /// The part of one chunk that lies in `wanted`.
    fn piece<K: Stored>(&self, index: usize, wanted: &Rect) -> Result<Vec<K::Sample>, FrameError> {
        let part = chunk::place(&self.layout, index).rect.intersected(wanted);
        let mut piece = Vec::with_capacity(part.area() as usize * chunk::interleaved(&self.layout));
        chunk::rows::<K>(&self.bytes, &self.layout, index, wanted, |_, _, row| {
            piece.extend_from_slice(row);
        })?;
        Ok(piece)
    }

    /// Which chunks a stored rectangle needs, and how to go about it.
    fn work(&self, wanted: &Rect) -> Work {
        let layout = &self.layout;
        let grid = &layout.chunks;
        let columns = wanted.x0 as u32 / grid.width..(wanted.x1 as u32).div_ceil(grid.width);
        let lines = wanted.y0 as u32 / grid.height..(wanted.y1 as u32).div_ceil(grid.height);
        let mut chunks = Vec::new();
        for plane in 0..grid.planes {
            for line in lines.clone() {
                for column in columns.clone() {
                    let before = plane as usize * grid.down as usize + line as usize;
                    chunks.push(before * grid.across as usize + column as usize);
                }
            }
        }
        let widest = wanted.width().min(grid.width);
        let highest = wanted.height().min(grid.height);
        let piece = u64::from(widest) * u64::from(highest) * chunk::interleaved(layout) as u64;
        let piece = piece * layout.kind.buffer_bytes() as u64;
        let beside = chunks
            .iter()
            .map(|&index| chunk::memory(layout, index))
            .max()
            .unwrap_or(0);
        let at_once = (BATCH_BYTES / (piece + beside).max(1))
            .clamp(1, BATCH_MOST)
            .min(chunks.len().max(1) as u64);
        Work {
            memory: match at_once {
                1 => beside,
                many => many * (piece + beside),
            },
            at_once: at_once as usize,
            chunks,
        }
    }
}

/// What [`Tiff::region`] does: `at_once` chunks side by side, or one after the other straight into the result.
struct Work {
    chunks: Vec<usize>,
    at_once: usize,
    memory: u64,
}
