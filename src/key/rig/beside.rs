//! Thin parts of the piece beside a rod that runs on in front of them. What is right beside the rod there is theirs, and no
//! slack of the rod's mask.

use super::look::Look;
use super::rod::{MISFIT, off};
use super::strip::Strip;
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::key::tools::labels::{self, Joined, Part};
use crate::raster::Raster;

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
    sides: [(f64, Raster<u8>); 2],
}

impl Beside {
    /// Those that come all the way to the rod, on rows before `end`.
    pub fn of(
        strip: &Strip,
        look: &Look,
        end: i32,
        account: &Account,
    ) -> Result<Beside, OverBudget> {
        let first = strip.first;
        let rows = (end.min(strip.end()) - first).max(0) as usize;
        let longest = (LONGEST * (look.high - look.low)).max(LONG) as u32;
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
            let table = Rect::of_size(COLUMNS as u32, rows as u32);
            let mut differ = Raster::filled(table, 0u8, account)?;
            for (cell, &(all, off)) in cells.iter().enumerate() {
                let marks = differ.data_mut();
                marks[cell] = match all {
                    // Of a slanted rod a cell may hold no pixel.
                    0 => cell.checked_sub(COLUMNS).map_or(0, |above| marks[above]),
                    _ => u8::from(off * 2 > all),
                };
            }
            thinned(&mut differ, longest, account)?;
            Ok(differ)
        };
        Ok(Beside {
            first,
            sides: [
                (look.low, side(&|u| look.low - u)?),
                (look.high, side(&|u| u - look.high)?),
            ],
        })
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
        let column = column as i32;
        out > 0.0 && marks.rect().contains(column, row) && marks.at(column, row) != 0
    }
}

/// Keeps connected marks that reach from the first column to the last and are no longer than that.
fn thinned(marks: &mut Raster<u8>, longest: u32, account: &Account) -> Result<(), OverBudget> {
    let thin = |part: &Part| part.place.width() == COLUMNS as u32 && part.place.height() <= longest;
    labels::retained(marks, Joined::SidesAndCorners, thin, account)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_comes_to_the_rod_and_passes_it_is_thin() {
        let marked = |shape: &dyn Fn(usize, usize) -> bool| {
            let account = Account::unlimited();
            let table = Rect::of_size(COLUMNS as u32, 60);
            let mut kept = Raster::filled(table, 0u8, &account).unwrap();
            for (cell, mark) in kept.data_mut().iter_mut().enumerate() {
                *mark = u8::from(shape(cell / COLUMNS, cell % COLUMNS));
            }
            let marks = kept.data().to_vec();
            thinned(&mut kept, 24, &account).unwrap();
            (kept.data() == marks, kept.data().contains(&1))
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
