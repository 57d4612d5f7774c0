"""What a separation says about itself: may this picture be parted at all, and how well was it."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.moffat import BETA_HIGH, StarFits
from layerblend.maths.robust import mad_sigma
from layerblend.steps.split.mask import find_peaks, peak_response

# In linear light bright stars are as wide as faint ones, and every stretch widens them: ln of the width over ln of the peak. 40 linear
# pictures, real and simulated, had slopes of -.24 to .002 (faint ones are noise and neighbours as well), stretches .02 to .2.
STRETCHED_SLOPE, STRETCHED_SURE = 0.012, 3.5
STRETCHED_STARS = 24
# Fewer stars, as small pictures hold, must show it more steeply and surely: of 299 linear crops of 180 to 330 px none did, of 1444
# stretched ones 428.
FEW_STARS, FEW_SLOPE, FEW_SURE = 10, 0.02, 5.0
HUBER_REACH, HUBER_ROUNDS, LEAST_SCATTER = 1.5, 15, 0.01
RING_INNER, RING_OUTER = 0.75, 1.5
LEFT_STRENGTH = 5.0
# Rims are looked for in rings one FWHM wide, on ground whose scatter is not much more than the noise.
RIM_INNER, RIM_OUTER = 2.0, 14.0
QUIET_GROUND = 1.4
MOST_RIMS = 40
# Sectors and zones (FWHM) in which light beside stars is looked for, at so many of the brightest; places beside are so many FWHM away.
SIDES, SIDE_ZONES = 24, (3.0, 6.0, 10.0, 15.0)
MOST_SIDES, LEAST_SIDES, BESIDE = 12, 4, 24.0
BARE_SKY = 1.5  # sigma over the picture's usual level


def widening_with_brightness(fits: StarFits) -> tuple[float, float]:
    """Slope of ln FWHM over ln peak, and its error: a straight line with Huber's weights, for galaxies and neighbours are among the stars
    (Huber 1964, Ann. Math. Stat. 35, 73); (0, inf) for too few stars."""
    if len(fits) < FEW_STARS:
        return 0.0, float("inf")
    height, width = np.log(fits.peak), np.log(fits.fwhm)
    weights = np.ones(len(fits))
    for _ in range(HUBER_ROUNDS):
        x, y = (v - np.average(v, weights=weights) for v in (height, width))
        slope = float((weights * x * y).sum() / (weights * x * x).sum())
        rest = np.abs(y - slope * x)
        scatter = max(float(mad_sigma(y - slope * x)), LEAST_SCATTER)
        weights = np.minimum(1, HUBER_REACH * scatter / np.maximum(rest, 1e-9))
    return slope, scatter / float(np.sqrt((weights * x * x).sum()))


def looks_stretched(fits: StarFits) -> bool:
    """True when bright stars are clearly wider than faint ones: the picture is not linear light any more.

    Ground that bends down beside faint stars cuts their wings off, and such fits, at the limit of beta, are too narrow: the others must
    show it. How sure it is may come from all of them.
    """
    winged = fits.take(fits.beta < 0.999 * BETA_HIGH)
    (slope, error), (slope_of_all, error_of_all) = widening_with_brightness(winged), widening_with_brightness(fits)
    steep, sure = (STRETCHED_SLOPE, STRETCHED_SURE) if len(winged) >= STRETCHED_STARS else (FEW_SLOPE, FEW_SURE)
    return slope > steep and max(slope / error, slope_of_all / error_of_all) > sure


def texture_ratio(starless: Plane, sigma: Plane, weight: Plane, valid: Mask) -> float:
    """Fine structure of filled places over that of untouched ones, both in units of the local noise; 1 is right.

    NaN where too little is filled or free, or where most of what is free is one value: a wide border filled with grey, coarse steps.
    """
    fine = (starless - cv2.GaussianBlur(starless, (0, 0), 1.0)) / sigma
    filled, free = (weight > 0.9) & valid, (weight <= 0) & valid
    if filled.sum() < 200 or free.sum() < 200:
        return float("nan")
    usual = mad_sigma(fine[free])
    return mad_sigma(fine[filled]) / usual if usual > 0 else float("nan")


@njit(cache=True, nogil=True)
def rings_left(starless, sigma, x, y, fwhm):  # type: ignore[no-untyped-def]
    """(n,) light left in a ring round each star (.75 to 1.5 FWHM) above the ring outside it, in units of the local noise; NaN at edges."""
    h, w = starless.shape
    reach = int(np.ceil(3 * fwhm)) + 1
    out = np.full(x.size, np.nan)
    outside = np.empty((2 * reach + 1) ** 2)
    for s in range(x.size):
        x0, y0 = round(x[s]), round(y[s])
        if x0 < reach or y0 < reach or x0 >= w - reach or y0 >= h - reach:
            continue
        total, inner, outer = 0.0, 0, 0
        for j in range(y0 - reach, y0 + reach + 1):
            for i in range(x0 - reach, x0 + reach + 1):
                r = np.sqrt((i - x[s]) ** 2 + (j - y[s]) ** 2) / fwhm
                if RING_INNER <= r < RING_OUTER:
                    total += starless[j, i]
                    inner += 1
                elif 2.0 <= r < 3.0:
                    outside[outer] = starless[j, i]
                    outer += 1
        if inner > 0 and outer > 0:
            out[s] = (total / inner - np.median(outside[:outer])) / sigma[y0, x0]
    return out


def rims_left(starless: Array, sigma: Array, x: Array, y: Array, fwhm: float) -> Array:
    """(n,) largest bump of light or of colour along the radius round each star, in units of a pixel's noise; NaN on rough ground.

    A ring is set against the mean of its two neighbours, so that slopes and wide hills do not count; bright and dark ones do. Its own
    error is taken off. Only the first forty stars are looked at.

    Parameters
    ----------
    starless : (H, W, C) float32, finite
    sigma : (C,) noise of the sky
    x, y : (n,) places of bright stars, px
    """
    out = np.full(len(x), np.nan)
    reach = int(RIM_OUTER * fwhm) + 1
    for s in range(min(len(x), MOST_RIMS)):
        top, left = max(0, round(y[s]) - reach), max(0, round(x[s]) - reach)
        cut = starless[top : round(y[s]) + reach + 1, left : round(x[s]) + reach + 1]
        planes = [(cut[..., c], noise) for c, noise in enumerate(sigma)]
        if len(sigma) == 3:
            planes += [(cut[..., c] - cut[..., 1], np.hypot(sigma[c], sigma[1])) for c in (0, 2)]
        yy, xx = np.mgrid[: cut.shape[0], : cut.shape[1]]
        ring = np.floor(np.hypot(xx - (x[s] - left), yy - (y[s] - top)) / fwhm - RIM_INNER)
        out[s] = np.max([_bump(plane, ring, noise) for plane, noise in planes])
    return out


def _bump(plane: Plane, ring: Array, noise: float) -> float:
    levels, errors = [], []
    for k in range(int(RIM_OUTER - RIM_INNER)):
        seen = plane[ring == k]
        if len(seen) < 24 or mad_sigma(seen) > QUIET_GROUND * noise:
            break
        levels.append(float(np.median(seen)))
        errors.append(1.25 / np.sqrt(len(seen)))
    if len(levels) < 3:
        return float("nan")
    level, error = np.array(levels) / noise, np.array(errors)
    bump = np.abs(level[1:-1] - 0.5 * (level[:-2] + level[2:]))
    return float(np.max(bump - 2 * np.sqrt(error[1:-1] ** 2 + 0.25 * (error[:-2] ** 2 + error[2:] ** 2))))


def sides_left(starless: Plane, sigma: float, x: Array, y: Array, fwhm: float, known: Mask | None = None) -> tuple[float, float]:
    """Light that differs from side to side round bright stars, median of the stars, and the same beside them, in units of the noise.

    Spikes and reflections off centre leave streaks and patches that rings do not see. In three zones round each star the means of
    sectors are set against their median; the largest difference counts. The same is done at four places beside each star: structured
    ground is uneven there too. Stars on bare sky are looked at, others only where these are too few.

    Parameters
    ----------
    starless : (H, W) float32, finite
    sigma : noise of the sky
    x, y : (n,) places of the brightest stars, px, brightest first; at least four are needed, else both figures are 0
    known : (H, W) bool, light that stayed on purpose, such as a small galaxy beside a star: does not count
    """
    plane = starless / np.float32(sigma)
    on_sky = _levels(plane, x, y, fwhm) < np.median(plane[::3, ::3]) + BARE_SKY
    if on_sky.sum() >= LEAST_SIDES:
        x, y = x[on_sky], y[on_sky]
    x, y = x[:MOST_SIDES], y[:MOST_SIDES]
    if known is not None:
        plane[known] = np.nan
    at_stars = [_most_uneven(plane, a, b, fwhm) for a, b in zip(x, y, strict=True)]
    beside = [
        _most_uneven(plane, a + BESIDE * fwhm * i, b + BESIDE * fwhm * j, fwhm)
        for a, b in zip(x, y, strict=True)
        for i, j in ((-1, -1), (-1, 1), (1, -1), (1, 1))
    ]
    seen, ground = (np.array(v)[np.isfinite(v)] for v in (at_stars, beside))
    if len(seen) < LEAST_SIDES or len(ground) < LEAST_SIDES:
        return 0.0, 0.0
    return float(np.median(seen)), float(np.median(ground))


def _levels(plane: Plane, x: Array, y: Array, fwhm: float) -> Array:
    """(n,) medians of the squares that are looked at."""
    reach = int(SIDE_ZONES[-1] * fwhm) + 1
    return np.array([
        np.median(plane[max(round(b) - reach, 0) : round(b) + reach + 1, max(round(a) - reach, 0) : round(a) + reach + 1])
        for a, b in zip(x, y, strict=True)
    ])  # fmt: skip


def _most_uneven(plane: Plane, x: float, y: float, fwhm: float) -> float:
    """Of a plane in units of its noise, NaN where nothing counts; NaN too near to an edge."""
    reach = int(SIDE_ZONES[-1] * fwhm) + 1
    x0, y0 = round(x), round(y)
    if not (reach <= x0 < plane.shape[1] - reach and reach <= y0 < plane.shape[0] - reach):
        return float("nan")
    cut = plane[y0 - reach : y0 + reach + 1, x0 - reach : x0 + reach + 1]
    yy, xx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    radius = np.hypot(xx, yy) / fwhm
    sector = np.minimum((np.arctan2(yy, xx) + np.pi) / (2 * np.pi) * SIDES, SIDES - 1).astype(int)
    worst = 0.0
    for low, high in pairwise(SIDE_ZONES):
        inside = (radius >= low) & (radius < high)
        counts = inside & np.isfinite(cut)
        count = np.bincount(sector[counts], minlength=SIDES)
        enough = count > 0.5 * np.bincount(sector[inside], minlength=SIDES)
        if enough.sum() < SIDES / 2:
            return float("nan")
        mean = np.bincount(sector[counts], cut[counts], SIDES)[enough] / count[enough]
        worst = max(worst, float(np.max(np.abs(mean - np.median(mean)) - 3 / np.sqrt(count[enough]))))
    return worst


def compact_left(starless: Plane, sigma: Plane, fwhm: float, stars: Array, kept: Array, seen: Mask | None = None) -> tuple[int, int]:
    """Compact peaks in the starless picture at places of removed stars, and at places of no known source.

    ``sigma``: (H, W) noise; ``stars``, ``kept``: (n, 2) places of the sources taken away and left; ``seen``: (H, W)
    bool, where data is, everywhere when left out.
    """
    peaks = find_peaks(peak_response(starless, fwhm), sigma, LEFT_STRENGTH, seen=seen)
    places = np.c_[peaks.x, peaks.y]
    by_kept = _within(places, kept, fwhm)
    by_star = _within(places, stars, fwhm) & ~by_kept
    return int(by_star.sum()), int((~by_star & ~by_kept).sum())


def _within(places: Array, others: Array, distance: float) -> Mask:
    if len(places) == 0 or len(others) == 0:
        return np.zeros(len(places), bool)
    return np.asarray(scipy.spatial.cKDTree(others).query(places)[0] < distance)
