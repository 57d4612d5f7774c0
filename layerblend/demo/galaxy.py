"""The demo's target: light of an invented spiral galaxy, from smooth parts, sheared noise, dust and knots."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from layerblend.demo.scenario import Galaxy
from layerblend.kinds import Array
from layerblend.maths.blackbody import blackbody_rgb

TILE = 512  # px, side of the noise tiles; they repeat without a seam
HYDROGEN_RGB = np.array([1.0, 0.16, 0.32])  # H alpha in red, H beta and [O III] in green and blue
REDDENING = np.array([0.78, 1.0, 1.28])  # dust dims blue more than red
RIDGE = 0.20


@dataclass(frozen=True)
class Disc:
    """Places in the galaxy's own plane. ``r`` in disc scale lengths, ``along`` turns by 2 pi per circle and is constant along an arm."""

    r: Array
    theta: Array
    along: Array
    shape: tuple[int, int]


def noise_tile(rng: np.random.Generator, slope: float) -> Array:
    """(TILE, TILE) seamless noise of mean 0 and deviation 1 whose power falls with frequency as f**-slope."""
    f = np.hypot(fft.fftfreq(TILE)[:, None], fft.rfftfreq(TILE)[None, :])
    f[0, 0] = np.inf
    tile = fft.irfft2(fft.rfft2(rng.standard_normal((TILE, TILE))) * f ** (-slope / 2), s=(TILE, TILE))
    return (tile - tile.mean()) / tile.std()


def _read(tile: Array, y: Array, x: Array) -> Array:
    """The tile at fractional places, repeated endlessly."""
    return ndimage.map_coordinates(tile, [y % TILE, x % TILE], order=1, mode="grid-wrap")


def galaxy_light(galaxy: Galaxy, shape: tuple[int, int], margin: int, stretch: float, rng: np.random.Generator) -> Array:
    """(H, W, 3) light of the galaxy, its companion and the far galaxies behind, electrons per second and pixel before the camera's colours.

    Parameters
    ----------
    shape : (H, W) of the canvas, the frame plus ``margin`` on all sides
    stretch : size relative to the default frame
    """
    disc = _disc(galaxy, shape, margin, stretch)
    scale = galaxy.scale_px * stretch
    arm, dust = _arms(galaxy, disc, rng), _dust(galaxy, disc, rng)
    light = _old_stars(galaxy, disc, scale) * np.exp(-0.7 * dust[..., None] * REDDENING)
    young = _young_stars(galaxy, disc, arm, rng)
    knots = _knots(galaxy, disc, arm, stretch, rng)
    light += (young + knots) * np.exp(-dust[..., None] * REDDENING)
    light += _companion(galaxy, shape, margin, stretch)
    light += _far_galaxies(galaxy, shape, rng)
    return light.astype(np.float32)


def _disc(galaxy: Galaxy, shape: tuple[int, int], margin: int, stretch: float) -> Disc:
    height, width = shape
    y, x = np.mgrid[:height, :width].astype(float)
    x -= margin + galaxy.centre[0] * (width - 2 * margin)
    y -= margin + galaxy.centre[1] * (height - 2 * margin)
    turn, tilt = math.radians(galaxy.angle), math.radians(galaxy.inclination)
    u = x * math.cos(turn) + y * math.sin(turn)
    v = (y * math.cos(turn) - x * math.sin(turn)) / math.cos(tilt)
    r = np.hypot(u, v) / (galaxy.scale_px * stretch) + 1e-4
    theta = np.arctan2(v, u)
    return Disc(r, theta, theta - np.log(r) / math.tan(math.radians(galaxy.pitch)), shape)


def _sheared(disc: Disc, tile: Array, *, around: int, outward: float) -> Array:
    """Noise drawn out along the arms: ``around`` tiles in a circle, ``outward`` tiles per factor e of radius."""
    return _read(tile, disc.along / (2 * np.pi) * TILE * around, np.log(disc.r) * TILE * outward)


def _flat(disc: Disc, tile: Array, zoom: float) -> Array:
    y, x = np.indices(disc.shape)
    return _read(tile, y * zoom, x * zoom)


def _arms(galaxy: Galaxy, disc: Disc, rng: np.random.Generator) -> Array:
    """Strength of the arms, about 1 on their crests."""
    bend = 0.38 * _sheared(disc, noise_tile(rng, 3.2), around=1, outward=0.30)
    phase = galaxy.arms * (disc.along + bend)
    width = 3.2 / (1 + 0.25 * disc.r)
    main = np.exp(width * (np.cos(phase) - 1))
    spurs = np.exp(2.0 * (np.cos(1.5 * phase + 1.1) - 1)) * np.clip(disc.r / 2 - 0.35, 0, 1)
    start = 1 / (1 + np.exp(-(disc.r - 0.55) / 0.12))
    strands = _sheared(disc, noise_tile(rng, 2.5), around=2, outward=0.8)
    clumps = _flat(disc, noise_tile(rng, 2.7), 2.2)
    floccules = np.exp(0.55 * strands + 0.5 * clumps - 0.3)
    return (main + 0.38 * spurs + 0.05) * start * floccules


