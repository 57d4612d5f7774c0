"""Finding what is not sky in the tile table: galaxies to be fitted along with it, and leftovers to be masked."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from scipy import ndimage as ndi

from layerblend.kinds import Array
from layerblend.maths.robust import mad_sigma

from .tiles import TileTable, filled_tiles

# White top-hat of this share of the width: wider than a galaxy's bright part, narrower than a gradient.
TARGET_RADIUS = 1 / 11
LEFTOVER_RADIUS = 1 / 10
LEAST_PEAK, LEAST_RADIUS = 3.0, 0.02
LEAST_RIM = 2
LV_A, LV_B = 0.05, 0.25
STAR_R, STAR_T = 1 / 15, 1.0
MOST_GALAXIES = 3
LEAST_SHARE_OF_FIRST = 0.02
LEAST_DISTANCE = 0.1
# A larger leftover that touches the frame is a glow, which is sky.
LARGEST_EDGE_OBJECT = 60


class Galaxy(NamedTuple):
    """Shape of one galaxy: centre and scale length in px, ellipse vector e = (1 - q^2)/(1 + q^2), exponent of the profile."""

    x: float
    y: float
    log_scale: float
    e1: float
    e2: float
    log_power: float = 0.0


def elliptical_radius(x: Array, y: Array, galaxy: Galaxy, rounder: float = 1.0) -> Array:
    """Radius that keeps the ellipse's area, px; ``rounder`` < 1 shrinks the ellipticity."""
    e1, e2 = galaxy.e1 * rounder, galaxy.e2 * rounder
    e = np.hypot(e1, e2)
    shrink = min(1.0, 0.95 / max(e, 1e-9))
    e1, e2 = e1 * shrink, e2 * shrink
    dx, dy = x - galaxy.x, y - galaxy.y
    square = (1 - e1) * dx**2 + (1 + e1) * dy**2 - 2 * e2 * dx * dy
    return np.sqrt(np.maximum(square / np.sqrt(1 - e1**2 - e2**2), 0))


def top_hat(plane: Array, radius: int) -> Array:
    """What a disc of ``radius`` tiles cannot pass under; the frame goes on by odd reflection, so a slope off the frame is no object."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    reach = [min(radius, n - 1) for n in plane.shape]
    padded = np.pad(plane.astype(np.float32), [(r, r) for r in reach], mode="reflect", reflect_type="odd")
    opened = cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)
    return (padded - opened)[reach[0] : reach[0] + plane.shape[0], reach[1] : reach[1] + plane.shape[1]]


def radius_tiles(table: TileTable, share: float) -> int:
    """A share of the picture's width in tiles, at least 3."""
    return max(3, round(share * table.width / table.tile_px))


def find_galaxies(table: TileTable) -> list[Galaxy]:
    """The brightest extended objects of the frame, at most three, as first guesses for the fit."""
    raised = ndi.gaussian_filter(top_hat(ndi.median_filter(table.median, 3), radius_tiles(table, TARGET_RADIUS)), 1.0)
    labels, _ = ndi.label(raised > max(5 * mad_sigma(raised), 1.5))
    found = []
    for index, window in enumerate(ndi.find_objects(labels), 1):
        inside = labels[window] == index
        radius = np.sqrt(inside.sum() / np.pi) * table.tile_px
        light = np.where(inside, raised[window], 0)
        peak = np.unravel_index(light.argmax(), light.shape)
        row, column = int(peak[0]) + window[0].start, int(peak[1]) + window[1].start
        rim = min(row, column, raised.shape[0] - 1 - row, raised.shape[1] - 1 - column)
        if radius < LEAST_RADIUS * table.width or light.max() < LEAST_PEAK or rim < LEAST_RIM:
            continue
        e1, e2 = _ellipse(table.x[window], table.y[window], np.minimum(light, np.quantile(light[inside], 0.8)))
        scale = max(radius / 2, 0.015 * table.width)
        galaxy = Galaxy(table.x[row, column], table.y[row, column], float(np.log(scale)), e1, e2)
        found.append((float(inside.sum() * light.max()), galaxy))
    return _chosen(sorted(found, key=lambda item: -item[0]), table.width)


def _ellipse(x: Array, y: Array, light: Array) -> tuple[float, float]:
    """Ellipse vector from second moments, a little rounder than they say (the top-hat cuts the faint outskirts)."""
    total = light.sum()
    dx, dy = x - (light * x).sum() / total, y - (light * y).sum() / total
    xx, yy, xy = (light * dx**2).sum(), (light * dy**2).sum(), (light * dx * dy).sum()
    return float(0.8 * (xx - yy) / (xx + yy)), float(0.8 * 2 * xy / (xx + yy))


def _chosen(found: list[tuple[float, Galaxy]], width: int) -> list[Galaxy]:
    chosen: list[Galaxy] = []
    for strength, galaxy in found:
        apart = all(np.hypot(galaxy.x - g.x, galaxy.y - g.y) >= LEAST_DISTANCE * width for g in chosen)
        if len(chosen) < MOST_GALAXIES and apart and strength > LEAST_SHARE_OF_FIRST * found[0][0]:
            chosen.append(galaxy)
    return chosen


def leftover_mask(table: TileTable, sky: Array, light: Array, galaxies: list[Galaxy], *, first: bool) -> Array:
    """(ny, nx) bool: objects that stand out of the residual, grown; not within 2.5 scale lengths of a galaxy that is in the model.

    ``sky`` and ``light``: (ny, nx) the present model of sky and galaxies in luminance, sigma.
    """
    residual = ndi.gaussian_filter(filled_tiles(table.value.mean(-1) - sky - light, table.used), 1.0)
    raised = top_hat(residual, radius_tiles(table, LEFTOVER_RADIUS))
    if not first:
        raised = np.minimum(residual, raised)
    if STAR_R:
        stars = top_hat(ndi.gaussian_filter(table.median - sky - light, 1.0), radius_tiles(table, STAR_R))
        raised = np.where(stars > STAR_T, np.maximum(raised, stars), raised)
    threshold = max(4 * max(mad_sigma(raised), LV_A), LV_B) + 0.25 * light
    labels, _ = ndi.label(raised > threshold)
    mask = np.zeros(labels.shape, bool)
    for index, window in enumerate(ndi.find_objects(labels), 1):
        inside = labels == index
        area = int(inside.sum())
        touches = any(s.start == 0 or s.stop == n for s, n in zip(window, labels.shape, strict=True))
        if area > 3 and not (touches and area > LARGEST_EDGE_OBJECT):
            mask |= ndi.binary_dilation(inside, iterations=int(np.ceil(1 + 0.4 * np.sqrt(area / np.pi))))
    for galaxy in galaxies:
        mask &= elliptical_radius(table.x, table.y, galaxy) >= 2.5 * np.exp(galaxy.log_scale)
    return mask
