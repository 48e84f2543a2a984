"""`correct` as one matrix: exposure, gain, mired, saturate, hue-rotate, in this order whatever was written."""

import numpy as np

from .icc import adaptation, xyz_of

WHITE_KELVIN = 6504


def daylight(kelvin):
    """CIE 15: the chromaticity of a daylight phase, 4000 to 25000 K."""
    t = 1e3 / kelvin
    if kelvin <= 7000:
        x = -4.6070 * t**3 + 2.9678 * t**2 + 0.09911 * t + 0.244063
    else:
        x = -2.0064 * t**3 + 1.9018 * t**2 + 0.24748 * t + 0.237040
    return x, -3.0 * x * x + 2.870 * x - 0.275


def matrix(correct, space):
    gain = np.diag(np.array(correct.get("gain", (1, 1, 1)), float)) * 2.0 ** correct.get("exposure", 0)
    mired = correct.get("mired", 0)
    warm = np.eye(3)
    if mired:
        target = 1e6 / (1e6 / WHITE_KELVIN + mired)
        xyz = adaptation(xyz_of(daylight(WHITE_KELVIN)), xyz_of(daylight(target)))
        warm = np.linalg.inv(space.matrix) @ xyz @ space.matrix
    wr, wg, wb = space.weights
    grey = np.tile([wr, wg, wb], (3, 1))
    k = correct.get("saturate", 1)
    saturated = grey + k * (np.eye(3) - grey)
    red, blue = np.array([-wr, -wg, 1 - wb]), np.array([wr - 1, wg, wb])
    sines = np.stack([red, -(wr * red + wb * blue) / wg, blue])
    angle = np.radians(correct.get("hue-rotate", 0))
    turned = grey + np.cos(angle) * (np.eye(3) - grey) + np.sin(angle) * sines
    return turned @ saturated @ warm @ gain


def corrected(picture, correct, space):
    """Premultiplied RGBA; alpha is not touched."""
    if not correct:
        return picture
    colour = picture[..., :3] @ matrix(correct, space).T
    return np.concatenate([colour, picture[..., 3:]], axis=-1)
