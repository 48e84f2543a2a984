//! The stored samples a band needs, decoded once and dropped after their last band.

use super::ground;
use super::piece::{self, Held};
use super::scope::Scope;
use crate::budget::Account;
use crate::diag::Finding;
use crate::frame::Samples;
use crate::geom::Rect;
use crate::plan::ShotId;

/// Decoded samples for one band of a picture.
#[derive(Debug)]
pub(super) struct Feeds {
    plate: Option<Samples>,
    /// Plates without a product, where a band shows the product's edge.
    bares: Vec<(ShotId, Samples)>,
    /// By element index.
    pub elements: Vec<Option<Held>>,
}

impl Feeds {
    pub fn new(scope: &Scope) -> Feeds {
        Feeds {
            plate: None,
            bares: Vec::new(),
            elements: (0..scope.elements).map(|_| None).collect(),
        }
    }

    /// The base plate's samples, where the band shows it.
    pub fn base(&self, scope: &Scope) -> Option<(ShotId, &Samples)> {
        scope.stack.ground.plate.zip(self.plate.as_ref())
    }

    /// The samples of a plate that is shown without its product.
    pub fn bare(&self, plate: ShotId) -> Option<&Samples> {
        let found = self.bares.iter().find(|(id, _)| *id == plate);
        found.map(|(_, samples)| samples)
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
        self.bares.clear();
        for (id, needed) in bare_loads(scope, band) {
            let samples = piece::read(scope.plan.footage.shot(id), needed, account)?;
            self.bares.push((id, samples));
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

/// What a band needs of plates without a product, each plate once.
pub(super) fn bare_loads(scope: &Scope, band: Rect) -> Vec<(ShotId, Rect)> {
    let mut loads: Vec<(ShotId, Rect)> = Vec::new();
    for product in &scope.products {
        let part = product.reach.intersected(&band);
        if part.is_empty() {
            continue;
        }
        let needed = ground::needs(scope, part);
        match loads.iter_mut().find(|(id, _)| *id == product.plate) {
            Some((_, all)) => *all = all.united(&needed),
            None => loads.push((product.plate, needed)),
        }
    }
    loads.retain(|(_, needed)| !needed.is_empty());
    loads
}
