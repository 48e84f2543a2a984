//! Colour: profiles, working spaces, and the curves and matrices between codes and linear light.
//!
//! Promises: tables and plan-time numbers are built in f64 by the pinned `libm`, and pixels meet only tables
//! and plain arithmetic, so that every machine gives the same bits; every 16-bit code decoded and
//! encoded again is itself; profile bytes carry no clock.
//! Refuses, with numbers: profiles that are damaged, too large, of another colour space, or made of look-up tables.
//!
//! From bytes to numbers: [`Profile`] is what a file carries, [`Space`] is where pixels are mixed, [`Decoding`] leads from
//! the one to the other and [`Encoding`] back.

mod decode_table;
mod decoding;
mod difference;
mod encode_table;
mod encoding;
mod formula;
mod icc;
mod inverse;
mod matrix;
mod named;
mod primaries;
mod profile;
mod response;
mod sampled;
mod space;
mod srgb;
mod tone;

pub use decoding::Decoding;
pub use difference::{delta_e_2000, lab_d50};
pub use encoding::Encoding;
pub use icc::ProfileError;
pub use named::Named;
pub use primaries::{bradford, daylight_xy};
pub use profile::Profile;
pub use response::Response;
pub(crate) use response::{place as tone, slope, stops};
pub use space::Space;
pub use srgb::{srgb_decode, srgb_encode};
