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
    let chad = adaptation(xyz_of(name.white()), PCS_WHITE);
    let mut tags: Vec<([u8; 4], Vec<u8>)> = vec![
        (*b"desc", text(name.description())),
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
    let curve = curve(name);
    if name.is_gray() {
        tags.push((*b"kTRC", curve));
    } else {
        let colorants = rounded_colorants(name);
        for (column, tag) in [*b"rXYZ", *b"gXYZ", *b"bXYZ"].into_iter().enumerate() {
            tags.push((tag, numbers(*b"XYZ ", &colorants.map(|row| row[column]))));
        }
        for tag in [*b"rTRC", *b"gTRC", *b"bTRC"] {
            tags.push((tag, curve.clone()));
        }
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
