//! What holds the piece: rods, wires and sticks from the frame's border to the piece, learnt by their look and
//! made part of what is known of the set, so that the piece's edge beside them gets an honest matte.
//!
//! Promise: the same bytes on any number of threads.

mod again;
mod axis;
mod beside;
mod bridge;
mod crossing;
mod domain;
mod fits;
mod glints;
mod joint;
mod look;
mod mend;
mod reach;
mod rod;
mod shadow;
mod strip;
#[cfg(test)]
mod tests;
mod thin;
mod through;
mod trail;

use rayon::prelude::*;

use super::ground::{Ground, Line};
use super::holes::is_open;
use super::tools::{labels, twice};
use super::{Ask, Notice};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};
use bridge::Course;
use domain::{Cell, Domain, Run};
pub use mend::mended;
use rod::Rod;
use through::{Sight, is_twisted};
use trail::Walk;

/// What was found of rods. Rasters of whole pixels share one rectangle around all rods (empty without one);
/// beyond it they count as zero.
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
    /// Where rods run, for the shadow they throw.
    pub lines: Vec<Line>,
    pub notices: Vec<Notice>,
    /// The rods themselves, until all holes are known.
    rods: Vec<Rod>,
    /// Where they run, until the piece's coverage is known.
    courses: Vec<Course>,
}

/// Pixels the backdrop goes on under the piece: wide enough for the band of an edge out of focus.
const CARRY: f32 = 24.0;
/// Pixels before the piece's edge from which a crossing is marked: its coverage there is continued from both sides.
const BEFORE: f32 = 4.0;
/// Bow from which a rod must look alike all along, as a share of its length: wires hang or are bent by less.
const BOW: f64 = 0.06;
/// Pixels beside a rod that is seen again through a hole that are no piece.
const AGAIN: f32 = 3.0;
/// Widest rod: a share of the frame's shorter side, and at least so many pixels.
const WIDEST: (f64, f64) = (0.025, 44.0);

/// A run of the mask along the border, and the rod that it begins.
type Met = (Run, Option<Rod>);

/// Finds the rods of `ask`.
pub(super) fn found(ask: &Ask, ground: &Ground, account: &Account) -> Result<Rig, OverBudget> {
    let frame = ask.frame.rect();
    let domain = Domain::new(ask, ground);
    let shorter = f64::from(frame.width().min(frame.height()));
    let widest = (WIDEST.0 * shorter).max(WIDEST.1).min(shorter / 4.0);
    let mut rods = Vec::new();
    let mut lost = Vec::new();
    let followed: Vec<Result<Option<Met>, OverBudget>> = domain
        .runs()
        .into_par_iter()
        .map(|run| {
            Ok(match trail::walked(&domain, &run, widest) {
                Walk::Speck => None,
                Walk::Rod(trail, slim) => {
                    let mut rod = rod::followed(ask, ground, &domain, &trail, account)?;
                    if let (None, Some(trail)) = (&rod, slim) {
                        rod = rod::followed(ask, ground, &domain, &trail, account)?;
                    }
                    // What was thrown bends too, but no row of it is like the next: a jet that a limit cuts is no rod.
                    Some((run, rod.filter(|rod| rod.bow() < BOW || !is_twisted(rod))))
                }
                Walk::Other => Some((run, None)),
            })
        })
        .collect();
    for run in followed {
        match run? {
            Some((_, Some(rod))) => rods.push(rod),
            Some((run, None)) => lost.push(run),
            None => {}
        }
    }
    let mut rig = painted(&domain, &rods, account)?;
    shadow::marked(ground, &rods, &mut rig.shadow);
    let longest = frame.width().max(frame.height());
    rig.lines = rods.iter().map(|rod| rod.line(longest)).collect();
    rig.courses = rods.iter().map(Course::of).collect();
    rig.rods = rods;
    let main = main_part(&domain, &rig.cells, account)?;
    for run in lost {
        if run.cells.iter().any(|&(i, j)| main.at(i, j) == 1) {
            let place = twice::doubled(run.bounds);
            rig.notices.push(Notice::RodNotFound {
                place: place.intersected(&frame),
            });
        }
    }
    for place in thin::parts(&domain, &main, &rig.cells, widest, account)? {
        let place = twice::doubled(place);
        let known = rig.notices.iter().any(|notice| {
            matches!(notice, Notice::RodNotFound { place: end } if !end.intersected(&place).is_empty())
        });
        if !known {
            rig.notices.push(Notice::ThinPart {
                place: place.intersected(&frame),
            });
        }
    }
    Ok(rig)
}

