//! What the tags of a picture say, checked against each other and against the caps, before any sample is read.

use super::super::octets::{Octets, inside};
use super::super::{FrameError, MAX_ICC, check_size};
use super::ifd::{Directory, Order};
use crate::budget::{Account, Charge};
use crate::frame::{Alpha, Chunks, Colour, SampleKind};

/// Channels of one picture, extra ones included.
const MAX_CHANNELS: u64 = 64;
/// Bytes of one decoded chunk; it is streamed, never held whole.
const MAX_CHUNK_BYTES: u64 = 1 << 36;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Compression {
    None,
    Lzw,
    Deflate,
    PackBits,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Predictor {
    None,
    Horizontal,
    Float,
}

/// Where a chunk's compressed bytes lie.
#[derive(Clone, Copy, Debug)]
pub struct Extent {
    pub at: u64,
    pub bytes: u64,
}

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
        bytes: &(impl Octets + ?Sized),
        directory: &Directory,
        account: &Account,
    ) -> Result<Layout, FrameError> {
        let tags = Tags { bytes, directory };
        if tags.number(254, 0)? & 0b101 != 0 {
            return Err(FrameError::unsupported(
                "its first picture is a reduced preview or a transparency mask",
                "the first picture of a TIFF must be the full one: save it again as a plain TIFF",
            ));
        }
        let (width, height) = check_size(tags.needed(256, "width")?, tags.needed(257, "height")?)?;
        let channels = tags.number(277, 1)?;
        if channels == 0 || channels > MAX_CHANNELS {
            return Err(FrameError::unsupported(
                format!("it says it has {channels} channels"),
                "1 to 64 are read: save it as gray or RGB",
            ));
        }
        let (colour, inverted) = colour(&tags)?;
        let kind = kind(&tags, channels)?;
        if inverted && matches!(kind, SampleKind::F16 | SampleKind::F32) {
            return Err(FrameError::unsupported(
                "it holds float samples where 0 is white",
                "save it with 0 as black (PhotometricInterpretation 1)",
            ));
        }
        let (alpha, alpha_channel) = alpha(&tags, channels, colour)?;
        if tags.number(266, 1)? != 1 {
            return Err(FrameError::unsupported(
                "its bits are stored in reverse (FillOrder 2)",
                "FillOrder 1 is read: save it again as a plain TIFF",
            ));
        }
        let (compression, predictor) = coding(&tags, kind)?;
        let (chunks, tiled) = chunks(&tags, width, height, channels)?;
        let in_chunk = if chunks.planes == 1 { channels } else { 1 };
        let chunk_bytes = u64::from(chunks.width) * u64::from(chunks.height);
        if chunk_bytes.saturating_mul(in_chunk * kind.bytes() as u64) > MAX_CHUNK_BYTES {
            return Err(FrameError::damaged(
                "the layout",
                format!("says one tile has {} x {} px", chunks.width, chunks.height),
            ));
        }
        let (extents, charge) = extents(&tags, &chunks, tiled, account)?;
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
            order: directory.order,
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

/// The embedded ICC bytes (tag 34675), unread.
pub fn icc(
    bytes: &(impl Octets + ?Sized),
    directory: &Directory,
    account: &Account,
) -> Result<Option<(Vec<u8>, Charge)>, FrameError> {
    const WHAT: &str = "the ICC profile";
    let Some(entry) = directory.get(34675) else {
        return Ok(None);
    };
    if entry.count == 0 {
        return Ok(None);
    }
    if entry.count > MAX_ICC {
        return Err(FrameError::damaged(
            WHAT,
            format!(
                "says it has {} bytes; at most {MAX_ICC} are read",
                entry.count
            ),
        ));
    }
    inside(entry.at, entry.count, bytes.size(), WHAT)?;
    let charge = account.charge(entry.count, "ICC profiles")?;
    let mut icc = vec![0; entry.count as usize];
    bytes.read(entry.at, &mut icc, WHAT)?;
    Ok(Some((icc, charge)))
}

struct Tags<'a, B: Octets + ?Sized> {
    bytes: &'a B,
    directory: &'a Directory,
}

impl<B: Octets + ?Sized> Tags<'_, B> {
    fn number(&self, tag: u16, otherwise: u64) -> Result<u64, FrameError> {
        Ok(self.directory.number(self.bytes, tag)?.unwrap_or(otherwise))
    }

    fn needed(&self, tag: u16, name: &str) -> Result<u64, FrameError> {
        self.directory.number(self.bytes, tag)?.ok_or_else(|| {
            FrameError::damaged("the image directory", format!("has no {name} (tag {tag})"))
        })
    }

    fn numbers(&self, tag: u16, most: u64) -> Result<Option<Vec<u64>>, FrameError> {
        self.directory.numbers(self.bytes, tag, most)
    }
}

fn colour<B: Octets + ?Sized>(tags: &Tags<'_, B>) -> Result<(Colour, bool), FrameError> {
    const REMEDY: &str = "gray and RGB are read: save it as 16-bit RGB with its profile";
    let found = match tags.needed(262, "PhotometricInterpretation")? {
        0 => return Ok((Colour::Gray, true)),
        1 => return Ok((Colour::Gray, false)),
        2 => return Ok((Colour::Rgb, false)),
        3 => "it holds palette colour".to_owned(),
        4 => "it holds a transparency mask".to_owned(),
        5 => "it holds CMYK colour".to_owned(),
        6 => "it holds YCbCr colour".to_owned(),
        8..=10 => "it holds Lab colour".to_owned(),
        32803 | 34892 => "it holds raw sensor data".to_owned(),
        other => format!("it holds colour of kind {other} (PhotometricInterpretation)"),
    };
    Err(FrameError::unsupported(found, REMEDY))
}

