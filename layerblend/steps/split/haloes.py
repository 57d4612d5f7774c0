"""Wide light of bright stars: scattered light and reflections far outside the star image.

Round every bright star the residual is read in rings and sectors; opposite sectors are averaged (a slope cancels) and their scatter is
the error of the ring. A non-negative sum of concentric Moffats (beta 2) is fitted to the rings (Lawson & Hanson 1974): first one sum in
common for all stars, in units of their peak; then one for each star, held to the common one as firmly as its surroundings are
structured. A halo fitted freely on a galaxy takes the galaxy with it. Neighbouring rings share the ground they lie on: its unevenness
is taken as correlated over the radius (Rasmussen & Williams 2006, sec. 4.2), which tells a hill from a halo.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import over_bands
from layerblend.maths.noise_line import Noise
from layerblend.maths.robust import MAD_TO_SIGMA
from layerblend.steps.split.model import StarImage, profile_at

WIDTHS = np.array([2.0, 2.5, 3.2, 4.1, 5.2, 6.7, 8.6, 11.0, 14.0, 18.0, 23.0, 30.0])
BETA = 2.0
# The narrowest of them are part of the star image itself, once known.
NEAR_WIDTHS = 5
SECTORS = 16
RING_RATIO = 1.22
MOST_RINGS = 28
CELL_SAMPLES = 64
# A star whose peak exceeds the noise by this factor shows its halo.
BRIGHT = 250.0
MOST_OWN, MOST_SHARED = 160, 120
INNER_MARGIN = 1.3
# Clipped stars nearer than this (FWHM, from rim to rim) are one light.
TOGETHER = 1.0
LEAST_LIGHT = 0.04
DRAW_STEPS = 2048
# The sky noise of a ring median cannot fall below this share of a pixel's noise: flats and gradients set it.
RING_FLOOR = 0.03
# The common sum and the scale of each star's are found in turn; what the common sum misses of a halo is this share of it.
COMMON_ROUNDS = 6
STAR_TO_STAR = 0.01
# A width belongs to the common sum when the squared misfit, in units of its error, falls by so much (two sigma).
LEAST_GAIN = 4.0
# Structure of the ground reaches over rings whose radii differ by this much (ln); its level is free.
GROUND_LENGTH = 0.7
LEVEL_FREEDOM = 30.0
# Rings end at so many FWHM, and at this share of the picture: wider ones lie on anything but flat ground.
REACH, REACH_SHARE = 80.0, 0.25
# How far a single star's halo may differ from the common one: in scale, in the light of each width, and as a share of the largest.
OWN_SCALE, OWN_SHAPE, OWN_FLOOR = 0.22, 0.06, 0.004
# How wrong the star image may be in each ring, as a share of the star's light there.
MODEL_SHARE = 0.03
# The peak of a clipped star is known from its wings alone.
CLIPPED_PEAK = 0.3
# Ground that differs from sector to sector is hardly flat along the radius either.
SLOPE_SHARE = 1.5
# A ring's own variance is at least this share of the ground's, or rounding decides: pictures in coarse steps have next to no noise.
LEAST_VARIANCE = 1e-13
# Where fewer clipped stars than this teach the common sum, what lies round them may be taken for it: a galaxy round a bright star in its
# middle is hardly darker in one direction than in another. Then ground is taken for so many times as uneven as its sectors are.
TEACHERS, ALONE_SHARE = 3, 6.0


@dataclass
class Haloes:
    """``index`` of the sources with a halo, their ``light`` (n, widths), and the ``common`` sum in units of a star's peak."""

    index: Array
    light: Array
    common: Array | None

    @classmethod
    def none(cls) -> Haloes:
        """No star has a halo."""
        return cls(np.zeros(0, int), np.zeros((0, len(WIDTHS))), None)


