"""What general-purpose matting makes of our benchmark's cases (pymatting: one picture and a trimap, no plate).

    python mattes_by_libraries.py CASES RESULTS [--pick CASES] [--methods cf,lbdm,knn,lkm,rw] [--kinds a,b]

CASES is what `cargo bench --bench mattes -- --write CASES` wrote. A trimap is drawn without a person: the frame is laid
onto its plate by its true place and exposure (which the libraries are given), the encoded difference is smoothed a little
and cut at a threshold, specks go, and a band around the outline is left unknown. Every threshold is tried with every band on
the cases of --pick (on CASES themselves without it); on each level each method gets the pair with its lowest mean
|matte - truth|, and that pair is part of its name. RESULTS/NAME/CASE/ then holds matte.tif and colour.tif (multi-level foreground estimation) for `--results RESULTS`.

Works in linear light, where the truth mixes. Slow: minutes for a handful of cases of 300 px; no part of tests/run.
"""

import argparse
import json
import pathlib
import time
import warnings

import numpy as np
import pymatting
import tifffile
from scipy import ndimage

THRESHOLDS = (0.03, 0.06, 0.12, 0.24)
BANDS = (5, 10, 20)
METHODS = {
    "cf": ("closed-form", pymatting.estimate_alpha_cf),
    "knn": ("knn", pymatting.estimate_alpha_knn),
    "lkm": ("large kernel", pymatting.estimate_alpha_lkm),
    "lbdm": ("learning-based", pymatting.estimate_alpha_lbdm),
    "rw": ("random walk", pymatting.estimate_alpha_rw),
}


def light(codes):
    """The frames' curve is that of IEC 61966-2-1."""
    v = codes / 65535.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def encoded(v):
    v = np.clip(v, 0, 1)
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055)


class Case:
    def __init__(self, folder):
        facts = json.loads((folder / "case.json").read_text())
        read = lambda name: tifffile.imread(folder / name)
        self.name = folder.name
        self.level = facts["level"]
        self.truth = read("matte.tif") / 65535.0
        plate = light(read("plate.tif"))
        frame = light(read("frame.tif")) / np.array(facts["gain"])
        # Plate pixel to frame pixel, (row, column) order, between pixel centres.
        to_plate = np.vstack([facts["frame_to_plate"], [0, 0, 1]])
        back = np.linalg.inv(to_plate)[:2]
        turn, shift = back[::-1, 1::-1], back[::-1, 2]
        offset = turn @ [0.5, 0.5] + shift - 0.5
        carried = [ndimage.affine_transform(frame[..., k], turn, offset, order=3, mode="nearest") for k in range(3)]
        self.picture = np.ascontiguousarray(np.clip(np.stack(carried, -1), 0, 1))
        difference = np.abs(encoded(self.picture) - encoded(plate)).max(-1)
        self.difference = ndimage.gaussian_filter(difference, 1.0)

    def trimap(self, threshold, band):
        """0 set, 1 piece, 0.5 unknown; None when one of the two is empty."""
        mask = ndimage.binary_closing(self.difference > threshold, iterations=1)
        labels, count = ndimage.label(mask)
        if count == 0:
            return None
        areas = np.bincount(labels.ravel())
        keep = areas >= max(30, 0.02 * areas[1:].max())
        keep[0] = False
        mask = keep[labels]
        inside = ndimage.distance_transform_edt(mask)
        outside = ndimage.distance_transform_edt(~mask)
        # Thin pieces have no inside that deep: their middle is taken for sure.
        deep = min(band / 2, 0.7 * inside.max())
        trimap = np.where(inside > deep, 1.0, np.where(outside > band / 2, 0.0, 0.5))
        return trimap if (trimap == 0).any() and (trimap == 1).any() else None

    def solved(self, method, pair):
        """The matte; the bare mask where there is no trimap, or the solver gives up."""
        trimap = self.trimap(*pair)
        if trimap is not None:
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    return np.clip(METHODS[method][1](self.picture, trimap), 0, 1)
            except (ValueError, np.linalg.LinAlgError) as why:
                print(f"  {self.name}: {method} {pair}: {why}")
        return (self.difference > pair[0]).astype(float)


def cases(folder, kinds):
    folders = sorted(f for f in pathlib.Path(folder).iterdir() if (f / "case.json").exists())
    return [Case(f) for f in folders if kinds is None or f.name.split("-")[0] in kinds]


def picked(method, level, among):
    """The pair of threshold and band with the lowest mean error over a level's cases."""
    among = [c for c in among if c.level == level]
    errors = {}
    for threshold in THRESHOLDS:
        for band in BANDS:
            pair = (threshold, band)
            errors[pair] = np.mean([np.abs(c.solved(method, pair) - c.truth).mean() for c in among])
    best = min(errors, key=errors.get)
    listed = ", ".join(f"{t} {b} px: {1000 * e:.2f}" for (t, b), e in errors.items())
    print(f"{METHODS[method][0]}, level {level}: mean |matte - truth| x 1000: {listed}; best {best}", flush=True)
    return best


def save(folder, case, matte):
    colour = pymatting.estimate_foreground_ml(case.picture, matte)
    folder.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(folder / "matte.tif", np.round(matte * 65535).astype(np.uint16), photometric="minisblack")
    tifffile.imwrite(folder / "colour.tif", np.round(encoded(colour) * 65535).astype(np.uint16), photometric="rgb")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases")
    parser.add_argument("results", type=pathlib.Path)
    parser.add_argument("--pick")
    parser.add_argument("--methods", default="cf,lbdm,knn")
    parser.add_argument("--kinds")
    typed = parser.parse_args()
    kinds = typed.kinds and typed.kinds.split(",")
    scored = cases(typed.cases, kinds)
    among = cases(typed.pick, kinds) if typed.pick else scored
    for method in typed.methods.split(","):
        for level in sorted({c.level for c in scored}):
            pair = picked(method, level, among)
            name = f"{METHODS[method][0]} {pair[0]:.2f} {pair[1]} px"
            mine = [c for c in scored if c.level == level]
            start = time.monotonic()
            for case in mine:
                save(typed.results / name / case.name, case, case.solved(method, pair))
            print(f"{name}: {(time.monotonic() - start) / len(mine):.1f} s a case", flush=True)


if __name__ == "__main__":
    main()
