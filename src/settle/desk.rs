//! What has been measured so far: frames laid onto their plates, pieces cut out, each once for all that share it.

use super::ahead::Ahead;
use super::kept::{Keeper, Origin};
use super::keyed::{self, Wish};
use super::lay::{self, Laid};
use super::plate::{PlateFile, PlateSight};
use super::sight::{CarriedSight, FrameSight, Held, balanced};
use super::{Estimates, Keep, Keyed, agree, coverage, fellows, locate, notices};
use crate::budget::Account;
use crate::diag::{Finding, Span};
use crate::geom::{Map, Rect};
use crate::key::{Ask, Cutout, LightField, Noise, Notice, triangulated};
use crate::plan::{
    CardRecipe, Laying, MaskRecipe, PieceId, PieceRecipe, Plan, PlateId, Shot, ShotId, SourceRecipe,
};
use crate::raster::{Light, Matte, Raster, Seen};
use crate::store::Store;
use std::sync::Arc;

/// Pixels of colour kept around a piece: a dilated or feathered edge finds its colour there, and beyond them the
/// outermost pixel's goes on.
const AROUND: u32 = 64;

pub(super) struct Desk<'a> {
    pub plan: &'a Plan,
    pub account: &'a Account,
    pub keep: Keep,
    pub ahead: Ahead,
    keeper: Keeper<'a>,
    pub findings: Vec<Finding>,
    laid: Vec<((ShotId, PlateId, Laying), Laid)>,
    /// How the files of each plate lie on its first one, without that.
    pub fellows: Vec<Vec<Laid>>,
    /// Light of the frame and the plate that were laid last.
    held: Option<(ShotId, PlateId, Held)>,
    pieces: Vec<Option<Arc<Keyed>>>,
}

/// Who wants something measured, for messages.
#[derive(Clone, Copy)]
pub(super) struct Asking<'a> {
    pub span: Span,
    pub member: Option<&'a str>,
}

impl Asking<'_> {
    pub fn told(&self, mut finding: Finding) -> Finding {
        // A finding about a plate points at the plate.
        finding.span = finding.span.or(Some(self.span));
        finding.member = finding.member.or_else(|| self.member.map(str::to_owned));
        finding
    }
}

