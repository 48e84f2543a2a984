//! Points and path data as SVG writes them.
//!
//! Promise: finite numbers within a million pixels, at most 10,000 points or 64 KiB of path data, told otherwise.
//! Path data is read by the room that draws it, which keeps arcs as close to the curve as it keeps everything.

use crate::mask::path_data;
use kurbo::{BezPath, PathEl};

/// Numbers lie within this.
const FAR: f64 = 1_000_000.0;
const POINTS: usize = 10_000;
const PATH_BYTES: usize = 64 << 10;

/// SVG `points`: pairs of numbers, commas and white space between them.
pub fn points(text: &str) -> Result<Vec<[f64; 2]>, String> {
    let mut numbers: Vec<f64> = Vec::new();
    for word in text.split([',', ' ', '\t', '\n', '\r', '\u{0c}']) {
        if word.is_empty() {
            continue;
        }
        let number: f64 = word
            .parse()
            .ok()
            .filter(|_| !word.contains(|c: char| c.is_alphabetic() && c != 'e' && c != 'E'))
            .ok_or_else(|| format!("{} is no number", super::words::shown(word)))?;
        within(number)?;
        numbers.push(number);
        if numbers.len() > 2 * POINTS {
            return Err("there are more than 10,000 points".to_owned());
        }
    }
    if !numbers.len().is_multiple_of(2) {
        return Err(format!(
            "there are {} numbers, so one point has no y",
            numbers.len()
        ));
    }
    Ok(numbers
        .chunks_exact(2)
        .map(|pair| [pair[0], pair[1]])
        .collect())
}

fn within(number: f64) -> Result<(), String> {
    if number.abs() <= FAR {
        Ok(())
    } else {
        Err(format!("{number} is farther than 1,000,000 px away"))
    }
}

/// SVG 2 path data; open sub-paths are closed, since only what they enclose counts.
pub(super) fn path(text: &str) -> Result<BezPath, String> {
    if text.len() > PATH_BYTES {
        return Err(format!("it holds {} bytes, more than 65,536", text.len()));
    }
    let open = path_data(text).map_err(|fault| format!("{fault}"))?;
    let mut path = BezPath::new();
    let mut begun = false;
    for part in open.elements() {
        if let PathEl::MoveTo(_) = part {
            if begun {
                path.close_path();
            }
            begun = false;
        } else {
            begun = !matches!(part, PathEl::ClosePath);
        }
        path.push(*part);
    }
    if begun {
        path.close_path();
    }
    if !path
        .elements()
        .iter()
        .any(|part| !matches!(part, PathEl::MoveTo(_) | PathEl::ClosePath))
    {
        return Err("it draws nothing".to_owned());
    }
    let bounds = path.control_box();
    for number in [bounds.x0, bounds.y0, bounds.x1, bounds.y1] {
        within(number)?;
    }
    // Not a number anywhere hides from the box.
    if !path.is_finite() {
        return Err("a number in it is not finite".to_owned());
    }
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;
    use kurbo::{ParamCurve, Point, Shape};

    /// A circle of two arcs (SVG 2, 9.3.8) is one everywhere: masks promise edges to 1/512 of a pixel.
    #[test]
    fn arcs_are_as_round_as_masks_promise() {
        for radius in [5.0, 50.0, 700.0] {
            let text = format!(
                "M {0} 0 A {1} {1} 0 0 1 -{1} 0 A {1} {1} 0 0 1 {0} 0",
                radius, radius
            );
            for part in path(&text).unwrap().segments() {
                for k in 0..=32 {
                    let off = part.eval(f64::from(k) / 32.0).distance(Point::ZERO) - radius;
                    assert!(off.abs() < 1.0 / 512.0, "radius {radius}: {off}");
                }
            }
        }
    }

    #[test]
    fn open_parts_are_closed_and_far_ones_refused() {
        let closed = path("M 0 0 L 9 0 9 9 M 20 20 h 5 v 5 z").unwrap();
        assert!((closed.area().abs() - (40.5 + 12.5)).abs() < 1e-12);
        assert!(path("M 0 0 L 2000000 0 0 5").is_err());
        assert!(path("M 5 5 m 1 1").is_err());
    }
}
