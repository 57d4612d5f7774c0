"""Bars of the demo's simulator and of reading and writing.

``python -m tests.benchmarks.demo`` prints every bar: name, figure, bar, met or not. Times are processor seconds of one core, compiled
before; ratios are against numpy's bare reading or writing of the same bytes in the same run.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from layerblend.demo.scene import Exposures, Truth, frame_plan, load_scenario, simulate_truth
from layerblend.files.frames import open_frame, read_image
from layerblend.files.pictures import write_fits, write_frame, write_png, write_tiff
from layerblend.kinds import Array
from layerblend.maths.robust import mad_sigma
from layerblend.steps.grade import grade_frame, grade_table
from layerblend.steps.rank import rank_frames
from tests.benchmarks.bars import Line

SIZE, FRAMES = (960, 640), 48
SEEDS = (1, 301, 302)
BIG = (3, 3000, 4000)


def processor_seconds(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


# ---------------------------------------------------------------- the demo's set
def demo_bars(folder: Path) -> Iterator[Line]:
    scenario = load_scenario()
    Exposures(scenario, simulate_truth(scenario, (128, 96), 1), 1).take(frame_plan(scenario, 8, 1)[0])  # compile
    seconds, arms, sharpest, softest, spread, left_out, differing = [], [], [], [], [], [], 0
    for seed in SEEDS:
        begin = time.process_time()
        truth = simulate_truth(scenario, SIZE, seed)
        exposures, plans = Exposures(scenario, truth, seed), frame_plan(scenario, FRAMES, seed)
        frames = [exposures.take(plan) for plan in plans]
        seconds.append(time.process_time() - begin)
        with ThreadPoolExecutor(2) as pool:
            differing += sum(not np.array_equal(a, b) for a, b in zip(frames[:8], pool.map(exposures.take, plans[:8]), strict=True))
        arms.append(arm_sigmas(frames, truth))
        infos = []
        for plan, frame in zip(plans, frames, strict=True):
            write_frame(folder / plan.name, frame, cards=exposures.cards(plan))
            infos.append(open_frame(folder / plan.name))
        table = rank_frames(grade_table(infos, [grade_frame(read_image(info)) for info in infos]))
        widths = np.array([row.fwhm_major for row in table.used])
        sharpest.append(widths.min())
        softest.append(widths.max())
        spread.append(np.median(widths) / np.median(np.sort(widths)[: widths.size // 4]))
        excluded = {row.file for row in table.rows if row.excluded}
        left_out.append(len(excluded & {plan.name for plan in plans if plan.cloudy or plan.eccentricity > 0.8}))
        for plan in plans:
            (folder / plan.name).unlink()
    yield Line("simulate 48 frames of 960 x 640, one core, s", max(seconds), 20)
    yield Line("frames that differ between 1 and 2 threads", differing, 0)
    yield Line("brightest hundredth of the target over the sky noise of the full stack", min(arms), 40, above=True)
    yield Line("the same, not more than", max(arms), 130)
    yield Line("fwhm_major of the sharpest frame, px", max(sharpest), 2.8)
    yield Line("fwhm_major of the softest frame kept, px", min(softest), 5.0, above=True)
    yield Line("median width of all frames over that of the sharpest quarter", min(spread), 1.2, above=True)
    yield Line("spoilt frames left out by grading, of 4", min(left_out), 4, above=True)


def arm_sigmas(frames: list[Array], truth: Truth) -> float:
    """Green light of the target's brightest hundredth over the noise of the mean of all frames, from two half-sets."""
    halves = [np.mean([frame[1].astype(np.float32) for frame in frames[first::2]], axis=0)[20:-20, 20:-20] for first in (0, 1)]
    difference = (halves[0] - halves[1]) / 2
    smooth = difference - (np.roll(difference, 3, 1) + np.roll(difference, -3, 1)) / 2  # a slope cancels; its noise is sqrt(1.5) times
    light = truth.inside(truth.starless)[..., 1] * truth.unit * 65535
    return float(np.percentile(light, 99) / (mad_sigma(smooth) / np.sqrt(1.5)))


# ---------------------------------------------------------------- files
def file_bars(folder: Path) -> Iterator[Line]:
    rng = np.random.default_rng(1)
    codes = rng.integers(800, 1200, BIG).astype(np.uint16)
    codes[:, :5] = 0
    path = folder / "big.fits"
    write_frame(path, codes)
    info = open_frame(path)
    image = read_image(info)  # compile
    bare = processor_seconds(lambda: np.fromfile(path, ">u2", offset=2880).astype(np.float32))
    yield Line(
        "read 12 MP x 3 uint16 as linear light, over a bare read as float32", processor_seconds(lambda: read_image(info)) / bare, 1.5
    )
    yield Line("open a frame's header, ms", 1e3 * processor_seconds(lambda: [open_frame(path) for _ in range(50)]) / 50, 6)
    picture = np.nan_to_num(image)
    bare = processor_seconds(lambda: picture.tofile(folder / "bare"))
    yield Line(
        "write 12 MP x 3 float32 FITS, over a bare write", processor_seconds(lambda: write_fits(folder / "w.fits", picture)) / bare, 6
    )
    yield Line("write 12 MP x 3 16-bit TIFF, s", processor_seconds(lambda: write_tiff(folder / "w.tif", picture)), 2)
    yield Line("write 12 MP x 3 16-bit PNG, s", processor_seconds(lambda: write_png(folder / "w.png", picture)), 4)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        for bars in (demo_bars, file_bars):
            for line in bars(Path(folder)):
                print(line, flush=True)


if __name__ == "__main__":
    main()
