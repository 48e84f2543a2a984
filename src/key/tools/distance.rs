//! Nearest marked pixel, exactly (Euclidean), for every pixel: columns first, then the lower envelope of parabolas
//! along each row. Whole numbers throughout, so the answer is the same everywhere.

use rayon::prelude::*;

use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// No marked pixel anywhere.
pub const NONE: u32 = u32::MAX;

/// For every pixel the index (row by row, from 0) of a nearest marked pixel; [`NONE`] where nothing is marked.
pub fn nearest(marked: &Raster<u8>, account: &Account) -> Result<Raster<u32>, OverBudget> {
    let width = marked.width();
    let mut found = Raster::filled(marked.rect(), NONE, account)?;
    if width == 0 {
        return Ok(found);
    }
    let height = marked.data().len() / width;
    // Nearest marked row of each pixel's own column: down, then up.
    let mut rows = Raster::filled(marked.rect(), NONE, account)?;
    let own = rows.data_mut();
    for y in 0..height {
        for x in 0..width {
            own[y * width + x] = if marked.data()[y * width + x] != 0 {
                y as u32
            } else if y > 0 {
                own[(y - 1) * width + x]
            } else {
                NONE
            };
        }
    }
    for y in (0..height.saturating_sub(1)).rev() {
        for x in 0..width {
            let below = own[(y + 1) * width + x];
            let here = own[y * width + x];
            let gap = |row: u32| (i64::from(row) - y as i64).abs();
            if below != NONE && (here == NONE || gap(below) < gap(here)) {
                own[y * width + x] = below;
            }
        }
    }
    found
        .data_mut()
        .par_chunks_mut(width)
        .zip(rows.data().par_chunks(width))
        .enumerate()
        .for_each_init(
            || (Vec::with_capacity(width), Vec::with_capacity(width)),
            |(columns, starts), (y, (found, rows))| {
                across(y as i64, rows, found, columns, starts);
            },
        );
    Ok(found)
}

/// One row: which column's marked pixel is nearest, from the lower envelope of (x - c)^2 + (y - row(c))^2.
fn across(
    y: i64,
    rows: &[u32],
    found: &mut [u32],
    columns: &mut Vec<usize>,
    starts: &mut Vec<i64>,
) {
    columns.clear();
    starts.clear();
    let width = rows.len() as i64;
    let height2 = |c: usize| {
        let gap = i64::from(rows[c]) - y;
        gap * gap
    };
    for (c, &row) in rows.iter().enumerate() {
        if row == NONE {
            continue;
        }
        let mut start = 0;
        while let Some(&last) = columns.last() {
            // First whole x at which column c is strictly nearer than the last one of the envelope.
            let (a, b) = (last as i64, c as i64);
            let top = (b * b - a * a) + height2(c) - height2(last);
            start = top.div_euclid(2 * (b - a)) + 1;
            if start <= *starts.last().unwrap_or(&0) && columns.len() > 1 {
                columns.pop();
                starts.pop();
            } else if start <= 0 {
                columns.pop();
                starts.pop();
                start = 0;
            } else {
                break;
            }
        }
        if columns.is_empty() {
            start = 0;
        }
        if start < width {
            columns.push(c);
            starts.push(start);
        }
    }
    let mut part = 0;
    for (x, found) in found.iter_mut().enumerate() {
        while part + 1 < starts.len() && starts[part + 1] <= x as i64 {
            part += 1;
        }
        if let Some(&c) = columns.get(part) {
            *found = (i64::from(rows[c]) * width + c as i64) as u32;
        }
    }
}

/// Squared distance in pixels between two indices of a raster `width` wide; very large for [`NONE`].
pub fn squared(width: usize, from: usize, to: u32) -> i64 {
    if to == NONE {
        return i64::MAX;
    }
    let width = width as i64;
    let (from, to) = (from as i64, i64::from(to));
    let (dx, dy) = (from % width - to % width, from / width - to / width);
    dx * dx + dy * dy
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    #[test]
    fn the_nearest_pixel_is_the_one_a_search_finds() {
        let account = Account::unlimited();
        let (width, height) = (23usize, 17usize);
        let mut marked = Raster::filled(Rect::of_size(23, 17), 0u8, &account).unwrap();
        let mut state = 5u32;
        for cell in marked.data_mut() {
            state = state.wrapping_mul(1664525).wrapping_add(1013904223);
            *cell = u8::from(state >> 27 == 0);
        }
        let got = nearest(&marked, &account).unwrap();
        for i in 0..width * height {
            let best = (0..width * height)
                .filter(|&j| marked.data()[j] != 0)
                .map(|j| squared(width, i, j as u32))
                .min()
                .unwrap();
            assert_eq!(squared(width, i, got.data()[i]), best, "pixel {i}");
            assert_ne!(marked.data()[got.data()[i] as usize], 0);
        }
    }

    #[test]
    fn nothing_marked_and_nothing_at_all() {
        let account = Account::unlimited();
        let empty = Raster::filled(Rect::of_size(3, 2), 0u8, &account).unwrap();
        assert!(
            nearest(&empty, &account)
                .unwrap()
                .data()
                .iter()
                .all(|&n| n == NONE)
        );
        let none = Raster::filled(Rect::EMPTY, 0u8, &account).unwrap();
        assert!(nearest(&none, &account).unwrap().data().is_empty());
    }
}
