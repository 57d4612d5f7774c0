"""Bars of star separation, on scenes with known truth.

``python -m tests.benchmarks.split`` prints every bar: name, median and worst of all scenes, bar, and whether the worst met it; then time,
memory and residue beside fills that need no star image, on the same scene in the same run; then one 12 MP colour stack.
``--seeds 401 402`` chooses other scenes, ``--kinds standard`` fewer kinds, ``--no-large`` leaves the 12 MP stack out.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from layerblend.maths.curve import stretch
from layerblend.maths.robust import lag_noise
from layerblend.memory import keep_freed_memory
from layerblend.steps.blend import blend, star_layer
from layerblend.steps.curve import fit_curve
from layerblend.steps.split import split_stars
from layerblend.steps.split.fill import pull_push
from tests.benchmarks.bars import Line, verdict
from tests.scenes.split import FULL, KINDS, LARGE, Scene, make_scene
from tests.scenes.split_score import score

SEEDS = (401, 402, 403, 404, 405)
FILL_SEED = 406


@dataclass(frozen=True)
class Bar:
    """``key`` of `split_score.score`; ``above``: the figure must not fall below the bar."""

    name: str
    key: str
    bar: float
    above: bool = False

    def line(self, figures: list[dict[str, float]]) -> str:
        values = np.array([f[self.key] for f in figures if np.isfinite(f.get(self.key, np.nan))])
        if not len(values):
            return f"{self.name:52s} {'none seen':>19s}"
        worst = values.min() if self.above else values.max()
        held = values >= self.bar if self.above else values <= self.bar
        sign = ">=" if self.above else "<="
        told = verdict(float(worst), self.bar, self.above) + ("" if held.all() else f" (held in {held.sum()} of {len(held)})")
        return f"{self.name:52s} {np.median(values):9.4g} {worst:9.4g} {sign} {self.bar:<7g} {told}"


BARS = (
    Bar("median abs residue under stars, sigma", "residue median", 0.3),
    Bar("95th percentile of it, sigma", "residue p95", 2.5),
    Bar("stars on sky removed", "sky stars removed", 0.985, above=True),
    Bar("share of them leaving > 2 sigma", "sky stars residue", 0.06),
    Bar("stars on the target removed", "galaxy stars removed", 0.75, above=True),
    Bar("share of them leaving > 2 sigma", "galaxy stars residue", 0.30),
    Bar("round saturated stars on sky, sigma", "saturated sky", 0.5),
    Bar("round saturated stars on the target, sigma", "saturated galaxy", 6.0),
    Bar("light of knots kept", "knot flux kept", 0.88, above=True),
    Bar("core of the target kept", "core kept", 0.98, above=True),
    Bar("recovered light of stars, off by", "flux off", 0.02),
    Bar("texture of filled places over untouched ones, off by", "texture off", 0.10),
    Bar("sum less the picture, over its largest value", "round trip", 1e-6),
    Bar("the same by screen in display light", "round trip screen", 1e-6),
)


# ---------------------------------------------------------------- the bars on fresh scenes
def scene_bars(kinds: list[str], seeds: list[int]) -> None:
    figures: dict[str, list[dict[str, float]]] = {}
    for kind in kinds:
        figures[kind] = [judge(make_scene(**FULL, **KINDS[kind], seed=seed)) for seed in seeds]
        print(f"\n{kind}, seeds {seeds[0]}..{seeds[-1]}{'':24s}    median     worst", flush=True)
        for bar in BARS:
            print(bar.line(figures[kind]), flush=True)
    print(f"\nall {sum(map(len, figures.values()))} scenes{'':40s}    median     worst")
    for bar in BARS:
        print(bar.line([figure for kind in figures.values() for figure in kind]))


def judge(scene: Scene) -> dict[str, float]:
    parted = split_stars(scene.image)
    figures = score(scene, parted.starless)
    figures["texture off"] = abs(figures["texture"] - 1)
    largest = float(np.abs(scene.image).max())
    figures["round trip"] = float(np.abs(parted.starless + parted.stars - scene.image).max()) / largest
    figures["round trip screen"] = _screen_error(scene.image, parted.starless)
    return figures


def _screen_error(image: np.ndarray, starless: np.ndarray) -> float:
    """The star layer screened over its own starless picture, against the stretched picture itself."""
    curve = fit_curve(starless, sigma=lag_noise(starless[..., 1]))
    whole = blend(stretch(starless, curve), star_layer(image, starless, curve))
    return float(np.abs(whole - stretch(image, curve)).max())


# ---------------------------------------------------------------- beside fills that know no star image
def opened(image: np.ndarray, mask: np.ndarray, fwhm: float) -> np.ndarray:
    side = 2 * round(1.5 * fwhm) + 1
    return cv2.morphologyEx(image, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))


def biharmonic(image: np.ndarray, mask: np.ndarray, fwhm: float) -> np.ndarray:
    from skimage.restoration import inpaint_biharmonic

    return inpaint_biharmonic(image.astype(np.float64), mask, split_into_regions=True, channel_axis=-1)


def navier_stokes(image: np.ndarray, mask: np.ndarray, fwhm: float) -> np.ndarray:
    where = mask.astype(np.uint8)
    planes = [cv2.inpaint(np.ascontiguousarray(image[..., c]), where, 3, cv2.INPAINT_NS) for c in range(3)]
    return np.stack(planes, -1)


FILLS: dict[str, Callable[[np.ndarray, np.ndarray, float], np.ndarray]] = {
    "opening": opened,
    "biharmonic": biharmonic,
    "navier-stokes": navier_stokes,
}


def beside_fills() -> None:
    """The fills get the true mask of star light above one sigma, which no separation knows."""
    scene = make_scene(**FULL, **KINDS["standard"], seed=FILL_SEED)
    print(f"\n1200 x 1200 colour, seed {FILL_SEED}{'':14s} median     p95  sky removed  knots   core   seconds   MB", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scene.npz"
        mask = (scene.stars > scene.sigma).any(-1)
        np.savez(path, image=scene.image, mask=mask, fwhm=scene.options.fwhm)
        for name in ("split", *FILLS):
            numbers = in_own_process(name, path, Path(folder) / "out.npy")
            figures = score(scene, np.load(Path(folder) / "out.npy"))
            shown = [figures[k] for k in ("residue median", "residue p95", "sky stars removed", "knot flux kept", "core kept")]
            print(f"{name:34s}", *(f"{v:8.3f}" for v in shown), f"{numbers['seconds']:9.1f} {numbers['megabytes']:6.0f}", flush=True)


def in_own_process(name: str, scene: Path, out: Path) -> dict[str, float]:
    """Seconds and memory above what the bare process with the picture held, in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.split", "--child", name, str(scene), str(out)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def child(name: str, scene: str, out: str) -> None:
    keep_freed_memory()  # as the command does
    with np.load(scene) as stored:
        image, mask, fwhm = stored["image"], stored["mask"], float(stored["fwhm"])
    small = make_scene(height=200, width=240, stars=80, saturated=1, knots=0, galaxies=0, target=False).image
    work: Callable[..., Any] = (lambda a, m, f: split_stars(a).starless) if name == "split" else FILLS[name]
    work(small, small[..., 1] > 0.01, fwhm)  # compile and import
    base = _resident()
    begin, processor = time.perf_counter(), time.process_time()
    starless = work(image, mask, fwhm)
    seconds, worked = time.perf_counter() - begin, time.process_time() - processor
    peak = _largest()
    np.save(out, starless)
    print(json.dumps({
        "seconds": seconds, "processor": worked, "megabytes": (peak - base) / 1e6, "with picture": (peak - base + image.nbytes) / 1e6,
        "process": peak / 1e6,
    }))  # fmt: skip


