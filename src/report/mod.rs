//! Findings from pixels: what was counted while a picture was drawn, said in words.
//!
//! Takes numbers, gives findings; reads no file and draws nothing. A clean set gives none.

mod protect;

pub use protect::covered;
