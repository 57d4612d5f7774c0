"""Make stars of one stack stand on the starless picture of another.

Each stack's split tells for itself what round a clipped star is the star's halo and what is ground. Where two splits tell it differently,
the stars of the one over the ground of the other show that light twice, or not at all: a coloured disc round the star, a rim round its
core. What the two grounds differ by, beyond their noise and near stars, is therefore handed from ground to star.

The noise is told from what is more than noise scale by scale, in rounds (Starck & Murtagh, *Astronomical Image and Data Analysis*, 2006,
section 3: iterated thresholding of the starlet transform).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Curve, LinearRGB, Mask, Plane, Weight
from layerblend.maths.bands import each, over_bands
from layerblend.maths.curve import stretch
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.maths.wavelet import MOST_LEFT, starlet

# Differences are looked for in means of so many pixels: over so many times their usual scatter, and seen on the display.
BLOCK_PX = 8
CLEAR, SEEN = 6.0, 0.016
# Blocks round such a place that are looked at closely: first what is wide, in means of so many pixels, then the rest; scales and rounds.
# Round what is wide stand so many means of nothing.
REACH_BLOCKS = 6
COARSE_PX, COARSE, FINE = 4, (4, 2), (3, 2)
AROUND = 16
# What both skies differ by is no star's: it is read away from stars in fields of so many blocks, at least so many of which must show it.
FIELD_BLOCKS, LEAST_BLOCKS = 24, 12
# A place is clear only over so many times what this share of the blocks away from stars stays under.
MOST_SHARE, OVER_MOST = 0.95, 2.0
# Coefficients over so many times their usual size are no noise if one of those that touch is over more times, or so many touch: among the
# hundred thousand of a place noise exceeds the first by itself, in single pixels, and they stood as black and white dots in a star's glow.
SURE, CERTAIN, MANY = 4.0, 6.0, 16
TINY = 1e-30


@dataclass(frozen=True)
class Patch:
    """Light (h, w, 3) that one ground holds more of than another, its first pixel at row ``top`` and column ``left`` of the picture."""

    top: int
    left: int
    light: Array


def ground_between(starless: LinearRGB, ground: LinearRGB, near_stars: Mask, curve: Curve) -> tuple[Patch, ...]:
    """What ``starless`` holds more of than ``ground`` near stars, beyond noise and where it shows.

    Parameters
    ----------
    starless, ground : (H, W, 3) float32, linear; starless pictures of two stacks of the same place; NaN = no data
    near_stars : (H, W) bool, where light of stars was taken away from either
    curve : Curve of the picture

    Returns
    -------
    Patches that do not overlap; none where both agree.
    """
    seeds, sky = _clear_blocks(starless, ground, near_stars, curve)
    if not seeds.any():
        return ()
    box = np.ones((2 * REACH_BLOCKS + 1,) * 2, np.uint8)
    labels, count = scipy.ndimage.label(cv2.dilate(seeds.astype(np.uint8), box), np.ones((3, 3)))
    places = scipy.ndimage.find_objects(labels, count)

    def patch(number: int) -> Patch:
        rows, columns = places[number - 1]
        top, left = rows.start * BLOCK_PX, columns.start * BLOCK_PX
        place = (slice(top, rows.stop * BLOCK_PX), slice(left, columns.stop * BLOCK_PX))
        own = np.repeat(np.repeat(labels[rows, columns] == number, BLOCK_PX, 0), BLOCK_PX, 1)
        difference = starless[place] - ground[place]
        light = _wide_and_fine(np.nan_to_num(difference - _enlarged(sky[rows, columns], difference)), near_stars[place])
        return Patch(top, left, light * own[: light.shape[0], : light.shape[1], None])

    return tuple(each(patch, range(1, count + 1)))


def without_patches(starless: LinearRGB, patches: tuple[Patch, ...]) -> LinearRGB:
    """``starless`` (H, W, 3) less the light of the patches; the very array given when there are none."""
    if not patches:
        return starless
    out = starless.copy()
    for patch in patches:
        height, width = patch.light.shape[:2]
        out[patch.top : patch.top + height, patch.left : patch.left + width] -= patch.light
    return out


def _clear_blocks(starless: LinearRGB, ground: LinearRGB, near_stars: Mask, curve: Curve) -> tuple[Mask, Array]:
    """Blocks near stars in which the grounds differ by more than they do around, and by something that can be seen; and (rows, columns, 3)
    what their skies differ by."""
    below, apart, near = _block_means(starless, ground, near_stars)
    sky, most = _sky_between(apart, near)
    apart -= sky
    usual = MAD_TO_SIGMA * np.median(np.abs(apart), (0, 1))
    shown = np.abs(stretch(below + apart, curve) - stretch(below, curve)) > SEEN
    clear = np.abs(apart) > np.maximum(CLEAR * usual, OVER_MOST * most)
    return np.asarray(near & (clear & shown).any(-1)), sky


def _sky_between(apart: Array, near: Mask) -> tuple[Array, Array]:
    """Of every block, what the skies around differ by away from stars, and by how much that
    varies there; both (rows, columns, 3) float32.

    Nights of another moon leave a stack of their frames another sky, most of all in the corners: taken for stars' light it made boxes.
    """
    rows, columns = near.shape
    shape = (-(-rows // FIELD_BLOCKS), -(-columns // FIELD_BLOCKS))
    level, most, known = np.zeros((*shape, 3), np.float32), np.zeros((*shape, 3), np.float32), np.zeros(shape, np.float32)
    for i, j in np.ndindex(shape):
        # halves of the fields around belong to it: it lies between their middles
        top, left = ((k * FIELD_BLOCKS - FIELD_BLOCKS // 4) for k in (i, j))
        field = (slice(max(top, 0), top + 3 * FIELD_BLOCKS // 2), slice(max(left, 0), left + 3 * FIELD_BLOCKS // 2))
        values = apart[field][~near[field]]
        if len(values) >= LEAST_BLOCKS:
            known[i, j] = 1
            level[i, j] = np.median(values, axis=0)
            most[i, j] = np.quantile(np.abs(values - level[i, j]), MOST_SHARE, axis=0)
    while 0 < known.sum() < known.size:
        around = cv2.blur(known, (3, 3), borderType=cv2.BORDER_CONSTANT)
        for values in (level, most):
            filled = cv2.blur(values * known[..., None], (3, 3), borderType=cv2.BORDER_CONSTANT) / np.maximum(around, 1e-6)[..., None]
            values[known == 0] = filled[known == 0]
        known = (around > 0).astype(np.float32)
    return _enlarged(level, apart), _enlarged(most, apart)


def _enlarged(small: Array, like: Array) -> Array:
    """``small`` (h, w, 3) brought to the size of ``like`` (H, W, 3)."""
    size = (like.shape[1], like.shape[0])
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR)).reshape(like.shape)


def _block_means(starless: LinearRGB, ground: LinearRGB, near_stars: Mask) -> tuple[Array, Array, Mask]:
    """Per block: the ground's light, what ``starless`` has more, and whether stars are near. Blocks at the far edges may be smaller."""
    height, width = near_stars.shape
    shape = (-(-height // BLOCK_PX), -(-width // BLOCK_PX))
    below, apart, near = np.zeros((*shape, 3), np.float32), np.zeros((*shape, 3), np.float32), np.zeros(shape, bool)
    over_bands(lambda first, last: _mean_rows(starless, ground, near_stars, below, apart, near, first, last), shape[0])
    return below, apart, near


@njit(cache=True, nogil=True)
def _mean_rows(starless, ground, near_stars, below, apart, near, first, last):  # type: ignore[no-untyped-def]
    height, width = near_stars.shape
    for row in range(first, last):
        for column in range(near.shape[1]):
            rows = range(row * BLOCK_PX, min((row + 1) * BLOCK_PX, height))
            columns = range(column * BLOCK_PX, min((column + 1) * BLOCK_PX, width))
            for y in rows:
                for x in columns:
                    near[row, column] |= near_stars[y, x]
                    for c in range(3):
                        light, more = ground[y, x, c], starless[y, x, c] - ground[y, x, c]
                        if np.isfinite(more):
                            below[row, column, c] += light
                            apart[row, column, c] += more
            for c in range(3):
                below[row, column, c] /= len(rows) * len(columns)
                apart[row, column, c] /= len(rows) * len(columns)


def _wide_and_fine(difference: LinearRGB, near_stars: Mask) -> LinearRGB:
    """The part of a difference of two grounds that is no noise; round the place that is given there is none."""
    height, width = near_stars.shape
    size = (-(-width // COARSE_PX), -(-height // COARSE_PX))
    near = cv2.resize(near_stars.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0
    coarse = cv2.resize(difference, size, interpolation=cv2.INTER_AREA)
    scales, rounds = COARSE
    # or what fills the place would pass for its level
    framed = np.pad(coarse, ((AROUND, AROUND), (AROUND, AROUND), (0, 0)))
    wide = _beyond_noise(framed, np.pad(near, AROUND), _limits(coarse, scales), rounds)[AROUND:-AROUND, AROUND:-AROUND]
    wide = cv2.resize(wide, (width, height), interpolation=cv2.INTER_LINEAR)
    scales, rounds = FINE
    left = difference - wide
    return np.asarray(wide + _beyond_noise(left, near_stars, _limits(left, scales), rounds))


def _limits(difference: LinearRGB, scales: int) -> Array:
    """(3, scales + 1) what no noise exceeds, by channel. Light may fill wide scales: noise there is at most so much of the one before."""
    limits = np.empty((3, scales + 1))
    for c in range(3):
        for scale, plane in enumerate(_scales(difference[..., c], scales)):
            usual = SURE * MAD_TO_SIGMA * float(np.median(np.abs(plane)))
            limits[c, scale] = min(usual, MOST_LEFT * limits[c, scale - 1]) if scale else usual
    return limits


def _beyond_noise(difference: LinearRGB, near_stars: Mask, limits: Array, rounds: int) -> LinearRGB:
    """What exceeds the ``limits`` (3, scales + 1) of noise: the wider the structure, the farther from the stars it may lie."""
    away = cv2.distanceTransform((~near_stars).astype(np.uint8), cv2.DIST_L2, 5)
    out = np.zeros_like(difference)
    for _ in range(rounds):
        left = difference - out
        planes = [_scales(left[..., c], limits.shape[1] - 1) for c in range(3)]
        for scale in range(limits.shape[1]):
            clear = _certain(np.max([np.abs(planes[c][scale]) / max(limits[c, scale], TINY) for c in range(3)], 0))
            if clear.any():
                share = _round(clear, 1 << scale) * np.clip(2 - away / (2 << scale), 0, 1)
                for c in range(3):
                    out[..., c] += share * planes[c][scale]
    return out


def _certain(high: Plane) -> Mask:
    """Where values above 1, in units of the limit of noise, are no chance: the highest of those that touch is well above, or many touch."""
    above = high > 1
    if not above.any():
        return np.asarray(above)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(above.astype(np.uint8), connectivity=8)
    sure = stats[:, cv2.CC_STAT_AREA] >= MANY
    sure[labels[high > CERTAIN / SURE]] = True
    sure[0] = False
    return np.asarray(sure[labels])


def _scales(plane: Plane, scales: int) -> list[Plane]:
    """The starlet planes and, as the widest, the rest."""
    planes, rest = starlet(np.ascontiguousarray(plane), scales)
    return [*planes, rest]


def _round(clear: Mask, reach: int) -> Weight:
    """1 within ``reach`` px of what is clear, falling to 0 at twice that."""
    away: Plane = cv2.distanceTransform((~clear).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(np.clip(2 - away / reach, 0, 1), np.float32)
