//! Small tools the stages of a cut-out share.

pub(super) mod distance;
pub(super) mod windows;
