//! One entry: a header, then the bytes that were kept.

use crate::digest::Digest;
use std::fs::File;
use std::io::Read;

/// Format, key, digest of the bytes, their count (little-endian).
pub const HEADER: u64 = 8 + 32 + 32 + 8;

const FORMAT: &[u8; 8] = b"plkept\0\x01";

pub fn header(key: &Digest, bytes: &[u8]) -> Vec<u8> {
    let mut header = FORMAT.to_vec();
    header.extend(key.0);
    header.extend(Digest::of(bytes).0);
    header.extend((bytes.len() as u64).to_le_bytes());
    header
}

/// How many bytes an entry of that key holds by its own word and by the file's length.
pub fn length(file: &mut File, key: &Digest) -> Option<u64> {
    let mut start = [0; 40];
    file.read_exact(&mut start).ok()?;
    let length = file.metadata().ok()?.len().checked_sub(HEADER)?;
    (start[..8] == FORMAT[..] && start[8..] == key.0).then_some(length)
}

/// The bytes, if they are those that were kept; read after [`length`].
pub fn payload(file: &mut File, length: u64) -> Option<Vec<u8>> {
    let mut rest = [0; 40];
    file.read_exact(&mut rest).ok()?;
    if rest[32..] != length.to_le_bytes() {
        return None;
    }
    let mut bytes = vec![0; usize::try_from(length).ok()?];
    file.read_exact(&mut bytes).ok()?;
    (Digest::of(&bytes).0 == rest[..32]).then_some(bytes)
}
