//! What has been measured so far: frames laid onto their plates, pieces cut out, each once for all that share it.

use super::keyed::{self, Wish};
use super::lay::{self, Laid};
use super::sight::{CarriedSight, FrameSight, PlateSight};
use super::{Estimates, Keep, Keyed, agree, coverage, locate};
use crate::budget::Account;
use crate::diag::{Finding, Span};
use crate::geom::Rect;
use crate::key::{self, LightField, triangulated};
use crate::plan::{
    CardRecipe, Laying, MaskRecipe, PieceId, PieceRecipe, Plan, PlateId, Shot, ShotId, SourceRecipe,
};
use crate::raster::{Light, Matte, Raster, Seen};
use std::sync::Arc;

/// Pixels of colour kept around a piece: a dilated or feathered edge finds its colour there, and beyond them the
/// outermost pixel's goes on.
const AROUND: u32 = 64;

pub(super) struct Desk<'a> {
    pub plan: &'a Plan,
    pub account: &'a Account,
    keep: Keep,
    pub findings: Vec<Finding>,
    laid: Vec<((ShotId, PlateId, Laying), Laid)>,
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
    pub fn new(plan: &'a Plan, keep: Keep, account: &'a Account) -> Desk<'a> {
        Desk {
            plan,
            account,
            keep,
            findings: Vec::new(),
            laid: Vec::new(),
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
        let laid =
            lay::laid(frame, &plates, laying, self.account).map_err(|fault| asking.told(fault))?;
        let findings = laid.findings.iter().cloned();
        self.findings.extend(findings.map(|f| asking.told(f)));
        self.laid.push((key, laid.clone()));
        Ok(laid)
    }

    /// Holds the files of every plate against one another.
    pub fn hold_plates(&self) -> Result<(), Finding> {
        for (k, set) in self.plan.plates.iter().enumerate() {
            agree::agreed(set, &self.files(PlateId(k)), self.account)?;
        }
        Ok(())
    }

    pub fn files(&self, plate: PlateId) -> Vec<&'a Shot> {
        let plan = self.plan;
        let shots = plan.plates[plate.0].shots.iter();
        shots.map(|&id| plan.footage.shot(id)).collect()
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
            .cut_out(recipe, asking)
            .map_err(|fault| asking.told(fault))?;
        self.pieces[id.0] = Some(Arc::new(keyed));
        Ok(())
    }

    fn cut_out(&mut self, recipe: &PieceRecipe, asking: Asking) -> Result<Keyed, Finding> {
        let mut laid = self.laid(recipe.shot, recipe.plate, recipe.laying, asking)?;
        laid.findings.clear();
        let plates = self.files(recipe.plate);
        let frame = self.plan.footage.shot(recipe.shot);
        let within = match &recipe.within {
            Some(limit) => Some(coverage::of_limit(self, limit, frame)?),
            None => None,
        };
        if let Some(card) = recipe.card {
            return self.triangulated(recipe, card, laid, within.as_ref(), asking);
        }
        let wish = Wish {
            laying: recipe.laying,
            sigma: recipe.sigma,
            within: within.as_ref(),
        };
        let cut = keyed::cut_laid(frame, &plates, laid, wish, self.account)?;
        drop(cut.frame_light);
        let findings = cut.findings.into_iter();
        self.findings.extend(findings.map(|f| asking.told(f)));
        let mut cutout = cut.cutout;
        let estimates = Estimates {
            alignment: cut.alignment,
            balance: cut.balance,
            noise: Some(cutout.noise),
            notices: std::mem::take(&mut cutout.notices),
        };
        kept(cutout, recipe.plate, estimates, self.keep, self.account)
    }

    /// The same piece before two plates.
    fn triangulated(
        &mut self,
        recipe: &PieceRecipe,
        card: CardRecipe,
        first: Laid,
        within: Option<&Matte>,
        asking: Asking,
    ) -> Result<Keyed, Finding> {
        let second = self.laid(card.shot, card.plate, recipe.laying, asking)?;
        let plan = self.plan;
        let account = self.account;
        let seen = |shot: ShotId, laid: &Laid| FrameSight {
            shot: plan.footage.shot(shot),
            gains: laid.gains,
            account: account.clone(),
        };
        let (frame, other) = (seen(recipe.shot, &first), seen(card.shot, &second));
        let plates = self.files(recipe.plate);
        let card_plates = self.files(card.plate);
        let carried = |shots, laid: &Laid| CarriedSight {
            plate: PlateSight {
                shots,
                account: account.clone(),
            },
            carry: laid.carry,
            rect: frame.rect(),
        };
        let plate = carried(&plates, &first);
        let card_plate = carried(&card_plates, &second);
        let region = locate::region(&frame, &plate, within, account)?;
        let (mut matte, colour) = triangulated(
            &frame.light(region)?,
            &plate.light(region)?,
            &other.light(region)?,
            &card_plate.light(region)?,
            account,
        )?;
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
        Ok(Keyed {
            colour: around(colour, own.rect(), account)?,
            own: Arc::new(own),
            light: flat()?,
            shadow: flat()?,
            rig: Arc::new(Matte::filled(Rect::EMPTY, 0.0, account)?),
            crossing: Matte::filled(Rect::EMPTY, 0.0, account)?,
            plate: recipe.plate,
            estimates: Estimates {
                alignment: first.alignment,
                balance: first.balance,
                ..Estimates::default()
            },
        })
    }
}

/// What is kept of a cut-out: only where something is.
fn kept(
    cutout: key::Cutout,
    plate: PlateId,
    estimates: Estimates,
    keep: Keep,
    account: &Account,
) -> Result<Keyed, Finding> {
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
    Ok(Keyed {
        colour: around(cutout.colour, own.rect(), account)?,
        own: Arc::new(own),
        light: LightField { cells: light },
        shadow: shaded(cutout.shadow, account)?,
        rig: Arc::new(rig),
        crossing,
        plate,
        estimates,
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
