//! PNG: 8 and 16 bits as stored; palettes and fewer bits become 8, tRNS becomes alpha.
//!
//! Chunks are scanned by our own bounded reader (`scan`): sides, profile, orientation. Pixels come from the `png`
//! crate, which is told to skip text and profiles, so that neither can grow.

mod scan;

use super::octets::{Disk, Octets};
use super::whole::{Coding, Plan, Whole};
use super::{FrameError, exif};
use crate::budget::{Account, Charge};
use crate::frame::{Alpha, Chunks, Colour, FileFormat, Header, SampleBuffer, SampleKind};
use ::png::{BitDepth, Decoder, DecodingError, Limits, Transformations};
use std::io::{BufReader, Read, Seek, SeekFrom};

/// Bits of a decoded sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    Eight,
    Sixteen,
}

/// What the `png` crate may allocate beside rows: its own chunks and inflate state.
const SCRATCH: u64 = 4 << 20;

pub fn open(disk: Disk, account: &Account) -> Result<(Whole, Header, Option<Charge>), FrameError> {
    let scan = scan::scan(&disk, account)?;
    let orientation = scan.exif.as_deref().map_or(1, exif::orientation);
    let turned = super::orient::swaps_sides(orientation);
    let colour = if scan.colour_type & 2 == 0 {
        Colour::Gray
    } else {
        Colour::Rgb
    };
    let alpha = scan.colour_type & 4 != 0 || scan.transparency;
    let channels = colour.channels() + usize::from(alpha);
    let (depth, kind) = if scan.bits == 16 {
        (Depth::Sixteen, SampleKind::U16)
    } else {
        (Depth::Eight, SampleKind::U8)
    };
    let (width, height) = (scan.width, scan.height);
    let row = u64::from(width) * channels as u64 * kind.bytes() as u64;
    let samples = row * u64::from(height);
    let plan = Plan {
        width,
        height,
        orientation,
        channels,
        coding: Coding::Png(depth),
        file: disk.size(),
        samples,
        working: SCRATCH + 8 * row + if scan.interlaced { samples } else { 0 },
    };
    let header = Header {
        width: if turned { height } else { width },
        height: if turned { width } else { height },
        orientation,
        colour,
        channels: channels as u16,
        alpha: if alpha {
            Alpha::Unassociated
        } else {
            Alpha::None
        },
        alpha_channel: alpha.then_some(colour.channels() as u16),
        kind,
        profile: scan.profile,
        format: FileFormat::Png,
        chunks: Chunks {
            width,
            height,
            across: 1,
            down: 1,
            planes: 1,
        },
    };
    Ok((Whole::new(disk, plan), header, scan.charge))
}

/// All samples, in stored order.
pub fn decode(disk: &Disk, plan: &Plan, depth: Depth) -> Result<SampleBuffer, FrameError> {
    let limits = Limits {
        bytes: usize::try_from(plan.working).unwrap_or(usize::MAX),
    };
    let input = BufReader::with_capacity(1 << 16, Cursor { disk, at: 0 });
    let mut decoder = Decoder::new_with_limits(input, limits);
    decoder.set_ignore_text_chunk(true);
    decoder.set_ignore_iccp_chunk(true);
    decoder.set_transformations(Transformations::EXPAND);
    let mut reader = decoder.read_info().map_err(damaged)?;
    let (colour_type, bits) = reader.output_color_type();
    let row = reader.output_line_size(plan.width);
    let expected = match depth {
        Depth::Eight => BitDepth::Eight,
        Depth::Sixteen => BitDepth::Sixteen,
    };
    let row_bytes = plan.samples as usize / plan.height as usize;
    if bits != expected || colour_type.samples() != plan.channels || row != Some(row_bytes) {
        return Err(FrameError::damaged(
            "the PNG",
            "has chunks that contradict each other",
        ));
    }
    let interlaced = reader.info().interlaced;
    match depth {
        Depth::Eight => {
            let mut all = vec![0; plan.samples as usize];
            reader.next_frame(&mut all).map_err(damaged)?;
            Ok(SampleBuffer::U8(all))
        }
        Depth::Sixteen => {
            let mut all = Vec::with_capacity(plan.samples as usize / 2);
            let mut extend = |bytes: &[u8]| {
                all.extend(
                    bytes
                        .chunks_exact(2)
                        .map(|b| u16::from_be_bytes([b[0], b[1]])),
                );
            };
            if interlaced {
                let mut bytes = vec![0; plan.samples as usize];
                reader.next_frame(&mut bytes).map_err(damaged)?;
                extend(&bytes);
            } else {
                let mut bytes = vec![0; row_bytes];
                while reader.read_row(&mut bytes).map_err(damaged)?.is_some() {
                    extend(&bytes);
                }
            }
            Ok(SampleBuffer::U16(all))
        }
    }
}

fn damaged(error: DecodingError) -> FrameError {
    FrameError::damaged("the PNG data", format!("does not decode ({error})"))
}

/// A reading position in a file that is read by position.
struct Cursor<'a> {
    disk: &'a Disk,
    at: u64,
}

impl Read for Cursor<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let left = self.disk.size().saturating_sub(self.at);
        let take = left.min(out.len() as u64) as usize;
        Octets::read(self.disk, self.at, &mut out[..take], "the PNG data")
            .map_err(std::io::Error::other)?;
        self.at += take as u64;
        Ok(take)
    }
}

impl Seek for Cursor<'_> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        let target = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(by) => self.disk.size().checked_add_signed(by),
        };
        self.at = target.ok_or(std::io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}
