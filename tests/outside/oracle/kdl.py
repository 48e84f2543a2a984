"""A scene dictionary written down: the KDL text, and the TIFF files it names."""

from pathlib import Path

import numpy as np
import tifffile

ORIENTATION = 274

# The stored raster that TIFF 6.0's Orientation turns into the picture meant.
STORED = {
    1: lambda v: v,
    2: lambda v: v[:, ::-1],
    3: lambda v: v[::-1, ::-1],
    4: lambda v: v[::-1],
    5: lambda v: v.swapaxes(0, 1),
    6: lambda v: np.rot90(v, 1),
    7: lambda v: v[::-1, ::-1].swapaxes(0, 1),
    8: lambda v: np.rot90(v, -1),
}


def write_picture(path, picture):
    """A frame, plate or painted mask as a TIFF of the layout the dictionary asks for."""
    codes = np.ascontiguousarray(STORED[picture.get("orientation", 1)](picture["codes"]))
    gray = codes.ndim == 2 or codes.shape[2] < 3
    options = {"photometric": "minisblack" if gray else "rgb"}
    if codes.ndim == 3 and codes.shape[2] in (2, 4):
        options["extrasamples"] = ["assocalpha" if picture["alpha"] == "associated" else "unassalpha"]
        options["planarconfig"] = "contig"
    elif codes.ndim == 3 and codes.shape[2] == 1:
        codes = codes[..., 0]
    if picture.get("icc"):
        options["iccprofile"] = picture["icc"]
    if picture.get("orientation", 1) != 1:
        options["extratags"] = [(ORIENTATION, "H", 1, picture["orientation"], True)]
    path.parent.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(path, codes, metadata=None, **picture.get("layout", {}), **options)


def number(value):
    value = float(value)
    return str(int(value)) if value.is_integer() else repr(value)


def numbers(values):
    return " ".join(number(v) for v in values)


def points(values):
    return '"' + " ".join(f"{number(x)},{number(y)}" for x, y in values) + '"'


