//! Writing the profiles of the named spaces: version 4.3, parametric curves, a fixed date, no profile ID
//! (ICC.1:2022; zero means "not computed").

use crate::color::formula::s15_fixed16;
use crate::color::matrix::{Matrix3, product};
use crate::color::named::Named;
use crate::color::primaries::{PCS_WHITE, adaptation, rgb_to_xyz, xyz_of};

/// 1 January 2026, 00:00:00: year, month, day, hours, minutes, seconds.
const DATE: [u16; 6] = [2026, 1, 1, 0, 0, 0];

const COPYRIGHT: &str = "Public domain (CC0 1.0)";

/// The ICC bytes of a named space.
pub(in crate::color) fn written(name: Named) -> Vec<u8> {
    with_curves(name, [curve(name), curve(name), curve(name)])
}

/// Gray whose codes are light itself: what a file of coverage says of its samples.
pub(in crate::color) fn linear_gray() -> Vec<u8> {
    // A `curv` tag without entries is the identity (ICC.1:2022, 10.6).
    let identity = || b"curv\0\0\0\0\0\0\0\0".to_vec();
    let curves = [identity(), identity(), identity()];
    described(Named::Gray, "Gray, linear", curves)
}

/// The profile of a named space with other curves: whole tags. Gray takes the first.
pub(super) fn with_curves(name: Named, curves: [Vec<u8>; 3]) -> Vec<u8> {
    described(name, name.description(), curves)
}

fn described(name: Named, words: &str, curves: [Vec<u8>; 3]) -> Vec<u8> {
    let chad = adaptation(xyz_of(name.white()), PCS_WHITE);
    let mut tags: Vec<([u8; 4], Vec<u8>)> = vec![
        (*b"desc", text(words)),
        (*b"cprt", text(COPYRIGHT)),
        (*b"wtpt", numbers(*b"XYZ ", &PCS_WHITE.map(s15_fixed16))),
        (
            *b"chad",
            numbers(
                *b"sf32",
                &chad
                    .as_flattened()
                    .iter()
                    .map(|&v| s15_fixed16(v))
                    .collect::<Vec<i32>>(),
            ),
        ),
    ];
    if name.is_gray() {
        tags.extend([*b"kTRC"].into_iter().zip(curves));
    } else {
        let colorants = rounded_colorants(name);
        for (column, tag) in [*b"rXYZ", *b"gXYZ", *b"bXYZ"].into_iter().enumerate() {
            let primary = colorants.map(|row| row[column]);
            tags.push((tag, numbers(*b"XYZ ", &primary)));
        }
        tags.extend([*b"rTRC", *b"gTRC", *b"bTRC"].into_iter().zip(curves));
    }
    assembled(name, &tags)
}

/// Linear RGB to XYZ D50 as the profile of `name` holds it, rounding included.
pub(super) fn primaries_in_pcs(name: Named) -> Matrix3 {
    rounded_colorants(name).map(|row| row.map(|value| f64::from(value) / 65536.0))
}

/// The adapted primaries as s15Fixed16 numbers, row by row, rounded so that each row adds up to the connection
/// space's white: white stays white, and grays neutral, to the last bit.
fn rounded_colorants(name: Named) -> [[i32; 3]; 3] {
    let to_xyz = rgb_to_xyz(name.primaries(), name.white());
    let exact = product(&adaptation(xyz_of(name.white()), PCS_WHITE), &to_xyz);
    let mut rounded = exact.map(|row| row.map(s15_fixed16));
    for ((row, wanted), white) in rounded.iter_mut().zip(&exact).zip(PCS_WHITE) {
        let excess = row.iter().sum::<i32>() - s15_fixed16(white);
        // The numbers that were rounded furthest in the direction of the excess give way, one unit each.
        let step = excess.signum();
        for _ in 0..excess.abs() {
            let overshoot = |column: usize| {
                f64::from(step) * (f64::from(row[column]) - wanted[column] * 65536.0)
            };
            let mut furthest = 0;
            for column in 1..3 {
                if overshoot(column) > overshoot(furthest) {
                    furthest = column;
                }
            }
            row[furthest] -= step;
        }
    }
    rounded
}

/// A `para` tag: type 0 for a plain power, type 3 for one with a straight foot.
fn curve(name: Named) -> Vec<u8> {
    let formula = name.curve();
    let [g, a, b, c, d, _, _] = formula.rounded();
    let (kind, values): (u16, &[i32]) = if formula.d > 0.0 {
        (3, &[g, a, b, c, d])
    } else {
        (0, &[g])
    };
    let mut out = b"para\0\0\0\0".to_vec();
    out.extend(kind.to_be_bytes());
    out.extend([0, 0]);
    for value in values {
        out.extend(value.to_be_bytes());
    }
    out
}

fn numbers(kind: [u8; 4], values: &[i32]) -> Vec<u8> {
    let mut out = kind.to_vec();
    out.extend([0; 4]);
    for value in values {
        out.extend(value.to_be_bytes());
    }
    out
}

/// A multiLocalizedUnicodeType with one record, en-US.
fn text(words: &str) -> Vec<u8> {
    let units: Vec<u16> = words.encode_utf16().collect();
    let mut out = b"mluc\0\0\0\0".to_vec();
    out.extend(1u32.to_be_bytes());
    out.extend(12u32.to_be_bytes());
    out.extend(b"enUS");
    out.extend((2 * units.len() as u32).to_be_bytes());
    out.extend(28u32.to_be_bytes());
    for unit in units {
        out.extend(unit.to_be_bytes());
    }
    out
}

