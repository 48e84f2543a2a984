"""TIFF files of every kind the program reads, written by tifffile, libtiff (through libvips, OpenCV and Pillow) and
by hand. Each item is (name, path)."""

import itertools
import os
import struct
import zlib

# OpenCV warns about the old number of Deflate, which is to be written here.
os.environ["OPENCV_LOG_LEVEL"] = "ERROR"
import cv2  # noqa: E402
import numpy as np
import pyvips
import tifffile
from PIL import Image

KINDS = ["u1", "u2", "u4", "f2", "f4"]
# name, photometric, samples, ExtraSamples
CHANNELS = [
    ("gray", "minisblack", 1, None),
    ("rgb", "rgb", 3, None),
    ("rgb associated", "rgb", 4, [1]),
    ("rgb unassociated", "rgb", 4, [2]),
    ("rgb unspecified", "rgb", 4, [0]),
    ("gray unassociated", "minisblack", 2, [2]),
    ("rgb and two masks", "rgb", 5, [2, 0]),
    ("white is zero", "miniswhite", 1, None),
]
CODINGS = [
    (None, 1),
    ("lzw", 1),
    ("lzw", 2),
    ("adobe_deflate", 1),
    ("adobe_deflate", 2),
    ("deflate", 1),
    ("packbits", 1),
    ("adobe_deflate", 3),
    ("lzw", 3),
]
LAYOUTS = [("strips", None), ("tiles", (48, 32))]


def picture(random, kind, channels, height, width):
    """Smooth shapes and noise, so that compressors meet both."""
    y, x = np.mgrid[0:height, 0:width]
    base = 0.5 + 0.4 * np.sin(x[..., None] / (7 + np.arange(channels)) + y[..., None] / 11)
    values = np.clip(base + random.normal(0, 0.05, base.shape), 0, 1)
    if kind[0] == "f":
        return (values * 3 - 1).astype(kind)
    return np.round(values * np.iinfo(kind).max).astype(kind)


