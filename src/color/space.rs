//! The working space: linear light under a set of primaries.

use super::matrix::{Matrix3, applied, inverse, product};
use super::named::Named;
use super::profile::Profile;
use super::srgb;

/// A set of primaries with linear light. Two spaces are equal where their matrices are.
#[derive(Clone, Debug, PartialEq)]
pub struct Space {
    to_pcs: Matrix3,
    from_pcs: Matrix3,
}

impl Space {
    /// The space of a profile's primaries; for gray those of sRGB.
    pub fn of(profile: &Profile) -> Space {
        let to_pcs = profile.to_pcs();
        Space {
            to_pcs,
            from_pcs: inverse(&to_pcs),
        }
    }

    pub fn named(name: Named) -> Space {
        Space::of(&Profile::named(name))
    }

    /// Weights of R, G and B in relative luminance: the Y row of [`Space::to_pcs`], divided by its sum.
    pub fn luminance(&self) -> [f64; 3] {
        let y = self.to_pcs[1];
        let sum = y[0] + y[1] + y[2];
        y.map(|weight| weight / sum)
    }

    /// Linear RGB to XYZ of the profile connection space (D50, Y of white = 1), row by row.
    pub fn to_pcs(&self) -> [[f64; 3]; 3] {
        self.to_pcs
    }

    /// XYZ of the profile connection space to linear RGB, row by row.
    pub fn from_pcs(&self) -> [[f64; 3]; 3] {
        self.from_pcs
    }

    /// Linear RGB in this space of a colour in sRGB notation ("#rrggbb"); outside 0..1 where the space can't show it.
    pub fn of_srgb_hex(&self, rgb: [u8; 3]) -> [f32; 3] {
        let table = srgb::tone().decode_table();
        let light = rgb.map(|code| table.eight()[usize::from(code)]);
        let srgb = Space::named(Named::Srgb);
        if *self == srgb {
            return light;
        }
        let matrix = product(&self.from_pcs, &srgb.to_pcs);
        applied(&matrix, light.map(f64::from)).map(|value| value as f32)
    }
}
