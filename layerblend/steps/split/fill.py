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
from layerblend.maths.bands import over_bands
from layerblend.steps.split.noise import Noise

LEVELS = 8
CONFIDENT = 4.0
WEIGHT_LOW, WEIGHT_SPAN = 0.15, 0.7
HALO_MISFIT, STREAK_MISFIT = 0.004, 0.06
LEAST_SHARE_OF_FLOOR = 0.25
MOST_DRAWS = 24
FARTHEST_DRAW = 160
CLEAN_WEIGHT = 0.02
OUTLIER = 4.0


def fill_weight(star: Plane, halo: Plane, streaks: Plane, light: Plane, noise: Noise, misfit: float, opaque: Mask) -> tuple[Plane, Plane]:
    """(H, W) float32, 0..1: share of fill, and how blind a place is: what the stars' models may miss there, without the stars' own noise.

    Parameters
    ----------
    star, halo, streaks : (H, W) float32, subtracted light; ``halo`` contains the ``streaks``
    light : (H, W) float32, what is left, smooth
    noise : Noise of the channel
    misfit : share of a star's light that the star image may miss
    opaque : (H, W) bool, pixels that say nothing (clipped)
    """
    peak = cv2.dilate(star, np.ones((3, 3), np.uint8))
    total = np.float32(noise.slope) * (star + halo)
    wrong = (np.float32(misfit) * peak) ** 2 + (np.float32(HALO_MISFIT) * halo) ** 2
    wrong += (np.float32(STREAK_MISFIT) * streaks) ** 2
    variance = noise.map(light) ** 2
    return _share(wrong + np.maximum(total, 0), variance, opaque), _share(wrong, variance, opaque)


def _share(wrong: Plane, variance: Plane, opaque: Mask) -> Plane:
    share = np.clip((wrong / (wrong + variance) - np.float32(WEIGHT_LOW)) / np.float32(WEIGHT_SPAN), 0, 1)
    share[opaque] = 1.0
    return share


def pull_push(plane: Plane, confidence: Plane, sharp: Plane | None = None) -> Plane:
    """(H, W) float32: ``plane`` where confident, smoothly bridged where not; its finest structure only where ``sharp`` (0..1)."""
    pyramid = [(plane * confidence, confidence)]
    while len(pyramid) <= LEVELS and min(pyramid[-1][0].shape) >= 8:
        pyramid.append((cv2.pyrDown(pyramid[-1][0]), cv2.pyrDown(pyramid[-1][1])))
    value, weight = pyramid.pop()
    filled = value / np.maximum(weight, 1e-6)
    fine = [] if sharp is None else [sharp, cv2.pyrDown(sharp)]
    for level, (value, weight) in reversed(list(enumerate(pyramid))):
        wide = cv2.pyrUp(filled, dstsize=(value.shape[1], value.shape[0]))
        share = np.minimum(weight * np.float32(CONFIDENT), 1)
        if level < len(fine):
            share *= fine[level]
        filled = wide + share * (value / np.maximum(weight, np.float32(1e-6)) - wide)
    return filled


def mend(residual: Plane, weight: Plane, blind: Plane, noise: Noise, draws: Array, fwhm: float, valid: Mask) -> Plane:
    """The residual with its uncertain parts filled and given the picture's own noise.

    Parameters
    ----------
    residual : (H, W) float32, the picture less its stars
    weight, blind : (H, W) float32, see `fill_weight`
    draws : (n, 2) int, offsets (rows, columns) at which noise is looked for, the same for every channel so that its colour stays
    valid : (H, W) bool, where data is
    """
    near = cv2.GaussianBlur(cv2.dilate(blind, np.ones((3, 3), np.uint8)), (0, 0), 0.7)
    confidence = np.clip(1 - np.float32(1.6) * near, 0, 1) ** 2
    confidence[~valid] = 0
    filled = pull_push(residual, confidence, 1 - weight)
    fine = residual - cv2.GaussianBlur(residual, (0, 0), 0.76 * fwhm)
    sigma = noise.map(cv2.GaussianBlur(filled, (0, 0), 1.5))
    sigma = np.maximum(sigma, np.float32(np.sqrt(LEAST_SHARE_OF_FLOOR * noise.floor)))
    out = np.empty_like(residual)
    over_bands(lambda first, last: _blend(residual, filled, fine, sigma, weight, valid, draws, out, first, last), len(out))
    return out


@njit(cache=True, nogil=True)
def _blend(residual, filled, fine, sigma, weight, valid, draws, out, first, last):  # type: ignore[no-untyped-def]
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
                    grain = fine[y, x] / sigma[y, x]
                    if abs(grain) < OUTLIER:
                        value += grain * sigma[j, i] * np.sqrt(1 - (1 - w) ** 2)
                        break
            out[j, i] = value


def noise_draws(seed: int = 20) -> Array:
    """(n, 2) int offsets, the same for every picture."""
    rng = np.random.default_rng(seed)
    offsets = rng.integers(-FARTHEST_DRAW, FARTHEST_DRAW, (4 * MOST_DRAWS, 2))
    return offsets[np.abs(offsets).max(1) > 12][:MOST_DRAWS].astype(np.int64)
