"""Bars of nested stacks: truth kept through two nights of seeing, speed beside named peers, memory.

``python -m tests.benchmarks.stacking [seed ...]`` prints every bar: name, figure, bar, met or not; the figure is the worst of the seeds.
``--speed`` gives times and memory only; ``--large FOLDER`` stacks 12 MP colour frames made in FOLDER (8 GB with the stacks): sixty files of
their own, read cold, and 600 hard links to four of them.
Times are of one run on this machine, compilation apart; ratios to a peer are of the same run.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.stats import mad_std, sigma_clip

from layerblend.files.frames import open_frame
from layerblend.kinds import FrameMeasure, FrameRow, FrameTable
from layerblend.stacking import build_stacks
from layerblend.steps import match
from layerblend.steps import stack as step
from tests.benchmarks.bars import Line
from tests.scenes.frames import WHITE, FrameScene, simulate

FRESH = (201, 202, 203)
SIZE = 352
BRIGHT, MIDDLE, FAINT = 6e5, 4e4, 4e3
FRACTIONS = (0.25, 0.5, 0.75, 1.0)
NO_GAPS = np.zeros((0, 4), np.int32)
SPECS = {"best25": 0.25, "best50": 0.5, "best75": 0.75, "all": 1.0}
F = np.float32


# ---------------------------------------------------------------- truth
def star_grid(seed: int, size: int) -> np.ndarray:
    """Rows x, y, flux of stars of three brightnesses, apart from each other."""
    rng = np.random.default_rng(seed)
    places = np.arange(28, size - 20, 36.0)
    x, y = (a.ravel() + rng.uniform(-0.5, 0.5, places.size**2) for a in np.meshgrid(places, places))
    return np.column_stack([x, y, np.array([BRIGHT, MIDDLE, FAINT])[np.arange(x.size) % 3]])


def nights(n: int, kind: tuple[float, float, float] | None, seed: int) -> np.ndarray:
    """Widths, px: one broad night, or a share ``kind[0]`` at kind[1] px and the rest at kind[2]."""
    rng = np.random.default_rng(seed)
    if kind is None:
        return np.sort(rng.uniform(3, 6, n))
    share, sharp, broad = kind
    few = int(n * share)
    return np.sort(np.concatenate([rng.uniform(sharp - 0.15, sharp + 0.15, few), rng.uniform(broad - 0.3, broad + 0.3, n - few)]))


def combine_scene(scene: FrameScene, counts: Sequence[int]) -> tuple[step.StackOrder, step.Combined]:
    """The kernel on one scene, brightness and sky matched exactly, so that only the judging is judged."""
    n, h, w = scene.frames.shape[:3]
    bright = scene.transparency * scene.exposure
    scale = bright[0] / bright
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    design = np.stack([np.ones(h * w), x.ravel(), y.ravel()], 1)
    over = scene.skies[..., 0] * scale[:, None, None] - scene.skies[0, ..., 0]
    planes = np.array([np.linalg.lstsq(design, plane.ravel(), rcond=None)[0] for plane in over]) / WHITE
    noise = match.relative_noise(scene.sigma * scale)
    raw = np.ascontiguousarray(scene.frames[..., 0].reshape(n, -1), ">f4").view(np.uint8)
    order = step.StackOrder(
        *(h, w, 1, np.full(n, -32), np.ones(n), np.zeros(n), np.full(n, step.NO_BLANK)),
        gain=scale / WHITE,
        planes=planes[:, None],
        full=np.full(n, 0.98 * WHITE, F),
        noise=noise,
        weights=(1 / noise**2).astype(F)[None],
        mapped=np.ones(1, bool),
        sets=np.zeros(len(counts), np.int64),
        counts=np.array(counts),
        strata=step.make_strata(scene.fwhm, eccentricity=scene.eccentricity, angle=scene.angle),
        reach=step.star_reach(scene.fwhm),
        floor=np.zeros(1),
        reject=3.0,
    )
    rows = [np.ascontiguousarray(raw.reshape(n, h, -1)[:, row]) for row in range(20, h, 40)]
    values = np.concatenate([step.matched_rows(order, 0, np.arange(n), row, 0, gaps=NO_GAPS)[:, 0] for row in rows], 1)
    order = replace(order, floor=np.array([step.noise_floor(values, noise)]))
    return order, step.combine_rows(order, 0, raw, 0, gaps=NO_GAPS, saturated=np.zeros((-(-n // 8), h * w), np.uint8))


@dataclass(frozen=True)
class Judged:
    """Peaks lost (share), bias and residue in sigma of a frame, noise over the clean mean's, rejected share of clean sky, holes."""

    bright: float
    middle: float
    bias: float
    noise: float
    false: float
    trail: float
    holes: int