fn kind<B: Octets + ?Sized>(tags: &Tags<'_, B>, channels: u64) -> Result<SampleKind, FrameError> {
    const REMEDY: &str = "8, 16 and 32-bit unsigned and 16 and 32-bit float samples are read: save it with 16 bits a channel";
    // One value may stand for all channels: some writers do so, and libtiff takes it.
    let same = |tag: u16, otherwise: u64, name: &str| -> Result<u64, FrameError> {
        let all = tags.numbers(tag, MAX_CHANNELS)?.unwrap_or(vec![otherwise]);
        if all.len() > 1 && (all.len() as u64) < channels {
            return Err(FrameError::damaged(
                "the image directory",
                format!("has {} values of {name} for {channels} channels", all.len()),
            ));
        }
        match all.iter().find(|value| **value != all[0]) {
            None => Ok(all[0]),
            Some(other) => Err(FrameError::unsupported(
                format!("its channels differ in {name} ({} and {other})", all[0]),
                REMEDY,
            )),
        }
    };
    let bits = same(258, 1, "BitsPerSample")?;
    let format = same(339, 1, "SampleFormat")?;
    // Format 4 is "undefined"; readers take it as unsigned.
    match (format, bits) {
        (1 | 4, 8) => Ok(SampleKind::U8),
        (1 | 4, 16) => Ok(SampleKind::U16),
        (1 | 4, 32) => Ok(SampleKind::U32),
        (3, 16) => Ok(SampleKind::F16),
        (3, 32) => Ok(SampleKind::F32),
        (1 | 4, _) => Err(FrameError::unsupported(
            format!("it has {bits} bits a sample"),
            REMEDY,
        )),
        (2, _) => Err(FrameError::unsupported(
            format!("it has {bits}-bit signed samples"),
            REMEDY,
        )),
        (3, _) => Err(FrameError::unsupported(
            format!("it has {bits}-bit float samples"),
            REMEDY,
        )),
        _ => Err(FrameError::unsupported(
            format!("its samples are of format {format} (SampleFormat)"),
            REMEDY,
        )),
    }
}

fn alpha<B: Octets + ?Sized>(
    tags: &Tags<'_, B>,
    channels: u64,
    colour: Colour,
) -> Result<(Alpha, Option<u16>), FrameError> {
    let own = colour.channels() as u64;
    if channels < own {
        return Err(FrameError::damaged(
            "the image directory",
            format!("says RGB, which needs 3 channels, and has {channels}"),
        ));
    }
    let extra = tags.numbers(338, MAX_CHANNELS)?.unwrap_or_default();
    if extra.len() as u64 > channels - own {
        return Err(FrameError::damaged(
            "the image directory",
            format!(
                "names {} extra channels, but only {} of its {channels} channels are not colour",
                extra.len(),
                channels - own
            ),
        ));
    }
    // The first declared alpha counts; unspecified extra channels (0) are no alpha.
    for (k, meaning) in extra.iter().enumerate() {
        let channel = Some(own as u16 + k as u16);
        match meaning {
            1 => return Ok((Alpha::Associated, channel)),
            2 => return Ok((Alpha::Unassociated, channel)),
            _ => {}
        }
    }
    Ok((Alpha::None, None))
}

fn coding<B: Octets + ?Sized>(
    tags: &Tags<'_, B>,
    kind: SampleKind,
) -> Result<(Compression, Predictor), FrameError> {
    const REMEDY: &str =
        "none, LZW, Deflate and PackBits are read: save it again with one of these compressions";
    let compression = match tags.number(259, 1)? {
        1 => Compression::None,
        5 => Compression::Lzw,
        8 | 32946 => Compression::Deflate,
        32773 => Compression::PackBits,
        other => {
            let name = match other {
                2..=4 => "fax",
                6 | 7 => "JPEG",
                34712 => "JPEG 2000",
                34887 => "LERC",
                34925 => "LZMA",
                50000 => "Zstandard",
                50001 => "WebP",
                50002 => "JPEG XL",
                _ => "unknown",
            };
            return Err(FrameError::unsupported(
                format!("it is compressed by the {name} method ({other})"),
                REMEDY,
            ));
        }
    };
    let predictor = match tags.number(317, 1)? {
        1 => Predictor::None,
        2 => Predictor::Horizontal,
        3 if matches!(kind, SampleKind::F16 | SampleKind::F32) => Predictor::Float,
        3 => {
            return Err(FrameError::damaged(
                "the image directory",
                format!("says predictor 3, which is for float samples, on {kind} ones"),
            ));
        }
        other => {
            return Err(FrameError::unsupported(
                format!("it has predictor {other}"),
                "1, 2 and 3 are read: save it again as a plain TIFF",
            ));
        }
    };
    // libtiff ignores the tag here, other readers obey it: the samples are ambiguous.
    if predictor != Predictor::None
        && !matches!(compression, Compression::Lzw | Compression::Deflate)
    {
        return Err(FrameError::unsupported(
            "it has a predictor without LZW or Deflate, which readers understand in two ways",
            "save it again, without compression or with Deflate",
        ));
    }
    Ok((compression, predictor))
}

fn chunks<B: Octets + ?Sized>(
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
    let allowed = 1..=u64::from(super::super::MAX_SIDE);
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

fn extents<B: Octets + ?Sized>(
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
