"""Non-local means: every pixel becomes the mean of those near it whose surroundings look alike.

Buades, A., Coll, B. & Morel, J.-M. (2005), CVPR 2, 60. Squares of 7 px are compared within 7 px; their mean squared difference, less
what noise alone makes of it, decides the weight, exp(-t) taken as (1 - t/8)^8. Every sum runs in a fixed order, so that the bytes do not
depend on the number of threads.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from layerblend.kinds import Plane
from layerblend.maths.bands import over_bands

REACH = 7  # px, how far alike places are looked for
HALF_PATCH = 3  # px; the sums of 7 in `_weigh` are written out for it
MARGIN = REACH + HALF_PATCH
TILE_ROWS, TILE_COLUMNS = 64, 512  # of the tiles that stay in a processor's cache


def patch_means(plane: Plane, sigma: Any, *, strength: float = 1.1) -> tuple[Plane, Plane]:
    """Non-local means of a plane, and how much of its noise is left in them.

    Parameters
    ----------
    plane : (H, W) float32, finite.
    sigma : float or (H, W) float32 > 0, standard deviation of a pixel's noise.
    strength : float > 0, in sigma: how different alike places may be beyond their noise.

    Returns
    -------
    means, left : (H, W) float32. Where nothing nearby is alike a pixel stays as it is, with all its noise. ``left`` : share of the noise's
        variance that is left, 1 there, near 0 where everything is alike; a lower limit, for the weights know the noise.
    """
    values = np.pad(np.asarray(plane, np.float32), MARGIN, mode="reflect" if min(plane.shape) > MARGIN else "edge")
    noise: Any = np.float32(sigma) if np.ndim(sigma) == 0 else np.pad(np.asarray(sigma, np.float32), MARGIN, mode="edge")
    compared = values / noise
    means, left = np.empty(plane.shape, np.float32), np.empty(plane.shape, np.float32)
    steepness = np.float32(1 / (8 * strength * strength))
    over_bands(lambda first, last: _mean_rows(values, compared, steepness, means, left, first, last), len(means))
    return means, left


@njit(cache=True, nogil=True, error_model="numpy")
def _mean_rows(values, compared, steepness, means, left_over, first, last):
    width = means.shape[1]
    weight = np.empty((TILE_ROWS + REACH, TILE_COLUMNS + REACH), np.float32)
    across = np.empty((TILE_ROWS + REACH + 2 * HALF_PATCH, TILE_COLUMNS + REACH), np.float32)
    line = np.empty(TILE_COLUMNS + REACH + 2 * HALF_PATCH, np.float32)
    total = np.empty((TILE_ROWS, TILE_COLUMNS), np.float32)
    for top in range(first, last, TILE_ROWS):
        rows = min(TILE_ROWS, last - top)
        for left in range(0, width, TILE_COLUMNS):
            columns = min(TILE_COLUMNS, width - left)
            for y in range(rows):
                for x in range(columns):
                    means[top + y, left + x] = values[top + y + MARGIN, left + x + MARGIN]
                    total[y, x] = left_over[top + y, left + x] = np.float32(1)
            for down in range(REACH + 1):
                for right in range(-REACH if down else 1, REACH + 1):
                    _weigh(compared, top, left, rows, columns, down, right, steepness, line, across, weight)
                    _add(values, top, left, rows, columns, down, right, weight, total, means, left_over)
            for y in range(rows):
                for x in range(columns):
                    means[top + y, left + x] /= total[y, x]
                    left_over[top + y, left + x] /= total[y, x] * total[y, x]


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh(compared, top, left, rows, columns, down, right, steepness, line, across, weight):
    """Weight between every pixel of a tile (and of the ``down`` rows and ``right`` columns before it) and the one so far from it."""
    start = left - max(right, 0) + MARGIN
    wide, high = columns + abs(right), rows + down
    for y in range(high + 2 * HALF_PATCH):
        here = compared[top - down - HALF_PATCH + y + MARGIN, start - HALF_PATCH :]
        there = compared[top - HALF_PATCH + y + MARGIN, start - HALF_PATCH + right :]
        for x in range(wide + 2 * HALF_PATCH):
            far = here[x] - there[x]
            line[x] = far * far
        row = across[y]
        for x in range(wide):
            row[x] = line[x] + line[x + 1] + line[x + 2] + line[x + 3] + line[x + 4] + line[x + 5] + line[x + 6]
    share = np.float32(1 / (2 * HALF_PATCH + 1) ** 2)
    for y in range(high):
        a, b, c, d, e, f, g = across[y], across[y + 1], across[y + 2], across[y + 3], across[y + 4], across[y + 5], across[y + 6]
        row = weight[y]
        for x in range(wide):
            apart = (a[x] + b[x] + c[x] + d[x] + e[x] + f[x] + g[x]) * share - np.float32(2)  # 2: what noise alone makes of it
            alike = max(np.float32(1) - max(apart, np.float32(0)) * steepness, np.float32(0))
            alike *= alike
            alike *= alike
            row[x] = alike * alike


@njit(cache=True, nogil=True, error_model="numpy")
def _add(values, top, left, rows, columns, down, right, weight, total, means, left_over):
    """Both pixels so far away, before and behind, to a tile's sums of light, of weights and of their squares."""
    begin = max(right, 0)
    for y in range(rows):
        behind, before = weight[y + down, begin:], weight[y, begin - right :]
        value_behind = values[top + y + down + MARGIN, left + right + MARGIN :]
        value_before = values[top + y - down + MARGIN, left - right + MARGIN :]
        row, norm, squares = means[top + y, left:], total[y], left_over[top + y, left:]
        for x in range(columns):
            row[x] += behind[x] * value_behind[x] + before[x] * value_before[x]
            norm[x] += behind[x] + before[x]
            squares[x] += behind[x] * behind[x] + before[x] * before[x]
