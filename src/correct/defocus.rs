//! A lens out of focus: every point of light becomes a disc, on premultiplied colour and alpha together.

use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Picture, Premul};
use rayon::prelude::*;

/// How far a disc of this radius (px) spreads a pixel, in whole pixels. 0: the disc lies within its pixel.
pub fn spread(radius: f64) -> u32 {
    if radius <= 0.5 {
        0
    } else {
        (radius - 0.5).ceil() as u32
    }
}

/// `picture` under a lens disc of `radius` px, on its rectangle grown by [`spread`]; beyond its edge it is
/// transparent. The weight of a neighbour is the exact area of its pixel that the disc covers; weights add up to 1.
///
/// Every row is worked out by itself from whole rows of `picture`, in f64 and in one order: the result depends on
/// the picture and the radius, on nothing else.
pub fn defocused(picture: &Picture, radius: f64, account: &Account) -> Result<Picture, OverBudget> {
    if spread(radius) == 0 {
        return picture.cropped(picture.rect(), account);
    }
    let rect = picture.rect().grown(spread(radius));
    let mut soft = Picture::filled(rect, Premul::CLEAR, account)?;
    if rect.is_empty() {
        return Ok(soft);
    }
    let disc = Disc::new(radius);
    let threads = rayon::current_num_threads() as u64;
    let length = Rows::length(&rect, &disc) as u64;
    let _charge = account.charge(
        threads * length * Rows::BYTES_A_PIXEL,
        "rows under a lens disc",
    )?;
    let width = soft.width();
    soft.data_mut()
        .par_chunks_mut(width)
        .zip(rect.y0..rect.y1)
        .for_each_init(
            || Rows::new(&rect, &disc),
            |rows, (out, y)| rows.softened(picture, &disc, y, out),
        );
    Ok(soft)
}

/// A disc as chords, one for each row from its centre outwards; the rows above are the same.
#[derive(Debug)]
struct Disc {
    chords: Vec<Chord>,
    /// Sum of all weights, about pi r^2.
    total: f64,
}

/// One row of a disc, right of its centre; the left is the same.
#[derive(Debug)]
struct Chord {
    /// Pixels from the centre outwards that are covered whole.
    whole: usize,
    /// Weights of the partly covered ones after them.
    edge: Vec<f64>,
}

impl Disc {
    fn new(radius: f64) -> Disc {
        let reach = spread(radius);
        let chords: Vec<Chord> = (0..=reach)
            .map(|dy| Chord::new(radius, reach, dy))
            .collect();
        let mut total = 0.0;
        for (dy, chord) in chords.iter().enumerate() {
            let mut sum = 0.0;
            for dx in 0..chord.length() {
                sum += chord.weight(dx) * if dx == 0 { 1.0 } else { 2.0 };
            }
            total += sum * if dy == 0 { 1.0 } else { 2.0 };
        }
        Disc { chords, total }
    }

    fn reach(&self) -> usize {
        self.chords.len() - 1
    }
}

impl Chord {
    fn new(radius: f64, reach: u32, dy: u32) -> Chord {
        let within = |dx: u32| {
            let (x, y) = (f64::from(dx) + 0.5, f64::from(dy) + 0.5);
            x * x + y * y <= radius * radius
        };
        let whole = (0..=reach).take_while(|&dx| within(dx)).count();
        let edge = (whole as u32..=reach)
            .map(|dx| covered(radius, dx, dy))
            .take_while(|&area| area > 0.0)
            .collect();
        Chord { whole, edge }
    }

    fn length(&self) -> usize {
        self.whole + self.edge.len()
    }

    fn weight(&self, dx: usize) -> f64 {
        if dx < self.whole {
            1.0
        } else {
            self.edge[dx - self.whole]
        }
    }
}

/// Area that a disc about the centre of pixel (0, 0) has in common with pixel (dx, dy), in pixels.
fn covered(radius: f64, dx: u32, dy: u32) -> f64 {
    // A pixel on an axis is twice its half.
    let side = |d: u32| {
        let d = f64::from(d);
        if d == 0.0 {
            (0.0, 0.5, 2.0)
        } else {
            (d - 0.5, d + 0.5, 1.0)
        }
    };
    let ((x0, x1, across), (y0, y1, down)) = (side(dx), side(dy));
    let squared = radius * radius;
    // Where the circle passes the pixel's far and near horizontal line.
    let crossing = |y: f64| (squared - y * y).max(0.0).sqrt();
    let full = crossing(y1).clamp(x0, x1);
    let end = crossing(y0).clamp(x0, x1);
    if end <= x0 {
        return 0.0;
    }
    // The integral of sqrt(r^2 - x^2).
    let under = |x: f64| {
        let height = (squared - x * x).max(0.0).sqrt();
        (x * height + squared * libm::atan2(x, height)) / 2.0
    };
    let area = (full - x0) * (y1 - y0) + (under(end) - under(full)) - y0 * (end - full);
    (area * across * down).clamp(0.0, 1.0)
}

