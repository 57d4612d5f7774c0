"""The frozen linear operator of detail: what share of every starlet coefficient is admitted, and what is made of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_image, check_range
from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import over_rows
from layerblend.maths.wavelet import pool, smooth
from layerblend.steps.detail.filter import Sharpener, filter_plane
from layerblend.steps.detail.spikes import without_spikes

FLUX_PX = 16.0  # deconvolution leaves the light of places as large as this as it is
LEAST_FELT = np.float32(0.05)  # share of places nearby below which light that is missing is not put back
TINY, SHARE_STEP = np.float32(1e-20), np.float32(255)


@dataclass(frozen=True)
class Gates:
    """A frozen linear operator of detail: per starlet scale the admitted share of every pixel.

    ``shares`` : (H, W) uint8 in steps of 1/255, one per scale; the picture itself is made with these steps. ``grain`` : what is left of
    coefficients that are not admitted. ``gains`` : factor of the admitted ones, per scale. ``sharpener`` : their filter, or None.
    ``spikes`` : (H, W) bool, pixels that take the place of their surroundings first, or None. ``felt`` : (H, W) uint8 in steps of 1/255,
    how much of the filter is felt (less where stars were taken out, at borders and below the sky), or None: all of it everywhere.
    """

    shares: tuple[Array, ...] = field(repr=False)
    grain: float
    gains: tuple[float, ...]
    sharpener: Sharpener | None = None
    spikes: Mask | None = field(default=None, repr=False)
    felt: Array | None = field(default=None, repr=False)


def apply_gates(gates: Gates, plane: Plane) -> Plane:
    """Send a plane (a half-set, a half difference) through a frozen operator of detail; linear in the plane.

    Parameters
    ----------
    gates : Gates of :func:`deconvolve_and_keep` or :func:`sharpen_gates`.
    plane : (H, W) float32; NaN = no data.
    """
    plane = check_image("plane", plane, colour=False)
    if gates.shares and gates.shares[0].shape != plane.shape:
        raise ArgumentError(f"`plane` {plane.shape} has not the size of the gates {gates.shares[0].shape}.")
    filled, valid = without_spikes(plane, gates.spikes)
    sharp = filled if gates.sharpener is None else filter_plane(filled, gates.sharpener)
    return restored(through_gates(gates, filled, sharp), valid)


def through_gates(gates: Gates, plane: Plane, sharp: Plane) -> Plane:
    """The operator on a plane without gaps and on the same plane through the filter."""
    out = np.zeros_like(plane)
    rest_in, rest_out = plane, sharp
    same = sharp is plane
    felt = np.full((1, 1), 255, np.uint8) if gates.felt is None else gates.felt
    for scale, (share, gain) in enumerate(zip(gates.shares, gates.gains, strict=True)):
        next_in = smooth(rest_in, scale)
        next_out = next_in if same else smooth(rest_out, scale)
        over_rows(_add_scale, rest_in, next_in, rest_out, next_out, share, felt, np.float32(gates.grain), np.float32(gain), out)
        rest_in, rest_out = next_in, next_out
    out += rest_in
    if gates.sharpener is not None:
        # the rings of a sharpened star, fainter than its core, are admitted less: without this crowds of stars gain 2 % of light
        out += _light_lost(plane - out, gates.felt)
    return out


def _light_lost(missing: Plane, felt: Array | None) -> Plane:
    """What is missing, spread over its surroundings as far as they felt the filter; the sum stays."""
    if felt is None:
        return pool(missing, FLUX_PX)
    part = felt / SHARE_STEP
    return np.asarray(part * pool(missing / np.maximum(pool(part, FLUX_PX), LEAST_FELT), FLUX_PX), np.float32)


def restored(plane: Plane, valid: Mask) -> Plane:
    """Gaps become gaps again."""
    return plane if valid.all() else np.where(valid, plane, np.float32(np.nan))


def noise_map(name: str, sigma: Any, shape: tuple[int, int]) -> Any:
    """Noise as a positive float or a finite positive map."""
    if np.ndim(sigma) == 0:
        return max(check_range(name, sigma, 0.0, math.inf), 1e-12)
    noise = check_image(name, sigma, colour=False)
    if noise.shape != shape:
        raise ArgumentError(f"`{name}` {noise.shape} and the plane {shape} differ in size.")
    if np.fmin.reduce(noise, axis=None) < 0:
        raise ArgumentError(f"`{name}` must not be negative.")
    known = np.isfinite(noise)
    typical = float(np.median(noise[known][::17])) if known.any() else 1.0
    return np.maximum(np.where(known, noise, np.float32(typical)), np.float32(1e-12))


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True)
def _add_scale(rest_in, next_in, rest_out, next_out, share, felt, grain, gain, out, first, last):
    everywhere = felt.size == 1
    for y in range(first, last):
        for x in range(rest_in.shape[1]):
            before, after = rest_in[y, x] - next_in[y, x], rest_out[y, x] - next_out[y, x]
            if not everywhere:
                after = before + felt[y, x] / SHARE_STEP * (after - before)
            admitted = share[y, x] / SHARE_STEP
            out[y, x] += grain * (np.float32(1) - admitted) * before + gain * admitted * after
