//! Surfaces through weighted values: least squares by their sums.

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
