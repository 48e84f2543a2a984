//! A block's sums, in plain loops over short rows that run many pixels at a time.

use super::measure::{Gauge, REACH};

/// Brightness ratios (square roots of light) beyond which a pixel can be no set under other light.
const RATIO: [f32; 2] = [0.5, 2.0];
/// Pixels across the widest block.
pub(super) const WIDEST: usize = 32;
/// One value a pixel across a block; no longer than what it is made for counts.
type Line = [f32; WIDEST];

/// What is measured along one row of a block, pixel by pixel.
struct Row {
    /// Frame's smooth light over the plate's, and 1 where that can be the set, else 0.
    ratio: Line,
    one: Line,
    error: Line,
    weight: Line,
    plate: Line,
    own: [Line; 2],
    seen: [Line; 2],
}

/// A block's sums, column by column: pull x and y; hold xx, xy and yy; products plate squared, frame squared, both; the
/// cut product; weight; count.
pub(super) struct Sums {
    across: usize,
    row: Row,
    columns: [Line; 11],
}

impl Sums {
    pub(super) fn new(across: usize) -> Sums {
        const EMPTY: Line = [0.0; WIDEST];
        Sums {
            across: across.min(WIDEST),
            row: Row {
                ratio: EMPTY,
                one: EMPTY,
                error: EMPTY,
                weight: EMPTY,
                plate: EMPTY,
                own: [EMPTY; 2],
                seen: [EMPTY; 2],
            },
            columns: [EMPTY; 11],
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
        let (across, row) = (self.across, &mut self.row);
        let reach = REACH as usize;
        let inverse = 1.0 / (9.0 * gauge.spread * gauge.spread);
        derive(own, &mut row.own, across);
        derive(seen, &mut row.seen, across);
        let (light, low, set) = (&light[..across], &low[..across], &set[..across]);
        for x in 0..across {
            let share = light[x] / low[x];
            let inside = (RATIO[0]..=RATIO[1]).contains(&share);
            row.ratio[x] = if inside { share } else { 1.0 };
            row.one[x] = if inside { set[x] } else { 0.0 };
        }
        let value = &own[reach][reach..reach + across];
        let other = &seen[reach][reach..reach + across];
        for x in 0..across {
            row.plate[x] = row.ratio[x] * other[x];
            row.seen[0][x] *= row.ratio[x];
            row.seen[1][x] *= row.ratio[x];
            row.error[x] = row.plate[x] - value[x];
            let share = 1.0 / (1.0 + row.error[x] * row.error[x] * inverse);
            row.weight[x] = row.one[x] * share * share;
        }
        let [px, py, xx, xy, yy, pp, ff, pf, cut, weight, count] = &mut self.columns;
        let ([gx, gy], [sx, sy]) = (&row.own, &row.seen);
        for x in 0..across {
            let (w, e) = (row.weight[x], row.error[x]);
            px[x] += w * e * gx[x];
            py[x] += w * e * gy[x];
            xx[x] += w * gx[x] * sx[x];
            xy[x] += w * 0.5 * (gx[x] * sy[x] + gy[x] * sx[x]);
            yy[x] += w * gy[x] * sy[x];
        }
        for x in 0..across {
            weight[x] += row.weight[x];
            count[x] += row.one[x];
        }
        let Some(limit) = gauge.cut else {
            return;
        };
        let held = |v: f32| {
            let v = if v < -limit { -limit } else { v };
            if v > limit { limit } else { v }
        };
        for x in 0..across {
            let (w, p, v, one) = (row.weight[x], row.plate[x], value[x], row.one[x]);
            pp[x] += w * p * p;
            ff[x] += w * v * v;
            pf[x] += w * p * v;
            cut[x] += one * held(p) * held(v);
        }
    }

    /// How large the differences of the last row are that count, every so many pixels.
    pub(super) fn errors(&self, every: usize) -> impl Iterator<Item = f32> {
        let all = self.row.one.iter().zip(&self.row.error);
        let all = all.take(self.across).step_by(every);
        all.filter(|(one, _)| **one > 0.0)
            .map(|(_, error)| error.abs())
    }

    pub(super) fn totals(&self) -> [f64; 11] {
        let total = |column: &Line| column[..self.across].iter().map(|&v| f64::from(v)).sum();
        std::array::from_fn(|k| total(&self.columns[k]))
    }
}

/// Five-point derivatives across and down along the middle row.
fn derive(rows: [&[f32]; 5], [across, down]: &mut [Line; 2], length: usize) {
    let along = |k: usize| &rows[2][k..k + length];
    five([along(0), along(1), along(3), along(4)], across);
    let reach = REACH as usize;
    five([0, 1, 3, 4].map(|k| &rows[k][reach..reach + length]), down);
}

/// From the values two and one before, one and two behind.
fn five([a, b, d, e]: [&[f32]; 4], out: &mut Line) {
    let length = a.len().min(WIDEST);
    let (b, d, e) = (&b[..length], &d[..length], &e[..length]);
    for x in 0..length {
        out[x] = (8.0 * (d[x] - b[x]) - (e[x] - a[x])) * (1.0 / 12.0);
    }
}
