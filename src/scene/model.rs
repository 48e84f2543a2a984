//! The typed scene: what a file said, every value with the text it came from, nothing resolved yet.
//!
//! Inheritance (`each`), per-output changes and defaults are applied by `plan`; here a node is there or not.
//! Paths are already joined to the folder of the file that named them, parameters already put in.

use crate::blend::{Mixing, Mode};
use crate::diag::{Sources, Span, Spanned};
use crate::mask::{Cap, FillRule};
use crate::resample::Kernel;
use std::path::PathBuf;

/// A node that may be absent, switched off (`node #false`) or set.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Slot<T> {
    #[default]
    Unset,
    Off(Span),
    Set(Spanned<T>),
}

impl<T> Slot<T> {
    /// This slot, or `outer` where it is unset.
    pub fn or<'a>(&'a self, outer: &'a Slot<T>) -> &'a Slot<T> {
        if matches!(self, Slot::Unset) {
            outer
        } else {
            self
        }
    }

    pub fn value(&self) -> Option<&T> {
        match self {
            Slot::Set(spanned) => Some(&spanned.value),
            _ => None,
        }
    }

    pub fn span(&self) -> Option<Span> {
        match self {
            Slot::Unset => None,
            Slot::Off(span) => Some(*span),
            Slot::Set(spanned) => Some(spanned.span),
        }
    }
}

#[derive(Clone, Debug, Default)]
pub struct Scene {
    /// `scene "name"`, or the file's stem.
    pub name: String,
    pub title: Option<Spanned<String>>,
    pub creator: Option<Spanned<String>>,
    pub rights: Option<Spanned<String>>,
    /// Every text read, for messages.
    pub sources: Sources,
    /// Every parameter with its settled text, in the order declared.
    pub params: Vec<(String, String)>,
    pub plates: Vec<Plate>,
    pub stage: Stage,
    pub backdrop: Option<Spanned<Hex>>,
    pub working: Option<Spanned<Working>>,
    pub guides: Guides,
    pub protects: Vec<NamedMask>,
    pub masks: Vec<NamedMask>,
    pub each: Option<Treatment>,
    pub members: Vec<Member>,
    pub outputs: Vec<Output>,
    pub series: Option<Spanned<PathBuf>>,
    pub rows: Vec<Row>,
}

/// What may stand at the top and inside an output.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stage {
    pub canvas: Option<Spanned<Canvas>>,
    pub extend: Option<Spanned<Extend>>,
    pub correct: Option<Spanned<Correct>>,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Guides {
    /// Fractions of the crop's width, then of its height.
    pub x: Vec<f64>,
    pub y: Vec<f64>,
    pub safe: Vec<Safe>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Safe {
    Action,
    Graphics,
}

/// The first plate is the base. `name` is `None` for the base only.
#[derive(Clone, Debug, PartialEq)]
pub struct Plate {
    pub span: Span,
    pub files: Vec<Spanned<PathBuf>>,
    pub name: Option<Spanned<String>>,
    pub profile: Option<Spanned<ProfileName>>,
}

/// `canvas w h` has no origin of its own: it starts at 0, 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Canvas {
    pub x: i32,
    pub y: i32,
    pub width: u32,
    pub height: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extend {
    Reflect,
    Pad,
    Colour(Hex),
}

/// A colour in sRGB notation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Hex(pub [u8; 3]);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Working {
    Plate,
    Srgb,
    DisplayP3,
    Rec2020,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ProfileName {
    /// Outputs only: the base plate's own profile.
    Plate,
    Srgb,
    DisplayP3,
    A98Rgb,
    Rec2020,
    Gray,
    File(PathBuf),
}

/// Exposure in stops, gains, mired, saturation, hue: applied in this order whatever the order written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correct {
    pub exposure: f64,
    pub gain: [f64; 3],
    pub mired: f64,
    pub saturate: f64,
    pub hue_rotate: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct NamedMask {
    pub name: Spanned<String>,
    pub body: Body,
}

// Both are large, few, and mostly elements: boxing the groups would save nothing worth a second type.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Debug)]
pub enum Member {
    Group(Group),
    Element(Element),
}

/// Properties of elements and groups. Only groups have `isolate`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Props {
    pub order: Option<Spanned<i32>>,
    pub opacity: Option<Spanned<f64>>,
    pub blend: Option<Spanned<Mode>>,
    pub mixing: Option<Spanned<Mixing>>,
    pub off: Option<Spanned<bool>>,
    pub plate: Option<Spanned<String>>,
    pub isolate: Option<Spanned<bool>>,
}

#[derive(Clone, Debug)]
pub struct Group {
    pub span: Span,
    pub name: Spanned<String>,
    pub props: Props,
    pub each: Option<Treatment>,
    pub placement: Placement,
    pub correct: Slot<Correct>,
    pub mask: Slot<Body>,
    pub members: Vec<Member>,
}

#[derive(Clone, Debug)]
pub struct Element {
    pub span: Span,
    pub name: Spanned<String>,
    pub props: Props,
    pub frame: FrameRef,
    pub treatment: Treatment,
}

#[derive(Clone, Debug, PartialEq)]
pub struct FrameRef {
    pub path: Spanned<PathBuf>,
    pub profile: Option<Spanned<ProfileName>>,
}

