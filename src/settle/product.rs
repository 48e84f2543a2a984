//! The set behind a product's soft edge: the plate without it, as the picture would show it there.

use super::desk::{Asking, Desk};
use super::plate::PlateSight;
use super::sight::CarriedSight;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::PieceId;
use crate::raster::{Light, Matte, Seen};

/// Light of the set without a product, where the product covers pixels in part. Kept for those pixels alone.
#[derive(Debug, Default)]
pub struct BareSet {
    /// Row by row from `top`: where its half-covered pixels lie, with the set's light.
    rows: Vec<Vec<(i32, [f32; 3])>>,
    top: i32,
}

impl BareSet {
    /// The half-covered pixels of row `y` between `x0` and `x1`, left to right.
    pub fn row(&self, y: i32, x0: i32, x1: i32) -> &[(i32, [f32; 3])] {
        let index = i64::from(y) - i64::from(self.top);
        let row = usize::try_from(index).ok().and_then(|k| self.rows.get(k));
        let Some(row) = row else { return &[] };
        let from = row.partition_point(|(x, _)| *x < x0);
        let to = row.partition_point(|(x, _)| *x < x1);
        &row[from..to]
    }
}

/// The bare plate's light under the soft part of `matte`, a mask that piece `id` is found for: carried to the base
/// plate's grid, under the light the base plate shows (S B0, without the gains that compared the two).
pub(super) fn bare_set(desk: &mut Desk, id: PieceId, matte: &Matte) -> Result<BareSet, Finding> {
    let recipe = &desk.plan.pieces[id.0];
    let asking = Asking {
        span: recipe.span,
        member: recipe.member.as_deref(),
    };
    let laid = desk.laid(recipe.shot, recipe.plate, recipe.laying, asking)?;
    let files = desk.files(recipe.plate);
    let keyed = desk.piece(id).clone();
    let base = desk.plan.footage.shot(recipe.shot).rect();
    let sight = CarriedSight {
        plate: PlateSight {
            files: &files,
            held: None,
            account: desk.account.clone(),
        },
        carry: laid.carry,
        rect: base,
        held: None,
    };
    let area = matte.rect().intersected(&base);
    let mut set = BareSet {
        rows: Vec::new(),
        top: area.y0,
    };
    for band in area.bands(super::coverage::ROWS) {
        let soft = soft(matte, band);
        let light = match soft.is_empty() {
            true => Light::filled(soft, [0.0; 3], desk.account)?,
            false => sight.light(soft)?,
        };
        for y in band.y0..band.y1 {
            let mut row = Vec::new();
            if soft.y0 <= y && y < soft.y1 {
                for x in soft.x0..soft.x1 {
                    if half(matte.at(x, y)) {
                        let (plate, ratio) = (light.at(x, y), keyed.light.at(x, y));
                        let seen = |k: usize| f64::from(plate[k] * ratio[k]) / laid.gains[k];
                        row.push((x, [seen(0), seen(1), seen(2)].map(|v| v as f32)));
                    }
                }
            }
            set.rows.push(row);
        }
    }
    Ok(set)
}

fn half(coverage: f32) -> bool {
    0.0 < coverage && coverage < 1.0
}

/// The box of half-covered pixels.
fn soft(matte: &Matte, part: Rect) -> Rect {
    matte.bounds_in(part, |&m| half(m))
}
