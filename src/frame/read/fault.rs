//! Why a file could not be read: numbers, what is allowed, what to do. A sentence without its
//! subject: the caller writes the file's name before it ("nib-04.tif holds CMYK colour; ...").

use super::{MAX_PIXELS, MAX_SIDE};
use crate::budget::OverBudget;
use crate::geom::Rect;
use std::fmt;

#[derive(Clone, Debug, PartialEq)]
pub enum FrameError {
    /// The system would not open or read the file.
    System {
        reason: String,
    },
    /// A folder, device, pipe or socket.
    NotAFile {
        found: &'static str,
    },
    /// Neither TIFF, PNG nor JPEG.
    UnknownFormat,
    /// A known format holding something outside what is read.
    Unsupported {
        found: String,
        remedy: &'static str,
    },
    /// The file contradicts itself, ends early or does not decode.
    Damaged {
        place: String,
        fault: String,
    },
    /// Sides or number of pixels beyond the caps.
    TooLarge {
        width: u64,
        height: u64,
    },
    OverBudget(OverBudget),
    /// NaN or infinity, in oriented pixels.
    NotFinite {
        x: i32,
        y: i32,
        channel: usize,
    },
    /// A rectangle or channel the frame does not have; a mistake of the caller.
    Outside {
        wanted: Rect,
        has: Rect,
    },
    NoChannel {
        wanted: usize,
        channels: usize,
    },
}

impl FrameError {
    pub(super) fn damaged(place: impl Into<String>, fault: impl Into<String>) -> FrameError {
        FrameError::Damaged {
            place: place.into(),
            fault: fault.into(),
        }
    }

    pub(super) fn unsupported(found: impl Into<String>, remedy: &'static str) -> FrameError {
        FrameError::Unsupported {
            found: found.into(),
            remedy,
        }
    }
}

impl From<OverBudget> for FrameError {
    fn from(over: OverBudget) -> FrameError {
        FrameError::OverBudget(over)
    }
}

impl fmt::Display for FrameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            FrameError::System { reason } => write!(f, "can't be read: {reason}"),
            FrameError::NotAFile { found } => {
                write!(f, "is {found}; a picture must be a regular file")
            }
            FrameError::UnknownFormat => f.write_str(
                "is not a picture this program reads: TIFF, PNG and JPEG are allowed; \
                 save it as 16-bit TIFF with its profile",
            ),
            FrameError::Unsupported { found, remedy } => write!(f, "{found}; {remedy}"),
            FrameError::Damaged { place, fault } => write!(
                f,
                "is damaged: {place} {fault}; copy or save the file again"
            ),
            FrameError::TooLarge { width, height } => write!(
                f,
                "says it is {width} x {height} px; at most {MAX_SIDE} px a side and {MAX_PIXELS} px in all are read"
            ),
            FrameError::OverBudget(over) => {
                write!(f, "is too large for the memory allowed: {over}")
            }
            FrameError::NotFinite { x, y, channel } => write!(
                f,
                "holds NaN or infinity at pixel {x},{y}, channel {channel} (counted from 0); every sample must be a finite number"
            ),
            FrameError::Outside { wanted, has } => write!(
                f,
                "has {} x {} px; the pixels from {},{} to {},{} are not all inside",
                has.width(),
                has.height(),
                wanted.x0,
                wanted.y0,
                wanted.x1,
                wanted.y1
            ),
            FrameError::NoChannel { wanted, channels } => write!(
                f,
                "has {channels} channels; there is no channel {wanted} (counted from 0)"
            ),
        }
    }
}

impl std::error::Error for FrameError {}
