//! What a picture file can hold: the words shared by reading and writing.

use crate::color::Named;
use std::fmt;

/// The colour channels of a file, in front of any extra ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Colour {
    Gray,
    Rgb,
}

impl Colour {
    /// 1 or 3.
    pub fn channels(self) -> usize {
        match self {
            Colour::Gray => 1,
            Colour::Rgb => 3,
        }
    }
}

/// What the alpha channel does to the colour beside it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Alpha {
    None,
    /// Encoded colour is already multiplied by alpha (TIFF ExtraSamples 1).
    Associated,
    /// Colour stands for itself (TIFF ExtraSamples 2, PNG).
    Unassociated,
}

/// How one sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleKind {
    U8,
    U16,
    U32,
    F16,
    F32,
}

impl SampleKind {
    /// Bytes of one stored sample.
    pub fn bytes(self) -> usize {
        match self {
            SampleKind::U8 => 1,
            SampleKind::U16 | SampleKind::F16 => 2,
            SampleKind::U32 | SampleKind::F32 => 4,
        }
    }

    /// Bytes of one sample in a [`SampleBuffer`], where half floats are widened.
    pub fn buffer_bytes(self) -> usize {
        match self {
            SampleKind::F16 => 4,
            other => other.bytes(),
        }
    }
}

impl fmt::Display for SampleKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            SampleKind::U8 => "8-bit",
            SampleKind::U16 => "16-bit",
            SampleKind::U32 => "32-bit",
            SampleKind::F16 => "16-bit float",
            SampleKind::F32 => "32-bit float",
        })
    }
}

/// The colour profile a file carries.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Embedded {
    None,
    /// ICC bytes as stored, not yet looked into; at most 16 MiB.
    Icc(Vec<u8>),
    /// Named by a PNG `sRGB` or `cICP` chunk.
    Named(Named),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileFormat {
    Tiff,
    BigTiff,
    Png,
    Jpeg,
}

impl fmt::Display for FileFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            FileFormat::Tiff => "TIFF",
            FileFormat::BigTiff => "BigTIFF",
            FileFormat::Png => "PNG",
            FileFormat::Jpeg => "JPEG",
        })
    }
}

/// How the stored picture is cut into pieces that decode on their own. PNG and JPEG are one piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Chunks {
    /// Pixels of one chunk, in stored (unturned) space.
    pub width: u32,
    pub height: u32,
    pub across: u32,
    pub down: u32,
    /// 1 when samples are interleaved, else the number of channels.
    pub planes: u32,
}

/// A channel by its name, as a painted mask asks for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channel {
    Gray,
    Red,
    Green,
    Blue,
    /// The declared alpha, else the first extra channel of whatever kind.
    Alpha,
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Channel::Gray => "gray",
            Channel::Red => "red",
            Channel::Green => "green",
            Channel::Blue => "blue",
            Channel::Alpha => "alpha",
        })
    }
}

/// What a file says about itself. Sides are as seen, after orientation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Header {
    pub width: u32,
    pub height: u32,
    /// Exif numbering: 1 is upright, 8 is "turn a quarter anticlockwise to see it upright".
    pub orientation: u8,
    pub colour: Colour,
    /// All stored channels, extra ones included.
    pub channels: u16,
    pub alpha: Alpha,
    /// Where the declared alpha stands among the channels; `None` with [`Alpha::None`].
    pub alpha_channel: Option<u16>,
    pub kind: SampleKind,
    pub profile: Embedded,
    pub format: FileFormat,
    pub chunks: Chunks,
}

impl Header {
    /// The index of a channel by name, `None` where the file has none of that name.
    pub fn channel(&self, name: Channel) -> Option<usize> {
        match (name, self.colour) {
            (Channel::Gray, Colour::Gray) | (Channel::Red, Colour::Rgb) => Some(0),
            (Channel::Green, Colour::Rgb) => Some(1),
            (Channel::Blue, Colour::Rgb) => Some(2),
            (Channel::Alpha, colour) => match self.alpha_channel {
                Some(declared) => Some(usize::from(declared)),
                None => {
                    (usize::from(self.channels) > colour.channels()).then_some(colour.channels())
                }
            },
            _ => None,
        }
    }
}

/// Interleaved samples in the machine's own number types.
#[derive(Clone, Debug, PartialEq)]
pub enum SampleBuffer {
    U8(Vec<u8>),
    U16(Vec<u16>),
    U32(Vec<u32>),
    F32(Vec<f32>),
}

impl SampleBuffer {
    /// `count` zeros of the type that holds `kind`.
    pub(super) fn zeros(kind: SampleKind, count: usize) -> SampleBuffer {
        match kind {
            SampleKind::U8 => SampleBuffer::U8(vec![0; count]),
            SampleKind::U16 => SampleBuffer::U16(vec![0; count]),
            SampleKind::U32 => SampleBuffer::U32(vec![0; count]),
            SampleKind::F16 | SampleKind::F32 => SampleBuffer::F32(vec![0.0; count]),
        }
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        match self {
            SampleBuffer::U8(v) => v.len(),
            SampleBuffer::U16(v) => v.len(),
            SampleBuffer::U32(v) => v.len(),
            SampleBuffer::F32(v) => v.len(),
        }
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}
