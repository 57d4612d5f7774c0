"""Bars of the evidence and the report.

``python -m tests.benchmarks.evidence`` prints every bar: name, figure, bar, met or not; the figure is the worst of the fresh seeds. Parts
by name: ``correlation pairs null coverage large plots``; ``--trials N`` sets the Monte Carlo.
"""

from __future__ import annotations

import argparse
import gc
import resource
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace

import cv2
import numpy as np

from layerblend.evidence.catalogue import BANDS
from layerblend.evidence.correlation import hann_window, make_rings, ring_correlation, snr_variance
from layerblend.evidence.measures import Subject
from layerblend.evidence.verdict import A_BETTER, B_BETTER, NONE_SHOWN, Comparison, compare_subjects
from layerblend.maths.curve import unstretch
from layerblend.maths.perceptual import decode_srgb, encode_srgb, lab_to_linear, linear_to_lab
from layerblend.report.page import comparison_page, make_views
from layerblend.report.places import choose_places
from layerblend.report.plots import grade_report
from tests.benchmarks.bars import Line
from tests.report.test_plots import make_table
from tests.scenes.evidence import Scene, draw_stack, make_curve, make_scene, make_subject, noise_power, signal_power

FRESH = (201, 202, 203)
FWHM = {0: 2.8, 1: 3.4, 2: 4.0, 3: 4.8}
ALL, BEST = dict.fromkeys(range(4), 1.0), {0: 1.0, 1: 1.0}
DEEP = {group: 1 / width**2 for group, width in FWHM.items()}
ONE_SEVENTH = 1 / 3  # SNR of the full stack where the correlation is 1/7


# ---------------------------------------------------------------- ring correlation against truth
def correlation_bars(trials: int) -> Iterator[Line]:
    bias, scatter, cover, resolution = [], [], [], []
    for seed in FRESH:
        scene = make_scene(seed, size=384)
        window = hann_window(scene.target.shape)
        rings = make_rings(scene.target.shape)
        runs = []
        for trial in range(trials):
            halves = draw_stack(scene, ALL, fwhm=FWHM, trial=trial).luminance_halves
            runs.append(ring_correlation(*halves, window=window))
        true = signal_power(scene, ALL, FWHM, window) / noise_power(scene, ALL, window, draws=60)
        use = (rings.frequency > 0.02) & (true > ONE_SEVENTH)
        for low, high in BANDS:
            inside = use & (rings.frequency >= low) & (rings.frequency < high)
            if inside.sum() == ((rings.frequency >= low) & (rings.frequency < high)).sum():
                expected = np.average(true[inside], weights=rings.pixels[inside])
                bias.append(abs(np.mean([run.band(low, high).snr for run in runs]) / expected - 1))
        logs = np.array([np.log1p(run.snr) for run in runs])[:, use]
        stated = np.mean([np.sqrt(snr_variance(run.snr) / run.n_eff) / (1 + run.snr) for run in runs], 0)[use]
        ratio = logs.std(0, ddof=1) / stated
        scatter += [np.median(ratio), 1 / np.median(ratio)]
        inside = [(run.snr_interval[:, 0] <= true) & (true <= run.snr_interval[:, 1]) for run in runs]
        cover.append(np.mean(np.array(inside)[:, use]))
        smooth = np.polyfit(rings.frequency[use][4:], np.log(true[use][4:]), 4)
        fine = np.linspace(rings.frequency[use][4], 0.5, 4000)
        crossing = fine[np.argmax(np.polyval(smooth, fine) < np.log(ONE_SEVENTH))]
        resolution.append(abs(np.mean([1 / run.resolution_px for run in runs]) / crossing - 1))
    yield Line("ring SNR against truth, bands below the 1/7 crossing, worst |bias|", max(bias), 0.10)
    yield Line("ring error bar against Monte Carlo, factor", max(scatter), 1.5)
    yield Line("95 % interval of a ring holds the truth, least share", min(cover), 0.90, above=True)
    yield Line("resolution at 1/7 against truth, worst |bias|", max(resolution), 0.03)


# ---------------------------------------------------------------- pairs known to be better or worse
def _shown(subject: Subject, name: str, curve, change: Callable) -> Subject:
    parts = [np.clip(change(p), 0, 0.9999).astype(np.float32) for p in (subject.picture, subject.half_a, subject.half_b)]
    return replace(subject, name=name, picture=parts[0], half_a=parts[1], half_b=parts[2], linear=unstretch(parts[0], curve))


