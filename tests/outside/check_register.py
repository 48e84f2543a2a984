"""Registration against other programs: the published shifts of scikit-image's own tests and its up-sampled
cross-correlation, OpenCV's enhanced correlation coefficient for turns and perspective, and the truth the pairs
were drawn with. Prints a table of errors in pixels (shift: at the centre; else: worst corner).

Runs from the repository's root; `PLATEWRIGHT_BIN_DIR` holds `examples/registered`.
"""

import os
import pathlib
import subprocess
import tempfile

import cv2
import numpy as np
import tifffile
from scipy import ndimage
from skimage.registration import phase_cross_correlation
from counted import check, finish

TOOL = pathlib.Path(os.environ.get("PLATEWRIGHT_BIN_DIR", "target/release")) / "examples" / "registered"
SIDE = 400
NOISE = 0.004


def field(random):
    """A band-limited periodic set, three channels of light, mean 0.3: it can be shifted exactly by phases."""
    frequency = np.hypot(np.fft.fftfreq(SIDE)[:, None], np.fft.fftfreq(SIDE)[None, :])
    waves = np.fft.fft2(random.standard_normal((SIDE, SIDE))) / (frequency + 0.02)
    waves[(frequency > 0.3) | (frequency < 0.004)] = 0
    light = np.fft.ifft2(waves).real
    return 0.3 * np.exp(0.25 * light / light.std())


def moved(light, shift):
    """What a frame shows whose pixels look `shift` (y, x) further down and right on the plate."""
    down, across = np.fft.fftfreq(SIDE)[:, None], np.fft.fftfreq(SIDE)[None, :]
    turn = np.exp(2j * np.pi * (down * shift[0] + across * shift[1]))
    return np.fft.ifft2(np.fft.fft2(light) * turn).real


def warped(light, matrix):
    """The frame under a map frame to plate (pixel centres at .5), from a spline of degree five."""
    y, x = np.mgrid[0:SIDE, 0:SIDE] + 0.5
    u, v, w = np.einsum("rc,cyx->ryx", matrix, np.stack([x, y, np.ones_like(x)]))
    return ndimage.map_coordinates(light, [v / w - 0.5, u / w - 0.5], order=5, mode="grid-wrap")


def saved(path, light, random, noise=NOISE, gains=(1, 1, 1)):
    channels = light[..., None] * np.asarray(gains) + noise * random.standard_normal((SIDE, SIDE, 3))
    channels = np.clip(channels, 0, 1)
    encoded = np.where(channels <= 0.0031308, channels * 12.92, 1.055 * channels ** (1 / 2.4) - 0.055)
    tifffile.imwrite(path, np.round(encoded * 65535).astype(np.uint16), photometric="rgb")
    return channels.mean(axis=2)


def ours(motion, frame, plate):
    run = subprocess.run([TOOL], input=f"{motion} {frame} {plate}\n".encode(), capture_output=True, check=True)
    trust, *numbers = run.stdout.decode().split()
    numbers = np.array([float(v) for v in numbers])
    return trust, numbers[:9].reshape(3, 3), numbers[9:11], numbers[13:16]


def corners(found, truth):
    worst = 0
    for x, y in [(0, 0), (SIDE, 0), (0, SIDE), (SIDE, SIDE)]:
        a, b = found @ [x, y, 1], truth @ [x, y, 1]
        worst = max(worst, np.hypot(*(a[:2] / a[2] - b[:2] / b[2])))
    return worst


