//! (being built)

mod file;

pub use file::{FileFault, Identity, Kind, NameFault, OutputFolder, Pending};
