//! Curves given by parameters: a power with an offset, and a straight foot below a breakpoint.
//!
//! Light = (a x + b)^g + e from x = d on, c x + f below (ICC.1:2022, 10.18, function type 4; types 0 to 3 are special
//! cases). Promises a curve that never falls; refuses parameters that make one that does.

/// Exponents that a curve may have; real ones lie from 0.4 to 3.
const EXPONENTS: std::ops::RangeInclusive<f64> = 0.1..=10.0;

/// Parameters as named in the ICC specification, already in their general form.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Formula {
    pub g: f64,
    pub a: f64,
    pub b: f64,
    pub c: f64,
    pub d: f64,
    pub e: f64,
    pub f: f64,
}

impl Formula {
    /// IEC 61966-2-1: x / 12.92 up to 0.04045, ((x + 0.055) / 1.055)^2.4 above.
    pub(super) const SRGB: Formula = Formula {
        g: 2.4,
        a: 1.0 / 1.055,
        b: 0.055 / 1.055,
        c: 1.0 / 12.92,
        d: 0.04045,
        e: 0.0,
        f: 0.0,
    };

    /// The inverse of ITU-R BT.2020-2's transfer function, with alpha and beta to full precision.
    pub(super) const REC2020: Formula = Formula {
        g: 1.0 / 0.45,
        a: 1.0 / 1.099_296_826_809_44,
        b: 0.099_296_826_809_44 / 1.099_296_826_809_44,
        c: 1.0 / 4.5,
        d: 4.5 * 0.018_053_968_510_807,
        e: 0.0,
        f: 0.0,
    };

    /// ISO 22028-2 (ROMM RGB): x / 16 below 16 / 512, x^1.8 above.
    pub(super) const ROMM: Formula = Formula {
        g: 1.8,
        a: 1.0,
        b: 0.0,
        c: 1.0 / 16.0,
        d: 16.0 / 512.0,
        e: 0.0,
        f: 0.0,
    };

    /// The power of a98-rgb, 563 / 256.
    pub(super) const A98: Formula = Formula::power(563.0 / 256.0);

    /// x^g.
    pub(super) const fn power(g: f64) -> Formula {
        Formula {
            g,
            a: 1.0,
            b: 0.0,
            c: 0.0,
            d: 0.0,
            e: 0.0,
            f: 0.0,
        }
    }

    /// The curve of a `para` tag: `kind` 0 to 4 with its 1, 3, 4, 5 or 7 parameters in file order.
    pub(super) fn of_kind(kind: u16, p: &[f64]) -> Option<Formula> {
        let base = Formula::power(*p.first()?);
        // Types 1 and 2 put the breakpoint where the power's base is zero.
        Some(match (kind, p) {
            (0, [_]) => base,
            (1, &[_, a, b]) => Formula {
                a,
                b,
                d: -b / a,
                ..base
            },
            (2, &[_, a, b, c]) => Formula {
                a,
                b,
                d: -b / a,
                e: c,
                f: c,
                ..base
            },
            (3, &[_, a, b, c, d]) => Formula { a, b, c, d, ..base },
            (4, &[_, a, b, c, d, e, f]) => Formula {
                a,
                b,
                c,
                d,
                e,
                f,
                ..base
            },
            _ => return None,
        })
    }

    /// Why the parameters can't be a curve, if they can't.
    pub(super) fn fault(&self) -> Option<String> {
        let Formula { g, a, b, c, d, .. } = *self;
        if ![g, a, b, c, d, self.e, self.f]
            .iter()
            .all(|v| v.is_finite())
        {
            return Some("its parameters don't make a finite curve (a must not be 0)".into());
        }
        let power_used = d <= 1.0;
        if power_used && !(EXPONENTS.contains(&g) && a > 0.0) {
            return Some(format!(
                "g is {g:.6} and a is {a:.6}; g must lie from 0.1 to 10 and a above 0"
            ));
        }
        // s15Fixed16 rounds b and d: a base a hair below zero is zero.
        let base = a * d.max(0.0) + b;
        if power_used && base < -1e-4 {
            return Some(format!(
                "its power has the base {base:.6}, which is below 0"
            ));
        }
        if d > 0.0 && c < 0.0 {
            return Some(format!("its foot falls: c is {c}; it must be 0 or more"));
        }
        if power_used && d > 0.0 {
            let (below, above) = (c * d + self.f, self.power_part(d));
            if below > above + 1.0 / 4096.0 {
                return Some(format!("it falls from {below:.6} to {above:.6} at {d:.6}"));
            }
        }
        None
    }

    fn power_part(&self, x: f64) -> f64 {
        libm::pow((self.a * x + self.b).max(0.0), self.g) + self.e
    }

    fn is_foot(&self, x: f64) -> bool {
        x < self.d || self.d > 1.0
    }