def enhanced(frame, plate, motion, shift):
    """OpenCV's map frame to plate; it counts pixel centres as whole numbers and is given the shift to start from."""
    start = np.eye(3, dtype=np.float32)
    start[:2, 2] = shift
    kind = cv2.MOTION_EUCLIDEAN if motion == "similarity" else cv2.MOTION_HOMOGRAPHY
    start = start if kind == cv2.MOTION_HOMOGRAPHY else start[:2]
    ends = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-8)
    # Its input is at most single precision; it warps the second picture onto the first.
    _, found = cv2.findTransformECC(
        frame.astype(np.float32), plate.astype(np.float32), start, kind, ends, None, 5
    )
    whole = np.vstack([found, [0, 0, 1]]) if found.shape[0] == 2 else found
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    return half @ whole.astype(np.float64) @ np.linalg.inv(half)


def shifts(folder, random):
    light = field(random)
    plate = folder / "plate.tif"
    other = saved(plate, light, random)
    # The first two are the published cases, given as the shift applied to the moving picture.
    for shift in [(-7, 12), (-2.4, 1.32), (0, 0), (0.25, -0.25), (0.1, 0.05), (3.37, -8.61)]:
        frame = folder / "frame.tif"
        gray = saved(frame, moved(light, shift), random, gains=(1.06, 1.04, 1.01))
        trust, matrix, found, gains = ours("shift", frame, plate)
        theirs = phase_cross_correlation(gray, other, upsample_factor=100)[0]
        # Theirs is what brings the second picture onto the first: minus ours, rows before columns.
        error = np.hypot(found[0] - shift[1], found[1] - shift[0])
        print(f"shift {shift!s:16} ours off {error:.4f}, theirs off {np.hypot(*(theirs + shift)):.4f} px")
        check(f"shift {shift}", error if trust == "Sure" else np.inf, 0.05)
        check(f"shift {shift} beside theirs", np.hypot(found[0] + theirs[1], found[1] + theirs[0]), 0.06)
        check(f"gains of shift {shift}", np.abs(gains * (1.06, 1.04, 1.01) - 1).max(), 0.005)
        if shift == (0, 0):
            check("a still camera", np.abs(matrix - np.eye(3)).max(), 0)
    bare = np.full((SIDE, SIDE), 0.3)
    for name in ("frame.tif", "plate.tif"):
        saved(folder / name, bare, random)
    trust, matrix, _, _ = ours("shift", folder / "frame.tif", folder / "plate.tif")
    check("a set without texture", 0 if trust == "Featureless" else np.inf, 0)
    check("a set without texture stays", np.abs(matrix - np.eye(3)).max(), 0)


def turns(folder, random):
    light = field(random)
    plate = folder / "plate.tif"
    other = saved(plate, light, random)
    middle = np.array([[1, 0, SIDE / 2], [0, 1, SIDE / 2], [0, 0, 1]])
    for degrees, shift, last in [
        (0.03, (1.6, -0.4), (0, 0)),
        (-0.2, (-2.3, 1.1), (0, 0)),
        (0.1, (0.7, 2.2), (2e-5, -1e-5)),
    ]:
        angle = np.radians(degrees)
        turn = np.array(
            [[np.cos(angle), -np.sin(angle), shift[0]], [np.sin(angle), np.cos(angle), shift[1]], [*last, 1]]
        )
        truth = middle @ turn @ np.linalg.inv(middle)
        motion = "perspective" if any(last) else "similarity"
        frame = folder / "frame.tif"
        gray = saved(frame, warped(light, truth), random)
        trust, matrix, _, _ = ours(motion, frame, plate)
        error = corners(matrix, truth) if trust == "Sure" else np.inf
        theirs = enhanced(gray, other, motion, np.round(shift))
        print(f"{motion} {degrees} deg ours off {error:.4f}, theirs off {corners(theirs, truth):.4f} px")
        limit = 0.2 if any(last) else 0.1
        check(f"{motion} {degrees}", error, limit)
        check(f"{motion} {degrees} beside theirs", corners(matrix, theirs), 1.5 * limit)


def main():
    random = np.random.default_rng(7)
    with tempfile.TemporaryDirectory() as name:
        shifts(pathlib.Path(name), random)
        turns(pathlib.Path(name), random)
    finish()


main()
