"""Star fields of known truth: Moffat stars of one shape or a shape that changes over the field, sky, noise, and what disturbs grading."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from layerblend.kinds import StarShape
from layerblend.maths.moffat import inverse_shape


@dataclass(frozen=True)
class Field:
    """An image and the truth behind it; catalogue columns: x, y, flux."""

    image: np.ndarray
    catalogue: np.ndarray
    fwhm: float
    eccentricity: float
    angle: float
    beta: float
    noise: float
    truth: np.ndarray = field(repr=False)


def add_stars(image, catalogue, fwhm, beta, eccentricity=0.0, angle=0.0, radius=None):
    """Add stars (x, y, flux) to a plane in place; shape numbers or arrays of one entry per star; profile sampled at pixel centres."""
    height, width = image.shape
    shapes = np.broadcast_arrays(np.atleast_1d(fwhm), np.atleast_1d(eccentricity), np.atleast_1d(angle))
    shapes = [np.broadcast_to(s, len(catalogue)) for s in shapes]
    for (x, y, flux), wide, ecc, turn in zip(catalogue, *shapes, strict=True):
        reach = int(np.clip(6 * wide, 12, 60)) if radius is None else radius
        xi, yi = round(x), round(y)
        x0, x1, y0, y1 = max(0, xi - reach), min(width, xi + reach + 1), max(0, yi - reach), min(height, yi + reach + 1)
        if x0 >= x1 or y0 >= y1:
            continue
        p, q, r = inverse_shape(wide, beta, ecc, turn)
        dx, dy = np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y
        peak = flux * (beta - 1) * np.sqrt(p * r - q * q) / np.pi
        image[y0:y1, x0:x1] += peak * (1 + p * dx * dx + 2 * q * dx * dy + r * dy * dy) ** -beta


def random_catalogue(rng, count, height, width, faint=1.0, bright=4.0, margin=0.0):
    """Stars at random places, log10 of flux uniform between ``faint`` and ``bright``."""
    return np.column_stack(
        [
            rng.uniform(margin, width - 1 - margin, count),
            rng.uniform(margin, height - 1 - margin, count),
            10 ** rng.uniform(faint, bright, count),
        ]
    )


def star_field(
    seed=0,
    height=600,
    width=800,
    stars=150,
    fwhm=3.4,
    eccentricity=0.0,
    angle=0.0,
    beta=3.0,
    sky=0.02,
    noise=2e-4,
    shot=0.0,
    faint=-1.5,
    bright=1.0,
    margin=0.0,
    colour=False,
    catalogue=None,
    hot=0.0,
    galaxy=False,
    correlated=False,
    scale=1.0,
    clip=None,
):
    """A frame in linear light: sky + stars + noise (white, variance noise^2 + shot * star light), with disturbances on demand.

    ``faint``, ``bright``: log10 of the stars' flux. ``hot``: share of hot pixels. ``galaxy``: a disc with 60 broad knots. ``correlated``:
    moved by half a pixel bilinearly, as resampled frames are (the stars are drawn after, so that their width stays known).
    """
    rng = np.random.default_rng(seed)
    if catalogue is None:
        catalogue = random_catalogue(rng, stars, height, width, faint, bright, margin)
    light = np.zeros((height, width))
    add_stars(light, catalogue * [1, 1, scale], fwhm, beta, eccentricity, angle)
    truth = light.copy()
    if galaxy:
        truth += _galaxy(rng, height, width, level=100 * noise)
    planes = []
    tints = rng.uniform(0.7, 1.3, 3) if colour else (1.0,)
    for tint in tints:
        plane = sky + truth * tint
        scatter = rng.normal(0, 1, plane.shape) * np.sqrt(noise**2 + shot * np.maximum(truth * tint, 0))
        if correlated:
            scatter = 0.25 * (scatter + np.roll(scatter, 1, 0) + np.roll(scatter, 1, 1) + np.roll(scatter, (1, 1), (0, 1)))
        plane = plane + scatter
        count = int(hot * plane.size)
        if count:
            plane[rng.integers(0, height, count), rng.integers(0, width, count)] += 10 ** rng.uniform(-2.5, -0.3, count)
        planes.append(plane)
    image = np.stack(planes, -1) if colour else planes[0]
    if clip is not None:
        image = np.minimum(image, clip)
    return Field(image.astype(np.float32), catalogue, fwhm, eccentricity, angle, beta, noise, truth.astype(np.float32))


def varying_star(fwhm: float, shape: tuple[int, int], *, slope: float = 0.0, e1: float = 0.0, beta: float = 3.5) -> StarShape:
    """A star image whose ln width changes by ``slope`` from the middle to each side."""
    terms = np.zeros((3, 6))
    terms[0, 0], terms[0, 1], terms[1, 0] = np.log(fwhm), slope, e1
    return StarShape(beta, terms, *shape, stars=np.zeros((0, 8)))


def _galaxy(rng, height, width, level):
    yy, xx = np.mgrid[:height, :width]
    radius = np.hypot(yy - height / 2, 0.6 * (xx - width / 2))
    light = level * np.exp(-radius / (0.08 * height))
    for x, y in zip(rng.normal(width / 2, 0.08 * width, 60), rng.normal(height / 2, 0.06 * height, 60), strict=True):
        xi, yi = round(x), round(y)
        if 30 < xi < width - 30 and 30 < yi < height - 30:
            v, u = np.mgrid[-20:21, -20:21]
            light[yi - 20 : yi + 21, xi - 20 : xi + 21] += level * 10 ** rng.uniform(-1.3, -0.3) * np.exp(-(u**2 + v**2) / (2 * 3.4**2))
    return light


def debayered(image, sky_scale=1.0):
    """The frame as a one-shot colour camera would give it: sampled through an RGGB mosaic and debayered bilinearly."""
    top = float(image.max())
    mosaic = np.clip(np.rint(image / top * 60000), 0, 65535).astype(np.uint16)
    return (cv2.cvtColor(mosaic, cv2.COLOR_BayerRG2RGB).astype(np.float32) * np.float32(top / 60000)).astype(np.float32)
