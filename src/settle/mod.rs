//! What needs pixels before anything can be drawn: coverage of every mask, the box a piece fills, computed pivots.
//!
//! Takes a plan, gives numbers and mattes, so that drawing a rectangle stays a pure function. Promise: a mask is
//! kept only where it is not zero, and a frame is never whole in memory for its mask's sake.

mod added;
mod agree;
mod ahead;
mod border;
mod broken;
mod colour;
mod coverage;
mod desk;
mod fellows;
mod kept;
pub mod keyed;
mod lay;
mod locate;
mod mend;
mod notices;
mod patch;
mod pivot;
mod plate;
mod product;
mod runs;
mod sight;

pub(crate) use coverage::{painted_matte, unreadable};

pub use broken::with_all_broken;
pub use kept::Origin;
pub use lay::{Laid, laid};
pub use plate::{PlateFile, PlateSight};
pub use product::BareSet;
pub(crate) use sight::balanced;
pub use sight::{CarriedSight, FrameSight, Held};

use crate::blend::Mode;
use crate::budget::{Account, OverBudget};
use crate::color::Response;
use crate::diag::Finding;
use crate::geom::{Map, Rect};
use crate::key::{LightField, Noise, Notice};
use crate::plan::{Cut, CutId, ElementStep, MaskId, MaskRecipe, Node, Plan, PlateId, ShotId};
use crate::raster::{Light, Matte, Seen};
use crate::register::{Alignment, Balance};
use crate::store::Store;
use desk::{Asking, Desk};
use std::sync::Arc;

/// A plan with all that had to be measured.
#[derive(Debug)]
pub struct Settled {
    /// What a photographer should know before the picture is drawn.
    pub findings: Vec<Finding>,
    /// How the files of each plate lie on its first one, without that.
    pub fellows: Vec<Vec<Laid>>,
    cuts: Vec<Option<SettledCut>>,
    masks: Vec<SettledMask>,
    areas: Vec<Area>,
}

/// A frame's coverage, in frame space, and how it lies on its plate.
#[derive(Debug)]
pub struct SettledCut {
    /// Coverage is zero outside.
    pub area: Rect,
    /// `None`: full coverage all over `area`.
    pub coverage: Option<Matte>,
    /// Where an element without a stated pivot turns about, frame space.
    pub pivot: [f64; 2],
    /// Frame to plate (`align`): it joins the placement, so that pixels are resampled once.
    pub carry: Map,
    /// The frame's light is multiplied by these before everything else (`balance`).
    pub gains: [f64; 3],
    /// The piece this cut is made of, where its mask has one.
    pub keyed: Option<Arc<Keyed>>,
    /// Straight colour drawn instead of the frame's own, where it is not simply the piece's.
    pub mixed: Option<Light>,
    /// Light the piece adds to its set, straight, on `area`; where something lays it down with `plus-lighter`.
    pub added: Option<Light>,
}

/// A piece cut out of a frame; cuts that differ in later steps only share it.
#[derive(Debug)]
pub struct Keyed {
    /// The piece's own colour: straight, frame space, gains applied, carried on beyond its edge.
    pub colour: Light,
    /// The piece's own coverage, before drawn steps.
    pub own: Arc<Matte>,
    /// Light on the set as a ratio to the plate, all of it; near the piece alone, unless more was to be kept.
    pub light: LightField,
    /// The same as `shadow` lays it down.
    pub shadow: LightField,
    /// What flags that moved did to it, where all light was to be kept.
    pub flags: Option<LightField>,
    /// What holds the piece, where it is seen beside it.
    pub rig: Arc<Matte>,
    /// Where it crosses the piece's face.
    pub crossing: Matte,
    /// Which plate governs.
    pub plate: PlateId,
    /// What was estimated on the way.
    pub estimates: Estimates,
    /// Whether an earlier run had left it.
    pub origin: Origin,
}

/// What was estimated while a piece was cut out, for reports.
#[derive(Debug, Default)]
pub struct Estimates {
    pub alignment: Option<Alignment>,
    pub balance: Option<Balance>,
    /// `None` for a piece before two plates.
    pub noise: Option<Noise>,
    /// How the pictures answer the set's light, where that is not as profiles say.
    pub response: Option<Response>,
    pub notices: Vec<Notice>,
}

/// How much of the light on the set is kept beside a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// What drawing needs.
    NearPieces,
    /// All of it, to be written.
    AllLight,
}

impl SettledCut {
    /// Straight colour that is drawn instead of decoding the frame; on a rectangle that covers `area`.
    pub fn picture(&self) -> Option<&Light> {
        self.mixed
            .as_ref()
            .or_else(|| self.keyed.as_ref().map(|keyed| &keyed.colour))
    }
}

#[derive(Debug)]
struct SettledMask {
    id: MaskId,
    canvas: Rect,
    matte: Matte,
    /// The set without what the mask shows, where that is known.
    bare: Option<BareSet>,
}