impl<'a> Desk<'a> {
    pub fn new(plan: &'a Plan, keep: Keep, store: &'a Store, account: &'a Account) -> Desk<'a> {
        Desk {
            plan,
            account,
            keep,
            ahead: Ahead::default(),
            keeper: Keeper::new(plan, store),
            findings: Vec::new(),
            laid: Vec::new(),
            fellows: Vec::new(),
            held: None,
            pieces: plan.pieces.iter().map(|_| None).collect(),
        }
    }

    /// A piece that was found.
    pub fn piece(&self, id: PieceId) -> &Arc<Keyed> {
        self.pieces[id.0]
            .as_ref()
            .expect("a mask's pieces are found before it is drawn")
    }

    /// Finds every piece a mask is made of, through the masks it names.
    pub fn find(&mut self, mask: &MaskRecipe) -> Result<(), Finding> {
        let plan = self.plan;
        for source in mask.sources() {
            match source {
                SourceRecipe::Piece(id) | SourceRecipe::Rig(id) => self.found(*id)?,
                SourceRecipe::Named(id) => self.find(&plan.masks[id.0])?,
                _ => {}
            }
        }
        Ok(())
    }

    /// How a frame lies on its plate.
    pub fn laid(
        &mut self,
        shot: ShotId,
        plate: PlateId,
        laying: Laying,
        asking: Asking,
    ) -> Result<Laid, Finding> {
        let key = (shot, plate, laying);
        if let Some((_, laid)) = self.laid.iter().find(|(k, _)| *k == key) {
            return Ok(laid.clone());
        }
        let plates = if laying.needs_plate() {
            self.files(plate)
        } else {
            Vec::new()
        };
        let frame = self.plan.footage.shot(shot);
        let ticket = self.keeper.laying(shot, plate, laying);
        let ahead = self.ahead.laid(key);
        let kept = ticket
            .as_ref()
            .filter(|_| ahead.is_none())
            .and_then(|ticket| self.keeper.laid(ticket, self.account));
        let laid = match kept {
            Some(laid) => laid.told(frame),
            None => {
                let laid = match ahead {
                    Some(laid) => laid,
                    None => {
                        let held = self.held_for(shot, plate, laying, &plates);
                        let held = held.map_err(|fault| asking.told(fault))?;
                        let laid = lay::laid(frame, &plates, laying, &held, self.account)
                            .map_err(|fault| asking.told(fault))?;
                        self.held = Some((shot, plate, held));
                        laid
                    }
                };
                if let Some(ticket) = &ticket {
                    self.keeper.keep_laid(ticket, &laid);
                }
                laid
            }
        };
        let findings = laid.findings.iter().cloned();
        self.findings.extend(findings.map(|f| asking.told(f)));
        self.laid.push((key, laid.clone()));
        Ok(laid)
    }

    /// Whether a piece is still to be found.
    pub fn is_open(&self, id: PieceId) -> bool {
        self.pieces[id.0].is_none()
    }

    /// How a frame lies, if that was found or an earlier run left it.
    pub fn known(&self, shot: ShotId, plate: PlateId, laying: Laying) -> Option<Laid> {
        let mut all = self.laid.iter();
        if let Some((_, laid)) = all.find(|(key, _)| *key == (shot, plate, laying)) {
            return Some(laid.clone());
        }
        let ticket = self.keeper.laying(shot, plate, laying)?;
        self.keeper.laid(&ticket, self.account)
    }

    /// Whether an earlier run left a piece.
    pub fn is_kept(&self, recipe: &PieceRecipe, laid: &Laid, within: Option<&Matte>) -> bool {
        let ticket = self.keeper.cut_out(recipe, laid, None, within, self.keep);
        ticket.is_some_and(|ticket| self.keeper.holds(&ticket))
    }

    /// What is worth being decoded once: frame and plate that a piece still to be cut out asks for again.
    fn held_for(
        &self,
        shot: ShotId,
        plate: PlateId,
        laying: Laying,
        plates: &[PlateFile],
    ) -> Result<Held, Finding> {
        let pieces = self.plan.pieces.iter().zip(&self.pieces);
        let mut open = pieces.filter(|(_, found)| found.is_none());
        let asked = open.any(|(piece, _)| (piece.shot, piece.plate) == (shot, plate));
        if asked && laying.needs_plate() {
            Held::of(self.plan.footage.shot(shot), plates, self.account)
        } else {
            Ok(Held::default())
        }
    }

    /// Lays the files of every plate onto its first, and holds them against one another.
    pub fn hold_plates(&mut self) -> Result<(), Finding> {
        for k in 0..self.plan.plates.len() {
            self.hold_plate(PlateId(k))?;
        }
        Ok(())
    }

    fn hold_plate(&mut self, plate: PlateId) -> Result<(), Finding> {
        let plan = self.plan;
        let set = &plan.plates[plate.0];
        let (&first, others) = set.shots.split_first().expect("a plate has a file");
        // A finding about a plate's file points at the file.
        let told = |k: usize, mut fault: Finding| {
            fault.span = fault.span.or(set.spans.get(k).copied());
            fault
        };
        let mut fellows = Vec::new();
        for (k, &file) in (1..).zip(others) {
            let ticket = self.keeper.fellow(file, first);
            let kept = ticket.as_ref();
            let kept = kept.and_then(|ticket| self.keeper.laid(ticket, self.account));
            let (file, first) = (plan.footage.shot(file), plan.footage.shot(first));
            let laid = match kept {
                Some(laid) => laid,
                None => {
                    let laid = fellows::laid(file, first, self.account);
                    let laid = laid.map_err(|fault| told(k, fault))?;
                    if let Some(ticket) = &ticket {
                        self.keeper.keep_laid(ticket, &laid);
                    }
                    laid
                }
            };
            let span = set.spans.get(k).copied();
            self.findings
                .extend(fellows::told(file, first, &laid, span));
            fellows.push(laid);
        }
        self.fellows.push(fellows);
        let ticket = self.keeper.agreement(plate);
        let known = ticket.as_ref();
        if known.is_some_and(|ticket| self.keeper.agreed(ticket, self.account)) {
            return Ok(());
        }
        agree::agreed(&self.files(plate), &self.fellows[plate.0], self.account)
            .map_err(|fault| told(fault.file, fault.finding))?;
        if let Some(ticket) = known {
            self.keeper.keep_agreed(ticket);
        }
        Ok(())
    }

    /// The files of a plate, as they lie on the first.
    pub fn files(&self, plate: PlateId) -> Vec<PlateFile<'a>> {
        let plan = self.plan;
        let shots = plan.plates[plate.0].shots.iter();
        let shots: Vec<&'a Shot> = shots.map(|&id| plan.footage.shot(id)).collect();
        let fellows = self.fellows.get(plate.0).map_or(&[][..], Vec::as_slice);
        fellows::files(&shots, fellows)
    }

