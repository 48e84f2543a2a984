//! KDL text to a typed, spanned scene, and back to a canonical layout.
//!
//! Promise: every error of a file in one run (syntax errors together, else all meaning errors), each with file,
//! line, what is allowed and the nearest known name. Refuses hostile text in bounded time and memory. Reads files
//! only through the loader it is given.

mod model;

pub use model::*;
