"""The oracle's own parts against published values and other people's libraries.

It is believed in check_oracle.py, so it is not believed here. The source stands beside each check.
"""

import sys
import tempfile
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pyvips
import scipy.ndimage
import skimage.transform

from oracle import corrections, coverage, icc, kdl, maps, masks, modes, random_scenes, stack

CHECKS = []


def check(function):
    CHECKS.append(function)
    return function


def close(found, wanted, within):
    worst = np.abs(np.asarray(found, float) - np.asarray(wanted, float)).max()
    assert worst <= within, f"off by {worst:.3g}, allowed {within:.3g}"


@check
def separable_blend_modes():
    """W3C Compositing and Blending Level 1, section 10.1: its formulas worked by hand for (Cb, Cs)."""
    b = np.array([0.2, 0.6, 0.2, 0.8, 0.25, 0, 1, 0.5])
    s = np.array([0.6, 0.2, 0.8, 0.8, 0.75, 1, 0, 0.5])
    table = {
        "multiply": [0.12, 0.12, 0.16, 0.64, 0.1875, 0, 0, 0.25],
        "screen": [0.68, 0.68, 0.84, 0.96, 0.8125, 1, 1, 0.75],
        "overlay": [0.24, 0.36, 0.32, 0.92, 0.375, 0, 1, 0.5],
        "darken": [0.2, 0.2, 0.2, 0.8, 0.25, 0, 0, 0.5],
        "lighten": [0.6, 0.6, 0.8, 0.8, 0.75, 1, 1, 0.5],
        "color-dodge": [0.5, 0.75, 1, 1, 1, 0, 1, 1],
        "color-burn": [0, 0, 0, 0.75, 0, 0, 1, 0],
        "hard-light": [0.36, 0.24, 0.68, 0.92, 0.625, 1, 0, 0.5],
        "soft-light": [0.2496, 0.456, 0.3488, 0.856656, 0.375, 0, 1, 0.5],
        "difference": [0.4, 0.4, 0.6, 0, 0.5, 1, 1, 0],
        "exclusion": [0.56, 0.56, 0.68, 0.32, 0.625, 1, 1, 0.5],
    }
    for name, wanted in table.items():
        close(modes.MODES[name](b, s), wanted, 1e-6)


@check
def non_separable_blend_modes():
    """W3C Compositing and Blending Level 1, section 10.2, worked by hand."""
    pairs = [((0.8, 0.4, 0.2), (0.1, 0.3, 0.9)), ((0.2, 0.5, 0.3), (0.9, 0.1, 0.1)), ((0.95, 0.9, 0.2), (0.1, 0.2, 0.9))]
    table = {
        "hue": [(0.3435, 0.4935, 0.9435), (0.598, 0.298, 0.298), (0.801531, 0.826340, 1)],
        "saturation": [(0.900667, 0.367333, 0.100667), (0, 0.619149, 0.206383), (0.957467, 0.904133, 0.157467)],
        "color": [(0.323906, 0.492929, 1), (0.948, 0.148, 0.148), (0.801531, 0.826340, 1)],
        "luminosity": [(0.608, 0.208, 0.008), (0.152, 0.452, 0.252), (0.290361, 0.271003, 0)],
    }
    b, s = (np.array(side) for side in zip(*pairs))
    for name, wanted in table.items():
        close(modes.MODES[name](b, s), wanted, 1e-6)


@check
def simple_alpha_compositing():
    """The worked examples of the same standard, section 5.1, and its group invariance."""
    rgba = lambda colour, alpha: np.array([*(np.array(colour) * alpha), alpha])
    red, blue = (1, 0, 0), (0, 0, 1)
    close(modes.composite(rgba(red, 1), rgba(blue, 0.5)), (0.5, 0, 0.5, 1), 1e-12)
    close(modes.composite(rgba(red, 0.5), rgba(blue, 0.5)), (0.25, 0, 0.5, 0.75), 1e-12)
    close(modes.composite(rgba(red, 0), rgba(blue, 1)), (0, 0, 1, 1), 1e-12)
    close(modes.composite(rgba((0.2,) * 3, 0.5), rgba((0.6,) * 3, 0.5), "multiply"), (0.23, 0.23, 0.23, 0.75), 1e-12)
    lighter = modes.composite(rgba((0, 1, 0), 0.5), rgba((0, 0, 1), 0.75), "plus-lighter")
    close(lighter, (0, 0.5, 0.75, 1), 1e-12)
    random = np.random.default_rng(1)
    a, b, c = (np.concatenate([rgb * k, k], axis=-1) for rgb, k in zip(random.random((3, 50, 3)), random.random((3, 50, 1))))
    close(modes.composite(a, modes.composite(b, c)), modes.composite(modes.composite(a, b), c), 1e-12)


