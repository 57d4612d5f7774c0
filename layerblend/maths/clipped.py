"""Where a picture was clipped: from the stack's own map, or from plateaus in the picture when there is none."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from layerblend.errors import check_map
from layerblend.kinds import Array, LinearImage, Mask, Plane

# A plateau is this many touching pixels within this share of the channel's highest value: no star image is so flat.
PLATEAU_PX = 5
PLATEAU_REACH = 0.02
# Above this share of the plateau a response may already bend, and interpolated pixels mix clipped ones in.
NEAR_CLIP = 0.9
STEEP = 4.0
# So many pixels near the white level make a core: those of a star as narrow as two pixels.
CORE_PX = 2
# Stars whose tops are flat at one level, within so much, tell where a frame clips; fainter tops than this share of the brightest do not.
FLAT_STARS, ONE_LEVEL, LEAST_TOP = 3, 0.03, 0.25
# Where they tell where a stack clips, hardly a pixel is brighter: registration overshoots beside a cut by a tenth at most.
MOST_OVERSHOOT = 1.15


def clipped_pixels(image: LinearImage, saturated: Array | None = None, *, least_share: float = 0.0) -> Mask:
    """(H, W) bool, pixels whose light was cut off in any channel.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear
    saturated : (H, W) bool, or float share of a pixel's frames that were saturated; None looks for plateaus in ``image``
    least_share : 0..1, a share above this counts
    """
    if saturated is not None:
        known = check_map("saturated", saturated, image.shape)
        return known.copy() if known.dtype == bool else np.nan_to_num(known) > least_share
    cube = image if image.ndim == 3 else image[..., None]
    clipped = np.zeros(cube.shape[:2], bool)
    for c in range(cube.shape[2]):
        clipped |= _above_plateau(cube[..., c])
    return clipped


def clipped_round(clipped: Mask, x: Array, y: Array) -> Mask:
    """(H, W) bool, the connected parts of ``clipped`` (H, W) that lie at or next to the places ``x``, ``y`` (n,), px."""
    return clipped & parts_at(cv2.dilate(clipped.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool), x, y)


def parts_at(mask: Mask, x: Array, y: Array) -> Mask:
    """(H, W) bool, the connected parts of ``mask`` (H, W) at the places ``x``, ``y`` (n,), px; those outside count at the nearest edge."""
    labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)[1]
    found = values_at(labels, x, y)
    return np.asarray(np.isin(labels, found[found > 0]))


def values_at(plane: Array, x: Array, y: Array) -> Array:
    """(n,) values of ``plane`` (H, W) at the pixels nearest to ``x``, ``y`` (n,), px."""
    row, column = (np.clip(np.rint(place).astype(int), 0, size - 1) for place, size in zip((y, x), plane.shape, strict=True))
    return np.asarray(plane[row, column])


def clipped_cores(image: LinearImage) -> Array | None:
    """(H, W) float32 map like a stack's own, 1 at the clipped cores of stars of a finished stack; None where there is none.

    The mean of frames that clip is no longer flat, so everything near the white level counts that lies in steep spots: half the level is
    reached within ``STEEP`` times their area (or that of the smallest plateau), as at the rim of a star and not round the core of a galaxy.
    Stacks often end below the white level, as calibrated frames do: flat tops of three stars tell where.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear with its sky, 1.0 = white level
    """
    brightest = np.nan_to_num(image if image.ndim == 2 else image.max(-1))
    brightest = brightest / np.float32(_top_of_stack(image, brightest))
    near = brightest >= NEAR_CLIP
    if not near.any():
        return None
    count, labels = cv2.connectedComponents((brightest >= NEAR_CLIP / 2).astype(np.uint8), connectivity=8)
    inner, outer = np.bincount(labels[near], minlength=count), np.bincount(labels.ravel(), minlength=count)
    steep = (inner >= CORE_PX) & (outer <= STEEP * np.maximum(inner, PLATEAU_PX))
    steep[0] = False
    return (near & steep[labels]).astype(np.float32) if steep.any() else None


def _top_of_stack(image: LinearImage, brightest: Plane) -> float:
    """The value at which a stack's stars are cut off, 1 where nothing shows that it is lower."""
    top = common_top(flat_tops(image))
    if top is None or not 0 < top < 1 or (brightest > MOST_OVERSHOOT * top).sum() >= PLATEAU_PX:
        return 1.0
    return top


def flat_tops(image: LinearImage) -> list[float]:
    """Levels of the tops of bright stars of a single frame that were cut off, in every channel.

    Half the height of a star's top is reached within ``STEEP`` times the area of its uppermost tenth only where the top was cut off.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear, with or without its sky; NaN = no data
    """
    cube = np.nan_to_num(image if image.ndim == 3 else image[..., None])
    return [level for c in range(cube.shape[2]) for level in _flat_tops(np.ascontiguousarray(cube[..., c], np.float32))]


def common_top(levels: Sequence[float]) -> float | None:
    """The lowest level that three flat tops share; None where no three do. Where frames were scaled, the lowest holds for all."""
    ordered = np.sort(np.asarray(levels, float))
    for first in range(len(ordered) - FLAT_STARS + 1):
        alike = ordered[(ordered >= ordered[first]) & (ordered <= (1 + ONE_LEVEL) * ordered[first])]
        if len(alike) >= FLAT_STARS:
            return float(np.median(alike))
    return None


def _flat_tops(plane: Plane) -> list[float]:
    """Levels of the flat tops of a plane's stars."""
    sky, top = float(np.median(plane)), float(plane.max())
    bright = (plane > sky + LEAST_TOP * (top - sky)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(bright, connectivity=8)
    levels = []
    for number in range(1, count):
        x, y, width, height, pixels = stats[number]
        if pixels < PLATEAU_PX:
            continue
        place = (slice(y, y + height), slice(x, x + width))
        light = np.where(labels[place] == number, plane[place] - sky, 0)
        most = float(light.max())
        upper, half = light >= NEAR_CLIP * most, light >= most / 2
        # one whose half height is not reached here goes on below and tells nothing
        if upper.sum() >= PLATEAU_PX and half.sum() <= STEEP * upper.sum() and half.sum() < pixels:
            levels.append(float(np.median(light[upper])) + sky)
    return levels


def _above_plateau(plane: Array) -> Mask:
    finite = np.nan_to_num(plane, nan=-np.inf)
    top = float(finite.max())
    nothing = np.zeros(plane.shape, bool)
    if not top > 0:
        return nothing
    flat = (finite >= top * (1 - PLATEAU_REACH)).astype(np.uint8)
    if flat.mean() > 0.5:
        return nothing
    _, _, stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=8)
    if not (stats[1:, cv2.CC_STAT_AREA] >= PLATEAU_PX).any():
        return nothing
    return finite >= top * NEAR_CLIP
