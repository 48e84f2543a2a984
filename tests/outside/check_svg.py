"""Whole pictures against a general-purpose SVG renderer.

Source: resvg (resvg-py 0.5.0), SVG 2 and Filter Effects Module Level 1 with color-interpolation-filters="linearRGB":
feBlend, feComposite, feComponentTransfer, feOffset on the same 8-bit sRGB pictures. It holds 8 bits a channel between
filters, so pictures are compared as premultiplied linear light, within a few of its steps. Its non-separable modes clip
other colours than the standard's ClipColor does; muted pictures, where nothing is clipped, are compared for those.
"""

import base64
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import imagecodecs
import numpy as np
import resvg_py
import tifffile

from oracle import icc, kdl, random_scenes

WIDTH, HEIGHT = 84, 60
STEPS_WORST, STEPS_MEAN = 10.0, 0.6
PROGRAM = Path(os.environ.get("PLATEWRIGHT_BIN_DIR", "target/release")).resolve() / "platewright"
# Nothing is kept between runs.
os.environ["PLATEWRIGHT_CACHE"] = ""
SEPARABLE = "normal multiply screen overlay darken lighten color-dodge color-burn hard-light soft-light difference exclusion".split()
NON_SEPARABLE = "hue saturation color luminosity".split()
# Division by what is nearly nothing would compare the steps of eight bits only.
SPANS = {"color-dodge": (0.2, 0.75), "color-burn": (0.5, 0.95)} | {mode: (0.60, 0.72) for mode in NON_SEPARABLE}


def field(seed, alpha, span=(0.0, 1.0)):
    """Waves of colour within a span of codes as 8-bit RGBA; alpha from 0 to 255 or opaque."""
    random = np.random.default_rng(seed)
    ys, xs = np.mgrid[0:HEIGHT, 0:WIDTH]
    waves = [np.sin(fx * xs + fy * ys + p) for fx, fy, p in random.uniform(-0.12, 0.12, (4, 3)) + [0, 0, seed]]
    values = 0.5 + 0.5 * np.stack(waves, axis=-1)
    values[..., :3] = span[0] + (span[1] - span[0]) * values[..., :3]
    values[..., 3] = np.clip(1.4 * values[..., 3] - 0.2, 0, 1) if alpha else 1
    return np.floor(values * 255 + 0.5).astype(np.uint8)


# The same picture said twice.


def image(pixels, name):
    data = base64.b64encode(imagecodecs.png_encode(pixels)).decode()
    return (
        f'<feImage href="data:image/png;base64,{data}" x="0" y="0" width="{WIDTH}" height="{HEIGHT}" '
        f'preserveAspectRatio="none" image-rendering="optimizeSpeed" result="{name}"/>'
    )


def drawn_by_resvg(filters):
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}">'
        f'<filter id="f" filterUnits="userSpaceOnUse" x="0" y="0" width="{WIDTH}" height="{HEIGHT}" '
        f'color-interpolation-filters="linearRGB">{filters}</filter>'
        f'<g filter="url(#f)"><rect/></g></svg>'
    )
    return imagecodecs.png_decode(bytes(resvg_py.svg_to_bytes(svg_string=svg, skip_system_fonts=True)))


def drawn_by_platewright(lines, pictures):
    with tempfile.TemporaryDirectory() as folder:
        for name, pixels in pictures.items():
            opaque = (pixels[..., 3] == 255).all()
            codes = pixels[..., :3] if opaque else pixels
            picture = {"codes": codes, "alpha": "none" if opaque else "unassociated", "icc": random_scenes.PLATE_PROFILES[0]}
            kdl.write_picture(Path(folder) / f"{name}.tif", picture)
        text = f'scene "picture" language=1\n{lines}\noutput "master" {{ file "master.tif" }}\n'
        (Path(folder) / "scene.kdl").write_text(text, encoding="utf-8")
        command = [PROGRAM, "render", "scene.kdl", "--out-dir", "."]
        run = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120)
        assert run.returncode == 0, f"exit {run.returncode}: {(run.stderr or run.stdout).strip()[:400]}"
        return tifffile.imread(Path(folder) / "master.tif")