    pub fn found(&mut self, id: PieceId) -> Result<(), Finding> {
        if self.pieces[id.0].is_some() {
            return Ok(());
        }
        let recipe = &self.plan.pieces[id.0];
        let asking = Asking {
            span: recipe.span,
            member: recipe.member.as_deref(),
        };
        let keyed = self
            .cut_out(id, recipe, asking)
            .map_err(|fault| asking.told(fault))?;
        self.pieces[id.0] = Some(Arc::new(keyed));
        Ok(())
    }

    fn cut_out(
        &mut self,
        id: PieceId,
        recipe: &PieceRecipe,
        asking: Asking,
    ) -> Result<Keyed, Finding> {
        let mut laid = self.laid(recipe.shot, recipe.plate, recipe.laying, asking)?;
        laid.findings.clear();
        let frame = self.plan.footage.shot(recipe.shot);
        let within = match &recipe.within {
            Some(limit) => Some(coverage::of_limit(self, limit, frame)?),
            None => None,
        };
        let second = match recipe.card {
            Some(card) => Some(self.laid(card.shot, card.plate, recipe.laying, asking)?),
            None => None,
        };
        let (within, other) = (within.as_ref(), second.as_ref());
        let held = self.held.take();
        let same = |(shot, plate, _): &(ShotId, PlateId, Held)| {
            recipe.card.is_none() && (*shot, *plate) == (recipe.shot, recipe.plate)
        };
        let held = held.filter(same).map(|(_, _, held)| held);
        let ticket = self.keeper.cut_out(recipe, &laid, other, within, self.keep);
        let ahead = self.ahead.cutout(id);
        let kept = ticket
            .as_ref()
            .filter(|_| ahead.is_none())
            .and_then(|ticket| self.keeper.given(ticket, self.account));
        let (mut cutout, origin) = match kept {
            Some(cutout) => (cutout, Origin::Kept),
            None => {
                let cutout = match (ahead, recipe.card, &second) {
                    (Some(cutout), ..) => cutout,
                    (None, Some(card), Some(second)) => {
                        self.triangulated(recipe, card, &laid, second, within)?
                    }
                    _ => self.compared(recipe, &laid, within, held.unwrap_or_default())?,
                };
                if let Some(ticket) = &ticket {
                    self.keeper.keep(ticket, &cutout, self.account);
                }
                (cutout, Origin::Found)
            }
        };
        let mut notices = std::mem::take(&mut cutout.notices);
        if asking.member.is_none() {
            // What a named mask finds stands on the set: nothing holds it.
            notices.retain(|notice| {
                !matches!(notice, Notice::RodNotFound { .. } | Notice::ThinPart { .. })
            });
        }
        let mut balance = laid.balance;
        if let (Some(balance), None) = (&mut balance, recipe.card) {
            keyed::judged(balance, &notices, frame, &mut self.findings);
        }
        let told = notices.iter().map(|notice| notices::told(notice, frame));
        self.findings.extend(told.map(|f| asking.told(f)));
        Ok(Keyed {
            colour: cutout.colour,
            own: Arc::new(cutout.matte),
            light: cutout.light,
            shadow: cutout.shadow,
            flags: cutout.flags,
            rig: Arc::new(cutout.rig),
            crossing: cutout.crossing,
            plate: recipe.plate,
            estimates: Estimates {
                alignment: laid.alignment,
                balance,
                noise: recipe.card.is_none().then_some(cutout.noise),
                response: cutout.response,
                notices,
            },
            origin,
        })
    }

