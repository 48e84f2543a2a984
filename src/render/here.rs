//! Who is at one pixel of a picture, front to back.

use super::feed::Feeds;
use super::protect::Watch;
use super::scope::Scope;
use super::tile::{self, Codes};
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::raster::Matte;
use crate::settle::out_of_memory;

/// An element that covers a pixel.
#[derive(Clone, Debug, PartialEq)]
pub struct Here {
    pub member: String,
    pub frame: String,
    /// The point asked for, in the frame's own space.
    pub point: (f64, f64),
    /// What the element's mask, alpha, `behind` and opacity leave of it, 0..1.
    pub coverage: f64,
    /// How much of the finished pixel is this element, 0..1; groups' opacity and what lies in front count.
    pub visible: f64,
}

/// Elements with coverage at a canvas point, front to back. Shares are rounded to 1/65,536.
pub fn here(scope: &Scope, x: f64, y: f64, account: &Account) -> Result<Vec<Here>, Finding> {
    let pixel = Rect::new(x.floor() as i32, y.floor() as i32, 1, 1);
    let mut feeds = Feeds::new(scope);
    feeds.advance(scope, pixel, account)?;
    let full = Matte::filled(pixel, 1.0, account).map_err(|f| out_of_memory(&f))?;
    let watch = [Watch {
        matte: &full,
        window: pixel,
    }];
    let tile = tile::drawn(scope, &feeds, None, pixel, Codes::Dropped, &watch, account)?;
    let coverage = tile::coverages(scope, &feeds, pixel, account)?;
    let mut found = Vec::new();
    scope.each_element(&mut |element| {
        let coverage = coverage[element.index];
        if coverage > 0.0 {
            let shot = scope
                .plan
                .footage
                .shot(scope.plan.cuts[element.step.cut.0].shot);
            let visible = tile.tallies[0].members.get(&element.index);
            found.push(Here {
                member: element.step.member.clone(),
                frame: shot.shown(),
                point: element.back.apply(x, y),
                coverage,
                visible: visible.map_or(0.0, |c| c.area as f64 / 65_536.0),
            });
        }
    });
    found.reverse();
    Ok(found)
}
