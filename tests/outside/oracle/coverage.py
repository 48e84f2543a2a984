"""Exact areas of drawn shapes in pixels.

Polygons and flattened paths: the plane is cut into slabs at every corner, crossing and pixel row, so that each slab holds
straight edges in a fixed order; areas follow in closed form. Ellipses and strokes: 512 scanlines a pixel row, each an
exact union of intervals.
"""

import re

import numpy as np

SCANLINES = 512


def ramp_integral(u):
    """Integral of clamp(u, 0, 1)."""
    return np.where(u <= 0, 0.0, np.where(u >= 1, u - 0.5, np.maximum(u, 0) ** 2 / 2))


def left_of(x0, x1, columns):
    """Share of each pixel column left of an edge that runs from x0 to x1 while y crosses the slab."""
    u0, u1 = x0 - columns, x1 - columns
    span = u1 - u0
    sloped = np.abs(span) > 1e-12
    mean = np.clip((u0 + u1) / 2, 0, 1)
    return np.where(sloped, (ramp_integral(u1) - ramp_integral(u0)) / np.where(sloped, span, 1), mean)


def crossings(x0, y0, x1, y1):
    """Heights at which two edges meet inside both."""
    ax, ay = (x1 - x0)[:, None], (y1 - y0)[:, None]
    bx, by = (x1 - x0)[None, :], (y1 - y0)[None, :]
    dx, dy = x0[None, :] - x0[:, None], y0[None, :] - y0[:, None]
    cross = ax * by - ay * bx
    with np.errstate(all="ignore"):
        t, u = (dx * by - dy * bx) / cross, (dx * ay - dy * ax) / cross
    meet = np.isfinite(t) & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1)
    return (y0[:, None] + np.where(meet, t, 0) * ay)[meet]


def polygon(rings, rule, width, height):
    """Coverage of closed rings of points by the nonzero or even-odd rule, (height, width)."""
    edges = []
    for ring in rings:
        ring = np.asarray(ring, float)
        for a, b in zip(ring, np.roll(ring, -1, axis=0)):
            if a[1] != b[1]:
                edges.append((*a, *b, 1) if a[1] < b[1] else (*b, *a, -1))
    result = np.zeros((height, width))
    if not edges:
        return result
    x0, y0, x1, y1, way = np.array(edges, float).T
    heights = np.concatenate([y0, y1, crossings(x0, y0, x1, y1), np.arange(height + 1)])
    heights = np.unique(heights[(heights >= 0) & (heights <= height)])
    tops, bottoms = heights[:-1], heights[1:]
    middles = (tops + bottoms) / 2
    slope = (x1 - x0) / (y1 - y0)
    at = lambda y: x0 + slope * (y[:, None] - y0)
    active = (y0 < middles[:, None]) & (y1 > middles[:, None])
    most = active.sum(axis=1).max()
    order = np.argsort(np.where(active, at(middles), np.inf), axis=1, kind="stable")[:, :most]
    pick = lambda values: np.take_along_axis(values, order, axis=1)
    there = pick(active)
    turns = np.where(there, pick(np.broadcast_to(way, active.shape)), 0)
    wound = np.cumsum(turns, axis=1) if rule == "nonzero" else np.cumsum(there, axis=1) % 2
    before = np.concatenate([np.zeros((len(tops), 1)), wound[:, :-1]], axis=1)
    # An edge where filling begins takes its left share away, one where it ends adds it.
    sign = np.where(there, (before != 0).astype(int) - (wound != 0), 0)
    share = left_of(pick(at(tops))[..., None], pick(at(bottoms))[..., None], np.arange(width))
    area = (share * sign[..., None]).sum(axis=1) * (bottoms - tops)[:, None]
    np.add.at(result, np.minimum(np.floor(middles).astype(int), height - 1), area)
    return np.clip(result, 0, 1)


def rect(x, y, w, h, width, height):
    def axis(start, length, count):
        pixels = np.arange(count)
        return np.clip(np.minimum(start + length, pixels + 1) - np.maximum(start, pixels), 0, 1)

    return axis(y, h, height)[:, None] * axis(x, w, width)[None, :]


