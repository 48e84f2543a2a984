"""Small random scenes from a seed. Numbers have few digits, so that the text and the dictionary say the same.

Every 17 seeds the first element meets every blend mode, every 5 every kernel, every 4 every kind of ground.
"""

import numpy as np

from . import icc
from .maps import KERNELS
from .modes import ALL_MODES

KERNEL_NAMES = list(KERNELS)
SEPARATE = [mode for mode in ALL_MODES if mode not in ("normal", "plus-lighter")]


def sampled_srgb(count):
    values = np.round(icc.srgb_decode(np.arange(count) / (count - 1)) * 65535).astype(int)
    return ("curv", [int(v) for v in values])


def profiles():
    """Bytes by name; `plate` ones have curves that can be turned round everywhere."""
    rgb = lambda version, curve, space: icc.profile_bytes(version, [curve] * 3, space)
    plate = [
        rgb(4, icc.SRGB_CURVE, "srgb"),
        rgb(2, sampled_srgb(1024), "srgb"),
        rgb(4, icc.SRGB_CURVE, "display-p3"),
        rgb(2, ("curv", [0x0233]), "a98-rgb"),
        rgb(2, ("curv", [0x01CD]), "romm"),
        rgb(4, icc.BT2020_CURVE, "rec2020"),
        rgb(4, ("para", 4, (2.1, 0.9, 0.1, 0.34664, 0.05, 0.0, 0.0)), "rec2020"),
        rgb(4, ("para", 0, (2.0,)), "wide"),
    ]
    frame = plate + [
        rgb(4, ("curv", []), "display-p3"),
        rgb(4, ("para", 1, (2.2, 1.0, 0.0)), "srgb"),
        rgb(4, ("para", 2, (2.0, 0.9, 0.05, 0.03)), "rec2020"),
    ]
    gray = [icc.profile_bytes(2, [("curv", [0x0233])]), icc.profile_bytes(4, [icc.SRGB_CURVE])]
    return plate, frame, gray


PLATE_PROFILES, FRAME_PROFILES, GRAY_PROFILES = profiles()


