"""The shoot, seen from outside: are its files what they say, and is its truth true?

A small day is made twice and read with tifffile, libtiff (through imagecodecs) and Little CMS. The frame has to be the
sum its own truth states: C = a F + (1 - a) S B outside the rod, within the noise the sensor was given
(Porter and Duff 1984 for the sum; the curve is IEC 61966-2-1, written out here anew).
"""

import filecmp
import os
import pathlib
import subprocess
import sys
import tempfile

import imagecodecs
import numpy as np
import tifffile

SHOOT = pathlib.Path(os.environ["PLATEWRIGHT_BIN_DIR"]) / "examples" / "shoot"
passed = failed = 0


def check(what, ok, found=""):
    global passed, failed
    passed, failed = passed + bool(ok), failed + (not ok)
    if not ok:
        print(f"FAILED {what} {found}")


def make(folder, *more):
    command = [SHOOT, "--out", folder, "--height", "150", "--samples", "6", "--only", "-1", *more]
    subprocess.run(command, check=True)


def make_more(folder):
    command = [SHOOT, "--out", folder, "--more", "--height", "150", "--samples", "6"]
    subprocess.run(command, check=True)


def linear(codes):
    v = codes / 65535.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def files_are_sound(path):
    """A frame: three readers agree, and the tags say how it was taken."""
    page = tifffile.TiffFile(path).pages[0]
    pixels = page.asarray()
    check(f"{path.name}: libtiff and tifffile agree", np.array_equal(pixels, imagecodecs.tiff_decode(path.read_bytes())))
    check(f"{path.name}: 4:5, 16 bit, RGB", pixels.shape == (150, 120, 3) and pixels.dtype == np.uint16, pixels.shape)
    exif = page.tags["ExifTag"].value
    check(f"{path.name}: exposure", exif["ExposureTime"] == (1, 160) and exif["FNumber"] == (8, 1), exif)
    check(f"{path.name}: sensitivity and date", exif["ISOSpeedRatings"] == 100 and exif["DateTimeOriginal"][:11] == "2026:03:14 ")
    check(f"{path.name}: strips of at most 64 rows", page.rowsperstrip <= 64)
    clipped = np.mean(np.all(pixels == 65535, axis=2))
    check(f"{path.name}: only highlights clip", clipped < 0.02, clipped)
    return pixels, page.tags["InterColorProfile"].value


def profile_is_sound(icc):
    """Little CMS takes the profile; its curve and columns are those the header comment of icc.rs names."""
    ramp = np.repeat(np.linspace(0, 1, 64).reshape(1, -1, 1), 3, axis=2)
    through = imagecodecs.cms_transform(ramp, icc, icc, colorspace="rgb", outcolorspace="rgb")
    check("profile: there and back", np.abs(through - ramp).max() < 1e-6, np.abs(through - ramp).max())
    srgb = imagecodecs.cms_transform(ramp, icc, imagecodecs.cms_profile("srgb"), colorspace="rgb", outcolorspace="rgb")
    # Grays stay gray with the same codes: same curve, same white (the built-in profile's columns are rounded).
    check("profile: the curve of sRGB", np.abs(srgb - ramp).max() < 1e-3, np.abs(srgb - ramp).max())


def truth_is_true(folder, name, plate):
    def read(part):
        return tifffile.imread(folder / "truth" / f"{name}-{part}.tif")

    frame = linear(tifffile.imread(folder / "frames" / f"{name}.tif"))
    base = linear(tifffile.imread(folder / "frames" / f"{plate}.tif"))
    a, rod = (read(part)[..., None] / 65535.0 for part in ("matte", "rod"))
    colour, ratio = linear(read("colour")), read("ratio")
    # At this size a wire is thinner than a pixel.
    check(f"{name}: there is a piece and a rod", a.max() > 0.9 and rod.max() > 0.3, (a.max(), rod.max()))
    rows, columns = np.nonzero(rod[..., 0] > 0)
    at_border = rows.min() == 0 or rows.max() == 149 or columns.min() == 0 or columns.max() == 119
    check(f"{name}: the rod comes from the border", at_border)
    # The drift is not in the truth: it is the gain that the untouched set shows.
    untouched = (a[..., 0] + rod[..., 0] == 0) & np.all(ratio == 1, axis=2)
    gain = np.median(frame[untouched] / np.maximum(base[untouched], 1e-4))
    check(f"{name}: drift of a few hundredths of a stop", abs(np.log2(gain)) < 0.06, np.log2(gain))
    core = (a[..., 0] > 0.9) & (rod[..., 0] == 0) & np.all(frame < 0.95, axis=2)
    colour_error = np.abs(frame - a * colour - (1 - a) * ratio * base * gain)[core]
    check(f"{name}: under the matte the frame is the colour", np.median(colour_error) < 0.0005, np.median(colour_error))
    open_set = (rod[..., 0] == 0) & np.all(frame < 0.95, axis=2)
    error = np.abs(frame - (a * colour + (1 - a) * ratio * base * gain))[open_set]
    # Two frames' photon noise. Where the camera was bumped the plate, which was not, differs along edges as well.
    bumped = np.median(np.abs(frame - base * gain)[untouched]) > 0.0005
    middle, wild = (0.006, 0.05) if bumped else (0.0005, 0.001)
    found = (np.median(error), np.mean(error > 0.05))
    check(f"{name}: C = a F + (1 - a) S B", found[0] < middle and found[1] < wild, found)
    return bumped


with tempfile.TemporaryDirectory() as scratch:
    first, second = pathlib.Path(scratch) / "a", pathlib.Path(scratch) / "b"
    make(first)
    make(second, "--only", "nib-a-1")
    for part in ["frames/nib-a-1.tif", "masks/nib-a-1.png", "truth/nib-a-1-ratio.tif"]:
        check(f"{part}: the same bytes again", filecmp.cmp(first / part, second / part, shallow=False))
    for path in sorted((first / "frames").glob("*.tif")):
        pixels, icc = files_are_sound(path)
    profile_is_sound(icc)
    names = ["nib-a-1", "nib-b-1", "nib-c-1", "curl-a-1", "curl-b-1", "clip-a-1", "clip-b-1"]
    bumped = [truth_is_true(first, name, "dry-1-indigo") for name in names]
    more = pathlib.Path(scratch) / "more"
    make_more(more)
    for name in ["nib-wet", "clip-wet"]:
        truth_is_true(more, name, "wet-1")
    pair = [linear(tifffile.imread(more / "frames" / f"card-{card}.tif")) for card in ("light", "dark")]
    check("the cards are light and dark", np.median(pair[0][:60]) > 8 * np.median(pair[1][:60]))
    check("some frames are bumped, some are not", any(bumped) and not all(bumped), bumped)
    usage = subprocess.run([SHOOT, "--height", "7"], capture_output=True, text=True)
    check("a wrong number is told with its range", usage.returncode == 2 and "100 to 20000" in usage.stderr, usage.stderr)

print(f"{passed} passed, {failed} failed")
sys.exit(failed > 0)
