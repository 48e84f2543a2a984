//! From a tree of groups to the order things are painted in.
//!
//! A plain group is a bracket: its members sort together with everything else in the nearest isolated parent.
//! Whatever a group says that needs its members as one picture (opacity, a blend mode, a mask, a correction,
//! `isolate`) makes it isolated.

use super::effects::{Casting, ShadowStep, detached};
use super::footage::{Opener, ShotId};
use super::laying::Laying;
use super::masks::{self, MaskId, MaskRecipe, Masks};
use super::mends::MendStep;
use super::pieces::{self, Footing};
use super::plates::PlateId;
use super::treat::{Told, treatment_over};
use crate::blend::{Mixing, Mode};
use crate::color::Space;
use crate::correct::{Correction, Matrix, spread};
use crate::diag::{Span, Spanned};
use crate::geom::{Map, Rect};
use crate::resample::Kernel;
use crate::scene::{
    Body, Correct, Edits, Element, Flip, Group, Member, NamedMask, Placement, Props, Slot, Step,
    Treatment,
};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CutId(pub usize);

/// A frame under its mask: what `settle` makes once, however often it is placed.
#[derive(Clone, Debug)]
pub struct Cut {
    pub shot: ShotId,
    pub mask: MaskRecipe,
    /// The plate that governs `laying`; the base where nothing is compared with a plate.
    pub plate: PlateId,
    pub laying: Laying,
    /// Parts of the piece to be rebuilt, in this order.
    pub mends: Vec<MendStep>,
    /// The first member that uses it, for messages.
    pub member: String,
    pub span: Span,
}

impl PartialEq for Cut {
    fn eq(&self, other: &Self) -> bool {
        self.shot == other.shot
            && self.mask == other.mask
            && self.plate == other.plate
            && self.laying == other.laying
            && self.mends == other.mends
    }
}

#[derive(Clone, Debug, PartialEq)]
pub enum Node {
    Element(ElementStep),
    Group(GroupStep),
}

#[derive(Clone, Debug)]
pub struct ElementStep {
    /// `nibs/a`.
    pub member: String,
    pub span: Span,
    pub cut: CutId,
    pub placing: Placing,
    /// The groups' placements, to the canvas.
    pub outer: Map,
    pub kernel: Kernel,
    pub correct: Option<Matrix>,
    /// Radius of a lens disc in frame px; `None` where it would stay within its pixel.
    pub defocus: Option<f64>,
    pub behind: Option<MaskId>,
    pub shadow: Option<ShadowStep>,
    pub opacity: f32,
    pub mode: Mode,
    pub mixing: Mixing,
}

impl PartialEq for ElementStep {
    fn eq(&self, o: &Self) -> bool {
        self.member == o.member
            && self.cut == o.cut
            && self.placing == o.placing
            && self.outer == o.outer
            && self.kernel == o.kernel
            && self.correct == o.correct
            && self.defocus == o.defocus
            && self.behind == o.behind
            && self.shadow == o.shadow
            && self.opacity == o.opacity
            && self.mode == o.mode
            && self.mixing == o.mixing
    }
}

/// A group composited alone, then placed as one. Its members already carry its placement.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupStep {
    pub member: String,
    pub nodes: Vec<Node>,
    /// A mask in the group's own canvas space and the map that carries it to the canvas.
    pub mask: Option<(MaskId, Map)>,
    pub correct: Option<Matrix>,
    pub opacity: f32,
    pub mode: Mode,
    pub mixing: Mixing,
}

/// An element's or a group's own placement; the pivot may be left to be computed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placing {
    pub offset: [f64; 2],
    pub scale: [f64; 2],
    pub rotate: f64,
    pub flip: Option<Flip>,
    pub pivot: Option<[f64; 2]>,
}

impl Placing {
    fn of(placement: &Placement, nudge: [f64; 2]) -> Placing {
        let [dx, dy] = placement.offset.value().copied().unwrap_or([0.0, 0.0]);
        Placing {
            offset: [dx + nudge[0], dy + nudge[1]],
            scale: placement.scale.value().copied().unwrap_or([1.0, 1.0]),
            rotate: placement.rotate.value().copied().unwrap_or(0.0),
            flip: placement.flip.value().copied(),
            pivot: placement.pivot.value().copied(),
        }
    }

