"""Starless colour stacks with known truth: a spiral with dust, knots and clusters, and compact probes on its sky for dark rings.

Stacks are drawn directly (mean star image and exact variance of 100 frames), not frame by frame. The noise is correlated between
neighbours as bilinear debayering and registration leave it. Units: electrons per frame; ``LIGHT`` converts to linear light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft as sf

SKY = np.array([650.0, 800.0, 600.0])  # e-/frame
READ_NOISE = 3.0
FRAMES = 100
LIGHT = 1 / 20000.0  # linear light of an electron: full well 20 000 e-
WEIGHTS = np.array([0.25, 0.5, 0.25])  # of the working luminance
PROBES = 30
STAMP = 64  # half size of a star image, px


@dataclass(frozen=True)
class DrawnStack:
    """One stack: ``image``, ``halves`` (two), ``sigma`` as (H, W, 3) linear light; the star image of its luminance (fwhm, beta)."""

    image: np.ndarray
    halves: tuple[np.ndarray, np.ndarray]
    sigma: np.ndarray
    fwhm: float
    beta: float
    transfer: np.ndarray

    @property
    def half_difference(self) -> np.ndarray:
        return ((self.halves[0] - self.halves[1]) / 2).astype(np.float32)


@dataclass(frozen=True)
class Scene:
    """Truth before any blur (H, W, 3), linear light, and its stacks by name. ``radius`` from the galaxy's centre, in its plane, px."""

    truth: np.ndarray
    radius: np.ndarray
    probes: np.ndarray
    knots: np.ndarray
    stacks: dict[str, DrawnStack]
    scale: float

    def seen_at(self, fwhm: float, beta: float = 3.0) -> np.ndarray:
        """Truth through a round star image of this width, no noise."""
        transfer = sf.rfft2(_placed(star_stamp(fwhm, 0.0, 0.0, beta), self.radius.shape))
        return np.stack([_through(self.truth[..., c], transfer) for c in range(3)], -1).astype(np.float32)

    @property
    def galaxy(self) -> np.ndarray:
        """Where the galaxy stands clear of the sky."""
        return np.asarray(_gaussian(self.truth[..., 1], 3.0) > 12 * LIGHT)

    @property
    def sky(self) -> np.ndarray:
        """Empty sky."""
        return np.asarray((self.radius > 420 * self.scale) & (self.truth[..., 1] < 3 * LIGHT))


def draw_scene(
    seed: int,
    *,
    size: int = 1024,
    stacks: Sequence[str] = ("all", "deep"),
    noise: str = "cfa",
    field: float = 0.0,
    elongation: float = 0.0,
    depth: float = 1.0,
) -> Scene:
    """A scene and its stacks.

    ``stacks`` : of all, deep (1/(sigma^2 FWHM^2) weights), best75, best50, best25. ``noise`` : cfa, registered or white. ``field`` :
    share by which the width falls short in the middle and exceeds in the corners. ``elongation`` : eccentricity of every frame along
    +30 degrees.
    """
    rng = np.random.default_rng(seed)
    scale = size / 1024
    truth, radius, knots = _spiral(rng, size, scale)
    truth = np.maximum(truth, 0)
    probes = _add_probes(truth, radius, seed, scale)
    frames = _draw_frames(np.random.default_rng(seed + 6), elongation)
    drawn = {
        name: _draw_stack(name, truth, frames, noise, field, depth, np.random.default_rng(seed * 1000 + _STACKS.index(name)))
        for name in stacks
    }
    return Scene((np.moveaxis(truth, 0, -1) * LIGHT).astype(np.float32), radius.astype(np.float32), probes, knots, drawn, scale)


# ---------------------------------------------------------------- the target
def _texture(rng: np.random.Generator, slope: float, size: int) -> np.ndarray:
    """Random texture of a power-law spectrum, mean 0, standard deviation 1."""
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :])
    lowest = 1.5 / size
    amplitude = np.where(frequency > lowest, np.maximum(frequency, lowest) ** (-slope / 2), 0)
    field = sf.irfft2(sf.rfft2(rng.standard_normal((size, size))) * amplitude, s=(size, size))
    return (field - field.mean()) / field.std()


