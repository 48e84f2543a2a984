//! What the tags of a picture say, checked against each other and against the caps, before any sample is read.

use super::super::FrameError;
use super::super::check_size;
use super::super::octets::Octets;
use super::grid::{self, Extent};
use super::ifd::Order;
use super::meaning::{self, Compression, MAX_CHANNELS, Predictor};
use super::tags::Tags;
use crate::budget::{Account, Charge};
use crate::frame::{Alpha, Chunks, Colour, SampleKind};

/// Bytes of one decoded chunk; it is streamed, never held whole.
const MAX_CHUNK_BYTES: u64 = 1 << 36;

/// Everything needed to decode any chunk. Sides are stored ones, before orientation.
#[derive(Debug)]
pub struct Layout {
    pub width: u32,
    pub height: u32,
    pub orientation: u8,
    pub colour: Colour,
    pub channels: usize,
    pub alpha: Alpha,
    pub alpha_channel: Option<u16>,
    pub kind: SampleKind,
    /// MinIsWhite: the gray channel is stored upside down.
    pub inverted: bool,
    pub order: Order,
    pub compression: Compression,
    pub predictor: Predictor,
    pub chunks: Chunks,
    pub tiled: bool,
    /// Plane by plane, row by row.
    pub extents: Vec<Extent>,
    _charge: Charge,
}

impl Layout {
    pub fn read(
        tags: &Tags<'_, impl Octets + ?Sized>,
        account: &Account,
    ) -> Result<Layout, FrameError> {
        if tags.number(254, 0)? & 0b101 != 0 {
            return Err(FrameError::unsupported(
                "begins with a reduced preview or a transparency mask",
                "the first picture of a TIFF must be the full one: save it again as a plain TIFF",
            ));
        }
        let (width, height) = check_size(tags.needed(256, "width")?, tags.needed(257, "height")?)?;
        let channels = tags.number(277, 1)?;
        if channels == 0 || channels > MAX_CHANNELS {
            return Err(FrameError::unsupported(
                format!("says it has {channels} channels"),
                "1 to 64 are read: save it as gray or RGB",
            ));
        }
        let (colour, inverted) = meaning::colour(tags)?;
        let kind = meaning::kind(tags, channels)?;
        if inverted && matches!(kind, SampleKind::F16 | SampleKind::F32) {
            return Err(FrameError::unsupported(
                "holds float samples where 0 is white",
                "save it with 0 as black (PhotometricInterpretation 1)",
            ));
        }
        let (alpha, alpha_channel) = meaning::alpha(tags, channels, colour)?;
        if tags.number(266, 1)? != 1 {
            return Err(FrameError::unsupported(
                "stores its bits in reverse (FillOrder 2)",
                "FillOrder 1 is read: save it again as a plain TIFF",
            ));
        }
        let (compression, predictor) = meaning::coding(tags, kind)?;
        let (chunks, tiled) = grid::chunks(tags, width, height, channels)?;
        let in_chunk = if chunks.planes == 1 { channels } else { 1 };
        let chunk_bytes = u64::from(chunks.width) * u64::from(chunks.height);
        if chunk_bytes.saturating_mul(in_chunk * kind.bytes() as u64) > MAX_CHUNK_BYTES {
            return Err(FrameError::damaged(
                "the layout",
                format!("says one tile has {} x {} px", chunks.width, chunks.height),
            ));
        }
        let (extents, charge) = grid::extents(tags, &chunks, tiled, account)?;
        Ok(Layout {
            width,
            height,
            orientation: match tags.number(274, 1)? {
                turned @ 2..=8 => turned as u8,
                _ => 1,
            },
            colour,
            channels: channels as usize,
            alpha,
            alpha_channel,
            kind,
            inverted,
            order: tags.directory.order,
            compression,
            predictor,
            chunks,
            tiled,
            extents,
            _charge: charge,
        })
    }

    /// "strip 3" or "tile 12", counted from 0, for messages.
    pub fn chunk_name(&self, index: usize) -> String {
        let word = if self.tiled { "tile" } else { "strip" };
        format!("{word} {index} of {}", self.extents.len())
    }
}
