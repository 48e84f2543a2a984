"""What the writers make, read back by readers outside the project.

TIFF: libtiff (through imagecodecs.tiff_decode), tifffile, OpenCV and libvips (pyvips) give the written samples exactly;
tags and their types as TIFF 6.0, ICC.1:2022 and ISO 16684-3 ask for them. PNG: the same readers (libpng for libtiff).
JPEG: libjpeg-turbo and libvips, by distance from the written samples, and the segments byte by byte.
"""

import os
import pathlib
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
import zlib

import cv2
import imagecodecs
import numpy
import pyvips
import tifffile

TITLE = "Tinte <indigo>, 50 ml & Füllfedern"
CREATOR = "Studio Example"
RIGHTS = "© 2026 Studio Example"
SOURCE = "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
DC = "{http://purl.org/dc/elements/1.1/}"
XMP = "{http://ns.adobe.com/xap/1.0/}"
IPTC = "{http://iptc.org/std/Iptc4xmpExt/2008-02-29/}"

counts = {}
failures = []


def check(kind, name, passed, seen=""):
    """Counts one check; a failure is printed with what was seen."""
    good, bad = counts.get(kind, (0, 0))
    counts[kind] = (good + bool(passed), bad + (not passed))
    if not passed:
        failures.append(f"{kind}: {name} {seen}")


def equal(kind, name, seen, wanted):
    """The same shape, type and samples."""
    seen = numpy.asarray(seen)
    if seen.shape != wanted.shape:
        seen = seen.squeeze()
    reference = wanted.squeeze()
    same = seen.dtype == wanted.dtype and seen.squeeze().shape == reference.shape
    same = same and numpy.array_equal(seen.squeeze(), reference)
    check(kind, name, same, f"{seen.dtype} {seen.shape}")


def check_opencv(path, samples):
    """OpenCV without conversions: blue-green-red order, gray with alpha as four channels or, in TIFF, not at all.

    8-bit RGB with alpha comes through libtiff's own conversion, which multiplies unassociated alpha in:
    (code x alpha + 127) / 255, tif_getimage.c. That it does says that the alpha is marked as it should be.
    """
    channels = samples.shape[2]
    if path.suffix == ".tif" and channels == 2:
        return
    seen = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if channels == 2:
        samples = samples[..., [0, 0, 0, 1]]
    if samples.shape[2] == 4 and path.suffix == ".tif" and samples.dtype == numpy.uint8:
        alpha = samples[..., 3:].astype(int)
        colour = (samples[..., :3].astype(int) * alpha + 127) // 255
        samples = numpy.concatenate([colour.astype(numpy.uint8), samples[..., 3:]], axis=2)
    if samples.shape[2] > 1:
        samples = samples[..., [2, 1, 0, 3][: samples.shape[2]]]
    equal("OpenCV", path.name, seen, samples)


def check_vips(path, samples):
    """libvips: the samples, and the profile and packet it would carry on."""
    image = pyvips.Image.new_from_file(str(path))
    equal("libvips", path.name, image.numpy(), samples)
    check_profile("libvips", f"{path.name} profile", image.get("icc-profile-data"), samples.shape[2])
    check_packet("libvips", f"{path.name} packet", image.get("xmp-data"))


def check_packet(kind, name, packet):
    """Well-formed XML that says what the picture is, as ISO 16684-1 and IPTC have it."""
    try:
        root = ElementTree.fromstring(packet.decode("utf-8"))
    except (ElementTree.ParseError, UnicodeDecodeError) as fault:
        check(kind, name, False, str(fault))
        return
    said = [
        root.findtext(f".//{IPTC}DigitalSourceType"),
        root.findtext(f".//{DC}title/{RDF}Alt/{RDF}li"),
        root.findtext(f".//{DC}creator/{RDF}Seq/{RDF}li"),
        root.findtext(f".//{DC}rights/{RDF}Alt/{RDF}li"),
        root.findtext(f".//{XMP}CreatorTool"),
        root.findtext(f".//{XMP}ModifyDate"),
    ]
    wanted = [SOURCE, TITLE, CREATOR, RIGHTS, "Platewright", "2001-09-09T01:46:40Z"]
    check(kind, name, said == wanted, said)


def check_profile(kind, name, profile, channels):
    """The profile the pictures were given: 70,000 bytes with this header."""
    model = b"GRAY" if channels < 3 else b"RGB "
    whole = len(profile) == 70_000 and profile[16:20] == model
    whole = whole and all(profile[k] == k % 251 for k in range(132, 70_000))
    check(kind, name, whole, len(profile))


