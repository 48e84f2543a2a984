//! SVG 2 path data as lines and Bezier curves; arcs become curves within 0.0001 px of the arc.
//!
//! The whole text must be path data: what SVG renderers draw up to the first fault is refused here, with its place.
//! Numbers lie within 10^9. Flags of arcs may be packed ("a5 5 0 015 5"), as the grammar allows.

use std::f64::consts::{FRAC_PI_2, PI};
use std::fmt;

use kurbo::{BezPath, Point, Vec2};

/// Numbers lie within this.
const FAR: f64 = 1e9;

/// Furthest distance of an arc's curves from the arc, px.
const ARC_ERROR: f64 = 1e-4;

/// Why a text is no path data; `at` counts bytes from its beginning.
#[derive(Clone, Debug, PartialEq)]
pub enum PathFault {
    /// Path data begins with M or m.
    NoMove { at: usize },
    /// A letter that is no command.
    Command { at: usize, found: char },
    /// A number is expected.
    Number { at: usize },
    /// A flag of an arc, 0 or 1, is expected.
    Flag { at: usize },
    /// A number, or a point reached by adding them up, beyond 10^9.
    Far { at: usize, value: f64 },
}

impl fmt::Display for PathFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let byte = |at: &usize| at + 1;
        match self {
            PathFault::NoMove { at } => {
                write!(f, "it must begin with M or m, at character {}", byte(at))
            }
            PathFault::Command { at, found } => write!(
                f,
                "`{}` at character {} is no command; M L H V C S Q T A Z are, and the same in small letters",
                found.escape_debug(),
                byte(at)
            ),
            PathFault::Number { at } => write!(f, "a number is missing at character {}", byte(at)),
            PathFault::Flag { at } => write!(
                f,
                "an arc's flag, 0 or 1, is missing at character {}",
                byte(at)
            ),
            PathFault::Far { at, value } => write!(
                f,
                "{value} at character {} is beyond 1,000,000,000",
                byte(at)
            ),
        }
    }
}

impl std::error::Error for PathFault {}

/// Reads SVG 2 path data. An empty text is an empty path.
///
/// # Errors
/// At the first byte that is not path data.
pub fn path_data(text: &str) -> Result<BezPath, PathFault> {
    let mut words = Words {
        bytes: text.as_bytes(),
        at: 0,
    };
    let mut pen = Pen::default();
    words.skip_space();
    let mut command = None;
    while let Some(&byte) = words.bytes.get(words.at) {
        if byte.is_ascii_alphabetic() {
            let at = words.at;
            if command.is_none() && !byte.eq_ignore_ascii_case(&b'm') {
                return Err(PathFault::NoMove { at });
            }
            words.at += 1;
            words.skip_space();
            pen.draw(byte, &mut words, at)?;
            command = Some(byte);
        } else {
            // More numbers repeat the command; after a move they are lines.
            let at = words.at;
            let repeated = match command {
                None => return Err(PathFault::NoMove { at }),
                Some(b'Z' | b'z') => {
                    let found = text[at..].chars().next().unwrap_or(' ');
                    return Err(PathFault::Command { at, found });
                }
                Some(b'M') => b'L',
                Some(b'm') => b'l',
                Some(other) => other,
            };
            pen.draw(repeated, &mut words, at)?;
            command = Some(repeated);
        }
        words.skip_separator();
    }
    Ok(pen.path)
}

#[derive(Default)]
struct Pen {
    path: BezPath,
    start: Point,
    at: Point,
    /// The last control point, if the last command was a cubic (S continues it) or a quadratic (T).
    cubic: Option<Point>,
    quadratic: Option<Point>,
    closed: bool,
}

