"""The star image over the field, drawn and fitted: a radial profile on a varying ellipse plus a table of what the profile misses.

In the star's own coordinates (u, v), px turned and scaled so that the local ellipse becomes a circle of FWHM 1, the image of a star of
peak 1 is profile(u^2 + v^2) + table(u, v; place in the field). The profile begins as a Moffat (Moffat 1969, A&A 3, 455). Stars are fitted
bright ones first, each against the picture less all others (Gauss-Seidel); tiles that cannot touch each other run side by side, so the
result does not depend on the number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
from numba import njit

from layerblend.kinds import Array
from layerblend.maths.bands import over_bands

# The profile is read from a table in w = rho^2 / (1 + rho^2), where it is smooth from the core to infinity.
PROFILE_STEPS = 8192
# Residual table: half side in FWHM, samples per FWHM.
TABLE_REACH = 3.0
TABLE_STEPS = 12
# Parameters of a fit: peak, shift x and y, relative width, ellipse, and the level with its slopes and, on rough ground, its bends.
N_STAR, N_ALL = 6, 12
# While stars are fitted in turn their light is kept up to date this far out, FWHM; the far wings follow after each round.
NEAR_REACH = 5.0
BAND_ROWS = 32
LEAST_PIXELS = 14


@dataclass
class StarImage:
    """The star image: ``profile`` (PROFILE_STEPS + 2,) over w; ``table`` (side, side, 3) coefficients over (1, u, v) of the field."""

    beta: float
    profile: Array
    table: Array

    @classmethod
    def moffat(cls, beta: float) -> StarImage:
        """A pure Moffat."""
        side = 2 * round(TABLE_REACH * TABLE_STEPS) + 1
        return cls(beta, moffat_profile(beta), np.zeros((side, side, 3)))


def moffat_profile(beta: float) -> Array:
    """The Moffat of FWHM 1 over w = rho^2 / (1 + rho^2)."""
    w = np.arange(PROFILE_STEPS + 2) / PROFILE_STEPS
    w[-2:] = 1.0
    k = 4 * (2 ** (1 / beta) - 1)
    return ((1 - w) / (1 + (k - 1) * w)) ** beta


def profile_radii() -> Array:
    """rho (FWHM) of the profile's samples; the last ones stand for infinity."""
    w = np.arange(PROFILE_STEPS + 2) / PROFILE_STEPS
    return np.sqrt(w / np.maximum(1 - w, 1e-9))


def profile_at(profile: Array, rho: Array) -> Array:
    """The profile at radii in FWHM."""
    return np.interp(rho**2 / (1 + rho**2) * PROFILE_STEPS, np.arange(PROFILE_STEPS + 1), profile[:-1])


@njit(cache=True, nogil=True, inline="always")
def _axes(lnf, e1, e2):  # type: ignore[no-untyped-def]
    """Symmetric matrix that takes px to the star's own coordinates."""
    scale = np.exp(-lnf) / np.sqrt(1 - e1 * e1 - e2 * e2)
    return (1 - e1) * scale, -e2 * scale, (1 + e1) * scale


@njit(cache=True, nogil=True, inline="always")
def _profile_at(profile, rho2):  # type: ignore[no-untyped-def]
    t = rho2 / (1 + rho2) * PROFILE_STEPS
    i = int(t)
    f = t - i
    return profile[i] * (1 - f) + profile[i + 1] * f


@njit(cache=True, nogil=True, inline="always")
def _table_at(table, u, v, fx, fy):  # type: ignore[no-untyped-def]
    side = table.shape[0]
    half = side // 2
    a = u * TABLE_STEPS + half
    b = v * TABLE_STEPS + half
    if a < 0 or b < 0 or a >= side - 1 or b >= side - 1:
        return 0.0
    i = int(a)
    j = int(b)
    p = a - i
    q = b - j
    total = 0.0
    for m in range(3):
        value = (table[j, i, m] * (1 - p) + table[j, i + 1, m] * p) * (1 - q) + (
            table[j + 1, i, m] * (1 - p) + table[j + 1, i + 1, m] * p
        ) * q
        if m == 0:
            total += value
        elif m == 1:
            total += value * fx
        else:
            total += value * fy
    return total


