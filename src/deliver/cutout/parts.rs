//! Connected parts of a matte, each with its box and area.

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Matte, Raster};

/// A connected part. Its area is a count of pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Part {
    pub rect: Rect,
    pub area: u64,
}

/// Which pixels belong together, and how.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sort {
    /// Half covered or more; corners touch.
    Covered,
    /// Less than half covered and shut in by the piece; only sides touch.
    Hole,
}

/// The parts of at least `least` pixels, largest first, then from the top left.
pub(super) fn parts(
    matte: &Matte,
    sort: Sort,
    least: u64,
    account: &Account,
) -> Result<Vec<Part>, OverBudget> {
    let rect = matte.rect();
    let mut label: Raster<u32> = Raster::filled(rect, 0, account)?;
    // Label 0 is "not of this sort"; `parent` finds the first label of a part.
    let mut parent: Vec<u32> = vec![0];
    let mut found: Vec<Part> = vec![Part {
        rect: Rect::EMPTY,
        area: 0,
    }];
    let belongs = |c: f32| (c >= 0.5) == (sort == Sort::Covered);
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if !belongs(matte.at(x, y)) {
                continue;
            }
            let beside: &[(i32, i32)] = match sort {
                Sort::Covered => &[(-1, 0), (-1, -1), (0, -1), (1, -1)],
                Sort::Hole => &[(-1, 0), (0, -1)],
            };
            let mut own = 0;
            for (dx, dy) in beside {
                let (x, y) = (x + dx, y + dy);
                if !rect.contains(x, y) {
                    continue;
                }
                let other = label.at(x, y);
                if other == 0 {
                    continue;
                }
                let other = root(&mut parent, other);
                if own == 0 {
                    own = other;
                } else if own != other {
                    let (low, high) = (own.min(other), own.max(other));
                    parent[high as usize] = low;
                    let joined = found[high as usize];
                    let into = &mut found[low as usize];
                    into.rect = into.rect.united(&joined.rect);
                    into.area += joined.area;
                    own = low;
                }
            }
            if own == 0 {
                own = parent.len() as u32;
                parent.push(own);
                found.push(Part {
                    rect: Rect::EMPTY,
                    area: 0,
                });
            }
            label.put(x, y, own);
            let part = &mut found[own as usize];
            part.area += 1;
            part.rect = part.rect.united(&Rect::new(x, y, 1, 1));
        }
    }
    let shut_in = |part: &Part| {
        sort == Sort::Covered
            || (part.rect.x0 > rect.x0
                && part.rect.y0 > rect.y0
                && part.rect.x1 < rect.x1
                && part.rect.y1 < rect.y1)
    };
    let mut parts: Vec<Part> = (1..parent.len())
        .filter(|&k| parent[k] as usize == k)
        .map(|k| found[k])
        .filter(|part| part.area >= least && shut_in(part))
        .collect();
    parts.sort_by_key(|p| (std::cmp::Reverse(p.area), p.rect.y0, p.rect.x0));
    Ok(parts)
}

fn root(parent: &mut [u32], mut label: u32) -> u32 {
    while parent[label as usize] != label {
        parent[label as usize] = parent[parent[label as usize] as usize];
        label = parent[label as usize];
    }
    label
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Drawn by hand: a ring with a hole, a spiral arm that joins late, a speck at a corner.
    #[test]
    fn parts_and_holes_are_counted() {
        let drawing = [
            "..........", //
            ".#####..#.", //
            ".#...#.#..", //
            ".#.#.#..#.", //
            ".#...#..#.", //
            ".#####.##.", //
            "..........", //
        ];
        let account = Account::unlimited();
        let rect = Rect::new(-3, 5, 10, 7);
        let mut matte = Matte::filled(rect, 0.0, &account).unwrap();
        for (row, line) in drawing.iter().enumerate() {
            for (k, c) in line.chars().enumerate() {
                let covered = if c == '#' { 0.5 } else { 0.49 };
                matte.put(rect.x0 + k as i32, rect.y0 + row as i32, covered);
            }
        }
        let of = |sort, least| {
            let parts = parts(&matte, sort, least, &account).unwrap();
            let areas: Vec<u64> = parts.iter().map(|p| p.area).collect();
            (areas, parts.first().map(|p| p.rect))
        };
        assert_eq!(of(Sort::Covered, 1).0, [16, 6, 1]);
        assert_eq!(of(Sort::Covered, 2).1, Some(Rect::new(-2, 6, 5, 5)));
        assert_eq!(of(Sort::Hole, 1), (vec![8], Some(Rect::new(-1, 7, 3, 3))));
        assert_eq!(of(Sort::Hole, 9), (vec![], None));
        let nothing = Matte::filled(Rect::EMPTY, 0.0, &account).unwrap();
        assert_eq!(parts(&nothing, Sort::Hole, 1, &account), Ok(vec![]));
    }
}
