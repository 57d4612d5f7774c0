"""Truth scenes for sky flattening and star colour. All light in units of the sky noise of one pixel, the same in every channel.

A scene is sky gradient + galaxy (or nebula) + stars + noise, each part known. Nothing here is taken from a real picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

PEDESTAL = 100.0
GRADIENTS = ("plane", "deg2", "deg3", "moon", "corner", "vign", "mix")
BANDS_NM = (600.0, 530.0, 460.0)
ELECTRONS_PER_UNIT = 60.0


@dataclass(frozen=True)
class SkyScene:
    """``image`` = min(sky + galaxy + stars, full) + noise; all (H, W, 3) float32, in sigma."""

    image: np.ndarray
    sky: np.ndarray
    galaxy: np.ndarray
    stars: np.ndarray
    peak: float
    full: float
    scale_px: float
    x: np.ndarray
    y: np.ndarray
    star_peak: np.ndarray
    colour: np.ndarray
    kelvin: np.ndarray


@njit(cache=True)
def _add_moffat(plane, x0, y0, peak, core2, beta, reach):
    height, width = plane.shape
    for y in range(max(0, int(y0 - reach)), min(height - 1, int(y0 + reach) + 1) + 1):
        for x in range(max(0, int(x0 - reach)), min(width - 1, int(x0 + reach) + 1) + 1):
            plane[y, x] += peak * (1.0 + ((x - x0) ** 2 + (y - y0) ** 2) / core2) ** (-beta)


def blackbody_rgb(kelvin) -> np.ndarray:
    """(n, 3) photon rates of a blackbody in three 80 nm bands, green = 1 (Planck's law)."""
    kelvin = np.atleast_1d(np.asarray(kelvin, float))
    bands = []
    for centre in BANDS_NM:
        metres = np.linspace(centre - 40, centre + 40, 17)[None] * 1e-9
        bands.append((1 / metres**4 / np.expm1(0.0143877688 / (metres * kelvin[:, None]))).mean(1))
    rates = np.stack(bands, 1)
    return rates / rates[:, 1:2]


def fractal(rng, shape, slope) -> np.ndarray:
    """(H, W) random field of power spectrum f^-slope, unit deviation."""
    h, w = shape
    f = np.hypot(np.fft.fftfreq(h)[:, None] * h / w, np.fft.rfftfreq(w)[None])
    f[0, 0] = 1
    spectrum = np.fft.rfft2(rng.standard_normal((h, w))) * (f * w) ** (-slope / 2)
    spectrum[0, 0] = 0
    field = np.fft.irfft2(spectrum, s=(h, w))
    return (field / field.std()).astype(np.float32)


def gradient(rng, shape, kind, amplitude, mult=None) -> np.ndarray:
    """(H, W, 3) sky, peak to peak ``amplitude * mult`` per channel; direction, centre and coefficients differ by channel."""
    h, w = shape
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    tall = h / w
    mult = np.array([0.15, 1.0, 0.8])[rng.permutation(3)] if mult is None else np.asarray(mult)
    base, heading, corner = rng.normal(size=(4, 4)), rng.uniform(0, 2 * np.pi), rng.choice([-1, 1], 2)
    moon_x, moon_y = rng.uniform(-1.6, 1.6, 2)
    moon_width = rng.uniform(0.6, 1.2)
    r2 = x**2 + (y * tall) ** 2
    glow = np.exp(-np.hypot(x - corner[0], (y - corner[1]) * tall) / 0.55)
    out = np.empty((h, w, 3), np.float32)
    for c in range(3):
        turned = heading + rng.normal(0, 0.5)
        slope = np.cos(turned) * x + np.sin(turned) * y
        if kind == "plane":
            g = slope
        elif kind in ("deg2", "deg3"):
            coefficients = 0.6 * base + 0.6 * rng.normal(size=(4, 4))
            i, j = np.indices((4, 4))
            coefficients[(i + j > int(kind[3])) | (i + j == 0)] = 0
            g = np.polynomial.legendre.legval2d(x, y, coefficients)
        elif kind == "moon":
            g = (1 + ((x - moon_x) ** 2 + ((y - moon_y) * tall) ** 2) / moon_width**2) ** -1.5 + 0.15 * slope
        elif kind == "corner":
            g = glow
        elif kind == "vign":
            g = r2 + 0.4 * r2**2 + 0.1 * slope
        else:
            g = 0.6 * slope + glow + 0.4 * r2
        out[..., c] = g / np.ptp(g) * amplitude * mult[c]
    return out


def spiral(rng, shape, scale_px, cx, cy, peak, inclination=55.0, halo=0.04) -> np.ndarray:
    """(H, W, 3) disc with two arms and texture, bulge, and a wide round halo; the disc's scale length is ``scale_px``."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    axis, q = rng.uniform(0, np.pi), np.cos(np.deg2rad(inclination))
    u = (x - cx) * np.cos(axis) + (y - cy) * np.sin(axis)
    v = -(x - cx) * np.sin(axis) + (y - cy) * np.cos(axis)
    r, round_r = np.hypot(u, v / q) / scale_px, np.hypot(u, v / min(q + 0.2, 1)) / scale_px
    turn = np.arctan2(v / q, u)
    arms = 0.55 + 1.4 * np.exp(1.5 * (np.cos(2 * (turn - 2.6 * np.log(r + 0.05))) - 1))
    texture = np.exp(0.35 * fractal(rng, shape, 2.6) * np.exp(-r / 4))
    detail = np.where(r < 4, 1 + (arms * texture - 1) * np.exp(-((r / 2.5) ** 2)), 1)
    disc = peak * np.exp(-r) * detail * (1 + 0.12 * np.cos(turn) * np.minimum(r, 3))
    wide, bulge = halo * peak * np.exp(-round_r / 1.8), 2 * peak * np.exp(-3.5 * (r / 0.25) ** 0.6)
    parts = (disc * 0.85 + wide * 1.1 + 1.2 * bulge, disc + wide + bulge, disc * 1.1 + wide * 0.8 + 0.7 * bulge)
    return np.stack(parts, -1).astype(np.float32)


def nebula(rng, shape, strength, slope=3.0) -> np.ndarray:
    """(H, W, 3) emission that fills the frame, red strongest."""
    first, second = fractal(rng, shape, slope), fractal(rng, shape, slope)
    n = np.exp(0.9 * first)
    n = strength * (n - n.min()) / n.std()
    return np.stack([n * (1.3 + 0.2 * second), n * 0.5, n * (0.55 - 0.1 * second)], -1).clip(0).astype(np.float32)


def make_scene(
    seed,
    *,
    kind="deg2",
    amplitude=15.0,
    frac=1 / 12,
    centre="mid",
    shape=(1000, 1500),
    n_stars=1000,
    peak=120.0,
    two=False,
    with_galaxy=True,
    nebula_strength=0.0,
    nebula_slope=3.0,
    full=2000.0,
    white=(1.0, 1.0, 1.0),
    mult=None,
    fwhm=4.0,
    reddened=True,
    inclination=55.0,
) -> SkyScene:
    """One scene; ``fwhm`` may be three widths (a PSF that differs by channel), ``frac`` is galaxy scale over frame width."""
    rng = np.random.default_rng(seed)
    h, w = shape
    sky = PEDESTAL + gradient(rng, shape, kind, amplitude, mult)
    cx, cy = {"mid": (0.51 * w, 0.48 * h), "off": (0.27 * w, 0.68 * h), "edge": (0.12 * w, 0.4 * h)}[centre]
    target = np.zeros((h, w, 3), np.float32)
    if with_galaxy:
        target += spiral(rng, shape, frac * w, cx, cy, peak, inclination)
    if two:
        target += spiral(rng, shape, frac * w * 0.5, 0.78 * w, 0.25 * h, peak * 0.7)
    if nebula_strength:
        target += nebula(rng, shape, nebula_strength, nebula_slope)
    x, y, star_peak, kelvin, colour = star_catalogue(rng, shape, n_stars, full, reddened)
    stars = draw_stars(shape, x, y, star_peak[:, None] * colour * np.asarray(white), np.broadcast_to(fwhm, (3,)))
    light = sky + target + stars
    clipped = light >= full
    light = np.minimum(light, full)
    shot = np.where(clipped, 0.02, np.sqrt(1 + np.maximum(light - sky, 0) / ELECTRONS_PER_UNIT))
    image = (light + shot * rng.standard_normal(light.shape)).astype(np.float32)
    return SkyScene(image, sky, target, stars, peak, full, frac * w, x, y, star_peak, colour, kelvin)


def star_catalogue(rng, shape, n, full, reddened):
    """Places, peaks (power law), temperatures (log-normal about 5600 K) and reddened colours (G = 1) of ``n`` stars."""
    x, y = rng.uniform(0, shape[1], n), rng.uniform(0, shape[0], n)
    peak = np.minimum(3.0 * rng.random(n) ** (-1 / 0.85), 30 * full)
    kelvin = np.exp(rng.normal(np.log(5600), 0.26, n)).clip(3500, 12000)
    colour = blackbody_rgb(kelvin)
    extinction = rng.exponential(0.35, n) if reddened else np.zeros(n)
    colour = colour * 10 ** (-0.4 * extinction[:, None] * (np.array([0.86, 1.06, 1.28]) - 1.06))
    return x, y, peak, kelvin, colour / colour[:, 1:2]


def extinction(nm, r_v=3.1) -> np.ndarray:
    """Extinction over that in V, 303 to 909 nm (Cardelli, Clayton & Mathis 1989, ApJ 345, 245, eq. 1, 3a and 3b)."""
    y = 1000 / np.asarray(nm, float) - 1.82
    a = np.polyval([0.32999, -0.77530, 0.01979, 0.72085, -0.02427, -0.50447, 0.17699, 1], y)
    b = np.polyval([-2.09002, 5.30260, -0.62251, -5.38434, 1.07233, 2.28305, 1.41338, 0], y)
    return a + b / r_v


def dusty_stars(rng, n, magnitudes, r_v, patchy=True) -> np.ndarray:
    """(n, 8) table of measured stars, camera neutral: the brightest ``n`` of a field behind dust of a mean extinction in V, mag.

    Dust in clouds (a log-normal fractal that the stars stand behind), or as one even screen; the bands see its whole curve.
    """
    many = 6 * n
    kelvin = np.exp(rng.normal(np.log(5600), 0.26, many)).clip(3300, 12000)
    dust = np.full(many, float(magnitudes))
    if patchy:
        clouds = np.exp(fractal(rng, (100, 150), 3.0)).ravel()
        dust = magnitudes * clouds[rng.integers(0, clouds.size, many)] / clouds.mean()
    rates = []
    for centre in BANDS_NM:
        nm = np.linspace(centre - 40, centre + 40, 17)
        light = 1 / (nm * 1e-9) ** 4 / np.expm1(0.0143877688 / (nm * 1e-9 * kelvin[:, None]))
        rates.append((light * 10 ** (-0.4 * dust[:, None] * extinction(nm, r_v))).mean(1))
    flux = np.stack(rates, 1)
    bright = rng.random(many) ** (-1 / 0.85) * 10 ** (-0.4 * dust * extinction(BANDS_NM[1], r_v))
    seen = np.argsort(-bright)[:n]
    error = 1 / np.minimum(20 * bright[seen] / bright[seen].min(), 500)[:, None] * np.ones(3)
    flux = flux[seen] / flux[seen, 1:2] * (1 + error * rng.normal(size=(n, 3)))
    return np.hstack([np.zeros((n, 2)), flux, error])


def draw_stars(shape, x, y, peaks, fwhm) -> np.ndarray:
    """(H, W, 3): Moffat stars of beta 3 with faint ten times wider haloes; ``peaks`` (n, 3)."""
    planes = [np.zeros(shape) for _ in range(3)]
    for c, plane in enumerate(planes):
        core2 = (fwhm[c] / 2) ** 2 / (2 ** (1 / 3) - 1)
        wide2 = (10 * fwhm[c] / 2 / 0.6436) ** 2
        for i in range(len(x)):
            a = peaks[i, c]
            _add_moffat(plane, x[i], y[i], a, core2, 3.0, min(max(5 * fwhm[c], np.sqrt(core2) * (a / 0.02) ** (1 / 6)), 500))
            halo = a * 0.015 * 0.15
            if halo > 0.02:
                _add_moffat(plane, x[i], y[i], halo, wide2, 2.0, min(np.sqrt(wide2) * (halo / 0.02) ** 0.25, 700))
    return np.stack(planes, -1).astype(np.float32)


def flatten_score(scene: SkyScene, model, tile=64) -> dict:
    """How far ``model`` is from the true sky: tile rms and offset off the galaxy, light lost in core and halo (sigma, per cent)."""
    excess = np.asarray(model, float) - scene.sky
    h, w = excess.shape[0] // tile, excess.shape[1] // tile

    def tiles(a):
        return a[: h * tile, : w * tile].reshape(h, tile, w, tile, 3).mean((1, 3))

    tile_excess, tile_galaxy = tiles(excess), tiles(scene.galaxy).mean(-1)
    off = tile_galaxy < 0.5
    if off.mean() < 0.2:
        off = tile_galaxy <= np.quantile(tile_galaxy, 0.2)
    sky_excess = tile_excess[off]
    offset = np.median(sky_excess, 0)
    rms = np.sqrt(((sky_excess - offset) ** 2).mean(0))
    light = scene.galaxy.mean(-1)
    core, halo = light > 0.35 * scene.peak, (light > 0.7) & (light < 6)
    before = np.ptp(tiles(scene.sky)[off], axis=0)
    return {
        "rms": rms,
        "offset": offset,
        "core": _share_lost(excess, scene.galaxy, core),
        "halo": _share_lost(excess, scene.galaxy, halo),
        "halo_offset": excess[halo].mean(0) if halo.any() else np.zeros(3),
        "before": before,
        "after": np.ptp(sky_excess, axis=0),
    }


def _share_lost(excess, galaxy, where) -> np.ndarray:
    return 100 * excess[where].sum(0) / galaxy[where].sum(0) if where.any() else np.zeros(3)
