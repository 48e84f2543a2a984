//! One channel's curve between encoded values and light, with the tables made from it.
//!
//! Promises: the same numbers on every machine (libm in f64 while tables are built, plain arithmetic per pixel);
//! a curve that is accepted never falls, and encoding gives back the 16-bit code it decoded.
//! Refuses: curves that fall, that are flat from end to end, or that leave 0..4. Table curves may have flat parts, as
//! real ones do at the ends: all codes of a flat part mean the same light, which encodes as the lowest of
//! them, or as 1 where the flat part reaches the end.

use std::fmt;
use std::sync::OnceLock;

use super::decode_table::DecodeTable;
use super::encode_table::EncodeTable;
use super::formula::Formula;
use super::sampled::Sampled;

/// A curve and, once asked for, its tables.
pub(super) struct Tone {
    shape: Shape,
    decode: OnceLock<DecodeTable>,
    encode: OnceLock<EncodeTable>,
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

    pub(super) fn decode_table(&self) -> &DecodeTable {
        self.decode.get_or_init(|| DecodeTable::new(&self.shape))
    }

    pub(super) fn encode_table(&self) -> &EncodeTable {
        self.encode
            .get_or_init(|| EncodeTable::new(&self.shape, self.decode_table()))
    }

    /// Light of any encoded value. In 0..1 within 2^-22 in encoded terms, and for n / 65535 exactly what the
    /// 16-bit table says.
    pub(super) fn light(&self, encoded: f64) -> f32 {
        let table = self.decode_table();
        let position = encoded * 65535.0;
        if !(position >= 0.0 && position < 65535.0) {
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
