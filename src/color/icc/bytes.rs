//! Big-endian numbers at offsets that may lie outside.

pub(super) fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    let field = bytes.get(at..at.checked_add(2)?)?;
    Some(u16::from_be_bytes([field[0], field[1]]))
}

pub(super) fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    let field = bytes.get(at..at.checked_add(4)?)?;
    Some(u32::from_be_bytes([field[0], field[1], field[2], field[3]]))
}

/// An s15Fixed16Number, as the integer it is stored as.
pub(super) fn fixed(bytes: &[u8], at: usize) -> Option<i32> {
    be32(bytes, at).map(|bits| bits as i32)
}

/// A four-byte signature for a message: printable ASCII as it is, the rest as dots.
pub(super) fn signature(bytes: &[u8], at: usize) -> String {
    bytes
        .iter()
        .skip(at)
        .take(4)
        .map(|&byte| {
            if byte.is_ascii_graphic() || byte == b' ' {
                char::from(byte)
            } else {
                '.'
            }
        })
        .collect()
}
