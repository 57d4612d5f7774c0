"""The curve of a result: found once on the colour role's starless stack, used unchanged for everything."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from layerblend.errors import ArgumentError, check_image, check_map, check_numbers, check_range
from layerblend.kinds import Curve, LinearImage, Mask, working_luminance
from layerblend.maths.curve import stretch, unstretch

__all__ = ["fit_curve", "stretch", "unstretch"]

BRIGHT_PERCENTILE = 99.5
FAINTEST_TARGET = 20.0  # sigma: fainter targets are stretched as if they were this bright, else noise would fill the picture
ROOM = 0.9  # share of the largest possible black point that is used where the one asked for has no solution
BISECTIONS = 200
SMALLEST_LOG = 600.0  # ln(p/s) of the steepest curve tried


def fit_curve(
    image: LinearImage, *, sigma: Any, sky: float = 0.12, bright: float = 0.7, black: float = 10.0, target: Mask | None = None
) -> Curve:
    """Find the stretch that puts the sky, the bright parts of the target and black where they are wanted.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear light, sky-subtracted, starless; NaN = no data.
    sigma : float or (H, W), noise of the working luminance (R + 2G + B)/4, linear light.
    sky : float .02 to .4, display code of the sky.
    bright : float .3 to .9, display code of the 99.5th percentile of the luminance inside the target.
    black : float 2 to 20, sigma below the sky that becomes black. The noise of the sky is seen in proportion to 1/black.
    target : (H, W) bool, optional; where the target is, else the whole frame.

    Returns
    -------
    Curve. ``black`` holds the value used: lower than asked for where the target is too faint for it.

    Raises
    ------
    ArgumentError
        When a value lies outside its range, the sky is not darker than the target, or no pixel has data.

    References
    ----------
    Lupton et al. 2004, PASP 116, 133 (asinh of the light, one factor for the channels); the three conditions are our own.
    """
    check_range("sky", sky, 0.02, 0.4)
    check_range("bright", bright, 0.3, 0.9)
    check_range("black", black, 2.0, 20.0)
    if sky >= bright:
        raise ArgumentError(f"`sky` ({sky:g}) must be smaller than `bright` ({bright:g}).")
    luminance = working_luminance(check_image("image", image))
    if target is not None:
        target = np.asarray(check_map("target", target, luminance.shape), bool)
    level = _bright_level(luminance, target)
    noise = _typical(sigma, level)
    level = max(level, FAINTEST_TARGET * noise)
    used = min(black, ROOM * largest_black(level, noise, sky, bright))
    p = used * noise
    s = _softening(p, level, sky / bright)
    return Curve(p=p, s=s, norm=math.asinh((level + p) / s) / bright, sigma=noise, target=level, sky=sky, bright=bright, black=used)


def largest_black(level: float, sigma: float, sky: float, bright: float) -> float:
    """The black point (in sigma) at which the curve would be a straight line: beyond it no curve meets the three conditions."""
    share = sky / bright
    return level / sigma * share / (1 - share)


def _bright_level(luminance: Any, target: Mask | None) -> float:
    """The 99.5th percentile of the luminance where the target is."""
    values = luminance[np.isfinite(luminance) if target is None else np.isfinite(luminance) & target]
    if values.size == 0 and target is not None:
        values = luminance[np.isfinite(luminance)]
    if values.size == 0:
        raise ArgumentError("`image` holds no data: every pixel is NaN.")
    return float(np.percentile(values.astype(np.float64), BRIGHT_PERCENTILE))


def _typical(sigma: Any, level: float) -> float:
    """One positive noise figure; a noise-free picture gets the smallest one that float32 can tell from its brightness."""
    known = np.asarray(check_numbers("sigma", sigma), np.float64)
    known = known[np.isfinite(known)]
    noise = float(np.median(known)) if known.size else float("nan")
    if not noise >= 0:
        raise ArgumentError(f"`sigma` must be a noise >= 0, got {noise!r}.")
    return max(noise, 1e-6 * abs(level), 1e-9)


def _softening(p: float, level: float, share: float) -> float:
    """The s at which asinh(p/s) is ``share`` of asinh((level + p)/s), by bisection of ln s (the ratio falls as s grows)."""

    def ratio(s: float) -> float:
        return math.asinh(p / s) / math.asinh((level + p) / s)

    low, high = math.log(p) - SMALLEST_LOG, math.log((level + p) * 1e4)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        if ratio(math.exp(middle)) > share:
            low = middle
        else:
            high = middle
    return math.exp(0.5 * (low + high))
