"""One output of a scene, composited in double precision: the language's "element, step by step" and its rules.

A scene is a plain dictionary (see random_scenes). Pictures are premultiplied linear RGBA in the working space with a
fifth channel: the share that a drawn edge has (see masks).
"""

import copy

import numpy as np

from . import corrections, icc, maps, masks, modes

MOVE = 2.0**-22


class Steady:
    """Inputs as they are."""

    def raster(self, values):
        return values

    def picture(self, picture):
        return picture

    def placement(self, matrix):
        return matrix

    def finished(self, picture):
        return picture


class Moved:
    """Every input moved by at most 2^-22, up or down: pixel by pixel, or all pixels of a channel together. A placement
    moves too, by that part of a pixel, and so does the light that goes into the output's curve, which may rise without
    limit at black."""

    def __init__(self, seed, together):
        self.random = np.random.default_rng(seed)
        self.together = together

    def signs(self, shape):
        if self.together:
            shape = (1, 1, *shape[2:])
        return self.random.choice([-MOVE, MOVE], size=shape)

    def raster(self, values):
        return np.where((values > 0) & (values < 1), np.clip(values + self.signs(values.shape), 0, 1), values)

    def picture(self, picture):
        colour, alpha = modes.straight(picture), picture[..., 3:4]
        alpha = self.raster(alpha)
        colour = colour + self.signs(colour.shape) * np.maximum(1, np.abs(colour))
        return np.concatenate([colour * alpha, alpha], axis=-1)

    def placement(self, matrix):
        return maps.shift(*self.random.choice([-MOVE, MOVE], size=2)) @ matrix

    def finished(self, picture):
        colour = picture[..., :3] + self.signs(picture[..., :3].shape) * picture[..., 3:4]
        return np.concatenate([colour, picture[..., 3:]], axis=-1)


def decoded(frame, space):
    """A frame or plate as premultiplied RGBA (rule 6)."""
    codes = frame["codes"]
    values = codes / (1.0 if codes.dtype.kind == "f" else np.iinfo(codes.dtype).max)
    profile = icc.Profile(frame["icc"])
    count = 1 if profile.matrix is None else 3
    colour = values[..., :count].astype(float)
    if frame["alpha"] == "none":
        alpha = np.ones(codes.shape[:2] + (1,))
    else:
        alpha = values[..., count : count + 1].astype(float)
        if frame["alpha"] == "associated":
            colour = np.where(alpha > 0, colour / np.where(alpha > 0, alpha, 1), 0)
    linear = profile.to_working(colour, space)
    return np.concatenate([linear * alpha, alpha], axis=-1)


def mirrored(index, size):
    """SVG's reflect: ... 1 0 | 0 1 2 ... n-1 | n-1 n-2 ..."""
    index = np.mod(index, 2 * size)
    return np.where(index < size, index, 2 * size - 1 - index)


def computed_pivot(alpha):
    """Rule 9: the centre of the box of coverage >= 0.5 once rounded to 1/256, else the frame's centre."""
    height, width = alpha.shape
    rows, columns = np.nonzero(np.floor(alpha * 256 + 0.5) >= 128)
    if not len(rows):
        return width / 2, height / 2
    return (columns.min() + columns.max() + 1) / 2, (rows.min() + rows.max() + 1) / 2


def edited(scene, output):
    """The scene as one output changes it: hide, show, change, nudge."""
    scene = copy.deepcopy({k: v for k, v in scene.items() if k != "outputs"})

    def member(path):
        at = {"members": scene["members"]}
        for name in path.split("/"):
            at = next(m for m in at["members"] if m["name"] == name)
        return at

    for path in output.get("hide", ()):
        member(path)["off"] = True
    for path in output.get("show", ()):
        member(path)["off"] = False
    for change in output.get("changes", ()):
        target = member(change["path"])
        target["props"].update(change.get("props", {}))
        target["nodes"].update(change.get("nodes", {}))
        target["nudge"] = change.get("nudge", (0, 0))
    return scene


