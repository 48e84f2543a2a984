//! Light back to encoded values, without transcendental functions per pixel.
//!
//! Two tables: knots of the inverse curve, found by the bits of the light (512 buckets an octave), and the exact lights
//! at which the 16-bit code changes. The knots give the encoded value within 2^-20; a code guessed from it
//! is then settled against the exact lights, so codes are rounded right, never fall, and decoding is undone.

use super::decode_table::DecodeTable;
use super::tone::Shape;

/// Bits of an f32 that lie below a bucket's index: 512 buckets an octave.
const SHIFT: u32 = 14;

/// Above this light a formula is evaluated directly.
const HIGHEST: f32 = 65536.0;

/// How far the straight line between two knots may be from the curve, in encoded terms.
const TOLERANCE: f64 = 1.0 / 4_194_304.0;

#[derive(Clone, Copy)]
struct Knot {
    light: f32,
    encoded: f32,
    slope: f32,
}

pub(super) struct EncodeTable {
    /// Light of code 0 and of code 65535.
    black: f32,
    white: f32,
    knots: Vec<Knot>,
    /// For every bucket the last knot at or below its start (or the first knot).
    starts: Vec<u32>,
    first_bucket: u32,
    /// `limits[n]` is the least light that encodes as n or more; `limits[0]` is -inf, `limits[65536]` +inf.
    limits: Vec<f32>,
}

impl EncodeTable {
    pub(super) fn new(shape: &Shape, decode: &DecodeTable) -> EncodeTable {
        let codes = decode.sixteen();
        let knots = match shape {
            Shape::Formula(_) => formula_knots(shape, codes[0]),
            Shape::Sampled(sampled) => sampled_knots(sampled.knots()),
        };
        let (first_bucket, starts) = buckets(&knots);
        EncodeTable {
            black: codes[0],
            white: codes[65535],
            knots,
            starts,
            first_bucket,
            limits: limits(shape, codes),
        }
    }

    /// The knot at or below `light`, which is not below the first.
    #[inline]
    fn knot(&self, light: f32) -> usize {
        let bucket = (light.to_bits() >> SHIFT).saturating_sub(self.first_bucket) as usize;
        let bucket = bucket.min(self.starts.len() - 2);
        let mut low = self.starts[bucket] as usize;
        let mut high = self.starts[bucket + 1] as usize;
        while low < high {
            let middle = (low + high).div_ceil(2);
            if self.knots[middle].light <= light {
                low = middle;
            } else {
                high = middle - 1;
            }
        }
        low
    }

    #[inline]
    fn interpolated(&self, light: f32) -> f32 {
        let at = self.knot(light);
        let knot = &self.knots[at];
        let value = knot.encoded + (light - knot.light) * knot.slope;
        match self.knots.get(at + 1) {
            Some(next) => value.min(next.encoded),
            None => value,
        }
    }

    /// Encoded, clipped to 0..1. NaN is 0.
    #[inline]
    pub(super) fn unit(&self, light: f32) -> f32 {
        if light >= self.white {
            1.0
        } else if light > self.black {
            self.interpolated(light).min(1.0)
        } else {
            0.0
        }
    }

    /// floor(65535 x + 1/2) of the encoded value x clipped to 0..1. NaN is 0.
    #[inline]
    pub(super) fn code(&self, light: f32) -> u16 {
        let guess = (self.unit(light) * 65535.0 + 0.5) as usize;
        let guess = guess.min(65535);
        if self.limits[guess] <= light && light < self.limits[guess + 1] {
            return guess as u16;
        }
        self.settled(light)
    }

    #[cold]
    fn settled(&self, light: f32) -> u16 {
        let above = self.limits[1..65536].partition_point(|&limit| limit <= light);
        above as u16
    }

    /// Encoded, not clipped: beyond 0..1 as [`Shape::light`] says.
    pub(super) fn open(&self, shape: &Shape, light: f32) -> f32 {
        if light < self.black {
            return -self.open(shape, self.black + (self.black - light));
        }
        let last = self.knots[self.knots.len() - 1];
        if light > last.light {
            return shape.encoded(f64::from(light)) as f32;
        }
        if light >= self.black {
            self.interpolated(light)
        } else {
            0.0
        }
    }
}

/// The least f32 above a finite x >= 0.
fn next_up(x: f32) -> f32 {
    f32::from_bits(x.to_bits() + 1)
}

fn limits(shape: &Shape, codes: &[f32]) -> Vec<f32> {
    let mut limits = vec![f32::NEG_INFINITY; 65537];
    limits[65536] = f32::INFINITY;
    for code in 1..=65535usize {
        let (below, own) = (codes[code - 1], codes[code]);
        let middle = shape.light((code as f64 - 0.5) / 65535.0) as f32;
        limits[code] = if below < own {
            // Rounded to f32 the halfway light may fall onto the code below: then the code's own light decides.
            if middle > below { middle.min(own) } else { own }
        } else if own == codes[65535] {
            own
        } else {
            next_up(own)
        };
    }
    for code in (1..=65535).rev() {
        limits[code] = limits[code].min(limits[code + 1]);
    }
    limits
}

