"""Truth scenes for star separation: a spiral target with knots, field stars and small galaxies, seen through a chosen star image.

Linear RGB light, 1.0 = white level before the sky is taken off; the image handed out is sky-subtracted. Every part that separation must
tell apart is kept noise-free beside it: what is not a star (``starless``), the stars, the knots.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numba import njit
from scipy.signal import oaconvolve

FULL_WELL_E = 16000.0
READ_NOISE_E = 2.5
SKY_COLOUR = np.array([1.0, 1.15, 0.85])
DISC_COLOUR = np.array([0.85, 0.95, 1.05])
BULGE_COLOUR = np.array([1.25, 1.0, 0.7])
CHANNEL_WIDTH = np.array([1.0, 1.0, 1.04])

# weight, width factor, extra eccentricity, extra angle, shift along x and y in FWHM: frames of unlike seeing and guiding in one stack
MIXED_FRAMES = (
    (0.50, 0.82, 0.00, 0.0, 0.00, 0.00),
    (0.35, 1.08, 0.15, 0.5, 0.10, 0.05),
    (0.15, 1.60, -0.20, 1.2, -0.08, 0.12),
)
ONE_KIND = ((1.0, 1.0, 0.0, 0.0, 0.0, 0.0),)


@dataclass(frozen=True)
class SceneOptions:
    """What the scene holds; lengths in px, or in FWHM where the name says so."""

    height: int = 600
    width: int = 600
    stars: int = 375
    fwhm: float = 4.0
    eccentricity: float = 0.4
    angle: float = 0.6
    beta: float = 3.0
    frames: int = 200
    sky_e: float = 500.0
    saturated: int = 3
    brightest: float = 30.0
    knots: int = 120
    galaxies: int = 15
    target_scale: float = 90.0
    target: bool = True
    seed: int = 1
    halo: float = 0.015
    noise_blur: float = 0.5
    mixture: tuple[tuple[float, ...], ...] = ONE_KIND
    widening: float = 0.06
    tilt: float = 0.0
    coma: float = 0.0
    lateral: float = 0.0
    spikes: int = 0
    spike_light: float = 0.004
    ghost: float = 0.0
    pairs: int = 0
    cluster: int = 0
    novae: int = 0
    mono: bool = False


@dataclass(frozen=True)
class Scene:
    """Image and truth. ``star_list`` rows: x, y, peak of G, peak over local sigma, saturated; ``knot_list``: x, y, flux, size in FWHM."""

    image: np.ndarray
    starless: np.ndarray
    stars: np.ndarray
    knots: np.ndarray
    sigma: np.ndarray
    star_list: np.ndarray
    knot_list: np.ndarray
    galaxy_list: np.ndarray
    centre: tuple[float, float]
    options: SceneOptions
    sky: np.ndarray
    extra: dict[str, Any] = field(default_factory=dict)


@njit(cache=True)
def add_moffat(plane, x0, y0, amp, a11, a12, a22, beta, reach):  # type: ignore[no-untyped-def]
    """Add one Moffat star, averaged over the pixel where it is steep."""
    h, w = plane.shape
    for y in range(max(0, int(y0 - reach)), min(h - 1, int(y0 + reach) + 1) + 1):
        for x in range(max(0, int(x0 - reach)), min(w - 1, int(x0 + reach) + 1) + 1):
            if (x - x0) ** 2 + (y - y0) ** 2 < 36:
                s = 0.0
                for i in range(3):
                    for j in range(3):
                        dx = x + (j - 1) / 3.0 - x0
                        dy = y + (i - 1) / 3.0 - y0
                        s += (1 + a11 * dx * dx + 2 * a12 * dx * dy + a22 * dy * dy) ** (-beta)
                s /= 9.0
            else:
                dx = x - x0
                dy = y - y0
                s = (1 + a11 * dx * dx + 2 * a12 * dx * dy + a22 * dy * dy) ** (-beta)
            plane[y, x] += amp * s


@njit(cache=True)
def add_gauss(plane, x0, y0, amp, a11, a12, a22, reach):  # type: ignore[no-untyped-def]
    """Add one elliptical Gaussian."""
    h, w = plane.shape
    for y in range(max(0, int(y0 - reach)), min(h - 1, int(y0 + reach) + 1) + 1):
        for x in range(max(0, int(x0 - reach)), min(w - 1, int(x0 + reach) + 1) + 1):
            dx = x - x0
            dy = y - y0
            plane[y, x] += amp * np.exp(-0.5 * (a11 * dx * dx + 2 * a12 * dx * dy + a22 * dy * dy))


@njit(cache=True)
def add_spikes(plane, x0, y0, amp, width, knee, arms, angle, reach):  # type: ignore[no-untyped-def]
    """Add straight arms of light through the star, falling as 1 / (1 + (r/knee)^2), Gaussian across."""
    h, w = plane.shape
    for y in range(max(0, int(y0 - reach)), min(h - 1, int(y0 + reach) + 1) + 1):
        for x in range(max(0, int(x0 - reach)), min(w - 1, int(x0 + reach) + 1) + 1):
            dx = x - x0
            dy = y - y0
            fall = amp / (1 + (dx * dx + dy * dy) / (knee * knee))
            for k in range(arms):
                t = angle + np.pi * k / arms
                across = -dx * np.sin(t) + dy * np.cos(t)
                plane[y, x] += fall * np.exp(-0.5 * (across / width) ** 2)


@njit(cache=True)
def add_ghost(plane, x0, y0, amp, radius, soft):  # type: ignore[no-untyped-def]
    """Add a disc of light with a soft edge and a darker middle: the out-of-focus image of the aperture."""
    h, w = plane.shape
    reach = radius + 4 * soft
    for y in range(max(0, int(y0 - reach)), min(h - 1, int(y0 + reach) + 1) + 1):
        for x in range(max(0, int(x0 - reach)), min(w - 1, int(x0 + reach) + 1) + 1):
            r = np.sqrt((x - x0) ** 2 + (y - y0) ** 2)
            plane[y, x] += amp / (1 + np.exp((r - radius) / soft)) * (1 - 0.4 / (1 + np.exp((r - 0.35 * radius) / soft)))


def ellipse_form(fwhm: float, eccentricity: float, angle: float, beta: float) -> tuple[float, float, float]:
    """Coefficients a11, a12, a22 of the Moffat's quadratic form; ``fwhm`` is the geometric mean of both axes."""
    q = np.sqrt(1 - eccentricity**2)
    k = 2 * np.sqrt(2 ** (1 / beta) - 1)
    a, b = fwhm / np.sqrt(q) / k, fwhm * np.sqrt(q) / k
    c, s = np.cos(angle), np.sin(angle)
    return c * c / a**2 + s * s / b**2, c * s * (1 / a**2 - 1 / b**2), s * s / a**2 + c * c / b**2


