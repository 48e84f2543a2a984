//! Names, defaults and units resolved: from a scene to flat steps that a renderer can follow without a look-up.
//!
//! Reads headers only. Promise: every file is opened and checked once, every fault of every file is reported
//! together, and equal work (the same frame under the same mask, the same stack for several outputs) is one entry.
//! What needs pixels (painted masks, computed pivots) is left to `settle`.

mod alone;
mod build;
mod effects;
mod footage;
mod laying;
mod masks;
mod mends;
mod output;
mod pieces;
mod plates;
mod stack;
mod treat;

pub use alone::{Alone, Named, opened_alone};
pub use build::{Settings, planned};
pub use effects::ShadowStep;
pub use footage::{Footage, Painted, PaintedId, Shot, ShotId, unreadable};
pub use laying::{Carry, Gains, Laying, Part};
pub use masks::{LayerRecipe, MaskId, MaskRecipe, SourceRecipe, StepRecipe};
pub use mends::{MendFrom, MendStep};
pub use output::{OutputPlan, Target};
pub use pieces::{CardRecipe, PieceId, PieceRecipe, keeps_more};
pub use plates::{PlateId, PlateSet};
pub use stack::{Cut, CutId, ElementStep, GroupStep, Node, Placing};

use crate::color::Space;
use crate::correct::Matrix;
use crate::geom::Rect;
use crate::scene::Extend;

/// Everything a run needs to know before it reads a pixel.
#[derive(Debug)]
pub struct Plan {
    pub space: Space,
    pub footage: Footage,
    /// The base plate first; empty in a scene without one.
    pub plates: Vec<PlateSet>,
    /// Frames under their masks, each distinct pair once.
    pub cuts: Vec<Cut>,
    /// What is cut out of frames by comparing them with their plates.
    pub pieces: Vec<PieceRecipe>,
    /// Masks in canvas space: named ones that are used, and groups' own.
    pub masks: Vec<MaskRecipe>,
    /// Areas that nothing may cover.
    pub protects: Vec<Protect>,
    /// Distinct stacks; several outputs may share one.
    pub pictures: Vec<Stack>,
    pub outputs: Vec<OutputPlan>,
}

#[derive(Clone, Debug)]
pub struct Protect {
    pub name: String,
    pub mask: MaskId,
    pub span: crate::diag::Span,
}

/// One picture: the ground and the members on it, back to front.
#[derive(Clone, Debug, PartialEq)]
pub struct Stack {
    /// The part of canvas space that is shown.
    pub canvas: Rect,
    pub ground: Ground,
    pub nodes: Vec<Node>,
    /// The scene's correction, acting on the finished stack.
    pub correct: Option<Matrix>,
}

/// What lies below every member.
#[derive(Clone, Debug, PartialEq)]
pub struct Ground {
    pub plate: Option<ShotId>,
    pub extend: Option<ExtendWith>,
    /// Linear colour in the working space.
    pub backdrop: Option<[f32; 3]>,
}

/// How the base plate goes on beyond its edge; a colour is linear, in the working space.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ExtendWith {
    Reflect,
    Pad,
    Colour([f32; 3]),
}

impl ExtendWith {
    fn of(extend: Extend, space: &Space) -> ExtendWith {
        match extend {
            Extend::Reflect => ExtendWith::Reflect,
            Extend::Pad => ExtendWith::Pad,
            Extend::Colour(hex) => ExtendWith::Colour(space.of_srgb_hex(hex.0)),
        }
    }
}
