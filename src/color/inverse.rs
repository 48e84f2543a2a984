//! The continuous inverse of a curve, light to encoded value, without transcendental functions per pixel.
//!
//! Knots are points of the inverse with straight lines between them, close enough together for 2^-20. They are
//! found by the bits of the light: 512 buckets an octave, most of which hold one straight line and need no search.

use super::tone::Shape;

/// Bits of an f32 below a bucket's index.
const SHIFT: u32 = 14;
const PART: f32 = 1.0 / (1u32 << SHIFT) as f32;

/// The highest light a formula's knots reach: four stops above white.
const HIGHEST: f32 = 16.0;

/// How far the straight line between two knots may be from the curve, in encoded terms.
const TOLERANCE: f64 = 1.0 / 4_194_304.0;

/// A point of the inverse and the slope from it to the next.
#[derive(Clone, Copy)]
struct Knot {
    light: f32,
    encoded: f32,
    slope: f32,
}

/// The encoded value at a bucket's start, its rise to the next one's, and the knots inside, if any.
#[derive(Clone, Copy)]
struct Bucket {
    encoded: f32,
    rise: f32,
    /// The last knot at or below the start.
    knot: u32,
    /// How many knots lie strictly inside: 0 means that the bucket is one straight line.
    inside: u32,
}

pub(super) struct Inverse {
    knots: Vec<Knot>,
    buckets: Vec<Bucket>,
    /// Bits of the first bucket's start, its index, and the last knot at or below it.
    lowest: u32,
    first: u32,
    dark: usize,
}

impl Inverse {
    /// `black` is the light of 0, as the decode table has it.
    pub(super) fn new(shape: &Shape, black: f32) -> Inverse {
        let lowest = darkest_that_matters(shape, black);
        let corners = match shape {
            Shape::Formula(_) => formula_corners(shape, black, lowest),
            Shape::Sampled(sampled) => sampled_corners(sampled.knots()),
        };
        let knots = with_slopes(&corners);
        let last = knots[knots.len() - 1].light.to_bits() >> SHIFT;
        let first = (lowest >> SHIFT).min(last);
        let dark = knots.partition_point(|knot| knot.light.to_bits() <= first << SHIFT) - 1;
        let mut inverse = Inverse {
            knots,
            buckets: Vec::with_capacity((last - first) as usize + 1),
            lowest: first << SHIFT,
            first,
            dark,
        };
        let mut at = dark;
        for index in first..=last {
            let bucket = inverse.bucket(index, &mut at);
            inverse.buckets.push(bucket);
        }
        inverse
    }

    /// The highest light the knots reach.
    pub(super) fn reach(&self) -> f32 {
        self.knots[self.knots.len() - 1].light
    }

    /// Encoded value of a light from black to [`Inverse::reach`]; never falls.
    #[inline]
    pub(super) fn encoded(&self, light: f32) -> f32 {
        let bits = light.to_bits();
        let bucket = self.bucket_of(bits.max(self.lowest));
        if bucket.inside == 0 && bits >= self.lowest {
            bucket.across(bits)
        } else {
            self.between_knots(light)
        }
    }

    /// The value on the straight line across the bucket (below the first bucket, its start's); never falls.
    #[inline]
    pub(super) fn guess(&self, light: f32) -> f32 {
        let bits = light.to_bits().max(self.lowest);
        self.bucket_of(bits).across(bits)
    }

    #[inline]
    fn bucket_of(&self, bits: u32) -> &Bucket {
        let index = ((bits >> SHIFT) - self.first) as usize;
        &self.buckets[index.min(self.buckets.len() - 1)]
    }

    #[inline(never)]
    fn between_knots(&self, light: f32) -> f32 {
        let bits = light.to_bits();
        let (start, count) = if bits < self.lowest {
            (0, self.dark)
        } else {
            let bucket = self.bucket_of(bits);
            (bucket.knot as usize, bucket.inside as usize)
        };
        let inner = &self.knots[start + 1..=start + count];
        let at = start + inner.partition_point(|knot| knot.light <= light);
        on_line(&self.knots, at, light)
    }

    /// The bucket of an index; `at` is moved to the last knot at or below its start.
    fn bucket(&self, index: u32, at: &mut usize) -> Bucket {
        let [start, end] = [index, index + 1].map(|index| f32::from_bits(index << SHIFT));
        let last_below = |mut at: usize, light: f32| {
            while at + 1 < self.knots.len() && self.knots[at + 1].light <= light {
                at += 1;
            }
            at
        };
        *at = last_below(*at, start);
        let after = last_below(*at, end);
        let encoded = on_line(&self.knots, *at, start);
        let beyond = on_line(&self.knots, after, end);
        let ends_on_knot = self.knots[after].light == end && after > *at;
        Bucket {
            encoded,
            rise: beyond - encoded,
            knot: *at as u32,
            inside: (after - *at) as u32 - u32::from(ends_on_knot),
        }
    }
}