def judge(scene: FrameScene, order: step.StackOrder, out: step.Combined, k: int) -> Judged:
    """Compare output ``k`` with the mean of the clean frames, and with the plain mean of the noisy ones where nothing is spoilt."""
    n = int(order.counts[k])
    weights = order.weights[0, :n].astype(float)
    truth = np.average(scene.matched[:n, ..., 0].astype(float), axis=0, weights=weights) / WHITE
    bright = scene.transparency * scene.exposure
    scale = (bright[0] / bright)[:n, None, None]
    noisy = (scene.frames - scene.clean)[:n, ..., 0].astype(float) * scale / WHITE
    plain = np.average(noisy, axis=0, weights=weights)
    error = out.mean[k] - truth
    y, x = np.mgrid[: truth.shape[0], : truth.shape[1]]
    star = np.zeros(truth.shape, bool)
    for sx, sy, _ in scene.stars:
        star |= np.hypot(y - sy, x - sx) < 13
    spoilt = scene.spoilt[:n].any(0)
    light = scene.matched[0, ..., 0] - scene.skies[0, ..., 0]
    sky = ~star & ~spoilt & (light < 40)
    ratios = {flux: [peak_ratio(out.mean[k], truth, sx, sy) for sx, sy, f in scene.stars if f == flux] for flux in (BRIGHT, MIDDLE)}
    return Judged(
        bright=abs(np.median(ratios[BRIGHT]) - 1),
        middle=abs(np.median(ratios[MIDDLE]) - 1),
        bias=abs(error[sky].mean()) / order.floor[0],
        noise=error[sky].std() / plain[sky].std(),
        false=out.rejected[k][sky].mean() / n,
        trail=abs(error[spoilt & ~star].mean()) / (np.median(order.noise[:n]) * order.floor[0]),
        holes=int(np.isnan(out.mean[k]).sum()),
    )


def peak_ratio(image: np.ndarray, truth: np.ndarray, x: float, y: float) -> float:
    """Light of the middle 3 x 3 px of a star above its surroundings, over the truth's."""
    core, near = ((slice(round(y) - r, round(y) + r + 1), slice(round(x) - r, round(x) + r + 1)) for r in (1, 14))
    sky = np.median(truth[near])
    return float((image[core] - sky).mean() / (truth[core] - sky).mean())


