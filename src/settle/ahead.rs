//! Pieces cut out side by side. One cut-out leaves cores idle at times, and a scene has several: what will be asked for
//! next is found together with what is asked for now.
//!
//! Only what stands for itself is found ahead, and only while memory is plenty; whatever goes wrong is let go, and found
//! again in its turn, where it is told. So neither a byte nor the order of what is told depends on it.

use super::desk::Desk;
use super::keyed::{self, Wish};
use super::lay::{self, Laid};
use super::sight::Held;
use super::{coverage, desk};
use crate::key::Cutout;
use crate::plan::{Laying, MaskRecipe, PieceId, Plan, PlateId, ShotId, SourceRecipe};
use crate::raster::Matte;
use rayon::prelude::*;

/// Most pieces at a time: more would leave each of them too little of the caches.
const SIDE_BY_SIDE: usize = 4;

/// Bytes a pixel of the frame that a cut-out takes at its height, with room to spare.
const ROOM: u64 = 256;

/// What was found ahead of its turn.
#[derive(Default)]
pub(super) struct Ahead {
    /// Pieces in the order in which they will be asked for.
    expected: Vec<PieceId>,
    /// Those whose turn ahead is over, whatever came of it.
    tried: Vec<PieceId>,
    laid: Vec<((ShotId, PlateId, Laying), Laid)>,
    cutouts: Vec<(PieceId, Cutout)>,
}

/// A piece as it is found ahead: how its frame lies, where that had to be estimated, and the cut-out, where no earlier
/// run left it.
type Found = (Option<Laid>, Option<Cutout>);

impl Ahead {
    /// Notes the pieces of a mask, through the masks it names.
    pub fn expect(&mut self, plan: &Plan, mask: &MaskRecipe) {
        for source in mask.sources() {
            match source {
                SourceRecipe::Piece(id) | SourceRecipe::Rig(id) => {
                    if !self.expected.contains(id) {
                        self.expected.push(*id);
                    }
                }
                SourceRecipe::Named(id) => self.expect(plan, &plan.masks[id.0]),
                _ => {}
            }
        }
    }

    pub fn laid(&mut self, key: (ShotId, PlateId, Laying)) -> Option<Laid> {
        let at = self.laid.iter().position(|(known, _)| *known == key)?;
        Some(self.laid.swap_remove(at).1)
    }

    pub fn cutout(&mut self, id: PieceId) -> Option<Cutout> {
        let at = self.cutouts.iter().position(|(known, _)| *known == id)?;
        Some(self.cutouts.swap_remove(at).1)
    }
}

impl Desk<'_> {
    /// Finds what a mask is made of together with the pieces that come next.
    pub fn look_ahead(&mut self, mask: &MaskRecipe) {
        let next = self.next_pieces(mask);
        if next.len() < 2 {
            return;
        }
        self.ahead.tried.extend(&next);
        let limits: Vec<Option<Option<Matte>>> = next.iter().map(|&id| self.limit(id)).collect();
        let desk = &*self;
        let found: Vec<Found> = next
            .par_iter()
            .zip(limits)
            .with_max_len(1)
            .map(|(&id, limit)| limit.map_or((None, None), |within| desk.alone(id, within)))
            .collect();
        for (id, (laid, cutout)) in next.into_iter().zip(found) {
            let recipe = &self.plan.pieces[id.0];
            let key = (recipe.shot, recipe.plate, recipe.laying);
            self.ahead.laid.extend(laid.map(|laid| (key, laid)));
            self.ahead.cutouts.extend(cutout.map(|cutout| (id, cutout)));
        }
    }

    /// The first piece of a mask and those that come behind it, of frames that nothing is known of yet; none where
    /// the mask's own is known.
    fn next_pieces(&self, mask: &MaskRecipe) -> Vec<PieceId> {
        let plan = self.plan;
        let most = rayon::current_num_threads().min(SIDE_BY_SIDE);
        let mut all = Ahead::default();
        all.expect(plan, mask);
        let open = |id: &PieceId| self.is_open(*id) && !self.ahead.tried.contains(id);
        let first = all.expected.first().filter(|id| open(id));
        let Some(at) = first.and_then(|id| self.ahead.expected.iter().position(|of| of == id))
        else {
            return Vec::new();
        };
        let mut free = self.account.limit().saturating_sub(self.account.used()) / 2;
        let mut next: Vec<PieceId> = Vec::new();
        for &id in &self.ahead.expected[at..] {
            let recipe = &plan.pieces[id.0];
            let bytes = plan.footage.shot(recipe.shot).rect().area() * ROOM;
            // Two pieces of one frame lie alike, and that is found once.
            let other = |of: &PieceId| plan.pieces[of.0].shot != recipe.shot;
            if next.len() == most || bytes > free {
                break;
            }
            if open(&id) && recipe.card.is_none() && next.iter().all(other) {
                free -= bytes;
                next.push(id);
            }
        }
        next
    }

    /// What limits a piece, if it can be known.
    fn limit(&self, id: PieceId) -> Option<Option<Matte>> {
        let recipe = &self.plan.pieces[id.0];
        let frame = self.plan.footage.shot(recipe.shot);
        match &recipe.within {
            Some(limit) => coverage::of_limit(self, limit, frame).ok().map(Some),
            None => Some(None),
        }
    }

    /// One piece by itself.
    fn alone(&self, id: PieceId, within: Option<Matte>) -> Found {
        let recipe = &self.plan.pieces[id.0];
        let frame = self.plan.footage.shot(recipe.shot);
        let plates = self.files(recipe.plate);
        let (account, laying) = (self.account, recipe.laying);
        let (known, held) = match self.known(recipe.shot, recipe.plate, laying) {
            Some(laid) => (Some(laid), Held::default()),
            None if laying.needs_plate() => {
                (None, Held::of(frame, &plates, account).unwrap_or_default())
            }
            None => (None, Held::default()),
        };
        let estimated = match known {
            Some(_) => None,
            None => match lay::laid(frame, &plates, laying, &held, account) {
                Ok(laid) => Some(laid),
                Err(_) => return (None, None),
            },
        };
        let laid = known.as_ref().or(estimated.as_ref());
        let Some(laid) = laid.filter(|laid| !self.is_kept(recipe, laid, within.as_ref())) else {
            return (estimated, None);
        };
        let wish = Wish {
            laying,
            sigma: recipe.sigma,
            within: within.as_ref(),
        };
        let cutout = keyed::cut_laid(frame, &plates, laid.clone(), wish, held, account)
            .and_then(|cut| {
                drop(cut.frame_light);
                desk::kept(cut.cutout, self.keep, account)
            })
            .ok();
        (estimated, cutout)
    }
}
