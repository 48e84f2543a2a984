//! The store's folder: every part of a name is opened from its parent's handle, and no link is followed.

use crate::digest::Digest;
use rustix::fs::{AtFlags, CWD, Mode, OFlags, Timespec, Timestamps, UTIME_NOW};
use rustix::io::Errno;
use std::fs::File;
use std::io::Write;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

/// Names of entries that are not whole yet begin so.
pub const UNFINISHED: &str = ".new-";

/// The user's own, nobody else's.
const OWN_FOLDER: u32 = 0o700;
const OWN_FILE: u32 = 0o600;

#[derive(Debug)]
pub struct Folder {
    handle: OwnedFd,
}

impl Folder {
    /// Opens the folder, which is made if missing; what leads to it may be links, itself it may not.
    pub fn open(place: &Path) -> Result<Folder, Errno> {
        if let Some(parent) = place.parent() {
            let _ = std::fs::create_dir_all(parent);
        }
        match rustix::fs::mkdir(place, Mode::from_raw_mode(OWN_FOLDER)) {
            Ok(()) | Err(Errno::EXIST) => {}
            Err(fault) => return Err(fault),
        }
        let handle = rustix::fs::openat(CWD, place, folders(), Mode::empty())?;
        own(handle.as_fd())?;
        Ok(Folder { handle })
    }

    pub fn handle(&self) -> BorrowedFd<'_> {
        self.handle.as_fd()
    }

    /// The file of an entry, open for reading.
    pub fn read(&self, kind: &str, key: &Digest) -> Option<File> {
        let [first, rest] = parts(key);
        let kind = entered(self.handle(), kind).ok()?;
        let shelf = entered(kind.as_fd(), &first).ok()?;
        let file = opened(shelf.as_fd(), &rest).ok()?;
        file.metadata().ok()?.is_file().then_some(file)
    }

    /// Writes an entry whole or not at all; `None` where that failed.
    pub fn write(&self, kind: &str, key: &Digest, header: &[u8], bytes: &[u8]) -> Option<()> {
        let [first, rest] = parts(key);
        let kind = made(self.handle(), kind).ok()?;
        let shelf = made(kind.as_fd(), &first).ok()?;
        let (mut file, unfinished) = begun(shelf.as_fd())?;
        let written = file.write_all(header).and_then(|()| file.write_all(bytes));
        let stands = written.is_ok()
            && rustix::fs::renameat(&shelf, unfinished.as_str(), &shelf, rest.as_str()).is_ok();
        if !stands {
            let _ = rustix::fs::unlinkat(&shelf, unfinished.as_str(), AtFlags::empty());
        }
        stands.then_some(())
    }
}

/// Marks an entry as used now; what is read of a folder that can't be written stays as old as it is.
pub fn used(file: &File) {
    let now = Timespec {
        tv_sec: 0,
        tv_nsec: UTIME_NOW,
    };
    let both = Timestamps {
        last_access: now,
        last_modification: now,
    };
    let _ = rustix::fs::futimens(file, &both);
}

/// A folder inside another.
pub fn entered(parent: BorrowedFd, name: &str) -> Result<OwnedFd, Errno> {
    let handle = rustix::fs::openat(parent, name, folders(), Mode::empty())?;
    own(handle.as_fd())?;
    Ok(handle)
}

fn made(parent: BorrowedFd, name: &str) -> Result<OwnedFd, Errno> {
    match rustix::fs::mkdirat(parent, name, Mode::from_raw_mode(OWN_FOLDER)) {
        Ok(()) | Err(Errno::EXIST) => entered(parent, name),
        Err(fault) => Err(fault),
    }
}

/// Opens without waiting, so that a pipe in an entry's place can't hang the program.
fn opened(shelf: BorrowedFd, name: &str) -> Result<File, Errno> {
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    rustix::fs::openat(shelf, name, flags, Mode::empty()).map(File::from)
}

/// A file under a name nobody else has.
fn begun(shelf: BorrowedFd) -> Option<(File, String)> {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    for _ in 0..16 {
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("{UNFINISHED}{}-{count}", std::process::id());
        match rustix::fs::openat(shelf, name.as_str(), flags, Mode::from_raw_mode(OWN_FILE)) {
            Ok(handle) => return Some((File::from(handle), name)),
            // Left by a process of that number that was ended; a sweep takes it away.
            Err(Errno::EXIST) => {}
            Err(_) => return None,
        }
    }
    None
}

fn folders() -> OFlags {
    OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC
}

/// Refuses what somebody else could have filled.
fn own(handle: BorrowedFd) -> Result<(), Errno> {
    let stat = rustix::fs::fstat(handle)?;
    let others_write = stat.st_mode & 0o022 != 0;
    if stat.st_uid != rustix::process::geteuid().as_raw() || others_write {
        return Err(Errno::PERM);
    }
    Ok(())
}

/// `ab` and `cdef...` of a key.
fn parts(key: &Digest) -> [String; 2] {
    let name = key.hex();
    [name[..2].to_owned(), name[2..].to_owned()]
}
