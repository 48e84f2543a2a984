//! The orientation in an Exif block (a TIFF of its own inside JPEG APP1 or PNG eXIf).

use super::tiff::ifd::Directory;

/// 1 to 8; 1 where the block has none or can't be read, since the picture itself is whole without it.
pub fn orientation(block: &[u8]) -> u8 {
    let number = Directory::first(block).and_then(|directory| directory.number(block, 274));
    match number {
        Ok(Some(turned @ 1..=8)) => turned as u8,
        _ => 1,
    }
}