def linear(codes):
    """Premultiplied linear light, four channels."""
    values = codes / np.iinfo(codes.dtype).max
    alpha = values[..., 3:] if codes.shape[2] == 4 else np.ones(codes.shape[:2] + (1,))
    return np.concatenate([icc.srgb_decode(values[..., :3]) * alpha, alpha], axis=-1)


def compare(lines, pictures, filters):
    found = linear(drawn_by_platewright(lines, pictures))
    wanted = linear(drawn_by_resvg(filters))
    steps = np.abs(found - wanted) * 255
    y, x, c = np.unravel_index(np.argmax(steps), steps.shape)
    fault = f"{steps.max():.2f} at ({x}, {y}) {'RGBA'[c]}, mean {steps.mean():.3f} (of 255 linear steps)"
    assert steps.max() <= STEPS_WORST and steps.mean() <= STEPS_MEAN, fault
    return steps.max(), steps.mean()


def blend_pictures():
    """Every mode over an opaque plate and over a half-transparent element on a transparent canvas."""
    for mode in SEPARABLE + NON_SEPARABLE:
        span = SPANS.get(mode, (0.0, 1.0))
        pictures = {"below": field(1, False, span), "above": field(2, True, span)}
        both = image(pictures["below"], "b") + image(pictures["above"], "s")
        filters = both + f'<feBlend in="s" in2="b" mode="{mode}"/>'
        above = f'element "above" blend="{mode}" {{ frame "above.tif"; mask {{ all }} }}'
        yield f"{mode} over a plate", f'plate "below.tif"\n{above}', pictures, filters
        if mode in SEPARABLE:
            pictures = {"below": field(3, True, span), "above": field(2, True, span)}
            both = image(pictures["below"], "b") + image(pictures["above"], "s")
            canvas = f'canvas {WIDTH} {HEIGHT}\nelement "below" {{ frame "below.tif" }}\n{above}'
            yield f"{mode} on transparency", canvas, pictures, both + f'<feBlend in="s" in2="b" mode="{mode}"/>'


def stacked_pictures():
    a, b, c = field(4, False), field(5, True), field(6, True)
    all_three = image(a, "a") + image(b, "b") + image(c, "c")
    pictures = {"a": a, "b": b, "c": c}
    whole = "mask { all }"
    faded = '<feComponentTransfer in="{}" result="{}"><feFuncA type="linear" slope="{}"/></feComponentTransfer>'
    yield (
        "order, opacity and offset",
        f'plate "a.tif"\nelement "c" order=2 opacity=0.6 {{ frame "c.tif"; {whole} }}\n'
        f'element "b" order=1 {{ frame "b.tif"; {whole}; offset 9 -7 }}',
        pictures,
        all_three
        + '<feOffset in="b" dx="9" dy="-7" result="moved"/><feBlend in="moved" in2="a" result="ab"/>'
        + faded.format("c", "half", 0.6)
        + '<feBlend in="half" in2="ab"/>',
    )
    yield (
        "an isolated group, multiplied at half opacity",
        f'plate "a.tif"\ngroup "g" blend="multiply" opacity=0.5 {{\nelement "b" {{ frame "b.tif"; {whole} }}\n'
        f'element "c" blend="screen" {{ frame "c.tif"; {whole} }}\n}}',
        pictures,
        all_three
        + '<feBlend in="c" in2="b" mode="screen" result="bc"/>'
        + faded.format("bc", "half", 0.5)
        + '<feBlend in="half" in2="a" mode="multiply"/>',
    )
    yield (
        "light added to light",
        f'plate "a.tif"\nelement "b" blend="plus-lighter" opacity=0.4 {{ frame "b.tif"; {whole} }}',
        pictures,
        all_three + faded.format("b", "half", 0.4) + '<feComposite in="half" in2="a" operator="arithmetic" k2="1" k3="1"/>',
    )
    yield (
        "behind a painted mask",
        f'plate "a.tif"\nmask "front" {{ image "c.tif" channel="alpha" }}\n'
        f'element "b" {{ frame "b.tif"; {whole}; behind "front"; offset -6 4 }}',
        pictures,
        all_three
        + '<feOffset in="b" dx="-6" dy="4" result="moved"/>'
        + '<feComposite in="moved" in2="c" operator="out" result="cut"/><feBlend in="cut" in2="a"/>',
    )
    yield (
        "a group behind its own painted mask",
        f'plate "a.tif"\ngroup "g" {{\nmask {{ image "c.tif" channel="alpha" }}\nelement "b" {{ frame "b.tif"; {whole} }}\n}}',
        pictures,
        all_three + '<feComposite in="b" in2="c" operator="in" result="cut"/><feBlend in="cut" in2="a"/>',
    )


