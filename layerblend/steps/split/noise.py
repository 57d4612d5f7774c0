"""Noise of a linear picture as a straight line, variance against light, measured where neighbours share noise too."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from layerblend.kinds import Array, Plane
from layerblend.maths.robust import MAD_TO_SIGMA

LAG_PX = 4
MOST_ROWS = 400
# |N(0, 1)| has its lower quarter below this: second differences on structured ground are judged by their quiet quarter.
QUIET_QUARTER = 0.318639
LEVEL_BINS = ((0.90, 0.94), (0.94, 0.97), (0.97, 0.99))


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
    step = max(1, plane.shape[0] // MOST_ROWS)
    rows, known = plane[::step], good[::step]
    level = cv2.blur(plane, (5, 5))[::step]
    left, right = slice(None, -LAG_PX), slice(LAG_PX, None)
    both = known[:, left] & known[:, right]
    height = ((level[:, left] + level[:, right]) / 2)[both]
    jump = (rows[:, right] - rows[:, left])[both] / np.float32(np.sqrt(2))
    if height.size < 64:
        return Noise(1e-12, 0.0)
    low = height <= np.median(height)
    floor = float(max(MAD_TO_SIGMA * np.median(np.abs(jump[low] - np.median(jump[low]))), 1e-9)) ** 2
    return Noise(floor, _slope(rows, level, known, floor))


def _slope(rows: Plane, level: Plane, known: Array, floor: float) -> float:
    a, b, c = slice(None, -2 * LAG_PX), slice(LAG_PX, -LAG_PX), slice(2 * LAG_PX, None)
    if rows.shape[1] <= 2 * LAG_PX:
        return 0.0
    ok = known[:, a] & known[:, b] & known[:, c]
    bend = np.abs(rows[:, c] - 2 * rows[:, b] + rows[:, a])[ok] / np.sqrt(6.0)
    height = level[:, b][ok]
    slopes = []
    edges = np.quantile(height, np.array(LEVEL_BINS).ravel()).reshape(-1, 2) if height.size > 5000 else ()
    for low, high in edges:
        inside = (height >= low) & (height < high)
        light = float(np.median(height[inside])) if inside.sum() > 500 else 0.0
        if light > 5 * np.sqrt(floor):
            slopes.append(((np.quantile(bend[inside], 0.25) / QUIET_QUARTER) ** 2 - floor) / light)
    return float(max(np.median(slopes), 0.0)) if slopes else 0.0