    /// Whether the pivot makes a difference.
    pub fn turns(&self) -> bool {
        self.scale != [1.0, 1.0] || self.rotate != 0.0 || self.flip.is_some()
    }

    /// T(offset) . T(p) . rotate . scale . flip . T(-p).
    pub fn map(&self, pivot: [f64; 2]) -> Map {
        let offset = Map::translation(self.offset[0], self.offset[1]);
        if !self.turns() {
            return offset;
        }
        let flip = match self.flip {
            None => Map::IDENTITY,
            Some(Flip::Horizontal) => Map::scaling(-1.0, 1.0),
            Some(Flip::Vertical) => Map::scaling(1.0, -1.0),
        };
        Map::translation(-pivot[0], -pivot[1])
            .then(&flip)
            .then(&Map::scaling(self.scale[0], self.scale[1]))
            .then(&Map::rotation(self.rotate))
            .then(&Map::translation(pivot[0], pivot[1]))
            .then(&offset)
    }
}

/// Builds the nodes of one stack.
pub(super) struct StackBuilder<'a, 'b> {
    pub masks: &'b mut Masks,
    pub cuts: &'b mut Vec<Cut>,
    pub opener: &'b mut Opener<'a>,
    pub named: &'b [NamedMask],
    pub space: &'b Space,
    /// The scene's canvas: group pivots default to its centre.
    pub scene_canvas: Rect,
    /// The canvas the masks are drawn on.
    pub canvas: Rect,
    pub edits: Option<&'b Edits>,
    /// Only this member.
    pub only: Option<&'b str>,
}

/// A node with the order it is sorted by.
type Ranked = (i32, Node);

/// What a member inherits on the way down.
#[derive(Clone)]
struct Above<'t> {
    path: String,
    each: Option<&'t Treatment>,
    outer: Map,
    order: Option<i32>,
    casting: Casting,
    /// The nearest group's `plate=`.
    plate: PlateId,
    /// Inside the member an output asks for.
    chosen: bool,
}

impl StackBuilder<'_, '_> {
    pub fn nodes(&mut self, members: &[Member], each: Option<&Treatment>) -> Vec<Node> {
        let above = Above {
            path: String::new(),
            each,
            outer: Map::IDENTITY,
            order: None,
            casting: Casting::NONE,
            plate: PlateId::BASE,
            chosen: self.only.is_none(),
        };
        self.sorted(members, &above)
    }

    fn sorted(&mut self, members: &[Member], above: &Above) -> Vec<Node> {
        let mut ranked = Vec::new();
        self.collect(members, above, &mut ranked);
        // Stable: ties keep file order.
        ranked.sort_by_key(|(order, _)| *order);
        ranked.into_iter().map(|(_, node)| node).collect()
    }

    fn collect(&mut self, members: &[Member], above: &Above, into: &mut Vec<Ranked>) {
        for member in members {
            match member {
                Member::Element(element) => self.element(element, above, into),
                Member::Group(group) => self.group(group, above, into),
            }
        }
    }

    /// The member's path and whether it, or something below it, belongs to this picture.
    fn enter(&self, name: &str, above: &Above) -> Option<(String, bool)> {
        let path = if above.path.is_empty() {
            name.to_owned()
        } else {
            format!("{}/{name}", above.path)
        };
        let chosen = above.chosen || self.only == Some(path.as_str());
        let below = self.only.is_some_and(|only| {
            only.strip_prefix(path.as_str())
                .is_some_and(|r| r.starts_with('/'))
        });
        (chosen || below).then_some((path, chosen))
    }