def by_tifffile(folder, random):
    """Every kind x coding x layout once, with channels, planes, byte order and BigTIFF taken in turn."""
    turn = itertools.count()
    for kind, (compression, predictor), (layout, tile), planar in itertools.product(
        KINDS, CODINGS, LAYOUTS, ("contig", "separate")
    ):
        if (predictor == 3 and kind[0] != "f") or (predictor == 2 and kind[0] == "f"):
            continue
        for _ in range(2):
            n = next(turn)
            label, photometric, channels, extra = CHANNELS[n % len(CHANNELS)]
            if photometric == "miniswhite" and kind[0] == "f":
                label, photometric, channels, extra = CHANNELS[1]
            separate = planar == "separate" and channels > 1
            height, width = 61 + n % 7, 83 + n % 5
            samples = picture(random, kind, channels, height, width)
            order, big = "<>"[n // 2 % 2], n // 4 % 2 == 1
            path = os.path.join(folder, f"made-{n}.tif")
            options = {"planarconfig": "separate"} if separate else {}
            if channels == 1:
                samples = samples[..., 0]
            elif separate:
                samples = np.moveaxis(samples, 2, 0)
            tifffile.imwrite(
                path,
                np.ascontiguousarray(samples),
                byteorder=order,
                bigtiff=big,
                photometric=photometric,
                extrasamples=extra,
                compression=compression,
                predictor=predictor if predictor > 1 else None,
                tile=tile,
                rowsperstrip=None if tile else 1 + n % 30,
                extratags=[(274, "H", 1, n % 8 + 1, True)] if n % 3 == 0 else (),
                iccprofile=bytes(random.integers(0, 256, 700, dtype="u1")) if n % 5 == 0 else None,
                metadata=None,
                **options,
            )
            yield f"tifffile {kind} {compression} predictor {predictor} {layout} {planar} {label}", path


def by_libvips(folder, random):
    for n, (kind, channels, compression, predictor, tile, big) in enumerate(
        itertools.product(
            ("u1", "u2", "f4"), (1, 3, 4), ("none", "lzw", "deflate", "packbits"), ("none", "horizontal", "float"),
            (False, True), (False, True),
        )
    ):
        if (predictor == "float" and kind[0] != "f") or (predictor == "horizontal" and kind[0] == "f"):
            continue
        if predictor != "none" and compression not in ("lzw", "deflate"):
            continue
        samples = picture(random, kind, channels, 57 + n % 9, 71 + n % 4)
        image = pyvips.Image.new_from_array(samples)
        image = image.copy(interpretation={1: "b-w", 2: "grey16"}.get(channels, "rgb") if kind == "u1"
                           else ("grey16" if channels == 1 else "rgb16") if kind == "u2"
                           else ("b-w" if channels == 1 else "scrgb"))
        path = os.path.join(folder, f"vips-{n}.tif")
        image.tiffsave(
            path, compression=compression, predictor=predictor, tile=tile, tile_width=32, tile_height=16, bigtiff=big
        )
        yield f"libvips {kind} x {channels} {compression} {predictor} tile {tile} big {big}", path


def by_opencv_and_pillow(folder, random):
    for n, (kind, channels, scheme) in enumerate(
        itertools.product(("u1", "u2"), (1, 3, 4), (1, 5, 8, 32946, 32773))
    ):
        samples = picture(random, kind, channels, 45, 50 + n)
        path = os.path.join(folder, f"cv-{n}.tif")
        cv2.imwrite(path, samples, [cv2.IMWRITE_TIFF_COMPRESSION, scheme])
        yield f"OpenCV {kind} x {channels} scheme {scheme}", path
    for n, (mode, compression) in enumerate(
        itertools.product(("L", "RGB", "RGBA", "LA", "I;16"), ("raw", "tiff_lzw", "tiff_adobe_deflate", "packbits"))
    ):
        kind = "u2" if mode == "I;16" else "u1"
        channels = {"L": 1, "RGB": 3, "RGBA": 4, "LA": 2, "I;16": 1}[mode]
        samples = picture(random, kind, channels, 44, 39)
        samples = samples[..., 0] if channels == 1 else samples
        path = os.path.join(folder, f"pillow-{n}.tif")
        Image.fromarray(samples).save(path, compression=compression)
        yield f"Pillow {mode} {compression}", path


def by_hand(folder, random):
    """What no writer at hand makes: predictor 2 on floats, tiles under the tags of strips."""
    for n, (kind, order, tiled) in enumerate(itertools.product(("f2", "f4"), "<>", (False, True))):
        samples = picture(random, kind, 3, 40, 48)
        whole = samples.view("u" + kind[1])
        step = 16 if tiled else 40
        chunks = []
        for y in range(0, 40, 8):
            for x in range(0, 48, step if tiled else 48):
                part = whole[y : y + 8, x : x + (step if tiled else 48)].astype("i8")
                part[:, 1:] -= part[:, :-1].copy()
                mask = (1 << 8 * whole.itemsize) - 1
                raw = (part & mask).astype(order + "u" + kind[1]).tobytes()
                chunks.append(zlib.compress(raw))
        tags = {256: 48, 257: 40, 258: [16 if kind == "f2" else 32] * 3, 259: 8, 262: 2, 277: 3, 317: 2, 339: [3] * 3}
        if tiled:
            tags |= {322: 16, 323: 8}
        else:
            tags[278] = 8
        path = os.path.join(folder, f"hand-{n}.tif")
        with open(path, "wb") as out:
            out.write(assembled(order, tags, chunks))
        yield f"by hand {kind} {order} predictor 2 tiled {tiled}", path


def assembled(order, tags, chunks):
    """A classic TIFF; offsets and byte counts always under the tags of strips."""
    out = bytearray(b"II*\0" if order == "<" else b"MM\0*") + bytes(4)
    offsets = []
    for chunk in chunks:
        offsets.append(len(out))
        out += chunk
    tags = {**tags, 273: offsets, 279: [len(chunk) for chunk in chunks]}
    entries = b""
    for tag, values in sorted(tags.items()):
        values = values if isinstance(values, list) else [values]
        data = struct.pack(f"{order}{len(values)}I", *values)
        if len(values) > 1:
            out += bytes(-len(out) % 2)
            place = struct.pack(order + "I", len(out))
            out += data
        else:
            place = data
        entries += struct.pack(order + "HHI", tag, 4, len(values)) + place
    out[4:8] = struct.pack(order + "I", len(out))
    return bytes(out) + struct.pack(order + "H", len(tags)) + entries + bytes(4)


def all_of_them(folder, random):
    for maker in (by_tifffile, by_libvips, by_opencv_and_pillow, by_hand):
        yield from maker(folder, random)
