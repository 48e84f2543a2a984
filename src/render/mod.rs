//! One rectangle of a settled plan, and whole pictures as bands of rows.
//!
//! `tile::drawn` is pure: the same plan and rectangle give the same pixels whatever the tiling, the threads or what
//! was drawn before. Bands run top to bottom; only the frames that meet a band are held, and only their part.

mod bands;
mod bare;
mod feed;
mod ground;
mod here;
mod memory;
mod piece;
mod protect;
mod scope;
mod shadow;
mod tile;

pub use bands::{Band, BandSink, Tiling, drawn};
pub use bare::Product;
pub use here::{Here, here};
pub use memory::peak_bytes;
pub use piece::load_bytes;
pub use protect::{Covered, Tally, Watch};
pub use scope::{Placed, PlacedElement, PlacedGroup, Scope, View};
pub use shadow::Thrown;
pub use tile::{Stored, Tile};
