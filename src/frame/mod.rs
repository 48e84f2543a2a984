//! (being built)
pub mod write;