def _in_lab(change: Callable) -> Callable:
    def apply(picture):
        return encode_srgb(lab_to_linear(change(linear_to_lab(decode_srgb(picture)).astype(np.float32))))

    return apply


def _scaled_chroma(factor: float, turn: float = 0.0) -> Callable:
    c, s = factor * np.cos(np.deg2rad(turn)), factor * np.sin(np.deg2rad(turn))
    return _in_lab(lambda q: np.stack([q[..., 0], c * q[..., 1] - s * q[..., 2], s * q[..., 1] + c * q[..., 2]], -1))


def _rings(scene: Scene, depth: float) -> Callable:
    yy, xx = np.mgrid[: scene.target.shape[0], : scene.target.shape[1]]
    mask = np.zeros(scene.target.shape)
    for x, y, *_ in scene.stars:
        r = np.hypot(xx - x, yy - y)
        mask[(r > 6) & (r < 9)] = 1
    return lambda p: p - depth * mask[..., None]


def _ramp(scene: Scene) -> np.ndarray:
    return np.linspace(-3, 3, scene.target.shape[1])[None, :]


def known_pairs(seed: int) -> Iterator[tuple[str, Comparison, dict[str, str], str]]:
    """Name, comparison of A against the plain stack, verdicts that must come out, and a word that a flag must hold."""
    scene = make_scene(seed, size=384)
    stacks = {name: draw_stack(scene, groups, fwhm=FWHM) for name, groups in (("all", ALL), ("best", BEST), ("deep", DEEP))}
    curve = make_curve(stacks["all"], scene)
    plain = make_subject("plain", scene, stacks["all"], curve=curve)
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(0, 1, scene.target.shape).astype(np.float32), (0, 0), 1.0)
    texture = (0.2 * grain * cv2.GaussianBlur(scene.target.astype(np.float32), (0, 0), 6))[..., None]
    extra = [rng.normal(0, 0.02, plain.picture.shape).astype(np.float32) for _ in range(2)]
    noisy = _shown(plain, "noisy", curve, lambda p: p)
    noisy = replace(
        noisy, picture=plain.picture + (extra[0] + extra[1]) / 2, half_a=plain.half_a + extra[0], half_b=plain.half_b + extra[1]
    )

    def blur(sigma):
        return lambda p: cv2.GaussianBlur(p, (0, 0), sigma)

    ramp = _ramp(scene)
    cases: list[tuple[str, Subject, dict[str, str], str]] = [
        ("sharper half of the frames", make_subject("x", scene, stacks["best"], curve=curve),
         {"star fwhm_major": A_BETTER, "contrast 0.10-0.15": A_BETTER, "sky lightness noise": B_BETTER, "sky chroma noise": B_BETTER,
          "detail SNR 0.05-0.10": B_BETTER}, ""),
        ("sharpness weights", make_subject("x", scene, stacks["deep"], curve=curve),
         {"star fwhm_major": A_BETTER, "contrast 0.10-0.15": A_BETTER, "detail SNR 0.15-0.20": A_BETTER}, ""),
        ("more noise", noisy, {"sky lightness noise": B_BETTER, "sky chroma noise": B_BETTER}, ""),
        ("blurred", _shown(plain, "x", curve, blur(1.5)),
         {"sky lightness noise": A_BETTER, "star fwhm_major": B_BETTER, "contrast 0.15-0.20": B_BETTER}, ""),
        ("median filter", _shown(plain, "x", curve, lambda p: cv2.medianBlur(p.astype(np.float32), 5)),
         {"sky lightness noise": A_BETTER, "contrast 0.15-0.20": B_BETTER, "star flux ratio": B_BETTER}, ""),
        ("unsharp mask", _shown(plain, "x", curve, lambda p: p + 0.7 * (p - blur(2)(p))),
         {"contrast 0.15-0.20": A_BETTER, "sky lightness noise": B_BETTER, "detail SNR 0.10-0.15": NONE_SHOWN}, "sharpening"),
        ("painted texture", _shown(plain, "x", curve, lambda p: p + texture), {"contrast 0.20-0.30": A_BETTER}, "manufactured"),
        ("eroded stars", _shown(plain, "x", curve, lambda p: p + 0.8 * (cv2.erode(p, np.ones((3, 3), np.uint8)) - p)),
         {"star flux ratio": B_BETTER}, ""),
        ("dark rings", _shown(plain, "x", curve, _rings(scene, 0.05)), {"ringing": B_BETTER}, ""),
        ("clipped cores", replace(plain, name="x", picture=np.minimum(plain.picture * 1.5, 1)),
         {"core clipping": B_BETTER}, ""),
        ("clipped highlights", replace(plain, name="x", picture=np.where(plain.picture > 0.6, 1, plain.picture).astype(np.float32)),
         {"clipped": B_BETTER}, ""),
        ("crushed shadows", replace(plain, name="x", picture=np.maximum(plain.picture - 0.12, 0)), {"crushed": B_BETTER}, ""),
        ("gradient", _shown(plain, "x", curve, _in_lab(lambda q: q + np.stack([ramp, 0 * ramp, 0 * ramp], -1))),
         {"left-over gradient lightness": B_BETTER}, ""),
        ("colour gradient", _shown(plain, "x", curve, _in_lab(lambda q: q + np.stack([0 * ramp, ramp, 0 * ramp], -1))),
         {"left-over gradient chroma": B_BETTER}, ""),
        ("green sky", _shown(plain, "x", curve, _in_lab(lambda q: q + np.array([0, -3, 0], np.float32))), {"sky a*": B_BETTER}, ""),
        ("less colour", _shown(plain, "x", curve, _scaled_chroma(0.7)),
         {"chroma ratio": B_BETTER, "colour difference": B_BETTER, "sky chroma noise": A_BETTER}, ""),
        ("turned hue", _shown(plain, "x", curve, _scaled_chroma(1.0, 12)), {"hue shift": B_BETTER, "colour difference": B_BETTER}, ""),
        ("colour blurred", _shown(plain, "x", curve, _in_lab(lambda q: np.concatenate([q[..., :1], blur(3)(q[..., 1:])], -1))),
         {"sky chroma noise": A_BETTER}, ""),
        ("identical", replace(plain, name="x"), {}, ""),
    ]  # fmt: skip
    for name, subject, expected, flag in cases:
        yield name, compare_subjects(subject, plain), expected, flag