/// All nodes of an element but its frame: what `each` and `change` can say too.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Treatment {
    pub align: Slot<Align>,
    pub balance: Slot<Balance>,
    pub mask: Slot<Body>,
    pub mends: Vec<Mend>,
    /// `mend #false`.
    pub no_mends: Option<Span>,
    pub correct: Slot<Correct>,
    pub defocus: Slot<f64>,
    pub placement: Placement,
    pub resample: Slot<Kernel>,
    pub behind: Slot<String>,
    pub shadow: Slot<Shadow>,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Placement {
    pub offset: Slot<[f64; 2]>,
    pub scale: Slot<[f64; 2]>,
    pub rotate: Slot<f64>,
    pub flip: Slot<Flip>,
    pub pivot: Slot<[f64; 2]>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Flip {
    Horizontal,
    Vertical,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Align {
    Shift,
    Similarity,
    Perspective,
    /// `align dx dy`.
    By([f64; 2]),
    /// SVG `matrix` order, frame to plate.
    Affine([f64; 6]),
    /// Row by row, frame to plate.
    Projective([f64; 9]),
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Balance {
    Both,
    Exposure,
    White,
    Gains([f64; 3]),
}

#[derive(Clone, Debug, PartialEq)]
pub struct Mend {
    pub span: Span,
    pub from: Option<Spanned<PathBuf>>,
    pub areas: Vec<Source>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Shadow {
    pub strength: f64,
    pub offset: [f64; 2],
    pub within: Option<Vec<Source>>,
}

/// A mask, top to bottom.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Body {
    pub steps: Vec<Spanned<Step>>,
    /// Something in it is none of its nodes: what it seems to lack may be just that, and is not told.
    pub unread: bool,
}

impl Body {
    pub fn of(steps: Vec<Spanned<Step>>) -> Body {
        Body {
            steps,
            unread: false,
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    Keep(Vec<Source>),
    Within(Vec<Source>),
    Cut(Vec<Source>),
    Feather(f64),
    Dilate(f64),
    Erode(f64),
    Ramp(f64, f64),
    Invert,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    pub span: Span,
    pub kind: SourceKind,
    /// Standard deviation in px; 0 for none.
    pub feather: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub enum SourceKind {
    All,
    Rect {
        x: f64,
        y: f64,
        width: f64,
        height: f64,
    },
    Ellipse {
        cx: f64,
        cy: f64,
        rx: f64,
        ry: f64,
    },
    Polygon {
        points: Vec<[f64; 2]>,
        rule: FillRule,
    },
    Path {
        path: kurbo::BezPath,
        rule: FillRule,
    },
    Line {
        points: Vec<[f64; 2]>,
        width: f64,
        cap: Cap,
    },
    Image {
        path: Spanned<PathBuf>,
        channel: Option<Spanned<Channel>>,
        /// Whole pixels.
        at: [i32; 2],
    },
    Piece {
        sigma: Option<f64>,
        plate: Option<Spanned<String>>,
        card: Option<Card>,
    },
    Rig,
    Luminance {
        low: f64,
        high: f64,
    },
    Mask(Spanned<String>),
}

#[derive(Clone, Debug, PartialEq)]
pub struct Card {
    pub path: Spanned<PathBuf>,
    pub plate: Option<Spanned<String>>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channel {
    Alpha,
    Gray,
    Red,
    Green,
    Blue,
}

#[derive(Clone, Debug)]
pub struct Output {
    pub span: Span,
    pub name: Spanned<String>,
    pub off: bool,
    /// Relative to the output folder, parameters already put in.
    pub file: Spanned<String>,
    pub format: Format,
    pub crop: Option<Spanned<Crop>>,
    pub bleed: Option<Spanned<f64>>,
    pub size: Option<Spanned<Size>>,
    pub profile: Option<Spanned<ProfileName>>,
    pub intent: Option<Spanned<Intent>>,
    /// 8, 16 or 32; the format's default already put in.
    pub depth: Depth,
    pub compression: Compression,
    pub quality: u8,
    pub max_bytes: Option<Spanned<u64>>,
    pub sharpen: Option<Spanned<Sharpen>>,
    pub dither: bool,
    pub ppi: f64,
    pub background: Option<Spanned<Hex>>,
    pub stage: Stage,
    pub guides: Guides,
    pub edits: Edits,
    pub member: Option<Spanned<String>>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    Tiff,
    Png,
    Jpeg,
    Webp,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    Eight,
    Sixteen,
    ThirtyTwo,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Compression {
    None,
    Lzw,
    Deflate,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Crop {
    /// Canvas pixels.
    Rect(Canvas),
    Ratio {
        width: f64,
        height: f64,
        centre: Option<[f64; 2]>,
        zoom: f64,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Size {
    Both(u32, u32),
    Width(u32),
    Height(u32),
    LongEdge(u32),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Intent {
    Relative,
    Perceptual,
    Saturation,
    Absolute,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sharpen {
    Screen,
    Coated,
    Uncoated,
}

/// What an output or a row changes about members.
#[derive(Clone, Debug, Default)]
pub struct Edits {
    pub changes: Vec<Change>,
    /// `hide` (false) and `show` (true), by path.
    pub shown: Vec<(Spanned<String>, bool)>,
}

/// Everything a `change` says; it replaces what the member says, as an element replaces `each`.
#[derive(Clone, Debug)]
pub struct Change {
    pub span: Span,
    pub path: Spanned<String>,
    pub props: Props,
    pub frame: Option<FrameRef>,
    /// For a group only its placement, correct and mask are set.
    pub treatment: Treatment,
    /// Groups only.
    pub each: Option<Treatment>,
    pub nudge: [f64; 2],
}

#[derive(Clone, Debug)]
pub struct Row {
    pub span: Span,
    pub name: Spanned<String>,
    pub edits: Edits,
}
