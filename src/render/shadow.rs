//! Shadows on the base plate: the light pieces took from the set where they were shot, as ratios.

use super::scope::PlacedElement;
use crate::geom::Rect;
use crate::key::LightField;
use crate::plan::ShadowStep;
use crate::raster::{Light, Matte};

/// A shadow as it falls on the canvas.
#[derive(Clone, Copy, Debug)]
pub struct Thrown<'a> {
    light: &'a LightField,
    within: Option<&'a Matte>,
    strength: f32,
    /// What is taken from a canvas coordinate to come to the frame's.
    shift: [f64; 2],
    /// Canvas pixels beyond which the ratio is exactly 1.
    reach: Rect,
}

impl<'a> Thrown<'a> {
    /// The shadow of a piece that was cut out; `within` is what the step's own mask came to. The alignment counts as
    /// far as it moves the middle of the frame: a shadow is not turned.
    pub(super) fn new(
        element: &PlacedElement<'a>,
        step: &ShadowStep,
        within: Option<&'a Matte>,
        frame: Rect,
    ) -> Option<Thrown<'a>> {
        let light = &element.cut.keyed.as_ref()?.shadow;
        let middle = |low: i32, high: i32| (f64::from(low) + f64::from(high)) / 2.0;
        let (x, y) = (middle(frame.x0, frame.x1), middle(frame.y0, frame.y1));
        let (u, v) = element.cut.carry.apply(x, y);
        let shift = [u - x + step.offset[0], v - y + step.offset[1]];
        let mut thrown = Thrown {
            light,
            within,
            strength: step.strength,
            shift,
            reach: Rect::EMPTY,
        };
        if step.strength == 0.0 {
            return None;
        }
        thrown.reach = thrown.reached();
        (!thrown.reach.is_empty()).then_some(thrown)
    }

    /// Where some cell that is not 1 can be seen, on the canvas.
    fn reached(&self) -> Rect {
        let cells = self.light.cells.rect();
        let acting = self.light.cells.bounds(|cell| *cell != [1.0; 3]);
        if acting.is_empty() {
            return acting;
        }
        // A cell shows two pixels about its own two, and at the field's border goes on without end.
        let far = f64::from(1 << 29);
        let low = |cell: i32, edge: i32, shift: f64| {
            if cell == edge {
                -far
            } else {
                2.0 * f64::from(cell) - 2.0 + shift
            }
        };
        let high = |cell: i32, edge: i32, shift: f64| {
            if cell == edge {
                far
            } else {
                2.0 * f64::from(cell) + 2.0 + shift
            }
        };
        let reach = Rect::around(
            low(acting.x0, cells.x0, self.shift[0]),
            low(acting.y0, cells.y0, self.shift[1]),
            high(acting.x1, cells.x1, self.shift[0]),
            high(acting.y1, cells.y1, self.shift[1]),
        );
        match self.within.map(Matte::rect) {
            None => reach,
            Some(area) if area.is_empty() => Rect::EMPTY,
            Some(area) => reach.intersected(&Rect::around(
                f64::from(area.x0) - 1.0 + self.shift[0],
                f64::from(area.y0) - 1.0 + self.shift[1],
                f64::from(area.x1) + 1.0 + self.shift[0],
                f64::from(area.y1) + 1.0 + self.shift[1],
            )),
        }
    }

    /// What the plate's light at a canvas pixel is multiplied by.
    fn ratio(&self, x: i32, y: i32) -> [f32; 3] {
        let (u, v) = (
            f64::from(x) + 0.5 - self.shift[0],
            f64::from(y) + 0.5 - self.shift[1],
        );
        let cells = self.light.cells.rect();
        let (i, s) = between(u / 2.0, cells.x0, cells.x1);
        let (j, t) = between(v / 2.0, cells.y0, cells.y1);
        let cell = |x, y| self.light.cells.at(x, y);
        let corners = [
            cell(i[0], j[0]),
            cell(i[1], j[0]),
            cell(i[0], j[1]),
            cell(i[1], j[1]),
        ];
        let strength = self.strength * self.within.map_or(1.0, |matte| weight(matte, u, v));
        std::array::from_fn(|k| {
            let top = corners[0][k] + (corners[1][k] - corners[0][k]) * s;
            let low = corners[2][k] + (corners[3][k] - corners[2][k]) * s;
            1.0 + strength * (top + (low - top) * t - 1.0)
        })
    }
}

/// The two cells whose centres lie about `at`, and the second one's share; beyond the border the last cell goes on.
fn between(at: f64, low: i32, high: i32) -> ([i32; 2], f32) {
    let from = (at - 0.5).floor();
    let cell = from as i32;
    (
        [
            cell.clamp(low, high - 1),
            cell.saturating_add(1).clamp(low, high - 1),
        ],
        (at - 0.5 - from) as f32,
    )
}

/// Coverage at a point between pixel centres; 0 outside.
fn weight(matte: &Matte, u: f64, v: f64) -> f32 {
    let rect = matte.rect();
    let at = |x: i32, y: i32| {
        if rect.contains(x, y) {
            matte.at(x, y)
        } else {
            0.0
        }
    };
    let ([x0, x1], s) = between(u, i32::MIN, i32::MAX);
    let ([y0, y1], t) = between(v, i32::MIN, i32::MAX);
    let top = at(x0, y0) + (at(x1, y0) - at(x0, y0)) * s;
    let low = at(x0, y1) + (at(x1, y1) - at(x0, y1)) * s;
    top + (low - top) * t
}

