"""Matrix/curve ICC profiles (ICC.1:2022, and version 2 as ICC.1:2001-04 had it): written byte by byte, read back, applied.

Curves: `curv` (identity, gamma, sampled) and `para` types 0 to 4. Everything relative to the D50 connection space.
"""

import struct

import numpy as np

D50 = np.array([0.9642, 1.0, 0.8249])

# Chromaticities r, g, b, white. IEC 61966-2-1; SMPTE RP 431-2 primaries with D65; ITU-R BT.2020; ISO 22028-2; CSS Color 4.
PRIMARIES = {
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), (0.3127, 0.3290)),
    "display-p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), (0.3127, 0.3290)),
    "rec2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046), (0.3127, 0.3290)),
    "a98-rgb": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), (0.3127, 0.3290)),
    "romm": ((0.734699, 0.265301), (0.159597, 0.840403), (0.036598, 0.000105), (0.345704, 0.358540)),
    "wide": ((0.70, 0.29), (0.18, 0.75), (0.14, 0.05), (0.3127, 0.3290)),
}

# The Bradford cone responses (ICC.1:2022 annex E).
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])

SRGB_CURVE = ("para", 3, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
BT2020_CURVE = ("para", 3, (1 / 0.45, 1 / 1.09929682680944, 0.09929682680944 / 1.09929682680944, 1 / 4.5, 0.0812428582986315))
# A standard's own numbers, rounded to what a file can hold, mean the standard.
STANDARDS = [SRGB_CURVE, BT2020_CURVE]


def xyz_of(xy):
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def adaptation(source, target):
    """XYZ to XYZ, from one white to another, by Bradford."""
    gains = (BRADFORD @ target) / (BRADFORD @ source)
    return np.linalg.inv(BRADFORD) @ np.diag(gains) @ BRADFORD


def matrix_of(name):
    """Linear RGB to XYZ D50 of a named space, unrounded."""
    red, green, blue, white = PRIMARIES[name]
    columns = np.stack([xyz_of(red), xyz_of(green), xyz_of(blue)], axis=1)
    native = columns * np.linalg.solve(columns, xyz_of(white))
    return adaptation(xyz_of(white), D50) @ native


def stored(matrix):
    """The matrix as a profile holds it, which is what a named space means here: s15Fixed16 numbers whose rows add up to
    D50, so that white stays white. Where rounding spoils a sum, the number rounded furthest gives way."""
    exact = matrix * 65536
    rounded = np.round(exact)
    for row, wanted, white in zip(rounded, exact, np.round(D50 * 65536)):
        step = np.sign(row.sum() - white)
        while row.sum() != white:
            row[np.argmax(step * (row - wanted))] -= step
    return rounded / 65536


def fixed(value):
    """s15Fixed16Number."""
    return struct.pack(">i", int(round(value * 65536)))


def curve_bytes(curve):
    if curve[0] == "curv":
        values = curve[1]
        return b"curv\0\0\0\0" + struct.pack(">I", len(values)) + b"".join(struct.pack(">H", v) for v in values)
    kind, values = curve[1], curve[2]
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + b"".join(fixed(v) for v in values)


def text_tags(version, text):
    if version == 2:
        ascii_text = text.encode() + b"\0"
        desc = b"desc\0\0\0\0" + struct.pack(">I", len(ascii_text)) + ascii_text + b"\0" * (4 + 4 + 2 + 1 + 67)
        return desc, b"text\0\0\0\0" + b"no rights reserved\0"
    utf16 = text.encode("utf-16-be")
    mluc = b"mluc\0\0\0\0" + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(utf16), 28) + utf16
    return mluc, mluc


