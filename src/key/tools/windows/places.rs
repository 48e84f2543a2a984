//! Where windows and pixels lie that stand side by side: their numbers, row by row, so that none is looked up by itself.

use super::PIECE;

/// Items side by side in one row of pixels: the first one's column, the one after the last, and the first one's number.
#[derive(Clone, Copy, Debug)]
pub(super) struct Side {
    pub from: u32,
    pub to: u32,
    pub first: u32,
}

/// The number of the item in a column.
pub(super) fn number(row: &[Side], column: u32) -> Option<u32> {
    let at = row.partition_point(|side| side.to <= column);
    row.get(at)
        .filter(|side| side.from <= column)
        .map(|side| side.first + column - side.from)
}

/// Windows side by side: the number of the first, how many, and the numbers of the pixels at the left end of the three
/// rows that the first one looks at.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run {
    pub first: u32,
    pub count: u32,
    pub rows: [u32; 3],
}

/// Listed pixels side by side: place in the list of the first, how many, its number, and the numbers of the first three
/// windows that look at it, by rows; `NONE` where some are missing, as at the raster's border.
#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub first: u32,
    pub count: u32,
    pub own: u32,
    pub windows: [u32; 3],
}

/// Marks that make items side by side, and the number after the last of them.
pub(super) fn sides(marks: &[u8], mut first: u32) -> (Vec<Side>, u32) {
    let mut sides = Vec::new();
    let mut x = 0;
    while let Some(from) = marks[x..].iter().position(|&m| m != 0).map(|n| x + n) {
        let to = marks[from..]
            .iter()
            .position(|&m| m == 0)
            .map_or(marks.len(), |n| from + n);
        sides.push(Side {
            from: from as u32,
            to: to as u32,
            first,
        });
        first += (to - from) as u32;
        x = to;
    }
    (sides, first)
}

/// Gives the items of all rows their numbers; how many there are.
pub(super) fn numbered(rows: &mut [Vec<Side>]) -> u32 {
    let mut count = 0;
    for side in rows.iter_mut().flatten() {
        side.first = count;
        count += side.to - side.from;
    }
    count
}

/// Windows by pieces, with the pixels they look at.
pub(super) fn runs(middles: &[Vec<Side>], seen: &[Vec<Side>], count: usize) -> Vec<Vec<Run>> {
    let mut pieces = vec![Vec::new(); count.div_ceil(PIECE)];
    for (y, row) in middles.iter().enumerate() {
        for side in row {
            let mut from = side.from;
            while from < side.to {
                let first = side.first + from - side.from;
                let piece = first as usize / PIECE;
                let room = ((piece + 1) * PIECE) as u32 - first;
                let count = room.min(side.to - from);
                let rows = [0, 1, 2].map(|k| number(&seen[y + k - 1], from - 1).unwrap_or(0));
                pieces[piece].push(Run { first, count, rows });
                from += count;
            }
        }
    }
    pieces
}