def scanlines(height):
    return (np.arange(height * SCANLINES) + 0.5) / SCANLINES


def union_of_intervals(lefts, rights, width, height):
    """Coverage from k intervals a scanline, (scanlines, k) each; an empty interval has right <= left."""
    order = np.argsort(lefts, axis=1, kind="stable")
    lefts = np.take_along_axis(lefts, order, axis=1)
    rights = np.take_along_axis(rights, order, axis=1)
    columns = np.arange(width)
    result = np.zeros((len(lefts), width))
    covered = np.full(len(lefts), -np.inf)
    for k in range(lefts.shape[1]):
        start = np.maximum(lefts[:, k], covered)
        end = np.maximum(rights[:, k], start)
        result += np.clip(end[:, None] - columns, 0, 1) - np.clip(start[:, None] - columns, 0, 1)
        covered = np.maximum(covered, end)
    return result.reshape(height, SCANLINES, width).mean(axis=1)


def ellipse(cx, cy, rx, ry, width, height):
    y = (scanlines(height) - cy) / ry
    half = np.where(np.abs(y) < 1, rx * np.sqrt(np.maximum(0, 1 - y * y)), -1.0)
    empty = half < 0
    lefts = np.where(empty, 0.0, cx - half)
    rights = np.where(empty, 0.0, cx + half)
    return union_of_intervals(lefts[:, None], rights[:, None], width, height)


def stroke(points, line_width, cap, width, height):
    """A polyline drawn with a round pen; with butt caps its two ends are cut square."""
    y = scanlines(height)
    radius = line_width / 2
    points = np.asarray(points, float)
    lefts, rights = [], []

    def disc(centre):
        inside = radius * radius - (y - centre[1]) ** 2
        half = np.sqrt(np.maximum(inside, 0))
        lefts.append(np.where(inside > 0, centre[0] - half, 0.0))
        rights.append(np.where(inside > 0, centre[0] + half, 0.0))

    def bar(a, b):
        along = (b - a) / np.hypot(*(b - a))
        side = np.array([-along[1], along[0]]) * radius
        corners = np.array([a + side, b + side, b - side, a - side])
        left, right = np.full(len(y), np.inf), np.full(len(y), -np.inf)
        for p, q in zip(corners, np.roll(corners, -1, axis=0)):
            if p[1] == q[1]:
                continue
            crossed = (y >= min(p[1], q[1])) & (y <= max(p[1], q[1]))
            x = p[0] + (q[0] - p[0]) * (y - p[1]) / (q[1] - p[1])
            left = np.where(crossed, np.minimum(left, x), left)
            right = np.where(crossed, np.maximum(right, x), right)
        none = right < left
        lefts.append(np.where(none, 0.0, left))
        rights.append(np.where(none, 0.0, right))

    for a, b in zip(points[:-1], points[1:]):
        bar(a, b)
    for point in points if cap == "round" else points[1:-1]:
        disc(point)
    return union_of_intervals(np.stack(lefts, 1), np.stack(rights, 1), width, height)


def flattened(path, steps=192):
    """Rings of absolute SVG path data made of M, L, Q, C and Z."""
    tokens = re.findall(r"[MLQCZ]|-?[\d.]+", path)
    rings, ring, k, command = [], [], 0, None
    while k < len(tokens):
        if tokens[k].isalpha():
            command = tokens[k]
            k += 1
        if command == "Z":
            continue
        count = {"M": 1, "L": 1, "Q": 2, "C": 3}[command]
        values = np.array(tokens[k : k + 2 * count], float).reshape(-1, 2)
        k += 2 * count
        if command == "M":
            ring = [values[0]]
            rings.append(ring)
            continue
        controls = [ring[-1], *values]
        for t in np.arange(1, steps + 1) / steps if command != "L" else [1.0]:
            level = controls
            while len(level) > 1:
                level = [(1 - t) * a + t * b for a, b in zip(level, level[1:])]
            ring.append(level[0])
    return rings