/// Working rows of one thread. Pixel i of a finished row stands at `reach` + i of the working ones, so that no
/// chord leaves them.
struct Rows {
    /// Two rows of the picture at the same distance above and below, added.
    pair: Vec<[f64; 4]>,
    /// Sums of `pair` from its beginning.
    sums: Vec<[f64; 4]>,
    total: Vec<[f64; 4]>,
}

impl Rows {
    /// Three rows of four f64.
    const BYTES_A_PIXEL: u64 = 96;

    fn length(out: &Rect, disc: &Disc) -> usize {
        out.width() as usize + 2 * disc.reach() + 1
    }

    fn new(out: &Rect, disc: &Disc) -> Rows {
        let length = Rows::length(out, disc);
        Rows {
            pair: vec![[0.0; 4]; length],
            sums: vec![[0.0; 4]; length],
            total: vec![[0.0; 4]; out.width() as usize],
        }
    }

    fn softened(&mut self, picture: &Picture, disc: &Disc, y: i32, out: &mut [Premul]) {
        self.total.fill([0.0; 4]);
        for (dy, chord) in (0..).zip(&disc.chords) {
            if self.load(picture, disc.reach(), y, dy) {
                self.add(disc.reach(), chord);
            }
        }
        for (pixel, sum) in out.iter_mut().zip(&self.total) {
            *pixel = Premul(sum.map(|value| (value / disc.total) as f32));
        }
    }

    /// Puts rows y - dy and y + dy together; false where the picture has neither.
    fn load(&mut self, picture: &Picture, reach: usize, y: i32, dy: i32) -> bool {
        let rect = picture.rect();
        let (above, below) = (y - dy, y + dy);
        let inside = |y: i32| rect.y0 <= y && y < rect.y1;
        let first = 2 * reach;
        let target = &mut self.pair[first..first + picture.width()];
        match (inside(above), inside(below) && dy != 0) {
            (false, false) => return false,
            (true, true) => {
                let rows = picture.row(above).iter().zip(picture.row(below));
                for (pixel, (a, b)) in target.iter_mut().zip(rows) {
                    *pixel = std::array::from_fn(|k| f64::from(a.0[k]) + f64::from(b.0[k]));
                }
            }
            (there, _) => {
                let row = picture.row(if there { above } else { below });
                for (pixel, a) in target.iter_mut().zip(row) {
                    *pixel = a.0.map(f64::from);
                }
            }
        }
        let mut sum = [0.0; 4];
        for (after, pixel) in self.sums[1..].iter_mut().zip(&self.pair) {
            sum = std::array::from_fn(|k| sum[k] + pixel[k]);
            *after = sum;
        }
        true
    }

