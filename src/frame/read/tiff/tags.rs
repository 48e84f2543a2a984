//! Tags of one directory, read where they are asked for.

use super::super::FrameError;
use super::super::MAX_ICC;
use super::super::octets::{Octets, inside};
use super::ifd::Directory;
use crate::budget::{Account, Charge};

pub struct Tags<'a, B: Octets + ?Sized> {
    pub bytes: &'a B,
    pub directory: &'a Directory,
}

impl<B: Octets + ?Sized> Tags<'_, B> {
    pub fn number(&self, tag: u16, otherwise: u64) -> Result<u64, FrameError> {
        Ok(self.directory.number(self.bytes, tag)?.unwrap_or(otherwise))
    }

    pub fn needed(&self, tag: u16, name: &str) -> Result<u64, FrameError> {
        self.directory.number(self.bytes, tag)?.ok_or_else(|| {
            FrameError::damaged("the image directory", format!("has no {name} (tag {tag})"))
        })
    }

    pub fn numbers(&self, tag: u16, most: u64) -> Result<Option<Vec<u64>>, FrameError> {
        self.directory.numbers(self.bytes, tag, most)
    }
}

/// The embedded ICC bytes (tag 34675), unread.
pub fn icc(
    tags: &Tags<'_, impl Octets + ?Sized>,
    account: &Account,
) -> Result<Option<(Vec<u8>, Charge)>, FrameError> {
    const WHAT: &str = "the ICC profile";
    let Some(entry) = tags.directory.get(34675) else {
        return Ok(None);
    };
    if entry.count == 0 {
        return Ok(None);
    }
    // ICC.1 asks for UNDEFINED; some writers say BYTE.
    if !matches!(entry.kind, 1 | 7) {
        return Err(FrameError::damaged(
            WHAT,
            format!(
                "has the type {}, where bytes are needed (1 or 7)",
                entry.kind
            ),
        ));
    }
    if entry.count > MAX_ICC {
        return Err(FrameError::damaged(
            WHAT,
            format!(
                "says it has {} bytes; at most {MAX_ICC} are read",
                entry.count
            ),
        ));
    }
    inside(entry.at, entry.count, tags.bytes.size(), WHAT)?;
    let charge = account.charge(entry.count, "ICC profiles")?;
    let mut icc = vec![0; entry.count as usize];
    tags.bytes.read(entry.at, &mut icc, WHAT)?;
    Ok(Some((icc, charge)))
}
