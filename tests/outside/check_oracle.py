"""Two hundred random small scenes, rendered by the program and composited again by the oracle in double precision.

Source: the oracle folder, written from the scene language's words alone and itself checked by check_oracle_itself.py
against published values. 16-bit codes agree within 1.5 of 65535; within the kernel's radius of a drawn edge within 131
(1/512 of coverage; straight colour is known the worse the less alpha it has, so there they are 131 codes of the colour
times its alpha); where the oracle's own answer changes when its inputs move by 2^-22, the limit grows by that change. No
pixel is left out.

    python tests/outside/check_oracle.py                 all seeds
    python tests/outside/check_oracle.py 17 --keep DIR   one seed, its scene and renderings left in DIR
"""

import argparse
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import tifffile

from oracle import icc, kdl, random_scenes, stack

SEEDS = range(200)
CODES = 1.5
EDGE_CODES = 131.0
VARIANTS = [(1, True), (2, True), (3, False), (4, False)]
# Below this alpha a straight colour is any colour: a move of the inputs reaches zero.
NO_COLOUR = 4 * stack.MOVE
PROGRAM = Path(os.environ.get("PLATEWRIGHT_BIN_DIR", "target/release")).resolve() / "platewright"
# Nothing is kept between runs.
os.environ["PLATEWRIGHT_CACHE"] = ""
RESET = dict(os.environ, NO_COLOR="1")


def rendered(folder):
    """Runs the program; what it said if it failed."""
    command = [PROGRAM, "render", "scene.kdl", "--out-dir", "rendered", "--threads", "2"]
    run = subprocess.run(command, cwd=folder, env=RESET, capture_output=True, text=True, timeout=120)
    return None if run.returncode == 0 else f"exit {run.returncode}: {(run.stderr or run.stdout).strip()[:600]}"


