//! What a rod throws on the set: the same lamp that throws its piece's shadow throws its own, at about the same place
//! beside it and about as soft. It goes on where the rod does, beyond the frame.

use super::grid::Grid;
use super::{DRAW, FARTHEST, FIT, LOOK, Term};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// The middle of a rod from beyond the frame to the piece, and half its width, in half-size cells.
#[derive(Clone, Debug)]
pub(in super::super::super) struct Line {
    pub points: Vec<(f64, f64)>,
    pub half: f64,
}

/// Steps of a rod's width at least, when it is drawn.
const ACROSS: f64 = 4.0;
/// How much farther or nearer than the piece's shadow a rod's may lie, as a share of that way, and at least so many
/// blocks of the grid.
const ASIDE: f64 = 0.3;
const BLOCKS: f64 = 3.0;
/// Light that changes more slowly than so many times the softness of the piece's shadow is none of the rod's; where
/// there is no such shadow, than this share of the frame.
const SLOWER: f64 = 3.0;
const WIDE: f64 = 0.06;

impl Line {
    /// Adds the coverage in square blocks from `corner` on.
    pub fn drawn(&self, block: f64, corner: (f64, f64), onto: &mut Raster<f32>) {
        let rect = onto.rect();
        let step = (2.0 * self.half / ACROSS).min(0.5 * block).max(0.05);
        let across = (2.0 * self.half / step).ceil().max(1.0);
        for pair in self.points.windows(2) {
            let [(x0, y0), (x1, y1)] = [pair[0], pair[1]];
            let (dx, dy) = (x1 - x0, y1 - y0);
            let long = (dx * dx + dy * dy).sqrt();
            if !(long > 1e-6 && long < 1e6) {
                continue;
            }
            let along = (long / step).ceil();
            let share = (long * 2.0 * self.half / (along * across * block * block)) as f32;
            for a in 0..along as usize {
                let s = (a as f64 + 0.5) / along;
                for b in 0..across as usize {
                    let u = ((b as f64 + 0.5) / across - 0.5) * 2.0 * self.half / long;
                    let (x, y) = (x0 + s * dx - u * dy, y0 + s * dy + u * dx);
                    let i = ((x - corner.0) / block).floor() as i32;
                    let j = ((y - corner.1) / block).floor() as i32;
                    if rect.contains(i, j) {
                        onto.put(i, j, (onto.at(i, j) + share).min(1.0));
                    }
                }
            }
        }
    }
}

/// The rods of a frame, while their shadows are looked for.
pub(super) struct Rods<'a> {
    lines: &'a [Line],
    /// Cells they go on beyond the frame.
    by: u32,
    /// Whether a shadow was found and taken off.
    pub any: bool,
}

impl<'a> Rods<'a> {
    pub fn of(lines: &'a [Line], rect: Rect) -> Rods<'a> {
        let longest = f64::from(rect.width().max(rect.height()));
        Rods {
            lines,
            by: (FARTHEST * longest) as u32,
            any: false,
        }
    }

    /// Takes off what is `left` of the light what the rods cast by the `lamp` that throws the piece's shadow, or by
    /// any.
    pub fn found(
        &mut self,
        left: &mut Raster<[f32; 3]>,
        known: &Raster<f32>,
        lamp: Option<Term>,
        account: &Account,
    ) -> Result<(), OverBudget> {
        if self.lines.is_empty() {
            return Ok(());
        }
        let longest = left.rect().width().max(left.rect().height());
        let wide = lamp.map_or(WIDE * f64::from(longest), |lamp| SLOWER * lamp.soft);
        let grid = |side| {
            let lines = (self.lines, self.by);
            Grid::of_rods(left, known, lines, side, account)?.finer_than(wide, account)
        };
        let (fit, draw) = (grid(FIT)?, grid(DRAW)?);
        let first = match lamp {
            Some(_) => lamp,
            None => Term::looked_for(&grid(LOOK)?, account)?,
        };
        let Some(first) = first else { return Ok(()) };
        let fitted = first.made_exact(&fit, account)?;
        let Some(drawn) = fitted.drawn(&draw, account)? else {
            return Ok(());
        };
        let block = f64::from(fit.block);
        if drawn.mean() > 0.0 && lamp.is_none_or(|lamp| near(&fitted.term, &lamp, block)) {
            drawn.taken_off(&draw, left, None);
            self.any = true;
        }
        Ok(())
    }
}

/// Whether two shadows may be thrown by one lamp.
fn near(term: &Term, lamp: &Term, block: f64) -> bool {
    let long = |(x, y): (f64, f64)| (x * x + y * y).sqrt();
    let aside = long((term.offset.0 - lamp.offset.0, term.offset.1 - lamp.offset.1));
    aside <= (ASIDE * long(lamp.offset)).max(BLOCKS * block)
}

#[cfg(test)]
mod tests {
    use super::super::carried_on;
    use super::*;