    fn add(&mut self, reach: usize, chord: &Chord) {
        for (i, total) in self.total.iter_mut().enumerate() {
            let at = i + reach;
            let mut sum = [0.0; 4];
            if chord.whole > 0 {
                let (from, to) = (
                    &self.sums[at + 1 - chord.whole],
                    &self.sums[at + chord.whole],
                );
                sum = std::array::from_fn(|k| to[k] - from[k]);
            }
            for (dx, weight) in (chord.whole..).zip(&chord.edge) {
                let (left, right) = (&self.pair[at - dx], &self.pair[at + dx]);
                // The middle pixel is its own mirror picture.
                let half = if dx == 0 { 0.5 } else { 1.0 };
                for k in 0..4 {
                    sum[k] += half * weight * (left[k] + right[k]);
                }
            }
            for k in 0..4 {
                total[k] += sum[k];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(value: [f32; 4], account: &Account) -> Picture {
        Picture::filled(Rect::new(7, -3, 1, 1), Premul(value), account).unwrap()
    }

    /// Area of a disc: pi r^2. Each pixel's share is checked against counting 2^20 points of it.
    #[test]
    fn a_disc_has_its_area() {
        for radius in [0.51, 0.7, 1.0, 1.5, 2.25, 7.5, 33.3, 500.0] {
            let area = std::f64::consts::PI * radius * radius;
            let total = Disc::new(radius).total;
            assert!(
                (total / area - 1.0).abs() < 1e-11,
                "{radius}: {total} {area}"
            );
        }
        let side = 1024;
        for (radius, dx, dy) in [(2.25, 2, 1), (2.25, 0, 2), (7.5, 5, 5), (0.7, 0, 0)] {
            let mut inside = 0u32;
            for j in 0..side {
                for i in 0..side {
                    let place = |d: u32, n: u32| f64::from(d) - 0.5 + (f64::from(n) + 0.5) / 1024.0;
                    let (x, y) = (place(dx, i), place(dy, j));
                    inside += u32::from(x * x + y * y < radius * radius);
                }
            }
            let counted = f64::from(inside) / f64::from(side * side);
            let area = covered(radius, dx, dy);
            assert!(
                (area - counted).abs() < 1e-4,
                "{radius} {dx} {dy}: {area} {counted}"
            );
        }
    }

    #[test]
    fn a_point_becomes_a_disc_and_keeps_its_light() {
        let account = Account::unlimited();
        for radius in [0.6, 1.0, 3.7, 12.0] {
            // A highlight: light above 1 spreads as light.
            let soft =
                defocused(&point([40.0, 1.0, -0.5, 1.0], &account), radius, &account).unwrap();
            let reach = spread(radius) as i32;
            assert_eq!(soft.rect(), Rect::new(7, -3, 1, 1).grown(reach as u32));
            let mut sums = [0.0; 4];
            for pixel in soft.data() {
                for (sum, value) in sums.iter_mut().zip(pixel.0) {
                    *sum += f64::from(value);
                }
            }
            for (sum, whole) in sums.iter().zip([40.0, 1.0, -0.5, 1.0]) {
                assert!((sum / whole - 1.0).abs() < 1e-6, "{radius}: {sums:?}");
            }
            // Flat inside, the same in all four directions, nothing in the corners of the box.
            let middle = soft.at(7, -3);
            let level = 1.0 / (std::f64::consts::PI * radius * radius);
            if radius > 1.0 {
                assert!((f64::from(middle.alpha()) / level - 1.0).abs() < 1e-6);
                assert_eq!(soft.at(8, -3), middle);
            }
            assert_eq!(soft.at(7 + reach, -3), soft.at(7, -3 - reach));
            assert_eq!(soft.at(7 + reach, -3), soft.at(7 - reach, -3));
            if radius > 1.5 {
                assert_eq!(soft.at(7 - reach, -3 - reach), Premul::CLEAR);
            }
        }
    }

    #[test]
    fn half_a_pixel_spreads_nothing() {
        let account = Account::unlimited();
        let one = point([0.3, 0.2, 0.1, 0.7], &account);
        for radius in [0.0, 0.25, 0.5] {
            let soft = defocused(&one, radius, &account).unwrap();
            assert_eq!(soft.data(), one.data(), "{radius}");
        }
    }

    #[test]
    fn the_inside_of_a_sheet_stays_opaque_and_of_one_colour() {
        let account = Account::unlimited();
        let sheet = Picture::filled(
            Rect::of_size(64, 48),
            Premul([0.37, 3.2, 1e-4, 1.0]),
            &account,
        );
        let soft = defocused(&sheet.unwrap(), 9.3, &account).unwrap();
        for y in 10..38 {
            for x in 10..54 {
                assert_eq!(soft.at(x, y).0, [0.37, 3.2, 1e-4, 1.0]);
            }
        }
        assert!(soft.at(-1, 20).alpha() > 0.0 && soft.at(-1, 20).alpha() < 0.5);
        assert_eq!(soft.at(-9, -9), Premul::CLEAR);
        // Nothing in, nothing out.
        let none = Picture::filled(Rect::EMPTY, Premul::CLEAR, &account).unwrap();
        assert!(defocused(&none, 9.0, &account).unwrap().rect().is_empty());
    }

    #[test]
    fn threads_change_nothing() {
        let account = Account::unlimited();
        let mut picture =
            Picture::filled(Rect::new(3, 5, 41, 29), Premul::CLEAR, &account).unwrap();
        for (k, pixel) in picture.data_mut().iter_mut().enumerate() {
            let value = ((k as u32).wrapping_mul(2_654_435_761) >> 8) as f32 / 1e6;
            *pixel = Premul([value, value * 0.5, 1.0 - value, 1.0]);
        }
        let on = |threads| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| defocused(&picture, 6.4, &account).unwrap().data().to_vec())
        };
        assert_eq!(on(1), on(7));
    }
}
