"""Strata: frames of similar seeing, among which a sample is judged, and how far seeing moves the values of a star."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
import scipy

from layerblend.kinds import Array

from .sizes import F

SIMILAR = 1.2
FEWEST = 7
FEWEST_APART = 3
MOST = 64
LEAST_TOLERANCE = 0.05
REACH_FWHM, REACH_PX = 3.0, (6, 32)


@dataclass(frozen=True)
class Strata:
    """Groups of similar seeing. ``members`` : (N,) frame indices, group after group; ``edges`` : (S + 1,); ``tolerance`` : (S,) float32."""

    members: Array
    edges: Array
    tolerance: Array


def make_strata(fwhm: Array, *, eccentricity: Array | None = None, angle: Array | None = None) -> Strata:
    """Group frames whose widths differ by at most a fifth, seven to sixty-four together.

    A larger group is cut at its largest relative gap; fewer than seven frames (but at least three) stand alone only beyond a gap as wide
    as a whole group. Sixty-four frames settle a median well enough, and keep the cost per sample flat. The tolerance of a group is a third
    of the largest relative change that its frames' shapes make in a star: peaks go as FWHM^-2, and an elongation of (a - b)/(a + b) = x
    off the group's own changes the width by 1 + x; at least .05.

    Parameters
    ----------
    fwhm : (N,) px; eccentricity, angle : (N,), degrees, of the star images
    """
    width = np.asarray(fwhm, float)
    known = np.isfinite(width) & (width > 0)
    width = np.where(known, width, np.median(width[known]) if known.any() else 1.0)
    order = np.argsort(width, kind="stable")
    cuts = _even_cuts(_seeing_cuts(width[order], 0, len(order)))
    stretch = np.zeros((len(order), 2)) if eccentricity is None or angle is None else _stretches(eccentricity, angle)
    tolerance = [_tolerance(width[order[a:b]], stretch[order[a:b]]) for a, b in pairwise(cuts)]
    return Strata(order.astype(np.int64), np.array(cuts, np.int64), np.array(tolerance, F))


def _stretches(eccentricity: Array, angle: Array) -> Array:
    """(N, 2): (a - b)/(a + b) along 0 and 45 degrees; unknown shapes count as round."""
    ratio = np.sqrt(1 - np.clip(np.nan_to_num(np.asarray(eccentricity, float)), 0, 0.99) ** 2)
    twice = 2 * np.deg2rad(np.nan_to_num(np.asarray(angle, float)))
    return ((1 - ratio) / (1 + ratio))[:, None] * np.stack([np.cos(twice), np.sin(twice)], 1)


def _seeing_cuts(width: Array, start: int, stop: int) -> list[int]:
    cut = _cut(width, start, stop)
    if cut is None:
        return [start, stop]
    return _seeing_cuts(width, start, cut)[:-1] + _seeing_cuts(width, cut, stop)


def _cut(width: Array, start: int, stop: int) -> int | None:
    """Where to divide width[start:stop], or None when it may stay together (or is too small to divide)."""
    if stop - start < 2 or width[stop - 1] / width[start] <= SIMILAR:
        return None
    gap = width[start + 1 : stop] / width[start : stop - 1]
    after = np.arange(start + 1, stop)
    side = np.minimum(after - start, stop - after)
    allowed = (side >= FEWEST) | ((side >= FEWEST_APART) & (gap > SIMILAR))
    return int(after[np.argmax(np.where(allowed, gap, 0))]) if allowed.any() else None


def _even_cuts(cuts: list[int]) -> list[int]:
    """Divide groups of more than ``MOST`` frames into equal ones."""
    out = [cuts[0]]
    for a, b in pairwise(cuts):
        parts = -(-(b - a) // MOST)
        out += [a + (b - a) * k // parts for k in range(1, parts + 1)]
    return out


def _tolerance(width: Array, stretch: Array) -> float:
    middle = float(np.median(width))
    peak = max((middle / width.min()) ** 2 - 1, 1 - (middle / width.max()) ** 2)
    shape = 2 * float(np.hypot(*(stretch - np.median(stretch, 0)).T).max())
    return max(LEAST_TOLERANCE, max(peak, shape) / 3)


def mixtures(strata: Strata, noise: Array) -> Array:
    """(S,) float32: factor from a group's MAD to its unit noise, when frame i's noise is noise[i] units (1.4826 when all are 1).

    The MAD of a mixture of normal values solves mean erf(MAD / (sqrt(2) noise)) = 1/2.
    """
    out = []
    for a, b in pairwise(strata.edges):
        part = np.asarray(noise, float)[strata.members[a:b]] * np.sqrt(2)
        excess = partial(_half_inside, part=part)
        out.append(1 / scipy.optimize.brentq(excess, 1e-6 * part.min(), 10 * part.max()))
    return np.array(out, F)


def _half_inside(mad: float, *, part: Array) -> float:
    return float(scipy.special.erf(mad / part).mean()) - 0.5


def star_reach(fwhm: Array) -> int:
    """How far, px, a star's light reaches beside its centre before it is level with its surroundings: three of the widest FWHM."""
    known = np.asarray(fwhm, float)[np.isfinite(fwhm)]
    return int(np.clip(np.ceil(REACH_FWHM * known.max()), *REACH_PX)) if known.size else REACH_PX[0]
