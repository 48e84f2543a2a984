//! Light that changed in one place only.
//!
//! Looked for among cells that show the set: a broad, smooth departure from the global gain. The shadow of a piece
//! and the light it throws are such departures too; what touches cells that are no part of the set is taken for
//! them and not reported, nor is a darker place that stays inside the frame (a piece's shadow may fall beside it).
//! One picture can't tell a flag's shadow that touches the piece from the piece's own.

use super::super::Uneven;
use super::cells::Grid;
use crate::geom::Rect;

/// Departures from the global gain above this are reported (relative).
const AMOUNT: f64 = 0.03;
/// Windows are this share of the frame's width.
const WINDOW: usize = 30;
/// Within a window, cells may differ by so much (standard deviation, natural logarithm): more is an edge.
const SMOOTH: f64 = 0.03;
/// Share of a window's cells that must show the set.
const KNOWN: f64 = 0.6;
/// A place is at least so many windows large.
const BROAD: f64 = 2.0;

/// The strongest such place, if there is one.
pub(super) fn found(grid: &Grid, level: f64) -> Option<Uneven> {
    let columns = grid.columns;
    if columns == 0 {
        return None;
    }
    let rows = grid.cells.len() / columns;
    let side = (columns / WINDOW).max(3);
    let half = side / 2;
    let smooth: Vec<Option<f64>> = (0..rows * columns)
        .map(|at| {
            let (x, y) = (at % columns, at / columns);
            let (x0, x1) = (x.saturating_sub(half), (x + half + 1).min(columns));
            let (y0, y1) = (y.saturating_sub(half), (y + half + 1).min(rows));
            let (mut n, mut sum, mut square) = (0.0, 0.0, 0.0);
            for row in y0..y1 {
                for cell in &grid.cells[row * columns + x0..row * columns + x1] {
                    if cell.weight > 0.0 {
                        let off = cell.light - level;
                        n += 1.0;
                        sum += off;
                        square += off * off;
                    }
                }
            }
            if n < KNOWN * ((x1 - x0) * (y1 - y0)) as f64 {
                return None;
            }
            let mean = sum / n;
            let spread = (square / n - mean * mean).max(0.0).sqrt();
            (spread < SMOOTH).then_some(mean)
        })
        .collect();
    let mut taken = vec![false; smooth.len()];
    let mut strongest: Option<Uneven> = None;
    for first in 0..smooth.len() {
        let Some(place) = Place::from(first, &smooth, columns, &mut taken) else {
            continue;
        };
        let broad = place.cells as f64 >= BROAD * (side * side) as f64;
        let own = place.touches_unknown || (place.peak < 0.0 && !place.at_border);
        let amount = libm::exp(place.peak) - 1.0;
        if broad && !own && strongest.is_none_or(|best| amount.abs() > best.amount.abs()) {
            let (x, y) = ((place.at % columns) as i32, (place.at / columns) as i32);
            let cell = grid.step as i32;
            let centre = Rect::new(
                grid.rect.x0 + x * cell,
                grid.rect.y0 + y * cell,
                grid.step,
                grid.step,
            );
            strongest = Some(Uneven {
                place: centre
                    .grown(half as u32 * grid.step)
                    .intersected(&grid.rect),
                amount,
            });
        }
    }
    strongest
}

/// A connected part that departs to one side.
struct Place {
    cells: usize,
    peak: f64,
    at: usize,
    at_border: bool,
    touches_unknown: bool,
}

impl Place {
    fn from(
        first: usize,
        smooth: &[Option<f64>],
        columns: usize,
        taken: &mut [bool],
    ) -> Option<Place> {
        let departs = |at: usize| smooth[at].filter(|v| (libm::exp(*v) - 1.0).abs() > AMOUNT);
        let start = departs(first).filter(|_| !taken[first])?;
        let mut place = Place {
            cells: 0,
            peak: 0.0,
            at: first,
            at_border: false,
            touches_unknown: false,
        };
        let mut open = vec![first];
        taken[first] = true;
        while let Some(at) = open.pop() {
            let value = smooth[at].unwrap_or(0.0);
            place.cells += 1;
            if value.abs() > place.peak.abs() {
                (place.peak, place.at) = (value, at);
            }
            let (x, y) = (at % columns, at / columns);
            let beside = [
                (x > 0).then(|| at - 1),
                (x + 1 < columns).then(|| at + 1),
                (y > 0).then(|| at - columns),
                (at + columns < smooth.len()).then(|| at + columns),
            ];
            for next in beside {
                let Some(next) = next else {
                    place.at_border = true;
                    continue;
                };
                place.touches_unknown |= smooth[next].is_none();
                if !taken[next] && departs(next).is_some_and(|v| (v > 0.0) == (start > 0.0)) {
                    taken[next] = true;
                    open.push(next);
                }
            }
        }
        Some(place)
    }
}
