//! `curv` and `para` tags to curves (ICC.1:2022, 10.6 and 10.18).

use super::bytes::{be16, be32, fixed, signature};
use super::fault::ProfileError;
use crate::color::formula::Formula;
use crate::color::sampled::Sampled;
use crate::color::tone::Shape;

/// Most entries a `curv` table may have: one for every 16-bit code.
const MOST_ENTRIES: usize = 65536;

/// Least and most light a curve may span.
const LEAST_SPAN: f64 = 1.0 / 256.0;
const MOST_LIGHT: f64 = 4.0;

/// The curve in the bytes of tag `tag`.
pub(super) fn shape(tag: &str, data: &[u8]) -> Result<Shape, ProfileError> {
    let shape = match data.get(..4) {
        Some(b"curv") => table(tag, data),
        Some(b"para") => parameters(tag, data),
        _ => Err(bad(
            tag,
            format!(
                "is of type \"{}\"; a curve is \"curv\" or \"para\"",
                signature(data, 0)
            ),
        )),
    }?;
    let (black, white) = (shape.light(0.0), shape.light(1.0));
    if !(white - black >= LEAST_SPAN && white <= MOST_LIGHT) {
        return Err(fault(
            tag,
            format!(
                "it goes from {black:.6} to {white:.6}; it must rise by at least {LEAST_SPAN:.6} and end at or below \
                 {MOST_LIGHT}"
            ),
        ));
    }
    Ok(shape)
}

fn table(tag: &str, data: &[u8]) -> Result<Shape, ProfileError> {
    let count = be32(data, 8).ok_or_else(|| too_short(tag, data, 12))? as usize;
    match count {
        0 => return Ok(Shape::Formula(Formula::power(1.0))),
        1 => {
            let gamma = be16(data, 12).ok_or_else(|| too_short(tag, data, 14))?;
            return formula(tag, Formula::power(f64::from(gamma) / 256.0));
        }
        2..=MOST_ENTRIES => {}
        _ => {
            return Err(fault(
                tag,
                format!("it says it has {count} entries; at most {MOST_ENTRIES} are read"),
            ));
        }
    }
    let needed = 12 + 2 * count;
    let entries = data
        .get(12..needed)
        .ok_or_else(|| too_short(tag, data, needed))?
        .chunks_exact(2)
        .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
        .collect();
    Sampled::new(entries)
        .map(Shape::Sampled)
        .map_err(|reason| fault(tag, reason))
}

fn parameters(tag: &str, data: &[u8]) -> Result<Shape, ProfileError> {
    let kind = be16(data, 8).ok_or_else(|| too_short(tag, data, 12))?;
    let count = match kind {
        0 => 1,
        1 => 3,
        2 => 4,
        3 => 5,
        4 => 7,
        _ => {
            return Err(bad(
                tag,
                format!("is a parametric curve of type {kind}; types 0 to 4 are defined"),
            ));
        }
    };
    let values: Option<Vec<f64>> = (0..count)
        .map(|index| fixed(data, 12 + 4 * index).map(|value| f64::from(value) / 65536.0))
        .collect();
    let values = values.ok_or_else(|| too_short(tag, data, 12 + 4 * count))?;
    let stated = Formula::of_kind(kind, &values)
        .ok_or_else(|| bad(tag, format!("has {count} parameters for type {kind}")))?;
    formula(tag, exact(stated))
}

/// The standard's own curve where the parameters are its roundings to s15Fixed16: sRGB's 1 / 12.92, say, loses 1 part in
/// 11,000 in the file, and what was meant is known.
fn exact(stated: Formula) -> Formula {
    [Formula::SRGB, Formula::REC2020, Formula::ROMM]
        .into_iter()
        .find(|standard| {
            let [g, a, b, c, d, e, f] = standard.rounded().map(|value| f64::from(value) / 65536.0);
            stated
                == Formula {
                    g,
                    a,
                    b,
                    c,
                    d,
                    e,
                    f,
                }
        })
        .unwrap_or(stated)
}

fn formula(tag: &str, formula: Formula) -> Result<Shape, ProfileError> {
    match formula.fault() {
        Some(reason) => Err(fault(tag, reason)),
        None => Ok(Shape::Formula(formula)),
    }
}

fn fault(tag: &str, reason: String) -> ProfileError {
    ProfileError::Curve {
        tag: tag.into(),
        reason,
    }
}

fn bad(tag: &str, reason: String) -> ProfileError {
    ProfileError::BadTag {
        tag: tag.into(),
        reason,
    }
}

fn too_short(tag: &str, data: &[u8], needed: usize) -> ProfileError {
    bad(tag, format!("has {} bytes and needs {needed}", data.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(kind: &[u8; 4], words: &[u16]) -> Vec<u8> {
        let mut tag = [kind.as_slice(), &[0; 4]].concat();
        tag.extend(words.iter().flat_map(|word| word.to_be_bytes()));
        tag
    }

    /// ICC.1:2022, 10.6: no entry is the identity, one is a u8Fixed8 exponent, more are the curve itself.
    #[test]
    fn curv_of_none_one_and_many() {
        let none = shape("rTRC", &words(b"curv", &[0, 0])).unwrap();
        assert_eq!(none.light(0.3), 0.3);
        let one = shape("rTRC", &words(b"curv", &[0, 1, 0x0200])).unwrap();
        assert_eq!(one.light(0.25), 0.0625);
        let many = shape("rTRC", &words(b"curv", &[0, 3, 0, 16383, 65535])).unwrap();
        assert_eq!(many.light(0.5), 16383.0 / 65535.0);
        assert!((many.light(0.75) - 40959.0 / 65535.0).abs() < 1e-15);
        assert_eq!(many.light(1.0), 1.0);
    }

    /// sRGB rounded to s15Fixed16, as every version 4 sRGB profile has it, is sRGB.
    #[test]
    fn a_standards_rounded_parameters_are_the_standard() {
        let fixed = |value: f64| (value * 65536.0).round() as u32;
        let mut tag = words(b"para", &[3, 0]);
        for value in [2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045] {
            tag.extend(fixed(value).to_be_bytes());
        }
        assert_eq!(shape("rTRC", &tag).unwrap(), Shape::Formula(Formula::SRGB));
        // One unit off is another curve.
        let last = tag.len() - 1;
        tag[last] += 1;
        assert_ne!(shape("rTRC", &tag).unwrap(), Shape::Formula(Formula::SRGB));
    }
}
