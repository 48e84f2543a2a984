//! Where in a large frame the piece lies: a look at reduced size, so that only its box is cut out at full size.
//!
//! Errs on the large side: a shadow or a drift of light widens the box, and the cut-out itself decides what is piece.

use super::coverage::ROWS;
use super::sight::{CarriedSight, FrameSight};
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::{Map, Rect};
use crate::raster::{Light, Matte, Raster, Seen};

/// Pixels up to which a frame is cut out whole.
pub(super) const WHOLE: u64 = 16_000_000;

/// Pixels above which the look is taken at an eighth instead of a quarter of the size.
const LARGE: u64 = 64_000_000;

/// A cell is as the plate within this many standard deviations of what cells differ by.
const DEVIATIONS: f32 = 6.0;

/// Whatever the deviations are, this much counts as different: relative, and in light.
const DIFFERENT: (f32, f32) = (0.05, 0.003);

/// And this much never does.
const ALIKE: (f32, f32) = (0.002, 0.0001);

/// Brightness bins the deviations are measured in, even in the square root of light.
const BINS: usize = 16;

/// Whether a frame is looked at as a whole, however little of it the piece is.
pub(super) fn looks_at_all(frame: Rect) -> bool {
    frame.area() <= WHOLE
}

/// The part of a frame that is to be cut out; empty where nothing differs.
pub(super) fn region(
    frame: &FrameSight,
    plate: &CarriedSight,
    within: Option<&Matte>,
    account: &Account,
) -> Result<Rect, Finding> {
    let whole = lit(frame.rect(), plate.plate.rect(), &plate.carry);
    if whole.area() <= WHOLE {
        return Ok(whole);
    }
    let margin = (whole.width().max(whole.height()) / 16).max(96);
    let found = match within {
        Some(limit) => limit.rect(),
        None => located(frame, plate, account)?,
    };
    Ok(found.grown(margin).intersected(&whole))
}

/// The part of a frame below which there is plate: a camera that moved sees beyond the plate's edge, where nothing is
/// known of the set. Pixel centres count, so that less than half a pixel costs nothing.
pub(super) fn lit(frame: Rect, plate: Rect, carry: &Map) -> Rect {
    if let Some(pixels) = carry.as_pixel_map() {
        return pixels.inverted().rect(&plate).intersected(&frame);
    }
    let mut rect = frame;
    // Each round takes off what sticks out; a map that turns the frame far is given up on.
    for _ in 0..16 {
        if rect.is_empty() {
            return Rect::EMPTY;
        }
        let mut inner = rect;
        for (x, y) in [
            (rect.x0, rect.y0),
            (rect.x1 - 1, rect.y0),
            (rect.x0, rect.y1 - 1),
            (rect.x1 - 1, rect.y1 - 1),
        ] {
            let (x, y) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let (u, v) = carry.apply(x, y);
            let [[ux, uy], [vx, vy]] = carry.derivative(x, y);
            let upright = ux > 2.0 * uy.abs() && vy > 2.0 * vx.abs();
            if !(u.is_finite() && v.is_finite() && upright) {
                return frame;
            }
            let over = |beyond: f64| beyond.clamp(0.0, f64::from(i32::MAX / 2)).ceil() as i32;
            inner.x0 = inner.x0.max(rect.x0 + over((f64::from(plate.x0) - u) / ux));
            inner.y0 = inner.y0.max(rect.y0 + over((f64::from(plate.y0) - v) / vy));
            inner.x1 = inner.x1.min(rect.x1 - over((u - f64::from(plate.x1)) / ux));
            inner.y1 = inner.y1.min(rect.y1 - over((v - f64::from(plate.y1)) / vy));
        }
        if inner == rect {
            return rect;
        }
        rect = inner;
    }
    frame
}

/// The box of what differs, in frame pixels.
fn located<F: Seen<Fault = Finding>, P: Seen<Fault = Finding>>(
    frame: &F,
    plate: &P,
    account: &Account,
) -> Result<Rect, Finding> {
    let whole = frame.rect();
    let side = if whole.area() > LARGE { 8 } else { 4 };
    let frame = reduced(frame, side, account)?;
    let plate = reduced(plate, side, account)?;
    let deviations = deviations(&frame, &plate);
    let cells = frame.rect();
    let mut differs = Raster::filled(cells, 0u8, account)?;
    for (out, (f, p)) in differs
        .data_mut()
        .iter_mut()
        .zip(frame.data().iter().zip(plate.data()))
    {
        *out = u8::from((0..3).any(|k| {
            let light = p[k].abs();
            let least = ALIKE.0 * light + ALIKE.1;
            let most = DIFFERENT.0 * light + DIFFERENT.1;
            let limit = (DEVIATIONS * deviations[bin(p[k])][k]).clamp(least, most);
            (f[k] - p[k]).abs() > limit
        }));
    }
    let mut found = Rect::EMPTY;
    for y in cells.y0..cells.y1 {
        for x in cells.x0..cells.x1 {
            if differs.at(x, y) == 0 {
                continue;
            }
            // A lone cell is a speck.
            let near = Rect {
                x0: x - 1,
                y0: y - 1,
                x1: x + 2,
                y1: y + 2,
            }
            .intersected(&cells);
            let fellows: u32 = (near.y0..near.y1)
                .flat_map(|y| differs.span(y, near.x0, near.x1))
                .map(|&cell| u32::from(cell))
                .sum();
            if fellows >= 3 {
                found = found.united(&Rect::new(x, y, 1, 1));
            }
        }
    }
    if found.is_empty() {
        return Ok(found);
    }
    let side = side as i32;
    Ok(Rect {
        x0: whole.x0 + found.x0 * side,
        y0: whole.y0 + found.y0 * side,
        x1: whole.x0 + found.x1 * side,
        y1: whole.y0 + found.y1 * side,
    })
}

