"""Reflections off centre: every bright star's light again, out of focus, at a place that all stars have in common.

Light that goes to and fro between two surfaces comes back as a disc beside its star: shifted in proportion to the star's distance from
the middle of the picture, or by the same step everywhere. For every such shift the discs' light, a non-negative profile in units of
the star's peak, is fitted to all bright stars at once, beside a halo of each star's own that may be anything round; the best shift
counts when the stars agree on it. What is round about the star itself tells nothing here (Frisch & Waugh 1933, Econometrica 1, 387).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import over_bands
from layerblend.maths.noise_line import Noise
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps.split.spikes import Shown

# Stars whose peak is so far above the noise, so many of them.
BRIGHT, MOST_STARS = 1500.0, 14
# A cell of the coarse picture, the patch round a star and the disc, FWHM; cells within the inner radius tell nothing.
CELL, PATCH, DISC, INNER = 1.0, 34.0, 22.0, 2.5
RINGS_PER_CELL = 1.0
# Shifts tried, FWHM at the usual star, and in which steps.
MOST_SHIFT, STEP, COARSE_STEP = 20.0, 1.0, 4.0
LEAST_SHIFT = 2.0
OUTLIER = 4.0
FINE_ROUNDS = 16
# A fit must gain so much (chi square), in at least so many of the stars that should show it best, and this share of what it should there.
LEAST_GAIN, STAR_GAIN, LEAST_STARS, JUDGES, SHARE = 400.0, 16.0, 3, 5, 0.6
ROUNDS = 3
# Discs of which no more than this share lies across the rings round their stars are not told from halos; less is rounding.
TOLD = 1e-7
# Discs nearer to each other may be one thing; shifts beyond this share of the distance are none of a mirror or lens.
APART, MOST_SLOPE = 15.0, 0.2
# Light that has not ended in the outermost rings is no disc but a slope of the ground.
EDGE, MOST_AT_EDGE = 3, 0.3
# The proportional shift is the simpler one: the same step everywhere must explain this much more.
STEP_GAIN = 1.15


@dataclass(frozen=True)
class Ghosts:
    """Discs at x + ``slope`` (x - middle) + ``shift``, px; ``light`` (rings,) in units of the star's peak, at radii k ``ring``, px."""

    slope: float
    shift: tuple[float, float]
    light: Array
    ring: float

    def places(self, x: Array, y: Array, shape: tuple[int, ...]) -> tuple[Array, Array]:
        """Middles of the discs of stars at x, y in a picture of this shape."""
        return (
            x + self.slope * (x - (shape[1] - 1) / 2) + self.shift[0],
            y + self.slope * (y - (shape[0] - 1) / 2) + self.shift[1],
        )


class _Patches(NamedTuple):
    """Cells round the stars: star number, place in px, value over the star's peak, weight, and concentric ring of each (all (n,))."""

    star: Array
    x: Array
    y: Array
    value: Array
    weight: Array
    round_: Array


def find_ghosts(plane: Plane, good: Mask, noise: Noise, stars: Shown, fwhm: float) -> Ghosts | None:
    """Reflections that the bright stars have in common; None where there are none.

    Parameters
    ----------
    plane : (H, W) float32, the picture without its stars, best without their haloes too
    good : (H, W) bool, pixels that count
    """
    stars = _bright(stars, noise)
    if len(stars) < LEAST_STARS:
        return None
    patches = _patches(plane, good, noise, stars, fwhm)
    if len(patches.x) == 0:
        return None
    shape, far = plane.shape, np.hypot(stars.x - (plane.shape[1] - 1) / 2, stars.y - (plane.shape[0] - 1) / 2)
    usual = max(float(np.median(far)), fwhm)
    steps = np.arange(-MOST_SHIFT, MOST_SHIFT + STEP / 2, STEP) * fwhm
    slopes = [Ghosts(s / usual, (0.0, 0.0), np.zeros(0), fwhm * CELL) for s in steps if abs(s) >= LEAST_SHIFT * fwhm]
    best = max(((_gain(patches, stars, g, shape)[0], k, g) for k, g in enumerate(slopes)), key=lambda row: row[:2])
    coarse = np.arange(-MOST_SHIFT, MOST_SHIFT + STEP, COARSE_STEP) * fwhm
    shifts = [Ghosts(0.0, (a, b), np.zeros(0), fwhm * CELL) for a in coarse for b in coarse if np.hypot(a, b) >= LEAST_SHIFT * fwhm]
    other = max(((_gain(patches, stars, g, shape)[0], k, g) for k, g in enumerate(shifts)), key=lambda row: row[:2])
    chosen = other if other[0] > STEP_GAIN * best[0] else best
    if chosen[0] < LEAST_GAIN:
        return None
    ghosts = _finer(patches, stars, chosen[2], shape, usual, fwhm)
    if max(abs(ghosts.slope) * usual, *np.abs(ghosts.shift)) > MOST_SHIFT * fwhm:
        return None  # what is best beyond all that is tried is somebody else's light
    return light_ghosts(plane, good, noise, stars, fwhm, ghosts)