def shape_alpha(shape):
    """A shape as resvg fills it 16 times larger, averaged: its own edges have 4 scanlines a pixel."""
    large = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{16 * WIDTH}" height="{16 * HEIGHT}">'
        f'<g transform="scale(16)">{shape}</g></svg>'
    )
    alpha = imagecodecs.png_decode(bytes(resvg_py.svg_to_bytes(svg_string=large, skip_system_fonts=True)))[..., 3]
    pixels = np.full((HEIGHT, WIDTH, 4), 255, np.uint8)
    pixels[..., 3] = np.floor(alpha.reshape(HEIGHT, 16, WIDTH, 16).mean(axis=(1, 3)) + 0.5)
    return pixels


def shaped_pictures():
    """Drawn masks."""
    a, b = field(7, False), field(8, False)
    pictures = {"a": a, "b": b}
    star = "42,4 58,54 8,22 76,22 26,54"
    path = "M 12 30 C 12 2 60 2 70 30 Q 80 50 42 56 L 30 40 Z"
    stroke = '<polyline points="10,10 70,20 30,50" fill="none" stroke="black" stroke-width="9" stroke-linecap="{}" stroke-linejoin="round"/>'
    for name, source, shape in [
        ("a nonzero star", f'polygon "{star}"', f'<polygon points="{star}"/>'),
        ("an even-odd star", f'polygon "{star}" rule="evenodd"', f'<polygon fill-rule="evenodd" points="{star}"/>'),
        ("a curved path", f'path "{path}"', f'<path d="{path}"/>'),
        ("an ellipse", "ellipse 40.3 30.7 33.2 21.6", '<ellipse cx="40.3" cy="30.7" rx="33.2" ry="21.6"/>'),
        ("a round line", 'line "10,10 70,20 30,50" width=9', stroke.format("round")),
        ("a butt line", 'line "10,10 70,20 30,50" width=9 cap="butt"', stroke.format("butt")),
        ("a rectangle", "rect 10.25 8.5 50.5 40.25", '<rect x="10.25" y="8.5" width="50.5" height="40.25"/>'),
    ]:
        lines = f'plate "a.tif"\nelement "b" {{ frame "b.tif"; mask {{ {source} }} }}'
        filters = image(a, "a") + image(b, "b") + image(shape_alpha(shape), "m")
        filters += '<feComposite in="b" in2="m" operator="in" result="cut"/><feBlend in="cut" in2="a"/>'
        yield name, lines, pictures, filters


def main():
    passed = failed = 0
    worst = mean = 0.0
    for name, *picture in [*blend_pictures(), *stacked_pictures(), *shaped_pictures()]:
        try:
            found = compare(*picture)
            passed += 1
            worst, mean = max(worst, found[0]), max(mean, found[1])
        except Exception as error:
            failed += 1
            print(f"{name}: {error}")
    print(f"worst {worst:.2f}, worst mean {mean:.3f} of 255 linear steps")
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
