//! A colour profile: the bytes a file carries and what they mean.

use std::sync::{Arc, OnceLock};

use super::icc::{self, ProfileError};
use super::matrix::Matrix3;
use super::named::Named;
use super::tone::{Shape, Tone};

/// An ICC profile made of curves and, for RGB, a matrix. Cheap to clone and never changed; its tables are made once,
/// when first needed, and shared by all clones.
#[derive(Clone, Debug)]
pub struct Profile(Arc<Contents>);

#[derive(Debug)]
struct Contents {
    bytes: Vec<u8>,
    description: String,
    gray: bool,
    tones: [Arc<Tone>; 3],
    to_pcs: Matrix3,
    from_d50: Matrix3,
    media_white: [f64; 3],
}

impl Profile {
    /// Reads an ICC profile, version 2 or 4, up to 16 MiB: RGB with a matrix and curves, or gray with a curve,
    /// connected through XYZ. Bytes behind the profile's own declared size are dropped.
    ///
    /// # Errors
    /// [`ProfileError`] says what is wrong or not supported, with numbers; profiles with look-up tables are
    /// [`ProfileError::Lut`]. No bytes make it panic.
    pub fn parse(icc: &[u8]) -> Result<Profile, ProfileError> {
        for name in Named::ALL {
            let known = Profile::named(name);
            if known.bytes() == icc {
                return Ok(known);
            }
        }
        Profile::read(icc)
    }

    fn read(icc: &[u8]) -> Result<Profile, ProfileError> {
        let parsed = icc::parsed(icc)?;
        let mut tones: Vec<Arc<Tone>> = Vec::with_capacity(3);
        for shape in parsed.shapes {
            tones.push(shared_tone(shape, &tones));
        }
        // A gray profile has one curve, which serves all three channels.
        let tone = |channel: usize| tones[channel.min(tones.len() - 1)].clone();
        Ok(Profile(Arc::new(Contents {
            bytes: icc[..parsed.size].to_vec(),
            description: parsed.description,
            gray: parsed.gray,
            tones: [tone(0), tone(1), tone(2)],
            to_pcs: parsed.to_pcs,
            from_d50: parsed.from_d50,
            media_white: parsed.media_white,
        })))
    }

    /// The profile of a named space. Its numbers are those its bytes say, so that other readers of the
    /// file see the same colours.
    pub fn named(name: Named) -> Profile {
        static PROFILES: [OnceLock<Profile>; 6] = [const { OnceLock::new() }; 6];
        PROFILES[name as usize]
            .get_or_init(|| {
                Profile::read(&icc::written(name)).expect("our own profiles can be read")
            })
            .clone()
    }

    /// Gray whose codes are light itself, for files of coverage.
    pub fn linear_gray() -> Profile {
        static PROFILE: OnceLock<Profile> = OnceLock::new();
        PROFILE
            .get_or_init(|| {
                Profile::read(&icc::linear_gray()).expect("our own profiles can be read")
            })
            .clone()
    }

    /// The ICC bytes to embed in a file.
    pub fn bytes(&self) -> &[u8] {
        &self.0.bytes
    }

    pub fn is_gray(&self) -> bool {
        self.0.gray
    }

    /// The profile's own description, without control characters, at most 200 of them; may be empty.
    pub fn description(&self) -> &str {
        &self.0.description
    }

    /// Whether both mean the same colour by every code: same channels, curves and matrix. Codes may then be copied
    /// from one to the other.
    pub fn same_colours(&self, other: &Profile) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
            || (self.0.gray == other.0.gray
                && self.0.tones == other.0.tones
                && self.0.to_pcs == other.0.to_pcs)
    }

    pub(super) fn tones(&self) -> &[Arc<Tone>; 3] {
        &self.0.tones
    }

    /// Linear RGB to XYZ D50; for gray that of sRGB.
    pub(super) fn to_pcs(&self) -> Matrix3 {
        self.0.to_pcs
    }

    /// XYZ D50 to XYZ under the white the primaries were measured with.
    pub(super) fn d50_to_own(&self) -> Matrix3 {
        self.0.from_d50
    }

    /// The medium's white, XYZ.
    pub(super) fn media_white(&self) -> [f64; 3] {
        self.0.media_white
    }
}

/// A tone with this shape: one of the profile's own channels if it has the same, or the sRGB one, whose tables
/// nearly every run needs anyway.
fn shared_tone(shape: Shape, own: &[Arc<Tone>]) -> Arc<Tone> {
    own.iter()
        .chain([super::srgb::tone()])
        .find(|tone| *tone.shape() == shape)
        .cloned()
        .unwrap_or_else(|| Arc::new(Tone::new(shape)))
}