def pair_bars(_: int) -> Iterator[Line]:
    wrong = 0
    for seed in FRESH:
        for name, comparison, expected, flag in known_pairs(seed):
            found = {m.name: m.verdict for m in comparison.measures}
            faults = [f"{key}: {found.get(key)}" for key, verdict in expected.items() if found.get(key) != verdict]
            if flag and not any(flag in text for text in comparison.flags):
                faults.append(f"no flag with '{flag}'")
            if name == "identical" and (set(found.values()) != {NONE_SHOWN} or comparison.flags):
                faults.append("something shown")
            if faults:
                print(f"  seed {seed}, {name}: {'; '.join(faults)}")
            wrong += bool(faults)
    yield Line("19 pairs known to be better or worse, three seeds: pairs judged wrongly", wrong, 0)


# ---------------------------------------------------------------- honesty of the intervals
def null_bars(trials: int) -> Iterator[Line]:
    """Two results of equal quality with independent noise, a new scene each time: every verdict is a false one."""
    shown = defaultdict(list)
    for trial in range(trials):
        scene = make_scene(1000 + trial, size=320, stars=49)
        stacks = [draw_stack(scene, BEST, fwhm=FWHM, trial=2 * trial + k) for k in (0, 1)]
        curve = make_curve(stacks[1], scene)
        for m in compare_subjects(*(make_subject(n, scene, s, curve=curve) for n, s in zip("AB", stacks, strict=True))).measures:
            shown[m.name].append(m.verdict != NONE_SHOWN)
    rates = {name: float(np.mean(values)) for name, values in shown.items()}
    worst = max(rates, key=lambda name: rates[name])
    noise = 2.6 * np.sqrt(0.05 * 0.95 / trials)  # 99 % of a true rate of 5 %
    yield Line("equal results: false verdicts, mean over measures", float(np.mean(list(rates.values()))), 0.06)
    yield Line(f"equal results: false verdicts, worst measure ({worst})", rates[worst], 0.05 + noise)