def _dust(galaxy: Galaxy, disc: Disc, rng: np.random.Generator) -> Array:
    """Optical depth in green: lanes along the inner edges of the arms and feathers across them."""
    bend = 0.30 * _sheared(disc, noise_tile(rng, 3.0), around=1, outward=0.35)
    phase = galaxy.arms * (disc.along + bend) - galaxy.lane_shift
    lanes = np.exp(4.0 * (np.cos(phase) - 1))
    ridges = np.exp(-np.abs(_sheared(disc, noise_tile(rng, 2.9), around=3, outward=0.9)) / RIDGE)
    feathers = np.exp(-np.abs(_flat(disc, noise_tile(rng, 3.1), 1.4)) / RIDGE)
    patches = np.clip(0.8 + 0.6 * _flat(disc, noise_tile(rng, 2.6), 1.0), 0, None)
    where = np.exp(-(((disc.r - 1.5) / 1.8) ** 2))
    return galaxy.dust * where * patches * (0.8 * lanes + 0.6 * ridges * (0.3 + lanes) + 0.75 * feathers * (0.15 + lanes))


def _old_stars(galaxy: Galaxy, disc: Disc, scale: float) -> Array:
    bulge_r = np.hypot(disc.r * scale, 1.2) / (galaxy.bulge_px * scale / galaxy.scale_px)
    bulge = galaxy.bulge * np.exp(-3.67 * (np.sqrt(bulge_r) - 1))
    disc_light = galaxy.disc * np.exp(-disc.r) / (1 + np.exp((disc.r - 4.6) / 0.35))
    halo = galaxy.halo * np.exp(-disc.r / 2.1)
    warm, mild, pale = blackbody_rgb(np.array([3900.0, 4700.0, 4900.0]))
    return bulge[..., None] * warm + disc_light[..., None] * mild + halo[..., None] * pale


def _young_stars(galaxy: Galaxy, disc: Disc, arm: Array, rng: np.random.Generator) -> Array:
    fine = np.exp(0.45 * _flat(disc, noise_tile(rng, 2.2), 1.7) - 0.1)
    light = galaxy.arm_light * np.exp(-disc.r / 1.25) * arm * fine / (1 + np.exp((disc.r - 4.2) / 0.3))
    return light[..., None] * blackbody_rgb(13000.0)[0]


def _knots(galaxy: Galaxy, disc: Disc, arm: Array, stretch: float, rng: np.random.Generator) -> Array:
    """Glowing hydrogen (red, up to a few pixels wide) and young clusters (blue, nearly points), crowded on the arms."""
    light = np.zeros((*disc.shape, 3))
    place = arm**1.5 * np.exp(-disc.r / 2.2) * (disc.r > 0.5) * (disc.r < 4.4)
    hot = blackbody_rgb(20000.0)[0]
    for count, colour, brightest, sizes in (
        (galaxy.hydrogen_knots, HYDROGEN_RGB, galaxy.brightest_knot, (0.8, 2.4)),
        (galaxy.clusters, hot, 0.4 * galaxy.brightest_knot, (0.6, 0.9)),
    ):
        count = round(count * stretch**2)
        where = rng.choice(place.size, count, p=(place / place.sum()).ravel())
        flux = brightest * (1 - rng.random(count)) ** 1.6 * rng.uniform(0.03, 1, count)
        size = sizes[0] + (sizes[1] - sizes[0]) * np.sqrt(flux / brightest)
        for spot, total, sigma in zip(where, flux, size, strict=True):
            _add_blob(light, *divmod(int(spot), disc.shape[1]), total, sigma, sigma, 0.0, colour)
    return light


def _companion(galaxy: Galaxy, shape: tuple[int, int], margin: int, stretch: float) -> Array:
    """A small smooth galaxy near by."""
    light = np.zeros((*shape, 3))
    at = galaxy.companion
    y = margin + at.centre[1] * (shape[0] - 2 * margin)
    x = margin + at.centre[0] * (shape[1] - 2 * margin)
    colour = blackbody_rgb(4300.0)[0]
    for share, size in ((0.35, 0.45), (0.65, 1.4)):
        sigma = at.size_px * stretch * size
        _add_blob(light, y, x, at.flux * stretch**2 * share, sigma, sigma * 0.72, math.radians(at.angle), colour)
    return light


def _far_galaxies(galaxy: Galaxy, shape: tuple[int, int], rng: np.random.Generator) -> Array:
    light = np.zeros((*shape, 3))
    count = round(galaxy.far_galaxies * shape[0] * shape[1] / (640 * 960))
    for _ in range(count):
        y, x = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        long = rng.uniform(1.2, 4.0)
        colour = blackbody_rgb(rng.uniform(3400, 5200))[0]
        _add_blob(light, y, x, rng.uniform(3, 14) * long, long, long * rng.uniform(0.3, 0.9), rng.uniform(0, math.pi), colour)
    return light


def _add_blob(light: Array, y: float, x: float, flux: float, long: float, short: float, angle: float, colour: Array) -> None:
    """Add a Gaussian blob of total ``flux`` to the (H, W, 3) light; what falls outside is lost."""
    reach = math.ceil(4.5 * long) + 1
    y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 1, light.shape[0])
    x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 1, light.shape[1])
    dy, dx = np.ogrid[y0 - y : y1 - y, x0 - x : x1 - x]
    u = dx * math.cos(angle) + dy * math.sin(angle)
    v = dy * math.cos(angle) - dx * math.sin(angle)
    blob = flux / (2 * math.pi * long * short) * np.exp(-0.5 * ((u / long) ** 2 + (v / short) ** 2))
    light[y0:y1, x0:x1] += blob[..., None] * colour
