//! Reading a profile: header, tag table, matrix, curves, description (ICC.1:2022, clauses 7 to 10, and ICC.1:2001-04).

use super::bytes::{be16, be32, fixed, signature};
use super::curve::shape;
use super::fault::ProfileError;
use super::write::primaries_in_pcs;
use crate::color::matrix::{Matrix3, determinant};
use crate::color::named::Named;
use crate::color::tone::Shape;

const MOST_BYTES: usize = 16 << 20;
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
    Ok(Parsed {
        size,
        description: description(tags.find("desc").unwrap_or_default()),
        gray,
        shapes,
        to_pcs,
    })
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
fn description(data: &[u8]) -> String {
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

#[cfg(test)]
mod tests {
    use super::super::write::{with_curves, written};
    use super::*;
    use crate::color::{Decoding, Encoding, Profile, Space};

    fn srgb() -> Vec<u8> {
        written(Named::Srgb)
    }

    /// sRGB's profile with `bytes` written over it at `at`.
    fn patched(at: usize, bytes: &[u8]) -> Vec<u8> {
        let mut icc = srgb();
        icc[at..at + bytes.len()].copy_from_slice(bytes);
        icc
    }

    /// The place of a tag's entry in the table, and of its data.
    fn places(tag: &[u8; 4]) -> (usize, usize) {
        let icc = srgb();
        let entry = (132..).step_by(12).find(|&at| icc[at..at + 4] == *tag);
        let entry = entry.unwrap();
        (entry, be32(&icc, entry + 4).unwrap() as usize)
    }

    fn with_curve(tag: &[u8]) -> Vec<u8> {
        with_curves(Named::Srgb, [tag.to_vec(), tag.to_vec(), tag.to_vec()])
    }

    fn table(entries: &[u16]) -> Vec<u8> {
        let mut tag = b"curv\0\0\0\0".to_vec();
        tag.extend((entries.len() as u32).to_be_bytes());
        tag.extend(entries.iter().flat_map(|entry| entry.to_be_bytes()));
        tag
    }

    fn refusal(icc: &[u8]) -> String {
        Profile::parse(icc).unwrap_err().to_string()
    }

    #[test]
    fn refusals_of_the_header() {
        let said = [
            refusal(&srgb()[..100]),
            refusal(&srgb()[..300]),
            refusal(&vec![0; MOST_BYTES + 1]),
            refusal(&patched(36, b"ac\0p")),
            refusal(&patched(8, &[5, 0x10])),
            refusal(&patched(12, b"link")),
            refusal(&patched(16, b"CMYK")),
            refusal(&patched(16, b"Lab ")),
            refusal(&patched(20, b"Lab ")),
        ];
        insta::assert_snapshot!(said.join("\n"), @r#"
        the profile is cut short: it has 100 bytes and needs 132
        the profile is cut short: it has 300 bytes and needs 552
        the profile has 16777217 bytes; at most 16777216 (16 MiB) are read
        this is not an ICC profile: bytes 36 to 39 are "ac.p" instead of "acsp"
        the profile is of ICC version 5.1; versions 2 and 4 can be read
        the profile is of class "link"; "mntr", "scnr", "prtr" and "spac" describe pictures
        the profile is for the colour space "CMYK"; RGB and gray profiles can be read
        the profile is for the colour space "Lab "; RGB and gray profiles can be read
        the profile connects through "Lab "; profiles of matrix and curves connect through XYZ
        "#);
    }

    #[test]
    fn refusals_of_tags() {
        let (red, red_data) = places(b"rXYZ");
        let (copyright, _) = places(b"cprt");
        let (_, curve_data) = places(b"rTRC");
        let (_, green_data) = places(b"gXYZ");
        let same_primary = srgb()[red_data..red_data + 20].to_vec();
        let said = [
            refusal(&patched(128, &[0, 0, 4, 1])),
            refusal(&patched(red + 4, &[0, 0, 255, 255])),
            refusal(&patched(red + 8, &[255, 255, 255, 255])),
            refusal(&patched(red, b"sXYZ")),
            refusal(&patched(red_data, b"text")),
            refusal(&patched(copyright, b"A2B0")),
            refusal(&patched(copyright, b"B2A1")),
            refusal(&patched(curve_data, b"sf32")),
            refusal(&patched(curve_data + 8, &[0, 5])),
            refusal(&patched(green_data, &same_primary)),
            refusal(&patched(green_data + 12, &[0, 9])),
        ];
        insta::assert_snapshot!(said.join("\n"), @r#"
        the profile says it has 1025 tags; there is room for 35
        tag "rXYZ" spans 20 bytes from 65535 on, outside the profile's 552 bytes
        tag "rXYZ" spans 4294967295 bytes from 460 on, outside the profile's 552 bytes
        the profile has no "rXYZ" tag
        tag "rXYZ" is of type "text" with 20 bytes; a primary is "XYZ " with 20
        the profile has a look-up table (tag "A2B0"): LUT profiles are not built yet; convert the picture to a profile of matrix and curves
        the profile has a look-up table (tag "B2A1"): LUT profiles are not built yet; convert the picture to a profile of matrix and curves
        tag "rTRC" is of type "sf32"; a curve is "curv" or "para"
        tag "rTRC" is a parametric curve of type 5; types 0 to 4 are defined
        the profile's primaries can't be used: their matrix can't be inverted: its determinant is 0.000000; at least 0.0001 is needed
        the profile's primaries can't be used: white has the luminance 10.000000; it must lie from 0.5 to 2
        "#);
    }

    #[test]
    fn refusals_of_curves() {
        let mut many = table(&[0, 65535]);
        many[8..12].copy_from_slice(&65537u32.to_be_bytes());
        let mut short = table(&[0, 65535]);
        short[11] = 200;
        let said = [
            refusal(&with_curve(&many)),
            refusal(&with_curve(&short)),
            refusal(&with_curve(&table(&[0]))),
            refusal(&with_curve(&table(&[0, 500, 499, 65535]))),
            refusal(&with_curve(&table(&[77, 77, 77]))),
            refusal(&with_curve(&table(&[65535, 0]))),
            refusal(&with_curve(b"para\0\0\0\0\0\0\0\0\0\0\0\0")),
            refusal(&with_curve(b"para\0\0\0\0\0\x03\0\0\0\x01\0\0")),
        ];
        insta::assert_snapshot!(said.join("\n"), @r#"
        the curve "rTRC" can't be used: it says it has 65537 entries; at most 65536 are read
        tag "rTRC" has 16 bytes and needs 412
        the curve "rTRC" can't be used: g is 0.000000 and a is 1.000000; g must lie from 0.1 to 10 and a above 0
        the curve "rTRC" can't be used: it falls from 500 to 499 at entry 2 of 4
        the curve "rTRC" can't be used: it goes from 0.001175 to 0.001175; it must rise by at least 0.003906 and end at or below 4
        the curve "rTRC" can't be used: it falls from 65535 to 0 at entry 1 of 2
        the curve "rTRC" can't be used: g is 0.000000 and a is 1.000000; g must lie from 0.1 to 10 and a above 0
        tag "rTRC" has 16 bytes and needs 32
        "#);
    }

    /// Real profiles are padded by writers, and their text is of two kinds.
    #[test]
    fn oddities_are_read() {
        let mut padded = srgb();
        let size = padded.len();
        padded.extend([0; 7]);
        padded[35] ^= 1;
        let profile = Profile::parse(&padded).unwrap();
        assert_eq!(profile.bytes().len(), size);

        let text = |kind: &[u8], rest: &[u8]| description(&[kind, rest].concat());
        let plain = b"\0\0\0\0\0\0\0\x06A\x07b c\0";
        assert_eq!(text(b"desc", plain), "Ab c");
        assert_eq!(text(b"desc", b"\0\0\0\0\xff\xff\xff\xffAb c\0"), "");
        assert_eq!(text(b"mluc", b"\0\0\0\0\xff\xff\xff\xff"), "");
        assert_eq!(text(b"what", b""), "");
        assert_eq!(text(b"", b""), "");
        let two =
            b"\0\0\0\0\0\0\0\x02\0\0\0\x0cdeDE\0\0\0\x02\0\0\0\x28enGB\0\0\0\x02\0\0\0\x2a\0D\0E";
        assert_eq!(text(b"mluc", two), "E");
    }

    /// Reads it and, where that goes well, uses it.
    fn survives(icc: &[u8]) {
        if let Ok(profile) = Profile::parse(icc) {
            let space = Space::of(&profile);
            let light = Decoding::new(&profile, &space).to_space([0.25, 0.5, 0.75]);
            let encoding = Encoding::new(&space, &profile);
            assert!(encoding.unit(light).iter().all(|v| (0.0..=1.0).contains(v)));
        }
    }

    #[test]
    fn cut_off_anywhere_it_is_refused() {
        for name in Named::ALL {
            let icc = written(name);
            for length in 0..icc.len() {
                assert!(Profile::parse(&icc[..length]).is_err(), "{name:?} {length}");
                // The same with an honest size field: what is missing is then inside a tag.
                let mut honest = icc[..length].to_vec();
                if length >= 4 {
                    honest[..4].copy_from_slice(&(length as u32).to_be_bytes());
                }
                assert!(Profile::parse(&honest).is_err(), "{name:?} {length}");
            }
        }
    }

    #[test]
    fn flipped_bytes_never_panic() {
        let sampled: Vec<u16> = (0..64u16).map(|n| n * n * 16).collect();
        let originals = [
            srgb(),
            written(Named::Gray),
            written(Named::A98Rgb),
            with_curve(&table(&sampled)),
        ];
        let mut state = 1u64;
        let mut random = move || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 33) as usize
        };
        let mut used = 0;
        for round in 0..20_000 {
            let mut icc = originals[round % originals.len()].clone();
            for _ in 0..=random() % 4 {
                let at = random() % icc.len();
                icc[at] = random() as u8;
            }
            // Tables take milliseconds to make: use the first readings only.
            match parsed(&icc) {
                Ok(_) if used < 100 => {
                    used += 1;
                    survives(&icc);
                }
                _ => {}
            }
        }
        assert!(used == 100, "{used}");
    }
}