/// A mask on a frame that is no element's own.
#[derive(Debug)]
struct Area {
    shot: ShotId,
    recipe: MaskRecipe,
    matte: Matte,
}

impl Settled {
    /// What limits a shadow, in its frame's space; zero outside the matte's rectangle.
    pub fn area(&self, shot: ShotId, recipe: &MaskRecipe) -> &Matte {
        self.areas
            .iter()
            .find(|area| area.shot == shot && area.recipe == *recipe)
            .map(|area| &area.matte)
            .expect("every area of a picture is settled")
    }

    pub fn cut(&self, id: CutId) -> &SettledCut {
        self.cuts[id.0]
            .as_ref()
            .expect("every cut of a picture is settled")
    }

    /// The set without the product a mask shows, where the mask is found by comparing plates and something stands
    /// behind it.
    pub fn bare_set(&self, id: MaskId, canvas: Rect) -> Option<&BareSet> {
        self.masks
            .iter()
            .find(|m| m.id == id && m.canvas == canvas)
            .and_then(|m| m.bare.as_ref())
    }

    /// A canvas-space mask as drawn on that canvas; zero outside the matte's rectangle.
    pub fn mask(&self, id: MaskId, canvas: Rect) -> &Matte {
        self.masks
            .iter()
            .find(|m| m.id == id && m.canvas == canvas)
            .map(|m| &m.matte)
            .expect("every mask of a picture is settled")
    }
}

/// Settles all that the plan's pictures use, without a look at what other runs left.
pub fn settled(plan: &Plan, account: &Account) -> Result<Settled, Finding> {
    settled_keeping(plan, Keep::NearPieces, &Store::none(), account)
}

/// The same with a store: what an earlier run left is used, what is found is left for the next. It decides no byte.
pub fn settled_keeping(
    plan: &Plan,
    keep: Keep,
    store: &Store,
    account: &Account,
) -> Result<Settled, Finding> {
    let mut wanted = Wanted::default();
    for picture in &plan.pictures {
        wanted.collect(plan, &picture.nodes, picture.canvas);
        for protect in &plan.protects {
            wanted.mask(protect.mask, picture.canvas);
        }
    }
    let mut desk = Desk::new(plan, keep, store, account);
    desk.hold_plates()?;
    for (id, _) in &wanted.cuts {
        desk.ahead.expect(plan, &plan.cuts[id.0].mask);
    }
    let mut cuts: Vec<Option<SettledCut>> = plan.cuts.iter().map(|_| None).collect();
    for (id, uses) in wanted.cuts {
        let cut = &plan.cuts[id.0];
        desk.look_ahead(&cut.mask);
        let settled = settled_cut(&mut desk, cut, uses).map_err(|fault| asking(cut).told(fault))?;
        cuts[id.0] = Some(settled);
    }
    let mut masks = Vec::new();
    for (id, canvas) in std::mem::take(&mut wanted.masks) {
        desk.find(&plan.masks[id.0])?;
        let matte = coverage::of_canvas_mask(&desk, id, canvas)?;
        let bare = match plan.product(id) {
            Some(piece) if wanted.behind.contains(&(id, canvas)) => {
                Some(product::bare_set(&mut desk, piece, &matte)?)
            }
            _ => None,
        };
        masks.push(SettledMask {
            id,
            canvas,
            matte,
            bare,
        });
    }
    let mut areas = Vec::new();
    for (shot, recipe) in wanted.areas {
        let matte = coverage::of_limit(&desk, &recipe, plan.footage.shot(shot))?;
        areas.push(Area {
            shot,
            recipe,
            matte,
        });
    }
    let mut settled = Settled {
        findings: desk.findings,
        fellows: desk.fellows,
        cuts,
        masks,
        areas,
    };
    for (id, within, member) in wanted.shadows {
        let (cut, shot) = (&plan.cuts[id.0], plan.cuts[id.0].shot);
        let within = within.map(|recipe| settled.area(shot, recipe));
        let keyed = settled.cut(id).keyed.as_deref();
        let found = keyed.and_then(|k| border::told(k, within, plan.footage.shot(shot)));
        let asking = Asking {
            span: cut.span,
            member: Some(member),
        };
        settled.findings.extend(found.map(|f| asking.told(f)));
    }
    Ok(settled)
}

fn asking(cut: &Cut) -> Asking<'_> {
    Asking {
        span: cut.span,
        member: Some(&cut.member),
    }
}

/// Whether anything asks for what is found in one of two ways.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Asked {
    Needed,
    Unused,
}

impl Asked {
    fn or(self, needed: bool) -> Asked {
        if needed { Asked::Needed } else { self }
    }
}

/// What elements want of a cut beyond its coverage and colour.
#[derive(Clone, Copy, Debug)]
struct Uses {
    /// Something turns about its computed pivot.
    pivot: Asked,
    /// Something lays down the light it adds.
    light: Asked,
}

