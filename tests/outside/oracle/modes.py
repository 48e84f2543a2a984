"""Compositing and Blending Level 1 (W3C), on straight colours as rules 4 and 5 put it."""

import numpy as np

from .icc import srgb_decode, srgb_encode


def multiply(b, s):
    return b * s


def screen(b, s):
    return b + s - b * s


def hard_light(b, s):
    return np.where(s <= 0.5, multiply(b, 2 * s), screen(b, 2 * s - 1))


def color_dodge(b, s):
    with np.errstate(all="ignore"):
        return np.where(b == 0, 0.0, np.where(s == 1, 1.0, np.minimum(1, b / (1 - s))))


def color_burn(b, s):
    with np.errstate(all="ignore"):
        return np.where(b == 1, 1.0, np.where(s == 0, 0.0, 1 - np.minimum(1, (1 - b) / s)))


def soft_light(b, s):
    d = np.where(b <= 0.25, ((16 * b - 12) * b + 4) * b, np.sqrt(np.maximum(b, 0)))
    return np.where(s <= 0.5, b - (1 - 2 * s) * b * (1 - b), b + (2 * s - 1) * (d - b))


def lum(c):
    return c @ np.array([0.3, 0.59, 0.11])


def clip_color(c):
    light = lum(c)[..., None]
    low, high = c.min(-1, keepdims=True), c.max(-1, keepdims=True)
    with np.errstate(all="ignore"):
        c = np.where(low < 0, light + (c - light) * light / (light - low), c)
        return np.where(high > 1, light + (c - light) * (1 - light) / (high - light), c)


def set_lum(c, light):
    return clip_color(c + (light - lum(c))[..., None])


def sat(c):
    return c.max(-1) - c.min(-1)


def set_sat(c, s):
    low, high = c.min(-1, keepdims=True), c.max(-1, keepdims=True)
    span = high - low
    return np.where(span > 0, (c - low) / np.where(span > 0, span, 1.0) * s[..., None], 0.0)


MODES = {
    "multiply": multiply,
    "screen": screen,
    "overlay": lambda b, s: hard_light(s, b),
    "darken": np.minimum,
    "lighten": np.maximum,
    "color-dodge": color_dodge,
    "color-burn": color_burn,
    "hard-light": hard_light,
    "soft-light": soft_light,
    "difference": lambda b, s: np.abs(b - s),
    "exclusion": lambda b, s: b + s - 2 * b * s,
    "hue": lambda b, s: set_lum(set_sat(s, sat(b)), lum(b)),
    "saturation": lambda b, s: set_lum(set_sat(b, sat(s)), lum(b)),
    "color": lambda b, s: set_lum(s, lum(b)),
    "luminosity": lambda b, s: set_lum(b, lum(s)),
}
UNCLAMPED = {"multiply", "darken", "lighten", "difference"}
ALL_MODES = ["normal", *MODES, "plus-lighter"]


def straight(picture):
    alpha = picture[..., 3:4]
    return np.where(alpha > 0, picture[..., :3] / np.where(alpha > 0, alpha, 1.0), 0.0)


def composite(backdrop, source, mode="normal", mixing="linear"):
    """Premultiplied RGBA over premultiplied RGBA."""
    ab, sa = backdrop[..., 3:4], source[..., 3:4]
    if mode == "plus-lighter":
        return np.concatenate([backdrop[..., :3] + source[..., :3], np.minimum(1, sa + ab)], axis=-1)
    if mode == "normal":
        return source + (1 - sa) * backdrop
    cb, cs = straight(backdrop), straight(source)
    blend = MODES[mode]
    if mixing == "encoded":
        mixed = srgb_decode(blend(srgb_encode(np.clip(cb, 0, 1)), srgb_encode(np.clip(cs, 0, 1))))
    elif mode in UNCLAMPED:
        mixed = blend(cb, cs)
    else:
        mixed = blend(np.clip(cb, 0, 1), np.clip(cs, 0, 1))
    colour = sa * (1 - ab) * cs + sa * ab * mixed + (1 - sa) * ab * cb
    return np.concatenate([colour, sa + ab - sa * ab], axis=-1)
