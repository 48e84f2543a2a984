//! Reading a profile: header, tag table, matrix, curves, description (ICC.1:2022, clauses 7 to 10, and ICC.1:2001-04).

use super::bytes::{be16, be32, fixed, signature};
use super::curve::shape;
use super::fault::ProfileError;
use super::write::primaries_in_pcs;
use crate::color::matrix::{Matrix3, determinant, inverse};
use crate::color::named::Named;
use crate::color::primaries::{PCS_WHITE, adaptation, xyz_of};
use crate::color::tone::Shape;

pub(super) const MOST_BYTES: usize = 16 << 20;
const HEADER: usize = 128;
const MOST_TAGS: u32 = 1024;

/// The least volume that red, green and blue may span: sRGB's is 0.199.
const LEAST_DETERMINANT: f64 = 1e-4;

/// What a profile says.
#[derive(Debug)]
pub(in crate::color) struct Parsed {
    /// The declared size, not above the bytes given.
    pub size: usize,
    pub description: String,
    pub gray: bool,
    /// Three curves, or one for gray.
    pub shapes: Vec<Shape>,
    pub to_pcs: Matrix3,
    /// XYZ D50 back to XYZ under the white the primaries were measured with.
    pub from_d50: Matrix3,
    /// The medium's white, XYZ: what the absolute intent keeps.
    pub media_white: [f64; 3],
}

pub(in crate::color) fn parsed(icc: &[u8]) -> Result<Parsed, ProfileError> {
    let size = declared_size(icc)?;
    let icc = &icc[..size];
    let gray = is_gray(icc)?;
    let tags = Tags::new(icc)?;
    tags.refuse_luts()?;
    let names: &[&'static str] = if gray {
        &["kTRC"]
    } else {
        &["rTRC", "gTRC", "bTRC"]
    };
    let shapes = names
        .iter()
        .map(|name| shape(name, tags.needed(name)?))
        .collect::<Result<Vec<Shape>, ProfileError>>()?;
    let to_pcs = if gray {
        primaries_in_pcs(Named::Gray)
    } else {
        matrix(&tags)?
    };
    let media_white = media_white(&tags);
    let from_d50 = if gray {
        adaptation(PCS_WHITE, xyz_of(Named::Srgb.white()))
    } else {
        own_white(&tags, media_white)
    };
    Ok(Parsed {
        size,
        description: description(tags.find("desc").unwrap_or_default()),
        gray,
        shapes,
        to_pcs,
        from_d50,
        media_white,
    })
}

/// The `wtpt` tag, D50 where there is none or it makes no white.
fn media_white(tags: &Tags<'_>) -> [f64; 3] {
    let white = tags
        .find("wtpt")
        .filter(|data| data.get(..4) == Some(b"XYZ "))
        .map(|data| [0, 1, 2].map(|k| f64::from(fixed(data, 8 + 4 * k).unwrap_or(0)) / 65536.0));
    match white {
        Some(white) if white.iter().all(|v| (0.1..=2.0).contains(v)) => white,
        _ => PCS_WHITE,
    }
}

/// Undoes the adaptation to D50: the inverse of the `chad` tag (ICC.1:2022, 9.2.15), else Bradford to the medium's
/// white, which version 2 profiles state as measured.
fn own_white(tags: &Tags<'_>, media_white: [f64; 3]) -> Matrix3 {
    let chad = tags
        .find("chad")
        .filter(|data| data.get(..4) == Some(b"sf32"))
        .and_then(|data| {
            let mut m = [[0.0; 3]; 3];
            for (k, cell) in m.as_flattened_mut().iter_mut().enumerate() {
                *cell = f64::from(fixed(data, 8 + 4 * k)?) / 65536.0;
            }
            (determinant(&m).abs() > 0.01).then_some(m)
        });
    match chad {
        Some(chad) => inverse(&chad),
        None => adaptation(PCS_WHITE, media_white),
    }
}

fn declared_size(icc: &[u8]) -> Result<usize, ProfileError> {
    if icc.len() > MOST_BYTES {
        return Err(ProfileError::TooLarge {
            size: icc.len() as u64,
        });
    }
    if icc.len() < HEADER + 4 {
        return Err(ProfileError::Truncated {
            size: icc.len() as u64,
            needed: HEADER as u64 + 4,
        });
    }
    if icc[36..40] != *b"acsp" {
        return Err(ProfileError::NotAProfile {
            found: signature(icc, 36),
        });
    }
    let declared = be32(icc, 0).unwrap_or(0).max(HEADER as u32 + 4);
    if declared as usize > icc.len() {
        return Err(ProfileError::Truncated {
            size: icc.len() as u64,
            needed: u64::from(declared),
        });
    }
    Ok(declared as usize)
}

/// Checks the header's version, class and spaces; whether the profile is gray.
fn is_gray(icc: &[u8]) -> Result<bool, ProfileError> {
    let (major, minor) = (icc[8], icc[9] >> 4);
    if major != 2 && major != 4 {
        return Err(ProfileError::Version { major, minor });
    }
    if ![b"mntr", b"scnr", b"prtr", b"spac"].contains(&&[icc[12], icc[13], icc[14], icc[15]]) {
        return Err(ProfileError::Class {
            found: signature(icc, 12),
        });
    }
    let gray = match &icc[16..20] {
        b"RGB " => false,
        b"GRAY" => true,
        _ => {
            return Err(ProfileError::Space {
                found: signature(icc, 16),
            });
        }
    };
    Ok(gray)
}

struct Tags<'a> {
    icc: &'a [u8],
    /// The table's entries: 12 bytes each, signature, offset, length.
    table: &'a [u8],
}

