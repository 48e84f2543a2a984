//! Surfaces through weighted values, and the light of a hole.

use super::fit::Fitted;

/// Light of a hole: one, or rising and falling evenly where the piece's own shadow lies in it.
#[derive(Clone, Copy, Debug)]
pub struct Lit {
    /// In its middle, and a surface of second degree about it.
    terms: [f32; 6],
    /// The pixel it is the light of.
    of: (usize, usize),
}

/// Pixels that count as one in a surface.
const UNIT: f64 = 32.0;

fn powers(x: f64, y: f64) -> [f64; 6] {
    let (x, y) = (x / UNIT, y / UNIT);
    [1.0, x, y, x * x, x * y, y * y]
}

impl Lit {
    pub fn even(light: f32) -> Lit {
        Lit {
            terms: [light, 0.0, 0.0, 0.0, 0.0, 0.0],
            of: (0, 0),
        }
    }

    /// Light that rises and falls evenly through a part, known to a share from pixel to pixel.
    pub fn shaded(fitted: &Fitted, loose: f32, part: &[u32]) -> Lit {
        let place = |i: u32| (i as usize % fitted.width, i as usize / fitted.width);
        let of = place(part[part.len() / 2]);
        let mut surface = Surface::default();
        for &i in part {
            let (p, (x, y)) = (&fitted.pixels[i as usize], place(i));
            // Before black the light is not known.
            if !p.light.is_finite() {
                continue;
            }
            let weight = f64::from(1.0 / (1.0 / p.firm + loose * loose));
            let powers = powers(x as f64 - of.0 as f64, y as f64 - of.1 as f64);
            surface.add(powers, weight, f64::from(p.light));
        }
        Lit {
            terms: surface.fitted().map(|v| v as f32),
            of,
        }
    }

    /// The light of a pixel, by its index in a picture so wide.
    pub fn at(&self, i: usize, width: usize) -> f32 {
        if self.is_even() {
            return self.terms[0];
        }
        let (x, y) = (i % width, i / width);
        let powers = powers(x as f64 - self.of.0 as f64, y as f64 - self.of.1 as f64);
        let light: f32 = (self.terms.iter().zip(powers))
            .map(|(term, power)| term * power as f32)
            .sum();
        light.max(0.0)
    }

    /// In the middle.
    pub fn mean(&self) -> f32 {
        self.terms[0]
    }

    pub fn is_even(&self) -> bool {
        self.terms[1..].iter().all(|term| *term == 0.0)
    }
}

/// A surface through weighted values, by its sums: of three terms a plane.
pub struct Surface<const N: usize> {
    square: [[f64; N]; N],
    cross: [f64; N],
}

impl<const N: usize> Default for Surface<N> {
    fn default() -> Surface<N> {
        Surface {
            square: [[0.0; N]; N],
            cross: [0.0; N],
        }
    }
}

impl<const N: usize> Surface<N> {
    pub fn add(&mut self, place: [f64; N], weight: f64, value: f64) {
        for r in 0..N {
            for c in 0..N {
                self.square[r][c] += weight * place[r] * place[c];
            }
            self.cross[r] += weight * place[r] * value;
        }
    }

    /// Its terms; none of those that the places don't tell.
    pub fn fitted(mut self) -> [f64; N] {
        let mut solved = [0.0; N];
        let whole: [f64; N] = std::array::from_fn(|r| self.square[r][r]);
        for r in 0..N {
            if self.square[r][r] <= 1e-9 * whole[r] {
                self.square[r] = [0.0; N];
                self.square[r][r] = 1.0;
                self.cross[r] = 0.0;
            }
            for q in r + 1..N {
                let share = self.square[q][r] / self.square[r][r];
                for c in r..N {
                    self.square[q][c] -= share * self.square[r][c];
                }
                self.cross[q] -= share * self.cross[r];
            }
        }
        for r in (0..N).rev() {
            let known: f64 = (r + 1..N).map(|c| self.square[r][c] * solved[c]).sum();
            solved[r] = (self.cross[r] - known) / self.square[r][r];
        }
        solved
    }
}

/// Value of a surface of such terms at a place.
pub fn value<const N: usize>(terms: [f64; N], place: [f64; N]) -> f64 {
    (0..N).map(|r| terms[r] * place[r]).sum()
}
