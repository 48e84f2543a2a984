//! The line along the middle of a rod, straight or gently bent, and a pixel's place along and across it.

/// From `origin` along the unit vector `way`; the middle of the rod lies `bend` beside it: a polynomial of up to
/// third degree in the way gone (in units of `scale` pixels).
#[derive(Clone, Debug)]
pub(super) struct Axis {
    origin: (f64, f64),
    way: (f64, f64),
    scale: f64,
    bend: [f64; 4],
}

/// A point the axis should pass and how much it counts.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stop {
    pub x: f64,
    pub y: f64,
    pub weight: f64,
}

/// Way in pixels from which on a bend, and a changing bend, can be told from noise.
const LONG_ENOUGH: [f64; 2] = [60.0, 200.0];

impl Axis {
    /// Through `stops` in order of the way; `None` when they don't lead anywhere.
    pub fn through(stops: &[Stop]) -> Option<Axis> {
        let (first, last) = (stops.first()?, stops.last()?);
        let (dx, dy) = (last.x - first.x, last.y - first.y);
        let long = libm::hypot(dx, dy);
        if long.is_nan() || long <= 4.0 {
            return None;
        }
        let mut axis = Axis {
            origin: (first.x, first.y),
            way: (dx / long, dy / long),
            scale: long,
            bend: [0.0; 4],
        };
        let mut best: Option<(f64, [f64; 4])> = None;
        for degree in 1..=3usize {
            if degree > 1 && long < LONG_ENOUGH[degree - 2] {
                break;
            }
            let Some((bend, rest)) = axis.fitted(stops, degree) else {
                break;
            };
            // A bend must better the fit by a fifth, and by more than a twentieth of a pixel.
            if best.is_none_or(|(least, _)| rest < 0.8 * least && rest < least - 0.05) {
                best = Some((rest, bend));
            }
        }
        axis.bend = best?.1;
        Some(axis)
    }

    /// Least squares with Tukey's weights; the bend and the root of the mean square left.
    fn fitted(&self, stops: &[Stop], degree: usize) -> Option<([f64; 4], f64)> {
        let places: Vec<(f64, f64)> = stops
            .iter()
            .map(|p| {
                let (s, side) = self.straight(p.x, p.y);
                (s / self.scale, side)
            })
            .collect();
        let mut bend = [0.0; 4];
        let mut spread = f64::INFINITY;
        let mut rest = 0.0;
        for _ in 0..6 {
            let mut square = [[0.0f64; 5]; 4];
            for (p, &(s, side)) in stops.iter().zip(&places) {
                let off = (side - at(&bend, s)) / (4.0 * spread);
                let kept = if off.abs() < 1.0 {
                    (1.0 - off * off) * (1.0 - off * off)
                } else {
                    0.0
                };
                let weight = p.weight * kept;
                let powers = [1.0, s, s * s, s * s * s];
                for a in 0..=degree {
                    for b in 0..=degree {
                        square[a][b] += weight * powers[a] * powers[b];
                    }
                    square[a][4] += weight * powers[a] * side;
                }
            }
            bend = solved(square, degree + 1)?;
            let mut off: Vec<f64> = places
                .iter()
                .map(|&(s, side)| (side - at(&bend, s)).abs())
                .collect();
            off.sort_by(f64::total_cmp);
            spread = (1.4826 * off[off.len() / 2]).max(0.1);
            let kept: Vec<f64> = off.into_iter().filter(|v| *v < 4.0 * spread).collect();
            rest = (kept.iter().map(|v| v * v).sum::<f64>() / kept.len() as f64).sqrt();
        }
        rest.is_finite().then_some((bend, rest))
    }

    fn straight(&self, x: f64, y: f64) -> (f64, f64) {
        let (dx, dy) = (x - self.origin.0, y - self.origin.1);
        (
            dx * self.way.0 + dy * self.way.1,
            dy * self.way.0 - dx * self.way.1,
        )
    }

    /// Whether its way beyond what was seen is more than a line's.
    pub fn is_bent(&self) -> bool {
        self.bend[2] != 0.0 || self.bend[3] != 0.0
    }

    /// How far along the rod the point (x, y) lies and how far beside its middle, in pixels.
    pub fn place(&self, x: f64, y: f64) -> (f64, f64) {
        let (s, side) = self.straight(x, y);
        let p = s / self.scale;
        let slope = (self.bend[1] + p * (2.0 * self.bend[2] + 3.0 * p * self.bend[3])) / self.scale;
        (s, (side - at(&self.bend, p)) / (1.0 + slope * slope).sqrt())
    }

    /// The point `s` along and `u` beside.
    pub fn point(&self, s: f64, u: f64) -> (f64, f64) {
        let p = s / self.scale;
        let slope = (self.bend[1] + p * (2.0 * self.bend[2] + 3.0 * p * self.bend[3])) / self.scale;
        let side = at(&self.bend, p) + u * (1.0 + slope * slope).sqrt();
        (
            self.origin.0 + s * self.way.0 - side * self.way.1,
            self.origin.1 + s * self.way.1 + side * self.way.0,
        )
    }
}

fn at(bend: &[f64; 4], s: f64) -> f64 {
    bend[0] + s * (bend[1] + s * (bend[2] + s * bend[3]))
}

/// Gauss with pivots; the last column is the right side.
fn solved(mut square: [[f64; 5]; 4], count: usize) -> Option<[f64; 4]> {
    for k in 0..count {
        let best = (k..count).max_by(|a, b| square[*a][k].abs().total_cmp(&square[*b][k].abs()))?;
        square.swap(k, best);
        if square[k][k].is_nan() || square[k][k].abs() <= 1e-9 {
            return None;
        }
        for row in k + 1..count {
            let factor = square[row][k] / square[k][k];
            for column in k..5 {
                square[row][column] -= factor * square[k][column];
            }
        }
    }
    let mut out = [0.0; 4];
    for k in (0..count).rev() {
        let known: f64 = (k + 1..count).map(|c| square[k][c] * out[c]).sum();
        out[k] = (square[k][4] - known) / square[k][k];
    }
    Some(out)
}
