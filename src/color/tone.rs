//! One channel's curve between encoded values and light, with the tables made from it.
//!
//! Promises: the same numbers on every machine (libm in f64 while tables are built, plain arithmetic per pixel);
//! a curve that is accepted never falls, and encoding gives back the 16-bit code it decoded.
//! Refuses: curves that fall, that are flat from end to end, or that leave 0..4. Table curves may have flat parts, as
//! real ones do at the ends: all codes of a flat part mean the same light, which encodes as the lowest of
//! them, or as 1 where the flat part reaches the end.

use std::fmt;
use std::sync::{Arc, OnceLock};

use super::decode_table::DecodeTable;
use super::encode_table::EncodeTable;
use super::formula::Formula;
use super::sampled::Sampled;

/// A curve and, once asked for, its tables.
pub(super) struct Tone {
    shape: Shape,
    decode: OnceLock<Arc<DecodeTable>>,
    encode: OnceLock<Arc<EncodeTable>>,
}

/// How the profile states the curve.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Shape {
    Formula(Formula),
    Sampled(Sampled),
}

impl Shape {
    /// Light of an encoded value. 0..1 is the curve itself; beyond 1 a formula goes on as it is and a table goes on
    /// straight; below 0 the curve is mirrored through its point at 0, as CSS Color 4 does.
    pub(super) fn light(&self, encoded: f64) -> f64 {
        if encoded < 0.0 {
            return 2.0 * self.positive_light(0.0) - self.positive_light(-encoded);
        }
        self.positive_light(encoded)
    }

    /// The encoded value of a light: the inverse of [`Shape::light`], the lowest where the curve is flat.
    pub(super) fn encoded(&self, light: f64) -> f64 {
        let black = self.positive_light(0.0);
        if light < black {
            return -self.positive_encoded(2.0 * black - light);
        }
        if light == black {
            return 0.0;
        }
        self.positive_encoded(light)
    }

    fn positive_light(&self, encoded: f64) -> f64 {
        match self {
            Shape::Formula(formula) => formula.light(encoded),
            Shape::Sampled(sampled) => sampled.light(encoded),
        }
    }

    fn positive_encoded(&self, light: f64) -> f64 {
        match self {
            Shape::Formula(formula) => formula.encoded(light),
            Shape::Sampled(sampled) => sampled.encoded(light),
        }
    }
}

impl Tone {
    pub(super) fn new(shape: Shape) -> Tone {
        Tone {
            shape,
            decode: OnceLock::new(),
            encode: OnceLock::new(),
        }
    }

    pub(super) fn shape(&self) -> &Shape {
        &self.shape
    }

    pub(super) fn decode_table(&self) -> &Arc<DecodeTable> {
        self.decode
            .get_or_init(|| Arc::new(DecodeTable::new(&self.shape)))
    }

    pub(super) fn encode_table(&self) -> &Arc<EncodeTable> {
        self.encode
            .get_or_init(|| Arc::new(EncodeTable::new(&self.shape, self.decode_table())))
    }

    /// Light of any encoded value. In 0..1 within 2^-22 in encoded terms, and for n / 65535 exactly what the
    /// 16-bit table says.
    pub(super) fn light(&self, encoded: f64) -> f32 {
        let table = self.decode_table();
        let position = encoded * 65535.0;
        if !(0.0..65535.0).contains(&position) {
            return self.light_outside(encoded);
        }
        let cell = position as usize;
        let part = position - cell as f64;
        // A straight line across a cell is off by about 1 / (8 cell) of a code: too much for the darkest few of a
        // steep curve. A table curve may bend inside any cell, and costs little to evaluate.
        let direct = cell < 16 || matches!(self.shape, Shape::Sampled(_));
        if part == 0.0 {
            table.sixteen()[cell]
        } else if direct {
            self.shape.light(encoded) as f32
        } else {
            let low = f64::from(table.sixteen()[cell]);
            let high = f64::from(table.sixteen()[cell + 1]);
            (low + part * (high - low)) as f32
        }
    }

    fn light_outside(&self, encoded: f64) -> f32 {
        if encoded == 1.0 {
            return self.decode_table().sixteen()[65535];
        }
        self.shape.light(encoded) as f32
    }
}

impl PartialEq for Tone {
    fn eq(&self, other: &Tone) -> bool {
        self.shape == other.shape
    }
}