@check
def kernel_values():
    """Mitchell and Netravali, Computer Graphics 22(4), 1988; Lanczos-3 computed from its formula."""
    at = np.array([0, 0.5, 1, 1.5, 2.5])
    close(maps.KERNELS["mitchell"][1](at), [8 / 9, 77 / 144, 1 / 18, -5 / 144, 0], 1e-12)
    close(maps.KERNELS["catmull-rom"][1](at), [1, 0.5625, 0, -0.0625, 0], 1e-12)
    close(maps.KERNELS["lanczos3"][1](at), [1, 0.607927102, 0, -0.135094912, 0.024317084], 1e-9)
    taps = maps.axis_taps(np.array([10.0]), 1.0, "lanczos3")[1][0]
    close(taps[:6], [0.024457, -0.135870, 0.611413, 0.611413, -0.135870, 0.024457], 1e-6)


@check
def published_resize_tables():
    """Pillow's test suite, Tests/test_image_resample.py: a picture of quadrants e1 and 1e, its top-left quarter."""
    tables = [
        ("bilinear", 8, 4, "e1c9 c9b7"),
        ("bilinear", 2, 4, "e1b0 b098"),
        ("catmull-rom", 12, 6, "e1e3d4 e3e5d6 d4d6c9"),
        ("catmull-rom", 4, 8, "e1e5eeb9 e5e9f3bc eef3fdc1 b9bcc1a2"),
        ("lanczos3", 16, 8, "e1e0e4d7 e0dfe3d6 e4e3e7da d7d6d9ce"),
        ("lanczos3", 6, 12, "e1e0dbedf5b8 e0dfdaecf3b7 dbdbd6e7eeb5 edece6fbffbf f5f4eeffffc4 b8b7b4bfc4a0"),
    ]
    for kernel, size, wanted_size, text in tables:
        half = np.arange(size) < size // 2
        values = np.where(half[:, None] == half[None, :], 0xE1, 0x1E) / 255.0
        picture = np.repeat(values[..., None], 5, axis=2)
        picture[..., 3:] = 1
        scale = wanted_size / size
        placed = maps.resampled(picture, (0, 0), np.diag([scale, scale, 1.0]), (0, 0, wanted_size, wanted_size), kernel)
        found = np.clip(modes.straight(placed[..., :4])[..., 0] * 255, 0, 255)
        wanted = np.array([list(bytes.fromhex(row)) for row in text.split()])
        close(found[: len(wanted), : len(wanted)], wanted, 1.0)


@check
def turned_picture():
    """scikit-image's warp (order 1) reads the same bilinear values between pixels."""
    random = np.random.default_rng(2)
    raster = np.zeros((31, 23, 5))
    raster[..., :4] = random.random((31, 23, 4))
    matrix = maps.placement({"offset": (3.3, -2.1), "rotate": 27.0, "scale": (1.6,)}, (11.5, 15.5))
    found = maps.resampled(raster, (0, 0), matrix, (0, 0, 40, 44), "bilinear")
    # Its pixel centres stand on whole numbers.
    centred = maps.shift(-0.5, -0.5) @ matrix @ maps.shift(0.5, 0.5)
    padded = np.pad(raster[..., :4], ((4, 4), (4, 4), (0, 0)))
    wanted = skimage.transform.warp(padded, np.linalg.inv(centred @ maps.shift(-4, -4)), output_shape=(44, 40), order=1)
    close(found[..., :4], wanted, 1e-9)


@check
def quarter_turns_and_flips_copy():
    """numpy's rot90 and flips (a positive turn is clockwise, so rot90 by -1)."""
    raster = np.random.default_rng(3).random((9, 9, 5))
    for nodes, wanted in [
        ({"rotate": 90.0}, np.rot90(raster, -1)),
        ({"rotate": 180.0}, np.rot90(raster, 2)),
        ({"rotate": -90.0}, np.rot90(raster, 1)),
        ({"flip": "horizontal"}, raster[:, ::-1]),
        ({"flip": "vertical", "rotate": 90.0}, np.rot90(raster[::-1], -1)),
    ]:
        placed = maps.resampled(raster, (0, 0), maps.placement(nodes, (4.5, 4.5)), (0, 0, 9, 9), "mitchell")
        assert np.array_equal(placed, wanted), nodes
    near = maps.shift(2 + 0.9 / 1024, -1)
    assert maps.pixel_map(near) is not None and maps.pixel_map(maps.shift(2 + 1.1 / 1024, 0)) is None


