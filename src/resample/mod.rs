//! Kernels, the one resample of a placed element, and linear-light resizing of outputs.

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
