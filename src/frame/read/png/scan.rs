//! The chunks of a PNG that say what its samples mean: IHDR, cICP, iCCP, sRGB, tRNS, eXIf.
//!
//! Every chunk's extent lies inside the file, profiles inflate to at most 16 MiB, and a file without its end
//! mark is refused as cut short.

use super::super::octets::{Disk, Octets, inside};
use super::super::{FrameError, MAX_ICC, check_size};
use crate::budget::{Account, Charge};
use crate::color::Named;
use crate::frame::Embedded;
use miniz_oxide::inflate::decompress_to_vec_zlib_with_limit;

/// More chunks than this is no picture: a gigapixel in chunks of 8 KiB has a tenth of it.
const MAX_CHUNKS: u32 = 1 << 20;
const MAX_EXIF: u32 = 1 << 20;

#[derive(Debug)]
pub struct Scan {
    pub width: u32,
    pub height: u32,
    pub bits: u8,
    /// PNG's own number: 0 gray, 2 RGB, 3 palette, 4 gray and alpha, 6 RGB and alpha.
    pub colour_type: u8,
    pub interlaced: bool,
    /// Whether a tRNS chunk stands before the pixels.
    pub transparency: bool,
    pub profile: Embedded,
    pub exif: Option<Vec<u8>>,
    /// Pays for the profile.
    pub charge: Option<Charge>,
}

struct Chunk {
    kind: [u8; 4],
    at: u64,
    len: u32,
}

pub fn scan(disk: &Disk, account: &Account) -> Result<Scan, FrameError> {
    let first = chunk(disk, 8)?;
    if &first.kind != b"IHDR" || first.len != 13 {
        return Err(FrameError::damaged(
            "the PNG",
            "does not begin with an IHDR chunk",
        ));
    }
    let mut head = [0; 13];
    disk.read(first.at, &mut head, "the IHDR chunk")?;
    let side = |k: usize| {
        u64::from(u32::from_be_bytes([
            head[k],
            head[k + 1],
            head[k + 2],
            head[k + 3],
        ]))
    };
    let (width, height) = check_size(side(0), side(4))?;
    let mut scan = Scan {
        width,
        height,
        bits: head[8],
        colour_type: head[9],
        interlaced: head[12] == 1,
        transparency: false,
        profile: Embedded::None,
        exif: None,
        charge: None,
    };
    let allowed: &[u8] = match scan.colour_type {
        0 => &[1, 2, 4, 8, 16],
        3 => &[1, 2, 4, 8],
        2 | 4 | 6 => &[8, 16],
        _ => &[],
    };
    if !allowed.contains(&scan.bits) || head[10] != 0 || head[11] != 0 || head[12] > 1 {
        return Err(FrameError::damaged(
            "the IHDR chunk",
            format!(
                "says {} bits of colour type {}, which PNG does not have",
                scan.bits, scan.colour_type
            ),
        ));
    }
    let (mut pixels, mut named, mut icc, mut srgb) = (false, None, None, false);
    let mut at = first.at + 13 + 4;
    for _ in 0..MAX_CHUNKS {
        let chunk = chunk(disk, at)?;
        match &chunk.kind {
            b"IEND" if !pixels => {
                return Err(FrameError::damaged(
                    "the PNG",
                    "has no pixels (no IDAT chunk)",
                ));
            }
            b"IEND" => {
                // PNG third edition, 13.15: cICP before iCCP before sRGB.
                scan.profile = match (named, icc, srgb) {
                    (Some(named), _, _) => Embedded::Named(named),
                    (None, Some(chunk), _) => {
                        let (bytes, charge) = profile(disk, &chunk, account)?;
                        scan.charge = Some(charge);
                        Embedded::Icc(bytes)
                    }
                    (None, None, true) => Embedded::Named(Named::Srgb),
                    (None, None, false) => Embedded::None,
                };
                return Ok(scan);
            }
            b"IDAT" => pixels = true,
            b"tRNS" if !pixels => scan.transparency = true,
            b"cICP" if !pixels && chunk.len == 4 => {
                let mut points = [0; 4];
                disk.read(chunk.at, &mut points, "the cICP chunk")?;
                named = code_points(points);
            }
            b"sRGB" if !pixels => srgb = true,
            b"eXIf" if chunk.len > MAX_EXIF => {
                return Err(FrameError::damaged(
                    "the eXIf chunk",
                    format!("has {} bytes; at most {MAX_EXIF} are read", chunk.len),
                ));
            }
            b"eXIf" => {
                let mut block = vec![0; chunk.len as usize];
                disk.read(chunk.at, &mut block, "the eXIf chunk")?;
                scan.exif = Some(block);
            }
            _ => {}
        }
        at = chunk.at + u64::from(chunk.len) + 4;
        if &chunk.kind == b"iCCP" && !pixels {
            icc = Some(chunk);
        }
    }
    Err(FrameError::damaged(
        "the PNG",
        format!("has more than {MAX_CHUNKS} chunks"),
    ))
}

fn chunk(disk: &Disk, at: u64) -> Result<Chunk, FrameError> {
    let mut head = [0; 8];
    disk.read(at, &mut head, "the next PNG chunk")?;
    let len = u32::from_be_bytes([head[0], head[1], head[2], head[3]]);
    let kind = [head[4], head[5], head[6], head[7]];
    let name = kind.escape_ascii().to_string();
    inside(
        at + 8,
        u64::from(len) + 4,
        disk.size(),
        &format!("the PNG chunk {name}"),
    )?;
    Ok(Chunk {
        kind,
        at: at + 8,
        len,
    })
}

/// ITU-T H.273 code points that are one of our named profiles: full range, no YCbCr matrix.
fn code_points(points: [u8; 4]) -> Option<Named> {
    match points {
        [1, 13, 0, 1] => Some(Named::Srgb),
        [12, 13, 0, 1] => Some(Named::DisplayP3),
        // Transfer 14 and 15 are the BT.2020 curves for 10 and 12 bits, the same as BT.709's (1).
        [9, 1 | 14 | 15, 0, 1] => Some(Named::Rec2020),
        _ => None,
    }
}

fn profile(disk: &Disk, chunk: &Chunk, account: &Account) -> Result<(Vec<u8>, Charge), FrameError> {
    const WHAT: &str = "the iCCP chunk";
    let len = u64::from(chunk.len);
    if len > MAX_ICC {
        return Err(FrameError::damaged(
            WHAT,
            format!("has {len} bytes; at most {MAX_ICC} are read"),
        ));
    }
    let _reading = account.charge(len, "ICC profiles")?;
    // Deflate gives at most 1032 bytes for one; a growing buffer may hold twice what it needs.
    let most = (len * 1032).min(MAX_ICC);
    let _growing = account.charge(2 * most, "ICC profiles")?;
    let mut raw = vec![0; chunk.len as usize];
    disk.read(chunk.at, &mut raw, WHAT)?;
    // A name of 1 to 79 bytes, a zero, and the compression method 0.
    let name = raw.iter().take(80).position(|byte| *byte == 0);
    let packed = match name {
        Some(end) if raw.get(end + 1) == Some(&0) => &raw[end + 2..],
        _ => return Err(FrameError::damaged(WHAT, "has no profile name")),
    };
    let bytes = decompress_to_vec_zlib_with_limit(packed, MAX_ICC as usize).map_err(|_| {
        FrameError::damaged(
            WHAT,
            format!("does not decode to a profile of at most {MAX_ICC} bytes"),
        )
    })?;
    let charge = account.charge(bytes.len() as u64, "ICC profiles")?;
    Ok((bytes, charge))
}
