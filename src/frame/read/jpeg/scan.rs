//! The markers of a JPEG up to its first scan: sides, components, profile, orientation.
//!
//! Layouts after ITU-T T.81 Annex B; ICC segments after ICC.1 Annex B.4; Exif APP1 after CIPA DC-008.

use super::super::octets::{Disk, Octets};
use super::super::{FrameError, MAX_ICC, check_size};
use crate::budget::{Account, Charge};

/// More segments than this before the first scan is no picture.
const MAX_SEGMENTS: u32 = 4096;
const REMEDY: &str = "baseline and progressive JPEG in gray, YCbCr or RGB is read: save it as 16-bit TIFF, or as a plain JPEG";

#[derive(Debug)]
pub struct Scan {
    pub width: u32,
    pub height: u32,
    pub components: u8,
    /// Whether coefficients must wait in memory for later scans.
    pub waits: bool,
    pub icc: Option<Vec<u8>>,
    pub exif: Option<Vec<u8>>,
    /// Pays for the profile.
    pub charge: Option<Charge>,
}

struct FrameHead {
    width: u32,
    height: u32,
    components: u8,
    progressive: bool,
    /// Whether the decoder gets the components right where each has a scan of its own: found by comparing it with
    /// the same coefficients interleaved, for every usual sampling.
    apart_is_safe: bool,
}

pub fn scan(disk: &Disk, account: &Account) -> Result<Scan, FrameError> {
    let mut pieces = Pieces::default();
    let mut head = None;
    let mut exif = None;
    let mut at = 2;
    for _ in 0..MAX_SEGMENTS {
        let (marker, body) = segment(disk, at)?;
        at = body.at + body.len;
        match marker {
            0xc0..=0xcf if !matches!(marker, 0xc4 | 0xc8 | 0xcc) => {
                if head.is_some() {
                    return Err(FrameError::damaged("the JPEG", "has two frame headers"));
                }
                head = Some(frame_head(marker, &body.bytes(disk)?)?);
            }
            0xe1 if exif.is_none() => {
                let bytes = body.bytes(disk)?;
                exif = bytes.strip_prefix(b"Exif\0\0").map(<[u8]>::to_vec);
            }
            0xe2 => pieces.take(disk, &body, account)?,
            0xda => {
                let Some(head) = head else {
                    return Err(FrameError::damaged(
                        "the JPEG",
                        "begins its pixels without a frame header",
                    ));
                };
                let in_scan = body.bytes(disk)?.first().copied().unwrap_or(0);
                let waits = head.progressive || in_scan < head.components;
                // Of such files the decoder mixes up the blocks without saying so.
                if !head.progressive && in_scan < head.components && !head.apart_is_safe {
                    return Err(FrameError::unsupported(
                        "stores its channels one after the other with reduced colour resolution",
                        REMEDY,
                    ));
                }
                let (icc, charge) = pieces.joined(account)?;
                return Ok(Scan {
                    width: head.width,
                    height: head.height,
                    components: head.components,
                    waits,
                    icc,
                    exif,
                    charge,
                });
            }
            0xd9 => return Err(FrameError::damaged("the JPEG", "ends before its pixels")),
            _ => {}
        }
    }
    Err(FrameError::damaged(
        "the JPEG",
        format!("has more than {MAX_SEGMENTS} segments before its pixels"),
    ))
}

struct Body {
    at: u64,
    len: u64,
}

impl Body {
    /// At most 65,533 bytes.
    fn bytes(&self, disk: &Disk) -> Result<Vec<u8>, FrameError> {
        let mut bytes = vec![0; self.len as usize];
        disk.read(self.at, &mut bytes, "a JPEG segment")?;
        Ok(bytes)
    }
}

/// The marker at `at`, after any fill bytes, and its body.
fn segment(disk: &Disk, mut at: u64) -> Result<(u8, Body), FrameError> {
    let mut head = [0; 4];
    disk.read(at, &mut head[..2], "the next JPEG marker")?;
    if head[0] != 0xff {
        return Err(FrameError::damaged(
            "the JPEG",
            format!("has no marker at byte {at}, where one must be"),
        ));
    }
    while head[1] == 0xff {
        at += 1;
        disk.read(at, &mut head[..2], "the next JPEG marker")?;
    }
    let marker = head[1];
    // Markers without a body.
    if matches!(marker, 0x01 | 0xd0..=0xd9) {
        return Ok((marker, Body { at: at + 2, len: 0 }));
    }
    disk.read(at, &mut head, "the next JPEG segment")?;
    let len = u64::from(u16::from_be_bytes([head[2], head[3]]));
    if len < 2 {
        return Err(FrameError::damaged(
            "the JPEG",
            format!("has a segment of {len} bytes at byte {at}; at least 2 are needed"),
        ));
    }
    Ok((
        marker,
        Body {
            at: at + 4,
            len: len - 2,
        },
    ))
}