class Writer:
    """Collects lines and the files they name."""

    def __init__(self, folder):
        self.folder = Path(folder)
        self.lines = []
        self.depth = 0
        self.files = 0

    def line(self, text):
        self.lines.append("    " * self.depth + text)

    def block(self, head, write):
        self.line(head + " {")
        self.depth += 1
        write()
        self.depth -= 1
        self.line("}")

    def file(self, picture):
        self.files += 1
        name = f"frames/{self.files:02}.tif"
        write_picture(self.folder / name, picture)
        return name

    def source(self, source):
        kind = source["kind"]
        feather = f" feather={number(source['feather'])}" if source.get("feather") else ""
        rule = f' rule="{source["rule"]}"' if source.get("rule") else ""
        if kind == "all":
            self.line("all" + feather)
        elif kind in ("rect", "ellipse", "luminance"):
            self.line(f"{kind} {numbers(source['values'])}{feather}")
        elif kind == "polygon":
            self.line(f"polygon {points(source['points'])}{rule}{feather}")
        elif kind == "path":
            self.line(f'path "{source["data"]}"{rule}{feather}')
        elif kind == "line":
            cap = f' cap="{source["cap"]}"' if source.get("cap") else ""
            self.line(f"line {points(source['points'])} width={number(source['width'])}{cap}{feather}")
        elif kind == "mask":
            self.line(f'mask "{source["name"]}"{feather}')
        else:
            channel = f' channel="{source["channel"]}"' if source.get("channel") else ""
            name = self.file({"codes": source["codes"], "alpha": "unassociated", "icc": source.get("icc")})
            at = f" {{ at {numbers(source['at'])} }}" if "at" in source else ""
            self.line(f'image "{name}"{channel}{feather}{at}')

    def body(self, steps):
        for name, value in steps:
            if name in ("keep", "within", "cut"):
                self.block(name, lambda: [self.source(source) for source in value])
            elif name == "invert":
                self.line("invert")
            else:
                self.line(f"{name} {numbers(value if name == 'ramp' else [value])}")

    def nodes(self, nodes):
        for name, value in nodes.items():
            if value is False:
                self.line(f"{name} #false")
            elif name == "mask":
                self.block("mask", lambda: self.body(value))
            elif name == "correct":
                self.correct(value)
            elif name in ("flip", "resample", "behind"):
                self.line(f'{name} "{value}"')
            else:
                self.line(f"{name} {numbers(value if isinstance(value, tuple) else [value])}")

    def correct(self, value):
        def write():
            for name, amount in value.items():
                self.line(f"{name} {numbers(amount if isinstance(amount, tuple) else [amount])}")

        self.block("correct", write)

    def props(self, props):
        text = ""
        for name, value in props.items():
            if isinstance(value, bool):
                text += f" {name}=#{str(value).lower()}"
            else:
                text += f' {name}="{value}"' if isinstance(value, str) else f" {name}={number(value)}"
        return text

    def member(self, member):
        off = " off=#true" if member.get("off") else ""
        head = f'{member["kind"]} "{member["name"]}"{self.props(member["props"])}{off}'

        def write():
            if member["kind"] == "element":
                self.line(f'frame "{self.file(member["frame"])}"')
            if member.get("each"):
                self.block("each", lambda: self.nodes(member["each"]))
            self.nodes(member["nodes"])
            for child in member.get("members", ()):
                self.member(child)

        self.block(head, write)

    def output(self, output):
        def write():
            self.line(f'file "out/{output["name"]}.tif"')
            self.line("depth 16")
            for name in ("profile", "compression", "background"):
                if name in output:
                    self.line(f'{name} "{output[name]}"')
            crop = output.get("crop")
            if crop and "values" in crop:
                self.line(f"crop {numbers(crop['values'])}")
            elif crop:
                inner = f" centre {numbers(crop['centre'])};" if "centre" in crop else ""
                inner += f" zoom {number(crop['zoom'])}" if "zoom" in crop else ""
                ratio = ":".join(number(v) for v in crop["ratio"])
                self.line(f'crop "{ratio}"' + (f" {{ {inner.strip().rstrip(';')} }}" if inner else ""))
            if "correct" in output:
                self.correct(output["correct"])
            for path in output.get("hide", ()):
                self.line(f'hide "{path}"')
            for path in output.get("show", ()):
                self.line(f'show "{path}"')
            for change in output.get("changes", ()):
                self.block(f'change "{change["path"]}"{self.props(change.get("props", {}))}', lambda: self.change(change))
            if "member" in output:
                self.line(f'member "{output["member"]}"')

        self.block(f'output "{output["name"]}"', write)

    def change(self, change):
        self.nodes(change.get("nodes", {}))
        if "nudge" in change:
            self.line(f"nudge {numbers(change['nudge'])}")

    def scene(self, scene):
        self.line(f'scene "{scene["name"]}" language=1')
        if "plate" in scene:
            self.line(f'plate "{self.file(scene["plate"])}"')
        if "canvas" in scene:
            x, y, w, h = scene["canvas"]
            self.line(f"canvas {numbers((w, h) if (x, y) == (0, 0) else (x, y, w, h))}")
        for name in ("extend", "backdrop", "working"):
            if name in scene:
                self.line(f'{name} "{scene[name]}"')
        if "correct" in scene:
            self.correct(scene["correct"])
        for mask in scene.get("masks", ()):
            self.block(f'mask "{mask["name"]}"', lambda: self.body(mask["body"]))
        if scene.get("each"):
            self.block("each", lambda: self.nodes(scene["each"]))
        for member in scene["members"]:
            self.member(member)
        for output in scene["outputs"]:
            self.output(output)
        (self.folder / "scene.kdl").write_text("\n".join(self.lines) + "\n", encoding="utf-8")


def write(scene, folder):
    """Writes `scene.kdl` and its frames into a folder."""
    Writer(folder).scene(scene)