def profile_bytes(version, curves, space=None):
    """A display profile of a named space's primaries: three curves and a matrix; or one curve (gray). The white it was
    measured under stands where its version puts it: in `wtpt`, or in `chad` beside a `wtpt` of D50."""
    xyz = lambda v: b"XYZ \0\0\0\0" + b"".join(fixed(c) for c in v)
    desc, rights = text_tags(version, f"oracle {space or 'gray'}")
    white = xyz_of(PRIMARIES[space or "srgb"][3])
    tags = [(b"desc", desc), (b"cprt", rights), (b"wtpt", xyz(white if version == 2 else D50))]
    if version == 4:
        chad = adaptation(white, D50).ravel()
        tags.append((b"chad", b"sf32\0\0\0\0" + b"".join(fixed(c) for c in chad)))
    matrix = None
    if space is None:
        tags.append((b"kTRC", curve_bytes(curves[0])))
    else:
        matrix = stored(matrix_of(space))
        for k, letter in enumerate(b"rgb"):
            tags.append((bytes([letter]) + b"XYZ", xyz(matrix[:, k])))
        for k, letter in enumerate(b"rgb"):
            tags.append((bytes([letter]) + b"TRC", curve_bytes(curves[k])))
    offset = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, data in tags:
        table += name + struct.pack(">II", offset + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    number = 0x02400000 if version == 2 else 0x04400000
    kind = b"RGB " if matrix is not None else b"GRAY"
    header = struct.pack(">I4sI4s4s4s", offset + len(body), b"\0\0\0\0", number, b"mntr", kind, b"XYZ ")
    header += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28
    header += b"".join(fixed(v) for v in D50)
    return header.ljust(128, b"\0") + table + body


class Curve:
    """Encoded 0..1 to linear, and back."""

    def __init__(self, data):
        self.kind = data[:4]
        if self.kind == b"curv":
            count = struct.unpack(">I", data[8:12])[0]
            self.table = np.array(struct.unpack(f">{count}H", data[12 : 12 + 2 * count]), float)
            self.gamma = 1.0 if count == 0 else self.table[0] / 256
        else:
            self.type = struct.unpack(">H", data[8:10])[0]
            count = (1, 3, 4, 5, 7)[self.type]
            self.values = np.array(struct.unpack(f">{count}i", data[12 : 12 + 4 * count])) / 65536
            for _, kind, exact in STANDARDS:
                if kind == self.type and np.array_equal(self.values, np.round(np.array(exact) * 65536) / 65536):
                    self.values = np.array(exact)

    def pieces(self):
        """g, a, b, c, d, e, f of the seven-parameter form: (aX + b)^g + e from d on, cX + f below it."""
        g, *rest = self.values
        if self.type == 0:
            return g, 1, 0, 0, -np.inf, 0, 0
        if self.type == 1:
            a, b = rest
            return g, a, b, 0, -b / a, 0, 0
        if self.type == 2:
            a, b, c = rest
            return g, a, b, 0, -b / a, c, c
        a, b, c, d, *more = rest
        e, f = more if more else (0, 0)
        return g, a, b, c, d, e, f

    def decode(self, x):
        if self.kind == b"curv":
            if len(self.table) > 1:
                return np.interp(x, np.linspace(0, 1, len(self.table)), self.table / 65535)
            return x if self.gamma == 1 else np.maximum(x, 0) ** self.gamma
        g, a, b, c, d, e, f = self.pieces()
        return np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, c * x + f)

    def encode(self, y):
        """The inverse, for clipped values."""
        if self.kind == b"curv":
            if len(self.table) > 1:
                return np.interp(y, self.table / 65535, np.linspace(0, 1, len(self.table)))
            return y if self.gamma == 1 else np.maximum(y, 0) ** (1 / self.gamma)
        g, a, b, c, d, e, f = self.pieces()
        upper = (np.maximum(y - e, 0) ** (1 / g) - b) / a
        if c == 0:
            return upper
        return np.where(y >= c * d + f, upper, (y - f) / c)


class Profile:
    """A profile as a reader finds it in a file: `curves`, and `matrix` to XYZ D50 (None for gray)."""

    def __init__(self, data):
        self.data = bytes(data)
        count = struct.unpack(">I", self.data[128:132])[0]
        tags = {}
        for k in range(count):
            name, offset, size = struct.unpack(">4sII", self.data[132 + 12 * k : 144 + 12 * k])
            tags[name] = self.data[offset : offset + size]
        if self.data[16:20] == b"GRAY":
            self.curves, self.matrix, self.from_d50 = [Curve(tags[b"kTRC"])], None, None
            return
        if b"chad" in tags:
            chad = np.array(struct.unpack(">9i", tags[b"chad"][8:44]), float).reshape(3, 3) / 65536
            self.from_d50 = np.linalg.inv(chad)
        else:
            white = np.array(struct.unpack(">3i", tags[b"wtpt"][8:20]), float) / 65536
            self.from_d50 = adaptation(D50, white)
        self.curves = [Curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC")]
        columns = [struct.unpack(">3i", tags[name][8:20]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
        self.matrix = np.array(columns, float).T / 65536

    def to_working(self, encoded, space):
        """Encoded straight colour (..., 3 or 1) to linear RGB of the working space."""
        if self.matrix is None:
            return np.repeat(self.curves[0].decode(encoded), 3, axis=-1)
        linear = np.stack([curve.decode(encoded[..., k]) for k, curve in enumerate(self.curves)], axis=-1)
        if np.array_equal(self.matrix, space.matrix):
            return linear
        return linear @ (np.linalg.inv(space.matrix) @ self.matrix).T

    def from_working(self, linear, space):
        """Linear RGB of the working space to encoded colour clipped to 0..1; gray is the Y of the connection space."""
        if self.matrix is None:
            light = np.clip(linear @ (space.matrix[1] / space.matrix[1].sum()), 0, 1)
            return np.repeat(self.curves[0].encode(light)[..., None], 3, axis=-1)
        if not np.array_equal(self.matrix, space.matrix):
            linear = linear @ (np.linalg.inv(self.matrix) @ space.matrix).T
        linear = np.clip(linear, 0, 1)
        encoded = [curve.encode(linear[..., k]) for k, curve in enumerate(self.curves)]
        return np.clip(np.stack(encoded, axis=-1), 0, 1)


class Space:
    """A working space: `matrix` to XYZ D50, and its luminance `weights`, seen under its own white."""

    def __init__(self, profile):
        self.matrix = profile.matrix
        y = (profile.from_d50 @ profile.matrix)[1]
        self.weights = y / y.sum()


def named_space(name):
    """A space by its name is that of a profile of this name."""
    return Space(Profile(profile_bytes(4, [SRGB_CURVE] * 3, name)))


def srgb_decode(v):
    """IEC 61966-2-1, with the constants of CSS Color 4."""
    v = np.asarray(v, float)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4)


def srgb_encode(v):
    """1.055 v^(1/2.4) - 0.055, written so that 1 gives 1 exactly: blend modes ask for it."""
    v = np.asarray(v, float)
    return np.where(v <= 0.0031308, v * 12.92, 1 + 1.055 * (np.maximum(v, 0) ** (1 / 2.4) - 1))


def hex_in(text, space):
    """`#rrggbb` in linear RGB of the working space."""
    encoded = np.array([int(text[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.linalg.inv(space.matrix) @ stored(matrix_of("srgb")) @ srgb_decode(encoded)