def written(path):
    """Codes as (h, w, 4), whether alpha is stored, and the embedded profile."""
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        codes = page.asarray()
        extra = [int(kind) for kind in page.extrasamples]
        profile = bytes(page.iccprofile)
    if codes.dtype != np.uint16:
        raise ValueError(f"samples are {codes.dtype}, wanted uint16")
    if extra not in ([], [2]):
        raise ValueError(f"ExtraSamples is {extra}, wanted none or [2] (unassociated)")
    codes = codes.reshape(*codes.shape[:2], -1)
    alpha = codes[..., -1:] if extra else np.full(codes.shape[:2] + (1,), 65535)
    colour = codes[..., : codes.shape[2] - len(extra)]
    return np.concatenate([np.repeat(colour, 3 // colour.shape[2], axis=2), alpha], axis=2), bool(extra), profile


def plate_codes(scene, output, view):
    """The base plate's stored codes over the output, where rule 7 speaks of them; None where it does not."""
    plate = scene.get("plate")
    touched = {"correct", "member", "profile", "background"} & set(output) or "correct" in scene
    if plate is None or touched or plate["codes"].dtype.kind == "f" or plate["codes"].shape[2] != 3:
        return None
    left, top, w, h = view.crop()
    codes = plate["codes"].astype(np.int64) * (257 if plate["codes"].dtype == np.uint8 else 1)
    rows, columns = np.arange(h) + top, np.arange(w) + left
    inside = ((rows >= 0) & (rows < codes.shape[0]))[:, None] & ((columns >= 0) & (columns < codes.shape[1]))
    picked = codes[np.clip(rows, 0, codes.shape[0] - 1)[:, None], np.clip(columns, 0, codes.shape[1] - 1)]
    return picked, inside & ~view.touched


class Verdict:
    def __init__(self, seed, output):
        self.name = f"seed {seed} {output}"
        self.fault = None
        self.pixels = self.edge = self.unstable = self.over = self.copied = 0
        self.worst = 0.0

    def compare(self, scene, output, path):
        codes, has_alpha, profile_bytes = written(path)
        profile = icc.Profile(profile_bytes)
        view = stack.Stack(scene, output)
        expected = view.codes(profile)
        if codes.shape != expected.shape:
            self.fault = f"is {codes.shape[1]} x {codes.shape[0]} px, wanted {expected.shape[1]} x {expected.shape[0]}"
            return
        if not has_alpha and expected[..., 3].min() < 65535 * (1 - 2**-18):
            self.fault = "is transparent in places and has no alpha channel"
            return
        change = np.zeros(expected.shape)
        seen = expected[..., 3:] > 0
        for seed, together in VARIANTS:
            moved = stack.Stack(scene, output, stack.Moved(seed, together)).codes(profile)
            change = np.maximum(change, np.abs(moved - expected))
            seen |= moved[..., 3:] > 0
        colourless = seen & (expected[..., 3:] < NO_COLOUR * 65535)
        change[..., :3] = np.where(colourless, 65535, change[..., :3])
        near_edges = (EDGE_CODES - CODES) * view.edges[..., None] * np.ones(4)
        near_edges[..., :3] /= np.clip(expected[..., 3:] / 65535, 1 / 65535, 1)
        limit = CODES + near_edges + change
        excess = np.abs(codes - expected) - limit
        bad = (excess > 0).any(axis=2)
        self.pixels, self.over = bad.size, int(bad.sum())
        self.edge = int((view.edges > 1 / 512).sum())
        self.unstable = int((change > CODES).any(axis=2).sum())
        steady = (view.edges <= 1 / 512) & ~(change > CODES).any(axis=2)
        self.worst = float(np.abs(codes - expected)[steady].max(initial=0))
        if self.over:
            y, x, c = np.unravel_index(np.argmax(excess), excess.shape)
            self.fault = (
                f"{self.over} of {bad.size} px disagree, worst at ({x}, {y}) {'RGBA'[c]}: "
                f"is {codes[y, x, c]}, wanted {expected[y, x, c]:.2f} within {limit[y, x, c]:.2f}; "
                f"edge share {view.edges[y, x]:.3f}"
            )
            return
        untouched = plate_codes(scene, output, view)
        if untouched:
            stored, where = untouched
            self.copied = int(where.sum())
            wrong = int((codes[..., :3] != stored).any(axis=2)[where].sum())
            if wrong:
                self.fault = f"{wrong} untouched px are not the plate's own codes"


def judged(job):
    seed, keep = job
    scene = random_scenes.scene(seed)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(keep) / f"seed-{seed}" if keep else Path(scratch)
        kdl.write(scene, folder)
        fault = rendered(folder)
        verdicts = []
        for output in scene["outputs"]:
            verdict = Verdict(seed, output["name"])
            if fault:
                verdict.fault = fault
            else:
                try:
                    verdict.compare(scene, output, folder / "rendered/out" / f"{output['name']}.tif")
                except Exception as error:  # a file that can not be read is a finding like any other
                    verdict.fault = f"{type(error).__name__}: {error}"
            verdicts.append(verdict)
    return verdicts


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", nargs="*", type=int)
    parser.add_argument("--keep", help="leave scenes and renderings in this folder")
    choice = parser.parse_args()
    started = time.monotonic()
    jobs = [(seed, choice.keep) for seed in choice.seeds or SEEDS]
    with multiprocessing.Pool(2) as pool:
        verdicts = [verdict for some in pool.imap(judged, jobs) for verdict in some]
    failed = [verdict for verdict in verdicts if verdict.fault]
    for verdict in sorted(failed, key=lambda v: -v.over)[:40]:
        print(f"{verdict.name}: {verdict.fault}")
        print(f"    again: python tests/outside/check_oracle.py {verdict.name.split()[1]} --keep DIR")
    pixels = max(1, sum(v.pixels for v in verdicts))
    share = lambda count: f"{100 * sum(count(v) for v in verdicts) / pixels:.2f} %"
    print(f"{len(jobs)} scenes, {len(verdicts)} outputs, {pixels} px in {time.monotonic() - started:.0f} s")
    print(f"near drawn edges {share(lambda v: v.edge)}, unstable {share(lambda v: v.unstable)}, excluded 0")
    print(f"untouched px that must be the plate's own codes: {share(lambda v: v.copied)}")
    print(f"worst elsewhere: {max(v.worst for v in verdicts):.3f} codes of 65535 (0.5 of it the rounding)")
    print(f"{len(verdicts) - len(failed)} passed, {len(failed)} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
