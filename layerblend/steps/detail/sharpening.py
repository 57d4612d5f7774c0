"""Sharpening of the display lightness by scale, gated, and the bending of bright cores."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_image, check_map, check_range
from layerblend.kinds import Array, Plane
from layerblend.maths.bands import by_bands, over_rows
from layerblend.maths.robust import nan_filled
from layerblend.maths.wavelet import pool, pool_product, scale_noise, sky_pixels, smooth
from layerblend.steps.detail.gates import SHARE_STEP, TINY, Gates, apply_gates, noise_map

SHARPEN_SIGNIFICANCE = 2.0
SHARPEN_GUARD = 0.12  # share of the strongest coefficient nearby below which a coefficient may be its ring
CORE_FROM = 0.612  # Oklab L of L* 55
CORE_KNEE = 0.08
CORE_PX = 24.0


def sharpen(lightness: Plane, gains: Sequence[float], *, sigma: Any, half_difference: Plane | None = None) -> Plane:
    """Amplify detail of the display lightness by size, only where it stands above its noise and is not the ring of something brighter.

    Parameters
    ----------
    lightness : (H, W) float32, display lightness (Oklab L, 0..1); NaN stays NaN.
    gains : factors 0 to 3 of the starlet scales, finest first (about 2, 4, 8, 16 px); [1] changes nothing.
    sigma : float or (H, W) float32, standard deviation of ``lightness``.
    half_difference : (H, W) float32, optional; half the difference of the two half-sets' lightness. Without it the noise of every scale
        is measured on the picture's own sky.

    Returns
    -------
    (H, W) float32, not clipped.

    Raises
    ------
    ArgumentError
        No gains or one outside 0..3, a negative sigma, arrays that differ in size.

    References
    ----------
    Starck & Murtagh 2006, Astronomical Image and Data Analysis (starlet).
    """
    lightness, gains = check_image("lightness", lightness, colour=False), _factors(gains)
    if all(gain == 1 for gain in gains):
        return lightness.copy()
    return apply_gates(sharpen_gates(lightness, gains, sigma=sigma, half_difference=half_difference), lightness)


def sharpen_gates(lightness: Plane, gains: Sequence[float], *, sigma: Any, half_difference: Plane | None = None) -> Gates:
    """The frozen operator of :func:`sharpen` (same parameters), for :func:`apply_gates`."""
    factors = _factors(gains)
    filled, valid = nan_filled(check_image("lightness", lightness, colour=False))
    sigma = noise_map("sigma", sigma, filled.shape)
    if half_difference is None:
        noise = scale_noise(filled, sigma, len(factors), where=sky_pixels(filled, valid))
    else:
        half = check_map("half_difference", check_image("half_difference", half_difference, colour=False), filled.shape)
        noise = scale_noise(half, sigma, len(factors), where=valid)
    shares = []
    rest = filled
    for scale, gain in enumerate(factors):
        smoother = smooth(rest, scale)
        # a gain of 1 changes nothing, whatever is admitted
        shares.append(_sharpened_share(rest, smoother, scale, noise[scale], sigma) if gain != 1 else np.zeros(filled.shape, np.uint8))
        rest = smoother
    return Gates(tuple(shares), 1.0, factors)


def _factors(gains: Sequence[float]) -> tuple[float, ...]:
    if isinstance(gains, str) or not np.iterable(gains) or not len(gains):
        raise ArgumentError(f"`gains` must be a list of factors, finest scale first, got {gains!r}.")
    return tuple(check_range("gains", gain, 0.0, 3.0) for gain in gains)


def _sharpened_share(rest: Plane, smoother: Plane, scale: int, factor: float, sigma: Any) -> Array:
    """What of one scale stands above its noise and is not the ring of something brighter."""
    size: Any = cv2.absdiff(rest, smoother)
    reach = 2 * 2**scale + 1
    box = cv2.getStructuringElement(cv2.MORPH_RECT, (2 * reach + 1, 2 * reach + 1))
    doubt = by_bands(lambda rows: cv2.dilate(rows, box, borderType=cv2.BORDER_REFLECT_101), size, reach)
    energy = pool_product(size, size, float(max(2**scale, 0.8)))
    return _admit(energy, doubt, SHARPEN_GUARD, SHARPEN_SIGNIFICANCE, factor, sigma)


def _admit(energy: Plane, doubt: Plane, guard: float, k: float, factor: float, sigma: Any) -> Array:
    """Admitted share 1 - k s^2 / energy, s^2 = (factor sigma)^2 + (guard doubt)^2, not below 0; in steps of 1/255."""
    out = np.empty(energy.shape, np.uint8)
    noise = np.full((1, 1), sigma, np.float32) if np.ndim(sigma) == 0 else sigma
    over_rows(_admit_rows, energy, doubt, noise, np.float32(k), np.float32(factor), np.float32(guard), out)
    return out


def bend_core(lightness: Plane, strength: float) -> Plane:
    """Calm bright cores: their broad light (24 px) is bent down above L* 55, the detail on it stays as strong as it was.

    Parameters
    ----------
    lightness : (H, W) float32, Oklab L, 0..1; NaN stays NaN.
    strength : float 0 to 1; the slope above the bend is 1 - strength. 0 changes nothing.
    """
    check_range("strength", strength, 0.0, 1.0)
    lightness = check_image("lightness", lightness, colour=False)
    if strength == 0:
        return lightness.copy()
    filled, _ = nan_filled(lightness)
    base = pool(filled, CORE_PX)
    out = np.empty_like(filled)
    over_rows(_bend_rows, lightness, base, np.float32(strength), out)
    return out


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True)
def _bend_rows(lightness, base, strength, out, first, last):
    start, knee, half, twice = np.float32(CORE_FROM), np.float32(CORE_KNEE), np.float32(CORE_KNEE / 2), np.float32(2 * CORE_KNEE)
    for y in range(first, last):
        for x in range(base.shape[1]):
            t = base[y, x] - start
            over = max(t, np.float32(0)) ** 2 / twice if t < knee else t - half
            out[y, x] = lightness[y, x] - strength * over


@njit(cache=True, nogil=True)
def _admit_rows(energy, doubt, sigma, k, factor, guard, out, first, last):
    one = sigma.size == 1
    for y in range(first, last):
        for x in range(energy.shape[1]):
            noise = factor * (sigma[0, 0] if one else sigma[y, x])
            unsure = guard * doubt[y, x]
            share = np.float32(1) - k * (noise * noise + unsure * unsure) / max(energy[y, x], TINY)
            out[y, x] = np.uint8(max(share, np.float32(0)) * SHARE_STEP + np.float32(0.5))
