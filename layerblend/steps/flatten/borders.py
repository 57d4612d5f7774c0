"""Borders of a finished stack that hold no data though nobody marked them: what frames did not reach averaged as zeros, or as the
nearest row again and again."""

from __future__ import annotations

import cv2
import numpy as np
import scipy

from layerblend.kinds import Array, LinearImage, Mask
from layerblend.maths.bands import by_bands

# Light below the sky by so many sigma (median of 5 x 5 pixels) that hangs together with the edge is such a border, if a twentieth of it
# lies below this: a sky that was flattened not quite well is never so dark.
DARK, DARKEST = 5.0, 25.0
DARKEST_SHARE = 0.05
MEDIAN_PX, MARGIN_PX = 5, 3
# Stars shine in it: gaps this narrow are border too.
GAP_PX = 31
# A border reaches no farther in than this share of the picture, from its edge or from what is marked already.
DEEPEST = 0.2


def dim_border(image: LinearImage, sigma: Array) -> Mask:
    """(H, W) bool, the border of a sky-subtracted picture that is darker than any sky.

    Parameters
    ----------
    image : (H, W, C) or (H, W) float32, linear, sky at 0, NaN = no data
    sigma : (C,), noise of one pixel
    """
    cube = image if image.ndim == 3 else image[..., None]
    missing = np.asarray(np.isnan(cube).any(-1))
    lowest = np.full(missing.shape, np.inf, np.float32)
    for c in range(cube.shape[2]):
        scaled = np.nan_to_num(cube[..., c] / np.float32(max(sigma[c], 1e-12)))
        np.minimum(lowest, by_bands(lambda band: cv2.medianBlur(band, MEDIAN_PX), np.ascontiguousarray(scaled), MEDIAN_PX), out=lowest)
    labels, count = scipy.ndimage.label(missing | (lowest < -DARK), np.ones((3, 3)))
    border, depth = np.zeros(missing.shape, bool), _depth(missing)
    for number in _at_edge(labels) if count else ():
        part = (labels == number) & ~missing
        shallow = part.any() and depth[part].max() <= DEEPEST * min(missing.shape)
        if shallow and np.quantile(lowest[part], DARKEST_SHARE) < -DARKEST:
            border |= part
    return _closed(border) & ~missing if border.any() else border


def repeated_border(image: LinearImage) -> Mask:
    """(H, W) bool, rows and columns at the edges of (H, W, C) or (H, W) that repeat the next one exactly, where at least two do."""
    border = np.zeros(image.shape[:2], bool)
    for lines, mask in ((image, border), (image.swapaxes(0, 1), border.T)):
        mask[: _repeats(lines)] = True
        mask[len(mask) - _repeats(lines[::-1]) :] = True
    return border


def _repeats(lines: Array) -> int:
    """How many lines from the first on are the same as the next one."""
    same = 0
    while same < len(lines) - 1 and np.isfinite(lines[same]).any() and np.array_equal(lines[same], lines[same + 1], equal_nan=True):
        same += 1
    return same if 2 <= same < DEEPEST * len(lines) else 0


def _closed(border: Mask) -> Mask:
    """The border with a margin, and without gaps."""
    box, gap = (np.ones((size, size), np.uint8) for size in (2 * MARGIN_PX + 1, GAP_PX))
    wide = np.pad(cv2.dilate(border.astype(np.uint8), box), GAP_PX, constant_values=1)
    inside = slice(GAP_PX, -GAP_PX)
    return np.asarray(cv2.morphologyEx(wide, cv2.MORPH_CLOSE, gap)[inside, inside], bool)


def _at_edge(labels: Array) -> list[int]:
    """Numbers of the parts that touch the edge of the picture."""
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    return [int(number) for number in np.unique(rim) if number]


def _depth(missing: Mask) -> Array:
    """(H, W) px, how far from the edge of what is known each pixel lies."""
    known = np.pad(~missing, 1).astype(np.uint8)
    return np.asarray(cv2.distanceTransform(known, cv2.DIST_L2, 5)[1:-1, 1:-1])
