"""Colour conversions against Little CMS in float: named profiles, profiles it made, and profiles of version 2 built here.

Every conversion's 16-bit codes must lie within 1.1 codes of Little CMS's unclipped result, clipped; 0.5 of that is our
rounding to whole codes. Where a channel nearly cancels out in the matrix, one unit of single precision can be worth
many codes of a steep curve: there the light may differ by LIGHT. Little CMS rounds table curves to 16 bits on both sides, so
these are interpolated by numpy, between linear profiles of the same primaries.

Runs from the repository's root; `PLATEWRIGHT_BIN_DIR` holds `examples/colors`.
"""

import io
import itertools
import os
import pathlib
import struct
import subprocess
import tempfile

import numpy as np
from imagecodecs import CMS, cms_profile, cms_transform
from PIL import ImageCms

TOOL = pathlib.Path(os.environ.get("PLATEWRIGHT_BIN_DIR", "target/release")) / "examples" / "colors"
NAMES = ["srgb", "display-p3", "a98-rgb", "rec2020", "romm"]
LIMIT = 1.1
LIGHT = 4 / 2**24
ROUNDED_LIGHT = 1e-5
FLAGS = CMS.FLAGS.NOOPTIMIZE | CMS.FLAGS.NOCACHE
SRGB_XY = [0.64, 0.33, 0.30, 0.60, 0.15, 0.06]
D65 = [0.3127, 0.3290]

passed = failed = 0
tally = {"samples": 0, "excused": 0}


def check(name, good, words):
    global passed, failed
    if good:
        passed += 1
    else:
        failed += 1
        print(f"FAILED {name}: {words}")


def within(name, found, wanted, limit, lights=None, light_limit=LIGHT):
    """Codes against codes; `lights`, the same as light, excuses what is equal to `light_limit`."""
    off = np.abs(found - wanted)
    if lights is not None:
        excused = (off > limit) & (np.abs(lights[0] - lights[1]) <= light_limit)
        off = np.where(excused, 0, off)
        tally["excused"] += int(excused.sum())
    tally["samples"] += off.size
    at = np.unravel_index(off.argmax(), off.shape)
    check(name, off.max() <= limit, f"off by {off.max():.3f} codes at sample {at}, allowed {limit}")
    return off.max()


def run(*words, data=b""):
    return subprocess.run([TOOL, *map(str, words)], input=data, capture_output=True)


def ours(kind, source, target, working, samples):
    result = run(kind, source, target, working, data=samples.tobytes())
    if result.returncode:
        raise SystemExit(f"colors {kind} {source} {target} {working}: {result.stderr.decode()}")
    return np.frombuffer(result.stdout, samples.dtype)


def theirs(source, target, samples, spaces=("rgb", "rgb")):
    """Little CMS on encoded values 0..1, one pixel a row, not clipped."""
    samples = np.ascontiguousarray(samples, dtype="f8")
    result = cms_transform(
        samples[None] if spaces[0] == "rgb" else samples.reshape(1, -1),
        source,
        target,
        colorspace=spaces[0],
        outcolorspace=spaces[1],
        outdtype="f8",
        intent=CMS.INTENT.RELATIVE_COLORIMETRIC,
        flags=FLAGS,
    )
    return result.reshape(len(samples), -1)


def version_2(curves, primaries):
    """A matrix profile of version 2.1: `curves` are three whole tags, `primaries` three XYZ triples."""
    xyz = lambda v: b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(x * 65536) for x in v))
    tags = {
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + bytes(78),
        b"cprt": b"text\0\0\0\0none\0",
        b"wtpt": xyz([0.9642, 1, 0.8249]),
    }
    tags |= dict(zip([b"rXYZ", b"gXYZ", b"bXYZ"], map(xyz, primaries)))
    tags |= dict(zip([b"rTRC", b"gTRC", b"bTRC"], curves))
    at, table, body = 132 + 12 * len(tags), b"", b""
    for name, data in tags.items():
        table += name + struct.pack(">II", at + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = struct.pack(">I4sI4s4s4s6H4s", at + len(body), b"", 0x02100000, b"mntr", b"RGB ", b"XYZ ", 2026, 1, 1, 0, 0, 0, b"acsp")
    head += bytes(68 - len(head)) + struct.pack(">3i", 0xF6D6, 0x10000, 0xD32D)
    return head + bytes(128 - len(head)) + struct.pack(">I", len(tags)) + table + body


def gamma_tag(gamma):
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))


def table_tag(entries):
    return b"curv\0\0\0\0" + struct.pack(">I", len(entries)) + np.asarray(entries).astype(">u2").tobytes()


def primaries_of(icc):
    """The red, green and blue XYZ of a profile."""
    count = struct.unpack_from(">I", icc, 128)[0]
    tags = {icc[at : at + 4]: struct.unpack_from(">I", icc, at + 4)[0] for at in range(132, 132 + 12 * count, 12)}
    return [np.array(struct.unpack_from(">3i", icc, tags[name] + 8)) / 65536 for name in (b"rXYZ", b"gXYZ", b"bXYZ")]