impl Rig {
    /// Takes out of `body` what is seen of rods beside what is `open` of it, and gives `backdrop` its light; whether
    /// there was any. The rods are let go.
    pub fn seen_through(
        &mut self,
        open: &Raster<u8>,
        backdrop: &mut Light,
        body: &mut Raster<u8>,
        account: &Account,
    ) -> Result<bool, OverBudget> {
        let rods = std::mem::take(&mut self.rods);
        let sights: Vec<Sight> = (rods.iter())
            .flat_map(|rod| through::through(rod, open, body))
            .filter(|at| !is_open(open, at.x, at.y))
            .collect();
        let mut rect = self.coverage.rect();
        for at in &sights {
            rect = rect.united(&Rect::new(at.x, at.y, 1, 1));
        }
        if rect != self.coverage.rect() {
            let mut wider = Matte::filled(rect, 0.0, account)?;
            let old = self.coverage.rect();
            for y in old.y0..old.y1 {
                let row = wider.span_mut(y, old.x0, old.x1);
                row.copy_from_slice(self.coverage.row(y));
            }
            self.coverage = wider;
        }
        let mut seen = Raster::filled(rect, 0u8, account)?;
        for at in &sights {
            seen.put(at.x, at.y, 1);
            backdrop.put(at.x, at.y, at.light);
            let covers = self.coverage.at(at.x, at.y).max(at.covers);
            self.coverage.put(at.x, at.y, covers);
        }
        let free =
            |x: i32, y: i32| is_open(open, x, y) || (rect.contains(x, y) && seen.at(x, y) > 0);
        for at in &sights {
            let (i, j) = (at.x.div_euclid(2), at.y.div_euclid(2));
            let all = [(0, 0), (1, 0), (0, 1), (1, 1)];
            if all.iter().all(|(a, b)| free(2 * i + a, 2 * j + b)) {
                body.put(i, j, 0);
            }
        }
        Ok(!sights.is_empty())
    }

    /// Carries the piece on beneath the rods that run before it: across thin parts, and over its face.
    pub fn closed(
        &mut self,
        matte: &mut Matte,
        colour: &mut Light,
        account: &Account,
    ) -> Result<(), OverBudget> {
        glints::taken_out(matte, &self.coverage, account)?;
        // The face first: a part that is carried across is none of its surroundings.
        mend::closed(matte, &self.crossing, account)?;
        joint::evened(
            &self.courses,
            matte,
            colour,
            (&mut self.coverage, &mut self.crossing),
        );
        let marks = (&mut self.coverage, &mut self.crossing);
        let places = bridge::carried(&self.courses, matte, colour, marks);
        let notices = places.into_iter().map(|place| Notice::Carried { place });
        self.notices.extend(notices);
        Ok(())
    }
}

/// The largest connected part of the mask without rods: the piece. What else touches the border is no rod's end.
fn main_part(
    domain: &Domain,
    rods: &Raster<u8>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = domain.rect;
    let mut mask = Raster::filled(rect, 0u8, account)?;
    for j in rect.y0..rect.y1 {
        for i in rect.x0..rect.x1 {
            mask.put(
                i,
                j,
                u8::from(domain.at(i, j) == Cell::Mask && rods.at(i, j) == 0),
            );
        }
    }
    let parts = labels::parts(&mask, labels::Joined::SidesAndCorners, account)?;
    let most = parts.parts.iter().map(|part| part.area).max();
    let main = parts.parts.iter().position(|part| Some(part.area) == most);
    for j in rect.y0..rect.y1 {
        for i in rect.x0..rect.x1 {
            mask.put(i, j, u8::from(main.is_some() && parts.at(i, j) == main));
        }
    }
    Ok(mask)
}

fn painted(domain: &Domain, rods: &[Rod], account: &Account) -> Result<Rig, OverBudget> {
    let mut rect = Rect::EMPTY;
    for rod in rods {
        for p in rod.strip.all().iter().filter(|p| p.s < rod.end() + CARRY) {
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
        lines: Vec::new(),
        notices: Vec::new(),
        rods: Vec::new(),
        courses: Vec::new(),
    };
    for rod in rods {
        let slack = rod.half + 4.0;
        let carried = rod.end() + CARRY;
        for p in rod.strip.all().iter().filter(|p| p.s < carried) {
            let covers = rod.look.coverage(p.u);
            if let Some((_, end)) = rod.crossing
                && p.s >= rod.reach.joint(p.u) - BEFORE
                && p.s < end
                && covers > rig.crossing.at(p.x, p.y)
            {
                rig.crossing.put(p.x, p.y, covers);
            }
            let (i, j) = (p.x.div_euclid(2), p.y.div_euclid(2));
            let (u, is_mask) = (f64::from(p.u), domain.at(i, j) == Cell::Mask);
            let seen = rod.reach.seen(p.s, p.u);
            // Beside the rod the mask's slack is its own, until the piece is there.
            let piece = match (u < rod.look.low, u > rod.look.high) {
                (true, _) => rod.closed[0],
                (_, true) => rod.closed[1],
                _ => None,
            };
            let alone = piece.is_none_or(|s| p.s < s as f32) && !rod.beside.at(p.s, p.u);
            if is_mask && u.abs() <= slack && alone && seen >= 0.5 {
                rig.cells.put(i, j, 1);
            }
            if let Some(again) = rod.again_at(p.s) {
                let u = p.u - again.beside(p.s);
                let (low, high) = (rod.look.low as f32, rod.look.high as f32);
                if !is_mask || u < low - AGAIN || u > high + AGAIN {
                    continue;
                }
                let here = again.holds(p.s);
                if here {
                    rig.cells.put(i, j, 1);
                }
                if u >= low && u <= high {
                    rig.known.put(p.x, p.y, 1);
                    // Between two strips of the set there is nothing but the rod, however it looks.
                    let light = if here {
                        p.frame
                    } else {
                        rod.look.light(p.s, u, p.set)
                    };
                    rig.backdrop.put(p.x, p.y, light);
                    if here {
                        rig.coverage.put(p.x, p.y, rod.look.coverage(u));
                    }
                }
                continue;
            }
            // Beyond the joint only what is hidden: in the open no rod was seen there.
            if seen == 0.0 && (!is_mask || p.s >= rod.reach.joint(p.u) + rod.reach.carry(p.u)) {
                continue;
            }
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
