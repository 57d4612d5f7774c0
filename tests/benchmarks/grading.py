"""Bars of grading on simulated 12 MP frames of known truth.

``python -m tests.benchmarks.grading [seed ...]`` prints every bar: name, figure, bar, met or not; the figure is the worst of the seeds.
Times are processor time of the one thread that grades, compilation apart, beside a named peer in the same run.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from layerblend.kinds import FrameInfo, working_luminance
from layerblend.maths.moffat import axes_of
from layerblend.maths.robust import band_noise
from layerblend.steps.grade import grade_frame, grade_table
from layerblend.steps.match import match_frames
from layerblend.steps.psf import measure_psf
from tests.benchmarks.bars import Line
from tests.scenes.stars import add_stars, debayered, random_catalogue, star_field

FRESH = (101, 102, 103)
HEIGHT, WIDTH = 2994, 3904
SCENES: dict[str, dict[str, Any]] = {
    "1500 stars": {"stars": 1500},
    "120 stars": {"stars": 120},
    "120 stars, hot pixels": {"stars": 120, "hot": 1e-4},
    "1500 stars, hot pixels, galaxy, knots": {"stars": 1500, "hot": 1e-4, "galaxy": True},
    "12 000 stars": {"stars": 12000},
    "300 faint stars (peak 2.4-24 sigma)": {"stars": 300, "faint": -2.0, "bright": -1.0},
    "1500 stars, resampled noise": {"stars": 1500, "correlated": True},
}
SHAPES = ({"fwhm": 3.4, "eccentricity": 0.4, "angle": 40.0}, {"fwhm": 5.0, "eccentricity": 0.5, "angle": 100.0})


def processor_seconds(function: Callable[[], Any], repeats: int = 3) -> float:
    """Least processor time of one thread."""
    function()
    times = []
    for _ in range(repeats):
        start = time.thread_time()
        function()
        times.append(time.thread_time() - start)
    return min(times)


def frame_lines(seeds: Sequence[int]) -> list[Line]:
    """Width and coherent eccentricity of every kind of frame."""
    lines = []
    for name, options in SCENES.items():
        width, ellipse = [], []
        for seed in seeds:
            for shape in SHAPES:
                field = star_field(seed, HEIGHT, WIDTH, **{"bright": 0.7, **options, **shape})
                measure = grade_frame(field.image)
                width.append(abs(measure.fwhm / field.fwhm - 1))
                ellipse.append(abs(measure.eccentricity - field.eccentricity))
        lines += [Line(f"{name}: FWHM bias", 100 * max(width), 1.0, "%"), Line(f"{name}: coherent eccentricity error", max(ellipse), 0.02)]
    return lines


def debayered_lines(seeds: Sequence[int]) -> list[Line]:
    """Debayered frames against the half-maximum width of the mean noise-free star, drawn at all phases of the mosaic."""
    width, ellipse, excess = [], [], []
    for seed in seeds:
        for shape in SHAPES:
            field = star_field(seed, 1500, 2000, stars=400, bright=0.7, margin=12, **shape)
            measure = grade_frame(debayered(field.image))
            truth = debayered_truth(seed, **shape)
            width.append(abs(measure.fwhm / truth - 1))
            excess.append(np.sqrt(truth**2 - shape["fwhm"] ** 2))
            blur = truth**2 - shape["fwhm"] ** 2
            short = shape["fwhm"] * (1 - shape["eccentricity"] ** 2) ** 0.25
            long = shape["fwhm"] / (1 - shape["eccentricity"] ** 2) ** 0.25
            ellipse.append(abs(measure.eccentricity - np.sqrt(1 - (short**2 + blur) / (long**2 + blur))))
    return [
        Line("debayered bilinearly: FWHM against the half-maximum width", 100 * max(width), 1.0, "%"),
        Line("debayered bilinearly: eccentricity, blur added in quadrature", max(ellipse), 0.02),
        Line("debayering adds in quadrature, largest", max(excess), 1.9, "px"),
    ]


def debayered_truth(seed: int, fwhm: float, eccentricity: float, angle: float) -> float:
    """Half-maximum width (from its area) of the mean of 1600 noise-free debayered stars, sampled five times finer than the pixels."""
    fine, reach, step = 5, 8, 24
    grid = np.stack(np.meshgrid(np.arange(40) * step + 20, np.arange(40) * step + 20), -1).reshape(-1, 2)
    places = grid + np.random.default_rng(seed).uniform(-1, 1, grid.shape)
    plane = np.full((40 * step + 40,) * 2, 0.02)
    add_stars(plane, np.column_stack([places, np.ones(len(places))]), fwhm, 3.0, eccentricity, angle, radius=12)
    light = working_luminance(debayered(plane.astype(np.float32))).astype(float) - 0.02
    offsets = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    total, number = np.zeros((2, (2 * reach + 1) * fine, (2 * reach + 1) * fine))
    for x, y in places:
        column, row = round(x), round(y)
        stamp = light[row - reach : row + reach + 1, column - reach : column + reach + 1]
        v = np.floor((offsets[0] + row - y + reach + 0.5) * fine).astype(int).clip(0, total.shape[0] - 1)
        u = np.floor((offsets[1] + column - x + reach + 0.5) * fine).astype(int).clip(0, total.shape[0] - 1)
        np.add.at(total, (v, u), stamp)
        np.add.at(number, (v, u), 1)
    blur = 0.7
    profile = cv2.GaussianBlur(total, (0, 0), blur) / np.maximum(cv2.GaussianBlur(number, (0, 0), blur), 1e-9)
    middle = profile.shape[0] // 2
    core = profile[middle - 4 : middle + 5, middle - 4 : middle + 5].ravel()
    v, u = np.mgrid[-4:5, -4:5].reshape(2, -1)
    peak = np.linalg.lstsq(np.column_stack([np.ones(81), u, v, u * u, u * v, v * v]), core, rcond=None)[0][0]
    large = cv2.resize(profile, None, fx=8, fy=8, interpolation=cv2.INTER_CUBIC)
    width = 2 * np.sqrt((large > peak / 2).sum() / np.pi) / (8 * fine)
    return float(np.sqrt(width**2 - 2.3548**2 * (blur**2 + 1 / 12) / fine**2))


def brightness_lines(seeds: Sequence[int]) -> list[Line]:
    """Brightness and noise of frames of different seeing, transparency, exposure and resampling."""
    error, quiet = [], []
    for seed in seeds:
        catalogue = random_catalogue(np.random.default_rng(seed), 400, 1200, 1500, -1.5, 0.7)
        scales, widths = (1.0, 0.8, 0.5, 2.0, 0.3, 1.6), (2.6, 4.5, 3.2, 3.0, 5.5, 2.8)
        measures, infos = [], []
        for i, (scale, width) in enumerate(zip(scales, widths, strict=True)):
            field = star_field(
                1000 * seed + i, 1200, 1500, catalogue=catalogue, scale=scale, fwhm=width, galaxy=True, correlated=i % 2 == 1
            )
            measures.append(grade_frame(field.image))
            infos.append(FrameInfo(Path(f"{i}.fits"), 0, 1200, 1500, 1, False, 16, 1, 0, None, 0, False, 1.0, 60.0, "", ""))
        rows = {row.file: row for row in grade_table(infos, measures)}
        ratio = np.array([rows[f"{i}.fits"].transparency for i in range(len(scales))]) / scales
        error.append(np.abs(ratio / np.median(ratio) - 1).max())
        quiet += [abs(measures[i].noise / 2e-4 - 1) for i in (0, 2, 4)]
    return [
        Line("brightness of frames of 2.6 to 5.5 px, worst frame", 100 * max(error), 0.5, "%"),
        Line("band noise of white frames with stars and galaxy", 100 * max(quiet), 2.0, "%"),
    ]


def crowded_lines(seeds: Sequence[int]) -> list[Line]:
    """Frames of different seeing matched star by star where stars stand in each other's wings."""
    lines = []
    scales, widths = (1.0, 0.8, 0.5, 2.0, 0.3), (2.6, 4.5, 3.2, 3.0, 5.5)
    height, width = 1000, 1300
    for name, area, steep in (
        ("12 000 stars on 12 MP", 1000, False),
        ("30 000 stars on 12 MP", 400, False),
        ("30 000 stars on 12 MP, mostly faint", 400, True),
        ("120 000 stars on 12 MP, mostly faint", 100, True),
    ):
        error, widest = [], []
        for seed in seeds:
            rng = np.random.default_rng(seed)
            catalogue = random_catalogue(rng, height * width // area, height, width, -1.5, 0.7)
            if steep:  # numbers above a flux fall as flux^-.8
                low, high = 10**2.0, 10**-0.56
                catalogue[:, 2] = (low - rng.uniform(size=len(catalogue)) * (low - high)) ** (-1 / 0.8)
            measures, infos = [], []
            for i, (scale, fwhm) in enumerate(zip(scales, widths, strict=True)):
                measures.append(grade_frame(star_field(1000 * seed + i, height, width, catalogue=catalogue, scale=scale, fwhm=fwhm).image))
                infos.append(FrameInfo(Path(f"{i}.fits"), 0, height, width, 1, False, 16, 1, 0, None, 0, False, 1.0, 60.0, "", ""))
            rows = grade_table(infos, measures).used
            order = [int(row.file[0]) for row in rows]
            found = match_frames(rows, order.index(0)).scale * np.array(scales)[order]
            error.append(np.abs(found / found[order.index(0)] - 1)[[i for i, k in enumerate(order) if k != 4]].max())
            widest.append(abs(found[order.index(4)] - 1))
        lines.append(Line(f"{name}: brightness of frames of 2.6 to 4.5 px, worst frame", 100 * max(error), 0.5, "%"))
        lines.append(Line(f"{name}: brightness of a frame of 5.5 px and .3 of the light", 100 * max(widest), 0.5, "%"))
    return lines


def shape_lines(seeds: Sequence[int]) -> list[Line]:
    """The star image over a field with coma-like growth to the corners."""
    width, ellipse = [], []
    height, width_px = 1500, 2000
    terms = np.array([[np.log(3.2), 0.03, 0, 0.10, 0, 0.12], [0.04, 0, 0, 0.05, 0, -0.05], [0, 0, 0, 0, 0.10, 0]])
    for seed in seeds:
        rng = np.random.default_rng(seed)
        catalogue = random_catalogue(rng, 500, height, width_px, -1.5, 0.7)
        u, v = 2 * catalogue[:, 0] / (width_px - 1) - 1, 2 * catalogue[:, 1] / (height - 1) - 1
        ln_fwhm, e1, e2 = terms @ np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])
        _, eccentricity, angle = axes_of(np.exp(ln_fwhm), e1, e2)
        plane = np.full((height, width_px), 0.02)
        add_stars(plane, catalogue, np.exp(ln_fwhm), 2.8, eccentricity, angle)
        shape = measure_psf((plane + rng.normal(0, 2e-4, plane.shape)).astype(np.float32))
        for x in np.linspace(0, width_px - 1, 5):
            for y in np.linspace(0, height - 1, 5):
                basis = [1, a := 2 * x / (width_px - 1) - 1, b := 2 * y / (height - 1) - 1, a * a, a * b, b * b]
                truth = terms @ basis
                found = shape.coefficients_at(x, y)
                width.append(abs(found[0] - truth[0]))
                ellipse.append(np.abs(found[1:] - truth[1:]).max())
    return [
        Line("star image over the field: width anywhere", 100 * max(width), 2.0, "%"),
        Line("star image over the field: ellipse component anywhere", max(ellipse), 0.02),
    ]


