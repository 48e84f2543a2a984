//! The stored samples a band needs, decoded once and dropped after their last band.

use super::ground;
use super::piece::{self, Held};
use super::scope::Scope;
use crate::budget::Account;
use crate::diag::Finding;
use crate::frame::Samples;
use crate::geom::Rect;

/// Decoded samples for one band of a picture.
#[derive(Debug)]
pub(super) struct Feeds {
    pub plate: Option<Samples>,
    /// By element index.
    pub elements: Vec<Option<Held>>,
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
                self.plate = Some(piece::read(shot, needed, account)?);
            }
        }
        // Everything that goes, goes before anything comes.
        scope.each_element(&mut |element| {
            let held = &mut self.elements[element.index];
            let needed = element.needs(&band);
            let stays = held.as_ref().is_some_and(|held| held.covers(&needed));
            if element.reach.y1 <= band.y0 || !stays {
                *held = None;
            }
        });
        let mut fault = None;
        scope.each_element(&mut |element| {
            let held = &mut self.elements[element.index];
            let needed = element.needs(&band);
            if fault.is_some() || needed.is_empty() || held.is_some() {
                return;
            }
            let shot = scope
                .plan
                .footage
                .shot(scope.plan.cuts[element.step.cut.0].shot);
            match piece::held(scope, element, piece::load(element, shot, needed), account) {
                Ok(ready) => *held = ready,
                Err(finding) => {
                    fault = Some(
                        finding
                            .at(element.step.span)
                            .member(element.step.member.as_str()),
                    );
                }
            }
        });
        if let Some(finding) = fault {
            return Err(finding);
        }
        Ok(())
    }
}
