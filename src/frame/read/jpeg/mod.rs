//! JPEG: gray and YCbCr or RGB, 8 bits, baseline and progressive, decoded by `zune-jpeg`.
//!
//! The markers are scanned first (`scan`): what that decoder would get wrong, or what would need a guess (CMYK), is
//! refused by name.

mod scan;

use super::octets::{Disk, Octets};
use super::whole::{Coding, Plan, Whole};
use super::{FrameError, exif};
use crate::budget::{Account, Charge};
use crate::frame::{Alpha, Chunks, Colour, Embedded, FileFormat, Header, SampleBuffer, SampleKind};
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// Tables and rows of blocks, beside what grows with the picture.
const SCRATCH: u64 = 1 << 20;

pub fn open(disk: Disk, account: &Account) -> Result<(Whole, Header, Option<Charge>), FrameError> {
    let scan = scan::scan(&disk, account)?;
    let orientation = scan.exif.as_deref().map_or(1, exif::orientation);
    let turned = super::orient::swaps_sides(orientation);
    let (width, height) = (scan.width, scan.height);
    let colour = if scan.components == 1 {
        Colour::Gray
    } else {
        Colour::Rgb
    };
    let channels = colour.channels();
    let samples = u64::from(width) * u64::from(height) * channels as u64;
    // Whole blocks of up to 32 px a side, as 16-bit coefficients where they must wait for later scans.
    let padded = (u64::from(width) + 32) * channels as u64;
    let waiting = if scan.waits {
        padded * (u64::from(height) + 32) * 2
    } else {
        0
    };
    let plan = Plan {
        width,
        height,
        orientation,
        channels,
        coding: Coding::Jpeg,
        file: disk.size(),
        samples,
        working: SCRATCH + disk.size() + padded * 32 * 4 * 2 + waiting,
    };
    let header = Header {
        width: if turned { height } else { width },
        height: if turned { width } else { height },
        orientation,
        colour,
        channels: channels as u16,
        alpha: Alpha::None,
        alpha_channel: None,
        kind: SampleKind::U8,
        profile: scan.icc.map_or(Embedded::None, Embedded::Icc),
        format: FileFormat::Jpeg,
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

/// All samples, in stored order. A file cut short is an error: the decoder is strict, and the end mark must be there.
pub fn decode(disk: &Disk, plan: &Plan) -> Result<SampleBuffer, FrameError> {
    let mut bytes = vec![0; plan.file as usize];
    disk.read(0, &mut bytes, "the JPEG data")?;
    if !bytes.windows(2).rev().any(|pair| pair == [0xff, 0xd9]) {
        return Err(FrameError::damaged(
            "the JPEG data",
            format!(
                "has no end mark in its {} bytes: it was cut short",
                bytes.len()
            ),
        ));
    }
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_out_colorspace(if plan.channels == 1 {
            ColorSpace::Luma
        } else {
            ColorSpace::RGB
        });
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&bytes[..]), options);
    let damaged =
        |fault: String| FrameError::damaged("the JPEG data", format!("does not decode ({fault})"));
    decoder
        .decode_headers()
        .map_err(|error| damaged(error.to_string()))?;
    if decoder.output_buffer_size() != Some(plan.samples as usize) {
        return Err(damaged("its headers contradict each other".to_owned()));
    }
    let mut out = vec![0; plan.samples as usize];
    decoder
        .decode_into(&mut out)
        .map_err(|error| damaged(error.to_string()))?;
    Ok(SampleBuffer::U8(out))
}
