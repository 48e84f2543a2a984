"""Where pixels go (3 x 3 maps, pixel corners at whole numbers) and what is read there (rules 2, 3 and 8)."""

import numpy as np

COPY_LINEAR = 1e-9
COPY_SHIFT = 1 / 1024


def shift(dx, dy):
    return np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1]], float)


def turn(degrees):
    """Clockwise on a screen whose y runs down; exact at quarter turns."""
    quarters = degrees / 90
    if quarters == int(quarters):
        sine, cosine = [(0, 1), (1, 0), (0, -1), (-1, 0)][int(quarters) % 4]
    else:
        sine, cosine = np.sin(np.radians(degrees)), np.cos(np.radians(degrees))
    return np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1]], float)


def placement(nodes, pivot):
    """T(offset) . T(p) . rotate . scale . flip . T(-p)."""
    scale = nodes.get("scale", (1.0,))
    sx, sy = scale if len(scale) == 2 else scale * 2
    flip = nodes.get("flip")
    mirror = np.diag([-1.0 if flip == "horizontal" else 1.0, -1.0 if flip == "vertical" else 1.0, 1.0])
    dx, dy = nodes.get("offset", (0, 0))
    about = turn(nodes.get("rotate", 0.0)) @ np.diag([sx, sy, 1.0]) @ mirror
    return shift(dx, dy) @ shift(*pivot) @ about @ shift(-pivot[0], -pivot[1])


def pixel_map(matrix):
    """The whole-pixel map a placement is by rule 8: (linear 2 x 2, shift), integers; or None."""
    linear = np.round(matrix[:2, :2])
    if np.abs(matrix[:2, :2] - linear).max() > COPY_LINEAR:
        return None
    if sorted(np.abs(linear).ravel()) != [0, 0, 1, 1] or abs(np.linalg.det(linear)) != 1:
        return None
    landing = linear @ [0.5, 0.5] + matrix[:2, 2] - 0.5
    whole = np.round(landing)
    if np.abs(landing - whole).max() > COPY_SHIFT:
        return None
    return linear.astype(int), whole.astype(int)


def _cubic(b, c):
    """Mitchell and Netravali, Computer Graphics 22(4), 1988."""

    def kernel(t):
        t = np.abs(t)
        near = ((12 - 9 * b - 6 * c) * t**3 + (-18 + 12 * b + 6 * c) * t**2 + 6 - 2 * b) / 6
        far = ((-b - 6 * c) * t**3 + (6 * b + 30 * c) * t**2 + (-12 * b - 48 * c) * t + 8 * b + 24 * c) / 6
        return np.where(t < 1, near, np.where(t < 2, far, 0.0))

    return kernel


KERNELS = {
    "lanczos3": (3.0, lambda t: np.where(np.abs(t) < 3, np.sinc(t) * np.sinc(t / 3), 0.0)),
    "mitchell": (2.0, _cubic(1 / 3, 1 / 3)),
    "catmull-rom": (2.0, _cubic(0.0, 0.5)),
    "bilinear": (1.0, lambda t: np.maximum(1 - np.abs(t), 0.0)),
    "nearest": (0.5, lambda t: np.where((t > -0.5) & (t <= 0.5), 1.0, 0.0)),
}


def axis_taps(at, stretch, kernel):
    """First tap, and normalised weights (n, taps), of kernel centres `at` along one axis."""
    half, weigh = KERNELS[kernel]
    reach = half * stretch
    first = np.ceil(at - reach - 0.5).astype(int)
    taps = int(np.floor(2 * reach)) + 1
    centres = first[:, None] + np.arange(taps) + 0.5
    weights = weigh((centres - at[:, None]) / stretch)
    return first, weights / weights.sum(axis=1, keepdims=True)


def centres(box):
    """Centres of the pixels of a box (x, y, w, h), row by row: (n, 2)."""
    x, y, w, h = box
    xs, ys = np.meshgrid(np.arange(w) + x + 0.5, np.arange(h) + y + 0.5)
    return np.stack([xs.ravel(), ys.ravel()], axis=1)


def resampled(raster, origin, matrix, box, kernel):
    """A raster (h, w, c) at `origin`, laid down by `matrix`, as the pixels of `box` see it; outside it there is nothing.

    Returns the values before rule 2; of the last channel, which is no picture, the largest value under the kernel.
    """
    x, y, w, h = box
    copy = pixel_map(matrix)
    height, width = raster.shape[:2]
    if copy is not None:
        linear, offset = copy
        spots = np.floor(centres(box)).astype(int)
        source = (spots - offset) @ linear  # the inverse of a signed permutation is its transpose
        source -= np.array(origin)
        inside = (source >= 0).all(axis=1) & (source < [width, height]).all(axis=1)
        result = np.zeros((w * h, raster.shape[2]))
        result[inside] = raster[source[inside, 1], source[inside, 0]]
        return result.reshape(h, w, -1)
    inverse = np.linalg.inv(matrix)
    at = centres(box) @ inverse[:2, :2].T + inverse[:2, 2] - np.array(origin)
    stretch = np.maximum(1.0, np.linalg.norm(inverse[:2, :2], axis=1))
    first_x, weights_x = axis_taps(at[:, 0], stretch[0], kernel)
    first_y, weights_y = axis_taps(at[:, 1], stretch[1], kernel)
    pad = max(weights_x.shape[1], weights_y.shape[1]) + 1
    padded = np.pad(raster, ((pad, pad), (pad, pad), (0, 0)))
    columns = np.clip(first_x[:, None] + np.arange(weights_x.shape[1]) + pad, 0, width + 2 * pad - 1)
    rows = np.clip(first_y[:, None] + np.arange(weights_y.shape[1]) + pad, 0, height + 2 * pad - 1)
    result = np.zeros((len(at), raster.shape[2]))
    chunk = max(1, 2_000_000 // (columns.shape[1] * rows.shape[1]))
    for start in range(0, len(at), chunk):
        part = slice(start, start + chunk)
        window = padded[rows[part, :, None], columns[part, None, :]]
        inner = np.einsum("pj,pijc->pic", weights_x[part], window[..., :-1])
        result[part, :-1] = np.einsum("pi,pic->pc", weights_y[part], inner)
        result[part, -1] = window[..., -1].max(axis=(1, 2))
    return result.reshape(h, w, -1)


def settled(picture):
    """Rule 2 on premultiplied RGBA."""
    alpha = picture[..., 3:4]
    divided = picture / np.where(alpha > 1, alpha, 1.0)
    return np.where(alpha > 0, divided, 0.0)
