"""Masks against other programs: feather with OpenCV's Gaussian blur, dilate and erode with scipy's exact Euclidean
distance, outlines with a numpy integrator of horizontal lines that shares nothing with the rasteriser.

Runs from the repository's root; `PLATEWRIGHT_BIN_DIR` holds `examples/coverage`.
"""

import math
import os
import pathlib
import subprocess
import tempfile

import cv2
import numpy as np
from scipy import ndimage
from counted import check, finish

TOOL = pathlib.Path(os.environ.get("PLATEWRIGHT_BIN_DIR", "target/release")) / "examples" / "coverage"
WIDTH, HEIGHT = 67, 53
# The language's own limit for vector edges.
EDGE_LIMIT = 1 / 512


def coverage(text, x=0, y=0, width=WIDTH, height=HEIGHT):
    run = subprocess.run(
        [TOOL, str(x), str(y), str(width), str(height)], input=text.encode(), capture_output=True, check=True
    )
    return np.frombuffer(run.stdout, "<f4").reshape(height, width).astype(np.float64)


def painted(folder, values):
    file = folder / "painted.f32"
    values.astype("<f4").tofile(file)
    return f"keep\ngiven {file} 0 0 {values.shape[1]} {values.shape[0]}\n"


def feather(folder, random):
    """Sampled Gaussian, radius ceil(4 s), border repeated: cv2.getGaussianKernel documents the same formula."""
    for sigma in [0.25, 0.5, 0.8, 1, 1.5, 2.3, 3, 4.75, 7, 11, 16]:
        values = random.random((HEIGHT, WIDTH)).astype(np.float32)
        size = 2 * math.ceil(4 * sigma) + 1
        truth = cv2.GaussianBlur(
            values.astype(np.float64), (size, size), sigma, sigmaY=sigma, borderType=cv2.BORDER_REPLICATE
        )
        ours = coverage(painted(folder, values) + f"feather {sigma}\n")
        check(f"feather {sigma}", np.abs(ours - truth).max(), 1e-6)


def distances(folder, random):
    """For binary coverage, dilation is clamp(d + 1 - distance to the nearest covered pixel)."""
    for distance in [0.3, 1, 1.4142, 2, 2.5, 4, 7.7, 13, 20, 31.5, 50]:
        values = (random.random((HEIGHT, WIDTH)) > 0.99).astype(np.float32)
        values[20, 30] = 1
        truth = np.clip(distance + 1 - ndimage.distance_transform_edt(values == 0), 0, 1)
        ours = coverage(painted(folder, values) + f"dilate {distance}\n")
        check(f"dilate {distance}", np.abs(ours - truth).max(), 1e-6)
        rest = 1 - values
        ours = coverage(painted(folder, rest) + f"erode {distance}\n")
        check(f"erode {distance}", np.abs(ours - (1 - truth)).max(), 1e-6)


def spans(starts, ends):
    """The share of each pixel of one row that lies between start and end, summed over the spans."""
    left = np.arange(WIDTH)[None, :]
    return np.clip(np.minimum(ends[:, None], left + 1) - np.maximum(starts[:, None], left), 0, None)


def ellipses(random):
    """Chords of the ellipse's own equation, on 4096 lines a row."""
    for _ in range(20):
        cx, cy = random.uniform(-10, WIDTH + 10), random.uniform(-10, HEIGHT + 10)
        rx, ry = random.uniform(0.3, 45), random.uniform(0.3, 45)
        ours = coverage(f"keep\nellipse {cx} {cy} {rx} {ry}\n")
        truth = np.zeros((HEIGHT, WIDTH))
        for y in range(HEIGHT):
            at = (y + (np.arange(4096) + 0.5) / 4096 - cy) / ry
            half = rx * np.sqrt(np.clip(1 - at * at, 0, None))
            truth[y] = spans(cx - half, cx + half).mean(axis=0)
        check(f"ellipse {cx:.2f} {cy:.2f} {rx:.2f} {ry:.2f}", np.abs(ours - truth).max(), EDGE_LIMIT / 2)


def inside(winding, rule):
    return winding % 2 != 0 if rule == "evenodd" else winding != 0


def winding_row(points, rule, y, lines):
    total = np.zeros(WIDTH)
    for at in y + (np.arange(lines) + 0.5) / lines:
        hits = []
        for (ax, ay), (bx, by) in zip(points, np.roll(points, -1, axis=0)):
            if (ay <= at) != (by <= at):
                hits.append((ax + (at - ay) * (bx - ax) / (by - ay), 1 if by > ay else -1))
        hits.sort()
        winding = 0
        for (start, turn), (end, _) in zip(hits, hits[1:]):
            winding += turn
            if inside(winding, rule):
                total += spans(np.array([start]), np.array([end]))[0]
    return total / lines


def polygons(random):
    """Winding numbers along 1024 lines of a row, for self-crossing outlines under both rules."""
    for k in range(16):
        points = random.uniform(-8, [WIDTH + 8, HEIGHT + 8], (random.integers(3, 9), 2))
        rule = ["nonzero", "evenodd"][k % 2]
        words = " ".join(f"{v:.17g}" for v in points.ravel())
        ours = coverage(f"keep\npolygon {rule} {words}\n")
        for y in random.integers(0, HEIGHT, 4):
            truth = winding_row(points, rule, y, 1024)
            check(f"polygon {k} row {y}", np.abs(ours[y] - truth).max(), EDGE_LIMIT)


def algebra(folder, random):
    """keep, within and cut written out in numpy."""
    a, b, c = (random.random((HEIGHT, WIDTH)).astype(np.float32) for _ in range(3))
    given = []
    for name, values in (("a", a), ("b", b), ("c", c)):
        file = folder / f"{name}.f32"
        values.astype("<f4").tofile(file)
        given.append(f"given {file} 0 0 {WIDTH} {HEIGHT}\n")
    a, b, c = (v.astype(np.float64) for v in (a, b, c))
    both = b + c - b * c
    cases = {
        "keep": a + both - a * both,
        "within": a * both,
        "cut": a * (1 - both),
    }
    for step, truth in cases.items():
        ours = coverage(f"keep\n{given[0]}{step}\n{given[1]}{given[2]}")
        check(step, np.abs(ours - truth).max(), 1e-6)
    ours = coverage(f"keep\n{given[0]}ramp 0.2 0.7\ninvert\n")
    check("ramp and invert", np.abs(ours - (1 - np.clip((a - 0.2) / 0.5, 0, 1))).max(), 1e-6)


def main():
    random = np.random.default_rng(20)
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        feather(folder, random)
        distances(folder, random)
        algebra(folder, random)
    ellipses(random)
    polygons(random)
    finish()


main()
