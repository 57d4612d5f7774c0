"""Bars of detail, colour, stretch, stars and combine, on simulated scenes with known truth.

``python -m tests.benchmarks.picture [seed ...] [--parts detail,colour,picture,stars,curve,outside]`` prints every bar: the figure of each
seed, the worst, the bar, met or not. The seeds used without arguments were not used while tuning (that was 1 and 11).

Rings are judged on the noise-free picture sent through the gates that the noisy one found: on the noisy picture the most negative ring of
a probe is noise, in the untouched stack as much as after (given beside it).
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter
from skimage import restoration

from layerblend.kinds import Curve, StarShape, working_luminance
from layerblend.maths.curve import stretch, unstretch
from layerblend.maths.perceptual import decode_srgb, delta_e_2000, linear_to_lab, linear_to_oklab
from layerblend.steps.blend import blend, star_layer, star_shares
from layerblend.steps.colour import ColourGates, apply_colour_gates, colour_gates, denoise_colour
from layerblend.steps.combine import lightness_of, lit_lightness, match_lightness, set_lightness
from layerblend.steps.curve import fit_curve
from layerblend.steps.detail import Gates, apply_gates, deconvolve, deconvolve_and_keep, sharpen_gates
from tests.benchmarks.bars import verdict
from tests.scenes.picture import DrawnStack, Scene, draw_scene, star_stamp

FRESH = (21, 22, 23, 24, 25)
GAINS = (1.0, 1.12, 1.08, 1.03)


# ---------------------------------------------------------------- what is judged
def round_star(fwhm: float, beta: float, shape: tuple[int, int]) -> StarShape:
    """A star image that is the same all over the field."""
    terms = np.zeros((3, 6))
    terms[0, 0] = np.log(fwhm)
    return StarShape(beta, terms, *shape, stars=np.zeros((0, 8)))


def luminance_sigma(stack: DrawnStack) -> np.ndarray:
    """Noise map of (R + 2G + B)/4."""
    return np.sqrt((np.square(stack.sigma) * np.array([0.0625, 0.25, 0.0625])).sum(-1)).astype(np.float32)


def mad(values: np.ndarray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def scene_curve(scene: Scene) -> Curve:
    """The curve of the colour stack, black 10."""
    stack = scene.stacks["all"]
    return fit_curve(stack.image, sigma=mad(working_luminance(stack.half_difference)), target=scene.galaxy)


def detail_gates(luminance: np.ndarray, star: StarShape, **options: Any) -> Gates:
    """The frozen operator of a deconvolution."""
    return deconvolve_and_keep(luminance, star, **options)[1]


def detail_plane(stack: DrawnStack, **options: float) -> np.ndarray:
    luminance = working_luminance(stack.image)
    star = round_star(stack.fwhm, stack.beta, luminance.shape)
    return deconvolve(luminance, star, sigma=luminance_sigma(stack), half_difference=working_luminance(stack.half_difference), **options)


def quiet_colour(colour: DrawnStack, guide: DrawnStack, **options: float) -> np.ndarray:
    return denoise_colour(
        colour.image,
        working_luminance(guide.image),
        sigma=colour.sigma,
        half_difference=colour.half_difference,
        guide_sigma=luminance_sigma(guide),
        guide_half_difference=working_luminance(guide.half_difference),
        **options,
    )


@dataclass(frozen=True)
class Recipe:
    """The default recipe without core bend and saturation, frozen on one scene: every gate is kept, so that other pictures of the same
    place (half-sets, the noise-free ones) can be sent through the same operator."""

    colour: ColourGates
    detail: Gates
    sharpening: Gates
    curve: Curve

    def picture(self, colour: np.ndarray, detail: np.ndarray) -> np.ndarray:
        """(H, W, 3) display of a colour stack and a detail stack."""
        luminance = working_luminance(detail)
        coloured = apply_colour_gates(self.colour, colour, luminance)
        shown = stretch(coloured, self.curve)
        lit = self._lit(coloured, apply_gates(self.detail, luminance))
        return set_lightness(shown, apply_gates(self.sharpening, lit))

    def _lit(self, coloured: np.ndarray, light: np.ndarray) -> np.ndarray:
        own = lightness_of(stretch(coloured, self.curve))
        return match_lightness(lit_lightness(coloured, light, self.curve), own)


def frozen_recipe(
    scene: Scene, curve: Curve, *, colour: str = "all", detail: str = "deep", gains: Sequence[float] = GAINS, width_error: float = 1.0
) -> Recipe:
    """Find the gates on the full stacks. ``width_error`` : the star's width that is told, over the true one."""
    stack, coloured_stack = scene.stacks[detail], scene.stacks[colour]
    luminance, sigma = working_luminance(stack.image), luminance_sigma(stack)
    half = working_luminance(stack.half_difference)
    star = round_star(stack.fwhm * width_error, stack.beta, luminance.shape)
    gates = detail_gates(luminance, star, sigma=sigma, half_difference=half, reference_fwhm=coloured_stack.fwhm * width_error)
    chroma = colour_gates(
        coloured_stack.image,
        luminance,
        sigma=coloured_stack.sigma,
        half_difference=coloured_stack.half_difference,
        guide_sigma=sigma,
        guide_half_difference=half,
    )
    draft = Recipe(chroma, gates, Gates((), 1.0, ()), curve)
    coloured = apply_colour_gates(chroma, coloured_stack.image, luminance)
    light = apply_gates(gates, luminance)
    lit = draft._lit(coloured, light)
    half_lightness = draft._lit(coloured, light + apply_gates(gates, half)) - lit
    sharpening = sharpen_gates(lit, gains, sigma=mad(half_lightness[scene.sky]), half_difference=half_lightness)
    return replace(draft, sharpening=sharpening)


