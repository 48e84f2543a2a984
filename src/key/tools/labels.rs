//! Connected parts of a mask, numbered in reading order.

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Which neighbours join.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Joined {
    Sides,
    SidesAndCorners,
}

/// The parts of a mask.
#[derive(Debug)]
pub struct Parts {
    /// 0 outside every part, else the part's place in `parts` plus 1.
    pub labels: Raster<u32>,
    pub parts: Vec<Part>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    pub area: u64,
    pub place: Rect,
}

impl Parts {
    /// The part at (x, y), as its index.
    pub fn at(&self, x: i32, y: i32) -> Option<usize> {
        self.labels.at(x, y).checked_sub(1).map(|i| i as usize)
    }
}

/// Clears the parts of a mask that are not to be kept.
pub fn retained(
    mask: &mut Raster<u8>,
    joined: Joined,
    keep: impl Fn(&Part) -> bool,
    account: &Account,
) -> Result<(), OverBudget> {
    let parts = parts(mask, joined, account)?;
    for (cell, &label) in mask.data_mut().iter_mut().zip(parts.labels.data()) {
        if label > 0 && !keep(&parts.parts[label as usize - 1]) {
            *cell = 0;
        }
    }
    Ok(())
}

/// Parts of the cells that are not 0.
pub fn parts(mask: &Raster<u8>, joined: Joined, account: &Account) -> Result<Parts, OverBudget> {
    let rect = mask.rect();
    let mut labels = Raster::filled(rect, 0u32, account)?;
    let mut found: Vec<Part> = Vec::new();
    let width = mask.width();
    if width == 0 {
        return Ok(Parts {
            labels,
            parts: found,
        });
    }
    // Provisional numbers joined as rows meet, then renumbered by first appearance.
    let mut parents: Vec<u32> = vec![0];
    let data = labels.data_mut();
    for (y, row) in mask.data().chunks(width).enumerate() {
        for (x, _) in row.iter().enumerate().filter(|(_, set)| **set != 0) {
            let i = y * width + x;
            let mut label = if x > 0 { data[i - 1] } else { 0 };
            if y > 0 {
                let mut meet = |other: u32| {
                    if other == 0 {
                    } else if label == 0 {
                        label = other;
                    } else if other != label {
                        label = unite(&mut parents, label, other);
                    }
                };
                meet(data[i - width]);
                if joined == Joined::SidesAndCorners {
                    if x > 0 {
                        meet(data[i - width - 1]);
                    }
                    if x + 1 < width {
                        meet(data[i - width + 1]);
                    }
                }
            }
            if label == 0 {
                label = parents.len() as u32;
                parents.push(label);
            }
            data[i] = label;
        }
    }
    let mut numbers = vec![0u32; parents.len()];
    for (row, y) in data.chunks_mut(width).zip(rect.y0..) {
        let mut x = 0;
        while x < width {
            let own = row[x];
            let run = row[x..].iter().take_while(|label| **label == own).count();
            if own > 0 {
                let top = root(&mut parents, own) as usize;
                if numbers[top] == 0 {
                    found.push(Part {
                        area: 0,
                        place: Rect::EMPTY,
                    });
                    numbers[top] = found.len() as u32;
                }
                row[x..x + run].fill(numbers[top]);
                let part = &mut found[numbers[top] as usize - 1];
                part.area += run as u64;
                let place = Rect::new(rect.x0 + x as i32, y, run as u32, 1);
                part.place = part.place.united(&place);
            }
            x += run;
        }
    }
    Ok(Parts {
        labels,
        parts: found,
    })
}

fn root(parents: &mut [u32], mut label: u32) -> u32 {
    while parents[label as usize] != label {
        let above = parents[parents[label as usize] as usize];
        parents[label as usize] = above;
        label = above;
    }
    label
}

fn unite(parents: &mut [u32], a: u32, b: u32) -> u32 {
    let (a, b) = (root(parents, a), root(parents, b));
    let (low, high) = (a.min(b), a.max(b));
    parents[high as usize] = low;
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mask(rows: &[&str], account: &Account) -> Raster<u8> {
        let rect = Rect::new(2, -1, rows[0].len() as u32, rows.len() as u32);
        let mut mask = Raster::filled(rect, 0, account).unwrap();
        let cells = rows.iter().flat_map(|row| row.bytes());
        for (cell, c) in mask.data_mut().iter_mut().zip(cells) {
            *cell = u8::from(c == b'#');
        }
        mask
    }

    #[test]
    fn parts_meet_by_sides_or_by_corners_too() {
        let account = Account::unlimited();
        let mask = mask(&["#.#.#", "#.###", "###..", "....#"], &account);
        let found = parts(&mask, Joined::Sides, &account).unwrap();
        assert_eq!(found.parts.len(), 2);
        let first = Part {
            area: 10,
            place: Rect::new(2, -1, 5, 3),
        };
        assert_eq!(found.parts[0], first);
        assert_eq!(found.at(6, 2), Some(1));
        assert_eq!(found.at(3, -1), None);
        let touching = self::mask(&["#..", ".#.", "..#"], &account);
        let by = |joined| parts(&touching, joined, &account).unwrap().parts.len();
        assert_eq!(by(Joined::Sides), 3);
        assert_eq!(by(Joined::SidesAndCorners), 1);
    }
}
