"""Mend what the star image cannot tell: fill from the surroundings, weighted by how little is known, with their own noise.

A pixel's weight of fill is W = e^2 / (e^2 + sigma^2), e the error of the subtracted star light, sigma the noise; 1 where light was
clipped. The fill comes from a pyramid of averages weighted by confidence (pull-push: Gortler et al. 1996, SIGGRAPH, 43). Its noise is
copied from the picture's own fine structure at untouched places, so that it has the picture's noise, correlation length and colour.
"""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import by_bands, over_bands, over_rows
from layerblend.maths.noise_line import Noise
from layerblend.maths.robust import MAD_TO_SIGMA

LEVELS = 8
CONFIDENT = 4.0
WEIGHT_LOW, WEIGHT_SPAN = 0.15, 0.7
HALO_MISFIT, STREAK_MISFIT = 0.004, 0.06
LEAST_SHARE_OF_FLOOR = 0.25
MOST_DRAWS = 24
FARTHEST_DRAW = 160
CLEAN_WEIGHT = 0.02
OUTLIER = 4.0
# Pixels up to so many px from a star's core are looked at, and count as dark by so many sigma below the ground between these distances.
RIM_REACH, RIM_DARK, RIM_GROUND, LEAST_GROUND = 5.5, 5.0, (6.0, 11.0), 30


def fill_weight(star: Plane, unsure: Plane, halo: Plane, streaks: Plane, light: Plane, noise: Noise, opaque: Mask) -> tuple[Plane, Plane]:
    """(H, W) float32, 0..1: share of fill, and how blind a place is: what the stars' models may miss there, without the stars' own noise.

    Parameters
    ----------
    star, halo, streaks : (H, W) float32, subtracted light; ``halo`` contains the ``streaks``
    light : (H, W) float32, what is left, smooth
    noise : Noise of the channel
    unsure : (H, W) float32, light of the stars that the star image may miss
    opaque : (H, W) bool, pixels that say nothing (clipped)
    """
    unsure = by_bands(_widened, unsure, 1)
    weight, blind = np.empty_like(star), np.empty_like(star)
    shares = tuple(np.float32(share) for share in (HALO_MISFIT, STREAK_MISFIT, noise.slope))
    arrays = (star, unsure, halo, streaks, noise.map(light), opaque, weight, blind)
    over_bands(lambda first, last: _weigh(*arrays, shares, first, last), len(star))
    return weight, blind


def dark_rims(residual: Plane, light: Plane, unsure: Plane, noise: Noise, opaque: Mask, cores: Mask) -> Mask:
    """(H, W) bool: pixels near the cores of bright stars that are much darker than the ground farther out.

    Debayering takes light from the weakest channels near the core of a bright star of strong colour; what the star should have had there is
    missing once it is taken away.

    Parameters
    ----------
    residual : (H, W) float32, the picture less its stars
    light, unsure : (H, W) float32, subtracted light, whose noise is there still, and what the star image may miss of it
    noise : Noise of the channel
    opaque, cores : (H, W) bool, pixels that say nothing (clipped); the cores of bright stars
    """
    dark = np.zeros(opaque.shape, bool)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(cores.astype(np.uint8), connectivity=8)
    reach, (height, width) = int(RIM_GROUND[1]) + 1, opaque.shape
    for own, (x, y, w, h, _) in enumerate(boxes[1:count], 1):
        place = slice(max(y - reach, 0), min(y + h + reach, height)), slice(max(x - reach, 0), min(x + w + reach, width))
        away = cv2.distanceTransform((labels[place] != own).astype(np.uint8), cv2.DIST_L2, 5)
        ground = residual[place][(away > RIM_GROUND[0]) & (away <= RIM_GROUND[1]) & ~cores[place]]
        if len(ground) < LEAST_GROUND:
            continue
        level = float(np.median(ground))
        uneven = MAD_TO_SIGMA * float(np.median(np.abs(ground - level)))
        sigma = np.maximum(np.hypot(noise.map(max(level, 0.0) + light[place]), unsure[place]), np.float32(uneven))
        dark[place] |= ~opaque[place] & (away <= RIM_REACH) & (residual[place] < level - RIM_DARK * sigma)
    return dark


@njit(cache=True, nogil=True)
def _weigh(star, missed, halo, streaks, sigma, opaque, weight, blind, shares, first, last):  # type: ignore[no-untyped-def]
    """Share of fill from the errors of the subtracted light, with the stars' own noise and (``blind``) without."""
    halo_misfit, streak_misfit, slope = shares
    nothing, low, span = np.float32(0), np.float32(WEIGHT_LOW), np.float32(WEIGHT_SPAN)
    for j in range(first, last):
        for i in range(star.shape[1]):
            if opaque[j, i]:
                weight[j, i] = blind[j, i] = 1
                continue
            of_star, of_halo, of_streak = missed[j, i], halo_misfit * halo[j, i], streak_misfit * streaks[j, i]
            wrong = of_star * of_star + of_halo * of_halo + of_streak * of_streak
            variance = sigma[j, i] * sigma[j, i]
            unsure = wrong + max(slope * (star[j, i] + halo[j, i]), nothing)
            weight[j, i] = min(max((unsure / (unsure + variance) - low) / span, nothing), np.float32(1))
            blind[j, i] = min(max((wrong / (wrong + variance) - low) / span, nothing), np.float32(1))


