"""What no star image could make: hot and dead pixels, cosmic rays, bad columns, borders without light. Sharpened they would ring."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numba import njit

from layerblend.errors import check_image
from layerblend.kinds import Mask, Plane, StarShape
from layerblend.maths.bands import over_rows
from layerblend.maths.cover import edge_connected
from layerblend.maths.robust import nan_filled

VOID = np.float32(50)  # sigma below the sky, from the edge inwards: no light at all, sharpened it rings
SPIKE_SIGMA = 10.0  # a spike falls by at least this much, on both sides
SPIKE_STEPS = ((1, 0), (1, 1), (2, 0), (2, 1), (3, 0))  # px within which it falls; 1: its top is two pixels wide
UNEVEN = np.float32(0.5)  # of its fall that the ground on both sides may differ by
SURE_SHARE = 0.75  # of its whole fall that a star image may have had within a step for the step to tell it from a spike


def find_spikes(luminance: Plane, star_shape: StarShape, *, sigma: Any) -> Mask | None:
    """Spots and lines that fall off on both sides more steeply than any star image: hot and dead pixels, cosmic rays, bad columns; and
    what is darker than any sky: borders where no frame had light and no mark says so.

    Parameters
    ----------
    luminance : (H, W) float32; NaN = no data.
    star_shape : StarShape; its narrowest place and direction counts.
    sigma : float or (H, W) float32, standard deviation of ``luminance``.

    Returns
    -------
    (H, W) bool, or None where there are none. Along a row or a column a spike has fallen after one step nearly as far as after two; a
    star image as wide as two steps about half as far.
    """
    filled, _ = nan_filled(check_image("luminance", luminance, colour=False))
    height, width = filled.shape
    corners = [star_shape.at(x, y) for y in (0, height - 1) for x in (0, width - 1)]
    narrowest = min(shape.fwhm**2 / shape.fwhm_major for shape in (*corners, star_shape.centre))
    beside = math.exp(-4 * math.log(2) / narrowest**2)  # of a Gaussian's peak
    noise = np.full((1, 1), sigma, np.float32) if np.ndim(sigma) == 0 else sigma
    void = filled < -VOID * noise
    found = void if not void.any() else cv2.dilate(edge_connected(void).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    for step, pair in SPIKE_STEPS:
        top, near, far = (np.square(0.5 * pair + steps) for steps in (0, step, 2 * step))
        share = (1 - beside ** (near - top)) / (1 - beside ** (far - top))
        if share > SURE_SHARE:
            break
        steep = np.empty(filled.shape, np.uint8)
        over_rows(_spike_rows, filled, noise, step, pair, np.float32(0.5 + 0.5 * share), steep)  # half way from a star to a spike
        side = 2 * step + 1 + pair
        found |= cv2.dilate(steep, np.ones((side, side), np.uint8), anchor=(step, step)).astype(bool)
    return found if found.any() else None


def without_spikes(plane: Plane, spikes: Mask | None) -> tuple[Plane, Mask]:
    """The plane with gaps and spikes filled from their surroundings, and where data was."""
    valid = np.isfinite(plane)
    return nan_filled(plane if spikes is None else np.where(spikes, np.float32(np.nan), plane))[0], valid


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True)
def _spike_rows(plane, sigma, step, pair, steepest, found, first, last):
    """Whether a pixel, or with ``pair`` also the one before it, stands out along its row or its column."""
    one = sigma.size == 1
    bottom, right = plane.shape[0] - 1, plane.shape[1] - 1
    for y in range(first, last):
        above = max(y - pair, 0)
        up, up2, down, down2 = max(above - step, 0), max(above - 2 * step, 0), min(y + step, bottom), min(y + 2 * step, bottom)
        for x in range(plane.shape[1]):
            least = SPIKE_SIGMA * (sigma[0, 0] if one else sigma[y, x])
            beside = max(x - pair, 0)
            left, left2, on, on2 = max(beside - step, 0), max(beside - 2 * step, 0), min(x + step, right), min(x + 2 * step, right)
            across = _weaker(plane[y, x], plane[y, beside], plane[y, left] + plane[y, on])
            along = _weaker(plane[y, x], plane[above, x], plane[up, x] + plane[down, x])
            found[y, x] = _stands_out(
                across - plane[y, left], across - plane[y, on], across - plane[y, left2], across - plane[y, on2], least, steepest
            ) or _stands_out(along - plane[up, x], along - plane[down, x], along - plane[up2, x], along - plane[down2, x], least, steepest)


@njit(cache=True, nogil=True)
def _weaker(one, other, sides):
    """The one of two values that differs less from the pixels beside them, of which ``sides`` is the sum."""
    return min(one, other) if one + other > sides else max(one, other)


@njit(cache=True, nogil=True)
def _stands_out(before, after, before2, after2, least, steepest):
    """Whether a value falls to (or rises to, if below) both neighbours by more than ``least``, nearly as far as in two steps, to an even
    ground: between two stars there is none."""
    if before < 0:
        before, after, before2, after2 = -before, -after, -before2, -after2
    near, far = min(before, after), max(before2, after2)
    uneven = max(before, after, far) - min(near, before2, after2)
    return near > least and near > steepest * far and uneven < UNEVEN * near
