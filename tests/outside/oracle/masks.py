"""Mask bodies, step by step (rule 10): coverage as a raster in its own space.

Every raster is carried with a second one, the share (0..1) a drawn edge has in it, so that the comparison knows where a
coverage of 1/512 more or less is allowed: 1 on the pixels that an edge crosses, less where it was feathered.
"""

from functools import lru_cache

import numpy as np

from . import coverage


def gaussian(sigma):
    radius = int(np.ceil(4 * sigma))
    taps = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    return taps / taps.sum()


def feathered(raster, sigma):
    """Sampled Gaussian, radius ceil(4 s), border coverage repeated."""
    if sigma == 0:
        return raster
    taps = gaussian(sigma)
    radius = len(taps) // 2
    for axis in (0, 1):
        wide = np.pad(raster, [(radius, radius) if k == axis else (0, 0) for k in (0, 1)], mode="edge")
        size = raster.shape[axis]
        raster = sum(tap * np.take(wide, np.arange(k, k + size), axis=axis) for k, tap in enumerate(taps))
    return raster


def widest(edges, reach):
    """The largest share within `reach` px, in a square."""
    reach = int(np.ceil(reach))
    if not edges.any():
        return edges
    for axis in (0, 1):
        wide = np.pad(edges, [(reach, reach) if k == axis else (0, 0) for k in (0, 1)])
        size = edges.shape[axis]
        edges = np.max([np.take(wide, np.arange(k, k + size), axis=axis) for k in range(2 * reach + 1)], axis=0)
    return edges


def dilated(raster, distance):
    """max over q of c(q) clamp(d + 1 - |p - q|, 0, 1)."""
    reach = int(np.ceil(distance + 1))
    height, width = raster.shape
    wide = np.pad(raster, reach)
    result = np.zeros_like(raster)
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            weight = min(1.0, distance + 1 - np.sqrt(dx * dx + dy * dy))
            if weight > 0:
                part = wide[reach + dy : reach + dy + height, reach + dx : reach + dx + width]
                np.maximum(result, part * weight, out=result)
    return result


@lru_cache(maxsize=256)
def shape_coverage(kind, values, points, data, line_width, rule, cap, box):
    x, y, *size = box
    moved = lambda places: [(px - x, py - y) for px, py in places]
    if kind == "rect":
        return coverage.rect(values[0] - x, values[1] - y, *values[2:], *size)
    if kind == "ellipse":
        return coverage.ellipse(values[0] - x, values[1] - y, *values[2:], *size)
    if kind == "polygon":
        return coverage.polygon([moved(points)], rule or "nonzero", *size)
    if kind == "path":
        return coverage.polygon([moved(ring) for ring in coverage.flattened(data)], rule or "nonzero", *size)
    return coverage.stroke(moved(points), line_width, cap or "round", *size)


class Space:
    """Where a mask lives: its origin and size, what `luminance` sees, and the named masks it may use."""

    def __init__(self, box, luminance=None, named=None, jitter=None):
        self.x, self.y, self.width, self.height = box
        self.luminance = luminance
        self.named = named
        self.jitter = jitter or (lambda raster: raster)

    def drawn(self, source):
        """Coverage of a vector source, which is written in coordinates whose origin is this space's own zero."""
        shape = [source.get(key) for key in ("kind", "values", "points", "data", "width", "rule", "cap")]
        shape[2] = shape[2] and tuple(shape[2])
        return shape_coverage(*shape, (self.x, self.y, self.width, self.height))

    def painted(self, source):
        """The stored values of an image file, laid at `at`; nothing outside it."""
        codes = source["codes"]
        values = codes / (1.0 if codes.dtype.kind == "f" else np.iinfo(codes.dtype).max)
        if values.ndim == 3:
            values = values[..., {"red": 0, "green": 1, "blue": 2, "alpha": 3}[source["channel"]]]
        at_x, at_y = source.get("at", (0, 0))
        ys = np.arange(self.height)[:, None] + self.y - at_y
        xs = np.arange(self.width)[None, :] + self.x - at_x
        inside = (ys >= 0) & (ys < values.shape[0]) & (xs >= 0) & (xs < values.shape[1])
        picked = values[np.clip(ys, 0, values.shape[0] - 1), np.clip(xs, 0, values.shape[1] - 1)]
        return np.where(inside, picked, 0.0)

    def source(self, source):
        kind = source["kind"]
        edges = np.zeros((self.height, self.width))
        if kind == "all":
            raster = np.ones((self.height, self.width))
        elif kind == "image":
            raster = self.jitter(self.painted(source))
        elif kind == "luminance":
            low, high = source["values"]
            raster = self.jitter(np.clip((self.luminance - low) / (high - low), 0, 1))
        elif kind == "mask":
            raster, edges = self.named(source["name"])
        else:
            raster = self.drawn(source)
            edges = ((raster > 0) & (raster < 1)).astype(float)
            raster = self.jitter(raster)
        sigma = source.get("feather", 0)
        return feathered(raster, sigma), feathered(edges, sigma)

    def block(self, sources):
        total, edges = self.source(sources[0])
        for source in sources[1:]:
            raster, more = self.source(source)
            total, edges = total + raster - total * raster, np.maximum(edges, more)
        return total, edges

    def body(self, steps):
        """(coverage, edges) of a whole body."""
        built = np.zeros((self.height, self.width))
        edges = np.zeros((self.height, self.width))
        for name, value in steps:
            if name in ("keep", "within", "cut"):
                raster, more = self.block(value)
                edges = np.maximum(edges, more)
                if name == "keep":
                    built = built + raster - built * raster
                else:
                    built = built * (raster if name == "within" else 1 - raster)
            elif name == "feather":
                built, edges = feathered(built, value), feathered(edges, value)
            elif name == "dilate":
                built, edges = dilated(built, value), widest(edges, value + 1)
            elif name == "erode":
                built, edges = 1 - dilated(1 - built, value), widest(edges, value + 1)
            elif name == "ramp":
                low, high = value
                built = np.clip((built - low) / (high - low), 0, 1)
            else:
                built = 1 - built
        return built, edges