def power(g):
    return lambda v: v**g, lambda light: np.clip(light, 0, 1) ** (1 / g)


def footed(decode, encode, foot, slope):
    """A power with a straight foot up to the encoded value `foot`."""

    def forth(v):
        return np.where(v < foot, v / slope, decode(v))

    def back(light):
        light = np.clip(light, 0, 1)
        return np.where(light < foot / slope, light * slope, encode(light))

    return forth, back


def tabled(entries):
    light = entries / 65535
    steps = np.linspace(0, 1, len(light))
    return lambda v: np.interp(v, steps, light), lambda value: np.interp(value, light, steps)


BETA, ALPHA = 0.018053968510807, 1.09929682680944
SRGB = footed(lambda v: ((v + 0.055) / 1.055) ** 2.4, lambda v: 1.055 * v ** (1 / 2.4) - 0.055, 0.04045, 12.92)
REC2020 = footed(
    lambda v: ((v + ALPHA - 1) / ALPHA) ** (1 / 0.45), lambda v: ALPHA * v**0.45 - (ALPHA - 1), 4.5 * BETA, 4.5
)
ROMM = footed(lambda v: v**1.8, lambda v: v ** (1 / 1.8), 16 / 512, 16)
A98 = power(563 / 256)


class Known:
    """A profile: what our tool calls it, its bytes, its three curves, and whether Little CMS follows them exactly."""

    def __init__(self, word, icc, curves, exactly):
        self.word, self.icc, self.curves, self.exactly = word, icc, curves, exactly
        self.linear = version_2([b"curv\0\0\0\0\0\0\0\0"] * 3, primaries_of(icc))

    def light(self, encoded):
        return np.stack([decode(encoded[:, c]) for c, (decode, _) in enumerate(self.curves)], axis=1)

    def encoded(self, light):
        return np.stack([encode(light[:, c]) for c, (_, encode) in enumerate(self.curves)], axis=1)

    def to(self, target, encoded):
        """Encoded values to the target's, clipped to 0..1."""
        source = (self.icc, encoded) if self.exactly else (self.linear, self.light(encoded))
        if target.exactly:
            return np.clip(theirs(source[0], target.icc, source[1]), 0, 1)
        return target.encoded(theirs(source[0], target.linear, source[1]))


def named():
    curves = dict(zip(NAMES, [SRGB, SRGB, A98, REC2020, ROMM]))
    return {name: Known(name, run("profile", name).stdout, [curve] * 3, curve is A98) for name, curve in curves.items()}


def foreign(folder):
    """Profiles not written by Platewright: version 4 by Little CMS, version 2 built here."""
    wide = [[0.61, 0.31, 0.02], [0.2, 0.63, 0.07], [0.1542, 0.06, 0.7349]]
    narrow = [[0.4361, 0.2225, 0.0139], [0.3851, 0.7169, 0.0971], [0.1431, 0.0606, 0.7141]]
    space = {"whitepoint": D65, "primaries": SRGB_XY}
    gammas = [2.2, 2.1, 2.3]

    def table(decode, size):
        return (decode(np.linspace(0, 1, size)) * 65535 + 0.5).astype("u2")

    def lightness(v):
        return np.where(v > 0.08, ((v + 0.16) / 1.16) ** 3, v / 9.033)

    coarse, fine = table(SRGB[0], 1024), table(SRGB[0], 4096)
    mixed = [table(lightness, size) for size in (257, 1025, 4096)]
    straight = b"curv\0\0\0\0\0\0\0\0"
    made = {
        "v4-srgb": (cms_profile("srgb"), [SRGB] * 3, False),
        "v4-gamma": (cms_profile("rgb", **space, gamma=1.8), [power(1.8)] * 3, True),
        "v4-table": (cms_profile("rgb", **space, transferfunction=fine), [tabled(fine)] * 3, False),
        "v2-gamma": (version_2(map(gamma_tag, gammas), wide), [power(round(g * 256) / 256) for g in gammas], True),
        "v2-table": (version_2([table_tag(coarse)] * 3, narrow), [tabled(coarse)] * 3, False),
        "v2-mixed": (version_2(map(table_tag, mixed), wide), list(map(tabled, mixed)), False),
        "v2-linear": (version_2([straight] * 3, narrow), [power(1)] * 3, True),
    }
    for name, (icc, *_) in made.items():
        (folder / name).write_bytes(icc)
    return {name: Known(folder / name, *parts) for name, parts in made.items()}


def colours():
    """Code triples: random ones, every mix of edge codes, the grey ramp, and nearly grey ones."""
    random = np.random.default_rng(7)
    edges = [0, 1, 2, 100, 255, 257, 4096, 32767, 32768, 65278, 65534, 65535]
    grey = np.repeat(np.arange(0, 65536, 13), 3).reshape(-1, 3)
    near = np.clip(grey + random.integers(-300, 301, grey.shape), 0, 65535)
    mixes = np.array(list(itertools.product(edges, repeat=3)))
    return np.concatenate([random.integers(0, 65536, (30000, 3)), mixes, grey, near]).astype("<u2")


