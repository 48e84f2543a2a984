//! The blend functions that look at a whole colour: hue, saturation, color, luminosity.
//!
//! Source: W3C Compositing and Blending Level 1, "Non-separable blend modes", with its own luminosity weights
//! whatever the working space. Straight colours in 0..1, backdrop first.

type Colour = [f32; 3];

pub(super) fn hue(backdrop: Colour, source: Colour) -> Colour {
    with_luminosity(
        with_saturation(source, saturation_of(backdrop)),
        luminosity_of(backdrop),
    )
}

pub(super) fn saturation(backdrop: Colour, source: Colour) -> Colour {
    with_luminosity(
        with_saturation(backdrop, saturation_of(source)),
        luminosity_of(backdrop),
    )
}

pub(super) fn color(backdrop: Colour, source: Colour) -> Colour {
    with_luminosity(source, luminosity_of(backdrop))
}

pub(super) fn luminosity(backdrop: Colour, source: Colour) -> Colour {
    with_luminosity(backdrop, luminosity_of(source))
}

fn luminosity_of([r, g, b]: Colour) -> f32 {
    0.3 * r + 0.59 * g + 0.11 * b
}

fn lowest([r, g, b]: Colour) -> f32 {
    r.min(g).min(b)
}

fn highest([r, g, b]: Colour) -> f32 {
    r.max(g).max(b)
}

fn saturation_of(colour: Colour) -> f32 {
    highest(colour) - lowest(colour)
}

/// The specification's SetSat: the lowest channel becomes 0, the highest `saturation`, the middle one keeps its
/// place between them.
fn with_saturation(colour: Colour, saturation: f32) -> Colour {
    let (low, range) = (lowest(colour), saturation_of(colour));
    if range == 0.0 {
        return [0.0; 3];
    }
    colour.map(|value| (value - low) * saturation / range)
}

/// The specification's SetLum.
fn with_luminosity(colour: Colour, luminosity: f32) -> Colour {
    let shift = luminosity - luminosity_of(colour);
    clipped(colour.map(|value| value + shift))
}

/// The specification's ClipColor: towards the gray of the same luminosity until all channels fit. The gray itself
/// can miss 0..1 by a rounding; the second half of each condition then keeps 0/0 away.
fn clipped(mut colour: Colour) -> Colour {
    let gray = luminosity_of(colour);
    let (low, high) = (lowest(colour), highest(colour));
    if low < 0.0 && low < gray {
        colour = colour.map(|value| gray + (value - gray) * gray / (gray - low));
    }
    if high > 1.0 && high > gray {
        colour = colour.map(|value| gray + (value - gray) * (1.0 - gray) / (high - gray));
    }
    colour
}