def recipe(scene: Scene, curve: Curve, *, colour: str = "all", detail: str = "deep", **options: Any) -> np.ndarray:
    """The starless picture of the default recipe without core bend and saturation, (H, W, 3) display."""
    frozen = frozen_recipe(scene, curve, colour=colour, detail=detail, **options)
    return frozen.picture(scene.stacks[colour].image, scene.stacks[detail].image)


# ---------------------------------------------------------------- measures
def lab_of(display: np.ndarray) -> np.ndarray:
    return linear_to_lab(decode_srgb(display.astype(np.float64)))


def grey_lab(plane: np.ndarray, curve: Curve) -> np.ndarray:
    """L* of a linear plane under the curve."""
    return lab_of(np.repeat(stretch(plane, curve)[..., None], 3, -1))[..., 0]


def viewed(lab: np.ndarray, sigma: float = 2.0) -> np.ndarray:
    return np.stack([gaussian_filter(lab[..., c], sigma) for c in range(3)], -1)


def rings(lightness: np.ndarray, probes: np.ndarray) -> np.ndarray:
    """Per probe the most negative ring (1 px wide, 3 to 12 px) against its surroundings (15 to 21 px), L*."""
    yy, xx = np.mgrid[-21:22, -21:22]
    radius = np.hypot(yy, xx)
    found = []
    for x, y, _ in probes:
        x, y = int(x), int(y)
        if not (21 <= x < lightness.shape[1] - 21 and 21 <= y < lightness.shape[0] - 21):
            continue
        stamp = lightness[y - 21 : y + 22, x - 21 : x + 22]
        level = np.median(stamp[(radius >= 15) & (radius <= 21)])
        found.append(min(stamp[(radius >= r - 0.5) & (radius < r + 0.5)].mean() - level for r in range(3, 13)))
    return np.array(found)


def ring_pair(lightness: np.ndarray, probes: np.ndarray) -> tuple[float, float]:
    found = rings(lightness, probes)
    return float(np.median(found)), float(np.quantile(found, 0.05))


def _ring_sums(first: np.ndarray, second: np.ndarray, low: float, high: float) -> list[tuple[float, float, float]]:
    """Per ring of the band: cross power and both powers of two planes, Hann window over the whole square."""
    size = first.shape[0]
    window = np.hanning(size)[:, None] * np.hanning(size)[None, :]
    spectra = [np.fft.rfft2((plane - plane.mean()) * window) for plane in (first, second)]
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :])
    sums = []
    for a, b in pairwise(np.linspace(low, high, 6)):
        ring = (frequency >= a) & (frequency < b)
        one, two = spectra[0][ring], spectra[1][ring]
        sums.append((float(np.real(np.sum(one * np.conj(two)))), float(np.sum(np.abs(one) ** 2)), float(np.sum(np.abs(two) ** 2))))
    return sums