    /// Light of x >= 0, never below 0.
    pub(super) fn light(&self, x: f64) -> f64 {
        let value = if self.is_foot(x) {
            self.c * x + self.f
        } else if self.d > 0.0 {
            // Rounded parameters may leave a small step down at the breakpoint: hold the curve level there.
            self.power_part(x).max(self.c * self.d + self.f)
        } else {
            self.power_part(x)
        };
        value.max(0.0)
    }

    /// The x of a light above the light of 0.
    pub(super) fn encoded(&self, light: f64) -> f64 {
        let on_foot = self.d > 1.0 || (self.d > 0.0 && light <= self.c * self.d + self.f);
        if on_foot && self.c > 0.0 {
            return ((light - self.f) / self.c).max(0.0);
        }
        let root = libm::pow((light - self.e).max(0.0), 1.0 / self.g);
        ((root - self.b) / self.a).max(self.d.max(0.0))
    }

    /// The parameters as s15Fixed16 numbers in the order g a b c d e f, as a profile holds them.
    pub(super) fn rounded(&self) -> [i32; 7] {
        [self.g, self.a, self.b, self.c, self.d, self.e, self.f].map(s15_fixed16)
    }
}

/// The nearest s15Fixed16Number (ICC.1:2022, 4.6), saturating.
pub(super) fn s15_fixed16(value: f64) -> i32 {
    (value * 65536.0 + 0.5).floor() as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    fn encoded(formula: Formula, light: f64) -> f64 {
        formula.encoded(light)
    }

    /// ISO 22028-2 and ITU-R BT.2020-2 as the colour-science library evaluates them; 8-bit and 12-bit ROMM codes too.
    #[test]
    fn encodes_the_published_values() {
        let romm = encoded(Formula::ROMM, 0.18);
        assert!((romm - 0.385711424751138).abs() < 1e-14);
        assert_eq!((romm * 255.0).round(), 98.0);
        assert_eq!((romm * 4095.0).floor(), 1579.0);
        assert!((encoded(Formula::REC2020, 0.18) - 0.408848).abs() < 5e-7);
        // a98-rgb of CSS Color 4: light to the power 256 / 563.
        assert_eq!(
            encoded(Formula::A98, 0.18),
            libm::pow(0.18, 1.0 / 2.19921875)
        );
    }

    /// The breakpoints the standards print: sRGB 0.0031308, ROMM 1/512, BT.2020 beta.
    #[test]
    fn feet_meet_their_powers() {
        for (formula, light, step) in [
            (Formula::SRGB, 0.0031308, 4e-8),
            (Formula::ROMM, 1.0 / 512.0, 1e-15),
            (Formula::REC2020, 0.018_053_968_510_807, 1e-14),
        ] {
            assert!((formula.light(formula.d) - light).abs() < 6e-8);
            let below = formula.light(formula.d - 1e-12);
            assert!((formula.light(formula.d) - below).abs() < step + 1e-11);
        }
    }

    /// The five function types of ICC.1:2022, table 68, worked by hand.
    #[test]
    fn function_types() {
        let light = |kind, p: &[f64], x| Formula::of_kind(kind, p).unwrap().light(x);
        assert_eq!(light(0, &[2.0], 0.5), 0.25);
        assert_eq!(light(1, &[2.0, 2.0, -0.5], 0.5), 0.25);
        assert_eq!(light(1, &[2.0, 2.0, -0.5], 0.2), 0.0);
        assert_eq!(light(2, &[2.0, 2.0, -0.5, 0.125], 0.5), 0.375);
        assert_eq!(light(2, &[2.0, 2.0, -0.5, 0.125], 0.2), 0.125);
        assert_eq!(light(3, &[2.0, 1.0, 0.0, 0.25, 0.25], 0.125), 0.03125);
        assert_eq!(light(3, &[2.0, 1.0, 0.0, 0.25, 0.25], 0.5), 0.25);
        assert_eq!(
            light(4, &[2.0, 1.0, 0.0, 0.25, 0.25, 0.5, 0.25], 0.125),
            0.28125
        );
        assert_eq!(light(4, &[2.0, 1.0, 0.0, 0.25, 0.25, 0.5, 0.25], 0.5), 0.75);
        assert_eq!(Formula::of_kind(5, &[1.0]), None);
        assert_eq!(Formula::of_kind(3, &[1.0]), None);
    }

    #[test]
    fn falling_curves_are_refused() {
        for (kind, parameters) in [
            (0, vec![0.0]),
            (0, vec![-1.0]),
            (0, vec![11.0]),
            (1, vec![2.0, 0.0, 0.5]),
            (1, vec![2.0, -1.0, 1.0]),
            (3, vec![2.0, 1.0, -0.5, 0.0, 0.25]),
            (3, vec![2.0, 1.0, 0.0, -0.5, 0.25]),
            (3, vec![2.0, 1.0, 0.0, 1.0, 0.25]),
            (3, vec![f64::NAN, 1.0, 0.0, 1.0, 0.25]),
        ] {
            let formula = Formula::of_kind(kind, &parameters).unwrap();
            assert!(formula.fault().is_some(), "{kind} {parameters:?}");
        }
    }
}
