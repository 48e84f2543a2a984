//! ICC profiles as bytes: read (hostile ones too) and written.
//!
//! Promises: no bytes make it panic; nothing is allocated beyond the profile's own size; a written profile
//! holds a fixed date. Refuses everything that isn't a curve, or a matrix and three curves, with the reason.

mod bytes;
mod curve;
mod fault;
mod read;
#[cfg(test)]
mod tests;
mod write;

pub use fault::ProfileError;
pub(super) use read::parsed;
pub(super) use write::{linear_gray, written};
