"""Reads picture files of every kind with our `samples` program and with outside readers, and compares.

TIFF: exactly equal to tifffile and to libtiff (through imagecodecs.tiff_decode); PNG: exactly equal to libpng
(imagecodecs.png_decode, libvips); JPEG: within 4 of 255 of libjpeg (imagecodecs.jpeg_decode). Random rectangles of every
file must be parts of the whole. Orientation is applied to the outside samples by numpy, and checked against Pillow on
8-bit files. Outside readers give gray with 0 as white as stored; ours turns it the right way up. Then files that lie:
an error, never a crash, never more memory than allowed."""

import os
import sys
import tempfile

import imagecodecs
import numpy as np
import tifffile
from PIL import Image, ImageOps

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from frames import hostile, others, tiffs  # noqa: E402
from frames.tool import Tool  # noqa: E402

JPEG_LIMIT = 4
# Where the sides are no whole blocks and colour is stored at reduced resolution, our decoder lets the last column and
# row take colour from the padding beside them, libjpeg does not.
JPEG_EDGE_LIMIT = 12
# The orientation that undoes each.
BACK = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}
ALPHAS = {1: "Associated", 2: "Unassociated"}
passed, failed = 0, 0


def verdict(name, fault):
    global passed, failed
    if fault:
        failed += 1
        print(f"FAILED {name}: {fault}")
    else:
        passed += 1


def seen(samples, orientation):
    """Stored samples as they are to be seen: TIFF 6.0, tag 274."""
    if orientation in (5, 6, 7, 8):
        samples = np.swapaxes(samples, 0, 1)
    if orientation in (2, 3, 6, 7):
        samples = samples[:, ::-1]
    if orientation in (3, 4, 7, 8):
        samples = samples[::-1]
    return samples


def interleaved(samples, page):
    """(rows, columns, channels), whichever way the reader gave planes."""
    if samples.ndim == 2:
        return samples[..., None]
    if page.planarconfig == 2 and samples.shape[0] == page.samplesperpixel:
        return np.moveaxis(samples, 0, 2)
    return samples


def difference(ours, theirs):
    if ours.shape != theirs.shape:
        return f"shape {ours.shape}, outside {theirs.shape}"
    theirs = theirs.astype(ours.dtype)
    if np.array_equal(ours, theirs):
        return None
    wrong = np.argwhere(ours != theirs)
    return f"{len(wrong)} samples differ, first at {wrong[0].tolist()}"


def rectangles(tool, random, path, whole):
    """Three random rectangles, each a part of the whole."""
    height, width = whole.shape[:2]
    for _ in range(3):
        x, y = int(random.integers(width)), int(random.integers(height))
        w, h = int(random.integers(1, width - x + 1)), int(random.integers(1, height - y + 1))
        part, _ = tool.ask(path, (x, y, w, h))
        if isinstance(part, str):
            return f"rectangle {x},{y} {w} x {h}: {part}"
        if not np.array_equal(part, whole[y : y + h, x : x + w]):
            return f"rectangle {x},{y} {w} x {h} is no part of the whole"
    return None


def tiff_fault(tool, random, path):
    ours, head = tool.ask(path)
    if isinstance(ours, str):
        return ours
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        orientation = int(page.tags[274].value) if 274 in page.tags else 1
        white_is_zero = page.photometric == tifffile.PHOTOMETRIC.MINISWHITE
        extra = [int(value) for value in page.extrasamples]
        stored = interleaved(page.asarray(), page)
        icc = len(page.tags[34675].value) if 34675 in page.tags else None
        with open(path, "rb") as raw:
            libtiff = interleaved(imagecodecs.tiff_decode(raw.read()), page)
    fault = None
    for reader, samples in (("tifffile", stored), ("libtiff", libtiff)):
        if white_is_zero:
            samples = np.concatenate([~samples[..., :1], samples[..., 1:]], axis=2)
        fault = fault or (lambda d: d and f"{reader}: {d}")(difference(ours, seen(samples, orientation)))
    alpha = next((ALPHAS[value] for value in extra if value in ALPHAS), "None")
    if head["alpha"] != alpha:
        fault = fault or f"alpha {head['alpha']}, the file says {extra}"
    if head["profile"] != (f"icc:{icc}" if icc else "none"):
        fault = fault or f"profile {head['profile']}, the file has {icc} bytes"
    if ours.dtype == np.uint8 and ours.shape[2] in (1, 3) and not white_is_zero:
        with Image.open(path) as image:
            pillow = np.asarray(ImageOps.exif_transpose(image))
        pillow = pillow if pillow.ndim == 3 else pillow[..., None]
        fault = fault or (lambda d: d and f"Pillow: {d}")(difference(ours, pillow))
    return fault or rectangles(tool, random, path, ours)