    /// A piece as its frame differs from its plate.
    fn compared(
        &self,
        recipe: &PieceRecipe,
        laid: &Laid,
        within: Option<&Matte>,
        held: Held,
    ) -> Result<Cutout, Finding> {
        let frame = self.plan.footage.shot(recipe.shot);
        let wish = Wish {
            laying: recipe.laying,
            sigma: recipe.sigma,
            within,
        };
        let plates = self.files(recipe.plate);
        let cut = keyed::cut_laid(frame, &plates, laid.clone(), wish, held, self.account)?;
        drop(cut.frame_light);
        kept(cut.cutout, self.keep, self.account)
    }

    /// The same piece before two plates.
    fn triangulated(
        &self,
        recipe: &PieceRecipe,
        card: CardRecipe,
        first: &Laid,
        second: &Laid,
        within: Option<&Matte>,
    ) -> Result<Cutout, Finding> {
        let plan = self.plan;
        let account = self.account;
        let frame = FrameSight {
            shot: plan.footage.shot(recipe.shot),
            gains: first.gains,
            held: None,
            account: account.clone(),
        };
        let plates = self.files(recipe.plate);
        let card_plates = self.files(card.plate);
        let card_frame = [PlateFile::still(plan.footage.shot(card.shot))];
        let carried = |files, carry| CarriedSight {
            plate: PlateSight {
                files,
                held: None,
                account: account.clone(),
            },
            carry,
            rect: frame.rect(),
            held: None,
        };
        // Both plates stand still on one grid; each frame may have moved on its own.
        let across = across(first.carry, second.carry);
        let plate = carried(&plates, first.carry);
        let card_plate = carried(&card_plates, first.carry);
        let other = carried(&card_frame, across);
        let region = locate::region(&frame, &plate, within, account)?;
        let region = locate::lit(region, other.plate.rect(), &across);
        let mut other = other.light(region)?;
        for pixel in other.data_mut() {
            *pixel = balanced(*pixel, second.gains);
        }
        let seen = frame.light(region)?;
        let (set, card_set) = (plate.light(region)?, card_plate.light(region)?);
        let asked = |frame, plate, plate_frames| Ask {
            frame,
            plate,
            plate_frames,
            within,
            sigma: recipe.sigma,
        };
        let found = triangulated(
            [
                &asked(&seen, &set, plates.len()),
                &asked(&other, &card_set, card_plates.len()),
            ],
            account,
        )?;
        let mut matte = found.matte;
        if let Some(limit) = within {
            for y in region.y0..region.y1 {
                for x in region.x0..region.x1 {
                    if !limit.rect().contains(x, y) || limit.at(x, y) <= 0.0 {
                        matte.put(x, y, 0.0);
                    }
                }
            }
        }
        let flat = || -> Result<LightField, Finding> {
            let cells = Raster::filled(Rect::of_size(1, 1), [1.0; 3], account)?;
            Ok(LightField { cells })
        };
        let own = coverage::trimmed(matte, account)?;
        Ok(Cutout {
            colour: around(found.colour, own.rect(), account)?,
            matte: own,
            light: found.light,
            shadow: flat()?,
            flags: None,
            rig: Matte::filled(Rect::EMPTY, 0.0, account)?,
            crossing: Matte::filled(Rect::EMPTY, 0.0, account)?,
            noise: Noise::default(),
            response: None,
            notices: Vec::new(),
        })
    }
}