impl<'a> Tags<'a> {
    /// Checks that every tag lies inside the profile.
    fn new(icc: &'a [u8]) -> Result<Tags<'a>, ProfileError> {
        let count = be32(icc, HEADER).unwrap_or(0);
        let room = ((icc.len() - HEADER - 4) / 12) as u32;
        let allowed = room.min(MOST_TAGS);
        if count > allowed {
            return Err(ProfileError::TagCount { count, allowed });
        }
        let start = HEADER + 4;
        let table = &icc[start..start + 12 * count as usize];
        let tags = Tags { icc, table };
        for entry in table.chunks_exact(12) {
            tags.data(entry)?;
        }
        Ok(tags)
    }

    fn data(&self, entry: &[u8]) -> Result<&'a [u8], ProfileError> {
        let (offset, length) = (be32(entry, 4).unwrap_or(0), be32(entry, 8).unwrap_or(0));
        let start = offset as usize;
        start
            .checked_add(length as usize)
            .and_then(|end| self.icc.get(start..end))
            .ok_or_else(|| ProfileError::TagExtent {
                tag: signature(entry, 0),
                offset,
                length,
                size: self.icc.len() as u64,
            })
    }

    /// The bytes of the first tag of that name.
    fn find(&self, name: &str) -> Option<&'a [u8]> {
        let entry = self
            .table
            .chunks_exact(12)
            .find(|entry| entry[..4] == *name.as_bytes())?;
        self.data(entry).ok()
    }

    fn needed(&self, tag: &'static str) -> Result<&'a [u8], ProfileError> {
        self.find(tag).ok_or(ProfileError::MissingTag { tag })
    }

    /// A reader that knows tables prefers them to the matrix and gets other colours: the matrix alone isn't the profile.
    fn refuse_luts(&self) -> Result<(), ProfileError> {
        let tables: [&[u8]; 4] = [b"A2B", b"B2A", b"D2B", b"B2D"];
        match self
            .table
            .chunks_exact(12)
            .find(|entry| tables.contains(&&entry[..3]))
        {
            Some(entry) => Err(ProfileError::Lut {
                tag: signature(entry, 0),
            }),
            None => self.connected_through_xyz(),
        }
    }

    fn connected_through_xyz(&self) -> Result<(), ProfileError> {
        if &self.icc[20..24] == b"XYZ " {
            return Ok(());
        }
        Err(ProfileError::Connection {
            found: signature(self.icc, 20),
        })
    }
}

fn matrix(tags: &Tags<'_>) -> Result<Matrix3, ProfileError> {
    let mut m = [[0.0; 3]; 3];
    for (column, tag) in ["rXYZ", "gXYZ", "bXYZ"].into_iter().enumerate() {
        let data = tags.needed(tag)?;
        if data.get(..4) != Some(b"XYZ ") || data.len() < 20 {
            return Err(ProfileError::BadTag {
                tag: tag.into(),
                reason: format!(
                    "is of type \"{}\" with {} bytes; a primary is \"XYZ \" with 20",
                    signature(data, 0),
                    data.len()
                ),
            });
        }
        for (row, cells) in m.iter_mut().enumerate() {
            cells[column] = f64::from(fixed(data, 8 + 4 * row).unwrap_or(0)) / 65536.0;
        }
    }
    let volume = determinant(&m);
    if volume.abs() < LEAST_DETERMINANT {
        return Err(ProfileError::Matrix {
            reason: format!(
                "their matrix can't be inverted: its determinant is {volume:.6}; at least {LEAST_DETERMINANT} is needed"
            ),
        });
    }
    let white = m[1][0] + m[1][1] + m[1][2];
    if !(0.5..=2.0).contains(&white) {
        return Err(ProfileError::Matrix {
            reason: format!("white has the luminance {white:.6}; it must lie from 0.5 to 2"),
        });
    }
    Ok(m)
}

/// Text of a `desc` tag, in the form of version 2 or 4; empty where there is none that can be read.
pub(super) fn description(data: &[u8]) -> String {
    let text = match data.get(..4) {
        Some(b"desc") => ascii_text(data),
        Some(b"mluc") => localised_text(data),
        _ => None,
    };
    text.unwrap_or_default()
        .chars()
        .filter(|c| !c.is_control())
        .take(200)
        .collect::<String>()
        .trim()
        .to_owned()
}

fn ascii_text(data: &[u8]) -> Option<String> {
    let length = be32(data, 8)? as usize;
    let bytes = data.get(12..12usize.checked_add(length)?)?;
    let text = bytes.split(|&byte| byte == 0).next()?;
    Some(String::from_utf8_lossy(text).into_owned())
}

/// The English record of a multiLocalizedUnicodeType, else the first.
fn localised_text(data: &[u8]) -> Option<String> {
    let count = be32(data, 8)?.min(MOST_TAGS) as usize;
    let record_of = |index: usize| 16 + 12 * index;
    let english = (0..count).find(|&index| {
        let at = record_of(index);
        data.get(at..at + 2) == Some(b"en")
    });
    let record = record_of(english.unwrap_or(0));
    if count == 0 {
        return None;
    }
    let length = be32(data, record + 4)? as usize;
    let start = be32(data, record + 8)? as usize;
    let bytes = data.get(start..start.checked_add(length.min(2 * 1024))?)?;
    let units: Vec<u16> = (0..bytes.len() / 2)
        .filter_map(|index| be16(bytes, 2 * index))
        .take_while(|&unit| unit != 0)
        .collect();
    Some(String::from_utf16_lossy(&units))
}