class Stack:
    def __init__(self, scene, output, inputs=None):
        self.scene = edited(scene, output)
        self.output = output
        self.inputs = inputs or Steady()
        plate = scene.get("plate")
        self.space = self.working_space(plate)
        size = plate["codes"].shape[1::-1] if plate else None
        self.canvas = scene.get("canvas") or (0, 0, *size)
        self.touched = np.zeros(self.canvas[:1:-1], bool)
        self.edges = np.zeros(self.canvas[:1:-1])

    def near(self, edges):
        self.edges = np.maximum(self.edges, edges)

    def working_space(self, plate):
        name = self.scene.get("working", "plate" if plate else "srgb")
        if name != "plate":
            return icc.named_space(name)
        profile = icc.Profile(plate["icc"])
        return icc.named_space("srgb") if profile.matrix is None else icc.Space(profile)

    def read(self, frame):
        return self.inputs.picture(decoded(frame, self.space))

    def nothing(self):
        return np.zeros((self.canvas[3], self.canvas[2], 4))

    def colour(self, text):
        return np.array([*icc.hex_in(text, self.space), 1.0])

    def bottom(self):
        """Backdrop, base plate and its continuation, over the canvas."""
        picture = self.nothing()
        if "backdrop" in self.scene:
            picture[:] = self.colour(self.scene["backdrop"])
        if "plate" not in self.scene:
            return self.inputs.picture(picture)
        plate = self.read(self.scene["plate"])
        height, width = plate.shape[:2]
        x, y, w, h = self.canvas
        rows, columns = np.arange(h) + y, np.arange(w) + x
        inside = ((rows >= 0) & (rows < height))[:, None] & ((columns >= 0) & (columns < width))[None, :]
        extend = self.scene.get("extend")
        if extend == "reflect":
            rows, columns = mirrored(rows, height), mirrored(columns, width)
        else:
            rows, columns = np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)
        laid = plate[rows[:, None], columns[None, :]]
        if extend and extend.startswith("#"):
            laid = np.where(inside[..., None], laid, self.colour(extend))
        elif not extend:
            laid = np.where(inside[..., None], laid, 0.0)
        return modes.composite(picture, laid)

    def named_mask(self, name):
        body = next(m["body"] for m in self.scene["masks"] if m["name"] == name)
        return self.canvas_mask(body)

    def canvas_mask(self, body):
        return masks.Space(self.canvas, named=self.named_mask, jitter=self.inputs.raster).body(body)

    def centre(self):
        x, y, w, h = self.canvas
        return x + w / 2, y + h / 2

    # Order across plain groups.

    def isolated(self, group):
        props = group["props"]
        return bool(
            props.get("opacity", 1) != 1
            or props.get("blend", "normal") != "normal"
            or props.get("isolate")
            or group["nodes"].get("mask")
            or group["nodes"].get("correct")
        )

    def gathered(self, members, outer, eaches, order):
        """(order, member, placement so far, treatments so far) of everything sorted together."""
        found = []
        for member in members:
            if member.get("off"):
                continue
            own = member["props"].get("order", order)
            if member["kind"] == "element":
                found.append((own or 0, member, outer, eaches))
                continue
            inner = outer @ self.group_placement(member)
            below = [*eaches, member["each"]] if member.get("each") else eaches
            if self.isolated(member):
                found.append((own or 0, member, inner, below))
            else:
                found += self.gathered(member["members"], inner, below, own)
        return found

    def group_placement(self, group):
        nodes = self.nudged(dict(group["nodes"]), group)
        return maps.placement(nodes, nodes.get("pivot") or self.centre())

    def nudged(self, nodes, member):
        if "nudge" in member:
            dx, dy = nodes.get("offset", (0, 0))
            nodes["offset"] = (dx + member["nudge"][0], dy + member["nudge"][1])
        return nodes

    def painted(self, picture, items):
        for _, member, outer, eaches in sorted(items, key=lambda item: item[0]):
            draw = self.element if member["kind"] == "element" else self.group
            source = draw(member, outer, eaches)
            props = member["props"]
            source = source * props.get("opacity", 1)
            if self.depth == 0:
                self.touched |= source[..., 3] != 0
            picture = modes.composite(picture, source, props.get("blend", "normal"), props.get("in", "linear"))
        return picture

    def element(self, element, outer, eaches):
        nodes = {}
        for level in [*eaches, element["nodes"]]:
            nodes.update(level)
        nodes = {k: v for k, v in self.nudged(nodes, element).items() if v is not False}
        picture = decoded(element["frame"], self.space)
        moved = self.inputs.picture(picture)
        height, width = picture.shape[:2]
        edges = np.zeros((height, width))
        coverage = steady = 1.0
        if "mask" in nodes:
            light = modes.straight(moved) @ self.space.weights
            space = masks.Space((0, 0, width, height), luminance=light, jitter=self.inputs.raster)
            coverage, edges = space.body(nodes["mask"])
            if "pivot" not in nodes:
                light = modes.straight(picture) @ self.space.weights
                steady = masks.Space((0, 0, width, height), luminance=light).body(nodes["mask"])[0]
        pivot = nodes.get("pivot") or computed_pivot(picture[..., 3] * steady)
        cut = corrections.corrected(moved * np.asarray(coverage)[..., None], nodes.get("correct"), self.space)
        total = self.inputs.placement(outer @ maps.placement(nodes, pivot))
        raster = np.concatenate([cut, edges[..., None]], axis=-1)
        laid = maps.resampled(raster, (0, 0), total, self.canvas, nodes.get("resample", "lanczos3"))
        self.near(laid[..., 4])
        source = maps.settled(laid[..., :4])
        if "behind" in nodes:
            mask, edges = self.named_mask(nodes["behind"])
            self.near(edges)
            source = source * (1 - mask)[..., None]
        return source

    def group(self, group, inner, eaches):
        self.depth += 1
        picture = self.painted(self.nothing(), self.gathered(group["members"], inner, eaches, None))
        self.depth -= 1
        picture = corrections.corrected(picture, group["nodes"].get("correct"), self.space)
        if group["nodes"].get("mask"):
            coverage, edges = self.canvas_mask(group["nodes"]["mask"])
            raster = np.stack([coverage, edges], axis=-1)
            laid = maps.resampled(raster, self.canvas[:2], inner, self.canvas, "lanczos3")
            self.near(laid[..., 1])
            picture = picture * np.clip(laid[..., :1], 0, 1)
        return picture

    def alone(self, path):
        """One member, on transparency, where its groups have put it."""
        outer, eaches, members = np.eye(3), self.top_treatment(), self.scene["members"]
        *parents, last = path.split("/")
        for name in parents:
            group = next(m for m in members if m["name"] == name)
            outer = outer @ self.group_placement(group)
            eaches = [*eaches, group["each"]] if group.get("each") else eaches
            members = group["members"]
        one = [m for m in members if m["name"] == last]
        return self.painted(self.nothing(), self.gathered(one, outer, eaches, None))

    def top_treatment(self):
        return [self.scene["each"]] if self.scene.get("each") else []

    def canvas_picture(self):
        """The finished stack with the scene's and the output's corrections, over the whole canvas."""
        self.depth = 0
        if "member" in self.output:
            picture = self.alone(self.output["member"])
        else:
            items = self.gathered(self.scene["members"], np.eye(3), self.top_treatment(), None)
            picture = self.painted(self.bottom(), items)
        picture = corrections.corrected(picture, self.scene.get("correct"), self.space)
        return corrections.corrected(picture, self.output.get("correct"), self.space)

    def crop(self):
        """Left, top, width, height in canvas space (rule 11)."""
        x, y, w, h = self.canvas
        crop = self.output.get("crop")
        if not crop:
            return self.canvas
        if "values" in crop:
            return crop["values"]
        a, b = crop["ratio"]
        wide = min(w, h * a / b) / crop.get("zoom", 1)
        cx, cy = crop.get("centre") or self.centre()
        size = [int(np.clip(np.floor(v + 0.5), 1, most)) for v, most in ((wide, w), (wide * b / a, h))]
        left = np.clip(np.floor(cx - size[0] / 2 + 0.5), x, x + w - size[0])
        top = np.clip(np.floor(cy - size[1] / 2 + 0.5), y, y + h - size[1])
        return int(left), int(top), *size

    def codes(self, profile):
        """RGBA codes of the output, unrounded, in the given profile; with the edges, cropped alike."""
        picture = self.canvas_picture()
        left, top, w, h = self.crop()
        part = np.s_[top - self.canvas[1] :, left - self.canvas[0] :]
        picture = picture[part][:h, :w]
        if "background" in self.output:
            picture = modes.composite(np.broadcast_to(self.colour(self.output["background"]), picture.shape), picture)
        picture = self.inputs.finished(picture)
        encoded = profile.from_working(modes.straight(picture), self.space)
        alpha = np.clip(picture[..., 3:4], 0, 1)
        self.edges, self.touched = self.edges[part][:h, :w], self.touched[part][:h, :w]
        return np.concatenate([encoded, alpha], axis=-1) * 65535