def band_figures(lightness: np.ndarray, truth: np.ndarray, low: float = 0.10, high: float = 0.15) -> tuple[float, float]:
    """Contrast (gain on the truth) and SNR (coherence with the truth) in a band of cycles/px; per ring, then averaged."""
    sums = _ring_sums(lightness, truth, low, high)
    coherence = [cross**2 / (one * two) for cross, one, two in sums]
    return float(np.mean([cross / two for cross, _, two in sums])), float(np.mean([c / (1 - c) for c in coherence]))


def half_set_figures(first: np.ndarray, second: np.ndarray, low: float = 0.10, high: float = 0.15) -> tuple[float, float]:
    """Contrast (root of the cross power) and SNR of the full set, 2c/(1 - c), from the two half-sets sent through one frozen operator."""
    sums = _ring_sums(first, second, low, high)
    correlation = [cross / np.sqrt(one * two) for cross, one, two in sums]
    return float(np.mean([np.sqrt(max(cross, 0)) for cross, _, _ in sums])), float(np.mean([2 * c / (1 - c) for c in correlation]))


def knot_colours(lab: np.ndarray, truth: np.ndarray, knots: np.ndarray, *, brightest: int = 60) -> tuple[float, float]:
    """Chroma kept and median hue error (degrees) of the brightest red knots against the truth seen at the same width, CIELAB, 3 x 3 px."""
    order = np.argsort(-knots[:, 2])[: max(brightest, 10)]
    kept, turned = [], []
    for x, y, _ in knots[order].astype(int):
        if min(x, y) < 3 or x >= lab.shape[1] - 3 or y >= lab.shape[0] - 3:
            continue
        place = (slice(y - 1, y + 2), slice(x - 1, x + 2))
        a, b = lab[place].mean((0, 1))[1:], truth[place].mean((0, 1))[1:]
        # a knot is the colour that it adds to its surroundings
        wide = (slice(max(y - 9, 0), y + 10), slice(max(x - 9, 0), x + 10))
        if np.hypot(*(b - np.median(truth[wide], (0, 1))[1:])) < 6:
            continue
        kept.append(np.hypot(*a) / np.hypot(*b))
        turned.append(abs(np.degrees(np.angle(np.exp(1j * (np.arctan2(a[1], a[0]) - np.arctan2(b[1], b[0])))))))
    return float(np.median(kept)), float(np.median(turned))


def chroma_noise(lab: np.ndarray, sky: np.ndarray, blur: float = 0.0) -> float:
    """Spread of a*, b* (of a difference to the truth, else the target's own colour counts), after a blur."""
    planes = [gaussian_filter(lab[..., c], blur) if blur else lab[..., c] for c in (1, 2)]
    return float(np.hypot(*(mad(plane[sky]) for plane in planes)))


# ---------------------------------------------------------------- bars of one scene
def detail_bars(scene: Scene, curve: Curve) -> dict[str, float]:
    stack = scene.stacks["deep"]
    luminance = working_luminance(stack.image)
    sharp = detail_plane(stack)
    truth = grey_lab(working_luminance(scene.seen_at(2.0)), curve)
    before, after = grey_lab(luminance, curve), grey_lab(sharp, curve)
    galaxy, sky = scene.galaxy, scene.sky
    sigma = luminance_sigma(stack)
    clean = working_luminance(seen_through(scene, stack))
    told = {}
    for error in (0.9, 1.0, 1.1):
        star = round_star(stack.fwhm * error, stack.beta, luminance.shape)
        gates = detail_gates(luminance, star, sigma=sigma, half_difference=working_luminance(stack.half_difference))
        told[error] = ring_pair(grey_lab(apply_gates(gates, clean), curve), scene.probes)
    noisy, noisy_before = ring_pair(after, scene.probes), ring_pair(before, scene.probes)
    exact = detail_plane(stack, strength=0, grain=1)
    kept = detail_plane(stack, grain=1)
    return {
        "error": rms((after - truth)[galaxy]) / rms((before - truth)[galaxy]),
        "error abs": float(np.abs(after - truth)[galaxy].mean() / np.abs(before - truth)[galaxy].mean()),
        "ring": told[1.0][0],
        "ring worst": told[1.0][1],
        "... of the truth": ring_pair(truth, scene.probes)[1],
        "ring, told 10 % narrow": told[0.9][0],
        "... worst": told[0.9][1],
        "ring, told 10 % wide": told[1.1][0],
        "...  worst": told[1.1][1],
        "ring with noise": noisy[0],
        "ring with noise worst": noisy[1],
        "... of the input": noisy_before[1],
        "flux": abs(float(sharp.sum(dtype=np.float64) / luminance.sum(dtype=np.float64)) - 1),
        "flux grain 1": abs(float(kept.sum(dtype=np.float64) / luminance.sum(dtype=np.float64)) - 1),
        "identity": float(np.abs(exact - luminance).max()),
        "dark specks": float((sharp < -5 * sigma).sum()),
        "sky L* sd / in": mad(after[sky]) / mad(before[sky]),
    }


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values, dtype=np.float64))))


