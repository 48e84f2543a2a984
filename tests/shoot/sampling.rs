//! Sample positions: hashed Owen-scrambled Sobol pairs (Burley, "Practical Hash-based Owen Scrambling", JCGT 2020).
//! A sampler is a value: the same pixel, sample index and branch always give the same numbers, on any thread.

use crate::vector::{V3, v};

/// Mixes two words into one (the finaliser of a common 32-bit integer hash).
pub fn hash(a: u32, b: u32) -> u32 {
    let mut x = a ^ b.wrapping_mul(0x9e37_79b9).rotate_left(13);
    x ^= x >> 16;
    x = x.wrapping_mul(0x7feb_352d);
    x ^= x >> 15;
    x = x.wrapping_mul(0x846c_a68b);
    x ^ (x >> 16)
}

/// A hashed word as a number in [0, 1).
pub fn unit(word: u32) -> f32 {
    (word >> 8) as f32 * (1.0 / 16_777_216.0)
}

fn scrambled(x: u32, seed: u32) -> u32 {
    let mut x = x.reverse_bits().wrapping_add(seed);
    x ^= x.wrapping_mul(0x6c50_b47c);
    x ^= x.wrapping_mul(0xb82f_1e52);
    x ^= x.wrapping_mul(0xc7af_e638);
    x ^= x.wrapping_mul(0x8d22_f6e6);
    x.reverse_bits()
}

/// The second Sobol dimension of an index; the first is the index's bits reversed.
fn sobol(mut index: u32) -> u32 {
    let mut direction = 1u32 << 31;
    let mut result = 0;
    while index != 0 {
        if index & 1 == 1 {
            result ^= direction;
        }
        direction ^= direction >> 1;
        index >>= 1;
    }
    result
}

/// One sample of one pixel.
#[derive(Clone, Copy, Debug)]
pub struct Sampler {
    index: u32,
    seed: u32,
    pair: u32,
}

impl Sampler {
    pub fn new(index: u32, seed: u32) -> Sampler {
        Sampler {
            index,
            seed,
            pair: 0,
        }
    }

    /// The next pair, well spread over the samples of the pixel.
    pub fn pair(&mut self) -> (f32, f32) {
        self.pair += 1;
        let seed = hash(self.seed, self.pair);
        let index = scrambled(self.index, seed);
        let a = scrambled(index.reverse_bits(), hash(seed, 1));
        let b = scrambled(sobol(index), hash(seed, 2));
        (unit(a), unit(b))
    }

    /// One of `of` samplers where there was one, for parts of the path that are worth more samples.
    pub fn finer(&self, part: u32, of: u32) -> Sampler {
        Sampler {
            index: self.index * of + part,
            seed: hash(self.seed, 0x2f),
            pair: 0,
        }
    }

    /// A sampler for a branch of the path: what one branch draws never moves another's numbers.
    pub fn branch(&self, number: u32) -> Sampler {
        Sampler {
            index: self.index,
            seed: hash(self.seed, 0x5bd1 + number),
            pair: 0,
        }
    }
}

/// A point of the unit disc (concentric map).
pub fn disc((a, b): (f32, f32)) -> (f32, f32) {
    let (x, y) = (2.0 * a - 1.0, 2.0 * b - 1.0);
    if x == 0.0 && y == 0.0 {
        return (0.0, 0.0);
    }
    let quarter = std::f32::consts::FRAC_PI_4;
    let (r, angle) = if x.abs() > y.abs() {
        (x, quarter * (y / x))
    } else {
        (y, 2.0 * quarter - quarter * (x / y))
    };
    (r * libm::cosf(angle), r * libm::sinf(angle))
}

/// A direction about `normal`, as often as its cosine.
pub fn cosine(normal: V3, pair: (f32, f32)) -> V3 {
    let (x, y) = disc(pair);
    let (t, b) = normal.basis();
    t * x + b * y + normal * (1.0 - x * x - y * y).max(0.0).sqrt()
}

/// A facet normal of a rough mirror seen from `toward`, as often as it is visible (Heitz, JCGT 2018).
pub fn facet(normal: V3, toward: V3, roughness: f32, pair: (f32, f32)) -> V3 {
    let (t, b) = normal.basis();
    let alpha = roughness * roughness;
    let seen = v(
        toward.dot(t) * alpha,
        toward.dot(b) * alpha,
        toward.dot(normal).max(1e-4),
    )
    .unit();
    let across = if seen.z < 0.9999 {
        v(-seen.y, seen.x, 0.0).unit()
    } else {
        v(1.0, 0.0, 0.0)
    };
    let along = seen.cross(across);
    let (x, mut y) = disc(pair);
    let s = 0.5 * (1.0 + seen.z);
    y = (1.0 - s) * (1.0 - x * x).max(0.0).sqrt() + s * y;
    let h = across * x + along * y + seen * (1.0 - x * x - y * y).max(0.0).sqrt();
    let h = v(h.x * alpha, h.y * alpha, h.z.max(1e-5)).unit();
    (t * h.x + b * h.y + normal * h.z).unit()
}

/// A number from a normal distribution, from two hashed words (Box and Muller).
pub fn normal(a: u32, b: u32) -> f32 {
    let u = (unit(a) + 1.0 / 33_554_432.0).min(1.0);
    libm::sqrtf(-2.0 * libm::logf(u)) * libm::cosf(std::f32::consts::TAU * unit(b))
}
