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

/// Which values the blend function sees: `in="linear"` (default) or `in="encoded"`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Mixing {
    #[default]
    Linear,
    Encoded,
}