@njit(cache=True, nogil=True)
def _ring_medians(residual, good, x, y, inner, outer, rings, weights, first, last):  # type: ignore[no-untyped-def]
    """Medians of the residual in rings and sectors round stars; NaN where too little is seen."""
    height, width = residual.shape
    n_rings = rings.shape[1]
    for s in range(first, last):
        buffer = np.empty(4 * CELL_SAMPLES)
        ratio = (outer[s] / inner[s]) ** (1.0 / n_rings)
        for k in range(n_rings):
            r0 = inner[s] * ratio**k
            r1 = r0 * ratio
            area = np.pi * (r1 * r1 - r0 * r0) / SECTORS
            samples = int(min(max(area, 4.0), CELL_SAMPLES))
            radial = max(1, int(np.sqrt(samples * (r1 - r0) / (0.5 * (r0 + r1) * 2 * np.pi / SECTORS)) + 0.5))
            along = max(1, samples // radial)
            for q in range(SECTORS):
                count = 0
                total = 0
                for a in range(radial):
                    r = r0 + (r1 - r0) * (a + 0.5) / radial
                    for b in range(along):
                        t = 2 * np.pi * (q + (b + 0.5) / along) / SECTORS
                        i = int(np.floor(x[s] + r * np.cos(t) + 0.5))
                        j = int(np.floor(y[s] + r * np.sin(t) + 0.5))
                        total += 1
                        if 0 <= i < width and 0 <= j < height and good[j, i]:
                            buffer[count] = residual[j, i]
                            count += 1
                if count >= max(3, total // 2):
                    rings[s, k, q] = np.median(buffer[:count])
                    weights[s, k, q] = count


def read_cells(residual: Plane, good: Mask, x: Array, y: Array, inner: Array, outer: Array, n_rings: int) -> tuple[Array, Array]:
    """(n, rings, sectors): medians, NaN where too little is seen, and pixels looked at."""
    rings = np.full((len(x), n_rings, SECTORS), np.nan)
    counts = np.zeros((len(x), n_rings, SECTORS))
    over_bands(lambda first, last: _ring_medians(residual, good, x, y, inner, outer, rings, counts, first, last), len(x))
    return rings, counts


def medians_of(cells: Array) -> Array:
    """(n, rings): medians of (n, rings, sectors), NaN where less than half of a ring is seen."""
    return np.where(np.isfinite(cells).sum(-1) < SECTORS // 2, np.nan, _median(cells))


def _combine_sectors(rings: Array, sigma: float, counts: Array) -> tuple[Array, Array, Array]:
    """Ring level, the error of each ring by itself, and how uneven the ground is; error infinite where too little of a ring is seen.

    The noise of neighbouring rings is their own, the ground's unevenness is shared by them.
    """
    half = SECTORS // 2
    pairs = 0.5 * (rings[..., :half] + rings[..., half:])
    seen = np.isfinite(pairs)
    enough = seen.sum(-1) >= 3
    single = np.isfinite(rings).sum(-1) >= SECTORS // 4
    cell = 1.25 * sigma / np.sqrt(np.maximum(counts.sum(-1) / SECTORS, 1))
    with np.errstate(invalid="ignore"):
        value = np.where(enough, _median(pairs), _median(rings))
        spread = np.where(enough, _beyond(_mad(pairs), cell / np.sqrt(2)) * 1.25 / np.sqrt(np.maximum(seen.sum(-1), 1)), _mad(rings))
    uneven = SLOPE_SHARE * np.nan_to_num(_beyond(_mad(rings), cell))
    ground = np.hypot(np.nan_to_num(spread), uneven)
    error = np.hypot(cell / np.sqrt(SECTORS), RING_FLOOR * sigma)
    return np.nan_to_num(value), np.where(enough | single, error, np.inf), ground


def _beyond(spread: Array, noise: Array) -> Array:
    return np.sqrt(np.maximum(spread**2 - noise**2, 0))


def _median(values: Array) -> Array:
    """Median over the last axis without NaN; NaN where nothing is."""
    ordered = np.sort(values, -1)
    n = np.isfinite(values).sum(-1)
    low = np.take_along_axis(ordered, np.maximum((n - 1) // 2, 0)[..., None], -1)[..., 0]
    high = np.take_along_axis(ordered, np.minimum(n // 2, values.shape[-1] - 1)[..., None], -1)[..., 0]
    return np.where(n > 0, 0.5 * (low + high), np.nan)


def _mad(values: Array) -> Array:
    return MAD_TO_SIGMA * _median(np.abs(values - _median(values)[..., None]))


def halo_basis(r: Array, fwhm: float) -> Array:
    """(..., widths): Moffats of peak 1 at radius r px."""
    gamma = 0.5 * WIDTHS * fwhm / np.sqrt(2 ** (1 / BETA) - 1)
    return (1 + (np.asarray(r)[..., None] / gamma) ** 2) ** -BETA


def fit_haloes(
    plane: Plane,
    model: Plane,
    good: Mask,
    noise: Noise,
    geo: Array,
    peak: Array,
    blob: Array,
    fwhm: float,
    image: StarImage,
    *,
    repeats: int = 2,
    start: Haloes | None = None,
) -> tuple[Haloes, Plane]:
    """Haloes of all bright stars and their light.

    Parameters
    ----------
    plane, model : (H, W) float32, the picture and the light of the stars without haloes
    good : (H, W) bool
    geo, peak, blob : sources, see `sources.Sources`
    fwhm : float, px
    image : StarImage the model was drawn with
    repeats : rounds, in each of which every halo is fitted with the others taken off
    start : haloes of the same sources to begin with, such as those of another channel
    """
    order = np.argsort(-peak, kind="stable")
    own = order[blob[order] > 0][:MOST_OWN]
    shared = order[(blob[order] == 0) & (peak[order] > BRIGHT * noise.sigma)]
    index = np.r_[own, shared[:MOST_SHARED]]
    halo = np.zeros_like(plane)
    if len(index) == 0:
        return Haloes.none(), halo
    home, x, y, top, hidden = together(geo[index], peak[index], blob[index], TOGETHER * fwhm)
    inner = np.maximum(hidden + INNER_MARGIN * fwhm, 1.8 * fwhm)
    outer = np.clip(fwhm * 2.6 * (top / noise.sigma / 40) ** 0.40, 8 * fwhm, min(REACH * fwhm, REACH_SHARE * min(plane.shape)))
    outer = np.maximum(outer, 2.5 * inner)
    n_rings = int(np.clip(np.ceil(np.log(np.max(outer / inner)) / np.log(RING_RATIO)), 6, MOST_RINGS))
    radii = inner[:, None] * (outer / inner)[:, None] ** ((np.arange(n_rings) + 0.5) / n_rings)
    basis = halo_basis(radii, fwhm)
    core = top[:, None] * profile_at(image.profile, radii / fwhm)
    unsure = np.where(hidden > 0, CLIPPED_PEAK, 0.0)[:, None] * core
    everything = np.r_[index, shared[MOST_SHARED:]]
    light, share = np.zeros((len(top), len(WIDTHS))), (peak[index] / np.maximum(top[home], 1e-30))[:, None]
    if start is not None and start.common is not None:
        light, rest = start.common * top[:, None], start.common * peak[everything[len(index) :], None]
        halo = draw_haloes(plane.shape, geo[everything], np.concatenate([light[home] * share, rest]), fwhm, noise.sigma)
    uneven = np.where((hidden > 0) & (np.count_nonzero(hidden) < TEACHERS), ALONE_SHARE, 1.0)[:, None]
    for _ in range(repeats):
        rings, counts = read_cells(plane - model - halo, good, x, y, inner, outer, n_rings)
        value, error, ground = _combine_sectors(rings, noise.sigma, counts)
        value = value + np.einsum("skw,sw->sk", basis, light)
        error = np.hypot(error, MODEL_SHARE * core)
        stars = _shown(value, error, ground, unsure, radii, basis * top[:, None, None])
        common = _common_sum(_shown(value, error, uneven * ground, unsure, radii, basis * top[:, None, None]))
        light = np.stack([_own_sum(star, common) * height for star, height in zip(stars, top, strict=True)])
        rest = common[None] * peak[everything[len(index) :], None]
        halo = draw_haloes(plane.shape, geo[everything], np.concatenate([light[home] * share, rest]), fwhm, noise.sigma)
    return Haloes(everything, np.concatenate([light[home] * share, rest]), common), halo


def together(geo: Array, peak: Array, blob: Array, reach: float) -> tuple[Array, ...]:
    """Stars whose cores nearly touch show one halo: the group of each, and of every group x, y, sum of peaks, hidden radius.

    Fitted apart, in turn, each would be given the light of all.
    """
    x, y = geo[:, 0], geo[:, 1]
    near = np.hypot(x[:, None] - x, y[:, None] - y) < reach + blob[:, None] + blob
    joined = scipy.sparse.csr_array(near & ((blob > 0)[:, None] & (blob > 0)))
    count, home = scipy.sparse.csgraph.connected_components(joined, directed=False)
    top = np.bincount(home, peak, count)
    middle_x, middle_y = (np.bincount(home, peak * place, count) / np.maximum(top, 1e-30) for place in (x, y))
    hidden = np.zeros(count)
    np.maximum.at(hidden, home, np.where(blob > 0, np.hypot(x - middle_x[home], y - middle_y[home]) + blob, 0.0))
    return home, middle_x, middle_y, top, hidden


class Rings(NamedTuple):
    """What one star shows: ``value`` (rings,), ``error`` of each by itself, covariance of the ``ground``, ``basis`` (rings, widths)."""

    value: Array
    error: Array
    ground: Array
    basis: Array

    def whitened(self, allowance: Array | float = 0.0) -> tuple[Array, Array]:
        """Basis and values in which all errors are 1 and independent; ``allowance`` (rings,) is added to the errors."""
        known = np.isfinite(self.error)
        least = LEAST_VARIANCE * self.ground.max()
        own = np.maximum(self.error**2 + np.square(allowance), least)
        covariance = self.ground + np.diag(np.where(known, own, 1e12 * self.ground.max() + 1e12))
        low = np.linalg.cholesky(covariance)
        both = np.linalg.solve(low, np.column_stack([self.basis, self.value]))
        return both[:, :-1], both[:, -1]


def _shown(value: Array, error: Array, ground: Array, unsure: Array, radii: Array, basis: Array) -> list[Rings]:
    """What each star shows; ``unsure`` (n, rings): how wrong the star image's own light may be, alike in all rings."""
    covariance = [_ground_covariance(*own) + np.outer(image, image) for *own, image in zip(ground, radii, unsure, strict=True)]
    return [Rings(*star) for star in zip(value, error, covariance, basis, strict=True)]


def _ground_covariance(ground: Array, radii: Array) -> Array:
    """(rings, rings): unevenness that is alike in neighbouring rings (Matern 3/2 in ln r), and a level that may be anything."""
    apart = np.sqrt(3) * np.abs(np.log(radii[:, None] / radii)) / GROUND_LENGTH
    alike = (1 + apart) * np.exp(-apart)
    return ground[:, None] * ground * alike + LEVEL_FREEDOM**2 * np.median(ground + 1e-30) ** 2


def near_light(common: Array, radii: Array) -> Array:
    """The narrow part of the common halo at radii in FWHM: light that every star has round its core."""
    return halo_basis(radii, 1.0)[..., :NEAR_WIDTHS] @ common[:NEAR_WIDTHS]


def _common_sum(stars: list[Rings]) -> Array:
    """One non-negative sum in units of the peak that the stars agree on, each with a scale of its own.

    Stars on uneven ground weigh little, and one that differs from the others is outvoted.
    """
    widths = stars[0].basis.shape[1]
    common, scale, trust = np.zeros(widths), np.ones(len(stars)), np.ones(len(stars))
    for _ in range(COMMON_ROUNDS):
        rows, right = [], []
        for s, star in enumerate(stars):
            a, b = star.whitened(STAR_TO_STAR * star.basis @ common)
            rows.append(a * scale[s] * trust[s])
            right.append(b * trust[s])
        common = _without_doubtful(np.concatenate(rows), np.concatenate(right))
        for s, star in enumerate(stars):
            a, b = star.whitened(STAR_TO_STAR * star.basis @ common)
            m = a @ common
            scale[s] = (m @ b + 1 / OWN_SCALE**2) / (m @ m + 1 / OWN_SCALE**2)
            off = b - m * scale[s]
            trust[s] = 1 / np.sqrt(1 + (off @ off) / len(off) / 4 + ((scale[s] - 1) / OWN_SCALE) ** 2)
        scale = np.clip(scale, 0.2, 5.0)
    return common


def _without_doubtful(rows: Array, right: Array) -> Array:
    """Bounded solution without wide light that is not needed: the widest looks like sky, and a little of it, times the peaks of all bright
    stars, lowers the whole picture.
    """

    def cost(solution: Array) -> float:
        return float(((rows @ solution - right) ** 2).sum())

    whole = solution = _bounded(rows, right)
    for last in range(len(whole) - 1, 0, -1):
        if solution[last] > 0:
            fewer = np.r_[_bounded(rows[:, :last], right), np.zeros(len(whole) - last)]
            if cost(fewer) - cost(whole) > LEAST_GAIN:
                break
            solution = fewer
    return solution


def _own_sum(star: Rings, common: Array) -> Array:
    """Non-negative sum of one star in units of its peak, drawn to the common one: mostly its scale may differ, its shape less."""
    if np.isfinite(star.error).sum() < 4 or not common.any():
        return common
    spread = np.diag((OWN_SHAPE * common + OWN_FLOOR * common.max()) ** 2) + OWN_SCALE**2 * np.outer(common, common)
    firm = np.linalg.inv(np.linalg.cholesky(spread))
    allowance = np.zeros(len(star.value))
    solution = common
    for _ in range(3):
        rows, right = star.whitened(allowance)
        solution = _bounded(np.vstack([rows, firm]), np.r_[right, firm @ common])
        off = star.value - star.basis @ solution
        off -= np.median(off)
        sigma = np.sqrt(star.error**2 + np.diag(star.ground))
        allowance = np.where(np.isfinite(sigma), np.where(off > 0, off / 2, off / 4), 0.0)
    return solution


def _bounded(rows: Array, right: Array) -> Array:
    """Non-negative least squares through the normal equations, columns scaled to length 1."""
    size = np.sqrt((rows**2).sum(0))
    scaled = rows / np.maximum(size, 1e-300)
    normal = scaled.T @ scaled + 1e-10 * np.eye(scaled.shape[1])
    low = np.linalg.cholesky(normal)
    solution, _ = scipy.optimize.nnls(low.T, np.linalg.solve(low, scaled.T @ right), maxiter=50 * scaled.shape[1])
    return solution / np.maximum(size, 1e-300)


@njit(cache=True, nogil=True)
def _draw_rows(plane, x, y, reach, profiles, first, last):  # type: ignore[no-untyped-def]
    """Add radial profiles, sampled evenly over their reach, to the rows from ``first`` to before ``last``."""
    width = plane.shape[1]
    steps = profiles.shape[1] - 2
    for s in range(x.size):
        limit = reach[s] * reach[s]
        for j in range(max(first, int(np.ceil(y[s] - reach[s]))), min(last, int(np.floor(y[s] + reach[s])) + 1)):
            dy = j - y[s]
            half = np.sqrt(max(limit - dy * dy, 0.0))
            for i in range(max(0, int(np.ceil(x[s] - half))), min(width, int(np.floor(x[s] + half)) + 1)):
                t = np.sqrt((i - x[s]) ** 2 + dy * dy) / reach[s] * steps
                k = int(t)
                f = t - k
                plane[j, i] += profiles[s, k] * (1 - f) + profiles[s, k + 1] * f


def draw_haloes(shape: tuple[int, int], geo: Array, light: Array, fwhm: float, sigma: float) -> Plane:
    """(H, W) float32: the haloes' light; each ends, faded out, where it falls under a small share of the noise."""
    plane = np.zeros(shape, np.float32)
    shown = light.sum(1) > LEAST_LIGHT * sigma
    if not shown.any():
        return plane
    light, place = light[shown], geo[shown]
    radii = np.r_[0, np.geomspace(0.02 * fwhm, 200 * fwhm, 3000)]
    level = light @ halo_basis(radii, fwhm).T
    last = np.array([int(np.nonzero(row > LEAST_LIGHT * sigma)[0].max(initial=0)) for row in level])
    reach = radii[last] * 1.2
    t = np.minimum(np.arange(DRAW_STEPS + 2) / DRAW_STEPS, 1.0)
    profiles = np.stack([np.interp(t * far, radii, row) for far, row in zip(reach, level, strict=True)])
    profiles *= np.clip((1 - t) / 0.3, 0, 1)
    x, y = place[:, 0].copy(), place[:, 1].copy()
    over_bands(lambda first, last: _draw_rows(plane, x, y, reach, profiles, first, last), shape[0])
    return plane
