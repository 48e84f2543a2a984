"""How near the cut-outs of the ink bottle come to the truth, along their edges.

    python edges_of_the_shoot.py CUTOUTS TRUTH PLATE [N]

CUTOUTS is what `platewright render scenes/ink-bottle/scene.kdl --cutouts` left beside the outputs; TRUTH and PLATE are
truth/ and frames/dry-1-indigo.tif of `cargo run --release --example shoot -- --small --out DIR`. For each piece: the 95th
percentile of CIEDE2000 (scikit-image) in the band of 4 px along its true edge, laid over its plate, white, mid-grey and
black; and the same for the true matte with the frame's own light: what noise leaves, and a rod where one crosses the band.
With N what is laid over is finished at one Nth of the frames' size (means of N x N pixels of light), as pictures are
delivered, and so is the band: for a shoot of more rows (`--height 4000`), each frame cut out by `platewright cutout FRAME
--plate PLATE --out CUTOUTS/NAME`. Both are shown as if their codes were sRGB's. The truth lies on the frame's
grid and is carried to the plate's by the alignment that was found (Lanczos), so its error counts little here.

No part of tests/run: the shoot takes minutes.
"""

import json
import pathlib
import sys

import cv2
import numpy as np
import tifffile
from skimage.color import deltaE_ciede2000, rgb2lab

GREY = 0.18


def light(codes):
    """The frames' curve is that of IEC 61966-2-1."""
    v = codes.astype(np.float64) / 65535.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def lab(linear):
    v = np.clip(linear, 0, 1)
    return rgb2lab(np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055))


def carried(picture, found):
    """A picture on the frame's grid, on the plate's."""
    if np.allclose(found, np.eye(3), atol=1e-12):
        return picture
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    corner = np.linalg.inv(half) @ found @ half
    size = picture.shape[1::-1]
    border = cv2.BORDER_REPLICATE
    return cv2.warpPerspective(picture, corner, size, flags=cv2.INTER_LANCZOS4, borderMode=border)


def finished(picture, times):
    """Means of so many pixels each way."""
    high, wide = (side // times * times for side in picture.shape[:2])
    parts = picture[:high, :wide].reshape(high // times, times, wide // times, times, *picture.shape[2:])
    return parts.mean(axis=(1, 3))


def main(cutouts, truth, plate, times="1"):
    times = int(times)
    plate_light = light(tifffile.imread(plate))
    grounds = [plate_light] + [np.full_like(plate_light, v) for v in (1.0, GREY, 0.0)]
    print(f"{'piece':12} {'ours: plate white grey black':>30}   {'limit':>26}   mean |coverage - truth| in the band")
    worst = np.zeros(4)
    for folder in sorted(pathlib.Path(cutouts).iterdir()):
        facts = json.loads((folder / "cutout.json").read_text())
        frame = pathlib.Path(facts["frame"])
        true_light = pathlib.Path(truth) / f"{frame.stem}-light.tif"
        frame = pathlib.Path(plate).parent / frame.name
        if not (true_light.exists() and frame.exists()):
            continue
        codes = cv2.imread(str(pathlib.Path(truth) / f"{frame.stem}.png"), cv2.IMREAD_UNCHANGED)
        found = np.array(facts["align"].get("map", np.eye(3).tolist()))
        matte = np.clip(carried(codes[..., 3].astype(np.float64) / 65535, found), 0, 1)
        # No frame holds more than its ceiling; carried, what lies above would ring far into the dark beside it.
        added = carried(np.minimum(tifffile.imread(true_light).astype(np.float64), 1.0), found)
        cut = tifffile.imread(folder / "cutout.tif")
        ours = cut[..., 3].astype(np.float64) / 65535
        ours_added = light(cut[..., :3]) * ours[..., None]
        ratio = tifffile.imread(folder / "shadow.tif").astype(np.float64) / 32768
        seen = carried(light(tifffile.imread(frame)), found)
        seen = seen * np.array(facts["balance"]["gains"])
        best = seen - (1 - matte[..., None]) * plate_light * ratio
        hard = (finished(matte, times) > 0.5).astype(np.uint8)
        rim = hard - cv2.erode(hard, np.ones((3, 3), np.uint8))
        band = cv2.distanceTransform(1 - rim, cv2.DIST_L2, 5) <= 2

        def apart(coverage, premultiplied):
            answer = []
            for ground in grounds:
                wanted = lab(finished(added + (1 - matte[..., None]) * ground, times)[band])
                got = lab(finished(premultiplied + (1 - coverage[..., None]) * ground, times)[band])
                answer.append(np.percentile(deltaE_ciede2000(wanted, got), 95))
            return np.array(answer)

        mine, limit = apart(ours, ours_added), apart(matte, best)
        worst = np.maximum(worst, mine)
        show = lambda values: " ".join(f"{v:6.1f}" for v in values)
        print(f"{frame.stem:12} {show(mine):>30}   {show(limit):>26}   {finished(np.abs(ours - matte), times)[band].mean():.3f}")
    print(f"{'worst':12} {show(worst):>30}")


if __name__ == "__main__":
    if len(sys.argv) not in (4, 5):
        sys.exit(__doc__)
    main(*sys.argv[1:])