impl fmt::Debug for Tone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tone")
            .field("shape", &self.shape)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sampled(entries: Vec<u16>) -> Tone {
        Tone::new(Shape::Sampled(Sampled::new(entries).unwrap()))
    }

    /// Every code encodes as itself or, on a flat part, as a code of the same light; codes never fall; halfway lights
    /// round up.
    fn keeps_codes(tone: &Tone) {
        let codes = tone.decode_table().sixteen().to_vec();
        let table = tone.encode_table();
        for code in 0..=65535usize {
            let light = codes[code];
            let back = usize::from(table.code(light));
            assert_eq!(codes[back], light, "code {code}");
            let first = codes.partition_point(|&other| other < light);
            let wanted = if light == codes[65535] { 65535 } else { first };
            assert_eq!(back, wanted, "code {code}");
            if code > 0 && codes[code - 1] < light {
                let between = codes[code - 1] + (light - codes[code - 1]) * 0.5;
                let near = usize::from(table.code(between));
                assert!(
                    near <= wanted && codes[near] >= codes[code - 1],
                    "after {code}"
                );
            }
        }
        let mut previous = 0;
        let mut light = codes[0];
        while light < codes[65535] {
            let code = table.code(light);
            assert!(code >= previous, "falls at {light}");
            previous = code;
            light = f32::from_bits(light.to_bits() + 5003);
        }
    }

    /// `unit` against the exact inverse, in f64, at many lights.
    fn is_accurate(tone: &Tone) {
        let (black, white) = (tone.shape().light(0.0), tone.shape().light(1.0));
        let table = tone.encode_table();
        let mut previous = 0.0;
        for step in 0..=20_000 {
            let part = f64::from(step) / 20_000.0;
            // Denser towards black.
            let light = (black + (white - black) * part * part * part) as f32;
            let found = table.unit(light);
            assert!(found >= previous, "falls at {light}");
            previous = found;
            // The light itself is rounded to f32: where the curve is nearly flat that moves the exact value too.
            let exact = |light: f32| tone.shape().encoded(f64::from(light)).clamp(0.0, 1.0);
            let blur = exact(light * (1.0 + 1.2e-7)) - exact(light * (1.0 - 1.2e-7));
            let off = (f64::from(found) - exact(light)).abs();
            assert!(off <= 1.0 / 1_048_576.0 + blur, "{off} at {light}");
            let code_off = (f64::from(table.code(light)) - exact(light) * 65535.0).abs();
            assert!(code_off <= 0.52 + 65535.0 * blur, "{code_off} at {light}");
        }
    }

    /// A curve of n entries as version 2 profiles carry them: a power, rounded to 16 bits, flat near black.
    fn rounded_power(entries: usize, gamma: f64) -> Tone {
        let last = (entries - 1) as f64;
        let entry = |n: usize| (libm::pow(n as f64 / last, gamma) * 65535.0 + 0.5) as u16;
        sampled((0..entries).map(entry).collect())
    }

    #[test]
    fn table_curves_keep_codes() {
        for (entries, gamma) in [(2, 1.0), (3, 2.0), (256, 2.2), (1024, 2.4), (4096, 1.8)] {
            keeps_codes(&rounded_power(entries, gamma));
        }
        // 16-bit tables of full length, flat ends, a cliff, a nearly flat middle.
        keeps_codes(&rounded_power(65536, 1.0));
        keeps_codes(&sampled(vec![0, 0, 0, 30000, 65535, 65535]));
        keeps_codes(&sampled(vec![900, 901, 902, 65535]));
        keeps_codes(&sampled(vec![0, 60000, 60001, 60001, 60002, 65000]));
    }

    #[test]
    fn table_curves_are_accurate() {
        for (entries, gamma) in [(2, 1.0), (5, 2.0), (256, 2.2), (1024, 2.4), (4096, 1.8)] {
            is_accurate(&rounded_power(entries, gamma));
        }
        is_accurate(&sampled(vec![900, 5000, 12000, 65535]));
    }

    #[test]
    fn formulas_keep_codes_and_are_accurate() {
        for (kind, parameters) in [
            (0, vec![1.0]),
            (0, vec![0.45]),
            (0, vec![1.8]),
            (0, vec![2.6]),
            (0, vec![4.0]),
            (1, vec![2.2, 0.9, 0.1]),
            (1, vec![2.2, 1.1, -0.1]),
            (2, vec![2.2, 0.9, 0.05, 0.02]),
            (2, vec![2.2, 1.05, -0.05, 0.01]),
            (3, vec![3.0, 0.862069, 0.137931, 0.110705, 0.08]),
            (4, vec![2.4, 0.9, 0.05, 0.1, 0.05, 0.02, 0.01]),
            (4, vec![2.4, 1.0, 0.0, 0.9, 2.0, 0.0, 0.05]),
        ] {
            let formula = Formula::of_kind(kind, &parameters).unwrap();
            assert_eq!(formula.fault(), None, "{kind} {parameters:?}");
            let tone = Tone::new(Shape::Formula(formula));
            keeps_codes(&tone);
            is_accurate(&tone);
        }
    }

    /// Between codes, light follows the formula; at codes it is the table's own.
    #[test]
    fn light_of_any_value() {
        for formula in [Formula::SRGB, Formula::A98, Formula::ROMM, Formula::REC2020] {
            let tone = Tone::new(Shape::Formula(formula));
            for n in 0..=100_000u32 {
                let encoded = f64::from(n) / 100_000.0;
                let (found, exact) = (f64::from(tone.light(encoded)), formula.light(encoded));
                let back = tone.shape().encoded(found) - encoded;
                assert!(
                    (found - exact).abs() < 1e-7 && back.abs() < 1.0 / 4_194_304.0,
                    "{encoded}"
                );
            }
            for code in (0..=65535u32).step_by(17) {
                let light = tone.decode_table().sixteen()[code as usize];
                assert_eq!(tone.light(f64::from(code) / 65535.0), light);
            }
        }
        assert!(rounded_power(256, 2.2).light(f64::NAN).is_nan());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn any_rising_table_keeps_codes(
            mut entries in prop::collection::vec(any::<u16>(), 2..300),
            top in 300u16..,
        ) {
            entries.sort_unstable();
            entries[0] = 0;
            let last = entries.len() - 1;
            entries[last] = entries[last].max(top);
            keeps_codes(&sampled(entries));
        }

        #[test]
        fn any_power_keeps_codes_and_is_accurate(gamma in 0.4f64..3.5, offset in 0.0f64..0.3) {
            let tone = Tone::new(Shape::Formula(Formula {
                a: 1.0 - offset,
                b: offset,
                ..Formula::power(gamma)
            }));
            keeps_codes(&tone);
            is_accurate(&tone);
        }
    }
}
