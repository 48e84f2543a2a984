//! Least squares for the colour of one window: a few terms, each held to zero by what is usual of it. The sums of several
//! shifts of its edge are made side by side.

use super::lanes::{Lanes, each};

/// Terms of the colour: constant, a pixel to the right, a pixel down, and square of the depth.
pub const TERMS: usize = 4;

/// Sums for so many shifts.
pub struct Normals<const N: usize, const L: usize> {
    m: [Lanes<L>; TERMS * (TERMS + 1) / 2],
    r: [[Lanes<L>; N]; TERMS],
    /// Squares, all channels.
    pub s: Lanes<L>,
}

impl<const N: usize, const L: usize> Normals<N, L> {
    pub const NONE: Normals<N, L> = Normals {
        m: [[0.0; L]; TERMS * (TERMS + 1) / 2],
        r: [[[0.0; L]; N]; TERMS],
        s: [0.0; L],
    };

    /// Adds what is left of one pixel, seen with these shares of the terms.
    #[inline(always)]
    pub fn add(&mut self, weight: f32, t: &[Lanes<L>; TERMS], left: [Lanes<L>; N]) {
        let mut at = 0;
        for i in 0..TERMS {
            let w: Lanes<L> = each(|l| weight * t[i][l]);
            for t in &t[..=i] {
                let m = &mut self.m[at];
                *m = each(|l| m[l] + w[l] * t[l]);
                at += 1;
            }
        }
        for (k, e) in left.iter().enumerate() {
            let we: Lanes<L> = each(|l| weight * e[l]);
            self.s = each(|l| self.s[l] + we[l] * e[l]);
            for (r, t) in self.r.iter_mut().zip(t) {
                let r = &mut r[k];
                *r = each(|l| r[l] + we[l] * t[l]);
            }
        }
    }

    /// Those of one shift.
    pub fn of(&self, lane: usize) -> Normal<N> {
        Normal {
            m: self.m.map(|m| m[lane]),
            r: self.r.map(|r| r.map(|r| r[lane])),
            s: self.s[lane],
        }
    }
}

/// Sums for one shift.
pub struct Normal<const N: usize> {
    /// Lower triangle, row by row.
    m: [f32; TERMS * (TERMS + 1) / 2],
    /// Right sides, per term and channel.
    r: [[f32; N]; TERMS],
    /// Squares, all channels.
    s: f32,
}

impl<const N: usize> Normal<N> {
    /// `ridge` is the precision each term is held to zero by.
    pub fn solved(mut self, ridge: [f32; TERMS]) -> Option<Plane<N>> {
        let at = |i: usize, j: usize| i * (i + 1) / 2 + j;
        let mut log = 1.0f32;
        for (i, ridge) in ridge.iter().enumerate() {
            self.m[at(i, i)] += ridge;
        }
        // Cholesky's factor in place, and the right sides through it.
        for i in 0..TERMS {
            for j in 0..=i {
                let mut v = self.m[at(i, j)];
                for k in 0..j {
                    v -= self.m[at(i, k)] * self.m[at(j, k)];
                }
                if i == j {
                    if v.is_nan() || v <= 0.0 {
                        return None;
                    }
                    let root = v.sqrt();
                    log *= root / ridge[i].sqrt();
                    self.m[at(i, i)] = root;
                } else {
                    self.m[at(i, j)] = v / self.m[at(j, j)];
                }
            }
        }
        let mut cost = self.s;
        for i in 0..TERMS {
            for k in 0..i {
                let f = self.m[at(i, k)];
                for c in 0..N {
                    self.r[i][c] -= f * self.r[k][c];
                }
            }
            for c in 0..N {
                self.r[i][c] /= self.m[at(i, i)];
                cost -= self.r[i][c] * self.r[i][c];
            }
        }
        for i in (0..TERMS).rev() {
            for k in i + 1..TERMS {
                let f = self.m[at(k, i)];
                for c in 0..N {
                    self.r[i][c] -= f * self.r[k][c];
                }
            }
            for c in 0..N {
                self.r[i][c] /= self.m[at(i, i)];
            }
        }
        Some(Plane {
            colour: self.r,
            cost: cost + 2.0 * N as f32 * libm::logf(log.max(1e-9)),
            factor: self.m,
        })
    }
}

/// The colour found for one shift.
pub struct Plane<const N: usize> {
    pub colour: [[f32; N]; TERMS],
    pub cost: f32,
    factor: [f32; TERMS * (TERMS + 1) / 2],
}

impl<const N: usize> Plane<N> {
    /// Variance of the colour of which the terms have these shares.
    pub fn unsure(&self, terms: [f32; TERMS]) -> f32 {
        let at = |i: usize, j: usize| i * (i + 1) / 2 + j;
        let mut t = terms;
        let mut sum = 0.0;
        for i in 0..TERMS {
            for k in 0..i {
                t[i] -= self.factor[at(i, k)] * t[k];
            }
            t[i] /= self.factor[at(i, i)];
            sum += t[i] * t[i];
        }
        sum
    }
}