def light_ghosts(plane: Plane, good: Mask, noise: Noise, stars: Shown, fwhm: float, ghosts: Ghosts) -> Ghosts | None:
    """The discs with their light as this plane shows it; None where the stars do not agree on them."""
    stars = _bright(stars, noise)
    if len(stars) < LEAST_STARS:
        return None
    light = np.zeros(round(DISC * RINGS_PER_CELL))
    for _ in range(ROUNDS):
        # all discs off, each put back alone: a star's patch may hold the disc of another
        drawn = draw_ghosts(plane.shape, Ghosts(ghosts.slope, ghosts.shift, light, ghosts.ring), stars.x, stars.y, stars.peak, noise.sigma)
        patches = _patches(plane - drawn, good, noise, stars, fwhm)
        if len(patches.x) == 0:
            return None
        gain, light, own, expected = _gain(patches, stars, ghosts, plane.shape, light)
    judges = np.argsort(-expected, kind="stable")[:JUDGES]
    agree = judges[(own[judges] > 0.5 * expected[judges]) & (own[judges] > STAR_GAIN)]
    places = np.column_stack(ghosts.places(stars.x, stars.y, plane.shape))[agree]
    if gain < LEAST_GAIN or len(agree) < len(judges) - 1 or own[judges].sum() < SHARE * expected[judges].sum():
        return None
    if light[-EDGE:].mean() > MOST_AT_EDGE * light.max():
        return None
    if _apart(places, APART * fwhm) < LEAST_STARS or abs(ghosts.slope) > MOST_SLOPE:
        return None
    return Ghosts(ghosts.slope, ghosts.shift, light, ghosts.ring)


def _apart(places: Array, distance: float) -> int:
    """How many of the places lie apart: a galaxy among stars is no disc of all of them."""
    kept: list[Array] = []
    for place in places:
        if all(np.hypot(*(place - other)) > distance for other in kept):
            kept.append(place)
    return len(kept)


def _bright(stars: Shown, noise: Noise) -> Shown:
    chosen = np.nonzero(stars.peak > BRIGHT * noise.sigma)[0][:MOST_STARS]
    return Shown(stars.x[chosen], stars.y[chosen], stars.peak[chosen], stars.hidden[chosen], stars.index[chosen])


