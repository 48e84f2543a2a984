//! Light that changed in one place only.
//!
//! Looked for among cells that show the set: a broad, smooth departure from the global gain. The shadow of a piece,
//! the light it throws and its image in the set are such departures too, so a place is only reported where it looks
//! like neither: it touches no cell that is no part of the set; a flag stands outside the frame, so what it does is
//! strongest at the border and runs along it, where a piece's shadow that leaves the frame is deepest inside; and
//! what only gains light inside the frame must cover much of it, as no reflection does. One picture can't tell a
//! flag's shadow that touches the piece from the piece's own.

use super::super::Uneven;
use super::cells::Grid;
use crate::geom::Rect;

/// Departures from the global gain above this are reported (relative).
const AMOUNT: f64 = 0.03;
/// And above so many deviations of how light drifts over the frame: what is uneven everywhere is not so in one place.
const DEVIATIONS: f64 = 8.0;
/// A quartile in deviations stands for this much.
const QUARTILE: f64 = 0.3186;
/// Windows are this share of the frame's width.
const WINDOW: usize = 30;
/// Within a window, cells may differ by so much (standard deviation, natural logarithm): more is an edge.
const SMOOTH: f64 = 0.03;
/// Share of a window's cells that must show the set.
const KNOWN: f64 = 0.6;
/// A place is at least so many windows large.
const BROAD: f64 = 2.0;
/// A flag's work lies along at least this share of the frame's shorter side.
const ALONG: f64 = 0.2;
/// What gains light inside the frame is reported from this share of the frame on.
const WIDE: f64 = 0.05;

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
    let mut sizes: Vec<f64> = smooth.iter().flatten().map(|v| v.abs()).collect();
    if sizes.is_empty() {
        return None;
    }
    let quarter = sizes.len() / 4;
    let drift = *sizes.select_nth_unstable_by(quarter, f64::total_cmp).1 / QUARTILE;
    let limit = AMOUNT.max(DEVIATIONS * drift);
    let mut taken = vec![false; smooth.len()];
    let mut strongest: Option<Uneven> = None;
    for first in 0..smooth.len() {
        let Some(place) = Place::from(first, &smooth, columns, limit, &mut taken) else {
            continue;
        };
        let broad = place.cells as f64 >= BROAD * (side * side) as f64;
        let (x, y) = (place.at % columns, place.at / columns);
        let margin = x.min(y).min(columns - 1 - x).min(rows - 1 - y);
        let along = place.rim as f64 >= ALONG * columns.min(rows) as f64;
        let flag = along && margin <= side;
        let wide = place.peak > 0.0 && place.cells as f64 >= WIDE * smooth.len() as f64;
        let own = place.touches_unknown || !(flag || wide);
        let amount = libm::exp(place.peak) - 1.0;
        if broad && !own && strongest.is_none_or(|best| amount.abs() > best.amount.abs()) {
            strongest = Some(Uneven {
                place: place
                    .strong
                    .iter()
                    .filter(|(_, value)| value.abs() >= 0.5 * place.peak.abs())
                    .fold(Rect::EMPTY, |all, &(at, _)| {
                        all.united(&cell(grid, at % columns, at / columns))
                    }),
                amount,
            });
        }
    }
    strongest
}

/// The pixels of a cell.
fn cell(grid: &Grid, x: usize, y: usize) -> Rect {
    let step = grid.step as i32;
    Rect::new(
        grid.rect.x0 + x as i32 * step,
        grid.rect.y0 + y as i32 * step,
        grid.step,
        grid.step,
    )
}

/// A connected part that departs to one side.
struct Place {
    cells: usize,
    peak: f64,
    at: usize,
    /// Cells on the frame's border.
    rim: usize,
    touches_unknown: bool,
    /// All of it, and by how much each cell departs.
    strong: Vec<(usize, f64)>,
}

impl Place {
    fn from(
        first: usize,
        smooth: &[Option<f64>],
        columns: usize,
        limit: f64,
        taken: &mut [bool],
    ) -> Option<Place> {
        let departs = |at: usize| smooth[at].filter(|v| (libm::exp(*v) - 1.0).abs() > limit);
        let start = departs(first).filter(|_| !taken[first])?;
        let mut place = Place {
            cells: 0,
            peak: 0.0,
            at: first,
            rim: 0,
            touches_unknown: false,
            strong: Vec::new(),
        };
        let mut open = vec![first];
        taken[first] = true;
        while let Some(at) = open.pop() {
            let value = smooth[at].unwrap_or(0.0);
            place.cells += 1;
            place.strong.push((at, value));
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
            place.rim += usize::from(beside.contains(&None));
            for next in beside.into_iter().flatten() {
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