    fn element(&mut self, element: &Element, above: &Above, into: &mut Vec<Ranked>) {
        let Some((path, _)) = self.enter(&element.name.value, above) else {
            return;
        };
        let told = Told::about(&path, self.edits);
        let props = told.props(&element.props);
        let own = match above.each {
            Some(each) => treatment_over(&element.treatment, each),
            None => element.treatment.clone(),
        };
        let treatment = told.treatment(&own);
        // Left out or not, its files are checked.
        let shot = self
            .opener
            .shot(told.frame(&element.frame), Some(self.space));
        let behind = treatment.behind.value().and_then(|name| {
            self.masks
                .by_name(name, self.named, self.opener, self.canvas)
        });
        let Some(shot) = shot else { return };
        let Some(cut) = self.cut(&path, element, shot, &treatment, self.plate(&props, above))
        else {
            return;
        };
        let placing = Placing::of(&treatment.placement, told.nudge());
        let opacity = props.opacity.map_or(1.0, |o| o.value);
        let casting = above.casting.inside(&placing, opacity);
        let shadow = self.shadow(&treatment, shot, &casting);
        if told.is_off(&props) {
            return;
        }
        if let Slot::Set(kept) = &treatment.shadow {
            let moved = casting.offset;
            let own = kept.value.offset;
            let finding = detached(&path, kept.span, &placing, &above.outer, moved, own);
            self.opener.findings.extend(finding);
        }
        let cut = self.intern(cut);
        let order = props.order.map(|o| o.value).or(above.order).unwrap_or(0);
        into.push((
            order,
            Node::Element(ElementStep {
                member: path,
                span: element.name.span,
                cut,
                placing,
                outer: above.outer,
                kernel: treatment.resample.value().copied().unwrap_or_default(),
                correct: self.correction(&treatment.correct),
                defocus: treatment
                    .defocus
                    .value()
                    .copied()
                    .filter(|&radius| spread(radius) > 0),
                behind,
                shadow,
                opacity: opacity as f32,
                mode: props.blend.map_or(Mode::Normal, |b| b.value),
                mixing: props.mixing.map_or(Mixing::Linear, |m| m.value),
            }),
        ));
    }

    /// The shadow an element keeps.
    fn shadow(
        &mut self,
        treatment: &Treatment,
        shot: ShotId,
        casting: &Casting,
    ) -> Option<ShadowStep> {
        let Slot::Set(shadow) = &treatment.shadow else {
            return None;
        };
        let own = shadow.value.offset;
        let within = match &shadow.value.within {
            None => None,
            Some(sources) => {
                // What limits a shadow is drawn or painted.
                let ground = masks::Ground {
                    space: self.opener.footage.shot(shot).rect(),
                    footing: None,
                };
                let keep = Step::Keep(sources.clone());
                let body = Body::of(vec![Spanned::new(keep, shadow.span)]);
                Some(self.masks.recipe(&body, self.named, self.opener, ground)?)
            }
        };
        Some(ShadowStep {
            strength: (shadow.value.strength * casting.opacity) as f32,
            offset: [casting.offset[0] + own[0], own[1]],
            within,
        })
    }

    /// The plate that governs a member: its own, the nearest group's, the base.
    fn plate(&self, props: &Props, above: &Above) -> PlateId {
        props
            .plate
            .as_ref()
            .and_then(|name| pieces::by_name(&self.masks.plates, &name.value))
            .unwrap_or(above.plate)
    }

    /// The element's frame under its mask, laid onto its plate.
    fn cut(
        &mut self,
        path: &str,
        element: &Element,
        shot: ShotId,
        treatment: &Treatment,
        plate: PlateId,
    ) -> Option<Cut> {
        let span = element.name.span;
        let usual = pieces::usual_mask(element.span);
        let body = match treatment.mask.value() {
            Some(body) => Some(body),
            None if !self.masks.plates.is_empty() => Some(&usual),
            None => None,
        };
        let finds = body.is_some_and(pieces::finds);
        let plate = body
            .and_then(pieces::named_plate)
            .and_then(|name| pieces::by_name(&self.masks.plates, &name.value))
            .unwrap_or(plate);
        let laying = Laying::of(treatment, if finds { Laying::FOUND } else { Laying::OFF });
        let footing = Footing {
            shot,
            plate,
            laying,
            member: Some(path.to_owned()),
        };
        if !pieces::comparable(&footing, finds, &self.masks.plates, span, self.opener) {
            return None;
        }
        let ground = masks::Ground {
            space: self.opener.footage.shot(shot).rect(),
            footing: Some(&footing),
        };
        let mask = match body {
            Some(body) => self.masks.recipe(body, self.named, self.opener, ground)?,
            None => MaskRecipe::all(),
        };
        let own = &element.frame;
        let mends = self.mends(&treatment.mends, own, body, &mask, &footing)?;
        Some(Cut {
            shot,
            mask,
            plate: if finds || laying.needs_plate() {
                plate
            } else {
                PlateId::BASE
            },
            laying,
            mends,
            member: path.to_owned(),
            span,
        })
    }