/// Means of blocks of `side` x `side` pixels; the last ones may be smaller.
fn reduced<S: Seen<Fault = Finding>>(
    seen: &S,
    side: u32,
    account: &Account,
) -> Result<Light, Finding> {
    let whole = seen.rect();
    let cells = Rect::of_size(whole.width().div_ceil(side), whole.height().div_ceil(side));
    let mut means = Light::filled(cells, [0.0; 3], account)?;
    let mut row = 0;
    // Bands hold whole cells: ROWS is a multiple of both sides.
    for band in whole.bands(ROWS) {
        let light = seen.light(band)?;
        for part in band.bands(side) {
            for (column, mean) in means.row_mut(row).iter_mut().enumerate() {
                let x0 = whole.x0 + (column as u32 * side) as i32;
                let x1 = (x0 + side as i32).min(whole.x1);
                let mut sum = [0.0f32; 3];
                for y in part.y0..part.y1 {
                    for pixel in light.span(y, x0, x1) {
                        for k in 0..3 {
                            sum[k] += pixel[k];
                        }
                    }
                }
                let count = ((x1 - x0) * (part.y1 - part.y0)) as f32;
                *mean = sum.map(|v| v / count);
            }
            row += 1;
        }
    }
    Ok(means)
}

fn bin(light: f32) -> usize {
    ((light.max(0.0).sqrt() * (BINS as f32 - 1.0)) as usize).min(BINS - 1)
}

/// 1.4826 x the median absolute difference of each brightness and channel; most of a frame is its plate.
fn deviations(frame: &Light, plate: &Light) -> Vec<[f32; 3]> {
    let mut found = vec![[0.0; 3]; BINS];
    for k in 0..3 {
        let mut bins: Vec<Vec<f32>> = vec![Vec::new(); BINS];
        // Every seventh cell is plenty, and no multiple of a picture's width by design.
        for (f, p) in frame.data().iter().zip(plate.data()).step_by(7) {
            bins[bin(p[k])].push((f[k] - p[k]).abs());
        }
        for (values, out) in bins.iter_mut().zip(&mut found) {
            if !values.is_empty() {
                let middle = values.len() / 2;
                let (_, median, _) = values.select_nth_unstable_by(middle, f32::total_cmp);
                out[k] = 1.4826 * *median;
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Scene {
        rect: Rect,
        piece: Rect,
    }

    impl Seen for Scene {
        type Fault = Finding;

        fn rect(&self) -> Rect {
            self.rect
        }

        fn light(&self, rect: Rect) -> Result<Light, Finding> {
            let mut light = Light::filled(rect, [0.0; 3], &Account::unlimited())?;
            for y in rect.y0..rect.y1 {
                for x in rect.x0..rect.x1 {
                    let value = if self.piece.contains(x, y) { 0.3 } else { 0.2 };
                    light.put(x, y, [value + ((x * 7 + y * 13) % 5) as f32 * 1e-3; 3]);
                }
            }
            Ok(light)
        }
    }

    #[test]
    fn the_box_of_a_piece_is_found_at_reduced_size() {
        let account = Account::unlimited();
        let rect = Rect::of_size(803, 601);
        let piece = Rect::new(301, 200, 77, 90);
        let (frame, plate) = (
            Scene { rect, piece },
            Scene {
                rect,
                piece: Rect::EMPTY,
            },
        );
        let found = located(&frame, &plate, &account).unwrap();
        assert!(
            found.covers(&piece) && piece.grown(4).covers(&found),
            "{found:?}"
        );
        assert_eq!(located(&plate, &plate, &account).unwrap(), Rect::EMPTY);
        // One hot pixel is no piece.
        let speck = Scene {
            rect,
            piece: Rect::new(400, 400, 1, 1),
        };
        assert_eq!(located(&speck, &plate, &account).unwrap(), Rect::EMPTY);
    }

    #[test]
    fn beyond_the_plate_nothing_is_known() {
        let frame = Rect::of_size(200, 100);
        let lit = |map: Map| lit(frame, frame, &map);
        assert_eq!(lit(Map::IDENTITY), frame);
        assert_eq!(lit(Map::translation(3.0, -2.0)), Rect::new(0, 2, 197, 98));
        assert_eq!(lit(Map::translation(0.4, 0.4)), frame);
        assert_eq!(lit(Map::translation(-3.7, 1.6)), Rect::new(4, 0, 196, 98));
        assert_eq!(
            lit(Map::rotation(90.0).then(&Map::translation(100.0, 0.0))),
            Rect::of_size(100, 100)
        );
        // Twice the size about the middle shows half the plate; half the size sees beyond on every side.
        let about = |s: f64| {
            Map::translation(-100.0, -50.0)
                .then(&Map::scaling(s, s))
                .then(&Map::translation(100.0, 50.0))
        };
        assert_eq!(lit(about(0.5)), frame);
        let inner = lit(about(2.0));
        assert!(
            inner.grown(1).covers(&Rect::new(50, 25, 100, 50)) && inner.width() < 104,
            "{inner:?}"
        );
        assert_eq!(lit(Map::translation(500.0, 0.0)), Rect::EMPTY);
    }
}