def coverage_bars(trials: int) -> Iterator[Line]:
    """Nested stacks that share frames, one scene, noise redrawn: does the interval hold the mean difference?"""
    scene = make_scene(FRESH[0], size=320, stars=49)
    curve = make_curve(draw_stack(scene, ALL, fwhm=FWHM), scene)
    gaps, halves = defaultdict(list), defaultdict(list)
    for trial in range(trials):
        a, b = (draw_stack(scene, groups, fwhm=FWHM, trial=trial) for groups in (BEST, ALL))
        for m in compare_subjects(make_subject("A", scene, a, curve=curve), make_subject("B", scene, b, curve=curve)).measures:
            gaps[m.name].append(m.difference)
            halves[m.name].append((m.interval[1] - m.interval[0]) / 2)
    cover = {n: float(np.mean(np.abs(np.array(g) - np.mean(g)) <= np.array(halves[n]))) for n, g in gaps.items()}
    ratio = {n: float(np.std(gaps[n], ddof=1) / (np.sqrt(np.mean(np.square(halves[n]))) / 1.96)) for n in gaps if np.std(gaps[n]) > 1e-9}
    worst = min(cover, key=lambda name: cover[name])
    wide = max(ratio, key=lambda name: ratio[name])
    yield Line(f"nested pair: interval holds the mean difference, worst measure ({worst})", cover[worst], 0.88, above=True)
    yield Line(f"nested pair: Monte Carlo scatter over stated error, worst measure ({wide})", ratio[wide], 1.5)


# ---------------------------------------------------------------- size, time, memory
def large_bars(_: int) -> Iterator[Line]:
    """One comparison and its page at 12 MP; figures of processor time, so that a busy machine does not count."""
    rng = np.random.default_rng(1)
    small = make_scene(FRESH[0], size=1000, stars=400)
    curve = make_curve(draw_stack(small, ALL, fwhm=FWHM), small)
    subjects = [make_subject(n, small, draw_stack(small, g, fwhm=FWHM), curve=curve) for n, g in (("blend", BEST), ("plain", ALL))]
    tiled = []
    for subject in subjects:
        parts = {}
        for name, value in vars(subject).items():
            if isinstance(value, np.ndarray) and value.ndim >= 2 and name != "stars":
                parts[name] = np.tile(value, (3, 4, 1)[: value.ndim])
        offsets = [(1000 * column, 1000 * row) for row in range(3) for column in range(4)]
        stars = np.concatenate([subject.stars + np.array([x, y, 0, 0]) for x, y in offsets])
        tiled.append(replace(subject, **parts, stars=stars[rng.permutation(len(stars))]))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    start, wall = time.process_time(), time.perf_counter()
    comparison = compare_subjects(*tiled)
    yield Line("12 MP comparison, processor seconds", time.process_time() - start, 60)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  wall {time.perf_counter() - wall:.1f} s, peak grew by {peak - before:.0f} MB to {peak:.0f} MB")
    places = choose_places(tiled[0].picture, target=tiled[0].target, sky=tiled[0].sky, stars=tiled[0].stars, width=560, height=420)
    start = time.process_time()
    page = comparison_page(comparison.as_json(), make_views(tiled[0].picture, tiled[1].picture, places))
    yield Line("12 MP page written, processor seconds", time.process_time() - start, 10)
    yield Line("12 MP page, MB", len(page.encode()) / 1e6, 15)


def plot_bars(_: int) -> Iterator[Line]:
    table = make_table(12)
    for _turn in range(20):
        grade_report(table)
    gc.collect()
    before = _resident_mb()
    for _turn in range(300):
        grade_report(table)
    gc.collect()
    yield Line("300 grade plots, resident memory grows by MB", _resident_mb() - before, 20)


def _resident_mb() -> float:
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmRSS"))


PARTS = {
    "correlation": correlation_bars, "pairs": pair_bars, "null": null_bars, "coverage": coverage_bars, "large": large_bars,
    "plots": plot_bars,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", choices=PARTS)
    parser.add_argument("--trials", type=int, default=40)
    options = parser.parse_args()
    for name in options.parts or PARTS:
        for line in PARTS[name](options.trials):
            print(line, flush=True)


if __name__ == "__main__":
    main()
