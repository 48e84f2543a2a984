//! Bytes by position: a regular file, or a block already in memory. Nothing is ever mapped, and no read leaves
//! the length seen when the file was opened.

use super::FrameError;
use rustix::fs::{Mode, OFlags};
use std::fs::{File, FileType};
use std::os::unix::fs::{FileExt, FileTypeExt};
use std::path::Path;

/// Random access to bytes, shared between threads.
pub trait Octets: Sync {
    fn size(&self) -> u64;

    /// Fills `out` from position `at`; a read past the end is an error naming `what`.
    fn read(&self, at: u64, out: &mut [u8], what: &str) -> Result<(), FrameError>;
}

/// An opened regular file.
#[derive(Debug)]
pub struct Disk {
    file: File,
    len: u64,
}

impl Disk {
    /// Opens without waiting, so that a pipe put in a frame's place can't hang the program.
    pub fn open(path: &Path) -> Result<Disk, FrameError> {
        let before = std::fs::metadata(path).map_err(system)?;
        refuse_all_but_files(before.file_type())?;
        let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK | OFlags::NOCTTY;
        let file = File::from(
            rustix::fs::open(path, flags, Mode::empty()).map_err(|errno| system(errno.into()))?,
        );
        let after = file.metadata().map_err(system)?;
        refuse_all_but_files(after.file_type())?;
        Ok(Disk {
            file,
            len: after.len(),
        })
    }

    pub fn file(&self) -> &File {
        &self.file
    }
}

impl Octets for Disk {
    fn size(&self) -> u64 {
        self.len
    }

    fn read(&self, at: u64, out: &mut [u8], what: &str) -> Result<(), FrameError> {
        inside(at, out.len() as u64, self.len, what)?;
        self.file.read_exact_at(out, at).map_err(|error| {
            if error.kind() == std::io::ErrorKind::UnexpectedEof {
                FrameError::damaged(what, "is gone: the file became shorter while it was read")
            } else {
                system(error)
            }
        })
    }
}

impl Octets for [u8] {
    fn size(&self) -> u64 {
        self.len() as u64
    }

    fn read(&self, at: u64, out: &mut [u8], what: &str) -> Result<(), FrameError> {
        inside(at, out.len() as u64, self.size(), what)?;
        let start = at as usize;
        out.copy_from_slice(&self[start..start + out.len()]);
        Ok(())
    }
}

/// An error unless the bytes `at .. at + count` lie in a file of `len` bytes.
pub fn inside(at: u64, count: u64, len: u64, what: &str) -> Result<(), FrameError> {
    match at.checked_add(count) {
        Some(end) if end <= len => Ok(()),
        _ => Err(FrameError::damaged(
            what,
            format!(
                "should lie at bytes {at} to {}, but the file has only {len} bytes",
                at.saturating_add(count)
            ),
        )),
    }
}

fn refuse_all_but_files(kind: FileType) -> Result<(), FrameError> {
    let found = match kind {
        kind if kind.is_file() => return Ok(()),
        kind if kind.is_dir() => "a folder",
        kind if kind.is_fifo() => "a pipe",
        kind if kind.is_socket() => "a socket",
        _ => "a device",
    };
    Err(FrameError::NotAFile { found })
}

fn system(error: std::io::Error) -> FrameError {
    FrameError::System {
        reason: match error.kind() {
            std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
            std::io::ErrorKind::PermissionDenied => "its permissions don't allow it".to_owned(),
            _ => error.to_string(),
        },
    }
}