def tiff_files(tool, random, folder):
    count = 0
    for name, path in tiffs.all_of_them(folder, random):
        verdict(name, tiff_fault(tool, random, path))
        os.remove(path)
        count += 1
    print(f"{count} TIFF files against tifffile and libtiff")
    return count


def png_files(tool, random, folder):
    count = 0
    for name, path, interlaced in others.pngs(folder, random):
        ours, _ = tool.ask(path)
        if isinstance(ours, str):
            verdict(name, ours)
        else:
            fault = difference(ours, others.png_truth(path, interlaced))
            verdict(name, fault or rectangles(tool, random, path, ours))
        count += 1
    print(f"{count} PNG files against libpng")
    return count


def jpeg_files(tool, random, folder):
    count, worst, worst_edge = 0, 0, 0
    for name, path, orientation in others.jpegs(folder, random):
        ours, head = tool.ask(path)
        if isinstance(ours, str):
            verdict(name, ours)
            continue
        theirs = others.jpeg_truth(path)
        fault = None if ours.shape == seen(theirs, orientation).shape else f"shape {ours.shape}"
        if not fault:
            off = np.abs(seen(ours, BACK[orientation]).astype(int) - theirs)
            inner, most = int(off[:-1, :-1].max()), int(off.max())
            worst, worst_edge = max(worst, inner), max(worst_edge, most)
            if inner > JPEG_LIMIT or most > JPEG_EDGE_LIMIT:
                fault = f"{inner} of 255 off, {most} at the last column and row"
        if orientation > 1 and not fault:
            with Image.open(path) as image:
                turned = np.asarray(ImageOps.exif_transpose(image)).astype(int)
            fault = None if np.abs(ours - turned).max() <= JPEG_EDGE_LIMIT else "turned otherwise than Pillow does"
            fault = fault or (None if head["profile"] == "icc:90000" else f"profile {head['profile']}")
        verdict(name, fault or rectangles(tool, random, path, ours))
        count += 1
    print(f"{count} JPEG files against libjpeg, at most {worst} of 255 off, {worst_edge} at the last column and row")
    return count


def hostile_files(folder):
    peak = 0
    limit = hostile.ACCOUNT + hostile.PROGRAM
    path = os.path.join(folder, "hostile")
    for name, content, may_read in hostile.files():
        with open(path, "wb") as file:
            file.write(content)
        line, memory, status = hostile.outcome(path)
        peak = max(peak, memory)
        fault = None
        if status != 0:
            fault = f"status {status}"
        elif not line.startswith("error ") and not may_read:
            fault = f"was read: {line}"
        elif not line.startswith("ok ") and may_read:
            fault = f"was refused: {line}"
        elif memory > limit:
            fault = f"took {memory >> 20} MiB; {limit >> 20} are allowed"
        verdict(name, fault)
    print(f"files that lie: at most {peak >> 20} MiB in use, {limit >> 20} allowed")


def main():
    random = np.random.default_rng(20)
    tool = Tool()
    with tempfile.TemporaryDirectory() as folder:
        count = tiff_files(tool, random, folder) + png_files(tool, random, folder) + jpeg_files(tool, random, folder)
        hostile_files(folder)
    verdict("the samples program", None if tool.close() == 0 else "did not end well")
    verdict("at least 300 files", None if count >= 300 else f"only {count}")
    print(f"{count} files in all, three random rectangles of each")
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