def pull_push(plane: Plane, confidence: Plane, sharp: Plane | None = None) -> Plane:
    """(H, W) float32: ``plane`` where confident, smoothly bridged where not; its finest structure only where ``sharp`` (0..1)."""
    pyramid = [(plane * confidence, confidence)]
    while len(pyramid) <= LEVELS and min(pyramid[-1][0].shape) >= 8:
        pyramid.append((cv2.pyrDown(pyramid[-1][0]), cv2.pyrDown(pyramid[-1][1])))
    value, weight = pyramid.pop()
    filled: Plane = value / np.maximum(weight, 1e-6)
    everywhere = np.ones((1, 1), np.float32)
    fine: list[Array] = [] if sharp is None else [sharp, cv2.pyrDown(sharp)]
    for level, (value, weight) in reversed(list(enumerate(pyramid))):
        filled = cv2.pyrUp(filled, dstsize=(value.shape[1], value.shape[0]))
        over_rows(_trust, filled, value, weight, fine[level] if level < len(fine) else everywhere)
    return filled


@njit(cache=True, nogil=True)
def _trust(filled, value, weight, fine, first, last):  # type: ignore[no-untyped-def]
    """Draw what was bridged to ``value`` / ``weight``, as far as the weight goes; ``fine`` may be a single number."""
    single = fine.size == 1
    for j in range(first, last):
        for i in range(filled.shape[1]):
            share = min(weight[j, i] * np.float32(CONFIDENT), np.float32(1)) * (fine[0, 0] if single else fine[j, i])
            filled[j, i] += share * (value[j, i] / max(weight[j, i], np.float32(1e-6)) - filled[j, i])


def mend(residual: Plane, weight: Plane, blind: Plane, noise: Noise, draws: Array, fwhm: float, valid: Mask) -> Plane:
    """The residual with its uncertain parts filled and given the picture's own noise.

    Parameters
    ----------
    residual : (H, W) float32, the picture less its stars
    weight, blind : (H, W) float32, see `fill_weight`
    draws : (n, 2) int, offsets (rows, columns) at which noise is looked for, the same for every channel so that its colour stays
    valid : (H, W) bool, where data is
    """
    confidence = _blurred(by_bands(_widened, blind, 1), 0.7)
    sharp = np.empty_like(weight)
    over_rows(_confide, confidence, sharp, weight, valid)
    filled = pull_push(residual, confidence, sharp)
    del confidence, sharp  # room for the next planes: of 12 megapixels each takes 48 MB
    smooth, least = _blurred(residual, 0.76 * fwhm), np.float32(np.sqrt(LEAST_SHARE_OF_FLOOR * noise.floor))
    sigma = np.maximum(noise.map(_blurred(filled, 1.5)), least)
    out = np.empty_like(residual)
    over_bands(lambda first, last: _blend(residual, filled, smooth, sigma, weight, valid, draws, out, first, last), len(out))
    return out


def _widened(plane: Plane) -> Plane:
    return np.asarray(cv2.dilate(plane, np.ones((3, 3), np.uint8)))


def _blurred(plane: Plane, sigma: float) -> Plane:
    """Gaussian blur; beyond four sigma there is nothing more of it."""
    return np.asarray(by_bands(lambda band: cv2.GaussianBlur(band, (0, 0), sigma), plane, int(4 * sigma) + 2))


@njit(cache=True, nogil=True)
def _confide(near, sharp, weight, valid, first, last):  # type: ignore[no-untyped-def]
    """How blind a place is (in ``near``) becomes confidence; what is not filled is ``sharp``."""
    nothing, one = np.float32(0), np.float32(1)
    for j in range(first, last):
        for i in range(near.shape[1]):
            trust = min(max(one - np.float32(1.6) * near[j, i], nothing), one)
            near[j, i] = trust * trust if valid[j, i] else nothing
            sharp[j, i] = one - weight[j, i]


@njit(cache=True, nogil=True)
def _blend(residual, filled, smooth, sigma, weight, valid, draws, out, first, last):  # type: ignore[no-untyped-def]
    height, width = residual.shape
    for j in range(first, last):
        for i in range(width):
            w = weight[j, i]
            if w <= 0:
                out[j, i] = residual[j, i]
                continue
            value = residual[j, i] * (1 - w) + filled[j, i] * w
            if w > CLEAN_WEIGHT:
                for k in range(draws.shape[0]):
                    y = j + draws[k, 0]
                    x = i + draws[k, 1]
                    if y < 0 or x < 0 or y >= height or x >= width or not valid[y, x] or weight[y, x] > CLEAN_WEIGHT:
                        continue
                    grain = (residual[y, x] - smooth[y, x]) / sigma[y, x]
                    if abs(grain) < OUTLIER:
                        value += grain * sigma[j, i] * np.sqrt(1 - (1 - w) ** 2)
                        break
            out[j, i] = value


def noise_draws(seed: int = 20) -> Array:
    """(n, 2) int offsets, the same for every picture."""
    rng = np.random.default_rng(seed)
    offsets = rng.integers(-FARTHEST_DRAW, FARTHEST_DRAW, (4 * MOST_DRAWS, 2))
    return offsets[np.abs(offsets).max(1) > 12][:MOST_DRAWS].astype(np.int64)
