//! Picture files in and out: headers, samples by rectangle, and the files we write.
//!
//! Reading promises samples exactly as stored (turned as the orientation tag says, white-is-zero gray turned the
//! right way up), only the chunks a rectangle needs, and a clear refusal with numbers for everything it does not
//! read. Nothing is converted here except by [`Samples::picture`], through a curve and matrix it is given.

mod kinds;
mod read;
pub mod write;

pub use kinds::{
    Alpha, Channel, Chunks, Colour, Embedded, FileFormat, Header, SampleBuffer, SampleKind,
};
pub use read::{Cost, Frame, FrameError, MAX_ICC, MAX_PIXELS, MAX_SIDE, Samples};
