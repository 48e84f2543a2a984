//! Slits too thin for an inside.
use super::fit::Fitted;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;
pub fn added(
    _fitted: &Fitted,
    _open: &mut Raster<u8>,
    _account: &Account,
) -> Result<(), OverBudget> {
    Ok(())
}