    const SIDE: i32 = 240;
    /// Where the lamp throws what it meets, and how soft the edge of that is, in cells.
    const OFFSET: (f64, f64) = (36.0, 30.0);
    const SOFT: f64 = 14.0;

    fn rod() -> Line {
        // In at the top, far from straight down, to a piece at (110, 130).
        Line {
            points: vec![(84.0, -260.0), (108.0, 92.0)],
            half: 3.0,
        }
    }

    /// How much of a soft disc, and of a soft line, lies over a point.
    fn disc(x: f64, y: f64) -> f64 {
        let (dx, dy) = (x - 110.0, y - 130.0);
        ((36.0 - (dx * dx + dy * dy).sqrt()) / SOFT + 0.5).clamp(0.0, 1.0)
    }

    fn line(x: f64, y: f64) -> f64 {
        let [(x0, y0), (x1, y1)] = [rod().points[0], rod().points[1]];
        let (dx, dy) = (x1 - x0, y1 - y0);
        let long = (dx * dx + dy * dy).sqrt();
        let s = ((x - x0) * dx + (y - y0) * dy) / long;
        let u = ((x - x0) * dy - (y - y0) * dx) / long;
        let across = (1.0 - (u / SOFT).abs()).max(0.0) * 2.0 * rod().half / SOFT;
        across * ((long - s) / SOFT + 0.5).clamp(0.0, 1.0)
    }

    /// Carries on the light of a piece and a rod that take so much of it, with and without the rod being known;
    /// the largest departures from the piece's own shadow beside the piece.
    fn departures(by_piece: f64, by_rod: f64) -> (f64, f64) {
        let account = Account::unlimited();
        let rect = Rect::of_size(SIDE as u32, SIDE as u32);
        let mut ratios = Raster::filled(rect, [1.0f32; 3], &account).unwrap();
        let mut seen = Raster::filled(rect, 1u8, &account).unwrap();
        let mut silhouette = Raster::filled(rect, 0.0f32, &account).unwrap();
        let thrown = |x: i32, y: i32| {
            let (x, y) = (f64::from(x) + 0.5 - OFFSET.0, f64::from(y) + 0.5 - OFFSET.1);
            (1.0 - by_piece * disc(x, y), 1.0 - by_rod * line(x, y))
        };
        for y in 0..SIDE {
            for x in 0..SIDE {
                let (u, v) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
                let hides = ((36.0 - libm::hypot(u - 110.0, v - 130.0)) + 0.5).clamp(0.0, 1.0);
                silhouette.put(x, y, hides as f32);
                let rod = line(u, v) > 0.0 && v < 96.0 && (u - 102.0).abs() < 14.0;
                seen.put(x, y, u8::from(hides <= 0.0 && !rod));
                let (piece, rod) = thrown(x, y);
                // Lamps drift a little across a frame.
                let drift = 1.0 + 4e-5 * f64::from(x - y);
                ratios.put(x, y, [(piece * rod * drift) as f32; 3]);
            }
        }
        let worst = |lines: &[Line]| {
            let got = carried_on(&ratios, &seen, &silhouette, lines, &account).unwrap();
            let mut worst = 0.0f64;
            for y in 0..SIDE {
                for x in 0..SIDE {
                    if seen.at(x, y) > 0 {
                        let off = f64::from(got.at(x, y)[1]) - thrown(x, y).0;
                        worst = worst.max(off.abs());
                    }
                }
            }
            worst
        };
        (worst(&[rod()]), worst(&[]))
    }

    #[test]
    fn a_rods_own_shadow_is_taken_off() {
        let (known, unknown) = departures(0.35, 0.3);
        assert!(unknown > 0.1, "{unknown}");
        assert!(known < 0.3 * unknown, "{known} of {unknown}");
    }

    #[test]
    fn it_is_found_where_the_piece_throws_none() {
        let (known, unknown) = departures(0.0, 0.3);
        assert!(unknown > 0.1, "{unknown}");
        assert!(known < 0.25 * unknown, "{known} of {unknown}");
    }

    #[test]
    fn a_rod_without_a_shadow_changes_nothing_that_shows() {
        for by_piece in [0.0, 0.35] {
            let (known, unknown) = departures(by_piece, 0.0);
            assert!(known < unknown + 0.004, "{known} against {unknown}");
        }
    }
}
