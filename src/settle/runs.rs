//! Connected parts of a picture from runs of its rows, row by row: what is above is known by its last row alone.

use crate::geom::Rect;

/// One connected part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Part {
    pub pixels: u64,
    pub place: Rect,
    pub strongest: f32,
}

/// Parts found so far; pixels that touch at a corner are connected.
#[derive(Debug, Default)]
pub(super) struct Parts {
    parts: Vec<Part>,
    /// The part each one was joined to; itself where it stands alone.
    joined: Vec<usize>,
    /// The last row, with the part of each run: from, to, part.
    above: Vec<(i32, i32, usize)>,
    row: i32,
}

impl Parts {
    /// Takes the runs of row `y`, left to right, each with its strength. Rows come top to bottom.
    pub fn row(&mut self, y: i32, runs: impl Iterator<Item = (i32, i32, f32)>) {
        let above = std::mem::take(&mut self.above);
        let above: &[_] = if self.row == y - 1 { &above } else { &[] };
        self.row = y;
        for (from, to, strength) in runs {
            let mut part = self.parts.len();
            self.parts.push(Part {
                pixels: (to - from) as u64,
                place: Rect {
                    x0: from,
                    y0: y,
                    x1: to,
                    y1: y + 1,
                },
                strongest: strength,
            });
            self.joined.push(part);
            for &(_, _, other) in above.iter().filter(|a| a.0 <= to && from <= a.1) {
                part = self.join(part, other);
            }
            self.above.push((from, to, part));
        }
    }

    /// The part with the most pixels, the first of equals.
    pub fn largest(&self) -> Option<Part> {
        (0..self.parts.len())
            .filter(|&k| self.joined[k] == k)
            .map(|k| self.parts[k])
            .rev()
            .max_by_key(|part| part.pixels)
    }

    fn root(&mut self, mut part: usize) -> usize {
        while self.joined[part] != part {
            self.joined[part] = self.joined[self.joined[part]];
            part = self.joined[part];
        }
        part
    }

    fn join(&mut self, a: usize, b: usize) -> usize {
        let (a, b) = (self.root(a), self.root(b));
        if a == b {
            return a;
        }
        let (keep, drop) = (a.min(b), a.max(b));
        let other = self.parts[drop];
        let part = &mut self.parts[keep];
        part.pixels += other.pixels;
        part.place = part.place.united(&other.place);
        part.strongest = part.strongest.max(other.strongest);
        self.joined[drop] = keep;
        keep
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arms_that_meet_below_are_one_part() {
        let mut parts = Parts::default();
        parts.row(0, [(0, 2, 1.0), (5, 6, 7.0), (20, 29, 2.0)].into_iter());
        parts.row(1, [(2, 5, 1.0)].into_iter());
        parts.row(3, [(2, 5, 9.0)].into_iter());
        assert_eq!(
            parts.largest(),
            Some(Part {
                pixels: 9,
                place: Rect::new(20, 0, 9, 1),
                strongest: 2.0
            })
        );
        // Two runs joined through a third by their corners.
        let mut parts = Parts::default();
        parts.row(0, [(0, 2, 1.0), (5, 6, 7.0)].into_iter());
        parts.row(1, [(2, 5, 1.0)].into_iter());
        assert_eq!(
            parts.largest(),
            Some(Part {
                pixels: 6,
                place: Rect::new(0, 0, 6, 2),
                strongest: 7.0
            })
        );
    }
}
