//! Platewright: a headless composite assembler. One text file in, a 16-bit master and its crops out.
//!
//! The house, top floor first; a room names only floors below it, and rooms on one floor do not see each other:
//!
//! | floor | rooms |
//! | --- | --- |
//! | 11 | [`cli`]: what was typed, one file a verb, the only room that prints |
//! | 10 | [`report`]: findings from pixels |
//! | 9 | [`deliver`]: outputs: crop, size, profile, dither, metadata, write-then-rename |
//! | 8 | [`render`]: one rectangle of a settled plan |
//! | 7 | [`settle`]: what needs pixels of whole frames before anything can be drawn |
//! | 6 | [`plan`]: names, defaults and units resolved; extents; memory |
//! | 5 | [`scene`]: KDL to a typed, spanned scene; every error at once; formatting |
//! | 4 | [`key`]: cut-outs from a known plate: mattes, recovered colour, rods, shadows |
//! | 3 | [`register`], [`mask`]: laying a frame onto its plate, gains · coverage |
//! | 2 | [`resample`], [`blend`], [`correct`], [`frame`], [`store`]: kernels · mixing · corrections · files · what one run keeps for the next |
//! | 1 | [`raster`], [`color`], [`diag`]: buffers and pixel types · curves, primaries, profiles · findings |
//! | 0 | [`geom`], [`budget`], [`digest`]: rectangles and maps · memory account · stable keys |

#![forbid(unsafe_code)]

pub mod blend;
pub mod budget;
pub mod cli;
pub mod color;
pub mod correct;
pub mod deliver;
pub mod diag;
pub mod digest;
pub mod frame;
pub mod geom;
pub mod key;
pub mod mask;
pub mod plan;
pub mod raster;
pub mod register;
pub mod render;
pub mod report;
pub mod resample;
pub mod scene;
pub mod settle;
pub mod store;