def _kernel(o: SceneOptions, channel: int) -> np.ndarray:
    f = o.fwhm * CHANNEL_WIDTH[channel]
    r = int(6 * o.fwhm)
    k = np.zeros((2 * r + 1, 2 * r + 1))
    for weight, width, de, dt, dx, dy in o.mixture:
        form = ellipse_form(f * width, o.eccentricity + de, o.angle + dt, o.beta)
        add_moffat(k, r + dx * o.fwhm, r + dy * o.fwhm, weight, *form, o.beta, r)
    return k / k.sum()


def _convolve(plane: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    return np.asarray(oaconvolve(np.pad(plane, kernel.shape[0] // 2, mode="edge"), kernel, mode="valid"))


def _fractal(shape: tuple[int, int], rng: np.random.Generator, falloff: float) -> np.ndarray:
    h, w = shape
    out, gain = np.zeros(shape, np.float32), 1.0
    for step in (128, 64, 32, 16, 8, 4):
        coarse = rng.standard_normal((h // step + 3, w // step + 3)).astype(np.float32)
        out += gain * cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC)
        gain *= falloff
    return out / out.std()


def _target(o: SceneOptions, cx: float, cy: float) -> tuple[list[np.ndarray], np.ndarray]:
    """Unblurred spiral target per channel, and where its knots may lie."""
    shape = (o.height, o.width)
    yy, xx = np.mgrid[: o.height, : o.width].astype(np.float32)
    tilt, turn, scale = np.deg2rad(45), np.deg2rad(30), o.target_scale
    X = (xx - cx) * np.cos(turn) + (yy - cy) * np.sin(turn)
    Y = (-(xx - cx) * np.sin(turn) + (yy - cy) * np.cos(turn)) / np.cos(tilt)
    R, theta = np.hypot(X, Y) + 1e-3, np.arctan2(Y, X)
    rng = np.random.default_rng(o.seed + 100)
    phase = 2 * (theta - np.log(R / (0.2 * scale)) / np.tan(np.deg2rad(18))) + 0.35 * _fractal(shape, rng, 0.6)
    arm = np.exp(-((1 - np.cos(phase)) / 0.5))
    dust = np.exp(-((1 - np.cos(phase - 0.75)) / 0.12)) * np.exp(-R / (2.2 * scale))
    texture = np.exp(0.35 * _fractal(shape, rng, 0.7))
    disc = 0.016 * np.exp(-R / scale) * (0.45 + 1.6 * arm * texture)
    bulge = 0.12 * np.exp(-3.0 * (np.hypot(X, Y * np.cos(tilt) * 1.25) / (scale * 0.233)) ** (1 / 2.2))
    halo = 0.0006 * np.exp(-R / (3.0 * scale))
    shade = [1 - depth * dust * np.clip(texture, 0, 1.6) * 0.7 for depth in (0.45, 0.6, 0.75)]
    base = [((disc * DISC_COLOUR[c] + bulge * BULGE_COLOUR[c]) * shade[c] + halo).astype(np.float64) for c in range(3)]
    nucleus = o.fwhm * 0.8 / 2.355
    for c in range(3):
        add_gauss(base[c], cx, cy, 0.15 * BULGE_COLOUR[c], 1 / nucleus**2, 0.0, 1 / nucleus**2, 6 * nucleus)
    chance = arm**2 * np.exp(-R / scale) * (abs(R / scale - 2.185) < 2.015)
    return base, chance.astype(np.float64)


def _add_galaxies(base: list[np.ndarray], o: SceneOptions, rng: np.random.Generator) -> np.ndarray:
    rows = []
    for _ in range(o.galaxies):
        x, y = rng.uniform(0, o.width), rng.uniform(0, o.height)
        size, light = rng.uniform(0.4, 1.3) * o.fwhm, 0.0006 * 10 ** rng.uniform(0, 1.3)
        q, angle = rng.uniform(0.4, 1), rng.uniform(0, np.pi)
        c_, s_ = np.cos(angle), np.sin(angle)
        colour = np.array([1.15, 1.0, 0.8]) * rng.uniform(0.85, 1.15, 3)
        for width, share in ((0.35, 0.6), (0.8, 0.3), (1.6, 0.1)):
            a, b = size * width, size * width * q
            form = (c_ * c_ / a**2 + s_ * s_ / b**2, c_ * s_ * (1 / a**2 - 1 / b**2), s_ * s_ / a**2 + c_ * c_ / b**2)
            for c in range(3):
                add_gauss(base[c], x, y, light * share * colour[c], *form, 8 * size)
        rows.append((x, y, size, light))
    return np.array(rows).reshape(-1, 4)


def _add_knots(knots: list[np.ndarray], chance: np.ndarray, o: SceneOptions, sigma: float, rng: np.random.Generator) -> np.ndarray:
    rows = []
    places = rng.choice(chance.size, o.knots, p=chance.ravel() / chance.sum())
    for place in places:
        x, y = place % o.width + rng.uniform(-0.5, 0.5), place // o.width + rng.uniform(-0.5, 0.5)
        size = rng.choice([rng.uniform(0.05, 0.5), rng.uniform(0.5, 1.0), rng.uniform(1.0, 2.2)], p=[0.2, 0.4, 0.4])
        flux = 3.0 * o.fwhm**2 * 4 * sigma * min(rng.uniform(0.004, 1) ** -0.7, 40)
        hydrogen = rng.uniform() < 0.6
        colour = (np.array([1.5, 0.75, 0.8]) if hydrogen else np.array([0.8, 1.0, 1.2])) * rng.uniform(0.9, 1.1, 3)
        s = max(size * o.fwhm / 2.355, 0.35)
        for c in range(3):
            add_gauss(knots[c], x, y, flux * colour[c] / (2 * np.pi * s * s), 1 / s**2, 0.0, 1 / s**2, 5 * s + 2)
        rows.append((x, y, flux, size))
    return np.array(rows).reshape(-1, 4)


def _place_stars(o: SceneOptions, sigma: float, chance: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    n = o.stars
    peak = np.minimum(2.5 * sigma * rng.uniform(0, 1, n) ** (-1 / 0.8), 0.7)
    peak[: o.saturated] = 10 ** rng.uniform(np.log10(1.3), np.log10(o.brightest), o.saturated)
    x, y = rng.uniform(0, o.width, n), rng.uniform(0, o.height, n)
    tint = rng.normal(0, 1, n).clip(-2, 2)
    for k in range(min(o.pairs, o.saturated)):  # a bright companion so near that both clipped blobs touch
        j, turn = o.saturated + k, rng.uniform(0, 2 * np.pi)
        peak[j] = max(peak[k] * 0.5, 1.3)
        gap = o.fwhm * rng.uniform(1.2, 2.0)
        x[j], y[j] = x[k] + gap * np.cos(turn), y[k] + gap * np.sin(turn)
    for k in range(o.novae):  # single bright stars on the arms
        j = n - 1 - k
        place = rng.choice(chance.size, p=chance.ravel() / chance.sum())
        x[j], y[j], peak[j] = place % o.width, place // o.width, sigma * rng.uniform(80, 400)
    for k in range(o.cluster):
        j = n - 1 - o.novae - k
        r, turn = o.fwhm * 9 * np.sqrt(1 / max(rng.uniform(0.02, 1), 1e-3) - 1 + 0.02), rng.uniform(0, 2 * np.pi)
        x[j], y[j] = 0.78 * o.width + r * np.cos(turn), 0.22 * o.height + r * np.sin(turn)
    return x, y, peak, tint


def _star_components(o: SceneOptions, x: float, y: float) -> list[tuple[float, ...]]:
    """The star image at x, y as Moffat parts: weight, fwhm, eccentricity, angle, shift x, shift y (px)."""
    u, v = 2 * x / o.width - 1, 2 * y / o.height - 1
    reach2 = (u * u + v * v) / 2
    fwhm = o.fwhm * (1 + o.widening * reach2) * (1 + o.tilt * u)
    parts = [(w, fwhm * f, o.eccentricity + de, o.angle + dt, dx * o.fwhm, dy * o.fwhm) for w, f, de, dt, dx, dy in o.mixture]
    if o.coma:
        away, turn = o.coma * reach2 * o.fwhm, np.arctan2(v, u)
        parts = [(w * 0.65, f, e, a, sx, sy) for w, f, e, a, sx, sy in parts]
        parts.append((0.25, fwhm * 1.25, 0.3, turn, away * np.cos(turn), away * np.sin(turn)))
        parts.append((0.10, fwhm * 1.7, 0.5, turn, 2 * away * np.cos(turn), 2 * away * np.sin(turn)))
    return parts


def _draw_star(planes: list[np.ndarray], o: SceneOptions, x: float, y: float, peaks: np.ndarray, sigma: float, halo: float) -> None:
    u, v = 2 * x / o.width - 1, 2 * y / o.height - 1
    wide = 10.0 * o.fwhm
    for c in range(3):
        a = float(peaks[c])
        shift = o.lateral * (c - 1)  # red and blue slide apart along the radius
        px, py = x + shift * u, y + shift * v
        reach = min(max(6 * o.fwhm, o.fwhm / 2 / np.sqrt(2 ** (1 / o.beta) - 1) * (a / (0.03 * sigma)) ** (1 / (2 * o.beta))), 600)
        for weight, fwhm, ecc, angle, dx, dy in _star_components(o, x, y):
            form = ellipse_form(fwhm * CHANNEL_WIDTH[c], ecc, angle, o.beta)
            add_moffat(planes[c], px + dx, py + dy, a * weight, *form, o.beta, reach)
        aureole = a * halo * 0.15
        if aureole > 0.03 * sigma:
            form = ellipse_form(wide, 0.0, 0.0, 2.0)
            add_moffat(planes[c], px, py, aureole, *form, 2.0, min(wide / 2 / 0.6436 * (aureole / (0.03 * sigma)) ** 0.25, 700))
        arm = a * o.spike_light
        if o.spikes and arm > 0.3 * sigma:
            knee = 4 * o.fwhm
            add_spikes(planes[c], px, py, arm, 0.4 * o.fwhm, knee, o.spikes // 2, 0.35, min(knee * np.sqrt(arm / (0.03 * sigma)), 900))
        ghost = a * o.ghost
        if o.ghost and ghost > 0.3 * sigma:
            add_ghost(planes[c], x - 0.06 * (x - o.width / 2), y - 0.06 * (y - o.height / 2), ghost, 11 * o.fwhm, 0.8 * o.fwhm)


def make_scene(**changes: Any) -> Scene:
    """Scene of ``SceneOptions(**changes)``: equal options give equal pixels."""
    o = SceneOptions(**changes)
    rng = np.random.default_rng(o.seed)
    sigma0 = float(np.sqrt((o.sky_e + READ_NOISE_E**2) / o.frames) / FULL_WELL_E)
    cx, cy = o.width * 0.5 + 13.3, o.height * 0.5 - 9.7
    base, chance = _target(o, cx, cy)
    if not o.target:
        base = [np.zeros_like(b) for b in base]
    galaxies = _add_galaxies(base, o, rng)
    bare = [np.zeros((o.height, o.width)) for _ in range(3)]
    knot_list = _add_knots(bare, chance, o, sigma0, rng) if o.knots and o.target else np.zeros((0, 4))
    knots = np.stack([_convolve(bare[c], _kernel(o, c)) for c in range(3)], -1)
    sky = o.sky_e / FULL_WELL_E * SKY_COLOUR
    starless = np.stack([_convolve(base[c], _kernel(o, c)) for c in range(3)], -1) + knots + sky
    x, y, peak, tint = _place_stars(o, sigma0, chance, rng)
    peaks = peak[:, None] * np.stack([10 ** (0.09 * tint), np.ones_like(tint), 10 ** (-0.11 * tint)], 1)
    planes = [np.zeros((o.height, o.width)) for _ in range(3)]
    halos = np.where(np.arange(o.stars) < o.saturated, o.halo * rng.uniform(0.8, 1.5, o.stars), o.halo)
    for i in range(o.stars):
        _draw_star(planes, o, x[i], y[i], peaks[i], sigma0, float(halos[i]))
    clipped = np.minimum(starless + np.stack(planes, -1), 1.0)
    noise = rng.standard_normal(clipped.shape)
    if o.noise_blur:
        for c in range(3):
            soft = cv2.GaussianBlur(noise[..., c], (0, 0), o.noise_blur)
            noise[..., c] = soft / soft.std()
    noise[clipped >= 1] *= 0.05
    image = clipped + noise * np.sqrt((clipped * FULL_WELL_E + READ_NOISE_E**2) / o.frames) / FULL_WELL_E
    sigma = np.sqrt((starless * FULL_WELL_E + READ_NOISE_E**2) / o.frames) / FULL_WELL_E
    local = sigma[np.clip(y.round().astype(int), 0, o.height - 1), np.clip(x.round().astype(int), 0, o.width - 1), 1]
    over = np.zeros(o.stars, bool)
    over[: o.saturated + min(o.pairs, o.saturated)] = True
    cut = (lambda a: a[..., 1]) if o.mono else (lambda a: a)
    as_image = lambda a: np.ascontiguousarray(cut(a), np.float32)  # noqa: E731
    return Scene(
        image=as_image(image - sky), starless=as_image(starless - sky), stars=as_image(clipped - starless), knots=as_image(knots),
        sigma=as_image(sigma), star_list=np.stack([x, y, peak, peak / local, over], 1), knot_list=knot_list, galaxy_list=galaxies,
        centre=(cx, cy), options=o, sky=sky, extra={"sigma0": sigma0, "tint": tint, "halos": halos, "saturated": (clipped >= 0.98).any(-1)},
    )  # fmt: skip


# the scenes of the bars: 1200 px squares, and the large one for time and memory
KINDS: dict[str, dict[str, Any]] = {
    "standard": {"stars": 1500, "fwhm": 4.0, "eccentricity": 0.4, "beta": 3.0},
    "crowded": {"stars": 3000, "fwhm": 3.0, "eccentricity": 0.3, "beta": 4.0},
    "soft": {"stars": 900, "fwhm": 5.5, "eccentricity": 0.5, "beta": 2.5},
    "shallow": {"stars": 1200, "fwhm": 4.5, "eccentricity": 0.45, "beta": 3.0, "frames": 40},
    "mixed": {"stars": 1500, "fwhm": 4.0, "eccentricity": 0.4, "beta": 3.2, "mixture": MIXED_FRAMES},
}
FULL = {"height": 1200, "width": 1200, "saturated": 10, "knots": 250, "galaxies": 60, "target_scale": 150.0}
LARGE = {"height": 3000, "width": 4000, "stars": 12500, "target_scale": 300.0, "saturated": 40, "knots": 800, "galaxies": 500, "seed": 5}
