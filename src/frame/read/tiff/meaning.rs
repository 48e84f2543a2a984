//! What the samples are: colour, number type, alpha, compression. What is not read is refused by name.

use super::super::FrameError;
use super::super::octets::Octets;
use super::tags::Tags;
use crate::frame::{Alpha, Colour, SampleKind};

/// Channels of one picture, extra ones included.
pub const MAX_CHANNELS: u64 = 64;

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

/// The colour, and whether its gray is stored with 0 as white.
pub fn colour<B: Octets + ?Sized>(tags: &Tags<'_, B>) -> Result<(Colour, bool), FrameError> {
    const REMEDY: &str = "gray and RGB are read: save it as 16-bit RGB with its profile";
    let found = match tags.needed(262, "PhotometricInterpretation")? {
        0 => return Ok((Colour::Gray, true)),
        1 => return Ok((Colour::Gray, false)),
        2 => return Ok((Colour::Rgb, false)),
        3 => "holds palette colour".to_owned(),
        4 => "holds a transparency mask".to_owned(),
        5 => "holds CMYK colour".to_owned(),
        6 => "holds YCbCr colour".to_owned(),
        8..=10 => "holds Lab colour".to_owned(),
        32803 | 34892 => "holds raw sensor data".to_owned(),
        other => format!("holds colour of kind {other} (PhotometricInterpretation)"),
    };
    Err(FrameError::unsupported(found, REMEDY))
}

pub fn kind<B: Octets + ?Sized>(
    tags: &Tags<'_, B>,
    channels: u64,
) -> Result<SampleKind, FrameError> {
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
                format!(
                    "has channels that differ in {name} ({} and {other})",
                    all[0]
                ),
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
            format!("has {bits} bits a sample"),
            REMEDY,
        )),
        (2, _) => Err(FrameError::unsupported(
            format!("has {bits}-bit signed samples"),
            REMEDY,
        )),
        (3, _) => Err(FrameError::unsupported(
            format!("has {bits}-bit float samples"),
            REMEDY,
        )),
        _ => Err(FrameError::unsupported(
            format!("has samples of format {format} (SampleFormat)"),
            REMEDY,
        )),
    }
}

pub fn alpha<B: Octets + ?Sized>(
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

pub fn coding<B: Octets + ?Sized>(
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
                format!("is compressed by the {name} method ({other})"),
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
                format!("has predictor {other}"),
                "1, 2 and 3 are read: save it again as a plain TIFF",
            ));
        }
    };
    // libtiff ignores the tag here, other readers obey it: the samples are ambiguous.
    if predictor != Predictor::None
        && !matches!(compression, Compression::Lzw | Compression::Deflate)
    {
        return Err(FrameError::unsupported(
            "has a predictor without LZW or Deflate, which readers understand in two ways",
            "save it again, without compression or with Deflate",
        ));
    }
    Ok((compression, predictor))
}