/// Multiplies every shadow's ratios over `out` into `ratios`, which begins at 1. Where none acts it stays exactly 1.
pub(super) fn cast(shadows: &[Thrown], ratios: &mut Light) {
    let out = ratios.rect();
    for shadow in shadows {
        let part = shadow.reach.intersected(&out);
        for y in part.y0..part.y1 {
            for (x, ratio) in (part.x0..).zip(ratios.span_mut(y, part.x0, part.x1)) {
                let own = shadow.ratio(x, y);
                *ratio = std::array::from_fn(|k| ratio[k] * own[k]);
            }
        }
    }
}

/// Whether any shadow acts in `out`.
pub(super) fn any(shadows: &[Thrown], out: &Rect) -> bool {
    shadows
        .iter()
        .any(|shadow| !shadow.reach.intersected(out).is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::budget::Account;
    use crate::raster::Raster;

    /// 1 everywhere but for cells (4..6, 3..5), which are `dark`; cells 0..12 x 0..10.
    fn field(dark: f32) -> LightField {
        let account = Account::unlimited();
        let mut cells = Raster::filled(Rect::of_size(12, 10), [1.0; 3], &account).unwrap();
        for y in 3..5 {
            for x in 4..6 {
                cells.put(x, y, [dark; 3]);
            }
        }
        LightField { cells }
    }

    fn thrown<'a>(light: &'a LightField, within: Option<&'a Matte>, shift: [f64; 2]) -> Thrown<'a> {
        let mut thrown = Thrown {
            light,
            within,
            strength: 1.0,
            shift,
            reach: Rect::EMPTY,
        };
        thrown.reach = thrown.reached();
        thrown
    }

    fn cast_on(shadows: &[Thrown], out: Rect) -> Light {
        let mut ratios = Light::filled(out, [1.0; 3], &Account::unlimited()).unwrap();
        cast(shadows, &mut ratios);
        ratios
    }

    /// A shift by whole pixels reads the field as the field reads itself, and beyond the reach it is 1.
    #[test]
    fn a_shadow_moves_to_the_side_as_it_is() {
        let light = field(0.75);
        let out = Rect::new(-10, -10, 60, 50);
        for shift in [[0.0, 0.0], [7.0, 0.0], [-3.0, 2.0]] {
            let ratios = cast_on(&[thrown(&light, None, shift)], out);
            for y in out.y0..out.y1 {
                for x in out.x0..out.x1 {
                    let own = light.at(x - shift[0] as i32, y - shift[1] as i32);
                    assert_eq!(ratios.at(x, y), own, "{x} {y} {shift:?}");
                }
            }
        }
        // Half a pixel: the mean of the two pixels beside it, where both lie between the same cells.
        let ratios = cast_on(&[thrown(&light, None, [0.5, 0.0])], out);
        let mean = (light.at(7, 8)[0] + light.at(8, 8)[0]) / 2.0;
        assert!((ratios.at(8, 8)[0] - mean).abs() < 1e-6);
    }

    /// A shadow at the field's border goes on beyond it.
    #[test]
    fn a_shadow_cut_by_the_frame_has_no_edge_there() {
        let mut light = field(1.0);
        for y in 0..10 {
            light.cells.put(0, y, [0.5; 3]);
        }
        let ratios = cast_on(
            &[thrown(&light, None, [30.0, 0.0])],
            Rect::new(0, 0, 60, 20),
        );
        assert_eq!(ratios.at(5, 5), [0.5; 3]);
        assert_eq!(ratios.at(50, 5), [1.0; 3]);
    }

    /// Light is additive: blockers that don't overlap multiply. Plate .40, frame .30: ratio .75; on .20 that is .15.
    #[test]
    fn shadows_multiply_and_a_limit_limits() {
        let light = field(0.3 / 0.4);
        let both = [
            thrown(&light, None, [0.0, 0.0]),
            thrown(&light, None, [0.0, 0.0]),
        ];
        let out = Rect::of_size(24, 20);
        // In the middle of the dark cells nothing of their neighbours is seen.
        let one = cast_on(&both[..1], out).at(9, 7)[0];
        assert!((0.2 * one - 0.15).abs() < 1e-7);
        assert!((cast_on(&both, out).at(9, 7)[0] - 0.5625).abs() < 1e-6);
        let account = Account::unlimited();
        let half = Matte::filled(Rect::of_size(9, 20), 1.0, &account).unwrap();
        let limited = cast_on(&[thrown(&light, Some(&half), [0.0, 0.0])], out);
        assert_eq!(limited.at(8, 7), cast_on(&both[..1], out).at(8, 7));
        assert_eq!(limited.at(9, 7), [1.0; 3]);
        let none = Matte::filled(Rect::EMPTY, 0.0, &account).unwrap();
        assert!(thrown(&light, Some(&none), [0.0, 0.0]).reach.is_empty());
        assert!(thrown(&field(1.0), None, [0.0, 0.0]).reach.is_empty());
    }
}
