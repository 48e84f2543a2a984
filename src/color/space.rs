//! The working space: linear light under a set of primaries.

use super::matrix::{Matrix3, applied, inverse, product};
use super::named::Named;
use super::profile::Profile;
use super::srgb;

/// A set of primaries with linear light.
#[derive(Clone, Debug)]
pub struct Space {
    to_pcs: Matrix3,
    from_pcs: Matrix3,
    luminance: [f64; 3],
    media_white: [f64; 3],
}

/// Two spaces are equal where the same numbers are the same colour.
impl PartialEq for Space {
    fn eq(&self, other: &Space) -> bool {
        self.to_pcs == other.to_pcs
    }
}

impl Space {
    /// The space of a profile's primaries; for gray those of sRGB.
    pub fn of(profile: &Profile) -> Space {
        let to_pcs = profile.to_pcs();
        // Luminance is seen under the space's own white: sRGB's weights are .2126 .7152 .0722, not the ones after
        // adaptation to D50.
        let y = product(&profile.from_d50(), &to_pcs)[1];
        let sum = y[0] + y[1] + y[2];
        Space {
            to_pcs,
            from_pcs: inverse(&to_pcs),
            luminance: y.map(|weight| weight / sum),
            media_white: profile.media_white(),
        }
    }

    pub fn named(name: Named) -> Space {
        Space::of(&Profile::named(name))
    }

    /// Weights of R, G and B in relative luminance under the space's own white; they add up to 1.
    pub fn luminance(&self) -> [f64; 3] {
        self.luminance
    }

    /// White of the medium the space was taken from, XYZ; D50 for the named spaces.
    pub(super) fn media_white(&self) -> [f64; 3] {
        self.media_white
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

#[cfg(test)]
mod tests {
    use super::super::Encoding;
    use super::*;

    /// ITU-R BT.709 and BT.2020 luminance coefficients as CSS Color 4 prints them for sRGB, Display P3 and BT.2020;
    /// ROMM RGB's own white is D50 (ISO 22028-2).
    #[test]
    fn luminance_is_seen_under_the_spaces_own_white() {
        for (name, wanted) in [
            (Named::Srgb, [0.212639, 0.715169, 0.072192]),
            (Named::DisplayP3, [0.228975, 0.691739, 0.079287]),
            (Named::Rec2020, [0.262700, 0.677998, 0.059302]),
            (Named::A98Rgb, [0.297345, 0.627364, 0.075291]),
            (Named::Romm, [0.288075, 0.711835, 0.000090]),
        ] {
            for (found, wanted) in Space::named(name).luminance().iter().zip(wanted) {
                // Profiles hold primaries and the adaptation in steps of 1/65536.
                assert!((found - wanted).abs() < 5e-5, "{name:?} {found} {wanted}");
            }
        }
    }

    fn close(found: [f32; 3], wanted: [f32; 3], step: f32) {
        for (a, b) in found.iter().zip(wanted) {
            assert!((a - b).abs() <= step, "{found:?} {wanted:?}");
        }
    }

    /// sRGB primaries in Display P3, linear and encoded, computed from the chromaticities of CSS Color 4 in double
    /// precision. A profile holds its primaries in steps of 1/65536, worth up to 2e-5 here.
    #[test]
    fn srgb_primaries_in_display_p3() {
        let p3 = Space::named(Named::DisplayP3);
        close(
            p3.of_srgb_hex([255, 0, 0]),
            [0.822462, 0.033194, 0.017083],
            4e-5,
        );
        let encoding = Encoding::new(&p3, &Profile::named(Named::DisplayP3));
        for (hex, wanted) in [
            ([255, 0, 0], [233.96, 51.07, 35.33]),
            ([0, 255, 0], [116.89, 251.24, 76.07]),
            ([0, 0, 255], [0.0, 0.0, 244.69]),
        ] {
            let codes = encoding
                .unit(p3.of_srgb_hex(hex))
                .map(|value| value * 255.0);
            close(codes, wanted, 0.12);
        }
    }

    /// Computed as above: outside sRGB's gamut, so beyond 0..1 and not clipped.
    #[test]
    fn display_p3_red_in_srgb() {
        let (p3, srgb) = (Space::named(Named::DisplayP3), Space::named(Named::Srgb));
        let red = applied(&product(&srgb.from_pcs(), &p3.to_pcs()), [1.0, 0.0, 0.0]);
        close(red.map(|v| v as f32), [1.22494, -0.042057, -0.019638], 5e-5);
    }

    #[test]
    fn luminance_adds_up_to_one() {
        for name in Named::ALL {
            let [r, g, b] = Space::named(name).luminance();
            assert!((r + g + b - 1.0).abs() < 1e-15);
        }
    }

    #[test]
    fn hex_white_is_white_everywhere() {
        for name in Named::ALL {
            let space = Space::named(name);
            close(space.of_srgb_hex([255; 3]), [1.0; 3], 2e-7);
            assert_eq!(space.of_srgb_hex([0; 3]), [0.0; 3]);
        }
        let srgb = Space::named(Named::Srgb);
        // IEC 61966-2-1: code 188 is 0.502886458 of white, here in single precision.
        assert_eq!(
            srgb.of_srgb_hex([188, 0, 255]),
            [0.502886458_f64 as f32, 0.0, 1.0]
        );
        assert_eq!(srgb, Space::named(Named::Gray));
        assert_ne!(srgb, Space::named(Named::DisplayP3));
    }
}
