//! Small tools of the cut-outs that know no plate: blurs, fills, connected parts.

pub mod gauss;
pub mod labels;
pub mod push_pull;
