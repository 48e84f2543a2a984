//! Premultiplied in, premultiplied out: Porter-Duff `over`, the W3C blend modes and `plus-lighter`.
//!
//! Promise: a source with nothing in it leaves the backdrop bit for bit, an opaque `normal` source replaces it bit
//! for bit, `normal` never clamps, and no pixel becomes NaN from an alpha of 0. Formulas: W3C Compositing and
//! Blending Level 1; `plus-lighter`: CSS Compositing Level 2.

mod composite;
mod separable;
#[cfg(test)]
mod tests;
mod whole_colour;

pub use composite::composite;

/// W3C Compositing and Blending Level 1 names, and `plus-lighter` (CSS `mix-blend-mode`).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Mode {
    #[default]
    Normal,
    Multiply,
    Screen,
    Overlay,
    Darken,
    Lighten,
    ColorDodge,
    ColorBurn,
    HardLight,
    SoftLight,
    Difference,
    Exclusion,
    Hue,
    Saturation,
    Color,
    Luminosity,
    PlusLighter,
}

impl Mode {
    /// The name a scene uses.
    pub fn name(self) -> &'static str {
        match self {
            Mode::Normal => "normal",
            Mode::Multiply => "multiply",
            Mode::Screen => "screen",
            Mode::Overlay => "overlay",
            Mode::Darken => "darken",
            Mode::Lighten => "lighten",
            Mode::ColorDodge => "color-dodge",
            Mode::ColorBurn => "color-burn",
            Mode::HardLight => "hard-light",
            Mode::SoftLight => "soft-light",
            Mode::Difference => "difference",
            Mode::Exclusion => "exclusion",
            Mode::Hue => "hue",
            Mode::Saturation => "saturation",
            Mode::Color => "color",
            Mode::Luminosity => "luminosity",
            Mode::PlusLighter => "plus-lighter",
        }
    }
}

/// Which values the blend function sees: `in="linear"` (default) or `in="encoded"`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Mixing {
    #[default]
    Linear,
    Encoded,
}