@njit(cache=True, nogil=True)
def _draw(plane, y_low, y_high, geo, s, amp, reach, profile, table):  # type: ignore[no-untyped-def]
    """Add star s of peak ``amp`` to the rows y_low <= y < y_high."""
    width = plane.shape[1]
    x, y, lnf, e1, e2, fx, fy = geo[s]
    s11, s12, s22 = _axes(lnf, e1, e2)
    inner2 = (1.5 * TABLE_REACH) ** 2
    limit = reach * reach
    for j in range(max(y_low, int(np.ceil(y - reach))), min(y_high, int(np.floor(y + reach)) + 1)):
        dy = j - y
        half = np.sqrt(max(limit - dy * dy, 0.0))
        for i in range(max(0, int(np.ceil(x - half))), min(width, int(np.floor(x + half)) + 1)):
            dx = i - x
            u = s11 * dx + s12 * dy
            v = s12 * dx + s22 * dy
            rho2 = u * u + v * v
            value = _profile_at(profile, rho2)
            if rho2 < inner2:
                value += _table_at(table, u, v, fx, fy)
            plane[j, i] += amp * value


@njit(cache=True, nogil=True)
def _by_band(y, reach, height):  # type: ignore[no-untyped-def]
    """Stars that touch each band of rows, in the order given: starts and members."""
    bands = (height + BAND_ROWS - 1) // BAND_ROWS
    starts = np.zeros(bands + 1, np.int64)
    for s in range(y.size):
        if reach[s] > 0:
            for b in range(max(0, int(y[s] - reach[s]) // BAND_ROWS), min(bands - 1, (int(y[s] + reach[s]) + 1) // BAND_ROWS) + 1):
                starts[b + 1] += 1
    starts = np.cumsum(starts)
    members = np.empty(starts[-1], np.int64)
    fill = starts.copy()
    for s in range(y.size):
        if reach[s] > 0:
            for b in range(max(0, int(y[s] - reach[s]) // BAND_ROWS), min(bands - 1, (int(y[s] + reach[s]) + 1) // BAND_ROWS) + 1):
                members[fill[b]] = s
                fill[b] += 1
    return starts, members


@njit(cache=True, nogil=True)
def _render_bands(plane, geo, amp, reach, profile, table, starts, members, first, last):  # type: ignore[no-untyped-def]
    height = plane.shape[0]
    for b in range(first, last):
        low = b * BAND_ROWS
        high = min(height, low + BAND_ROWS)
        for k in range(starts[b], starts[b + 1]):
            s = members[k]
            if amp[s] != 0:
                _draw(plane, low, high, geo, s, amp[s], reach[s], profile, table)


def render(plane: Array, geo: Array, amp: Array, reach: Array, image: StarImage) -> None:
    """Add stars to ``plane`` (H, W) float32 in place.

    ``geo`` (n, 7): x, y, ln fwhm, e1, e2 and the place in the field (-1..1); ``amp`` (n,) peaks; ``reach`` (n,) px.
    """
    starts, members = _by_band(geo[:, 1], reach, plane.shape[0])
    arguments = (plane, geo, amp, reach, image.profile, image.table, starts, members)
    over_bands(lambda first, last: _render_bands(*arguments, first, last), starts.size - 1)


@njit(cache=True, nogil=True)
def _solve(normal, right, n, inverse, solution):  # type: ignore[no-untyped-def]
    """Solve and invert the leading n x n block by Cholesky; False when it is not positive definite."""
    low = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            s = normal[i, j]
            for k in range(j):
                s -= low[i, k] * low[j, k]
            if i == j:
                if s <= 1e-14 * normal[i, i] or not s > 0:
                    return False
                low[i, i] = np.sqrt(s)
            else:
                low[i, j] = s / low[j, j]
    for c in range(n):
        for i in range(n):
            s = 1.0 if i == c else 0.0
            for k in range(i):
                s -= low[i, k] * inverse[k, c]
            inverse[i, c] = s / low[i, i]
        for i in range(n - 1, -1, -1):
            s = inverse[i, c]
            for k in range(i + 1, n):
                s -= low[k, i] * inverse[k, c]
            inverse[i, c] = s / low[i, i]
    for i in range(n):
        s = 0.0
        for k in range(n):
            s += inverse[i, k] * right[k]
        solution[i] = s
    return True


class Ground(NamedTuple):
    """What stars are fitted on: picture, light of all stars, usable pixels, noise line, share the star image may miss."""

    data: Array
    model: Array
    good: Array
    floor: float
    slope: float
    misfit: float


class Targets(NamedTuple):
    """The stars being fitted: place and shape, peak, radii of fit and of light kept up to date, bend of the ground."""

    geo: Array
    amp: Array
    fit_reach: Array
    near: Array
    bend: Array


@njit(cache=True, nogil=True)
def _fit_one(s, ground, stars, shape, free, fit, error):  # type: ignore[no-untyped-def]
    """Linearised fit of one star against the picture less all others; ``free``: 0 peak, 1 + place, 2 + width, 3 + ellipse.

    ``fit`` and ``error`` rows: peak, shift x, shift y, change of ln fwhm, e1, e2, level. False when nothing could be fitted.
    """
    bend = stars.bend[s]
    n_star = (1, 3, 4, 6)[free]
    n = n_star + (6 if bend > 0 else 3)
    normal = np.zeros((N_ALL, N_ALL))
    right = np.zeros(N_ALL)
    if _sum_up(s, ground, stars, shape, free, n_star, n, normal, right) < LEAST_PIXELS:
        return False
    for a in range(n_star + 3, n):
        normal[a, a] += 1 / (bend * bend)
    for a in range(n):
        normal[a, a] *= 1 + 1e-9
    inverse = np.empty((n, n))
    solution = np.empty(n)
    if not _solve(normal, right, n, inverse, solution) or not np.isfinite(solution[0]):
        return False
    peak = solution[0]
    unit = peak if abs(peak) > 1e-12 else 1e-12
    fit[s, :] = 0.0
    error[s, :] = 0.0
    fit[s, 0] = peak
    error[s, 0] = np.sqrt(max(inverse[0, 0], 0.0))
    for a in range(1, n_star):
        fit[s, a] = solution[a] / unit
        error[s, a] = np.sqrt(max(inverse[a, a], 0.0)) / abs(unit)
    fit[s, N_STAR] = solution[n_star]
    return True


@njit(cache=True, nogil=True)
def _sum_up(s, ground, stars, shape, free, n_star, n, normal, right):  # type: ignore[no-untyped-def]
    """Add a star's pixels to the normal equations, lower triangle; how many there were."""
    data, model, good, floor, slope, misfit = ground
    geo, amp, fit_reach, _, bend = stars
    profile, table = shape
    height, width = data.shape
    x, y, lnf, e1, e2, fx, fy = geo[s]
    reach = fit_reach[s]
    own_peak = max(amp[s], 0.0)
    axes = _axes(lnf, e1, e2)
    s11, s12, s22 = axes
    inv_f2 = np.exp(-2 * lnf)
    terms = np.zeros(N_ALL)
    count = 0
    for j in range(max(0, int(np.ceil(y - reach))), min(height, int(np.floor(y + reach)) + 1)):
        dy = j - y
        half = np.sqrt(max(reach * reach - dy * dy, 0.0))
        for i in range(max(0, int(np.ceil(x - half))), min(width, int(np.floor(x + half)) + 1)):
            if not good[j, i]:
                continue
            dx = i - x
            u = s11 * dx + s12 * dy
            v = s12 * dx + s22 * dy
            rho2 = u * u + v * v
            t = rho2 / (1 + rho2) * PROFILE_STEPS
            k = int(t)
            f = t - k
            m = profile[k] * (1 - f) + profile[k + 1] * f
            p = m + _table_at(table, u, v, fx, fy)
            own = amp[s] * p
            rest = model[j, i] - own
            value = data[j, i] - rest
            light = max(own_peak * p, 0.0) + max(rest, 0.0)
            weight = 1.0 / (floor + slope * light + (misfit * own_peak * p) ** 2 + (misfit * rest) ** 2)
            terms[0] = p
            if free >= 1:
                rise = (profile[k + 1] - profile[k]) * PROFILE_STEPS / (1 + rho2) ** 2
                _shape_terms(terms, free, rise, u, v, dx, dy, axes, e1, e2, inv_f2)
            _ground_terms(terms, n_star, dx / reach, dy / reach, bend[s] > 0)
            for a in range(n):
                wa = weight * terms[a]
                right[a] += wa * value
                for b in range(a + 1):
                    normal[a, b] += wa * terms[b]
            count += 1
    return count


@njit(cache=True, nogil=True)
def _shape_terms(terms, free, rise, u, v, dx, dy, axes, e1, e2, inv_f2):  # type: ignore[no-untyped-def]
    """Change of the light with place, ln fwhm, e1 and e2, from ``rise``, its change with the squared radius."""
    s11, s12, s22 = axes
    terms[1] = -2 * rise * (s11 * u + s12 * v)
    terms[2] = -2 * rise * (s12 * u + s22 * v)
    if free >= 2:
        terms[3] = -2 * rise * (u * u + v * v)
    if free >= 3:
        det = 1 - e1 * e1 - e2 * e2
        qa = (1 + e1 * e1 + e2 * e2 - 2 * e1) / det
        qc = (1 + e1 * e1 + e2 * e2 + 2 * e1) / det
        qb = -2 * e2 / det
        xx = dx * dx * inv_f2
        xy = 2 * dx * dy * inv_f2
        yy = dy * dy * inv_f2
        terms[4] = rise * ((2 * e1 - 2 + 2 * e1 * qa) * xx + 2 * e1 * qb * xy + (2 * e1 + 2 + 2 * e1 * qc) * yy) / det
        terms[5] = rise * ((2 * e2 + 2 * e2 * qa) * xx + (-2 + 2 * e2 * qb) * xy + (2 * e2 + 2 * e2 * qc) * yy) / det


@njit(cache=True, nogil=True)
def _ground_terms(terms, at, right, down, bent):  # type: ignore[no-untyped-def]
    """Level, slopes and, where it may be ``bent``, curvature of the ground, from the place ``at`` on."""
    terms[at] = 1.0
    terms[at + 1] = right
    terms[at + 2] = down
    if bent:
        terms[at + 3] = right**2
        terms[at + 4] = right * down
        terms[at + 5] = down**2


@njit(cache=True, nogil=True)
def _fit_and_move(s, ground, stars, shape, free, fit, error, update, most_step):  # type: ignore[no-untyped-def]
    if not _fit_one(s, ground, stars, shape, free, fit, error) or not update:
        return
    geo, amp, _, near, _ = stars
    profile, table = shape
    height = ground.data.shape[0]
    _draw(ground.model, 0, height, geo, s, -amp[s], near[s], profile, table)
    peak = max(fit[s, 0], 0.0)
    if free >= 1 and peak > 0:
        geo[s, 0] += min(max(fit[s, 1], -most_step), most_step)
        geo[s, 1] += min(max(fit[s, 2], -most_step), most_step)
    amp[s] = peak
    _draw(ground.model, 0, height, geo, s, peak, near[s], profile, table)


@njit(cache=True, nogil=True)
def _sweep(ground, stars, shape, free, fit, error, update, most_step, chosen):  # type: ignore[no-untyped-def]
    for k in range(chosen.size):
        _fit_and_move(chosen[k], ground, stars, shape, free, fit, error, update, most_step)


@njit(cache=True, nogil=True)
def _sweep_tiles(ground, stars, shape, free, fit, error, update, most_step, starts, members, tiles, first, last):  # type: ignore[no-untyped-def]
    for tile in tiles[first:last]:
        _sweep(ground, stars, shape, free, fit, error, update, most_step, members[starts[tile] : starts[tile + 1]])


def sweep(
    data: Array,
    model: Array,
    good: Array,
    noise: tuple[float, float],
    geo: Array,
    amp: Array,
    fit_reach: Array,
    reach: Array,
    image: StarImage,
    fwhm: float,
    *,
    free: int,
    update: bool,
    bend: Array | None = None,
    misfit: float = 0.02,
) -> tuple[Array, Array]:
    """Fit every star once, bright ones first within their tile; returns (n, 7) results and (n, 7) errors.

    Parameters
    ----------
    data, model : (H, W) float32, the picture and the light of all stars; ``model`` follows the fits when ``update``
    good : (H, W) bool, pixels that count
    noise : variance of the sky and its growth per unit of light
    geo, amp : as in `render`; moved in place when ``update``
    fit_reach, reach : (n,) px, radius within which a star is fitted, and drawn
    free : 0 peak only, 1 and place, 2 and width, 3 and ellipse; the local level and its slopes always are
    bend : (n,) light, how far the ground may rise or fall within the fit beyond its slopes; nowhere when left out
    misfit : share of the light that the star image may miss, added to the noise
    """
    n = len(amp)
    fit, error = np.zeros((n, 7)), np.full((n, 7), np.inf)
    near = np.maximum(np.minimum(NEAR_REACH * fwhm, reach), fit_reach)
    tile = int(np.ceil(2 * NEAR_REACH * fwhm)) + 4
    height, width = data.shape
    tiles_x, tiles_y = -(-width // tile), -(-height // tile)
    order = np.argsort(-amp, kind="stable")
    large = near[order] > NEAR_REACH * fwhm
    alone, tiled = order[large], order[~large]
    column = np.clip(geo[tiled, 0] // tile, 0, tiles_x - 1).astype(np.int64)
    row = np.clip(geo[tiled, 1] // tile, 0, tiles_y - 1).astype(np.int64)
    home = row * tiles_x + column
    by_tile = np.argsort(home, kind="stable")
    starts = np.searchsorted(home[by_tile], np.arange(tiles_x * tiles_y + 1))
    ground = Ground(data, model, good, float(noise[0]), float(noise[1]), misfit)
    bends = np.zeros(n) if bend is None else bend.astype(np.float64)
    stars = Targets(geo, amp, fit_reach.astype(np.float64), near.astype(np.float64), bends)
    shape = (image.profile, image.table)
    how = (ground, stars, shape, free, fit, error, update, 0.15 * fwhm)
    _sweep(*how, alone)
    for below, right in ((0, 0), (0, 1), (1, 0), (1, 1)):  # tiles that do not touch
        tiles = (np.arange(below, tiles_y, 2)[:, None] * tiles_x + np.arange(right, tiles_x, 2)).ravel()
        over_bands(partial(_sweep_tiles, *how, starts, tiled[by_tile], tiles), tiles.size)
    return fit, error


def field_basis(x: Array, y: Array, height: int, width: int, terms: int = 6) -> Array:
    """(n, terms): 1, u, v, u^2, u v, v^2 with u, v = -1..1 over the picture."""
    u = 2 * np.asarray(x, float) / max(width - 1, 1) - 1
    v = 2 * np.asarray(y, float) / max(height - 1, 1) - 1
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1)[..., :terms]


def star_light(image: StarImage, geo: Array) -> Array:
    """(n,) total light of stars of peak 1: the Moffat to infinity, and what the profile and the table add to it."""
    per_area = np.pi / (4 * (2 ** (1 / image.beta) - 1) * (image.beta - 1))
    rho2 = profile_radii()[:-2] ** 2
    extra = np.pi * float(np.trapezoid((image.profile - moffat_profile(image.beta))[:-2], rho2))
    base = per_area + extra + image.table[..., 0].sum() / TABLE_STEPS**2
    slopes = image.table[..., 1:].sum((0, 1)) / TABLE_STEPS**2
    return (base + geo[:, 5:7] @ slopes) * np.exp(2 * geo[:, 2])