impl Pen {
    /// Draws one command with its numbers.
    fn draw(&mut self, command: u8, words: &mut Words, place: usize) -> Result<(), PathFault> {
        let relative = command.is_ascii_lowercase();
        let base = if relative { self.at } else { Point::ZERO };
        let (cubic, quadratic) = (self.cubic.take(), self.quadratic.take());
        let mirrored = |control: Option<Point>, at: Point| control.map_or(at, |c| at + (at - c));
        let kind = command.to_ascii_uppercase();
        if self.closed && !matches!(kind, b'M' | b'Z') {
            self.path.move_to(self.start);
        }
        self.closed = kind == b'Z';
        match kind {
            b'M' => {
                self.at = words.point(base)?;
                self.start = self.at;
                self.path.move_to(self.at);
            }
            b'L' => {
                self.at = words.point(base)?;
                self.path.line_to(self.at);
            }
            b'H' => {
                self.at.x = base.x + words.number()?;
                self.path.line_to(self.at);
            }
            b'V' => {
                self.at.y = base.y + words.number()?;
                self.path.line_to(self.at);
            }
            b'C' | b'S' => {
                let first = match kind {
                    b'C' => words.point(base)?,
                    _ => mirrored(cubic, self.at),
                };
                let second = words.point(base)?;
                self.at = words.point(base)?;
                self.path.curve_to(first, second, self.at);
                self.cubic = Some(second);
            }
            b'Q' | b'T' => {
                let control = match kind {
                    b'Q' => words.point(base)?,
                    _ => mirrored(quadratic, self.at),
                };
                self.at = words.point(base)?;
                self.path.quad_to(control, self.at);
                self.quadratic = Some(control);
            }
            b'A' => {
                let radii = (words.number()?.abs(), words.number()?.abs());
                let turn = words.number()?;
                let (large, sweep) = (words.flag()?, words.flag()?);
                let to = words.point(base)?;
                arc(&mut self.path, self.at, to, radii, turn, large, sweep);
                self.at = to;
            }
            b'Z' => {
                self.path.close_path();
                self.at = self.start;
            }
            _ => {
                return Err(PathFault::Command {
                    at: place,
                    found: char::from(command),
                });
            }
        }
        for value in [self.at.x, self.at.y] {
            if value.abs() > FAR {
                return Err(PathFault::Far { at: place, value });
            }
        }
        Ok(())
    }
}

/// An elliptical arc by its end points: the conversion to a centre of SVG 2, appendix B.2.4, then curves of equal
/// angle. A cubic over the angle t leaves the circle by r 2/27 sin(t/4)^6 / cos(t/4)^2.
fn arc(
    path: &mut BezPath,
    from: Point,
    to: Point,
    (rx, ry): (f64, f64),
    degrees: f64,
    large: bool,
    sweep: bool,
) {
    if from == to {
        return;
    }
    let (sin, cos) = {
        let turn = (degrees % 360.0).to_radians();
        (libm::sin(turn), libm::cos(turn))
    };
    let half = (from - to) * 0.5;
    let (x, y) = (cos * half.x + sin * half.y, cos * half.y - sin * half.x);
    let needed = (x / rx) * (x / rx) + (y / ry) * (y / ry);
    if !needed.is_finite() {
        path.line_to(to);
        return;
    }
    let grow = needed.max(1.0).sqrt();
    let (rx, ry) = (rx * grow, ry * grow);
    let (u, v) = (x / rx, y / ry);
    // Distance of the centre from the chord's middle, on the unit circle.
    let squared = u * u + v * v;
    let off = ((1.0 - squared).max(0.0) / squared).sqrt();
    let off = if large == sweep { -off } else { off };
    let (cu, cv) = (off * v, -off * u);
    let start = libm::atan2(v - cv, u - cu);
    let mut angle = libm::atan2(-v - cv, -u - cu) - start;
    if sweep && angle < 0.0 {
        angle += 2.0 * PI;
    } else if !sweep && angle > 0.0 {
        angle -= 2.0 * PI;
    }
    let widest = 4.0 * libm::pow(13.5 * ARC_ERROR / rx.max(ry), 1.0 / 6.0);
    let parts = (angle.abs() / widest.min(FRAC_PI_2))
        .ceil()
        .clamp(1.0, 4096.0) as u32;
    let centre = from + (to - from) * 0.5;
    let turned = |p: Vec2| Vec2::new(cos * p.x - sin * p.y, sin * p.x + cos * p.y);
    let placed = |u: f64, v: f64| centre + turned(Vec2::new(rx * (cu + u), ry * (cv + v)));
    let step = angle / f64::from(parts);
    let arm = 4.0 / 3.0 * libm::tan(step / 4.0);
    for k in 0..parts {
        let (a, b) = (start + f64::from(k) * step, start + f64::from(k + 1) * step);
        let (sa, ca) = (libm::sin(a), libm::cos(a));
        let (sb, cb) = (libm::sin(b), libm::cos(b));
        let end = if k + 1 == parts { to } else { placed(cb, sb) };
        path.curve_to(
            placed(ca - arm * sa, sa + arm * ca),
            placed(cb + arm * sb, sb - arm * cb),
            end,
        );
    }
}

