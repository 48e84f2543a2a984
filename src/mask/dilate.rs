//! Dilation by a Euclidean distance: max over q of c(q) clamp(d + 1 - |p - q|, 0, 1).
//!
//! Repeating the border beyond the space changes nothing, since the border pixel itself is nearer than any of its
//! repeats; so only pixels of the space are asked. The flat middle of the shape is a running maximum over each row
//! (two overlapping powers of two); its one-pixel rim is taken tap by tap. Maxima don't depend on their order.

use rayon::prelude::*;

use super::field::{Field, charge_rows};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Matte;

/// The widest dilation, px; more counts as this.
const WIDEST: f64 = 1000.0;

/// How far a dilation carries, px; 0 where there is none.
pub(super) fn radius(distance: f64) -> u32 {
    if distance > 0.0 {
        distance.min(WIDEST).ceil() as u32
    } else {
        0
    }
}

/// One row of the shape, `dy` rows away from its middle.
struct Chord {
    /// Half width of the part at distance d or nearer; `None` where the rim is all there is.
    flat: Option<usize>,
    /// Offsets on either side and their weights, between 0 and 1.
    rim: Vec<(usize, f32)>,
}

/// The shape's rows 0..=radius; it is the same above and below.
fn chords(distance: f64) -> Vec<Chord> {
    let distance = distance.min(WIDEST);
    let reach = radius(distance);
    (0..=reach)
        .map(|dy| {
            let mut chord = Chord {
                flat: None,
                rim: Vec::new(),
            };
            for dx in 0..=reach {
                let squared = f64::from(dx * dx + dy * dy);
                let weight = distance + 1.0 - squared.sqrt();
                if weight >= 1.0 {
                    chord.flat = Some(dx as usize);
                } else if weight > 0.0 {
                    chord.rim.push((dx as usize, weight as f32));
                }
            }
            chord
        })
        .collect()
}

/// `field` dilated, over `rect`; `field` must hold what lies within the radius of `rect` in `space`.
pub(super) fn dilated(
    field: Field,
    distance: f64,
    space: Rect,
    rect: Rect,
    account: &Account,
) -> Result<Field, OverBudget> {
    let reach = radius(distance) as usize;
    if reach == 0 {
        return Ok(field);
    }
    let outside = field.outside;
    if rect.is_empty() {
        return Field::constant(outside, account);
    }
    let chords = chords(distance);
    let mut matte = Matte::filled(rect, 0.0, account)?;
    let width = matte.width();
    let levels = Levels::count(reach);
    let padded = width + 2 * reach;
    let _scratch = charge_rows(padded * levels * size_of::<f32>(), account)?;
    let rows = reach.max(64);
    matte
        .data_mut()
        .par_chunks_mut(width * rows)
        .enumerate()
        .for_each_init(
            || Levels(vec![vec![0.0; padded]; levels]),
            |levels, (band, out)| {
                let y0 = i64::from(rect.y0) + (band * rows) as i64;
                let y1 = y0 + (out.len() / width) as i64;
                let from = (y0 - reach as i64).max(i64::from(space.y0));
                let to = (y1 + reach as i64).min(i64::from(space.y1));
                for y in from..to {
                    if !levels.load(&field, y as i32, rect.x0, reach, space) {
                        continue;
                    }
                    for (k, row) in out.chunks_mut(width).enumerate() {
                        let dy = (y - y0 - k as i64).unsigned_abs() as usize;
                        if let Some(chord) = chords.get(dy) {
                            levels.raise(row, chord, reach);
                        }
                    }
                }
            },
        );
    Ok(Field { matte, outside })
}

/// Running maxima of one padded row: entry x of level k is the maximum of values x..x + 2^k.
struct Levels(Vec<Vec<f32>>);

impl Levels {
    /// Levels that a window of 2 reach + 1 needs.
    fn count(reach: usize) -> usize {
        (2 * reach + 1).ilog2() as usize + 1
    }

    /// Loads row `y` with `reach` more on both sides, nothing beyond the space. False where the row is empty.
    fn load(&mut self, field: &Field, y: i32, x0: i32, reach: usize, space: Rect) -> bool {
        let row = &mut self.0[0];
        let start = i64::from(x0) - reach as i64;
        let end = start + row.len() as i64;
        let (from, to) = (start.max(i64::from(space.x0)), end.min(i64::from(space.x1)));
        let (a, b) = ((from - start) as usize, (to - start) as usize);
        row.fill(0.0);
        field.read(y, from as i32, &mut row[a..b]);
        if row.iter().all(|value| *value == 0.0) {
            return false;
        }
        for k in 1..self.0.len() {
            let half = 1 << (k - 1);
            let (below, level) = self.0.split_at_mut(k);
            let (below, level) = (&below[k - 1], &mut level[0]);
            for (value, (a, b)) in level.iter_mut().zip(below.iter().zip(&below[half..])) {
                *value = a.max(*b);
            }
        }
        true
    }

