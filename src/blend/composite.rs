//! One row of a source laid over one row of a backdrop.

use super::{Mixing, Mode, separable, whole_colour};
use crate::color::{srgb_decode, srgb_encode};
use crate::raster::Premul;

/// Lays `source` over `backdrop`, pixel by pixel; the shorter of the two ends it. `opacity` (0..1) multiplies the
/// premultiplied source first.
///
/// `normal` is s + (1 - as) b on premultiplied values. `plus-lighter` adds them, alpha at most 1. Every other mode
/// is co = as (1 - ab) Cs + as ab B(Cb, Cs) + (1 - as) ab Cb with ao = as + ab - as ab, B on straight colours:
/// `multiply`, `darken`, `lighten` and `difference` take them as they are, the others clamped to 0..1. Under
/// [`Mixing::Encoded`] B sees clamped colours through the sRGB curve and its result comes back through it; `normal`
/// and `plus-lighter` have no B, so the mixing does not concern them.
pub fn composite(
    backdrop: &mut [Premul],
    source: &[Premul],
    opacity: f32,
    mode: Mode,
    mixing: Mixing,
) {
    use separable as one;
    use whole_colour as three;
    let mut row = Row {
        backdrop,
        source,
        opacity,
        mixing,
    };
    match mode {
        Mode::Normal => row.each(over),
        Mode::PlusLighter => row.each(plus_lighter),
        Mode::Multiply => row.multiply(),
        Mode::Darken => row.unclamped(one::darken),
        Mode::Lighten => row.unclamped(one::lighten),
        Mode::Difference => row.unclamped(one::difference),
        Mode::Screen => row.by_channel(one::screen),
        Mode::Overlay => row.by_channel(one::overlay),
        Mode::ColorDodge => row.by_channel(one::color_dodge),
        Mode::ColorBurn => row.by_channel(one::color_burn),
        Mode::HardLight => row.by_channel(one::hard_light),
        Mode::SoftLight => row.by_channel(one::soft_light),
        Mode::Exclusion => row.by_channel(one::exclusion),
        Mode::Hue => row.by_colour(three::hue),
        Mode::Saturation => row.by_colour(three::saturation),
        Mode::Color => row.by_colour(three::color),
        Mode::Luminosity => row.by_colour(three::luminosity),
    }
}

struct Row<'a> {
    backdrop: &'a mut [Premul],
    source: &'a [Premul],
    opacity: f32,
    mixing: Mixing,
}

impl Row<'_> {
    #[inline]
    fn each(&mut self, mix: impl Fn(Premul, Premul) -> Premul) {
        for (backdrop, source) in self.backdrop.iter_mut().zip(self.source) {
            let source = Premul(source.0.map(|value| value * self.opacity));
            *backdrop = mix(*backdrop, source);
        }
    }

    /// `common` gives the middle term, as ab B(Cb, Cs), for pixels that both have alpha. A backdrop without alpha
    /// has no colour to blend with: the source is laid over it, and light that `plus-lighter` left there without
    /// alpha is covered like any other.
    #[inline]
    fn blend(&mut self, common: impl Fn(Premul, Premul) -> [f32; 3]) {
        self.each(|b, s| {
            if s.alpha() == 0.0 || b.alpha() == 0.0 {
                over(b, s)
            } else {
                joined(b, s, common(b, s))
            }
        });
    }

    /// Multiply needs no straight colours: as ab Cb Cs is the product of the premultiplied ones.
    fn multiply(&mut self) {
        match self.mixing {
            Mixing::Linear => self.blend(|b, s| std::array::from_fn(|k| b.0[k] * s.0[k])),
            Mixing::Encoded => self.by_channel(separable::multiply),
        }
    }

    /// Nor do darken, lighten and difference, where t B(Cb, Cs) = B(t Cb, t Cs).
    fn unclamped(&mut self, function: impl Fn(f32, f32) -> f32) {
        match self.mixing {
            Mixing::Linear => self.blend(|b, s| {
                std::array::from_fn(|k| function(s.alpha() * b.0[k], b.alpha() * s.0[k]))
            }),
            Mixing::Encoded => self.by_channel(function),
        }
    }

    fn by_channel(&mut self, function: impl Fn(f32, f32) -> f32) {
        self.by_colour(|cb, cs| std::array::from_fn(|k| function(cb[k], cs[k])));
    }

    fn by_colour(&mut self, function: impl Fn([f32; 3], [f32; 3]) -> [f32; 3]) {
        match self.mixing {
            Mixing::Linear => {
                self.blend(|b, s| weighed(b, s, function(clamped(b), clamped(s))));
            }
            Mixing::Encoded => self.blend(|b, s| {
                let encoded = |pixel| clamped(pixel).map(srgb_encode);
                weighed(b, s, function(encoded(b), encoded(s)).map(srgb_decode))
            }),
        }
    }
}

/// The straight colour of a pixel that has alpha, clamped to 0..1.
#[inline]
fn clamped(pixel: Premul) -> [f32; 3] {
    std::array::from_fn(|k| (pixel.0[k] / pixel.alpha()).clamp(0.0, 1.0))
}

/// A blended colour times the part that both cover.
#[inline]
fn weighed(b: Premul, s: Premul, colour: [f32; 3]) -> [f32; 3] {
    let both = s.alpha() * b.alpha();
    colour.map(|value| both * value)
}

/// The three terms of a blend: the source alone, both, the backdrop alone.
#[inline]
fn joined(b: Premul, s: Premul, common: [f32; 3]) -> Premul {
    let (open, rest) = (1.0 - b.alpha(), 1.0 - s.alpha());
    let channel = |k: usize| open * s.0[k] + common[k] + rest * b.0[k];
    let alpha = s.alpha() + rest * b.alpha();
    Premul([channel(0), channel(1), channel(2), alpha])
}

#[inline]
fn over(b: Premul, s: Premul) -> Premul {
    let alpha = s.alpha();
    if alpha == 0.0 {
        return b;
    }
    if alpha == 1.0 {
        return s;
    }
    let rest = 1.0 - alpha;
    Premul(std::array::from_fn(|k| s.0[k] + rest * b.0[k]))
}

/// Light added, negative light too; a source may carry colour under alpha 0.
#[inline]
fn plus_lighter(b: Premul, s: Premul) -> Premul {
    if s == Premul::CLEAR {
        return b;
    }
    let mut sum: [f32; 4] = std::array::from_fn(|k| s.0[k] + b.0[k]);
    sum[3] = sum[3].min(1.0);
    Premul(sum)
}
