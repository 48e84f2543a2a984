//! How much the folder holds, and what goes when it is too much.

use super::folder::{Folder, UNFINISHED, entered};
use rustix::fs::{AtFlags, Dir, FileType};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::rc::Rc;
use std::time::{SystemTime, UNIX_EPOCH};

/// A file system gives space by blocks.
const BLOCK: u64 = 4096;

/// An unfinished entry so old, in seconds, has no writer any more.
const FORSAKEN: i64 = 3600;

/// Characters of an entry's own name: a digest in hexadecimal without its first two.
const NAME: usize = 62;

/// What a file of that many bytes takes.
pub fn size_of(bytes: u64) -> u64 {
    bytes.div_ceil(BLOCK) * BLOCK
}

struct Found {
    shelf: Rc<OwnedFd>,
    name: String,
    /// Seconds and nanoseconds of its last use.
    used: (i64, i64),
    size: u64,
}

/// Bytes of all entries.
pub fn held(folder: &Folder) -> u64 {
    found(folder).iter().map(|entry| entry.size).sum()
}

/// Takes away what was not used for longest until at most `goal` bytes are left; how many are.
pub fn swept(folder: &Folder, goal: u64) -> u64 {
    let mut all = found(folder);
    all.sort_by(|a, b| (a.used, &a.name).cmp(&(b.used, &b.name)));
    let mut left: u64 = all.iter().map(|entry| entry.size).sum();
    for entry in &all {
        if left <= goal {
            break;
        }
        // Gone already is as good: another process sweeps too.
        let _ = rustix::fs::unlinkat(&*entry.shelf, entry.name.as_str(), AtFlags::empty());
        left -= entry.size;
    }
    left
}

/// Every entry. Files of other names are nobody's business here, but for unfinished ones that were forsaken: those
/// are taken away.
fn found(folder: &Folder) -> Vec<Found> {
    let now = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_secs() as i64);
    let mut all = Vec::new();
    for kind in names(folder.handle()) {
        let Ok(kind) = entered(folder.handle(), &kind) else {
            continue;
        };
        for shelf in names(kind.as_fd()) {
            let Ok(shelf) = entered(kind.as_fd(), &shelf) else {
                continue;
            };
            let shelf = Rc::new(shelf);
            for name in names(shelf.as_fd()) {
                let Ok(stat) =
                    rustix::fs::statat(&*shelf, name.as_str(), AtFlags::SYMLINK_NOFOLLOW)
                else {
                    continue;
                };
                if FileType::from_raw_mode(stat.st_mode) != FileType::RegularFile {
                    continue;
                }
                let used = (stat.st_mtime, stat.st_mtime_nsec as i64);
                if name.starts_with(UNFINISHED) {
                    if now - used.0 > FORSAKEN {
                        let _ = rustix::fs::unlinkat(&*shelf, name.as_str(), AtFlags::empty());
                    }
                } else if name.len() == NAME && name.bytes().all(|c| c.is_ascii_hexdigit()) {
                    all.push(Found {
                        shelf: shelf.clone(),
                        name,
                        used,
                        size: size_of(stat.st_size as u64),
                    });
                }
            }
        }
    }
    all
}

/// What lies in a folder, `.` and `..` left out, in order.
fn names(folder: BorrowedFd) -> Vec<String> {
    let Ok(entries) = Dir::read_from(folder) else {
        return Vec::new();
    };
    let mut names: Vec<String> = entries
        .filter_map(|entry| entry.ok()?.file_name().to_str().ok().map(str::to_owned))
        .filter(|name| name != "." && name != "..")
        .collect();
    names.sort();
    names
}