    /// Raises an output row by this row under one row of the shape.
    fn raise(&self, row: &mut [f32], chord: &Chord, reach: usize) {
        if let Some(flat) = chord.flat {
            let k = (2 * flat + 1).ilog2() as usize;
            let level = &self.0[k];
            let windows = level[reach - flat..]
                .iter()
                .zip(&level[reach + flat + 1 - (1 << k)..]);
            for (value, (a, b)) in row.iter_mut().zip(windows) {
                *value = value.max(a.max(*b));
            }
        }
        let values = &self.0[0];
        for &(dx, weight) in &chord.rim {
            let pairs = values[reach - dx..].iter().zip(&values[reach + dx..]);
            for (value, (a, b)) in row.iter_mut().zip(pairs) {
                *value = value.max(weight * a.max(*b));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::mask::{Layer, Program, Source, Step};

    const SPACE: Rect = Rect {
        x0: 2,
        y0: -3,
        x1: 26,
        y1: 17,
    };

    fn painted(values: &[f32]) -> Matte {
        let mut matte = Matte::filled(SPACE, 0.0, &Account::unlimited()).unwrap();
        matte.data_mut().copy_from_slice(values);
        matte
    }

    fn after(values: &[f32], step: Step) -> Vec<f32> {
        let given = Layer {
            source: Source::Given(std::sync::Arc::new(painted(values))),
            feather: 0.0,
        };
        let steps = vec![Step::Keep(vec![given]), step];
        let matte = Program { steps }.coverage(SPACE, SPACE, &Account::unlimited());
        matte.unwrap().data().to_vec()
    }

    /// The definition, written out, with the border repeated beyond the space.
    fn defined(values: &[f32], d: f64) -> Vec<f64> {
        let (w, h) = (SPACE.width() as i32, SPACE.height() as i32);
        let reach = d.ceil() as i32 + 1;
        let mut result = Vec::new();
        for y in 0..h {
            for x in 0..w {
                let mut most = 0.0_f64;
                for j in -reach..=reach {
                    for i in -reach..=reach {
                        let (u, v) = ((x + i).clamp(0, w - 1), (y + j).clamp(0, h - 1));
                        let far = f64::from(i * i + j * j).sqrt();
                        let c = f64::from(values[(v * w + u) as usize]);
                        most = most.max(c * (d + 1.0 - far).clamp(0.0, 1.0));
                    }
                }
                result.push(most);
            }
        }
        result
    }

    fn coverage() -> impl Strategy<Value = Vec<f32>> {
        let pixel = prop_oneof![6 => Just(0.0_f32), 1 => Just(1.0_f32), 1 => 0.0..1.0_f32];
        proptest::collection::vec(pixel, SPACE.area() as usize)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]

        #[test]
        fn dilation_is_its_definition(values in coverage(), d in 0.0..9.0_f64) {
            let ours = after(&values, Step::Dilate(d));
            for (a, b) in ours.iter().zip(defined(&values, d)) {
                prop_assert!((f64::from(*a) - b).abs() < 1e-6);
            }
        }

        #[test]
        fn erosion_dilates_the_complement(values in coverage(), d in 0.0..9.0_f64) {
            let values: Vec<f32> = values.iter().map(|c| 1.0 - c).collect();
            let rest: Vec<f32> = values.iter().map(|c| 1.0 - c).collect();
            let ours = after(&values, Step::Erode(d));
            for (a, b) in ours.iter().zip(defined(&rest, d)) {
                prop_assert!((f64::from(*a) - (1.0 - b)).abs() < 1e-6);
            }
        }
    }

    /// At a whole distance, full coverage is every pixel no further than d from a covered one.
    #[test]
    fn a_dilated_point_is_a_disc_with_a_rim() {
        let mut values = vec![0.0; SPACE.area() as usize];
        let (w, at) = (SPACE.width() as i32, (11, 9));
        values[(at.1 * w + at.0) as usize] = 1.0;
        let grown = painted(&after(&values, Step::Dilate(5.0)));
        for y in 0..SPACE.height() as i32 {
            for x in 0..w {
                let far = f64::from((x - at.0) * (x - at.0) + (y - at.1) * (y - at.1)).sqrt();
                let c = f64::from(grown.at(x + SPACE.x0, y + SPACE.y0));
                assert_eq!(c == 1.0, far <= 5.0);
                assert!((c - (6.0 - far).clamp(0.0, 1.0)).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn great_distances_cover_all_or_nothing() {
        let mut values = vec![0.0; SPACE.area() as usize];
        values[7] = 1.0;
        assert!(
            after(&values, Step::Dilate(1000.0))
                .iter()
                .all(|c| *c == 1.0)
        );
        assert!(
            after(&values, Step::Erode(1000.0))
                .iter()
                .all(|c| *c == 0.0)
        );
    }
}
