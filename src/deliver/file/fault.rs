//! Why an output could not be written, in words that say what to do.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use super::PART_LIMIT;

/// Why an output could not be written.
#[derive(Debug)]
pub enum FileFault {
    /// The name can't be one of an output.
    Name { name: String, fault: NameFault },
    /// A part of the name before the last is there and is no folder.
    NotAFolder { path: PathBuf, kind: Kind },
    /// The final name is there and is no plain file.
    NotAFile { path: PathBuf, kind: Kind },
    /// The system refused.
    Io {
        act: &'static str,
        path: PathBuf,
        error: io::Error,
    },
}

/// What is wrong with an output's name. Sizes in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NameFault {
    Empty,
    Absolute,
    /// It holds `.` or `..` as a part.
    Dots,
    /// Two separators follow each other.
    EmptyPart,
    /// It ends with a separator.
    Folder,
    Control(char),
    Long {
        bytes: usize,
        limit: usize,
    },
}

/// What stands where a file or folder should.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    File,
    Folder,
    Link,
    Device,
    Pipe,
    Socket,
    Other,
}

pub(super) fn io_fault(act: &'static str, path: &Path, error: io::Error) -> FileFault {
    FileFault::Io {
        act,
        path: path.to_path_buf(),
        error,
    }
}

impl fmt::Display for FileFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            FileFault::Name { name, fault } => write!(
                f,
                "\"{}\" can't be an output's name: {fault}",
                name.escape_debug()
            ),
            FileFault::NotAFolder { path, kind } => write!(
                f,
                "{} is {kind}, not a folder: outputs don't go through it; rename it or choose another file",
                path.display()
            ),
            FileFault::NotAFile { path, kind } => write!(
                f,
                "{} is {kind}, not a file: it is left alone; remove it or choose another file",
                path.display()
            ),
            FileFault::Io { act, path, error } => {
                write!(f, "could not {act} {}: {error}", path.display())
            }
        }
    }
}

impl fmt::Display for NameFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            NameFault::Empty => write!(f, "it is empty"),
            NameFault::Absolute => {
                write!(
                    f,
                    "it begins with /; names are relative to the output folder"
                )
            }
            NameFault::Dots => write!(f, ". and .. are no parts of a name"),
            NameFault::EmptyPart => write!(f, "there is nothing between two /"),
            NameFault::Folder => write!(f, "it ends with /, as a folder does"),
            NameFault::Control(control) => {
                write!(
                    f,
                    "it holds the control character U+{:04X}",
                    *control as u32
                )
            }
            NameFault::Long { bytes, limit } => {
                let what = if *limit == PART_LIMIT {
                    "a part of it"
                } else {
                    "it"
                };
                write!(f, "{what} has {bytes} bytes; at most {limit} are allowed")
            }
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Kind::File => "a file",
            Kind::Folder => "a folder",
            Kind::Link => "a symbolic link",
            Kind::Device => "a device",
            Kind::Pipe => "a pipe",
            Kind::Socket => "a socket",
            Kind::Other => "something else",
        })
    }
}

impl std::error::Error for FileFault {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            FileFault::Io { error, .. } => Some(error),
            _ => None,
        }
    }
}
