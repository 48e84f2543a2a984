//! Where scene texts come from: a loader, and the one for files.
//!
//! Promise: regular files only, never more than 1 MiB read, whatever the file claims; FIFOs, devices and folders are
//! refused without waiting on them.

use super::prescan::FILE_BYTES;
use std::fmt;
use std::io::Read;
use std::path::Path;

/// Gives the text of a scene file.
pub trait Loader {
    /// The text at `path`, at most 1 MiB.
    fn load(&self, path: &Path) -> Result<String, LoadFault>;
}

/// Why a text could not be had.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LoadFault {
    Missing,
    /// A folder, a pipe, a device: what it is.
    NotAFile(&'static str),
    /// More than 1 MiB; the bytes it claims to hold.
    TooLarge(u64),
    /// Not UTF-8 from this byte on.
    NotText(usize),
    /// Anything else the system says.
    Unreadable(String),
}

impl LoadFault {
    /// The identifier of the finding: what lies in the file is the scene's own fault, what keeps it from being read
    /// is not.
    pub fn id(&self) -> &'static str {
        match self {
            LoadFault::TooLarge(_) => "too-large",
            LoadFault::NotText(_) => "not-text",
            LoadFault::Missing | LoadFault::NotAFile(_) | LoadFault::Unreadable(_) => "unreadable",
        }
    }

    /// What to do about it, where the file was named on the command line.
    fn remedy(&self) -> &'static str {
        match self {
            LoadFault::TooLarge(_) => {
                "is it the scene? split a large one with include \"file.kdl\""
            }
            LoadFault::NotText(_) => "is it the scene? save it as UTF-8 text",
            _ => "check the path; it is relative to the folder you are in",
        }
    }

    /// The same for a file that another one includes.
    pub(super) fn remedy_for(&self, from: Option<crate::diag::Span>) -> &'static str {
        match (self, from) {
            (LoadFault::TooLarge(_) | LoadFault::NotText(_), _) | (_, None) => self.remedy(),
            _ => "the path is relative to the file that includes it",
        }
    }
}

impl fmt::Display for LoadFault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            LoadFault::Missing => write!(out, "there is no such file"),
            LoadFault::NotAFile(what) => write!(out, "it is {what}, and a text file is needed"),
            LoadFault::TooLarge(bytes) => {
                write!(
                    out,
                    "it holds {bytes} bytes, and a scene file holds at most {FILE_BYTES}"
                )
            }
            LoadFault::NotText(at) => write!(out, "byte {at} is no UTF-8 text"),
            LoadFault::Unreadable(why) => write!(out, "{why}"),
        }
    }
}

/// Reads scene files from disk.
#[derive(Clone, Copy, Debug, Default)]
pub struct FileLoader;

impl Loader for FileLoader {
    fn load(&self, path: &Path) -> Result<String, LoadFault> {
        use rustix::fs::{FileType, Mode, OFlags};
        // NONBLOCK: opening a pipe nobody writes to would wait for ever.
        let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC | OFlags::NOCTTY;
        // Look before opening: opening some devices already does something.
        let about = rustix::fs::stat(path).map_err(told)?;
        regular(FileType::from_raw_mode(about.st_mode))?;
        let file = rustix::fs::open(path, flags, Mode::empty()).map_err(told)?;
        let about = rustix::fs::fstat(&file).map_err(told)?;
        regular(FileType::from_raw_mode(about.st_mode))?;
        let claimed = u64::try_from(about.st_size).unwrap_or(0);
        if claimed > FILE_BYTES as u64 {
            return Err(LoadFault::TooLarge(claimed));
        }
        let mut bytes = Vec::with_capacity(claimed as usize + 1);
        std::fs::File::from(file)
            .take(FILE_BYTES as u64 + 1)
            .read_to_end(&mut bytes)
            .map_err(|error| LoadFault::Unreadable(error.to_string()))?;
        if bytes.len() > FILE_BYTES {
            return Err(LoadFault::TooLarge(bytes.len() as u64));
        }
        String::from_utf8(bytes)
            .map_err(|error| LoadFault::NotText(error.utf8_error().valid_up_to()))
    }
}

fn told(error: rustix::io::Errno) -> LoadFault {
    if error == rustix::io::Errno::NOENT || error == rustix::io::Errno::NOTDIR {
        return LoadFault::Missing;
    }
    LoadFault::Unreadable(std::io::Error::from(error).to_string())
}

fn regular(kind: rustix::fs::FileType) -> Result<(), LoadFault> {
    use rustix::fs::FileType;
    match kind {
        FileType::RegularFile => Ok(()),
        FileType::Directory => Err(LoadFault::NotAFile("a folder")),
        FileType::Fifo => Err(LoadFault::NotAFile("a pipe")),
        FileType::Socket => Err(LoadFault::NotAFile("a socket")),
        FileType::CharacterDevice | FileType::BlockDevice => Err(LoadFault::NotAFile("a device")),
        _ => Err(LoadFault::NotAFile("no regular file")),
    }
}