def time_lines(seed: int) -> list[Line]:
    """Seconds a 12 MP frame, one thread, beside source extraction with sep on the same luminance."""
    import sep

    cv2.setNumThreads(1)
    field = star_field(seed, HEIGHT, WIDTH, stars=1500, bright=0.7, **SHAPES[0])
    mono = field.image
    rng = np.random.default_rng(seed)
    colour = np.stack([mono + rng.normal(0, 1e-4, mono.shape).astype(np.float32) for _ in range(3)], -1)
    bordered = colour.copy()
    bordered[:, :15] = np.nan

    def extract() -> None:
        plane = working_luminance(colour)
        background = sep.Background(plane, bw=64, bh=64)
        sep.extract(plane - background.back(), 8.0, err=background.globalrms)

    peer = processor_seconds(extract, 2)
    frame = processor_seconds(lambda: grade_frame(colour))
    return [
        Line("12 MP mono frame", processor_seconds(lambda: grade_frame(mono)), 0.3, "s"),
        Line("12 MP colour frame", frame, 0.3, "s"),
        Line("12 MP colour frame with uncovered border", processor_seconds(lambda: grade_frame(bordered)), 0.3, "s"),
        Line("12 MP colour frame over sep background + extraction alone", frame / peer, 1.0, "x"),
        Line("of which band noise of Y", processor_seconds(lambda: band_noise(mono)), 0.06, "s"),
    ]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print every bar."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", nargs="*", type=int, default=list(FRESH))
    parser.add_argument("--speed", action="store_true", help="times only")
    options = parser.parse_args(arguments)
    warnings.simplefilter("ignore")
    parts: list[Callable[[], list[Line]]] = [lambda: time_lines(options.seeds[0])]
    if not options.speed:
        seeds = options.seeds
        parts += [lambda: frame_lines(seeds), lambda: debayered_lines(seeds), lambda: brightness_lines(seeds), lambda: crowded_lines(seeds)]
        parts += [lambda: shape_lines(seeds)]
    for part in parts:
        for line in part():
            print(line, flush=True)


if __name__ == "__main__":
    main()
