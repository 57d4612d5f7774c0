"""Pairs of results with known truth for the evidence: stacks drawn directly as weighted means of a few groups of frames.

Groups have their own seeing and noise; each group's two halves have fixed noise, so stacks that use the same group share it, as nested
stacks of real frames do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
import scipy.fft
from scipy.ndimage import gaussian_filter

from layerblend.evidence.correlation import make_rings
from layerblend.evidence.measures import Subject
from layerblend.kinds import Curve, working_luminance
from layerblend.maths.curve import stretch, unstretch
from layerblend.maths.moffat import moffat_otf

BETA = 3.2
NOISE = 1.2e-3
SKY_CODE, BRIGHT_CODE, BLACK = 0.12, 0.7, 10.0


@dataclass(frozen=True)
class Scene:
    """Noise-free truth in linear light, (H, W, 3); the stars apart, as (n, 4) x, y, flux, peak for 3.5 px."""

    starless: np.ndarray = field(repr=False)
    points: np.ndarray = field(repr=False)
    stars: np.ndarray = field(repr=False)
    target: np.ndarray = field(repr=False)
    sky: np.ndarray = field(repr=False)
    seed: int


@dataclass(frozen=True)
class Drawn:
    """Halves of one stack, with stars and without; the mean is the full stack."""

    halves: tuple[np.ndarray, np.ndarray] = field(repr=False)
    starless_halves: tuple[np.ndarray, np.ndarray] = field(repr=False)
    starless_signal: np.ndarray = field(repr=False)

    @property
    def full(self) -> np.ndarray:
        return (self.halves[0] + self.halves[1]) / 2

    @property
    def luminance_halves(self) -> tuple[np.ndarray, np.ndarray]:
        return working_luminance(self.starless_halves[0]), working_luminance(self.starless_halves[1])


def make_scene(seed: int, *, size: int = 384, stars: int = 60, brightness: float = 0.2) -> Scene:
    """A round galaxy with power-law texture, coloured arms and knots, and stars on a jittered grid."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    radius, turn = np.hypot(x, y), np.arctan2(y, x)
    scale = size / 14
    arm = np.exp(1.5 * (np.cos(2 * (turn - 2.5 * np.log(radius / 8 + 1))) - 1))
    texture = np.exp(0.5 * _power_law(rng, size, 2.6))
    disk = np.exp(-radius / scale) * (0.35 + arm * texture)
    knots = np.zeros((size, size))
    chance = (disk * arm * (radius > 10)).ravel()
    np.add.at(knots.ravel(), rng.choice(size * size, 120, p=chance / chance.sum()), 10 ** rng.uniform(-0.5, 0.8, 120))
    knots = gaussian_filter(knots, 0.8)
    plane = brightness * disk
    starless = np.stack(
        [plane * (1.05 - 0.2 * arm) + brightness * 0.9 * knots, plane * 0.95 + brightness * 0.3 * knots, plane * (0.75 + 0.35 * arm)], 2
    )
    cells = int(np.ceil(np.sqrt(stars)))
    pitch = size / cells
    place = (np.stack(np.meshgrid(np.arange(cells), np.arange(cells)), -1).reshape(-1, 2)[:stars] + 0.5) * pitch + rng.uniform(
        -3, 3, (stars, 2)
    )
    flux = brightness * 10 ** rng.uniform(0.3, 2.2, stars)
    colour = np.exp(rng.normal(0, 0.2, stars))
    points = np.column_stack([place, flux[:, None] * np.stack([colour, np.ones(stars), 1 / colour], 1)])
    alpha = 3.5 / (2 * np.sqrt(2 ** (1 / BETA) - 1))
    light = working_luminance(points[None, :, 2:])[0]
    catalogue = np.column_stack([place, light, light * (BETA - 1) / (np.pi * alpha**2)])
    shape = gaussian_filter(plane, 3)
    target = shape > 0.04 * shape.max()
    sky = shape < 0.004 * shape.max()
    return Scene(starless, points, catalogue[np.argsort(-catalogue[:, 2])], target, sky, seed)


def draw_stack(
    scene: Scene,
    groups: dict[int, float],
    *,
    fwhm: dict[int, float],
    noise: float = NOISE,
    trial: int = 0,
    grain_px: float = 0.7,
    photon: float = 0.0,
) -> Drawn:
    """Weighted mean of groups of frames.

    ``groups``: number -> weight; ``fwhm``: number -> px; ``noise``: sd of one half of one group per channel; ``trial``: another noise
    draw of the same scene; ``grain_px``: how far neighbouring pixels share noise, as debayering and registration leave it;
    ``photon``: signal (linear light) whose own noise equals the sky's, 0 for none.
    """
    size = scene.starless.shape[0]
    total = sum(groups.values())
    truth = scipy.fft.rfft2(scene.starless, axes=(0, 1))
    points = _points_transform(scene.points, size)
    starless = np.zeros_like(truth)
    stars = np.zeros_like(truth)
    noises = np.zeros((2, *scene.starless.shape))
    for number, weight in groups.items():
        otf = moffat_otf((size, size), fwhm[number], BETA)[..., None] * (weight / total)
        starless += truth * otf
        stars += points * otf
        for half in (0, 1):
            rng = np.random.default_rng([scene.seed, trial, number, half])
            noises[half] += weight / total * _grain(rng, scene.starless.shape, grain_px) * noise
    back = [scipy.fft.irfft2(part, s=(size, size), axes=(0, 1)) for part in (starless, stars)]
    if photon:
        noises *= np.sqrt(1 + np.maximum(back[0] + back[1], 0) / photon)
    bare = tuple((back[0] + n).astype(np.float32) for n in noises)
    full = tuple((back[0] + back[1] + n).astype(np.float32) for n in noises)
    return Drawn(full, bare, back[0])


