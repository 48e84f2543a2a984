//! Small tools of the cut-outs that know no plate: blurs, fills, connected parts, distances, windows.

pub mod distance;
pub mod gauss;
pub mod labels;
pub mod push_pull;
pub mod windows;
