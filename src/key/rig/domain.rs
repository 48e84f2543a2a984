//! What of the half-size grid is asked about, and where the unexplained part of it meets the outside.
//!
//! The outside is whatever is beyond the frame or beyond the hard limit a photographer drew: a rod comes in from
//! either alike.

use crate::geom::Rect;
use crate::key::Ask;
use crate::key::ground::Ground;

/// Half-size cells, each outside, background, or of the mask (piece, rod, specks).
pub(super) struct Domain {
    pub rect: Rect,
    cells: Vec<Cell>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cell {
    Outside,
    Background,
    Mask,
}

/// Mask cells along the domain's border that touch each other.
pub(super) struct Run {
    pub cells: Vec<(i32, i32)>,
    pub bounds: Rect,
    /// More of the mask along the border that touches it and leads nowhere: a rim where plate and frame don't meet.
    pub aside: Vec<(i32, i32)>,
}

/// Depth of the border's ring in cells: the last cells of a frame are often taken for background.
const RING: i32 = 2;
/// A run along the border is a rim when it has so many times the cells that lead inward.
const RIM: usize = 4;

impl Domain {
    pub fn new(ask: &Ask, ground: &Ground) -> Domain {
        let rect = ground.background.rect();
        let frame = ask.frame.rect();
        let mut cells = Vec::with_capacity(rect.area() as usize);
        for j in rect.y0..rect.y1 {
            for i in rect.x0..rect.x1 {
                let mut asked = false;
                for (x, y) in [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(a, b)| (2 * i + a, 2 * j + b))
                {
                    asked |= frame.contains(x, y)
                        && ask
                            .within
                            .is_none_or(|m| m.rect().contains(x, y) && m.at(x, y) > 0.0);
                }
                cells.push(match (asked, ground.background.at(i, j)) {
                    (false, _) => Cell::Outside,
                    (true, 0) => Cell::Mask,
                    (true, _) => Cell::Background,
                });
            }
        }
        Domain { rect, cells }
    }

    pub fn at(&self, i: i32, j: i32) -> Cell {
        if self.rect.contains(i, j) {
            self.cells[self.index(i, j)]
        } else {
            Cell::Outside
        }
    }

    pub fn index(&self, i: i32, j: i32) -> usize {
        (j - self.rect.y0) as usize * self.rect.width() as usize + (i - self.rect.x0) as usize
    }

    /// The cell that holds the point (x, y) of the frame.
    pub fn under(&self, x: f64, y: f64) -> Cell {
        self.at((x / 2.0).floor() as i32, (y / 2.0).floor() as i32)
    }

    pub fn len(&self) -> usize {
        self.cells.len()
    }

    fn is_ring(&self, i: i32, j: i32) -> bool {
        [(RING, 0), (-RING, 0), (0, RING), (0, -RING)]
            .iter()
            .any(|(a, b)| self.at(i + a, j + b) == Cell::Outside)
    }

    /// Every run of the mask along the border, in reading order of their first cells.
    pub fn runs(&self) -> Vec<Run> {
        let mut seen = vec![false; self.cells.len()];
        let mut runs = Vec::new();
        for j in self.rect.y0..self.rect.y1 {
            for i in self.rect.x0..self.rect.x1 {
                if self.at(i, j) != Cell::Mask || seen[self.index(i, j)] || !self.is_ring(i, j) {
                    continue;
                }
                seen[self.index(i, j)] = true;
                let (cells, bounds) = joined((i, j), |(i, j)| {
                    let new = self.at(i, j) == Cell::Mask
                        && !seen[self.index(i, j)]
                        && self.is_ring(i, j);
                    if new {
                        seen[self.index(i, j)] = true;
                    }
                    new
                });
                runs.extend(self.leading(cells, bounds));
            }
        }
        runs
    }

    /// A run, or the places of a rim along the border at which the mask goes on inward.
    fn leading(&self, cells: Vec<(i32, i32)>, bounds: Rect) -> Vec<Run> {
        let inward = |&(i, j): &(i32, i32)| {
            AROUND.iter().any(|(a, b)| {
                let (i, j) = (i + a, j + b);
                self.at(i, j) == Cell::Mask && !self.is_ring(i, j)
            })
        };
        let leads: Vec<(i32, i32)> = cells.iter().copied().filter(inward).collect();
        if leads.is_empty() || cells.len() < RIM * leads.len() {
            let aside = Vec::new();
            return vec![Run {
                cells,
                bounds,
                aside,
            }];
        }
        let mut runs: Vec<Run> = Vec::new();
        let mut left: std::collections::BTreeSet<(i32, i32)> = leads.iter().copied().collect();
        for first in leads {
            if !left.remove(&first) {
                continue;
            }
            let (group, bounds) = joined(first, |cell| left.remove(&cell));
            runs.push(Run {
                cells: group,
                bounds,
                aside: cells.clone(),
            });
        }
        runs
    }
}

/// All cells that hang together with the first, as far as each is `taken` when it is met, and their box.
fn joined(first: (i32, i32), mut taken: impl FnMut((i32, i32)) -> bool) -> (Vec<(i32, i32)>, Rect) {
    let mut cells = vec![first];
    let mut next = 0;
    let mut bounds = Rect::EMPTY;
    while next < cells.len() {
        let (i, j) = cells[next];
        next += 1;
        bounds = bounds.united(&Rect::new(i, j, 1, 1));
        let beside = AROUND.map(|(a, b)| (i + a, j + b));
        cells.extend(beside.into_iter().filter(|&cell| taken(cell)));
    }
    (cells, bounds)
}

pub(super) const AROUND: [(i32, i32); 8] = [
    (0, -1),
    (-1, 0),
    (1, 0),
    (0, 1),
    (-1, -1),
    (1, -1),
    (-1, 1),
    (1, 1),
];