def make_subject(
    name: str, scene: Scene, colour: Drawn, *, detail: Drawn | None = None, curve: Curve, process: Callable | None = None
) -> Subject:
    """A result: the stack through the curve, ``process`` (display to display) applied alike to picture and halves."""
    detail = detail or colour
    process = process or (lambda display: display)
    picture, half_a, half_b = (process(stretch(image, curve)).astype(np.float32) for image in (colour.full, *colour.halves))
    return Subject(
        name=name,
        picture=picture,
        half_a=half_a,
        half_b=half_b,
        linear=unstretch(picture, curve),
        curve=curve,
        detail_a=working_luminance(detail.starless_halves[0]),
        detail_b=working_luminance(detail.starless_halves[1]),
        reference=colour.full,
        colour=stretch(colour.full, curve),
        stars=scene.stars,
        sky=scene.sky,
        target=scene.target,
    )


def make_curve(stack: Drawn, scene: Scene) -> Curve:
    """The three conditions of the stretch, for this stack."""
    half = working_luminance((stack.starless_halves[0] - stack.starless_halves[1]) / 2)
    sigma = 1.4826 * float(np.median(np.abs(half)))
    target = float(np.quantile(working_luminance(stack.starless_signal.astype(np.float32))[scene.target], 0.995))
    p = BLACK * sigma
    low, high = 1e-9, 1e3
    for _ in range(200):
        s = np.sqrt(low * high)
        if np.arcsinh(p / s) / np.arcsinh((target + p) / s) > SKY_CODE / BRIGHT_CODE:
            low = s
        else:
            high = s
    return Curve(p=p, s=s, norm=float(np.arcsinh(p / s) / SKY_CODE), sigma=sigma, target=target)


def signal_power(scene: Scene, groups: dict[int, float], fwhm: dict[int, float], window: np.ndarray) -> np.ndarray:
    """Ring power of the noise-free luminance of a stack under a window."""
    plane = working_luminance(draw_stack(scene, groups, fwhm=fwhm, noise=0.0).starless_halves[0]).astype(float)
    return make_rings(plane.shape).mean(np.abs(_windowed(plane, window)) ** 2)


def noise_power(
    scene: Scene, groups: dict[int, float], window: np.ndarray, *, draws: int, noise: float = NOISE, grain_px: float = 0.7
) -> np.ndarray:
    """Ring power of the full stack's noise, from draws of its own (independent groups of weights w: sum w^2 / 2 of one half's power)."""
    shape = scene.starless.shape
    total = sum(groups.values())
    share = sum((weight / total) ** 2 for weight in groups.values()) / 2
    rings = make_rings(shape)
    power = np.zeros(len(rings.pixels))
    for draw in range(draws):
        plane = working_luminance((noise * _grain(np.random.default_rng([7, draw]), shape, grain_px)).astype(np.float32)).astype(float)
        power += rings.mean(np.abs(_windowed(plane, window)) ** 2) / draws
    return power * share


def _windowed(plane: np.ndarray, window: np.ndarray) -> np.ndarray:
    level = np.sum(plane * window) / np.sum(window)
    return scipy.fft.rfft2((plane - level) * window) / np.sqrt(plane.size * np.sum(window.astype(float) ** 2))


def _power_law(rng, size: int, slope: float) -> np.ndarray:
    f = np.hypot(scipy.fft.fftfreq(size)[:, None], scipy.fft.rfftfreq(size)[None])
    amplitude = np.where(f > 1.5 / size, np.maximum(f, 1 / size) ** (-slope / 2), 0)
    plane = scipy.fft.irfft2(scipy.fft.rfft2(rng.standard_normal((size, size))) * amplitude, s=(size, size))
    return (plane - plane.mean()) / plane.std()


def _points_transform(points: np.ndarray, size: int) -> np.ndarray:
    ey = np.exp(-2j * np.pi * scipy.fft.fftfreq(size)[:, None] * points[:, 1])
    ex = np.exp(-2j * np.pi * scipy.fft.rfftfreq(size)[:, None] * points[:, 0])
    return np.stack([(ey * points[:, 2 + c]) @ ex.T for c in range(3)], 2)


def _grain(rng, shape: tuple[int, ...], blur: float) -> np.ndarray:
    white = rng.standard_normal(shape)
    if blur <= 0:
        return white
    kernel = cv2.getGaussianKernel(2 * round(4 * blur) + 1, blur)
    return cv2.sepFilter2D(white, -1, kernel, kernel, borderType=cv2.BORDER_REFLECT) / np.sum(kernel**2)