fn frame_head(marker: u8, body: &[u8]) -> Result<FrameHead, FrameError> {
    let refused = |found: String| FrameError::unsupported(found, REMEDY);
    match marker {
        0xc0..=0xc2 => {}
        0xc3 => return Err(refused("is a lossless JPEG".to_owned())),
        0xc9..=0xcb => return Err(refused("is an arithmetic-coded JPEG".to_owned())),
        _ => return Err(refused("is a hierarchical JPEG".to_owned())),
    }
    let [bits, h1, h0, w1, w0, components, rest @ ..] = body else {
        return Err(FrameError::damaged("the JPEG frame header", "is too short"));
    };
    if *bits != 8 {
        return Err(refused(format!("has {bits} bits a sample")));
    }
    match components {
        1 | 3 => {}
        4 => return Err(refused("holds CMYK colour".to_owned())),
        other => return Err(refused(format!("has {other} channels"))),
    }
    if rest.len() != 3 * usize::from(*components) {
        return Err(FrameError::damaged(
            "the JPEG frame header",
            format!("has {} bytes for {components} channels", rest.len()),
        ));
    }
    let sampling = || rest.chunks_exact(3).map(|component| component[1]);
    if let Some(odd) =
        sampling().find(|s| !(1..=4).contains(&(s >> 4)) || !(1..=4).contains(&(s & 15)))
    {
        return Err(FrameError::damaged(
            "the JPEG frame header",
            format!(
                "says sampling {} x {}; 1 to 4 are possible",
                odd >> 4,
                odd & 15
            ),
        ));
    }
    let (width, height) = check_size(
        u64::from(u16::from_be_bytes([*w1, *w0])),
        u64::from(u16::from_be_bytes([*h1, *h0])),
    )?;
    Ok(FrameHead {
        width,
        height,
        components: *components,
        progressive: marker == 0xc2,
        apart_is_safe: sampling()
            .skip(1)
            .all(|s| s == rest[1] || (rest[1] == 0x21 && s == 0x11)),
    })
}

/// The numbered pieces of a profile, as they come.
#[derive(Default)]
struct Pieces {
    /// Sequence number and bytes.
    found: Vec<(u8, Vec<u8>)>,
    count: u8,
    total: u64,
    /// Pay for the pieces while they wait.
    charges: Vec<Charge>,
}

impl Pieces {
    fn take(&mut self, disk: &Disk, body: &Body, account: &Account) -> Result<(), FrameError> {
        const NAME: &[u8] = b"ICC_PROFILE\0";
        let bytes = body.bytes(disk)?;
        let Some([number, count, piece @ ..]) = bytes.strip_prefix(NAME) else {
            return Ok(());
        };
        self.total += piece.len() as u64;
        if self.total > MAX_ICC {
            return Err(FrameError::damaged(
                "the ICC profile",
                format!("has more than {MAX_ICC} bytes"),
            ));
        }
        self.charges
            .push(account.charge(piece.len() as u64, "ICC profiles")?);
        self.count = *count;
        self.found.push((*number, piece.to_vec()));
        Ok(())
    }

    /// Pieces 1 to n, each once, in whatever order they stood.
    fn joined(
        mut self,
        account: &Account,
    ) -> Result<(Option<Vec<u8>>, Option<Charge>), FrameError> {
        if self.found.is_empty() {
            return Ok((None, None));
        }
        self.found.sort_by_key(|(number, _)| *number);
        let whole = self
            .found
            .iter()
            .zip(1..)
            .all(|((number, _), expected)| u16::from(*number) == expected);
        if !whole || self.found.len() != usize::from(self.count) {
            return Err(FrameError::damaged(
                "the ICC profile",
                format!("has {} of its {} pieces", self.found.len(), self.count),
            ));
        }
        let charge = account.charge(self.total, "ICC profiles")?;
        let icc = self.found.into_iter().flat_map(|(_, piece)| piece);
        Ok((Some(icc.collect()), Some(charge)))
    }
}
