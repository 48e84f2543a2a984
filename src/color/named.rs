//! The colour spaces that have names of their own, as their standards define them.

use super::formula::Formula;
use super::primaries::{D50, D65};

/// A colour space of the scene language.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Named {
    /// sRGB, IEC 61966-2-1.
    Srgb,
    /// Display P3: the primaries of SMPTE RP 431-2, white D65, the sRGB curve.
    DisplayP3,
    /// a98-rgb of CSS Color 4: wider in green, power 563 / 256.
    A98Rgb,
    /// ITU-R BT.2020-2 with its own transfer function.
    Rec2020,
    /// ROMM RGB, ISO 22028-2, with its straight foot.
    Romm,
    /// Gray with the sRGB curve.
    Gray,
}

impl Named {
    pub const ALL: [Named; 6] = [
        Named::Srgb,
        Named::DisplayP3,
        Named::A98Rgb,
        Named::Rec2020,
        Named::Romm,
        Named::Gray,
    ];

    /// What the profile calls itself: the standard's name, or "compatible" where the usual name is a trademark.
    pub(super) fn description(self) -> &'static str {
        match self {
            Named::Srgb => "sRGB (IEC 61966-2-1)",
            Named::DisplayP3 => "display-p3 compatible",
            Named::A98Rgb => "a98-rgb compatible",
            Named::Rec2020 => "ITU-R BT.2020",
            Named::Romm => "ROMM RGB (ISO 22028-2)",
            Named::Gray => "Gray with the sRGB curve",
        }
    }

    pub(super) fn is_gray(self) -> bool {
        self == Named::Gray
    }

    /// Chromaticities of red, green and blue. Gray lies on the neutral axis of sRGB.
    pub(super) fn primaries(self) -> [[f64; 2]; 3] {
        match self {
            Named::Srgb | Named::Gray => [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]],
            Named::DisplayP3 => [[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]],
            Named::A98Rgb => [[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]],
            Named::Rec2020 => [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]],
            Named::Romm => [
                [0.734699, 0.265301],
                [0.159597, 0.840403],
                [0.036598, 0.000105],
            ],
        }
    }

    pub(super) fn white(self) -> [f64; 2] {
        match self {
            Named::Romm => D50,
            _ => D65,
        }
    }

    pub(super) fn curve(self) -> Formula {
        match self {
            Named::Srgb | Named::DisplayP3 | Named::Gray => Formula::SRGB,
            Named::A98Rgb => Formula::A98,
            Named::Rec2020 => Formula::REC2020,
            Named::Romm => Formula::ROMM,
        }
    }
}
