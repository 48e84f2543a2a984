//! Which of the light on a set is a piece's own: what is thrown beside the piece, or farther away with its outline. A
//! soft change far from the piece fits a blurred outline as well as anything, and is none of it.

use super::grid::Grid;
use super::{DRAW, Drawn, FARTHEST, FIT, Fitted, LOOK, Term, WIDE, known};
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Terms looked for: a flag's work may come first.
const TERMS: usize = 4;
/// A shadow beside its piece: how far it is thrown and how soft it is, in roots of the piece's area.
const BESIDE: f64 = 0.75;
const SOFT: f64 = 0.35;
/// One farther away shows the outline: it is no softer than this.
const OUTLINE: f64 = 0.15;
/// What is seen where it acts is its own by this share: real ones come to 0.96 and more, while what follows a flag's edge
/// in pieces seldom does.
const SURE: f64 = 0.9;

/// What a piece does to the light of the set.
pub(in super::super) struct Owned {
    /// As a share of the light, in half-size cells.
    pub share: Raster<f32>,
    /// Whether a shadow was found.
    pub thrown: bool,
}

/// What the piece takes or throws back; told as [`carried_on`](super::carried_on) has it.
pub(in super::super) fn owned(
    ratios: &Raster<[f32; 3]>,
    seen: &Raster<u8>,
    silhouette: &Raster<f32>,
    account: &Account,
) -> Result<Owned, OverBudget> {
    let rect = ratios.rect();
    let known = &known(seen, account)?;
    let mut left = ratios.cropped(rect, account)?;
    let mut model = Raster::filled(rect, [1.0f32; 3], account)?;
    let piece = Piece::of(silhouette);
    let mut thrown = false;
    for _ in 0..TERMS {
        let grid = |side| Grid::of(&left, known, silhouette, side, account);
        let wide = WIDE * piece.longest;
        let finer = |side| grid(side)?.finer_than(wide, account);
        // All of it, then without what changes slowly: that finds a shadow in light that drifts.
        let mut found = drawn(grid(LOOK)?, grid(FIT)?, grid(DRAW)?, account)?;
        if found.is_none() {
            found = drawn(finer(LOOK)?, finer(FIT)?, finer(DRAW)?, account)?;
        }
        let Some((fitted, shape, draw)) = found else {
            break;
        };
        let own = piece.owns(&fitted);
        thrown |= own && shape.mean() > 0.0;
        shape.taken_off(&draw, &mut left, own.then_some(&mut model));
    }
    let mut share = Raster::filled(rect, 0.0f32, account)?;
    for (share, model) in share.data_mut().iter_mut().zip(model.data()) {
        *share = ((model[0] + model[1] + model[2]) / 3.0 - 1.0).abs();
    }
    Ok(Owned { share, thrown })
}

fn drawn(
    look: Grid,
    fit: Grid,
    draw: Grid,
    account: &Account,
) -> Result<Option<(Fitted, Drawn, Grid)>, OverBudget> {
    let Some(fitted) = Term::found(&look, &fit, account)? else {
        return Ok(None);
    };
    let drawn = fitted.drawn(&draw, account)?;
    Ok(drawn.map(|drawn| (fitted, drawn, draw)))
}

/// What is asked of the piece, lengths in cells.
struct Piece {
    /// Root of its area.
    size: f64,
    /// From the frame's middle to its own.
    middle: (f64, f64),
    /// The frame's longest side.
    longest: f64,
}

impl Piece {
    fn of(silhouette: &Raster<f32>) -> Piece {
        let rect = silhouette.rect();
        let (mut area, mut across, mut down) = (0.0f64, 0.0f64, 0.0f64);
        for y in rect.y0..rect.y1 {
            for (cover, x) in silhouette.row(y).iter().zip(rect.x0..) {
                let cover = f64::from(*cover);
                area += cover;
                across += cover * (f64::from(x) + 0.5);
                down += cover * (f64::from(y) + 0.5);
            }
        }
        let middle = |sum: f64, low: i32, high: i32| {
            sum / area.max(1e-9) - (f64::from(low) + f64::from(high)) / 2.0
        };
        Piece {
            size: area.sqrt(),
            middle: (
                middle(across, rect.x0, rect.x1),
                middle(down, rect.y0, rect.y1),
            ),
            longest: f64::from(rect.width().max(rect.height())),
        }
    }

    fn owns(&self, fitted: &Fitted) -> bool {
        let term = fitted.term;
        // A term grows about the frame's middle, which moves it too.
        let along = |offset: f64, middle: f64| offset + (term.larger - 1.0) * middle;
        let away = libm::hypot(
            along(term.offset.0, self.middle.0),
            along(term.offset.1, self.middle.1),
        );
        let aside = f64::max(term.offset.0.abs(), term.offset.1.abs());
        let beside = away <= BESIDE * self.size && term.soft <= SOFT * self.size;
        let outlined = aside <= FARTHEST * self.longest && term.soft <= OUTLINE * self.size;
        fitted.explains >= SURE && (beside || outlined)
    }
}
