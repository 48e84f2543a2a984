//! The stored samples a band needs, decoded once and dropped after their last band.

use super::ground;
use super::scope::{PlacedElement, Scope};
use crate::budget::Account;
use crate::diag::Finding;
use crate::frame::{SampleKind, Samples};
use crate::geom::Rect;
use crate::plan::Shot;
use crate::settle::unreadable;

/// A piece up to this many bytes is decoded once, whole, and kept until its last band: a turned piece needs almost
/// all of itself in every band it crosses. Larger ones are decoded again band by band.
const KEPT_WHOLE: u64 = 96 << 20;

/// Decoded samples for one band of a picture.
#[derive(Debug)]
pub(super) struct Feeds {
    pub plate: Option<Samples>,
    /// By element index.
    pub elements: Vec<Option<Samples>>,
}

impl Feeds {
    pub fn new(scope: &Scope) -> Feeds {
        Feeds {
            plate: None,
            elements: (0..scope.elements).map(|_| None).collect(),
        }
    }

    /// Has everything ready that `band` needs, and lets go of what no later band will.
    pub fn advance(&mut self, scope: &Scope, band: Rect, account: &Account) -> Result<(), Finding> {
        self.plate = None;
        if let Some(id) = scope.stack.ground.plate
            && scope.view.is_canvas()
        {
            let shot = scope.plan.footage.shot(id);
            let needed = ground::needs(scope, band);
            if !needed.is_empty() {
                self.plate = Some(read(shot, needed, account)?);
            }
        }
        let mut todo = Vec::new();
        scope.each_element(&mut |element| {
            let held = &mut self.elements[element.index];
            if element.reach.y1 <= band.y0 {
                *held = None;
                return;
            }
            let needed = reads(element, &band);
            if needed.is_empty() || held.as_ref().is_some_and(|s| s.rect.covers(&needed)) {
                return;
            }
            let shot = scope
                .plan
                .footage
                .shot(scope.plan.cuts[element.step.cut.0].shot);
            let load = loaded(element, shot, needed);
            *held = None;
            todo.push((element.index, element.step, shot, load));
        });
        for (index, step, shot, load) in todo {
            let samples = read(shot, load, account)
                .map_err(|fault| fault.at(step.span).member(step.member.as_str()))?;
            self.elements[index] = Some(samples);
        }
        Ok(())
    }
}

/// Stored samples an element needs for a band: none where its colour was recovered beforehand.
pub(super) fn reads(element: &PlacedElement, band: &Rect) -> Rect {
    match element.cut.picture() {
        Some(_) => Rect::EMPTY,
        None => element.needs(band),
    }
}

/// What is decoded when `needed` is asked for.
pub(super) fn loaded(element: &PlacedElement, shot: &Shot, needed: Rect) -> Rect {
    if load_bytes(shot, element.cut.area) <= KEPT_WHOLE {
        element.cut.area
    } else {
        needed
    }
}

/// Memory that a rectangle of stored samples takes, in bytes.
pub fn load_bytes(shot: &Shot, rect: Rect) -> u64 {
    let header = shot.frame.header();
    let sample = match header.kind {
        SampleKind::U8 => 1,
        SampleKind::U16 => 2,
        SampleKind::U32 | SampleKind::F16 | SampleKind::F32 => 4,
    };
    rect.area() * u64::from(header.channels) * sample
}

fn read(shot: &Shot, rect: Rect, account: &Account) -> Result<Samples, Finding> {
    shot.frame
        .samples(rect, account)
        .map_err(|fault| unreadable(&shot.path, &fault))
}