def colour_bars(scene: Scene, curve: Curve) -> dict[str, float]:
    stack = scene.stacks["all"]
    quiet = quiet_colour(stack, scene.stacks["deep"])
    lab, raw = lab_of(stretch(quiet, curve)), lab_of(stretch(stack.image, curve))
    # colour is judged against truth seen through the stack's own star image
    seen = seen_through(scene, stack)
    true = lab_of(stretch(seen, curve))
    sky, galaxy = scene.sky, scene.galaxy
    kept, turned = knot_colours(lab, true, scene.knots)
    chroma = [np.hypot(v[..., 1], v[..., 2])[galaxy] for v in (viewed(lab), viewed(true))]
    return {
        "sky chroma": chroma_noise(lab - true, sky) / chroma_noise(raw - true, sky),
        "sky chroma s6": chroma_noise(lab - true, sky, 6) / chroma_noise(raw - true, sky, 6),
        "knot chroma": kept,
        "knot hue": turned,
        "galaxy chroma": float(chroma[0].mean() / chroma[1].mean()),
        "Y moved": float(np.abs(working_luminance(quiet) - working_luminance(stack.image)).max() / curve.sigma),
    }


def seen_through(scene: Scene, stack: DrawnStack) -> np.ndarray:
    planes = [np.fft.irfft2(np.fft.rfft2(scene.truth[..., c]) * stack.transfer, s=scene.radius.shape) for c in range(3)]
    return np.stack(planes, -1).astype(np.float32)


def picture_bars(scene: Scene, curve: Curve) -> dict[str, float]:
    truth = lab_of(stretch(scene.seen_at(3.0), curve))
    stacks = scene.stacks
    single = lab_of(stretch(stacks["all"].image, curve))
    softened = single.copy()
    softened[..., 1:] = viewed(single)[..., 1:]
    frozen = frozen_recipe(scene, curve)
    made = lab_of(frozen.picture(stacks["all"].image, stacks["deep"].image))
    frozen_alike = frozen_recipe(scene, curve, detail="all")
    alike = lab_of(frozen_alike.picture(*2 * (stacks["all"].image,)))
    clean = [seen_through(scene, stacks[name]) for name in ("all", "deep")]
    unsharpened = replace(frozen, sharpening=Gates((), 1.0, ()))
    ring = ring_pair(lab_of(frozen.picture(*clean))[..., 0], scene.probes)
    ring0 = ring_pair(lab_of(unsharpened.picture(*clean))[..., 0], scene.probes)
    wide = frozen_recipe(scene, curve, width_error=1.1)
    ring_wide = ring_pair(lab_of(wide.picture(*clean))[..., 0], scene.probes)
    noisy = ring_pair(made[..., 0], scene.probes)
    error = {name: float(delta_e_2000(viewed(lab), viewed(truth)).mean()) for name, lab in
             {"made": made, "alike": alike, "soft": softened, "single": single}.items()}  # fmt: skip
    contrast, snr = band_figures(made[..., 0], truth[..., 0])
    contrast_alike, snr_alike = band_figures(alike[..., 0], truth[..., 0])
    contrast_plain, snr_plain = band_figures(single[..., 0], truth[..., 0])
    # what the two luminances differ by before anything was done to them
    raw = {name: band_figures(grey_lab(working_luminance(stacks[name].image), curve), truth[..., 0]) for name in ("all", "deep")}
    through = [lab_of(frozen.picture(stacks["all"].halves[k], stacks["deep"].halves[k]))[..., 0] for k in (0, 1)]
    through_alike = [lab_of(frozen_alike.picture(*2 * (stacks["all"].halves[k],)))[..., 0] for k in (0, 1)]
    half, half_alike = half_set_figures(*through), half_set_figures(*through_alike)
    return {
        "dE made": error["made"],
        "dE / softened": error["made"] / error["soft"],
        "dE / alike": error["made"] / error["alike"],
        "contrast / alike": contrast / contrast_alike,
        "snr / alike": snr / snr_alike,
        "contrast / alike, stacks alone": raw["deep"][0] / raw["all"][0],
        "snr / alike, stacks alone": raw["deep"][1] / raw["all"][1],
        "half-set contrast / alike": half[0] / half_alike[0],
        "half-set snr / alike": half[1] / half_alike[1],
        "contrast / plain": contrast / contrast_plain,
        "snr / plain": snr / snr_plain,
        "ring": ring[0],
        "ring worst": ring[1],
        "ring unsharpened worst": ring0[1],
        "ring told 10 % wide": ring_wide[0],
        "...  worst": ring_wide[1],
        "ring with noise": noisy[0],
        "ring with noise worst": noisy[1],
        "sky L*": mad(made[..., 0][scene.sky]),
        "sky L* plain": mad(single[..., 0][scene.sky]),
    }