@check
def areas_of_shapes():
    """Plane geometry: the shoelace formula, pi a b, length times width with two half discs; a pentagram by both rules."""
    size = (60, 60)
    triangle = [(5.3, 4.1), (50.2, 17.7), (21.9, 55.5)]
    x, y = np.array(triangle).T
    shoelace = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    close(coverage.polygon([triangle], "nonzero", *size).sum(), shoelace, 1e-9)
    close(coverage.polygon([triangle[::-1]], "nonzero", *size).sum(), shoelace, 1e-9)
    close(coverage.ellipse(30.2, 29.7, 20.5, 11.25, *size).sum(), np.pi * 20.5 * 11.25, 2e-3)
    close(coverage.rect(3.25, 4.5, 10.5, 7.75, *size).sum(), 10.5 * 7.75, 1e-9)
    stroke = coverage.stroke([(10.5, 12.25), (40.25, 37.5)], 7.5, "round", *size)
    length = np.hypot(29.75, 25.25)
    close(stroke.sum(), length * 7.5 + np.pi * 3.75**2, 5e-3)
    close(coverage.stroke([(10.5, 12.25), (40.25, 37.5)], 7.5, "butt", *size).sum(), length * 7.5, 5e-3)
    angles = np.radians(90 + 144 * np.arange(5))
    star = list(zip(30 + 25 * np.cos(angles), 30 + 25 * np.sin(angles)))
    inner = 25 * np.sin(np.radians(18)) / np.sin(np.radians(54))
    whole = 5 * 25 * inner * np.sin(np.radians(36))
    core = 2.5 * inner**2 * np.sin(np.radians(72))
    close(coverage.polygon([star], "nonzero", *size).sum(), whole, 1e-9)
    close(coverage.polygon([star], "evenodd", *size).sum(), whole - core, 1e-9)
    # A half-plane at t covers t of its pixels.
    close(coverage.polygon([[(-1, -1), (7.37, -1), (7.37, 99), (-1, 99)]], "nonzero", *size)[20, 7], 0.37, 1e-12)
    # A cubic with the usual handles is a quarter circle to 0.03 %.
    k = 20 * 0.5522847
    quarter = f"M 10 10 L 30 10 C 30 {10 + k} {10 + k} 30 10 30 Z"
    found = coverage.polygon(coverage.flattened(quarter), "nonzero", *size).sum()
    close(found, np.pi * 100, 0.1)


@check
def areas_of_pixels():
    """OpenCV's polygon filling (even-odd) on a grid 32 times finer; it also paints the outline it touches."""
    star = [(8.1, 3.3), (30.7, 38.2), (2.2, 16.9), (37.9, 12.4), (11.6, 36.1)]
    exact = coverage.polygon([star], "evenodd", 40, 40)
    fine = np.zeros((40 * 32, 40 * 32), np.uint8)
    points = np.round((np.array(star) * 32 - 0.5) * 1024).astype(np.int32)
    cv2.fillPoly(fine, [points], 255, lineType=cv2.LINE_8, shift=10)
    close(exact, (fine > 0).reshape(40, 32, 40, 32).mean(axis=(1, 3)), 0.06)
    close(exact.mean(), (fine > 0).mean(), 2e-3)


@check
def feather_and_dilate():
    """scipy.ndimage: Gaussian with the same radius, edges repeated; Euclidean distance transform of a binary mask."""
    random = np.random.default_rng(4)
    raster = random.random((37, 29))
    for sigma in (0.4, 1.0, 2.7):
        radius = int(np.ceil(4 * sigma))
        wanted = scipy.ndimage.gaussian_filter(raster, sigma, mode="nearest", radius=radius)
        close(masks.feathered(raster, sigma), wanted, 1e-12)
    binary = random.random((37, 29)) > 0.97
    distance = scipy.ndimage.distance_transform_edt(~binary)
    for reach in (0.0, 1.0, 2.6):
        close(masks.dilated(binary.astype(float), reach), np.clip(reach + 1 - distance, 0, 1), 1e-12)


@check
def profiles_against_little_cms():
    """Little CMS in double precision, through imagecodecs; it takes rounded parameters at their word."""
    standards, icc.STANDARDS = icc.STANDARDS, []
    try:
        compare_with_little_cms()
    finally:
        icc.STANDARDS = standards


def compare_with_little_cms():
    random = np.random.default_rng(5)
    colours = random.random((64, 64, 3))
    target = random_scenes.PLATE_PROFILES[0]
    space = icc.Space(icc.Profile(target))
    for data in random_scenes.FRAME_PROFILES:
        wanted = imagecodecs.cms_transform(
            colours, data, target, colorspace="rgb", outcolorspace="rgb", outdtype="float64", intent=1
        )
        profile = icc.Profile(data)
        found = icc.Profile(target).from_working(profile.to_working(colours, space), space)
        # Its sampled curves answer in whole 16-bit steps of light: half a step is 12.92 halves where sRGB is steepest.
        sampled = profile.curves[0].kind == b"curv" and len(profile.curves[0].table) > 1
        close(found, np.clip(wanted, 0, 1), (7.5 if sampled else 1.1) / 65535)


