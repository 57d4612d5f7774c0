"""Noise of a linear picture as a straight line, variance against light, measured where neighbours share noise too."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from layerblend.kinds import Array, Plane
from layerblend.maths.robust import MAD_TO_SIGMA

LAG_PX = 4
MOST_ROWS = 400
# Fourth differences across and down see nearly nothing but noise. On structured ground their quiet quarter counts.
FINEST = np.array([1, -2, 1], np.float32)
QUIET = 0.25
# Light at least so many sigma high that an opening by so many pixels leaves standing to this share is no star's.
LEAST_LIGHT, WIDE_PX, WIDE_SHARE = 10.0, 21, 0.75
LEAST_PIXELS, LEVEL_BINS = 2000, (0.5, 0.7, 0.85, 0.95)


class Noise(NamedTuple):
    """Variance of a pixel = ``floor`` + ``slope`` max(light, 0)."""

    floor: float
    slope: float

    @property
    def sigma(self) -> float:
        """Standard deviation of the bare sky."""
        return float(np.sqrt(self.floor))

    def map(self, light: Plane) -> Plane:
        """(H, W) float32 standard deviation where the noise-free light is ``light``."""
        return np.sqrt(np.float32(self.floor) + np.float32(self.slope) * np.maximum(light, np.float32(0)))


def measure_noise(plane: Plane, good: Array) -> Noise:
    """Noise line of a sky-subtracted plane from differences of pixels four columns apart.

    Parameters
    ----------
    plane : (H, W) float32, linear, finite
    good : (H, W) bool, pixels that count
    """
    level = cv2.blur(plane, (5, 5))
    floor = _floor(plane, level, good)
    return Noise(1e-12, 0.0) if floor is None else Noise(floor, _slope(plane, level, good, floor))


def sky_noise(plane: Plane, good: Array) -> float:
    """`Noise.sigma` alone."""
    return Noise(_floor(plane, cv2.blur(plane, (5, 5)), good) or 1e-12, 0.0).sigma


def _floor(plane: Plane, blurred: Plane, good: Array) -> float | None:
    """Variance of the darker half; None where too little is seen."""
    step = max(1, plane.shape[0] // MOST_ROWS)
    rows, known, level = plane[::step], good[::step], blurred[::step]
    left, right = slice(None, -LAG_PX), slice(LAG_PX, None)
    both = known[:, left] & known[:, right]
    height = ((level[:, left] + level[:, right]) / 2)[both]
    jump = (rows[:, right] - rows[:, left])[both] / np.float32(np.sqrt(2))
    if height.size < 64:
        return None
    low = height <= np.median(height)
    return float(max(MAD_TO_SIGMA * np.median(np.abs(jump[low] - np.median(jump[low]))), 1e-9)) ** 2


def _slope(plane: Plane, level: Plane, good: Array, floor: float) -> float:
    """Growth of the variance with light, from the finest structure on wide light, against the same on the dark half of the picture.

    Stars are steep even there; wide light (what an opening leaves standing) is not. Without wide light the slope stays 0.
    """
    step = max(1, plane.shape[0] // MOST_ROWS)
    fine = np.abs(cv2.sepFilter2D(plane, -1, FINEST, FINEST)[::step])
    wide = cv2.morphologyEx(level, cv2.MORPH_OPEN, np.ones((WIDE_PX, WIDE_PX), np.uint8))[::step]
    height, known = level[::step], good[::step]
    dark = known & (height <= np.median(height[known]))
    unit = float(np.quantile(fine[dark], QUIET)) if dark.any() else 0.0
    lit = known & (height > LEAST_LIGHT * np.sqrt(floor)) & (wide > WIDE_SHARE * height)
    if unit <= 0 or lit.sum() < LEAST_PIXELS:
        return 0.0
    light, jump = height[lit], fine[lit]
    slopes = []
    for low, high in zip(*np.quantile(light, [LEVEL_BINS[:-1], LEVEL_BINS[1:]]), strict=True):
        inside = (light >= low) & (light <= high)
        slopes.append(floor * ((np.quantile(jump[inside], QUIET) / unit) ** 2 - 1) / float(np.median(light[inside])))
    return float(max(np.median(slopes), 0.0))