def _patches(plane: Plane, good: Mask, noise: Noise, stars: Shown, fwhm: float) -> _Patches:
    """What is seen round the stars; nothing where their cores hide all of a small picture."""
    side = max(1, round(CELL * fwhm))
    height, width = (n // side for n in plane.shape)
    if min(height, width) == 0:
        return _Patches(*np.zeros((6, 0)))
    cut = np.s_[: height * side, : width * side]
    known = good[cut].astype(np.float32)
    cells = cv2.resize(np.where(good, plane, np.float32(0))[cut], (width, height), interpolation=cv2.INTER_AREA)
    seen = cv2.resize(known, (width, height), interpolation=cv2.INTER_AREA)
    cells = np.where(seen > 0.5, cells / np.maximum(seen, 1e-6), np.nan)
    reach = int(PATCH * fwhm / side) + 1
    rows = []
    for s in range(len(stars)):
        i0, j0 = int(stars.x[s] // side), int(stars.y[s] // side)
        j, i = np.mgrid[max(0, j0 - reach) : min(height, j0 + reach + 1), max(0, i0 - reach) : min(width, i0 + reach + 1)]
        x, y = (i.ravel() + 0.5) * side - 0.5, (j.ravel() + 0.5) * side - 0.5
        value = cells[j.ravel(), i.ravel()].astype(float)
        radius = np.hypot(x - stars.x[s], y - stars.y[s])
        inner = stars.hidden[s] + INNER * fwhm
        use = np.isfinite(value) & (radius > inner) & (radius < PATCH * fwhm)
        ring = (radius / (fwhm * CELL)).astype(int)
        value, ring, x, y = value[use], ring[use], x[use], y[use]
        spread, off = _scatter(value, ring)
        weight = np.where(np.abs(off) < OUTLIER * spread, (stars.peak[s] / np.maximum(spread, 0.1 * noise.sigma)) ** 2, 0.0)
        rows.append((np.full(len(x), s), x, y, value / stars.peak[s], weight, ring))
    return _Patches(*(np.concatenate(column) for column in zip(*rows, strict=True)))


def _scatter(value: Array, ring: Array) -> tuple[float, Array]:
    """Scatter of cells about the medians of their rings, and every cell's own difference."""
    off = np.zeros(len(value))
    for k in np.unique(ring):
        inside = ring == k
        off[inside] = value[inside] - np.median(value[inside])
    quiet = MAD_TO_SIGMA * float(np.median(np.abs(off))) if len(off) else 0.0
    # a disc itself is no outlier: it covers a good part of its rings
    return max(quiet, 1e-30), np.clip(off, -2 * OUTLIER * quiet, None) * (off < 0)


def _gain(
    patches: _Patches, stars: Shown, ghosts: Ghosts, shape: tuple[int, ...], known: Array | None = None
) -> tuple[float, Array, Array, Array]:
    """Fall of chi square by the discs, their light (rings,), and for each star its own fall and the one expected (stars,).

    ``known``: light of discs taken off already.
    """
    gx, gy = ghosts.places(stars.x, stars.y, shape)
    radius = np.hypot(patches.x - gx[patches.star], patches.y - gy[patches.star]) / ghosts.ring
    rings = round(DISC * RINGS_PER_CELL)
    low = np.minimum(radius.astype(int), rings)
    n_round = int(patches.round_.max()) + 1
    home = patches.star * n_round + patches.round_
    value = patches.value if known is None else patches.value + np.r_[known, 0.0][low]
    total, shared, own, right = _sum_up(patches.star, home, low, patches.weight, value, len(stars), n_round, rings)
    part = (shared / np.sqrt(np.maximum(total, 1e-300))[:, None]).reshape(len(stars), n_round, rings)
    normal = np.stack([np.diag(w) - p.T @ p for w, p in zip(own, part, strict=True)])
    trace = np.trace(normal, axis1=1, axis2=2)
    if np.median(trace) <= TOLD * np.median(own.sum(1)):  # discs round their own stars are halos
        return 0.0, np.zeros(rings), np.zeros(len(stars)), np.zeros(len(stars))
    # no star decides alone, however bright it is
    trust = np.minimum(1.0, 3 * np.median(trace) / np.maximum(trace, 1e-9 * trace.max() + 1e-300))
    all_normal, all_right = np.tensordot(trust, normal, 1), trust @ right
    weight = trust @ own
    seen = weight > TOLD * weight.max()
    scale = np.sqrt(np.maximum(np.diag(all_normal), TOLD * np.where(seen, weight, weight.max())))
    smooth = np.diff(np.eye(rings), 2, axis=0)
    matrix = all_normal / np.outer(scale, scale) + 1e-8 * np.eye(rings)
    matrix += 1e-3 * (smooth.T @ smooth)
    lower = np.linalg.cholesky(matrix)
    light, _ = scipy.optimize.nnls(lower.T, np.linalg.solve(lower, all_right / scale), maxiter=50 * rings)
    # a ring that nobody sees, hidden behind clipped cores, is as bright as the nearest that is seen
    light = np.interp(np.arange(rings), np.nonzero(seen)[0], (light / scale)[seen])
    expected = np.einsum("i,sij,j->s", light, normal, light)
    gained = 2 * right @ light - expected
    return float(trust @ gained), light, gained, expected


@njit(cache=True, nogil=True)
def _sum_up(star, home, low, weight, value, stars, n_round, rings):  # type: ignore[no-untyped-def]
    """Of each star and concentric ring: weight, and the disc's rings in it; of each star and disc ring: weight, and light above means."""
    total, mean, shared = np.zeros(stars * n_round), np.zeros(stars * n_round), np.zeros((stars * n_round, rings))
    own, right = np.zeros((stars, rings)), np.zeros((stars, rings))
    for n in range(star.size):
        total[home[n]] += weight[n]
        mean[home[n]] += weight[n] * value[n]
    for h in range(total.size):
        mean[h] /= max(total[h], 1e-300)
    for n in range(star.size):
        if low[n] < rings:
            shared[home[n], low[n]] += weight[n]
            own[star[n], low[n]] += weight[n]
            right[star[n], low[n]] += weight[n] * (value[n] - mean[home[n]])
    return total, shared, own, right


def _finer(patches: _Patches, stars: Shown, ghosts: Ghosts, shape: tuple[int, ...], usual: float, fwhm: float) -> Ghosts:
    """The shift where the gain is highest, by halving steps along its parameters."""
    best, step = _gain(patches, stars, ghosts, shape)[0], STEP * fwhm
    for _ in range(FINE_ROUNDS):
        slope, (a, b) = ghosts.slope, ghosts.shift
        tried = [(slope + s * step / usual, (a, b)) for s in (-1, 1)] if slope else []
        tried += [(slope, (a + s * step, b)) for s in (-1, 1)] + [(slope, (a, b + s * step)) for s in (-1, 1)]
        moved = False
        for k, shift in tried:
            trial = Ghosts(k, shift, ghosts.light, ghosts.ring)
            gain = _gain(patches, stars, trial, shape)[0]
            if gain > best:
                best, ghosts, moved = gain, trial, True
        step = step if moved else step / 2
    return ghosts


def draw_ghosts(shape: tuple[int, int], ghosts: Ghosts | None, x: Array, y: Array, peak: Array, sigma: float) -> Plane:
    """(H, W) float32: the discs of all stars whose disc is above a small share of the noise."""
    plane = np.zeros(shape, np.float32)
    if ghosts is None:
        return plane
    shown = peak * float(ghosts.light.max(initial=0.0)) > 0.05 * sigma
    if shown.any():
        gx, gy = ghosts.places(x[shown], y[shown], shape)
        arguments = (plane, gx, gy, peak[shown], np.r_[ghosts.light, 0.0, 0.0], ghosts.ring)
        over_bands(lambda first, last: _draw(*arguments, first, last), shape[0])
    return plane


@njit(cache=True, nogil=True)
def _draw(plane, x, y, peak, light, ring, first, last):  # type: ignore[no-untyped-def]
    """Add discs whose ring k holds light k in its middle, straight lines between."""
    columns = plane.shape[1]
    reach = (light.size - 1) * ring
    for j in range(first, last):
        for s in range(x.size):
            dy = j - y[s]
            if abs(dy) >= reach:
                continue
            half = np.sqrt(reach * reach - dy * dy)
            for i in range(max(0, int(np.ceil(x[s] - half))), min(columns - 1, int(np.floor(x[s] + half))) + 1):
                t = max(np.sqrt((i - x[s]) ** 2 + dy * dy) / ring - 0.5, 0.0)
                k = int(t)
                if k + 1 < light.size:
                    plane[j, i] += peak[s] * (light[k] + (t - k) * (light[k + 1] - light[k]))
