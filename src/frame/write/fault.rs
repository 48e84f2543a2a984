//! Why a picture could not be written.

use std::fmt;
use std::io;

use super::Depth;

/// What the writers refuse, and what went wrong below them.
#[derive(Debug)]
pub enum WriteFault {
    /// A side is 0 or beyond what the format, or its readers, hold.
    Size {
        width: u32,
        height: u32,
        limit: u32,
    },
    /// More tiles than are kept track of.
    Tiles {
        wanted: u64,
        limit: u64,
    },
    /// This format has no such samples.
    Depth {
        format: &'static str,
        depth: Depth,
    },
    /// This format has no alpha.
    Alpha {
        format: &'static str,
    },
    /// Pixels per inch outside 1 to 10,000.
    Density(f64),
    /// JPEG quality outside 1 to 100.
    Quality(u8),
    /// A profile or the descriptive texts are too long. In bytes.
    Long {
        what: &'static str,
        bytes: usize,
        limit: usize,
    },
    /// Rows or tiles are missing or too many at the end of writing.
    Count {
        what: &'static str,
        wanted: u64,
        got: u64,
    },
    Io(io::Error),
}

impl fmt::Display for WriteFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            WriteFault::Size {
                width,
                height,
                limit,
            } => write!(
                f,
                "a picture of {width} x {height} px can't be written in this format: each side must be 1 to {limit} px"
            ),
            WriteFault::Tiles { wanted, limit } => write!(
                f,
                "the picture needs {wanted} tiles; at most {limit} are written"
            ),
            WriteFault::Depth { format, depth } => {
                let (bits, remedy) = match depth {
                    Depth::U8 => (8, "use depth 16"),
                    Depth::U16 => (16, "use depth 8 or a TIFF"),
                    Depth::F32 => (32, "use a smaller depth or a TIFF"),
                };
                write!(f, "{format} can't hold {bits}-bit samples: {remedy}")
            }
            WriteFault::Alpha { format } => write!(
                f,
                "{format} can't hold alpha: state a background, or use a TIFF or PNG"
            ),
            WriteFault::Density(ppi) => {
                write!(f, "{ppi} pixels per inch: it must be 1 to 10000")
            }
            WriteFault::Quality(quality) => write!(f, "quality {quality}: it must be 1 to 100"),
            WriteFault::Long { what, bytes, limit } => {
                write!(
                    f,
                    "{what} would take {bytes} bytes; at most {limit} are written"
                )
            }
            WriteFault::Count { what, wanted, got } => {
                write!(f, "{got} {what} were given where {wanted} are needed")
            }
            WriteFault::Io(error) => write!(f, "{error}"),
        }
    }
}

impl std::error::Error for WriteFault {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            WriteFault::Io(error) => Some(error),
            _ => None,
        }
    }
}

impl From<io::Error> for WriteFault {
    fn from(error: io::Error) -> WriteFault {
        WriteFault::Io(error)
    }
}
