//! Thin parts of the piece beside a rod that runs on in front of them. What is right beside the rod there is theirs, and no
//! slack of the rod's mask.

use super::look::Look;
use super::rod::{MISFIT, off};
use super::strip::Strip;

/// Columns beside a rod that are looked at, a pixel wide, from so far off its side on.
const COLUMNS: usize = 7;
const OFF: f64 = 0.5;
/// Longest part along the rod, in widths of it and in pixels: a rod's own shadow runs along it, a face goes on.
const LONGEST: f64 = 6.0;
const LONG: f64 = 24.0;

/// Where they are, on both sides.
#[derive(Debug)]
pub(super) struct Beside {
    first: i32,
    sides: [(f64, Vec<bool>); 2],
}

impl Beside {
    /// Those that come all the way to the rod, on rows before `end`.
    pub fn of(strip: &Strip, look: &Look, end: i32) -> Beside {
        let first = strip.first;
        let rows = (end.min(strip.end()) - first).max(0) as usize;
        let longest = (LONGEST * (look.high - look.low)).max(LONG) as usize;
        let side = |out: &dyn Fn(f64) -> f64| {
            let mut cells = vec![(0u32, 0u32); rows * COLUMNS];
            for p in strip.rows(first, first + rows as i32) {
                let column = (out(f64::from(p.u)) - OFF).floor();
                if (0.0..COLUMNS as f64).contains(&column) {
                    let row = (p.s.floor() as i32 - first).clamp(0, rows as i32 - 1) as usize;
                    let cell = &mut cells[row * COLUMNS + column as usize];
                    cell.0 += 1;
                    cell.1 += u32::from(off(&p.set, p, 0.0064) > MISFIT);
                }
            }
            let mut differ: Vec<bool> = cells.iter().map(|(all, off)| off * 2 > *all).collect();
            for cell in COLUMNS..cells.len() {
                // Of a slanted rod a cell may hold no pixel.
                if cells[cell].0 == 0 {
                    differ[cell] = differ[cell - COLUMNS];
                }
            }
            retain_thin(&mut differ, longest);
            differ
        };
        Beside {
            first,
            sides: [
                (look.low, side(&|u| look.low - u)),
                (look.high, side(&|u| u - look.high)),
            ],
        }
    }

    /// Whether a place beside the rod shows one.
    pub fn at(&self, s: f32, u: f32) -> bool {
        let u = f64::from(u);
        let [(low, left), (high, right)] = &self.sides;
        let (out, marks) = if u < *low {
            (low - u, left)
        } else {
            (u - high, right)
        };
        let row = s.floor() as i32 - self.first;
        // As far as the slack goes, what comes to the rod lies beyond the last column too.
        let column = ((out - OFF).max(0.0) as usize).min(COLUMNS - 1);
        out > 0.0 && row >= 0 && marks.get(row as usize * COLUMNS + column) == Some(&true)
    }
}

/// Keeps connected marks that reach from the first column to the last and are no longer than that.
fn retain_thin(marks: &mut [bool], longest: usize) {
    let rows = marks.len() / COLUMNS;
    let mut left = marks.to_vec();
    for at in 0..left.len() {
        if !std::mem::take(&mut left[at]) {
            continue;
        }
        let mut part = vec![at];
        let mut next = 0;
        while next < part.len() {
            let (row, column) = (part[next] / COLUMNS, part[next] % COLUMNS);
            next += 1;
            for r in row.saturating_sub(1)..(row + 2).min(rows) {
                for c in column.saturating_sub(1)..(column + 2).min(COLUMNS) {
                    if std::mem::take(&mut left[r * COLUMNS + c]) {
                        part.push(r * COLUMNS + c);
                    }
                }
            }
        }
        let reaches = |column: usize| part.iter().any(|cell| cell % COLUMNS == column);
        let of = part.iter().map(|cell| cell / COLUMNS);
        let long = of.clone().max().unwrap_or(0) - of.min().unwrap_or(0) + 1;
        if !(reaches(0) && reaches(COLUMNS - 1) && long <= longest) {
            part.iter().for_each(|&cell| marks[cell] = false);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_comes_to_the_rod_and_passes_it_is_thin() {
        let marked = |shape: &dyn Fn(usize, usize) -> bool| {
            let marks: Vec<bool> = (0..60 * COLUMNS)
                .map(|cell| shape(cell / COLUMNS, cell % COLUMNS))
                .collect();
            let mut kept = marks.clone();
            retain_thin(&mut kept, 24);
            (kept == marks, kept.contains(&true))
        };
        // A wire across, a slanted one; a shadow along the rod, a face, and a speck that does not come to it.
        assert_eq!(marked(&|row, _| (20..28).contains(&row)), (true, true));
        assert_eq!(
            marked(&|row, c| (20..26).contains(&(row + c))),
            (true, true)
        );
        assert!(!marked(&|row, c| row > 5 && c < 3).1);
        assert!(!marked(&|row, _| row > 20).1);
        assert!(!marked(&|row, c| (20..28).contains(&row) && c > 1).1);
    }
}
