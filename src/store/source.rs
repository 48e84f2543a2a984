//! Files known by what is in them: a digest, remembered by device, inode, length and times.

use crate::digest::{Digest, Keying};
use std::fs::File;
use std::os::unix::fs::MetadataExt;
use std::time::{SystemTime, UNIX_EPOCH};

/// Seconds within which a file may have changed again without its times telling.
const YOUNG: i64 = 2;

/// What a file held when it was looked at.
#[derive(Clone, Debug)]
pub struct Source {
    pub digest: Digest,
    identity: Identity,
}

impl Source {
    /// Whether the file has not been touched since.
    pub fn stands(&self, file: &File) -> bool {
        Identity::of(file) == Some(self.identity)
    }
}

/// Any difference means digesting again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Identity {
    device: u64,
    inode: u64,
    length: u64,
    /// Seconds and nanoseconds.
    modified: (i64, i64),
    changed: (i64, i64),
}

impl Identity {
    fn of(file: &File) -> Option<Identity> {
        let meta = file.metadata().ok()?;
        Some(Identity {
            device: meta.dev(),
            inode: meta.ino(),
            length: meta.len(),
            modified: (meta.mtime(), meta.mtime_nsec()),
            changed: (meta.ctime(), meta.ctime_nsec()),
        })
    }

    fn key(&self) -> Digest {
        let mut key = Keying::of("a file")
            .count(self.device)
            .count(self.inode)
            .count(self.length);
        for (seconds, rest) in [self.modified, self.changed] {
            key = key.count(seconds as u64).count(rest as u64);
        }
        key.done()
    }

    /// Times of now, or to come, prove nothing.
    fn young(&self) -> bool {
        let now = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .map_or(0, |d| d.as_secs() as i64);
        self.modified.0.max(self.changed.0) + YOUNG >= now
    }
}

/// `remembered` and `remember` look an identity's digest up and write it down.
pub fn known(
    file: &File,
    remembered: impl Fn(&Digest) -> Option<Digest>,
    remember: impl Fn(&Digest, &Digest),
) -> Option<Source> {
    let identity = Identity::of(file)?;
    let key = identity.key();
    if !identity.young()
        && let Some(digest) = remembered(&key)
    {
        return Some(Source { digest, identity });
    }
    let digest = Digest::of_file(file, identity.length).ok()?;
    if Identity::of(file)? != identity {
        return None;
    }
    if !identity.young() {
        remember(&key, &digest);
    }
    Some(Source { digest, identity })
}
