//! Small frames by the hundred for measuring cut-outs: one piece of this world on one of its sets, from a seed, with the
//! truth. Nothing is traced: pieces are the shoot's own meshes or flat shapes, drawn three times finer and averaged, so that
//! every edge mixes light as a lens and a pixel mix it. The same kind, level, seed and size give the same pixels.
//!
//! Linear light: the set B under its light S; rod over it, piece over both (two wires in front: the other way round);
//! then the camera's shift and turn, exposure and white, noise, and the profile's curve. The truth lies in the plate's
//! geometry, exposure and white.

mod canvas;
mod converted;
mod disc;
mod draw;
mod graded;
mod ink;
mod levels;
mod light;
mod made;
mod quill;
mod rods;
mod scrap;
mod sets;
mod solid;
mod view;
mod write;

pub use levels::{Camera, Level};
pub use made::{Case, Truth, made, noisy};
pub use write::written;

/// What is cut out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A steel nib with its slit, breather hole and flank cuts.
    Steel,
    /// A polished brass nib that mirrors the studio.
    Brass,
    /// A brass wire clip: the set is seen through it.
    Clip,
    /// A paper curl, in places seen edge on.
    Curl,
    /// A nib or a curl out of focus.
    Blurred,
    /// A quill: a shaft with hair-fine barbs.
    Quill,
    /// A splash of ink that light comes through.
    Ink,
    /// A torn scrap of paper on a set of the same paper.
    Scrap,
    /// A broad nib with two wires in front of it.
    Wires,
}

impl Kind {
    pub const ALL: [Kind; 9] = [
        Kind::Steel,
        Kind::Brass,
        Kind::Clip,
        Kind::Curl,
        Kind::Blurred,
        Kind::Quill,
        Kind::Ink,
        Kind::Scrap,
        Kind::Wires,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Kind::Steel => "steel",
            Kind::Brass => "brass",
            Kind::Clip => "clip",
            Kind::Curl => "curl",
            Kind::Blurred => "blurred",
            Kind::Quill => "quill",
            Kind::Ink => "ink",
            Kind::Scrap => "scrap",
            Kind::Wires => "wires",
        }
    }
}