def _spiral(rng: np.random.Generator, size: int, scale: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Red, green, blue light (3, H, W), radius in the galaxy's plane, red knots as (n, 3) x, y, light."""
    y, x = (np.mgrid[:size, :size].astype(float) - size // 2) / scale
    turn, tilt = np.deg2rad(30), np.deg2rad(40)
    u = x * np.cos(turn) + y * np.sin(turn)
    v = (-x * np.sin(turn) + y * np.cos(turn)) / np.cos(tilt)
    r = np.hypot(u, v) + 1e-3
    phase = 2 * (np.arctan2(v, u) - np.log(r / 20) / np.tan(np.deg2rad(20)))
    arm = np.exp(1.6 * (np.cos(phase) - 1)) + 0.35 * np.exp(1.2 * (np.cos(phase * 1.5 + 1) - 1))
    disc = np.exp(-r / 95)
    texture = np.exp(0.55 * _texture(rng, 2.6, size) - 0.15) * np.exp(0.40 * _texture(rng, 2.5, size) - 0.08)
    lanes = np.exp(2.5 * (np.cos(phase + 0.9) - 1)) * np.clip(1 + 0.8 * _texture(rng, 2.4, size), 0, None) * (r < 260)
    dust = np.exp(-1.1 * lanes)
    core = np.hypot(r, 4.0)
    old = 120 * np.exp(-r / 90) + 25 * np.exp(-3.7 * ((core / 28) ** 0.5 - 1)) + 8 * np.exp(-r / 190)
    likely = (disc * arm * (r > 25)).ravel()
    likely /= likely.sum()
    count = (max(int(500 * scale**2), 20), max(int(700 * scale**2), 20))
    knots, places = _sprinkle(rng, likely, count[0], (1.6, 3.1), size)
    clusters, _ = _sprinkle(rng, likely, count[1], (1.5, 2.9), size)
    young = (230 * disc * arm * texture + clusters) * dust
    red = 0.75 * young + 1.25 * old * dust**0.7 + 1.3 * knots
    green = 0.95 * young + 1.00 * old * dust**0.9 + 0.35 * knots
    blue = 1.15 * young + 0.62 * old * dust**1.1 + 0.55 * knots
    return np.stack([red, green, blue]), r * scale, places


def _sprinkle(
    rng: np.random.Generator, likely: np.ndarray, count: int, decades: tuple[float, float], size: int
) -> tuple[np.ndarray, np.ndarray]:
    """Compact spots (sigma .8 px) of log-uniform light; the plane and the places (x, y, light)."""
    index = rng.choice(likely.size, count, p=likely)
    light = 10 ** rng.uniform(*decades, count)
    plane = np.zeros(size * size)
    np.add.at(plane, index, light)
    return _gaussian(plane.reshape(size, size), 0.8), np.stack([index % size, index // size, light], 1)


def _add_probes(truth: np.ndarray, radius: np.ndarray, seed: int, scale: float) -> np.ndarray:
    """Isolated compact sources on the sky, added to ``truth`` in place; (n, 3) x, y, light."""
    rng = np.random.default_rng(seed + 99)
    size = truth.shape[1]
    places: list[tuple[int, int]] = []
    for _ in range(20000):
        if len(places) == PROBES:
            break
        x, y = (int(v) for v in rng.integers(24, size - 24, 2))
        if radius[y, x] > 380 * scale and all(np.hypot(x - a, y - b) > 46 for a, b in places):
            places.append((x, y))
    light = 10 ** np.linspace(2.8, 4.0, len(places))
    yy, xx = np.mgrid[-8:9, -8:9]
    spot = np.exp(-(xx**2 + yy**2) / (2 * 0.8**2))
    spot /= spot.sum()
    for (x, y), flux in zip(places, light, strict=True):
        truth[:, y - 8 : y + 9, x - 8 : x + 9] += flux * spot * np.array([1.1, 1, 0.85])[:, None, None]
    return np.array([(x, y, flux) for (x, y), flux in zip(places, light, strict=True)])


# ---------------------------------------------------------------- the frames
def _generator(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng(seed * 1000 + _STACKS.index(name))


_STACKS = ("all", "deep", "best75", "best50", "best25")


def _draw_frames(rng: np.random.Generator, elongation: float) -> dict[str, np.ndarray]:
    """Star image, transparency and sky of 100 frames, sharpest first."""
    fwhm = np.clip(4.0 * np.exp(0.22 * rng.standard_normal(FRAMES)), 2.2, 14)
    eccentricity = np.where(rng.random(FRAMES) < 0.2, rng.uniform(0.5, 0.7, FRAMES), rng.uniform(0.15, 0.42, FRAMES))
    angle = rng.uniform(0, np.pi, FRAMES)
    if elongation:
        eccentricity, angle = np.full(FRAMES, elongation), np.full(FRAMES, np.deg2rad(30))
    frames = {
        "fwhm": fwhm,
        "eccentricity": eccentricity,
        "angle": angle,
        "beta": np.clip(rng.normal(3.2, 0.25, FRAMES), 2.5, 4.2),
        "clear": np.clip(1 - np.abs(rng.normal(0, 0.12, FRAMES)), 0.5, 1),
        "sky": np.exp(rng.normal(0, 0.35, FRAMES)),
    }
    frames["measured"] = fwhm * (1 - eccentricity**2) ** -0.25 * np.exp(rng.normal(0, 0.02, FRAMES))
    order = np.argsort(frames["measured"])
    return {name: values[order] for name, values in frames.items()}


def _weights(name: str, frames: dict[str, np.ndarray], variance: np.ndarray) -> np.ndarray:
    if name == "deep":
        weights = 1 / (variance * frames["measured"] ** 2)
    elif name == "all":
        weights = np.ones(FRAMES)
    else:
        weights = (np.arange(FRAMES) < FRAMES * int(name[4:]) // 100) / variance
    return weights / weights.sum()


def star_stamp(fwhm: float, eccentricity: float, angle: float, beta: float, *, steps: int = 3) -> np.ndarray:
    """Moffat star image integrated over pixels, sum 1; angle in radians."""
    q = np.sqrt(1 - eccentricity**2)
    k = 1 / (2 * np.sqrt(2 ** (1 / beta) - 1))
    long, short = fwhm / np.sqrt(q) * k, fwhm * np.sqrt(q) * k
    y, x = np.mgrid[-STAMP : STAMP + 1, -STAMP : STAMP + 1].astype(float)
    out = np.zeros_like(x)
    offsets = (np.arange(steps) - (steps - 1) / 2) / steps
    for dy in offsets:
        for dx in offsets:
            u = (x + dx) * np.cos(angle) + (y + dy) * np.sin(angle)
            v = -(x + dx) * np.sin(angle) + (y + dy) * np.cos(angle)
            out += (1 + (u / long) ** 2 + (v / short) ** 2) ** -beta
    return out / out.sum()


def _draw_stack(
    name: str, truth: np.ndarray, frames: dict[str, np.ndarray], noise: str, field: float, depth: float, rng: np.random.Generator
) -> DrawnStack:
    size = truth.shape[1]
    variance = (SKY.mean() * frames["sky"] + READ_NOISE**2) / frames["clear"] ** 2
    weights = _weights(name, frames, variance)
    signal_transfer, noise_power, noise_factor = _pixel_transfers(size, noise)
    zones = _zones(size, field)
    transfers = [_mean_transfer(frames, weights, size, stretch) for stretch, _ in zones]
    spectra = [sf.rfft2(plane) for plane in truth]
    light = np.sum(weights**2 / frames["clear"])
    dark = [np.sum(weights**2 * (sky * frames["sky"] + READ_NOISE**2) / frames["clear"] ** 2) for sky in SKY]
    halves = np.zeros((2, size, size, 3), np.float32)
    sigma = np.zeros((size, size, 3), np.float32)
    for c in range(3):
        shape = (size, size)
        blurred = sum(
            sf.irfft2(spectra[c] * h * signal_transfer[c], s=shape) * where for h, (_, where) in zip(transfers, zones, strict=True)
        )
        spread = np.sqrt((light * np.clip(blurred, 0, None) + dark[c]) * noise_factor[c] / depth)
        sigma[..., c] = spread * LIGHT
        amplitude = np.sqrt(noise_power[c] / sf.irfft2(noise_power[c], s=shape)[0, 0])
        for half in halves:
            grain = sf.irfft2(sf.rfft2(rng.standard_normal(shape)) * amplitude, s=shape)
            half[..., c] = (blurred + grain * np.sqrt(2) * spread) * LIGHT
    middle = transfers[len(transfers) // 2]
    luminance = sum(w * middle * t for w, t in zip(WEIGHTS, signal_transfer, strict=True))
    fwhm, beta = _fit_moffat(luminance, size)
    return DrawnStack(((halves[0] + halves[1]) / 2).astype(np.float32), (halves[0], halves[1]), sigma, fwhm, beta, luminance)


def _mean_transfer(frames: dict[str, np.ndarray], weights: np.ndarray, size: int, stretch: float) -> np.ndarray:
    stamp = np.zeros((2 * STAMP + 1, 2 * STAMP + 1))
    for k in np.flatnonzero(weights):
        stamp += weights[k] * star_stamp(
            frames["fwhm"][k] * stretch, frames["eccentricity"][k], frames["angle"][k], frames["beta"][k], steps=2
        )
    return sf.rfft2(_placed(stamp, (size, size)))


def _zones(size: int, field: float) -> list[tuple[float, np.ndarray]]:
    """Width factor and smooth place of each zone of the field."""
    if not field:
        return [(1.0, np.ones((size, size)))]
    y, x = np.mgrid[:size, :size] / (size - 1) - 0.5
    distance = 2.8 * np.hypot(x, y)
    inner, outer = np.clip(1 - distance, 0, 1), np.clip(distance - 1, 0, 1)
    return [(1 - field, inner), (1.0, 1 - inner - outer), (1 + field, outer)]


def _pixel_transfers(size: int, noise: str) -> tuple[list[np.ndarray], list[np.ndarray], list[float]]:
    """Per channel what pixels, debayering and registration do to the signal and to the noise power, and the noise of fewer samples."""
    fy, fx = np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :]
    cy, cx = np.cos(2 * np.pi * fy), np.cos(2 * np.pi * fx)
    one = np.ones((size, size // 2 + 1))
    moved = (2 / 3 + cy / 3) * (2 / 3 + cx / 3)
    blur = np.sinc(fy) ** 2 * np.sinc(fx) ** 2
    if noise == "white":
        return [one] * 3, [one] * 3, [1.0] * 3
    if noise == "registered":
        return [blur] * 3, [moved] * 3, [1.0] * 3
    sparse, dense = (1 + cy) * (1 + cx) / 4, 0.5 + (cy + cx) / 4
    return [sparse * blur, dense * blur, sparse * blur], [sparse**2 * moved, dense**2 * moved, sparse**2 * moved], [1.4, 1.0, 1.4]


# ---------------------------------------------------------------- helpers
def _placed(stamp: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """The stamp on an empty plane with its centre at the origin, wrapped."""
    plane = np.zeros(shape)
    half = stamp.shape[0] // 2
    cut = min(half, (min(shape) - 1) // 2)
    core = stamp[half - cut : half + cut + 1, half - cut : half + cut + 1]
    plane[: core.shape[0], : core.shape[1]] = core / core.sum()
    return np.roll(plane, (-cut, -cut), (0, 1))


def _through(plane: np.ndarray, transfer: np.ndarray) -> np.ndarray:
    return sf.irfft2(sf.rfft2(plane) * transfer, s=plane.shape)


def _gaussian(plane: np.ndarray, sigma: float) -> np.ndarray:
    fy, fx = np.fft.fftfreq(plane.shape[0])[:, None], np.fft.rfftfreq(plane.shape[1])[None, :]
    return _through(np.asarray(plane, float), np.exp(-2 * (np.pi * sigma) ** 2 * (fy**2 + fx**2)))


def _fit_moffat(transfer: np.ndarray, size: int) -> tuple[float, float]:
    """Width and beta of a round Moffat fitted to the middle of a star image."""
    from scipy.optimize import least_squares

    stamp = np.fft.fftshift(sf.irfft2(transfer, s=(size, size)))[size // 2 - 14 : size // 2 + 15, size // 2 - 14 : size // 2 + 15]
    y, x = np.mgrid[-14:15, -14:15]

    def misfit(q: np.ndarray) -> np.ndarray:
        return ((q[0] * (1 + (x**2 + y**2) / q[1] ** 2) ** -q[2] - stamp) / stamp.max()).ravel()

    _, width, beta = least_squares(misfit, [stamp.max(), 3, 3]).x
    return float(2 * abs(width) * np.sqrt(2 ** (1 / beta) - 1)), float(beta)