/// The text, read from left to right.
struct Words<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Words<'_> {
    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn skip_space(&mut self) {
        while matches!(self.peek(), Some(b' ' | b'\t' | b'\n' | b'\r' | 0x0c)) {
            self.at += 1;
        }
    }

    /// White space with at most one comma in it.
    fn skip_separator(&mut self) {
        self.skip_space();
        if self.peek() == Some(b',') {
            self.at += 1;
            self.skip_space();
        }
    }

    fn skip_digits(&mut self) -> usize {
        let from = self.at;
        while self.peek().is_some_and(|byte| byte.is_ascii_digit()) {
            self.at += 1;
        }
        self.at - from
    }

    fn number(&mut self) -> Result<f64, PathFault> {
        let at = self.at;
        if matches!(self.peek(), Some(b'+' | b'-')) {
            self.at += 1;
        }
        let mut digits = self.skip_digits();
        if self.peek() == Some(b'.') {
            self.at += 1;
            digits += self.skip_digits();
        }
        if digits == 0 {
            return Err(PathFault::Number { at });
        }
        if matches!(self.peek(), Some(b'e' | b'E')) {
            let mantissa = self.at;
            self.at += 1;
            if matches!(self.peek(), Some(b'+' | b'-')) {
                self.at += 1;
            }
            if self.skip_digits() == 0 {
                self.at = mantissa;
            }
        }
        let value = std::str::from_utf8(&self.bytes[at..self.at])
            .ok()
            .and_then(|word| word.parse::<f64>().ok())
            .ok_or(PathFault::Number { at })?;
        if value.is_nan() || value.abs() > FAR {
            return Err(PathFault::Far { at, value });
        }
        self.skip_separator();
        Ok(value)
    }

    fn point(&mut self, base: Point) -> Result<Point, PathFault> {
        let (x, y) = (self.number()?, self.number()?);
        Ok(Point::new(base.x + x, base.y + y))
    }

    fn flag(&mut self) -> Result<bool, PathFault> {
        let flag = match self.peek() {
            Some(b'0') => false,
            Some(b'1') => true,
            _ => return Err(PathFault::Flag { at: self.at }),
        };
        self.at += 1;
        self.skip_separator();
        Ok(flag)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// kurbo's own reader is the outside reference for everything but arcs.
    #[test]
    fn lines_and_curves_are_what_kurbo_reads() {
        for text in [
            "M 2 2 h 20 v 20 h -20 z",
            "M2,2L3-4.5.5.25l1e1,2E-1 3,4",
            "m 1 1 2 2 3 3 z m 5 5 1 1",
            "M 3 2 C 13 30 23 30 33 2 S 5 6 7 8 s 1 2 3 4 5 6 7 8",
            "M 0 0 Q 1 2 3 4 T 5 6 t 1 1 2 0",
            "  M0 0H5V6h-2v-3Z  ",
            "",
        ] {
            let ours = path_data(text).unwrap();
            assert_eq!(
                ours.elements(),
                BezPath::from_svg(text).unwrap().elements(),
                "{text}"
            );
        }
    }

    #[test]
    fn packed_flags_are_read() {
        let packed = path_data("M10 10a5 5 0 015 5A5,5,0,1020 20").unwrap();
        let spaced = path_data("M 10 10 a 5 5 0 0 1 5 5 A 5 5 0 1 0 20 20").unwrap();
        assert_eq!(packed.elements(), spaced.elements());
    }

    /// SVG 2, 9.5.1: rx too small is scaled up; a zero radius is a straight line; equal ends draw nothing.
    #[test]
    fn odd_arcs_follow_the_standard() {
        let small = path_data("M 0 0 A 1 1 0 0 1 10 0").unwrap();
        let fit = path_data("M 0 0 A 5 5 0 0 1 10 0").unwrap();
        for (a, b) in small.elements().iter().zip(fit.elements()) {
            let (a, b) = (a.end_point().unwrap(), b.end_point().unwrap());
            assert!((a - b).hypot2() < 1e-20);
        }
        let line = path_data("M 0 0 A 0 5 0 0 1 10 0").unwrap();
        assert_eq!(
            line.elements(),
            path_data("M 0 0 L 10 0").unwrap().elements()
        );
        assert_eq!(
            path_data("M 3 4 A 5 5 0 0 1 3 4").unwrap().elements().len(),
            1
        );
    }

    #[test]
    fn faults_have_their_place() {
        let fault = |text: &str| path_data(text).unwrap_err().to_string();
        insta::assert_snapshot!(fault("L 1 2"), @"it must begin with M or m, at character 1");
        insta::assert_snapshot!(fault("M 1 2 L 3"), @"a number is missing at character 10");
        insta::assert_snapshot!(fault("M 1 2 x 3"), @"`x` at character 7 is no command; M L H V C S Q T A Z are, and the same in small letters");
        insta::assert_snapshot!(fault("M 1 2 a 5 5 0 2 0 1 1"), @"an arc's flag, 0 or 1, is missing at character 15");
        insta::assert_snapshot!(fault("M 1 1e400"), @"inf at character 5 is beyond 1,000,000,000");
        insta::assert_snapshot!(fault("M 1 2 z 3"), @"`3` at character 9 is no command; M L H V C S Q T A Z are, and the same in small letters");
        insta::assert_snapshot!(fault("M 1 2 é"), @"a number is missing at character 7");
    }

    proptest! {
        #[test]
        fn arcs_stay_on_their_circle(
            r in 0.5..5000.0_f64, a in 0.0..6.2_f64, b in 0.0..6.2_f64, large in any::<bool>(), sweep in any::<bool>(),
        ) {
            prop_assume!((a - b).abs() > 1e-3);
            let on = |t: f64| (r * libm::cos(t), r * libm::sin(t));
            let (from, to) = (on(a), on(b));
            // The circle about the origin is the one asked for when the flags say how the arc runs from a to b.
            let forward = (b - a).rem_euclid(2.0 * PI);
            let sweeps = if sweep { forward } else { 2.0 * PI - forward };
            prop_assume!((sweeps > PI) == large && (sweeps - PI).abs() > 1e-3);
            let flags = format!("{} {}", u8::from(large), u8::from(sweep));
            let text = format!("M {} {} A {r} {r} 30 {flags} {} {}", from.0, from.1, to.0, to.1);
            for segment in path_data(&text).unwrap().segments() {
                use kurbo::ParamCurve;
                for k in 0..=16 {
                    let p = segment.eval(f64::from(k) / 16.0);
                    let off = (p.x * p.x + p.y * p.y).sqrt() - r;
                    prop_assert!(off.abs() < 2.0 * ARC_ERROR, "{off}");
                }
            }
        }

        #[test]
        fn any_text_ends(text in "[MmLlHhVvCcSsQqTtAaZz0-9eE., \\-+]{0,60}") {
            if let Ok(path) = path_data(&text) {
                prop_assert!(path.is_finite());
            }
        }
    }
}