@check
def curves_turn_round():
    """A curve and its inverse undo each other at every 16-bit code."""
    codes = np.arange(65536) / 65535
    for data in random_scenes.PLATE_PROFILES + random_scenes.GRAY_PROFILES:
        for curve in icc.Profile(data).curves:
            close(curve.encode(curve.decode(codes)), codes, 1e-3 / 65535)


@check
def srgb_curve_and_matrices():
    """CSS Color 4 sample code: 0.18 encodes to 0.461356129500442. Matrices of profiles that Little CMS writes itself."""
    close(icc.srgb_encode(0.18), 0.461356129500442, 1e-12)
    close(icc.srgb_decode(icc.srgb_encode(np.linspace(0, 1, 999))), np.linspace(0, 1, 999), 1e-7)
    close(icc.matrix_of("srgb"), icc.Profile(imagecodecs.cms_profile("srgb")).matrix, 2e-5)
    chad = [[1.047886, 0.022919, -0.050216], [0.029582, 0.990484, -0.017079], [-0.009252, 0.015073, 0.751678]]
    close(icc.adaptation(icc.xyz_of((0.3127, 0.3290)), icc.D50), chad, 2e-5)


@check
def daylight_and_corrections():
    """CIE 15 chromaticities of D50, D55, D65, D75; the Filter Effects 1 matrices with the weights they are written for."""
    for kelvin, xy in [(5003, (0.3457, 0.3585)), (5503, (0.3324, 0.3474)), (6504, (0.3127, 0.3290)), (7504, (0.2990, 0.3149))]:
        close(corrections.daylight(kelvin), xy, 2e-4)
    space = icc.named_space("srgb")
    # CSS Color 4 prints them for sRGB, Display P3 and BT.2020.
    for name, wanted in [
        ("srgb", (0.212639, 0.715169, 0.072192)),
        ("display-p3", (0.228975, 0.691739, 0.079287)),
        ("rec2020", (0.262700, 0.677998, 0.059302)),
    ]:
        close(icc.named_space(name).weights, wanted, 5e-5)
    angle = 35.0
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    published = [
        [0.213 + c * 0.787 - s * 0.213, 0.715 - c * 0.715 - s * 0.715, 0.072 - c * 0.072 + s * 0.928],
        [0.213 - c * 0.213 + s * 0.143, 0.715 + c * 0.285 + s * 0.140, 0.072 - c * 0.072 - s * 0.283],
        [0.213 - c * 0.213 - s * 0.787, 0.715 - c * 0.715 + s * 0.715, 0.072 + c * 0.928 + s * 0.072],
    ]
    close(corrections.matrix({"hue-rotate": angle}, space), published, 1e-3)
    k = 0.3
    saturate = [
        [0.213 + 0.787 * k, 0.715 - 0.715 * k, 0.072 - 0.072 * k],
        [0.213 - 0.213 * k, 0.715 + 0.285 * k, 0.072 - 0.072 * k],
        [0.213 - 0.213 * k, 0.715 - 0.715 * k, 0.072 + 0.928 * k],
    ]
    close(corrections.matrix({"saturate": k}, space), saturate, 5e-4)
    warm = corrections.matrix({"mired": 40}, space) @ np.ones(3)
    assert warm[0] > 1 > warm[2], "positive mired warms"


@check
def stored_orientations():
    """libvips turns a TIFF the way its Orientation says."""
    picture = np.random.default_rng(6).integers(0, 65536, (11, 7, 3)).astype(np.uint16)
    with tempfile.TemporaryDirectory() as folder:
        for orientation in range(1, 9):
            path = Path(folder) / f"{orientation}.tif"
            kdl.write_picture(path, {"codes": picture, "alpha": "none", "orientation": orientation})
            seen = pyvips.Image.new_from_file(str(path)).autorot().numpy()
            assert np.array_equal(seen, picture), f"orientation {orientation}"


@check
def half_white_over_black():
    """IEC 61966-2-1: half coverage of white over black encodes to 187.516 of 255."""
    white = {"codes": np.full((4, 4, 4), 65535, np.uint16), "icc": random_scenes.PLATE_PROFILES[0], "alpha": "unassociated"}
    element = {"kind": "element", "name": "a", "props": {"opacity": 0.5}, "frame": white, "nodes": {}}
    scene = {"canvas": (0, 0, 4, 4), "backdrop": "#000000", "members": [element]}
    codes = stack.Stack(scene, {}).codes(icc.Profile(random_scenes.PLATE_PROFILES[0]))
    close(codes[..., :3] / 257, 187.516, 2e-3)


def main():
    failed = 0
    for function in CHECKS:
        try:
            function()
        except Exception as error:
            failed += 1
            print(f"{function.__name__}: {type(error).__name__}: {error}")
    print(f"{len(CHECKS) - failed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