def truth_lines(seeds: Sequence[int]) -> Iterator[Line]:
    """Every stack of every kind of set; worst of the seeds."""
    kinds: dict[str, dict[str, Any]] = {
        "one night 3-6 px, N = 8": {"n": 8},
        "one night 3-6 px, N = 24": {"n": 24},
        "one night 3-6 px, N = 60": {"n": 60},
        "two nights, 25 % at 3.0 px, rest 4.5, N = 60": {"n": 60, "kind": (0.25, 3.0, 4.5)},
        "two nights, 15 % at 2.6 px, rest 4.5, N = 60": {"n": 60, "kind": (0.15, 2.6, 4.5)},
        "two nights, 15 % at 2.6 px, rest 4.5, N = 24": {"n": 24, "kind": (0.15, 2.6, 4.5)},
        "one night, every fifth frame elongated .65, N = 60": {"n": 60, "long": 0.65},
    }
    for name, kind in kinds.items():
        n = kind["n"]
        counts = sorted({max(1, int(f * n + 0.5)) for f in FRACTIONS})
        found: list[tuple[int, Judged]] = []
        for seed in seeds:
            long = np.where(np.arange(n) % 5 == 0, kind.get("long", 0.0), 0.2)
            scene = simulate(
                n,
                shape=(SIZE, SIZE),
                channels=1,
                fwhm=nights(n, kind.get("kind"), seed),
                eccentricity=long if "long" in kind else 0.0,
                stars=star_grid(seed, SIZE),
                transparency=(0.6, 1.0),
                trails=0.3,
                rays=80,
                galaxy=600,
                seed=seed,
            )
            order, out = combine_scene(scene, counts)
            found += [(count, judge(scene, order, out, k)) for k, count in enumerate(counts)]
        enough = [judged for count, judged in found if count >= 6]
        yield Line(f"{name}: bright peaks, all stacks", 100 * max(j.bright for _, j in found), 1.0, "%")
        yield Line(f"{name}: middle peaks, all stacks", 100 * max(j.middle for _, j in found), 1.0, "%")
        yield Line(f"{name}: holes", max(j.holes for _, j in found), 0)
        yield Line(f"{name}: sky bias", max(j.bias for j in enough), 0.02, "sig")
        yield Line(f"{name}: false rejection", 100 * max(j.false for j in enough), 0.5, "%")
        yield Line(f"{name}: noise over the plain mean's", 100 * (max(j.noise for j in enough) - 1), 1.5, "%")
        yield Line(f"{name}: trail and ray residue, n >= 6", max(j.trail for j in enough), 0.25, "sig")