/// Header, tag table and data; equal data is stored once, everything begins at a multiple of four.
fn assembled(name: Named, tags: &[([u8; 4], Vec<u8>)]) -> Vec<u8> {
    let first = 128 + 4 + 12 * tags.len();
    let mut table = (tags.len() as u32).to_be_bytes().to_vec();
    let mut data: Vec<u8> = Vec::new();
    let mut placed: Vec<(&[u8], usize)> = Vec::new();
    for (tag, content) in tags {
        let known = placed.iter().find(|(other, _)| other == content);
        let offset = match known {
            Some(&(_, offset)) => offset,
            None => {
                let offset = first + data.len();
                data.extend(content);
                data.resize(data.len().next_multiple_of(4), 0);
                placed.push((content, offset));
                offset
            }
        };
        table.extend(tag);
        table.extend((offset as u32).to_be_bytes());
        table.extend((content.len() as u32).to_be_bytes());
    }
    let mut out = header(name, first + data.len());
    out.extend(table);
    out.extend(data);
    out
}

fn header(name: Named, size: usize) -> Vec<u8> {
    let mut out = (size as u32).to_be_bytes().to_vec();
    out.extend([0; 4]); // preferred engine: none
    out.extend(0x0430_0000u32.to_be_bytes());
    out.extend(b"mntr");
    out.extend(if name.is_gray() { b"GRAY" } else { b"RGB " });
    out.extend(b"XYZ ");
    for field in DATE {
        out.extend(field.to_be_bytes());
    }
    out.extend(b"acsp");
    out.resize(64, 0); // platform, flags, maker, model, attributes: none
    out.extend(1u32.to_be_bytes()); // media-relative colorimetric
    for value in PCS_WHITE.map(s15_fixed16) {
        out.extend(value.to_be_bytes());
    }
    out.resize(128, 0); // creator and profile ID: none
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::color::Profile;

    /// Field by field as ICC.1:2022, 7.2 has it.
    #[test]
    fn header_of_srgb() {
        let icc = written(Named::Srgb);
        assert_eq!(icc[0..4], (icc.len() as u32).to_be_bytes());
        assert_eq!(icc[8..12], [4, 0x30, 0, 0]);
        assert_eq!(icc[12..24], *b"mntrRGB XYZ ");
        assert_eq!(icc[36..40], *b"acsp");
        assert_eq!(icc[64..68], [0, 0, 0, 1]);
        let white = [0, 0, 0xF6, 0xD6, 0, 1, 0, 0, 0, 0, 0xD3, 0x2D];
        assert_eq!(icc[68..80], white);
        assert_eq!(icc.len() % 4, 0);
    }

    /// The colorants of a version 4 sRGB profile by Little CMS, to six places: two units of 1/65536.
    #[test]
    fn colorants_of_srgb() {
        let wanted = [
            [0.436041, 0.385113, 0.143046],
            [0.222485, 0.716905, 0.060610],
            [0.013920, 0.097067, 0.713913],
        ];
        for (row, wanted) in primaries_in_pcs(Named::Srgb).iter().zip(wanted) {
            for (cell, wanted) in row.iter().zip(wanted) {
                assert!((cell - wanted).abs() < 2.0 / 65536.0, "{cell} {wanted}");
            }
        }
    }

    #[test]
    fn colorants_add_up_to_white_and_stay_within_a_unit() {
        for name in Named::ALL {
            let to_xyz = rgb_to_xyz(name.primaries(), name.white());
            let exact = product(&adaptation(xyz_of(name.white()), PCS_WHITE), &to_xyz);
            for (row, rounded) in rounded_colorants(name).iter().enumerate() {
                assert_eq!(rounded.iter().sum::<i32>(), s15_fixed16(PCS_WHITE[row]));
                for (cell, exact) in rounded.iter().zip(exact[row]) {
                    assert!((f64::from(*cell) - exact * 65536.0).abs() < 1.0, "{name:?}");
                }
            }
        }
    }

    /// Parametric curve type 3 of sRGB as generated profiles hold it: 2.4, .947867, .052133, .077399, .04045.
    #[test]
    fn curve_of_srgb() {
        let tag = curve(Named::Srgb);
        assert_eq!(tag[..12], *b"para\0\0\0\0\0\x03\0\0");
        for (index, wanted) in [2.4, 0.947867, 0.052133, 0.077399, 0.04045]
            .iter()
            .enumerate()
        {
            let at = 12 + 4 * index;
            let value = i32::from_be_bytes([tag[at], tag[at + 1], tag[at + 2], tag[at + 3]]);
            assert!((f64::from(value) / 65536.0 - wanted).abs() < 1.0 / 65536.0);
        }
    }

    #[test]
    fn bytes_come_back_as_the_same_profile() {
        for name in Named::ALL {
            let profile = Profile::named(name);
            let mut bytes = profile.bytes().to_vec();
            assert_eq!(bytes, written(name));
            // A changed date: read anew, not recognised.
            bytes[35] ^= 1;
            let read = Profile::parse(&bytes).unwrap();
            assert!(read.same_colours(&profile), "{name:?}");
            assert_eq!(read.description(), name.description());
            assert_eq!(read.is_gray(), name.is_gray());
            for other in Named::ALL {
                assert_eq!(read.same_colours(&Profile::named(other)), other == name);
            }
        }
    }
}