def compare_pairs(profiles):
    codes = colours()
    worst = 0.0
    for (a, source), (b, target) in itertools.product(profiles.items(), repeat=2):
        wanted = source.to(target, codes / 65535)
        for working in dict.fromkeys([source.word, "rec2020"]):
            found = ours("codes", source.word, target.word, working, codes).reshape(-1, 3) / 65535
            name = f"{a} to {b}" + ("" if working == source.word else " through rec2020")
            lights = target.light(found), target.light(wanted)
            worst = max(worst, within(name, found * 65535, wanted * 65535, LIMIT, lights))
    print(f"{len(profiles)} RGB profiles, all pairs, {len(codes)} colours: at most {worst:.3f} codes of 65535")
    print(f"{tally['excused']} of {tally['samples']} samples are further off and equal as light in single precision")


def compare_gray(folder):
    made = cms_profile("gray", whitepoint=D65, gamma=1.8)
    (folder / "gray").write_bytes(made)
    grays = {"gray": ("gray", run("profile", "gray").stdout), "v4-gray": (folder / "gray", made)}
    codes, ramp = colours(), np.arange(65536, dtype="<u2")
    for name in NAMES:
        icc = run("profile", name).stdout
        for gray, (path, gray_icc) in grays.items():
            wanted = theirs(icc, gray_icc, codes / 65535, ("rgb", "gray"))
            found = ours("codes", name, path, name, codes).astype(float)
            within(f"{name} to {gray}", found, np.clip(wanted, 0, 1).ravel() * 65535, LIMIT)
            wanted = theirs(gray_icc, icc, ramp / 65535, ("gray", "rgb"))
            found = ours("codes", path, name, name, ramp).reshape(-1, 3).astype(float)
            within(f"{gray} to {name}", found, np.clip(wanted, 0, 1) * 65535, LIMIT)


def compare_whole(profiles):
    """Against Little CMS alone, which takes the named profiles' curves with rounded parameters."""
    codes = colours()
    for (a, source), (b, target) in itertools.product(profiles.items(), repeat=2):
        wanted = np.clip(theirs(source.icc, target.icc, codes / 65535), 0, 1)
        found = ours("codes", source.word, target.word, source.word, codes).reshape(-1, 3) / 65535
        lights = target.light(found), target.light(wanted)
        within(f"{a} to {b} by Little CMS alone", found * 65535, wanted * 65535, LIMIT, lights, ROUNDED_LIGHT)


def compare_floats(profiles):
    """Float samples: within a tenth of a code, where the target's range holds them."""
    samples = np.random.default_rng(8).random((20000, 3)).astype("<f4")
    for (a, source), (b, target) in itertools.product(profiles.items(), repeat=2):
        wanted = source.to(target, samples.astype(float))
        inside = (wanted > 0) & (wanted < 0.9999)
        found = ours("floats", source.word, target.word, source.word, samples).reshape(-1, 3)
        found, wanted = [np.where(inside, values, 0.5).astype(float) for values in (found, wanted)]
        lights = target.light(found), target.light(wanted)
        within(f"floats {a} to {b}", found * 65535, wanted * 65535, 0.1, lights)


def made_by_others(folder):
    """What another program writes is read, or refused by name."""
    for name, icc, word in [
        ("Pillow's sRGB", ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(), None),
        ("Pillow's Lab", ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes(), "abst"),
        ("Little CMS's XYZ", cms_profile("xyz"), "abst"),
        ("Little CMS's null", cms_profile("null"), "B2A0"),
    ]:
        (folder / "made").write_bytes(icc)
        result = run("profile", folder / "made")
        if word is None:
            check(name, result.stdout == icc, result.stderr.decode())
        else:
            said = result.stderr.decode()
            check(name, result.returncode != 0 and word in said, said)


def read_by_others():
    """Little CMS reads our profiles, sees a matrix, and finds white and the name."""
    for name in [*NAMES, "gray"]:
        icc = run("profile", name).stdout
        read = ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile
        check(f"{name} version", abs(read.version - 4.3) < 0.01, read.version)
        check(f"{name} name", read.profile_description not in (None, ""), read.profile_description)
        white = read.media_white_point[0]
        check(f"{name} white", np.allclose(white, [0.9642, 1, 0.8249], atol=2e-5), white)
        if name != "gray":
            check(f"{name} matrix", read.is_matrix_shaper, "not a matrix and curves")
        again = run("profile", name).stdout
        check(f"{name} bytes", again == icc, "differ from run to run")


with tempfile.TemporaryDirectory() as scratch:
    folder = pathlib.Path(scratch)
    compare_pairs(named() | foreign(folder))
    compare_whole(named())
    compare_gray(folder)
    compare_floats(named())
    made_by_others(folder)
    read_by_others()
print(f"{passed} passed, {failed} failed")
raise SystemExit(failed != 0)