/// From one frame to another, each of which was laid onto the grid of the plates.
fn across(first: Map, second: Map) -> Map {
    if first == second {
        return Map::IDENTITY;
    }
    // What was laid down can be taken up: a map without an inverse lays nothing.
    second
        .inverted()
        .map_or(Map::IDENTITY, |back| first.then(&back))
}

/// What is kept of a cut-out: only where something is.
pub(super) fn kept(cutout: Cutout, keep: Keep, account: &Account) -> Result<Cutout, Finding> {
    let own = coverage::trimmed(cutout.matte, account)?;
    let rig = coverage::trimmed(cutout.rig, account)?;
    let crossing = coverage::trimmed(cutout.crossing, account)?;
    let rig = whole_rig(rig, &crossing, &own, account)?;
    // The light is read under the piece and beside it, the shadow wherever it is one.
    let half = halved(own.rect().grown(AROUND));
    let light = cutout.light.cells;
    let light = match half.intersected(&light.rect()) {
        _ if keep == Keep::AllLight => light,
        rect if rect.is_empty() || rect == light.rect() => light,
        rect => light.cropped(rect, account)?,
    };
    Ok(Cutout {
        colour: around(cutout.colour, own.rect(), account)?,
        matte: own,
        light: LightField { cells: light },
        shadow: shaded(cutout.shadow, account)?,
        // Wanted where the light is written as a file.
        flags: cutout.flags.filter(|_| keep == Keep::AllLight),
        rig,
        crossing,
        noise: cutout.noise,
        response: cutout.response,
        notices: cutout.notices,
    })
}

/// Cells under frame pixels.
fn halved(rect: Rect) -> Rect {
    Rect {
        x0: rect.x0.div_euclid(2) - 1,
        y0: rect.y0.div_euclid(2) - 1,
        x1: rect.x1.div_euclid(2) + 2,
        y1: rect.y1.div_euclid(2) + 2,
    }
}

/// A rod beside the piece and, where it stands before the piece's face, the part of it the piece does not cover.
fn whole_rig(
    rig: Matte,
    crossing: &Matte,
    own: &Matte,
    account: &Account,
) -> Result<Matte, Finding> {
    if crossing.rect().is_empty() {
        return Ok(rig);
    }
    let rect = rig.rect().united(&crossing.rect());
    let at = |matte: &Matte, x, y| {
        if matte.rect().contains(x, y) {
            matte.at(x, y)
        } else {
            0.0
        }
    };
    let mut whole = Matte::filled(rect, 0.0, account)?;
    for y in rect.y0..rect.y1 {
        for (x, out) in (rect.x0..).zip(whole.row_mut(y)) {
            let over = at(crossing, x, y) * (1.0 - at(own, x, y));
            let beside = at(&rig, x, y);
            *out = beside + over - beside * over;
        }
    }
    Ok(whole)
}

/// Colour on a piece's box and some pixels around it.
fn around(colour: Light, own: Rect, account: &Account) -> Result<Light, Finding> {
    let rect = own.grown(AROUND).intersected(&colour.rect());
    if rect == colour.rect() {
        return Ok(colour);
    }
    Ok(colour.cropped(rect, account)?)
}

/// A shadow on the box where it is one, and a cell of no shadow around it that goes on.
fn shaded(shadow: LightField, account: &Account) -> Result<LightField, Finding> {
    let cells = shadow.cells;
    let rect = cells.rect();
    let mut filled = Rect::EMPTY;
    for y in rect.y0..rect.y1 {
        for (x, cell) in (rect.x0..).zip(cells.row(y)) {
            if *cell != [1.0; 3] {
                filled = filled.united(&Rect::new(x, y, 1, 1));
            }
        }
    }
    let part = if filled.is_empty() && !rect.is_empty() {
        Rect::new(rect.x0, rect.y0, 1, 1)
    } else {
        filled.grown(1).intersected(&rect)
    };
    if part == rect {
        return Ok(LightField { cells });
    }
    let cells = cells.cropped(part, account)?;
    Ok(LightField { cells })
}