#[derive(Default)]
struct Wanted<'a> {
    cuts: Vec<(CutId, Uses)>,
    masks: Vec<(MaskId, Rect)>,
    /// Those of the masks that something stands behind.
    behind: Vec<(MaskId, Rect)>,
    areas: Vec<(ShotId, MaskRecipe)>,
    /// Shadows that are kept, where they count, and of whom.
    shadows: Vec<(CutId, Option<&'a MaskRecipe>, &'a str)>,
}

impl<'a> Wanted<'a> {
    fn collect(&mut self, plan: &Plan, nodes: &'a [Node], canvas: Rect) {
        for node in nodes {
            match node {
                Node::Element(step) => {
                    self.element(step);
                    if let Some(mask) = step.behind {
                        self.mask(mask, canvas);
                        self.behind.push((mask, canvas));
                    }
                    if let Some(shadow) = &step.shadow {
                        let shadow = (step.cut, shadow.within.as_ref(), step.member.as_str());
                        if !self.shadows.contains(&shadow) {
                            self.shadows.push(shadow);
                        }
                    }
                    if let Some(within) = step.shadow.as_ref().and_then(|s| s.within.as_ref()) {
                        let area = (plan.cuts[step.cut.0].shot, within.clone());
                        if !self.areas.contains(&area) {
                            self.areas.push(area);
                        }
                    }
                }
                Node::Group(group) => {
                    if let Some((mask, _)) = group.mask {
                        self.mask(mask, canvas);
                    }
                    self.collect(plan, &group.nodes, canvas);
                }
            }
        }
    }

    fn element(&mut self, step: &ElementStep) {
        let index = match self.cuts.iter().position(|(id, _)| *id == step.cut) {
            Some(index) => index,
            None => {
                let none = Uses {
                    pivot: Asked::Unused,
                    light: Asked::Unused,
                };
                self.cuts.push((step.cut, none));
                self.cuts.len() - 1
            }
        };
        let uses = &mut self.cuts[index].1;
        let turns = step.placing.pivot.is_none() && step.placing.turns();
        uses.pivot = uses.pivot.or(turns);
        uses.light = uses.light.or(step.mode == Mode::PlusLighter);
    }

    fn mask(&mut self, id: MaskId, canvas: Rect) {
        if !self.masks.contains(&(id, canvas)) {
            self.masks.push((id, canvas));
        }
    }
}

fn settled_cut(desk: &mut Desk, cut: &Cut, uses: Uses) -> Result<SettledCut, Finding> {
    let shot = desk.plan.footage.shot(cut.shot);
    let account = desk.account;
    let laid = desk.laid(cut.shot, cut.plate, cut.laying, asking(cut))?;
    desk.find(&cut.mask)?;
    let frame = FrameSight {
        shot,
        gains: laid.gains,
        held: None,
        account: account.clone(),
    };
    let mut coverage = if cut.mask.is_all() {
        None
    } else {
        Some(coverage::of_frame(desk, &cut.mask.steps, &frame)?)
    };
    let area = coverage.as_ref().map_or(frame.rect(), Matte::rect);
    let keyed = match cut.mask.piece() {
        Some(id) if coverage.is_some() => Some(desk.piece(id).clone()),
        _ => None,
    };
    let mut mixed = None;
    if let (Some(keyed), Some(matte)) = (&keyed, &mut coverage) {
        colour::limited(matte, &frame)?;
        mixed = colour::mixed(desk, &cut.mask, keyed, &frame, area)?;
    }
    if !cut.mends.is_empty() && !area.is_empty() {
        let patient = mend::Patient {
            frame: &frame,
            keyed: keyed.as_deref(),
            coverage: coverage.as_ref(),
            area,
        };
        mixed = Some(mend::mended(desk, cut, &patient, mixed)?);
    }
    let added = match (&keyed, uses.light) {
        (Some(keyed), Asked::Needed) => Some(added::added(desk, keyed, &frame, laid.carry, area)?),
        _ => None,
    };
    let pivot = match uses.pivot {
        Asked::Needed => pivot::computed(shot, area, coverage.as_ref(), account)?,
        Asked::Unused => pivot::centre(frame.rect()),
    };
    Ok(SettledCut {
        area,
        coverage,
        pivot,
        carry: laid.carry,
        gains: laid.gains,
        keyed,
        mixed,
        added,
    })
}

impl From<OverBudget> for Finding {
    fn from(fault: OverBudget) -> Finding {
        out_of_memory(&fault)
    }
}

/// A refused allocation as a finding about a member or a mask.
pub(crate) fn out_of_memory(fault: &OverBudget) -> Finding {
    Finding::stop("out-of-memory", fault.to_string())
        .measured(
            (fault.used.saturating_add(fault.wanted)) as f64,
            fault.limit as f64,
        )
        .remedy("allow more with --memory, or mask the pieces tighter")
}
