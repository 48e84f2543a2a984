//! Piece and rod as layers, and the piece as it is behind the rod, kept only where they are: a frame of 60 MP is mostly set.

use crate::vector::V3;

/// Premultiplied colour and coverage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cover {
    pub colour: V3,
    pub alpha: f32,
}

/// Coverage of one pixel by what is hung.
#[derive(Clone, Copy, Debug, Default)]
pub struct Hanging {
    /// What is seen of the piece.
    pub piece: Cover,
    pub rod: Cover,
    /// The piece, were no rod before it.
    pub whole: Cover,
}

/// Layers of a whole frame, row by row.
#[derive(Clone, Debug)]
pub struct Covers {
    pub width: u32,
    pub height: u32,
    /// Where each row's covered part begins, and the part.
    rows: Vec<(usize, Vec<Hanging>)>,
}

impl Covers {
    pub fn new(width: u32, height: u32) -> Covers {
        Covers {
            width,
            height,
            rows: Vec::with_capacity(height as usize),
        }
    }

    /// The next row.
    pub fn push(&mut self, row: &[Hanging]) {
        let covered = |c: &Hanging| c.piece.alpha > 0.0 || c.rod.alpha > 0.0;
        let first = row.iter().position(covered).unwrap_or(row.len());
        let end = row.iter().rposition(covered).map_or(first, |last| last + 1);
        self.rows.push((first, row[first..end].to_vec()));
    }

    /// Nothing outside the frame.
    pub fn at(&self, x: i64, y: i64) -> Hanging {
        let row = usize::try_from(y).ok().and_then(|y| self.rows.get(y));
        let cover =
            row.and_then(|(first, part)| part.get(usize::try_from(x - *first as i64).ok()?));
        cover.copied().unwrap_or_default()
    }

    /// Left, top, right and bottom of what is covered.
    pub fn bounds(&self) -> [i64; 4] {
        let mut bounds = [i64::MAX, i64::MAX, 0, 0];
        for (y, (first, part)) in self
            .rows
            .iter()
            .enumerate()
            .filter(|(_, r)| !r.1.is_empty())
        {
            bounds[0] = bounds[0].min(*first as i64);
            bounds[1] = bounds[1].min(y as i64);
            bounds[2] = bounds[2].max((first + part.len()) as i64);
            bounds[3] = y as i64 + 1;
        }
        if bounds[3] == 0 { [0; 4] } else { bounds }
    }
}
