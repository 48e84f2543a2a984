//! Opening a picture file and reading rectangles of it.
//!
//! [`Frame::open`] reads headers only; [`Frame::samples`] decodes what a rectangle needs. A TIFF is read chunk by
//! chunk; PNG and JPEG are decoded once, whole, and kept. Sides, profiles and counts are bounded, every allocation is
//! charged first, and anything but a regular file is refused.

mod exif;
mod fault;
mod jpeg;
mod octets;
mod orient;
mod place;
mod png;
mod samples;
mod tiff;
mod whole;

#[cfg(test)]
mod tests;

pub use fault::FrameError;
pub use samples::Samples;

use super::Header;
use crate::budget::{Account, Charge};
use crate::geom::Rect;
use octets::{Disk, Octets};
use std::path::Path;
use tiff::Tiff;
use whole::Whole;

/// The longest side, in pixels.
pub const MAX_SIDE: u32 = 100_000;
/// The most pixels in one picture.
pub const MAX_PIXELS: u64 = 1 << 31;
/// The longest embedded profile, in bytes.
pub const MAX_ICC: u64 = 16 << 20;

/// An opened picture file. Shared between threads; the file is read by position.
#[derive(Debug)]
pub struct Frame {
    header: Header,
    body: Body,
    /// Pays for the profile in the header.
    _profile: Option<Charge>,
}

#[derive(Debug)]
enum Body {
    Tiff(Tiff<Disk>),
    Whole(Whole),
}

/// What a rectangle costs, in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cost {
    /// Compressed bytes read from the file.
    pub read: u64,
    /// Memory in use while decoding, beside the samples themselves.
    pub working: u64,
    /// Memory that stays with the frame after the first call: all samples of a PNG or JPEG.
    pub kept: u64,
}

impl Frame {
    /// Reads and checks the headers. What stays in memory (chunk table, profile) is charged to `account`.
    pub fn open(path: &Path, account: &Account) -> Result<Frame, FrameError> {
        let disk = Disk::open(path)?;
        let mut magic = [0; 4];
        if disk.size() < 8 {
            return Err(FrameError::UnknownFormat);
        }
        disk.read(0, &mut magic, "the file's first bytes")?;
        let (header, body, profile) = match &magic {
            b"II\x2a\0" | b"MM\0\x2a" | b"II\x2b\0" | b"MM\0\x2b" => {
                let (tiff, header, profile) = tiff::open(disk, account)?;
                (header, Body::Tiff(tiff), profile)
            }
            b"\x89PNG" => {
                let (whole, header, profile) = png::open(disk, account)?;
                (header, Body::Whole(whole), profile)
            }
            [0xff, 0xd8, 0xff, _] => {
                let (whole, header, profile) = jpeg::open(disk, account)?;
                (header, Body::Whole(whole), profile)
            }
            _ => return Err(FrameError::UnknownFormat),
        };
        Ok(Frame {
            header,
            body,
            _profile: profile,
        })
    }

    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The open file, for a look at its bytes.
    pub fn file(&self) -> &std::fs::File {
        match &self.body {
            Body::Tiff(tiff) => tiff.bytes().file(),
            Body::Whole(whole) => whole.disk().file(),
        }
    }

    /// The whole frame, as seen.
    pub fn rect(&self) -> Rect {
        Rect::of_size(self.header.width, self.header.height)
    }

    /// Samples of a rectangle of the frame as seen; it must lie inside.
    pub fn samples(&self, rect: Rect, account: &Account) -> Result<Samples, FrameError> {
        if !self.rect().covers(&rect) {
            return Err(FrameError::Outside {
                wanted: rect,
                has: self.rect(),
            });
        }
        let count = rect.area() * u64::from(self.header.channels);
        let charge = account.charge(
            count.saturating_mul(self.header.kind.buffer_bytes() as u64),
            "samples",
        )?;
        let buffer = if rect.is_empty() {
            super::SampleBuffer::zeros(self.header.kind, 0)
        } else {
            match &self.body {
                Body::Tiff(tiff) => tiff.samples(rect, account)?,
                Body::Whole(whole) => whole.samples(rect, account)?,
            }
        };
        Ok(Samples::new(
            rect,
            usize::from(self.header.channels),
            buffer,
            charge,
        ))
    }

    /// What [`Frame::samples`] of this rectangle would cost. The part outside the frame costs nothing.
    pub fn cost(&self, rect: Rect) -> Cost {
        let rect = rect.intersected(&self.rect());
        if rect.is_empty() {
            return Cost {
                read: 0,
                working: 0,
                kept: 0,
            };
        }
        match &self.body {
            Body::Tiff(tiff) => tiff.cost(rect),
            Body::Whole(whole) => whole.cost(),
        }
    }
}

/// Sides within the caps.
fn check_size(width: u64, height: u64) -> Result<(u32, u32), FrameError> {
    let too_large = FrameError::TooLarge { width, height };
    if width == 0 || height == 0 {
        return Err(FrameError::damaged(
            "the header",
            format!("says it is {width} x {height} px"),
        ));
    }
    let most = u64::from(MAX_SIDE);
    if width > most || height > most || width * height > MAX_PIXELS {
        return Err(too_large);
    }
    Ok((width as u32, height as u32))
}