class Maker:
    def __init__(self, seed):
        self.seed = seed
        self.random = np.random.default_rng(seed)
        self.elements = 0

    # Small draws.

    def chance(self, share):
        return self.random.random() < share

    def pick(self, values):
        return values[self.random.integers(len(values))]

    def between(self, low, high, digits=2):
        return round(float(self.random.uniform(low, high)), digits)

    def whole(self, low, high):
        return int(self.random.integers(low, high + 1))

    # Pictures.

    def field(self, width, height, channels):
        """Waves, flat patches and grain, touching 0 and 1."""
        ys, xs = np.mgrid[0:height, 0:width]
        picture = np.zeros((height, width, channels))
        for channel in range(channels):
            for _ in range(3):
                fx, fy, phase = self.random.uniform(-0.35, 0.35, 2).tolist() + [self.random.uniform(0, 6)]
                picture[..., channel] += np.sin(fx * xs + fy * ys + phase) / 4
        picture += self.random.uniform(0.3, 0.7, channels) + self.random.normal(0, 0.02, picture.shape)
        for _ in range(2):
            x, y = self.whole(0, width - 6), self.whole(0, height - 6)
            picture[y : y + 12, x : x + 9] = self.random.uniform(0, 1, channels)
        return np.clip(picture, 0, 1)

    def codes(self, values, sample):
        if sample == "f4":
            return values.astype(np.float32)
        most = np.iinfo(sample).max
        return np.floor(values * most + 0.5).astype(sample)

    def frame(self, plate=False):
        width, height = self.whole(24, 60), self.whole(24, 60)
        if plate:
            width, height = self.whole(40, 70), self.whole(40, 70)
        gray = self.chance(0.1)
        alpha = "none" if plate else self.pick(["none", "none", "unassociated", "associated"])
        sample = self.pick(["u2", "u2", "u2", "u1", "f4"])
        profile = self.pick(GRAY_PROFILES if gray else PLATE_PROFILES if plate else FRAME_PROFILES)
        values = self.field(width, height, 1 if gray else 3)
        codes = self.codes(values, sample)
        if alpha != "none":
            soft = np.clip(self.field(width, height, 1) * 2.4 - 0.7, 0, 1)
            matte = self.codes(soft, sample)
            if alpha == "associated":
                share = matte / (1 if sample == "f4" else np.iinfo(sample).max)
                codes = (codes * share).astype(codes.dtype) if sample == "f4" else np.floor(codes * share).astype(sample)
            codes = np.concatenate([codes, matte], axis=-1)
        layout = self.pick([{}, {"compression": "deflate", "rowsperstrip": 7}, {"tile": (16, 16)}, {"compression": "lzw"}])
        orientation = self.whole(2, 8) if self.chance(0.15) else 1
        return {"codes": codes, "icc": profile, "alpha": alpha, "orientation": orientation, "layout": layout}

    # Masks.

    def spot(self, box, margin=6):
        x, y, w, h = box
        return self.between(x - margin, x + w + margin), self.between(y - margin, y + h + margin)

    def source(self, box, in_frame):
        kinds = ["rect", "ellipse", "polygon", "polygon", "path", "line", "image", "image", "all"]
        kinds += ["luminance"] if in_frame else ["mask"] if self.mask_names else []
        kind = self.pick(kinds)
        x, y, w, h = box
        made = {"kind": kind}
        if kind == "rect":
            left, top = self.between(x - 4, x + w / 2), self.between(y - 4, y + h / 2)
            made["values"] = (left, top, self.between(6, w), self.between(6, h))
        elif kind == "ellipse":
            cx, cy = self.between(x + w / 4, x + 3 * w / 4), self.between(y + h / 4, y + 3 * h / 4)
            made["values"] = (cx, cy, self.between(5, w / 2), self.between(5, h / 2))
        elif kind == "polygon":
            made["points"] = [self.spot(box) for _ in range(self.whole(3, 7))]
            if self.chance(0.4):
                made["rule"] = "evenodd"
        elif kind == "path":
            p = [self.spot(box, 2) for _ in range(7)]
            words = ["M", p[0], "L", p[1], "C", p[2], p[3], p[4], "Q", p[5], p[6], "Z"]
            made["data"] = " ".join(v if isinstance(v, str) else f"{v[0]!r} {v[1]!r}" for v in words)
            if self.chance(0.4):
                made["rule"] = "evenodd"
        elif kind == "line":
            made["points"] = [self.spot(box, 0) for _ in range(self.whole(2, 4))]
            # Where a segment is shorter than the pen is wide, what a join may hide is nowhere said.
            lengths = np.hypot(*np.diff(made["points"], axis=0).T)
            made["width"] = min(self.between(2, 14), max(0.5, round(float(lengths.min()) - 0.01, 2)))
            if self.chance(0.3):
                made["cap"] = "butt"
        elif kind == "image":
            made.update(self.painted(w, h))
            if self.chance(0.5) or (x, y) != (0, 0):
                made["at"] = (x + self.whole(-8, 8), y + self.whole(-8, 8))
        elif kind == "luminance":
            low = self.between(0, 0.4)
            made["values"] = (low, round(low + self.between(0.2, 0.6), 2))
        elif kind == "mask":
            made["name"] = self.pick(self.mask_names)
        if self.chance(0.15):
            made["feather"] = self.between(0.4, 3)
        return made

    def painted(self, width, height):
        kind = self.pick(["gray", "gray", "channel", "alpha"])
        sample = self.pick(["u1", "u2"])
        soft = lambda channels: self.codes(np.clip(self.field(width, height, channels) * 2 - 0.4, 0, 1), sample)
        if kind == "gray":
            return {"codes": soft(1)[..., 0]}
        channel = "alpha" if kind == "alpha" else self.pick(["red", "green", "blue"])
        return {"codes": soft(4 if kind == "alpha" else 3), "channel": channel, "icc": PLATE_PROFILES[0]}

    def body(self, box, in_frame):
        sources = lambda most: [self.source(box, in_frame) for _ in range(self.whole(1, most))]
        steps = [("keep", sources(2))]
        for _ in range(self.whole(0, 3)):
            kind = self.pick(["keep", "within", "cut", "cut", "feather", "dilate", "erode", "ramp", "invert"])
            if kind in ("keep", "within", "cut"):
                steps.append((kind, sources(2)))
            elif kind == "ramp":
                low = self.between(-0.2, 0.2)
                steps.append(("ramp", (low, round(low + self.between(0.9, 1.4), 2))))
            elif kind == "invert":
                steps.append(("invert", None))
            else:
                steps.append((kind, self.between(0.3, 3)))
        return steps

    # Treatment.

    def correct(self):
        made = {}
        options = {
            "exposure": lambda: self.between(-1.5, 1),
            "gain": lambda: tuple(self.between(0.5, 1.6) for _ in range(3)),
            "mired": lambda: self.between(-100, 90),
            "saturate": lambda: self.between(0.2, 1.8),
            "hue-rotate": lambda: self.between(-180, 180),
        }
        for name in self.random.permutation(list(options))[: self.whole(1, 3)]:
            made[str(name)] = options[str(name)]()
        return made

    def placement(self, kind, canvas, size):
        """Nodes of one kind of placement; `size` is what is placed, None for a group."""
        x, y, w, h = canvas
        if size:
            where = lambda digits: (
                self.between(x - size[0] / 3, x + w - size[0] / 2, digits),
                self.between(y - size[1] / 3, y + h - size[1] / 2, digits),
            )
        else:
            where = lambda digits: (self.between(-8, 8, digits), self.between(-8, 8, digits))
        nodes = {}
        if kind != "none":
            nodes["offset"] = where(0 if kind in ("whole", "copy") else 3)
        if kind == "copy":
            nodes["rotate"] = self.pick([0.0, 90.0, 180.0, 270.0, -90.0, 450.0])
            if self.chance(0.5):
                nodes["flip"] = self.pick(["horizontal", "vertical"])
            middle = self.whole(10, 30)
            nodes["pivot"] = (middle + 0.5, self.whole(10, 30) + 0.5) if self.chance(0.5) else (middle, middle)
        if kind in ("turn", "every"):
            nodes["rotate"] = self.between(-180, 180)
        if kind in ("up", "down", "uneven", "every"):
            low, high = {"up": (1.05, 2.2), "down": (0.3, 0.95)}.get(kind, (0.5, 1.7))
            nodes["scale"] = (self.between(low, high, 3),)
            if kind in ("uneven", "every"):
                nodes["scale"] = (self.between(low, high, 3), self.between(low, high, 3))
        if kind == "every" and self.chance(0.5):
            nodes["flip"] = self.pick(["horizontal", "vertical"])
        if kind in ("turn", "up", "down", "uneven", "every") and self.chance(0.6):
            nodes["pivot"] = self.spot(canvas if size is None else (0, 0, *size))
        return nodes

    def mixing(self, first=False):
        props = {}
        mode = ALL_MODES[self.seed % len(ALL_MODES)] if first else self.pick(ALL_MODES + ["normal"] * 12)
        if first or mode != "normal":
            props["blend"] = mode
        if mode in SEPARATE and self.chance(0.35):
            props["in"] = "encoded"
        if self.chance(0.4):
            props["opacity"] = self.between(0.15, 1)
        if self.chance(0.4):
            props["order"] = self.whole(-3, 5)
        return props

    def element(self, scene, name):
        first = self.elements == 0
        kinds = ["none", "whole", "fraction", "copy", "turn", "up", "down", "uneven", "every"]
        kind = kinds[(self.seed + self.elements * 5) % len(kinds)]
        self.elements += 1
        frame = self.frame()
        height, width = frame["codes"].shape[:2]
        nodes = self.placement(kind, self.canvas, (width, height))
        # In a scene with a plate the mask an element has without one is not a drawn one.
        if self.chance(0.6):
            nodes["mask"] = self.body((0, 0, width, height), in_frame=True)
        elif "plate" in scene:
            nodes["mask"] = [("keep", [{"kind": "all"}])]
        if first or self.chance(0.5):
            nodes["resample"] = KERNEL_NAMES[self.seed % 5] if first else self.pick(KERNEL_NAMES)
        if self.chance(0.3):
            nodes["correct"] = self.correct()
        if self.mask_names and self.chance(0.25):
            nodes["behind"] = self.pick(self.mask_names)
        return {"kind": "element", "name": name, "props": self.mixing(first), "frame": frame, "nodes": nodes}

    def group(self, scene, name, depth):
        props, nodes = {}, {}
        if self.chance(0.6):
            kind = self.pick(["whole", "fraction", "copy", "turn", "up", "down", "every"])
            nodes = self.placement(kind, self.canvas, None)
        group = {"kind": "group", "name": name, "props": props, "nodes": nodes}
        if self.chance(0.6):
            props.update(self.mixing())
            if self.chance(0.3):
                props["isolate"] = True
            if self.chance(0.4):
                nodes["mask"] = self.body(self.canvas, in_frame=False)
            if self.chance(0.3):
                nodes["correct"] = self.correct()
        elif self.chance(0.5):
            props["order"] = self.whole(-3, 5)
        if self.chance(0.3):
            group["each"] = self.treatment()
        group["members"] = self.members(scene, self.whole(1, 3), depth + 1)
        return group

    def treatment(self):
        made = {}
        if self.chance(0.5):
            made["resample"] = self.pick(KERNEL_NAMES)
        if self.chance(0.4) or not made:
            made["correct"] = self.correct()
        if self.chance(0.2):
            made["rotate"] = self.between(-40, 40)
        return made

    def opposed(self, scene, name):
        """An element turned one way in a group turned the other way about the same point: nothing moves."""
        degrees, pivot = self.between(5, 60), (self.whole(10, 30), self.whole(10, 30))
        element = self.element(scene, "turned")
        element["nodes"] = {k: v for k, v in element["nodes"].items() if k not in ("offset", "scale", "flip")}
        element["nodes"].update(rotate=degrees, pivot=pivot)
        nodes = {"rotate": -degrees, "pivot": pivot}
        return {"kind": "group", "name": name, "props": {}, "nodes": nodes, "members": [element]}

    def members(self, scene, count, depth):
        made = []
        for k in range(count):
            if depth == 0 and k == 1 and self.seed % 10 == 3:
                made.append(self.opposed(scene, f"pair{k}"))
            elif depth < 3 and self.chance(0.45 if depth else 0.4) and not (depth == 0 and k == 0):
                made.append(self.group(scene, f"g{k}", depth))
            else:
                made.append(self.element(scene, f"e{k}"))
        return made

    # Outputs.

    def paths(self, members, before=""):
        for member in members:
            path = before + member["name"]
            yield path, member, before
            if member["kind"] == "group":
                yield from self.paths(member["members"], path + "/")

    def output(self, scene, name):
        made = {"name": name}
        x, y, w, h = self.canvas
        paths = list(self.paths(scene["members"]))
        if self.chance(0.4):
            left, top = self.whole(0, w // 2), self.whole(0, h // 2)
            made["crop"] = {"values": (x + left, y + top, self.whole(8, w - left), self.whole(8, h - top))}
        elif self.chance(0.4):
            made["crop"] = {"ratio": self.pick([(4, 5), (1, 1), (16, 9), (2.39, 1)])}
            if self.chance(0.6):
                made["crop"]["centre"] = (self.between(x, x + w), self.between(y, y + h))
            if self.chance(0.5):
                made["crop"]["zoom"] = self.between(1, 2.5)
        if self.chance(0.3):
            made["profile"] = self.pick(["srgb", "display-p3", "a98-rgb", "rec2020"])
        if self.chance(0.3):
            made["compression"] = self.pick(["none", "lzw", "deflate"])
        if self.chance(0.25):
            made["correct"] = self.correct()
        if self.chance(0.2):
            made["background"] = "#%06x" % self.whole(0, 0xFFFFFF)
        kind = self.pick(["plain", "member", "hide", "change", "change"])
        path, member, before = paths[self.whole(0, len(paths) - 1)]
        # What groups around it would do to a member alone is not asked here: only plain ones stand around it.
        around = [m for p, m, _ in paths if before.startswith(p + "/")]
        if kind == "member" and not any(self.is_isolated(m) or m.get("off") for m in around) and not member.get("off"):
            made["member"] = path
        elif kind == "hide":
            made["show" if member.get("off") else "hide"] = [path]
        elif kind == "change":
            change = {"path": path}
            if self.chance(0.6):
                change["nudge"] = (self.between(-6, 6), self.between(-6, 6))
            if self.chance(0.4):
                change["props"] = {"opacity": self.between(0.1, 1)}
            if self.chance(0.4):
                change["nodes"] = {"rotate": self.between(-30, 30)}
            if self.chance(0.2) and "correct" in member["nodes"]:
                change.setdefault("nodes", {})["correct"] = False
            if len(change) > 1:
                made["changes"] = [change]
        return made

    def is_isolated(self, group):
        props, nodes = group["props"], group["nodes"]
        changed = props.get("opacity", 1) != 1 or props.get("blend", "normal") != "normal"
        return changed or props.get("isolate") or "mask" in nodes or "correct" in nodes

    def scene(self):
        scene = {"name": f"seed-{self.seed}"}
        ground = self.seed % 4
        if ground in (0, 3):
            scene["plate"] = self.frame(plate=True)
            height, width = scene["plate"]["codes"].shape[:2]
            self.canvas = (0, 0, width, height)
            if ground == 3:
                left, top = self.whole(0, 12), self.whole(0, 12)
                self.canvas = (-left, -top, width + left + self.whole(-6, 10), height + top + self.whole(-6, 10))
                scene["canvas"] = self.canvas
                extend = self.pick([None, "reflect", "pad", "#5a7f31"])
                if extend:
                    scene["extend"] = extend
                if self.chance(0.4):
                    scene["backdrop"] = "#%06x" % self.whole(0, 0xFFFFFF)
            if self.chance(0.3):
                scene["working"] = self.pick(["srgb", "display-p3", "rec2020"])
        else:
            self.canvas = scene["canvas"] = (0, 0, self.whole(40, 70), self.whole(40, 70))
            if self.chance(0.2):
                scene["canvas"] = self.canvas = (self.whole(-9, 9), self.whole(-9, 9), *self.canvas[2:])
            if ground == 2:
                scene["backdrop"] = "#%06x" % self.whole(0, 0xFFFFFF)
            if self.chance(0.2):
                scene["working"] = self.pick(["srgb", "display-p3", "rec2020"])
        self.mask_names = []
        scene["masks"] = []
        for k in range(self.whole(0, 2)):
            scene["masks"].append({"name": f"m{k}", "body": self.body(self.canvas, in_frame=False)})
            self.mask_names.append(f"m{k}")
        if self.chance(0.25):
            scene["each"] = self.treatment()
        if self.chance(0.15):
            scene["correct"] = self.correct()
        scene["members"] = self.members(scene, self.whole(2, 4), 0)
        for _, member, _ in list(self.paths(scene["members"])):
            if self.elements > 2 and self.chance(0.07):
                member["off"] = True
        scene["outputs"] = [{"name": "master"}]
        for k in range(self.whole(0, 2)):
            scene["outputs"].append(self.output(scene, f"extra{k}"))
        return scene


def scene(seed):
    return Maker(seed).scene()