# ---------------------------------------------------------------- speed
def kernel_order(n: int, width: int, extra: int) -> step.StackOrder:
    """Frames of one broad night, four nested stacks and ``extra`` further weight sets over all frames."""
    rng = np.random.default_rng(0)
    counts = [n // 4, n // 2, 3 * n // 4, n] + [n] * extra
    return step.StackOrder(
        *(2000, width, 1, np.full(n, 16), np.ones(n), np.full(n, 32768.0), np.full(n, step.NO_BLANK)),
        gain=np.full(n, 1 / WHITE),
        planes=np.zeros((n, 1, 3)),
        full=np.full(n, 0.98 * WHITE, F),
        noise=np.ones(n),
        weights=np.array([np.ones(n), *rng.uniform(0.5, 1.5, (extra, n))], F),
        mapped=np.array([True] + [False] * extra),
        sets=np.array([0] * 4 + list(range(1, extra + 1))),
        counts=np.array(counts),
        strata=step.make_strata(np.sort(rng.uniform(3, 4.5, n))),
        reach=14,
        floor=np.array([20 / WHITE]),
        reject=3.0,
    )


def kernel_lines() -> Iterator[Line]:
    """Processor time of one thread per sample, least of ten interleaved runs."""
    width, cases = 4144, {}
    for n in (24, 60, 240, 600):
        rows = max(1, 240 // n)
        rng = np.random.default_rng(1)
        values = rng.normal(1000, 25, (n, rows * width))
        values[rng.random(values.shape) < 0.003] += 3000
        raw = (np.clip(np.rint(values), 0, WHITE) - 32768).astype(">i2").view(np.uint8).reshape(n, -1)
        for extra in (0, 5):
            cases[n, extra] = (kernel_order(n, width, extra), raw, np.zeros((-(-n // 8), rows * width), np.uint8))
    best, out = dict.fromkeys(cases, np.inf), dict.fromkeys(cases)
    for _ in range(11):
        for key, (order, raw, bits) in cases.items():
            start = time.thread_time()
            out[key] = step.combine_rows(order, 0, raw, 0, gaps=NO_GAPS, saturated=bits, out=out[key])
            best[key] = min(best[key], 1e9 * (time.thread_time() - start) / (key[0] * bits.shape[1]))
    flat = [best[n, 0] for n in (60, 240, 600)]
    yield Line(
        "kernel, ns a sample: " + ", ".join(f"N = {n}: {best[n, 0]:.2f}" for n in (24, 60, 240, 600)) + "; spread 60-600",
        max(flat) / min(flat),
        1.4,
    )
    for n in (24, 60, 240, 600):
        yield Line(f"five node sums more, N = {n}", 100 * (best[n, 5] / best[n, 0] - 1), 35, "%")


def plain_table(paths: Sequence[Path]) -> FrameTable:
    """A table of frames that need no matching, for timing the pass alone."""
    stars, tiles = np.zeros((0, 4), F), np.zeros((2, 2, 3), F)
    rows = []
    for i, path in enumerate(paths):
        info = open_frame(path, white_level=WHITE)
        width = 3 + i / len(paths)
        channels = (0.015,) * info.channels
        measure = FrameMeasure(
            *(50, width, width, 0.1, 0.0, 3.0, channels, 4e-4, (4e-4,) * info.channels, stars, tiles[..., : info.channels]),
            gaps=stars[:, :3],
        )
        rows.append(
            FrameRow(path.name, path, info, measure, 50, width, width, 0.1, 0.0, 0.015, 0.015, 0.015, 4e-4, 50.0, 1.0, 1.0, "", 60.0)
        )
    return FrameTable(tuple(rows))


def write_noise_frames(folder: Path, n: int, shape: tuple[int, ...]) -> list[Path]:
    """Frames of sky noise with a few rays, uint16."""
    paths = []
    for i in range(n):
        rng = np.random.default_rng(i)
        values = rng.normal(1000, 25, shape).astype(F)
        values[rng.random(shape) < 0.002] += 3000
        paths.append(folder / f"noise{i:03d}.fits")
        fits.PrimaryHDU(np.rint(values).astype(np.uint16)).writeto(paths[-1], overwrite=True)
    return paths


def forget(paths: Sequence[Path]) -> None:
    """Drop the files from the page cache."""
    os.sync()
    for path in paths:
        descriptor = os.open(path, os.O_RDONLY)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(descriptor)


def seconds(function: Callable[[], Any]) -> float:
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def read_all(paths: Sequence[Path]) -> None:
    buffer = np.empty(max(path.stat().st_size for path in paths), np.uint8)
    for path in paths:
        with open(path, "rb", buffering=0) as handle:
            handle.readinto(buffer.data)


def peer_lines(folder: Path) -> Iterator[Line]:
    """Sixty mono frames: everything from files to finished stacks, against four runs of others without halves, matching or maps.

    Two megapixels: in much smaller frames the pass is mostly its fixed .2 s, larger ones take the others minutes.
    """
    from astropy.nddata import CCDData
    from ccdproc import Combiner, combine

    paths = write_noise_frames(folder, 60, (1024, 2048))
    table = plain_table(paths)
    build_stacks(table, SPECS, folder=folder / "warm", level_sky="off", match_brightness=False)
    forget(paths)
    raw = seconds(lambda: read_all(paths))
    forget(paths)
    ours = seconds(lambda: build_stacks(table, SPECS, folder=folder / "cold", level_sky="off", match_brightness=False))
    yield Line(f"60 frames of 2 MP: whole pass {ours:.2f} s over the cold raw read {raw:.2f} s", ours / raw, 3.0, "x")
    warm = seconds(lambda: build_stacks(table, SPECS, folder=folder / "warm", level_sky="off", match_brightness=False))

    def with_ccdproc() -> None:
        for keep in FRACTIONS:
            combine(
                [str(path) for path in paths[: int(60 * keep)]],
                unit="adu",
                method="average",
                sigma_clip=True,
                sigma_clip_low_thresh=3,
                sigma_clip_high_thresh=3,
                sigma_clip_func=np.ma.median,
                sigma_clip_dev_func=mad_std,
                mem_limit=2e9,
            )

    def with_combiner() -> None:
        frames = [CCDData(fits.getdata(path).astype(np.float32), unit="adu") for path in paths]
        for keep in FRACTIONS:
            combiner = Combiner(frames[: int(60 * keep)])
            combiner.sigma_clipping(low_thresh=3, high_thresh=3, func=np.ma.median, dev_func=mad_std)
            combiner.average_combine()

    def with_astropy() -> None:
        cube = np.stack([fits.getdata(path) for path in paths]).astype(F)
        for keep in FRACTIONS:
            sigma_clip(cube[: int(60 * keep)], sigma=3, maxiters=1, cenfunc="median", stdfunc="mad_std", axis=0, masked=False).mean(0)

    yield Line("four ccdproc.combine over the pass (median, MAD, one round)", seconds(with_ccdproc) / warm, 10, "x", above=True)
    yield Line(
        "four ccdproc.Combiner over the pass (median, MAD, until nothing changes)", seconds(with_combiner) / warm, 40, "x", above=True
    )
    yield Line("four astropy sigma_clip over the pass (median, MAD, one round)", seconds(with_astropy) / warm, 6, "x", above=True)


def memory_line(folder: Path, paths: Sequence[Path], label: str) -> Line:
    """Peak resident memory of a process of its own that stacks these frames (the parent's peak would count in ``getrusage``)."""
    code = f"""
import re
from pathlib import Path
from layerblend.stacking import build_stacks
from tests.benchmarks.stacking import SPECS, plain_table
paths = [Path(line) for line in Path({str(folder / "paths.txt")!r}).read_text().splitlines()]
build_stacks(plain_table(paths), SPECS, folder={str(folder / "memory")!r}, level_sky="off", match_brightness=False)
print(int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1e6)
"""
    (folder / "paths.txt").write_text("\n".join(map(str, paths)))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return Line(f"peak memory, {label}", float(done.stdout), 1.0, "GB")


def large_frames(folder: Path, n: int) -> list[Path]:
    """Frames of 12 MP colour, each a file of its own; four differ."""
    folder.mkdir(parents=True, exist_ok=True)
    first = write_noise_frames(folder, 4, (3, 2822, 4144))
    paths = [*first, *(folder / f"noise{i:03d}.fits" for i in range(4, n))]
    for i in range(4, n):
        shutil.copyfile(first[i % 4], paths[i])
    return paths


def large_lines(folder: Path) -> Iterator[Line]:
    """12 MP colour: sixty frames read cold, then 600 hard links of four files."""
    paths = large_frames(folder, 60)

    def one_pass(chosen: Sequence[Path]) -> float:
        table = plain_table(chosen)
        shutil.rmtree(folder / "out", ignore_errors=True)  # taking the place of old stacks costs half a second a gigabyte
        forget(chosen)
        return seconds(lambda: build_stacks(table, SPECS, folder=folder / "out", level_sky="off", match_brightness=False))

    one_pass(paths[:4])
    forget(paths)
    raw = seconds(lambda: read_all(paths))
    ours = one_pass(paths)
    yield Line(f"60 x 12 MP x 3: whole pass {ours:.1f} s over the cold raw read {raw:.1f} s", ours / raw, 3.0, "x")
    links = []
    for i in range(600):
        links.append(folder / f"link{i:03d}.fits")
        links[-1].unlink(missing_ok=True)
        os.link(paths[i % 4], links[-1])
    took = one_pass(links)
    yield Line(f"600 x 12 MP x 3 in {took:.0f} s", 600 * 3 * 2822 * 4144 * 2 / took / 1e9, 0.8, "GB/s", above=True)
    yield memory_line(folder, links, "600 x 12 MP x 3 uint16, two workers")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print every bar."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", nargs="*", type=int, default=list(FRESH))
    parser.add_argument("--speed", action="store_true", help="times and memory only")
    parser.add_argument("--large", type=Path, help="folder for 600 frames of 12 MP")
    options = parser.parse_args(arguments)
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory(prefix="stacking-") as scratch:
        parts: list[Callable[[], Iterator[Line]]] = [kernel_lines, lambda: peer_lines(Path(scratch))]
        if not options.speed:
            parts.append(lambda: truth_lines(options.seeds))
        if options.large:
            parts.append(lambda: large_lines(options.large))
        for part in parts:
            for line in part():
                print(line, flush=True)


if __name__ == "__main__":
    main()
