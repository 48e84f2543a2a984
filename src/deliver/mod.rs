//! Outputs: rows of a picture through crop, size, profile and quantising into files that appear whole or not at all.
//!
//! Order (rule 12 of the language): stack, scene correct, output correct, crop, size, background, profile, quantise.
//! Every file is written beside its final name; only when all of a run are whole are they put in place. What a piece
//! was cut out as goes to disk in [`cutout`].

mod code;
pub mod cutout;
mod dither;
mod file;
mod guides;
mod memory;
mod run;
mod sink;

pub use file::{FileFault, Identity, OutputFolder, Pending};
pub use memory::peak_bytes;
pub use run::{Delivered, Delivery, Job, Measured, Shape, delivered, misplaced};
