//! Why a profile can't be used.

use std::fmt;

/// Why a profile can't be used, with the numbers. Sizes and offsets in bytes.
#[derive(Clone, Debug, PartialEq)]
pub enum ProfileError {
    /// Larger than 16 MiB.
    TooLarge { size: u64 },
    /// Fewer bytes than its header, or than the size the header declares.
    Truncated { size: u64, needed: u64 },
    /// No `acsp` signature at byte 36.
    NotAProfile { found: String },
    /// A major version that is neither 2 nor 4.
    Version { major: u8, minor: u8 },
    /// A device link, abstract or named colour profile.
    Class { found: String },
    /// A colour space other than RGB and gray.
    Space { found: String },
    /// Connected through something other than XYZ.
    Connection { found: String },
    /// More tags than the 1,024 allowed, or than the file has room for.
    TagCount { count: u32, allowed: u32 },
    /// A tag that reaches past the end of the profile.
    TagExtent {
        tag: String,
        offset: u32,
        length: u32,
        size: u64,
    },
    /// A tag that is needed and isn't there.
    MissingTag { tag: &'static str },
    /// A tag of the wrong type or too short for what it says.
    BadTag { tag: String, reason: String },
    /// The profile converts through a look-up table.
    Lut { tag: String },
    /// A curve that can't be followed both ways.
    Curve { tag: String, reason: String },
    /// Red, green and blue that don't span a space, or a white that isn't one.
    Matrix { reason: String },
}

impl fmt::Display for ProfileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ProfileError::TooLarge { size } => write!(
                f,
                "the profile has {size} bytes; at most 16777216 (16 MiB) are read"
            ),
            ProfileError::Truncated { size, needed } => write!(
                f,
                "the profile is cut short: it has {size} bytes and needs {needed}"
            ),
            ProfileError::NotAProfile { found } => write!(
                f,
                "this is not an ICC profile: bytes 36 to 39 are \"{found}\" instead of \"acsp\""
            ),
            ProfileError::Version { major, minor } => write!(
                f,
                "the profile is of ICC version {major}.{minor}; versions 2 and 4 can be read"
            ),
            ProfileError::Class { found } => write!(
                f,
                "the profile is of class \"{found}\"; \"mntr\", \"scnr\", \"prtr\" and \"spac\" describe pictures"
            ),
            ProfileError::Space { found } => write!(
                f,
                "the profile is for the colour space \"{found}\"; RGB and gray profiles can be read"
            ),
            ProfileError::Connection { found } => write!(
                f,
                "the profile connects through \"{found}\"; profiles of matrix and curves connect through XYZ"
            ),
            ProfileError::TagCount { count, allowed } => write!(
                f,
                "the profile says it has {count} tags; there is room for {allowed}"
            ),
            ProfileError::TagExtent {
                tag,
                offset,
                length,
                size,
            } => write!(
                f,
                "tag \"{tag}\" spans {length} bytes from {offset} on, outside the profile's {size} bytes"
            ),
            ProfileError::MissingTag { tag } => write!(f, "the profile has no \"{tag}\" tag"),
            ProfileError::BadTag { tag, reason } => write!(f, "tag \"{tag}\" {reason}"),
            ProfileError::Lut { tag } => write!(
                f,
                "the profile has a look-up table (tag \"{tag}\"): LUT profiles are not built yet; convert the picture \
                 to a profile of matrix and curves"
            ),
            ProfileError::Curve { tag, reason } => {
                write!(f, "the curve \"{tag}\" can't be used: {reason}")
            }
            ProfileError::Matrix { reason } => {
                write!(f, "the profile's primaries can't be used: {reason}")
            }
        }
    }
}

impl std::error::Error for ProfileError {}