def _largest() -> float:
    """Largest memory since the program began; that of `getrusage` begins with the parent's."""
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmHWM"))


def _resident() -> float:
    with open("/proc/self/statm") as statm:
        return int(statm.read().split()[1]) * resource.getpagesize()


# ---------------------------------------------------------------- one large stack, wide holes
def large_bars() -> None:
    scene = make_scene(**LARGE)
    with tempfile.TemporaryDirectory() as folder:
        path, out = Path(folder) / "scene.npz", Path(folder) / "out.npy"
        np.savez(path, image=scene.image, mask=np.zeros(scene.image.shape[:2], bool), fwhm=4.0)
        numbers = in_own_process("split", path, out)
        figures = score(scene, np.load(out))
    print(f"\n4000 x 3000 colour, {LARGE['stars']} stars")
    print(Line("seconds", numbers["seconds"], 15.0))
    print(Line("largest memory of the whole process, GB", numbers["process"] / 1e3, 2.5))
    print(f"processor seconds {numbers['processor']:.1f}; memory above that of the process before {numbers['megabytes']:.0f} MB")
    figures |= {"texture off": abs(figures["texture"] - 1)}
    for bar_ in BARS[:12]:
        print(bar_.line([figures]))


def wide_holes() -> None:
    """Filling holes as wide as those of the brightest stars (a biharmonic fill took 2.8 s and 489 MB for 320 px)."""
    print("\nfill of one hole in a 1000 x 1000 plane")
    plane = np.random.default_rng(1).normal(0, 1, (1000, 1000)).astype(np.float32)
    for side in (20, 80, 160, 320):
        known = np.ones_like(plane)
        known[300 : 300 + side, 300 : 300 + side] = 0
        begin = time.perf_counter()
        filled = pull_push(plane, known)
        seconds = time.perf_counter() - begin
        inside = filled[300 : 300 + side, 300 : 300 + side]
        off = abs(float(inside.mean()))
        print(f"{side:4d} px: {seconds:6.3f} s (bar 10 s), level off by {off:.3f} sigma, finite {np.isfinite(inside).all()}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=list(SEEDS))
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--no-large", action="store_true")
    parser.add_argument("--only-large", action="store_true")
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        child(*asked.child)
        return
    if not asked.only_large:
        scene_bars(asked.kinds, asked.seeds)
        beside_fills()
        wide_holes()
    if not asked.no_large:
        large_bars()


if __name__ == "__main__":
    main()
