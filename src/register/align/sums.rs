//! A block's sums, in plain loops over short rows that run many pixels at a time.

use super::measure::{Gauge, REACH};

/// Brightness ratios (square roots of light) beyond which a pixel can be no set under other light.
const RATIO: [f32; 2] = [0.5, 2.0];
/// What is measured along one row of a block, pixel by pixel.
struct Row {
    /// Frame's smooth light over the plate's, and 1 where that can be the set, else 0.
    ratio: Vec<f32>,
    one: Vec<f32>,
    error: Vec<f32>,
    weight: Vec<f32>,
    plate: Vec<f32>,
    own: [Vec<f32>; 2],
    seen: [Vec<f32>; 2],
}

/// A block's sums, column by column: pull x and y; hold xx, xy and yy; products plate squared, frame squared, both; the
/// cut product; weight; count.
pub(super) struct Sums {
    row: Row,
    columns: [Vec<f32>; 11],
}

impl Sums {
    pub(super) fn new(across: usize) -> Sums {
        let empty = || vec![0.0; across];
        let row = Row {
            ratio: empty(),
            one: empty(),
            error: empty(),
            weight: empty(),
            plate: empty(),
            own: [empty(), empty()],
            seen: [empty(), empty()],
        };
        Sums {
            row,
            columns: std::array::from_fn(|_| empty()),
        }
    }

    /// One row: five rows of either picture's detail around it, and the smooth light of both, and what of the row
    /// is the set (1).
    pub(super) fn add(
        &mut self,
        own: [&[f32]; 5],
        seen: [&[f32]; 5],
        [light, low]: [&[f32]; 2],
        set: &[f32],
        gauge: Gauge,
    ) {
        let row = &mut self.row;
        let across = row.one.len();
        let reach = REACH as usize;
        let inverse = 1.0 / (9.0 * gauge.spread * gauge.spread);
        derive(own, &mut row.own);
        derive(seen, &mut row.seen);
        let ratios = row.ratio.iter_mut().zip(&mut row.one);
        for (((ratio, one), (light, low)), set) in ratios.zip(light.iter().zip(low)).zip(set) {
            let share = light / low;
            let inside = (RATIO[0]..=RATIO[1]).contains(&share);
            *ratio = if inside { share } else { 1.0 };
            *one = if inside { *set } else { 0.0 };
        }
        let value = &own[reach][reach..reach + across];
        let other = &seen[reach][reach..reach + across];
        for ((plate, other), ratio) in row.plate.iter_mut().zip(other).zip(&row.ratio) {
            *plate = ratio * other;
        }
        for side in &mut row.seen {
            for (slope, ratio) in side.iter_mut().zip(&row.ratio) {
                *slope *= ratio;
            }
        }
        let errors = row.error.iter_mut().zip(&mut row.weight);
        let pairs = row.plate.iter().zip(value).zip(&row.one);
        for ((error, weight), ((plate, value), one)) in errors.zip(pairs) {
            *error = plate - value;
            let share = 1.0 / (1.0 + *error * *error * inverse);
            *weight = one * share * share;
        }
        let [px, py, xx, xy, yy, pp, ff, pf, cut, weight, count] = &mut self.columns;
        let [gx, gy] = &row.own;
        let [sx, sy] = &row.seen;
        add(px, &row.weight, &row.error, gx);
        add(py, &row.weight, &row.error, gy);
        add(xx, &row.weight, gx, sx);
        add(yy, &row.weight, gy, sy);
        let mixed = gx.iter().zip(gy).zip(sx.iter().zip(sy));
        for ((sum, weight), ((gx, gy), (sx, sy))) in xy.iter_mut().zip(&row.weight).zip(mixed) {
            *sum += weight * 0.5 * (gx * sy + gy * sx);
        }
        add(pp, &row.weight, &row.plate, &row.plate);
        add(ff, &row.weight, value, value);
        add(pf, &row.weight, &row.plate, value);
        let limit = gauge.cut;
        let pairs = row.plate.iter().zip(value).zip(&row.one);
        for (sum, ((plate, value), one)) in cut.iter_mut().zip(pairs) {
            *sum += one * plate.clamp(-limit, limit) * value.clamp(-limit, limit);
        }
        for (sum, more) in weight.iter_mut().zip(&row.weight) {
            *sum += more;
        }
        for (sum, more) in count.iter_mut().zip(&row.one) {
            *sum += more;
        }
    }

    /// How large the differences of the last row are that count, every so many pixels.
    pub(super) fn errors(&self, every: usize) -> impl Iterator<Item = f32> {
        let all = self.row.one.iter().zip(&self.row.error).step_by(every);
        all.filter(|(one, _)| **one > 0.0)
            .map(|(_, error)| error.abs())
    }

    pub(super) fn totals(&self) -> [f64; 11] {
        let total = |column: &Vec<f32>| column.iter().map(|&v| f64::from(v)).sum();
        std::array::from_fn(|k| total(&self.columns[k]))
    }
}

fn add(sums: &mut [f32], weights: &[f32], a: &[f32], b: &[f32]) {
    for ((sum, weight), (a, b)) in sums.iter_mut().zip(weights).zip(a.iter().zip(b)) {
        *sum += weight * a * b;
    }
}

/// Five-point derivatives across and down along the middle row.
fn derive(rows: [&[f32]; 5], [across, down]: &mut [Vec<f32>; 2]) {
    let length = across.len();
    let along = |k: usize| &rows[2][k..k + length];
    five([along(0), along(1), along(3), along(4)], across);
    let reach = REACH as usize;
    five([0, 1, 3, 4].map(|k| &rows[k][reach..reach + length]), down);
}

/// From the values two and one before, one and two behind.
fn five([a, b, d, e]: [&[f32]; 4], out: &mut [f32]) {
    let inner = b.iter().zip(d);
    let outer = a.iter().zip(e);
    for (out, ((b, d), (a, e))) in out.iter_mut().zip(inner.zip(outer)) {
        *out = (8.0 * (d - b) - (e - a)) * (1.0 / 12.0);
    }
}
