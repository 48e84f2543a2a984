"""A lens disc against scipy: the disc's area in every pixel by counting lines of it in numpy, the picture convolved with
that by scipy.signal, light above 1 and transparency outside included.

Runs from the repository's root; `PLATEWRIGHT_BIN_DIR` holds `platewright`. Pictures are 32-bit floats under a profile
with a straight curve, so that samples are light.
"""

import os
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import tifffile
from scipy import signal

from oracle import icc
from counted import check, finish

PROGRAM = pathlib.Path(os.environ.get("PLATEWRIGHT_BIN_DIR", "target/release")).resolve() / "platewright"
# Nothing is kept between runs.
os.environ["PLATEWRIGHT_CACHE"] = ""
WIDTH, HEIGHT = 160, 130
LINES = 4096
# Of the strongest light: f32 samples, and the lines that count a pixel's area.
LIMIT = 2e-6


def disc(radius):
    """Area of a disc in each pixel: the chords of many lines of every row of pixels."""
    reach = int(np.ceil(radius + 0.5)) - 1
    left = np.arange(-reach, reach + 1) - 0.5
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
    for row in range(-reach, reach + 1):
        at = row - 0.5 + (np.arange(LINES) + 0.5) / LINES
        half = np.sqrt(np.clip(radius * radius - at * at, 0, None))[:, None]
        kernel[row + reach] = np.clip(np.minimum(half, left + 1) - np.maximum(-half, left), 0, None).mean(axis=0)
    return kernel / kernel.sum()


def write(path, picture, profile):
    extra = {"extrasamples": ["unassalpha"]} if picture.shape[2] == 4 else {}
    tifffile.imwrite(path, picture.astype("<f4"), photometric="rgb", iccprofile=profile, metadata=None, **extra)


def rendered(folder, scene):
    (folder / "scene.kdl").write_text(scene)
    run = subprocess.run([PROGRAM, "render", "scene.kdl"], cwd=folder, capture_output=True, text=True)
    if run.returncode:
        sys.exit(f"the program failed: {run.stderr}")
    return tifffile.imread(folder / "out.tif").astype(float)


def main():
    random = np.random.default_rng(31)
    profile = icc.profile_bytes(4, [("curv", [])] * 3, "srgb")
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        size = (44, 37)
        colour = random.random((*size, 3)) ** 3
        # Highlights: single points far above white.
        colour[random.integers(0, size[0], 5), random.integers(0, size[1], 5)] = random.uniform(5, 60, (5, 3))
        alpha = np.clip(random.random((*size, 1)) * 1.6 - 0.3, 0, 1)
        frame = np.concatenate([colour, alpha], axis=-1).astype(np.float32).astype(float)
        write(folder / "piece.tif", frame, profile)
        write(folder / "plate.tif", np.zeros((HEIGHT, WIDTH, 3)), profile)
        premultiplied = np.concatenate([frame[..., :3] * frame[..., 3:], frame[..., 3:]], axis=-1)
        left, top = 61, 45
        wide = np.zeros((HEIGHT, WIDTH, 4))
        wide[top : top + size[0], left : left + size[1]] = premultiplied
        for radius in [0.3, 0.6, 1, 1.5, 2.25, 5, 9.99, 23.4, 40]:
            kernel = disc(radius) if radius > 0.5 else np.ones((1, 1))
            truth = np.stack([signal.convolve2d(wide[..., k], kernel, mode="same") for k in range(4)], axis=-1)
            scene = f"""scene "soft" language=1
plate "plate.tif"
element "piece" {{ frame "piece.tif"; mask {{ all }}; offset {left} {top}; defocus {radius} }}
output "master" {{ file "out.tif"; depth 32"""
            ours = rendered(folder, scene + " }\n")
            scale = np.abs(truth[..., :3]).max()
            check(f"radius {radius}, light", np.abs(ours - truth[..., :3]).max() / scale, LIMIT)
            alone = rendered(folder, scene + '; member "piece" }\n')
            check(f"radius {radius}, alpha", np.abs(alone[..., 3] - truth[..., 3]).max(), LIMIT)
    finish()


main()
