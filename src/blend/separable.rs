//! The blend functions that treat each channel by itself: B(Cb, Cs) on straight values, backdrop first.
//!
//! Source: W3C Compositing and Blending Level 1, "Separable blend modes". The callers clamp to 0..1 where the
//! language asks for it; none of these divides by zero there.

pub(super) fn multiply(b: f32, s: f32) -> f32 {
    b * s
}

pub(super) fn screen(b: f32, s: f32) -> f32 {
    b + s - b * s
}

pub(super) fn overlay(b: f32, s: f32) -> f32 {
    hard_light(s, b)
}

pub(super) fn darken(b: f32, s: f32) -> f32 {
    b.min(s)
}

pub(super) fn lighten(b: f32, s: f32) -> f32 {
    b.max(s)
}

pub(super) fn color_dodge(b: f32, s: f32) -> f32 {
    if b == 0.0 {
        0.0
    } else if s == 1.0 {
        1.0
    } else {
        (b / (1.0 - s)).min(1.0)
    }
}

pub(super) fn color_burn(b: f32, s: f32) -> f32 {
    if b == 1.0 {
        1.0
    } else if s == 0.0 {
        0.0
    } else {
        1.0 - ((1.0 - b) / s).min(1.0)
    }
}

pub(super) fn hard_light(b: f32, s: f32) -> f32 {
    if s <= 0.5 {
        multiply(b, 2.0 * s)
    } else {
        screen(b, 2.0 * s - 1.0)
    }
}

pub(super) fn soft_light(b: f32, s: f32) -> f32 {
    if s <= 0.5 {
        b - (1.0 - 2.0 * s) * b * (1.0 - b)
    } else {
        let lifted = if b <= 0.25 {
            ((16.0 * b - 12.0) * b + 4.0) * b
        } else {
            b.sqrt()
        };
        b + (2.0 * s - 1.0) * (lifted - b)
    }
}

pub(super) fn difference(b: f32, s: f32) -> f32 {
    (b - s).abs()
}

pub(super) fn exclusion(b: f32, s: f32) -> f32 {
    b + s - 2.0 * b * s
}