/// Every entry of a table curve; where it is flat, the lowest x belongs to that light and the highest to just above.
fn sampled_knots(points: impl Iterator<Item = (f64, f64)>) -> Vec<Knot> {
    let mut corners: Vec<(f32, f32)> = Vec::new();
    for (light, encoded) in points {
        let (light, encoded) = (light as f32, encoded as f32);
        match corners[..] {
            [.., (a, _), (b, _)] if b == next_up(a) && light == a => {
                let end = corners.len() - 1;
                corners[end].1 = encoded;
            }
            [.., (a, _)] if light <= a => corners.push((next_up(a), encoded)),
            _ => corners.push((light, encoded)),
        }
    }
    with_slopes(&corners)
}

/// Knots at every bucket's start from the darkest light that matters up to [`HIGHEST`], and more of them
/// where a straight line between two is not good enough.
fn formula_knots(shape: &Shape, black: f32) -> Vec<Knot> {
    let exact = |light: f32| shape.encoded(f64::from(light));
    let mut corners = vec![(black, 0.0f32)];
    let above = next_up(black);
    if black > 0.0 {
        corners.push((above, exact(above) as f32));
    }
    // Down to where the encoded value is less than the tolerance, or to the least normal number.
    let mut bits = 1u32 << 23;
    for exponent in (1..=127u32).rev() {
        let light = f32::from_bits(exponent << 23);
        if light <= above || exact(light) < TOLERANCE {
            bits = exponent << 23;
            break;
        }
    }
    while f32::from_bits(bits) <= above {
        bits += 1 << SHIFT;
    }
    let mut previous = if black > 0.0 {
        above
    } else {
        f32::from_bits(bits)
    };
    corners.push((f32::from_bits(bits), exact(f32::from_bits(bits)) as f32));
    while bits < HIGHEST.to_bits() {
        let light = f32::from_bits(bits);
        if light > previous {
            refine(&exact, previous, light, 24, &mut corners);
            corners.push((light, exact(light) as f32));
            previous = light;
        }
        bits += 1 << SHIFT;
    }
    refine(&exact, previous, HIGHEST, 24, &mut corners);
    corners.push((HIGHEST, exact(HIGHEST) as f32));
    with_slopes(&corners)
}

/// Adds the corners needed strictly between `low` and `high`.
fn refine(
    exact: &dyn Fn(f32) -> f64,
    low: f32,
    high: f32,
    depth: u32,
    corners: &mut Vec<(f32, f32)>,
) {
    let middle = low + (high - low) * 0.5;
    if depth == 0 || middle <= low || middle >= high {
        return;
    }
    let wanted = exact(middle);
    let line = (exact(low) + exact(high)) * 0.5;
    if (wanted - line).abs() <= TOLERANCE * wanted.max(1.0) {
        return;
    }
    refine(exact, low, middle, depth - 1, corners);
    corners.push((middle, wanted as f32));
    refine(exact, middle, high, depth - 1, corners);
}

fn with_slopes(corners: &[(f32, f32)]) -> Vec<Knot> {
    (0..corners.len())
        .map(|at| {
            let (light, encoded) = corners[at];
            let slope = corners.get(at + 1).map_or(0.0, |&(next, value)| {
                (f64::from(value) - f64::from(encoded)) / (f64::from(next) - f64::from(light))
            });
            // Between neighbouring f32 values a slope may be huge; it is only ever multiplied by zero there.
            let slope = (slope as f32).min(f32::MAX);
            Knot {
                light,
                encoded,
                slope,
            }
        })
        .collect()
}

fn buckets(knots: &[Knot]) -> (u32, Vec<u32>) {
    let bucket_of = |light: f32| light.to_bits() >> SHIFT;
    // The first knot may lie at 0, far below the second in bits: buckets begin where knots get dense.
    let dense = knots[1.min(knots.len() - 1)].light;
    let (first, last) = (bucket_of(dense), bucket_of(knots[knots.len() - 1].light));
    let mut starts = Vec::with_capacity((last - first) as usize + 2);
    let mut at = 0usize;
    for bucket in first..=last + 1 {
        let start = f32::from_bits(bucket << SHIFT);
        while at + 1 < knots.len() && knots[at + 1].light <= start {
            at += 1;
        }
        starts.push(at as u32);
    }
    if let Some(first_start) = starts.first_mut() {
        *first_start = 0;
    }
    if let Some(end) = starts.last_mut() {
        *end = knots.len() as u32 - 1;
    }
    (first, starts)
}