impl Bucket {
    /// On the line across the bucket, of a light with these bits.
    #[inline]
    fn across(&self, bits: u32) -> f32 {
        let part = (bits & ((1 << SHIFT) - 1)) as f32 * PART;
        self.encoded + part * self.rise
    }
}

/// On the line from knot `at` to the next; level after the last.
fn on_line(knots: &[Knot], at: usize, light: f32) -> f32 {
    let knot = &knots[at];
    let value = knot.encoded + (light - knot.light) * knot.slope;
    match knots.get(at + 1) {
        Some(next) => value.min(next.encoded),
        None => knot.encoded,
    }
}

/// The least f32 above a finite x >= 0.
pub(super) fn next_up(x: f32) -> f32 {
    f32::from_bits(x.to_bits() + 1)
}

/// Every entry of a table curve. Where it is flat, the lowest x belongs to that light and the highest to just above; where
/// it is flat up to the end, 1 belongs to it.
fn sampled_corners(points: impl Iterator<Item = (f64, f64)>) -> Vec<(f32, f32)> {
    let mut corners: Vec<(f32, f32)> = Vec::new();
    for (light, encoded) in points {
        let (light, encoded) = (light as f32, encoded as f32);
        match corners[..] {
            [.., (low, _), (high, _)] if light == low && high == next_up(low) => {
                let end = corners.len() - 1;
                corners[end].1 = encoded;
            }
            [.., (low, _)] if light == low => corners.push((next_up(low), encoded)),
            _ => corners.push((light, encoded)),
        }
    }
    corners
}

/// Corners at every bucket's start from the darkest light that matters up to [`HIGHEST`], and more where a straight line
/// between two isn't close enough.
fn formula_corners(shape: &Shape, black: f32, lowest: u32) -> Vec<(f32, f32)> {
    let exact = |light: f32| (light, shape.encoded(f64::from(light)));
    let mut corners = vec![(black, 0.0)];
    // The curve may leave black with a jump, having been flat there.
    let mut previous = exact(next_up(black));
    corners.push((previous.0, previous.1 as f32));
    let mut bits = lowest;
    while bits <= HIGHEST.to_bits() {
        let corner = exact(f32::from_bits(bits));
        refine(&exact, previous, corner, 24, &mut corners);
        corners.push((corner.0, corner.1 as f32));
        previous = corner;
        bits += 1 << SHIFT;
    }
    corners
}

/// Bits of the first bucket's start: just above black; where black is 0, the power of two below which the curve
/// rises by less than the tolerance, or the least normal number.
fn darkest_that_matters(shape: &Shape, black: f32) -> u32 {
    let above = next_up(black);
    if black > 0.0 {
        return ((above.to_bits() >> SHIFT) + 1) << SHIFT;
    }
    let floor = shape.encoded(f64::from(above)) + TOLERANCE;
    let exponent = (1..=127u32)
        .rev()
        .find(|exponent| shape.encoded(f64::from(f32::from_bits(exponent << 23))) < floor);
    exponent.unwrap_or(1) << 23
}

/// Adds the corners needed strictly between `low` and `high`.
fn refine(
    exact: &dyn Fn(f32) -> (f32, f64),
    low: (f32, f64),
    high: (f32, f64),
    depth: u32,
    corners: &mut Vec<(f32, f32)>,
) {
    let middle = low.0 + (high.0 - low.0) * 0.5;
    if depth == 0 || middle <= low.0 || middle >= high.0 {
        return;
    }
    let middle = exact(middle);
    let line = (low.1 + high.1) * 0.5;
    if (middle.1 - line).abs() <= TOLERANCE * middle.1.max(1.0) {
        return;
    }
    refine(exact, low, middle, depth - 1, corners);
    corners.push((middle.0, middle.1 as f32));
    refine(exact, middle, high, depth - 1, corners);
}

fn with_slopes(corners: &[(f32, f32)]) -> Vec<Knot> {
    (0..corners.len())
        .map(|at| {
            let (light, encoded) = corners[at];
            let slope = corners.get(at + 1).map_or(0.0, |&(next, value)| {
                (f64::from(value) - f64::from(encoded)) / (f64::from(next) - f64::from(light))
            });
            // Between neighbours in f32 the slope may be huge, but is only ever multiplied by zero.
            Knot {
                light,
                encoded,
                slope: (slope as f32).clamp(0.0, f32::MAX),
            }
        })
        .collect()
}
