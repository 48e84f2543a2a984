"""PNG and JPEG files, and what libpng and libjpeg (through imagecodecs) make of them."""

import itertools
import os

import cv2
import imagecodecs
import numpy as np
import pyvips
from PIL import Image

from frames.tiffs import picture


def pngs(folder, random):
    """(name, path, whether interlaced): 8 and 16 bits, with and without alpha, interlaced, palettes, 1 to 4 bits."""
    for n, (kind, channels, interlace) in enumerate(
        itertools.product(("u1", "u2"), (1, 2, 3, 4), (False, True))
    ):
        samples = picture(random, kind, channels, 41 + n, 53)
        space = {1: "b-w", 2: "b-w", 3: "srgb", 4: "srgb"} if kind == "u1" else {
            1: "grey16", 2: "grey16", 3: "rgb16", 4: "rgb16"}
        path = os.path.join(folder, f"vips-{n}.png")
        image = pyvips.Image.new_from_array(samples).copy(interpretation=space[channels])
        image.pngsave(path, interlace=interlace, bitdepth=8 if kind == "u1" else 16)
        yield f"PNG {kind} x {channels} interlaced {interlace}", path, interlace
    for n, (kind, channels) in enumerate(itertools.product(("u1", "u2"), (1, 3, 4))):
        path = os.path.join(folder, f"cv-{n}.png")
        cv2.imwrite(path, picture(random, kind, channels, 33, 47))
        yield f"PNG by OpenCV {kind} x {channels}", path, False
    for bits in (1, 2, 4, 8):
        colours = picture(random, "u1", 3, 24, 31)
        path = os.path.join(folder, f"palette-{bits}.png")
        palette = Image.fromarray(colours).quantize(2**bits)
        palette.save(path, bits=bits)
        yield f"PNG palette of {bits} bits", path, False
        path = os.path.join(folder, f"palette-clear-{bits}.png")
        palette.save(path, bits=bits, transparency=1)
        yield f"PNG palette of {bits} bits with a clear colour", path, False
    path = os.path.join(folder, "one-bit.png")
    Image.fromarray(picture(random, "u1", 1, 20, 21)[..., 0] > 128).save(path)
    yield "PNG of one bit", path, False


def png_truth(path, interlaced):
    """libpng through imagecodecs, which grumbles at interlaced files: those through libvips."""
    if interlaced:
        samples = pyvips.Image.new_from_file(path).numpy()
    else:
        with open(path, "rb") as file:
            samples = imagecodecs.png_decode(file.read())
    return samples if samples.ndim == 3 else samples[..., None]


def jpegs(folder, random):
    """(name, path, Exif orientation): every usual sampling, progressive, restarts, odd sizes, gray."""
    samplings = ("411", "420", "422", "440", "444")
    for n, (sampling, progressive, restarts, quality) in enumerate(
        itertools.product(samplings, (0, 1), (0, 3), (60, 95))
    ):
        path = os.path.join(folder, f"cv-{n}.jpg")
        cv2.imwrite(
            path,
            picture(random, "u1", 3, 64 - n % 2 * 13, 96 - n % 3 * 9),
            [
                cv2.IMWRITE_JPEG_SAMPLING_FACTOR, getattr(cv2, f"IMWRITE_JPEG_SAMPLING_FACTOR_{sampling}"),
                cv2.IMWRITE_JPEG_PROGRESSIVE, progressive,
                cv2.IMWRITE_JPEG_RST_INTERVAL, restarts,
                cv2.IMWRITE_JPEG_QUALITY, quality,
            ],
        )
        yield f"JPEG {sampling} progressive {progressive} restarts {restarts} quality {quality}", path, 1
    for orientation in range(1, 9):
        exif = Image.Exif()
        exif[274] = orientation
        path = os.path.join(folder, f"turned-{orientation}.jpg")
        Image.fromarray(picture(random, "u1", 3, 40, 56)).save(path, exif=exif, icc_profile=bytes(90_000), quality=90)
        yield f"JPEG of orientation {orientation}", path, orientation
    for quality in (40, 90):
        path = os.path.join(folder, f"gray-{quality}.jpg")
        Image.fromarray(picture(random, "u1", 1, 40, 56)[..., 0]).save(path, quality=quality)
        yield f"JPEG gray quality {quality}", path, 1


def jpeg_truth(path):
    with open(path, "rb") as file:
        samples = imagecodecs.jpeg_decode(file.read())
    return samples if samples.ndim == 3 else samples[..., None]
