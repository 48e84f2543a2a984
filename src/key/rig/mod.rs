//! What holds the piece: rods, wires and sticks from the frame's border to the piece, learnt by their look and
//! made part of what is known of the set, so that the piece's edge beside them gets an honest matte.
//!
//! Promise: the same bytes on any number of threads.

mod axis;
mod domain;
mod look;
mod reach;
mod rod;
mod strip;
mod trail;

use super::ground::Ground;
use super::{Ask, Notice};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};
use domain::{Cell, Domain};
use rod::Rod;
use trail::Walk;

/// What was found of rods. Rasters of whole pixels share one rectangle around all rods (empty without one);
/// beyond it they count as zero.
#[derive(Debug)]
pub(super) struct Rig {
    /// Coverage of rods where they are seen beside the piece, with soft edges.
    pub coverage: Matte,
    /// What the frame would show there without the piece: the plate under the frame's light with the rods in it.
    pub backdrop: Light,
    /// 1 where `backdrop` replaces the plate under the frame's light; it goes on some pixels under the piece.
    pub known: Raster<u8>,
    /// Coverage of rods over the piece's face.
    pub crossing: Matte,
    /// Half-size: cells of the mask that are rod and not piece, with the mask's slack beside it.
    pub cells: Raster<u8>,
    /// Half-size: cells darkened by a rod's own shadow.
    pub shadow: Raster<u8>,
    pub notices: Vec<Notice>,
}

/// Pixels the backdrop goes on under the piece: wide enough for the band of an edge out of focus.
const CARRY: f32 = 24.0;
/// Widest rod: a share of the frame's shorter side, and at least so many pixels.
const WIDEST: (f64, f64) = (0.025, 44.0);

/// Finds the rods of `ask`.
pub(super) fn found(ask: &Ask, ground: &Ground, account: &Account) -> Result<Rig, OverBudget> {
    let frame = ask.frame.rect();
    let domain = Domain::new(ask, ground);
    let shorter = f64::from(frame.width().min(frame.height()));
    let widest = (WIDEST.0 * shorter).max(WIDEST.1).min(shorter / 4.0);
    let mut rods = Vec::new();
    let mut notices = Vec::new();
    for run in domain.runs() {
        let rod = match trail::walked(&domain, &run, widest) {
            Walk::Speck => continue,
            Walk::Rod(trail) => rod::followed(ask, ground, &domain, &trail, account)?,
            Walk::Other => None,
        };
        match rod {
            Some(rod) => rods.push(rod),
            None => notices.push(Notice::RodNotFound {
                place: Rect {
                    x0: run.bounds.x0 * 2,
                    y0: run.bounds.y0 * 2,
                    x1: run.bounds.x1 * 2,
                    y1: run.bounds.y1 * 2,
                }
                .intersected(&frame),
            }),
        }
    }
    painted(&domain, &rods, notices, account)
}

fn painted(
    domain: &Domain,
    rods: &[Rod],
    notices: Vec<Notice>,
    account: &Account,
) -> Result<Rig, OverBudget> {
    let mut rect = Rect::EMPTY;
    for rod in rods {
        for p in rod
            .strip
            .all()
            .iter()
            .filter(|p| p.s < rod.reach.last + CARRY)
        {
            rect = rect.united(&Rect::new(p.x, p.y, 1, 1));
        }
    }
    let mut rig = Rig {
        coverage: Matte::filled(rect, 0.0, account)?,
        backdrop: Light::filled(rect, [0.0; 3], account)?,
        known: Raster::filled(rect, 0, account)?,
        crossing: Matte::filled(rect, 0.0, account)?,
        cells: Raster::filled(domain.rect, 0, account)?,
        shadow: Raster::filled(domain.rect, 0, account)?,
        notices,
    };
    for rod in rods {
        let slack = rod.half + 4.0;
        let carried = rod.reach.last + CARRY;
        for p in rod.strip.all().iter().filter(|p| p.s < carried) {
            let (i, j) = (p.x.div_euclid(2), p.y.div_euclid(2));
            let (u, is_mask) = (f64::from(p.u), domain.at(i, j) == Cell::Mask);
            let seen = rod.reach.seen(p.s, p.u);
            // Beside the rod the mask's slack is its own, until the piece is there.
            let piece = match (u < rod.look.low, u > rod.look.high) {
                (true, _) => rod.closed[0],
                (_, true) => rod.closed[1],
                _ => None,
            };
            let alone = piece.is_none_or(|s| p.s < s as f32);
            if is_mask && u.abs() <= slack && alone && seen >= 0.5 {
                rig.cells.put(i, j, 1);
            }
            // Beyond the joint only what is hidden: in the open no rod was seen there.
            if seen == 0.0 && !is_mask {
                continue;
            }
            let covers = rod.look.coverage(p.u);
            if f64::from(p.u) < rod.look.low || f64::from(p.u) > rod.look.high {
                continue;
            }
            let beside = covers * seen;
            // Where two rods cross, the one that covers more is seen.
            if rig.known.at(p.x, p.y) == 1 && rig.coverage.at(p.x, p.y) >= beside {
                continue;
            }
            rig.known.put(p.x, p.y, 1);
            rig.coverage.put(p.x, p.y, beside);
            rig.backdrop.put(p.x, p.y, rod.look.light(p.s, p.u, p.set));
        }
    }
    Ok(rig)
}