    fn group(&mut self, group: &Group, above: &Above, into: &mut Vec<Ranked>) {
        let Some((path, chosen)) = self.enter(&group.name.value, above) else {
            return;
        };
        let told = Told::about(&path, self.edits);
        let props = told.props(&group.props);
        let from_change = told.change.map(|c| &c.treatment);
        let placement = match from_change {
            Some(change) => {
                treatment_over(
                    change,
                    &Treatment {
                        placement: group.placement.clone(),
                        ..Treatment::default()
                    },
                )
                .placement
            }
            None => group.placement.clone(),
        };
        let correct = from_change.map_or(&group.correct, |c| c.correct.or(&group.correct));
        let body = from_change.map_or(&group.mask, |c| c.mask.or(&group.mask));
        let each = [
            told.change.and_then(|c| c.each.as_ref()),
            group.each.as_ref(),
            above.each,
        ]
        .into_iter()
        .flatten()
        .fold(None, |near: Option<Treatment>, far| match near {
            Some(near) => Some(treatment_over(&near, far)),
            None => Some(far.clone()),
        });
        let placing = Placing::of(&placement, told.nudge());
        let centre = [
            f64::from(self.scene_canvas.x0) + f64::from(self.scene_canvas.width()) / 2.0,
            f64::from(self.scene_canvas.y0) + f64::from(self.scene_canvas.height()) / 2.0,
        ];
        let outer = placing
            .map(placing.pivot.unwrap_or(centre))
            .then(&above.outer);
        let order = props.order.map(|o| o.value).or(above.order);
        let mask = body.value().and_then(|body| {
            // A group's mask holds no piece.
            let ground = masks::Ground {
                space: self.canvas,
                footing: None,
            };
            self.masks
                .recipe(body, self.named, self.opener, ground)
                .map(|recipe| (self.masks.intern(recipe), outer))
        });
        let opacity = props.opacity.map_or(1.0, |o| o.value as f32);
        let mode = props.blend.map_or(Mode::Normal, |b| b.value);
        let isolated = opacity != 1.0
            || mode != Mode::Normal
            || body.value().is_some()
            || correct.value().is_some()
            || props.isolate.is_some_and(|i| i.value);
        let inside = Above {
            path: path.clone(),
            each: each.as_ref(),
            outer,
            order: if isolated { None } else { order },
            casting: above.casting.inside(&placing, f64::from(opacity)),
            plate: self.plate(&props, above),
            chosen,
        };
        let left_out = told.is_off(&props);
        // A member asked for alone leaves the groups around it behind.
        if !isolated || !chosen {
            let from = into.len();
            self.collect(&group.members, &inside, into);
            if left_out {
                into.truncate(from);
            }
            return;
        }
        let nodes = self.sorted(&group.members, &inside);
        if left_out || nodes.is_empty() {
            return;
        }
        into.push((
            order.unwrap_or(0),
            Node::Group(GroupStep {
                member: path,
                nodes,
                mask,
                correct: self.correction(correct),
                opacity,
                mode,
                mixing: props.mixing.map_or(Mixing::Linear, |m| m.value),
            }),
        ));
    }

    fn intern(&mut self, cut: Cut) -> CutId {
        match self.cuts.iter().position(|c| *c == cut) {
            Some(index) => CutId(index),
            None => {
                self.cuts.push(cut);
                CutId(self.cuts.len() - 1)
            }
        }
    }

    fn correction(&self, slot: &Slot<Correct>) -> Option<Matrix> {
        slot.value().and_then(|c| matrix(c, self.space))
    }
}

/// A correction as a matrix; `None` where it changes nothing.
pub(super) fn matrix(correct: &Correct, space: &Space) -> Option<Matrix> {
    let matrix = Correction {
        exposure: correct.exposure,
        gain: correct.gain,
        mired: correct.mired,
        saturate: correct.saturate,
        hue_rotate: correct.hue_rotate,
    }
    .matrix(space);
    (!matrix.is_identity()).then_some(matrix)
}