def check_tiff_tags(path, channels, depth, compression, offsets):
    name = path.name
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        tags = page.tags
        codes = [tag.code for tag in tags]
        check("tiff tags", f"{name} sorted", codes == sorted(set(codes)), codes)
        check("tiff tags", f"{name} offsets", file.is_bigtiff == (offsets == "wide"))
        check("tiff tags", f"{name} little-endian", file.byteorder == "<")
        check("tiff tags", f"{name} one page", len(file.pages) == 1)

        def expect(code, kind, value):
            tag = tags.get(code)
            seen = tag and (int(tag.dtype), tag.value)
            check("tiff tags", f"{name} {code}", seen == (kind, value), seen)

        number = {"none": 1, "lzw": 5, "deflate": 8}[compression]
        bits = {"u8": 8, "u16": 16, "f32": 32}[depth]
        several = lambda value: value if channels == 1 else (value,) * channels
        expect(258, 3, several(bits))
        expect(259, 3, number)
        expect(262, 3, 1 if channels < 3 else 2)
        expect(270, 2, TITLE)
        expect(274, 3, 1)
        expect(277, 3, channels)
        expect(282, 5, (266_700, 1000))
        expect(283, 5, (266_700, 1000))
        expect(284, 3, 1)
        expect(296, 3, 2)
        expect(305, 2, "Platewright")
        expect(306, 2, "2001:09:09 01:46:40")
        expect(315, 2, CREATOR)
        expect(322, 4, 256)
        expect(323, 4, 256)
        expect(339, 3, several(3 if depth == "f32" else 1))
        expect(33432, 2, RIGHTS)
        if compression == "none":
            check("tiff tags", f"{name} no predictor", 317 not in tags)
        else:
            expect(317, 3, 3 if depth == "f32" else 2)
        if channels in (2, 4):
            expect(338, 3, (2,))
        else:
            check("tiff tags", f"{name} no extra samples", 338 not in tags)
        profile = tags[34675]
        check("tiff tags", f"{name} profile is UNDEFINED", int(profile.dtype) == 7, profile.dtype)
        check_profile("tiff tags", f"{name} profile", profile.value, channels)
        packet = tags[700]
        check("tiff tags", f"{name} packet is BYTE", int(packet.dtype) == 1, packet.dtype)
        check_packet("packets", name, packet.value)
        places, lengths = tags[324].value, tags[325].value
        in_order = all(b >= a + n for a, n, b in zip(places, lengths, places[1:]))
        table = file.pages[0].offset
        even = all(place % 2 == 0 for place in places) and table % 8 == 0
        beyond = places[-1] + lengths[-1] <= table
        check("tiff tags", f"{name} layout", in_order and even and beyond, places)


def png_chunks(path):
    data = path.read_bytes()
    at = 8
    while at < len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        yield data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        at += 12 + length


def check_png_chunks(path, channels):
    name = path.name
    chunks = dict(png_chunks(path))
    kinds = [b"IHDR", b"pHYs", b"iTXt", b"iCCP", b"IDAT", b"IEND"]
    check("png chunks", f"{name} kinds", set(chunks) == set(kinds), list(chunks))
    label, _, packed = chunks[b"iCCP"].partition(b"\0")
    check("png chunks", f"{name} profile name", label == b"ICC profile", label)
    check_profile("png chunks", f"{name} profile", zlib.decompress(packed[1:]), channels)
    density = (10_500).to_bytes(4, "big") * 2 + b"\1"
    check("png chunks", f"{name} density", chunks[b"pHYs"] == density, chunks[b"pHYs"])
    key, _, rest = chunks[b"iTXt"].partition(b"\0")
    check("png chunks", f"{name} text key", key == b"XML:com.adobe.xmp", key)
    check_packet("packets", name, rest[4:])


def jpeg_segments(path):
    """Marker and content of every segment before the scan, and how many scans there are."""
    data = path.read_bytes()
    at = 2
    while data[at + 1] != 0xDA:
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        yield data[at + 1], data[at + 4 : at + 2 + length]
        at += 2 + length
    length = int.from_bytes(data[at + 2 : at + 4], "big")
    yield 0xDA, data[at + 4 : at + 2 + length]


