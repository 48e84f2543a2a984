//! Kernels, the one resample of a placed element, and linear-light resizing of outputs.
//!
//! Promise: an output pixel is a pure function of its own coordinates. It is evaluated at its centre in `f64`,
//! its taps are normalised in `f64` and summed in `f32` in ascending source order, x inside y, so that neither
//! tiles nor threads nor the size of the window handed in change a bit. What lies outside an element is
//! transparent; after every resample an alpha above 1 divides the whole pixel and an alpha of 0 or less makes
//! it transparent black. Refuses nothing but memory: maps that run over a horizon yield transparency there.

mod copy;
mod kernel;
#[cfg(test)]
mod laws;
mod reach;
mod resizer;
mod sample;
mod sampler;
mod separable;
mod table;
mod taps;

pub use copy::{copied, copied_matte};
pub use reach::{footprint, reach};
pub use resizer::Resizer;
pub use sampler::{resampled, resampled_light, resampled_matte};

/// The reconstruction kernels of the language.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Kernel {
    #[default]
    Lanczos3,
    Mitchell,
    CatmullRom,
    Bilinear,
    Nearest,
}

impl Kernel {
    /// The name a scene uses.
    pub fn name(self) -> &'static str {
        match self {
            Kernel::Lanczos3 => "lanczos3",
            Kernel::Mitchell => "mitchell",
            Kernel::CatmullRom => "catmull-rom",
            Kernel::Bilinear => "bilinear",
            Kernel::Nearest => "nearest",
        }
    }
}