def star_bars(scene: Scene, curve: Curve) -> dict[str, float]:
    """Stars of five colours and 400 brightnesses on empty sky: the sharp stack's layer, gated, over the colour stack's sky."""
    rng = np.random.default_rng(int(scene.truth.sum() * 1e3) % 2**31)
    side, pitch, half = 20, 48, 20
    size = side * pitch
    peaks = np.geomspace(3 * curve.sigma, 1.0, side * side)
    places = rng.permutation(side * side)
    colours = np.array([[1.0, 0.55, 0.3], [1.0, 0.8, 0.6], [0.95, 1.0, 0.9], [0.75, 0.85, 1.0], [0.55, 0.75, 1.0]])
    sharp, deep = (np.zeros((size, size, 3), np.float32) for _ in range(2))
    unit = star_stamp(3.05, 0.0, 0.0, 3.2)[44:85, 44:85], star_stamp(4.2, 0.0, 0.0, 3.2)[44:85, 44:85]
    centres = [(int(k % side) * pitch + pitch // 2, int(k // side) * pitch + pitch // 2) for k in places]
    for rank, (x, y) in enumerate(centres):
        spot = (slice(y - half, y + half + 1), slice(x - half, x + half + 1))
        for plane, stamp in ((sharp, unit[0]), (deep, unit[1])):
            plane[spot] += (peaks[rank] / unit[0].max() * stamp[..., None] * colours[rank % 5]).astype(np.float32)
    noises = [curve.sigma * factor * rng.standard_normal((size, size, 3)).astype(np.float32) for factor in (2.0, 1.0)]
    layers = [star_layer(plane + noise, noise, curve) for plane, noise in zip((sharp, deep), noises, strict=True)]
    light = [working_luminance(plane) for plane in (sharp, deep)]
    share, _ = star_shares(*light, curve.sigma * 2.0, 3.0, 3.05)
    made = blend(stretch(noises[1], curve), layers[1] + share[..., None] * (layers[0] - layers[1]))
    back = unstretch(np.minimum(made, np.float32(1 - 1e-6)), curve)
    flux, hue = [], []
    shown = decode_srgb(made)
    for rank, (x, y) in enumerate(centres):
        spot = (slice(y - 10, y + 11), slice(x - 10, x + 11))
        flux.append(working_luminance(back[spot]).sum() / working_luminance(sharp[spot]).sum())
        true, seen = (linear_to_oklab(v) for v in (colours[rank % 5], shown[y - 1 : y + 2, x - 1 : x + 2].mean((0, 1))))
        hue.append(abs(np.degrees(np.angle(np.exp(1j * (np.arctan2(seen[2], seen[1]) - np.arctan2(true[2], true[1])))))))
    clear = slice(side * side // 2, None)
    return {
        "width / best25": star_width(back, centres[clear]) / star_width(sharp, centres[clear]),
        "width, faint half": star_width(back, centres[80:200]) / star_width(sharp, centres[80:200]),
        "flux, least": float(np.median(flux[clear])),
        "flux, 5 % to 95 %": float(np.ptp(np.quantile(flux[clear], [0.05, 0.95]))),
        "hue p95": float(np.quantile(np.array(hue)[clear][np.arange(len(hue[clear])) % 5 != 2], 0.95)),
        "clipped share": float((made >= 0.999).mean()),
    }


def star_width(image: np.ndarray, centres: Sequence[tuple[int, int]]) -> float:
    """Diameter at half maximum of the mean star, each scaled to its own peak, px."""
    yy, xx = np.mgrid[-10:11, -10:11]
    radius = np.hypot(yy, xx)
    stamps = [working_luminance(image[y - 10 : y + 11, x - 10 : x + 11]) for x, y in centres]
    mean = np.mean([stamp / stamp[10, 10] for stamp in stamps], axis=0)
    profile = np.array([mean[(radius >= r - 0.25) & (radius < r + 0.25)].mean() for r in (0, 1, 2, 3, 4, 5, 6)])
    below = int(np.argmax(profile < 0.5))
    return float(2 * (below - 1 + (profile[below - 1] - 0.5) / (profile[below - 1] - profile[below])))


def curve_bars(scene: Scene, curve: Curve) -> dict[str, float]:
    light = scene.stacks["all"].image
    fine = light.astype(np.float64)
    found = {}
    for name, picture in (("inverse float32", light), ("inverse float64", fine)):
        back = unstretch(stretch(picture, curve), curve)
        # relative to the pixel's brightest channel with the pedestal, on which the curve works
        most = picture.max(-1, keepdims=True) + curve.p
        shown = (picture > -curve.p).all(-1)
        found[name] = float((np.abs(back - picture) / most)[shown].max())
    sky = working_luminance(light)[scene.sky]
    found["crushed sky"] = float((sky <= -curve.p).mean())
    return found


def outside_methods(scene: Scene, curve: Curve) -> dict[str, float]:
    """Methods of scikit-image on the same luminance of the deep stack, each at the strength that keeps as much contrast as ours does.

    Denoisers stand beside ours without deconvolution (error against the truth through the stack's own star image), Richardson-Lucy beside
    ours with it (truth at 2 px); errors over that of the input.
    """
    stack = scene.stacks["deep"]
    luminance = working_luminance(stack.image)
    noise = mad(luminance[scene.sky])
    pedestal = 5 * noise
    kernel = star_stamp(stack.fwhm, 0.0, 0.0, stack.beta)[44:85, 44:85]
    scale = float(luminance.max() + pedestal)
    raised = np.maximum(luminance + pedestal, 0) / scale

    def lucy(turns: float) -> np.ndarray:
        return restoration.richardson_lucy(raised, kernel / kernel.sum(), num_iter=round(turns), clip=False) * scale - pedestal

    def means(strength: float) -> np.ndarray:
        return restoration.denoise_nl_means(luminance, h=strength * noise, sigma=noise, fast_mode=True, patch_size=5)

    def wavelet(strength: float) -> np.ndarray:
        return restoration.denoise_wavelet(luminance / noise, sigma=strength, wavelet="sym4", mode="soft", rescale_sigma=False) * noise

    def variation(strength: float) -> np.ndarray:
        return restoration.denoise_tv_chambolle(luminance / noise, weight=strength) * noise

    seen = grey_lab(working_luminance(seen_through(scene, stack)), curve)
    sharp = grey_lab(working_luminance(scene.seen_at(2.0)), curve)
    before = grey_lab(luminance, curve)
    found = {}
    denoisers = {"non-local means": means, "wavelet": wavelet, "total variation": variation}
    for kind, own, truth, others in (
        ("denoised", detail_plane(stack, strength=0), seen, denoisers),
        ("without grain", detail_plane(stack, strength=0, grain=0), seen, denoisers),
        ("sharpened", detail_plane(stack), sharp, {"Richardson-Lucy": lucy}),
    ):
        mine = grey_lab(own, curve)
        wanted = band_figures(mine, truth)[0]
        planes = {"ours": mine} | {name: _at_contrast(make, wanted, truth, curve) for name, make in others.items()}
        for name, after in planes.items():
            contrast, snr = band_figures(after, truth)
            found[f"{kind}, {name}: contrast"] = contrast
            found[f"{kind}, {name}: SNR"] = snr
            found[f"{kind}, {name}: error"] = rms((after - truth)[scene.galaxy]) / rms((before - truth)[scene.galaxy])
            found[f"{kind}, {name}: sky L*"] = mad(after[scene.sky])
            found[f"{kind}, {name}: ring"] = ring_pair(after, scene.probes)[0]
    return found


def _at_contrast(make: Callable[[float], np.ndarray], wanted: float, truth: np.ndarray, curve: Curve) -> np.ndarray:
    """L* of a method at the strength whose contrast comes nearest to the wanted one, by halving between .05 and 60."""
    low, high = np.log(0.05), np.log(60.0)
    tried: dict[float, tuple[float, np.ndarray]] = {}
    for _ in range(8):
        at = 0.5 * (low + high)
        plane = grey_lab(np.asarray(make(float(np.exp(at))), np.float32), curve)
        contrast = band_figures(plane, truth)[0]
        tried[at] = (abs(contrast - wanted), plane)
        grows = make.__name__ == "lucy"
        low, high = (at, high) if (contrast < wanted) == grows else (low, at)
    return min(tried.values(), key=lambda found: found[0])[1]


BARS: dict[str, dict[str, tuple[str, float]]] = {
    "detail": {
        "error": ("<=", 0.80), "ring": (">=", -0.15), "ring worst": (">=", -0.40), "flux": ("<=", 0.01), "flux grain 1": ("<=", 0.01),
        "identity": ("<=", 0.0), "dark specks": ("<=", 0.0),
    },
    "colour": {
        "sky chroma": ("<=", 0.03), "sky chroma s6": ("<=", 0.20), "knot chroma": (">=", 0.85), "knot hue": ("<=", 8.0),
        "galaxy chroma": (">=", 0.94), "Y moved": ("<=", 1e-3),
    },
    "picture": {
        "dE / softened": ("<=", 0.35), "dE / alike": ("<=", 1.0), "contrast / alike": (">=", 1.08), "snr / alike": (">=", 1.20),
        "ring": (">=", -0.15), "ring worst": (">=", -0.40),
    },
    "stars": {"width / best25": ("<=", 1.05), "flux, least": (">=", 0.95), "hue p95": ("<=", 2.0), "clipped share": ("<=", 0.0)},
    "curve": {"inverse float32": ("<=", 1e-5), "inverse float64": ("<=", 1e-12), "crushed sky": ("<=", 0.0)},
}  # fmt: skip
PARTS: dict[str, Callable[[Scene, Curve], dict[str, float]]] = {
    "detail": detail_bars,
    "colour": colour_bars,
    "picture": picture_bars,
    "stars": star_bars,
    "curve": curve_bars,
    "outside": outside_methods,
}


def report(seeds: Sequence[int], parts: Sequence[str], **scene_options: float) -> None:
    found: dict[str, list[dict[str, float]]] = {part: [] for part in parts}
    for seed in seeds:
        scene = draw_scene(seed, **scene_options)  # type: ignore[arg-type]
        curve = scene_curve(scene)
        for part in parts:
            found[part].append(PARTS[part](scene, curve))
    for part in parts:
        for name in found[part][0]:
            values = [figures[name] for figures in found[part]]
            sign, bar = BARS.get(part, {}).get(name, ("", float("nan")))
            worst = min(values) if sign == ">=" else max(values)
            told = f"{sign} {bar:g}  {verdict(worst, bar, sign == '>=')}" if sign else ""
            print(f"{part:8s} {name:36s} {' '.join(f'{v:9.4g}' for v in values)}   worst {worst:9.4g}  {told}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("seeds", nargs="*", type=int, default=list(FRESH))
    parser.add_argument("--parts", default="detail,colour,picture,stars,curve")
    arguments = parser.parse_args()
    report(arguments.seeds or FRESH, arguments.parts.split(","))


if __name__ == "__main__":
    main()