def check_jpeg_segments(path, channels):
    name = path.name
    segments = list(jpeg_segments(path))
    of = lambda marker: [content for kind, content in segments if kind == marker]
    header = of(0xE0)[0]
    density = header[:5] == b"JFIF\0" and header[7] == 1 and header[8:12] == b"\1\x0b\1\x0b"
    check("jpeg segments", f"{name} density", density, header)
    mark = b"http://ns.adobe.com/xap/1.0/\0"
    packet = [content[len(mark) :] for content in of(0xE1) if content.startswith(mark)]
    check("jpeg segments", f"{name} one packet", len(packet) == 1)
    check_packet("packets", name, packet[0])
    parts = [content for content in of(0xE2) if content.startswith(b"ICC_PROFILE\0")]
    numbered = [(part[12], part[13]) for part in parts] == [(1, 2), (2, 2)]
    check("jpeg segments", f"{name} profile parts", numbered)
    check_profile("jpeg segments", f"{name} profile", b"".join(part[14:] for part in parts), channels)
    frame = of(0xC0)
    full = len(frame) == 1 and all(frame[0][7 + 3 * k] == 0x11 for k in range(channels))
    check("jpeg segments", f"{name} baseline, no subsampling", full and frame[0][5] == channels)
    check("jpeg segments", f"{name} one interleaved scan", of(0xDA)[0][0] == channels)


def check_jpeg_loss(path, samples):
    """At most a twentieth further from the samples, on average, than libjpeg-turbo's own file of that quality, 4:4:4."""
    name = path.name
    quality = int(name.split(".q")[1].split(".")[0])
    samples = samples.squeeze(2) if samples.shape[2] == 1 else samples
    seen = imagecodecs.jpeg8_decode(path.read_bytes())
    own = imagecodecs.jpeg8_encode(samples, level=quality, subsampling="444")
    loss = lambda decoded: numpy.abs(decoded.astype(int) - samples.astype(int)).mean()
    ours, theirs = loss(seen), loss(imagecodecs.jpeg8_decode(own))
    check("jpeg loss", name, seen.shape == samples.shape and ours <= 1.05 * theirs + 0.05, (ours, theirs))
    vips = pyvips.Image.new_from_file(str(path)).numpy()
    check("jpeg loss", f"{name} libvips", numpy.array_equal(vips.squeeze(), seen.squeeze()))


def check_big(path):
    """Wide offsets where the samples alone are more than 4 GiB, though the file is small."""
    check("big tiff", "file size", path.stat().st_size < 1 << 28, path.stat().st_size)
    image = pyvips.Image.new_from_file(str(path))
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        check("big tiff", "offsets", file.is_bigtiff and len(page.dataoffsets) == 208 * 208)
        for tile in (0, 1, 208, 20_000, 208 * 208 - 1):
            x, y = tile % 208 * 256, tile // 208 * 256
            wanted = numpy.full((256, 256), tile % 7 * 9000, numpy.uint16)
            equal("big tiff", f"libvips {tile}", image.crop(x, y, 256, 256).numpy(), wanted)
            file.filehandle.seek(page.dataoffsets[tile])
            packed = file.filehandle.read(page.databytecounts[tile])
            equal("big tiff", f"tifffile {tile}", page.decode(packed, tile)[0], wanted)


def main():
    programs = pathlib.Path(os.environ.get("PLATEWRIGHT_BIN_DIR", "target/release"))
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        subprocess.run([programs / "examples" / "written", folder], check=True)
        for line in (folder / "pictures.txt").read_text().splitlines():
            file, width, height, channels, depth, compression, offsets = line.split()
            width, height, channels = int(width), int(height), int(channels)
            path = folder / file
            raw = folder / (file.split(".")[0] + ".raw")
            kind = {"u8": "u1", "u16": "<u2", "f32": "<f4"}[depth]
            samples = numpy.fromfile(raw, kind).reshape(height, width, channels)
            samples = samples.astype(samples.dtype.newbyteorder("="))
            if path.suffix == ".tif":
                equal("libtiff", file, imagecodecs.tiff_decode(path.read_bytes()), samples)
                equal("tifffile", file, tifffile.imread(path), samples)
                check_opencv(path, samples)
                check_vips(path, samples)
                check_tiff_tags(path, channels, depth, compression, offsets)
            elif path.suffix == ".png":
                equal("libpng", file, imagecodecs.png_decode(path.read_bytes()), samples)
                check_opencv(path, samples)
                check_vips(path, samples)
                check_png_chunks(path, channels)
            else:
                check_jpeg_segments(path, channels)
                check_jpeg_loss(path, samples)
        check_big(folder / "big.tif")
    for kind, (good, bad) in sorted(counts.items()):
        print(f"{kind}: {good} passed, {bad} failed")
    for failure in failures[:40]:
        print("FAILED", failure, file=sys.stderr)
    passed = sum(good for good, _ in counts.values())
    failed = sum(bad for _, bad in counts.values())
    print(f"{passed} passed, {failed} failed")
    sys.exit(failed > 0 or passed == 0)


if __name__ == "__main__":
    main()
