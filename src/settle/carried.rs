//! A plate carried to a frame's grid: the frame itself is resampled only when it is placed.

use crate::budget::Account;
use crate::geom::{Map, Rect};
use crate::raster::{Light, Picture, Premul, Seen};
use crate::resample::{self, Kernel};

/// Pixels the plate's border is continued by, so that a kernel never sees past it.
const MARGIN: u32 = 4;

/// The plate under the frame pixels `rect`; `map` takes frame to plate. Beyond the plate's edge its border goes on.
/// A map of whole pixels copies.
pub(super) fn carried<P: Seen>(
    plate: &P,
    map: &Map,
    rect: Rect,
    account: &Account,
) -> Result<Light, P::Fault> {
    let whole = plate.rect();
    let mut light = Light::filled(rect, [0.0; 3], account)?;
    if rect.is_empty() || whole.is_empty() {
        return Ok(light);
    }
    if let Some(pixels) = map.as_pixel_map() {
        let source = plate.light(inside(&pixels.rect(&rect), &whole))?;
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                light.put(x, y, nearest(&source, pixels.apply(x, y)));
            }
        }
        return Ok(light);
    }
    let kernel = Kernel::Lanczos3;
    let room = whole.grown(MARGIN);
    let window = resample::footprint(map, &rect, kernel).intersected(&room);
    let (x0, y0, x1, y1) = map.bounds(&rect);
    let wanted = if window.is_empty() {
        Rect::around(x0, y0, x1, y1)
    } else {
        window
    };
    let source = plate.light(inside(&wanted, &whole))?;
    let mut continued = Picture::filled(window, Premul::CLEAR, account)?;
    for y in window.y0..window.y1 {
        for x in window.x0..window.x1 {
            let [r, g, b] = nearest(&source, (x, y));
            continued.put(x, y, Premul([r, g, b, 1.0]));
        }
    }
    let picture = resample::resampled(&continued, map, rect, kernel, account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let Premul([r, g, b, a]) = picture.at(x, y);
            let (u, v) = map.apply(f64::from(x) + 0.5, f64::from(y) + 0.5);
            let beside = !(f64::from(whole.x0) <= u
                && u <= f64::from(whole.x1)
                && f64::from(whole.y0) <= v
                && v <= f64::from(whole.y1));
            light.put(
                x,
                y,
                if beside || a <= 0.0 {
                    nearest(&source, (u.floor() as i32, v.floor() as i32))
                } else {
                    [r / a, g / a, b / a]
                },
            );
        }
    }
    Ok(light)
}

/// The part of `whole` that lies in `rect`, at least the pixel nearest to it.
fn inside(rect: &Rect, whole: &Rect) -> Rect {
    let both = rect.intersected(whole);
    if !both.is_empty() {
        return both;
    }
    let x = rect.x0.clamp(whole.x0, whole.x1 - 1);
    let y = rect.y0.clamp(whole.y0, whole.y1 - 1);
    Rect::new(x, y, 1, 1)
}

fn nearest(light: &Light, (x, y): (i32, i32)) -> [f32; 3] {
    let rect = light.rect();
    light.at(x.clamp(rect.x0, rect.x1 - 1), y.clamp(rect.y0, rect.y1 - 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::budget::OverBudget;

    struct Ramp(Rect);

    impl Seen for Ramp {
        type Fault = OverBudget;

        fn rect(&self) -> Rect {
            self.0
        }

        fn light(&self, rect: Rect) -> Result<Light, OverBudget> {
            let mut light = Light::filled(rect, [0.0; 3], &Account::unlimited())?;
            for y in rect.y0..rect.y1 {
                for x in rect.x0..rect.x1 {
                    light.put(x, y, [x as f32, y as f32, 1.0]);
                }
            }
            Ok(light)
        }
    }

    /// A straight ramp shifted by a fraction is the ramp with that fraction added; whole pixels copy.
    #[test]
    fn a_ramp_is_carried_where_it_belongs() {
        let plate = Ramp(Rect::of_size(40, 30));
        let account = Account::unlimited();
        let rect = Rect::new(10, 10, 8, 8);
        let copied = carried(&plate, &Map::translation(3.0, -2.0), rect, &account).unwrap();
        assert_eq!(copied.at(12, 11), [15.0, 9.0, 1.0]);
        let between = carried(&plate, &Map::translation(0.25, 0.5), rect, &account).unwrap();
        let [u, v, one] = between.at(12, 11);
        assert!(
            (u - 12.25).abs() < 0.02 && (v - 11.5).abs() < 0.02,
            "{u} {v}"
        );
        assert!((one - 1.0).abs() < 1e-5);
    }

    #[test]
    fn beyond_the_edge_the_border_goes_on() {
        let plate = Ramp(Rect::of_size(40, 30));
        let account = Account::unlimited();
        for map in [Map::translation(100.0, 0.0), Map::translation(100.3, 0.2)] {
            let light = carried(&plate, &map, Rect::of_size(4, 4), &account).unwrap();
            assert_eq!(light.at(0, 2)[0], 39.0);
        }
    }
}
