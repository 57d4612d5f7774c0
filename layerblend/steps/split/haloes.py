"""Wide light of bright stars: scattered light and reflections far outside the star image.

Round every bright star the residual is read in rings and sectors; opposite sectors are averaged (a slope cancels) and their scatter is
the error of the ring. A non-negative sum of concentric Moffats (beta 2) is fitted to the rings (Lawson & Hanson 1974): first one sum in
common for all stars, in units of their peak; then one for each clipped star, held to the common one as firmly as its surroundings
are structured. A halo fitted freely on a galaxy takes the galaxy with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from scipy.optimize import nnls

from layerblend.kinds import Array, Mask, Plane
from layerblend.steps.split.noise import Noise

WIDTHS = np.array([2.0, 3.0, 4.5, 6.5, 9.0, 13.0, 19.0, 27.0])
BETA = 2.0
# The narrowest of them are part of the star image itself, once known.
NEAR_WIDTHS = 3
SECTORS = 16
RING_RATIO = 1.22
MOST_RINGS = 28
CELL_SAMPLES = 64
# A star whose peak exceeds the noise by this factor shows its halo.
BRIGHT = 250.0
MOST_OWN, MOST_SHARED = 160, 120
INNER_MARGIN = 1.3
LEAST_LIGHT = 0.04
DRAW_STEPS = 2048
# The sky noise of a ring median cannot fall below this share of a pixel's noise: flats and gradients set it.
RING_FLOOR = 0.03
# How far a single star's halo may differ from the common one: in scale, in the light of each width, and as a share of the largest.
# Radii (FWHM) of the common profile, and how much haloes differ from star to star.
COMMON_REACH, COMMON_RADII = (1.8, 40.0), 28
STAR_TO_STAR = 0.15
OWN_SCALE, OWN_SHAPE, OWN_FLOOR = 0.25, 0.06, 0.004
MODEL_SHARE = 0.03
# Ground that differs from sector to sector is hardly flat along the radius either.
SLOPE_SHARE = 0.3


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


@njit(cache=True, nogil=True, parallel=True)
def _ring_medians(residual, good, x, y, inner, outer, rings, weights):  # type: ignore[no-untyped-def]
    """Medians of the residual in rings and sectors round stars; NaN where too little is seen."""
    height, width = residual.shape
    n, n_rings = x.size, rings.shape[1]
    for s in prange(n):
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


def _combine_sectors(rings: Array, sigma: float, counts: Array) -> tuple[Array, Array]:
    """Ring level and its error from opposite sectors; error infinite where less than a quarter of the ring is seen."""
    half = SECTORS // 2
    pairs = 0.5 * (rings[..., :half] + rings[..., half:])
    seen = np.isfinite(pairs)
    enough = seen.sum(-1) >= 3
    single = np.isfinite(rings).sum(-1) >= SECTORS // 4
    with np.errstate(invalid="ignore"):
        value = np.where(enough, _median(pairs), _median(rings))
        spread = np.where(enough, _mad(pairs) * 1.25 / np.sqrt(np.maximum(seen.sum(-1), 1)), _mad(rings))
    pixel = sigma * 1.25 / np.sqrt(np.maximum(counts.sum(-1), 1))
    uneven = SLOPE_SHARE * np.nan_to_num(_mad(rings))
    error = np.sqrt(np.nan_to_num(spread) ** 2 + pixel**2 + uneven**2 + (RING_FLOOR * sigma) ** 2)
    return np.nan_to_num(value), np.where(enough | single, error, np.inf)


def _median(values: Array) -> Array:
    """Median over the last axis without NaN; NaN where nothing is."""
    ordered = np.sort(values, -1)
    n = np.isfinite(values).sum(-1)
    low = np.take_along_axis(ordered, np.maximum((n - 1) // 2, 0)[..., None], -1)[..., 0]
    high = np.take_along_axis(ordered, np.minimum(n // 2, values.shape[-1] - 1)[..., None], -1)[..., 0]
    return np.where(n > 0, 0.5 * (low + high), np.nan)


def _mad(values: Array) -> Array:
    return 1.4826 * _median(np.abs(values - _median(values)[..., None]))


def _basis(r: Array, fwhm: float) -> Array:
    """(..., widths): Moffats of peak 1 at radius r px."""
    gamma = 0.5 * WIDTHS * fwhm / np.sqrt(2 ** (1 / BETA) - 1)
    return (1 + (np.asarray(r)[..., None] / gamma) ** 2) ** -BETA


def fit_haloes(
    plane: Plane, model: Plane, good: Mask, noise: Noise, geo: Array, peak: Array, blob: Array, fwhm: float, *, repeats: int = 2
) -> tuple[Haloes, Plane]:
    """Haloes of all bright stars and their light.

    Parameters
    ----------
    plane, model : (H, W) float32, the picture and the light of the stars without haloes
    good : (H, W) bool
    geo, peak, blob : sources, see `field.Sources`
    fwhm : float, px
    repeats : rounds, in each of which every halo is fitted with the others taken off
    """
    order = np.argsort(-peak, kind="stable")
    own = order[blob[order] > 0][:MOST_OWN]
    shared = order[(blob[order] == 0) & (peak[order] > BRIGHT * noise.sigma)]
    index = np.r_[own, shared[:MOST_SHARED]]
    halo = np.zeros_like(plane)
    if len(index) == 0:
        return Haloes.none(), halo
    x, y, top = geo[index, 0], geo[index, 1], peak[index]
    inner = np.maximum(blob[index] + INNER_MARGIN * fwhm, 1.8 * fwhm)
    outer = np.clip(fwhm * 2.6 * (top / noise.sigma / 40) ** 0.40, 8 * fwhm, 80 * fwhm)
    outer = np.maximum(outer, 2.5 * inner)
    n_rings = int(np.clip(np.ceil(np.log(np.max(outer / inner)) / np.log(RING_RATIO)), 6, MOST_RINGS))
    radii = inner[:, None] * (outer / inner)[:, None] ** ((np.arange(n_rings) + 0.5) / n_rings)
    basis = _basis(radii, fwhm)
    light = np.zeros((len(index), len(WIDTHS)))
    everything = np.r_[index, shared[MOST_SHARED:]]
    for _ in range(repeats):
        value, error = _read_rings(plane - model - halo, good, x, y, inner, outer, n_rings, noise.sigma)
        value = value + np.einsum("skw,sw->sk", basis, light)
        error = np.hypot(error, MODEL_SHARE * _star_level(radii, top, fwhm))
        common = _common_sum(value, error, radii, top, fwhm)
        light = np.stack([
            _own_sum(value[k], error[k], basis[k], top[k], common) if k < len(own) else common * top[k] for k in range(len(index))
        ])  # fmt: skip
        rest = common[None] * peak[everything[len(index) :], None]
        halo = draw_haloes(plane.shape, geo[everything], np.concatenate([light, rest]), fwhm, noise.sigma)
    return Haloes(everything, np.concatenate([light, rest]), common), halo


def near_light(common: Array, radii: Array) -> Array:
    """The narrow part of the common halo at radii in FWHM: light that every star has round its core."""
    return _basis(radii, 1.0)[..., :NEAR_WIDTHS] @ common[:NEAR_WIDTHS]


def _read_rings(
    residual: Plane, good: Mask, x: Array, y: Array, inner: Array, outer: Array, n_rings: int, sigma: float
) -> tuple[Array, Array]:
    rings = np.full((len(x), n_rings, SECTORS), np.nan)
    counts = np.zeros((len(x), n_rings, SECTORS))
    _ring_medians(residual, good, x, y, inner, outer, rings, counts)
    return _combine_sectors(rings, sigma, counts)


def _star_level(radii: Array, top: Array, fwhm: float) -> Array:
    """Rough light of the star itself at these radii: a share of it may be wrong."""
    gamma = 0.5 * fwhm / np.sqrt(2 ** (1 / 3.0) - 1)
    return top[:, None] * (1 + (radii / gamma) ** 2) ** -3.0


def _common_sum(value: Array, error: Array, radii: Array, top: Array, fwhm: float) -> Array:
    """One non-negative sum in units of the peak that most stars agree on.

    Every star is fitted alone with a level of its own; the weighted median of the profiles is fitted again. Stars on structured ground
    weigh little, and one that took a galaxy for its halo is outvoted.
    """
    grid = fwhm * np.geomspace(*COMMON_REACH, COMMON_RADII)
    basis = _basis(grid, fwhm)
    profiles, weights = [], []
    for s in range(len(top)):
        weight = np.where(np.isfinite(error[s]), 1 / np.maximum(error[s], 1e-30), 0.0)
        if (weight > 0).sum() < 4:
            continue
        level = np.ones((len(weight), 1))
        columns = np.hstack([_basis(radii[s], fwhm) * top[s], level, -level])
        own = _bounded(columns * weight[:, None], value[s] * weight)[: len(WIDTHS)]
        profiles.append(basis @ own)
        spread = np.interp(grid, radii[s], 1 / np.maximum(weight, 1e-30), left=np.inf, right=np.inf) / top[s]
        weights.append(spread)
    if not profiles:
        return np.zeros(len(WIDTHS))
    profile, spread = np.array(profiles), np.array(weights)
    middle = _weighted_median(profile, 1 / spread**2)
    middle = _weighted_median(profile, 1 / (spread**2 + (STAR_TO_STAR * middle) ** 2))
    scale = np.maximum(0.1 * np.abs(middle), 1e-3 * np.abs(middle).max() + 1e-30)
    known = np.isfinite(spread).any(0)
    return _bounded(basis[known] / scale[known, None], middle[known] / scale[known])


def _weighted_median(values: Array, weights: Array) -> Array:
    """Along the first axis; 0 where no weight is."""
    order = np.argsort(values, 0)
    ordered, heavy = np.take_along_axis(values, order, 0), np.cumsum(np.take_along_axis(weights, order, 0), 0)
    place = np.argmax(heavy >= 0.5 * heavy[-1], 0)
    return np.where(heavy[-1] > 0, np.take_along_axis(ordered, place[None], 0)[0], 0.0)


def _own_sum(value: Array, error: Array, basis: Array, top: float, common: Array) -> Array:
    """Non-negative sum of one star, drawn to the common one: mostly its scale may differ, its shape less."""
    weight = np.where(np.isfinite(error), 1 / np.maximum(error, 1e-30), 0.0)
    expected = common * top
    if (weight > 0).sum() < 4 or not expected.any():
        return expected
    level = np.ones((len(value), 1))
    spread = np.diag((OWN_SHAPE * expected + OWN_FLOOR * expected.max()) ** 2) + OWN_SCALE**2 * np.outer(expected, expected)
    firm = np.linalg.inv(np.linalg.cholesky(spread))
    prior = np.hstack([firm, np.zeros((len(firm), 2))])
    columns = np.hstack([basis, level, -level])
    pull = np.ones_like(weight)
    solution = np.zeros(columns.shape[1])
    for _ in range(3):
        w = weight * pull
        solution = _bounded(np.vstack([columns * w[:, None], prior]), np.r_[value * w, firm @ expected])
        off = (value - columns @ solution) * weight
        pull = np.where(off > 0, 1 / np.sqrt(1 + (off / 2) ** 2), 1 / np.sqrt(1 + (off / 4) ** 2))
    return solution[: len(WIDTHS)]


def _bounded(rows: Array, right: Array) -> Array:
    """Non-negative least squares through the normal equations, columns scaled to length 1."""
    size = np.sqrt((rows**2).sum(0))
    scaled = rows / np.maximum(size, 1e-300)
    normal = scaled.T @ scaled + 1e-10 * np.eye(scaled.shape[1])
    low = np.linalg.cholesky(normal)
    solution, _ = nnls(low.T, np.linalg.solve(low, scaled.T @ right), maxiter=50 * scaled.shape[1])
    return solution / np.maximum(size, 1e-300)


@njit(cache=True, nogil=True, parallel=True)
def _draw_bands(plane, x, y, reach, profiles, band_rows):  # type: ignore[no-untyped-def]
    """Add radial profiles, sampled evenly over their reach, band by band."""
    height, width = plane.shape
    steps = profiles.shape[1] - 2
    for b in prange((height + band_rows - 1) // band_rows):
        for s in range(x.size):
            limit = reach[s] * reach[s]
            for j in range(max(b * band_rows, int(np.ceil(y[s] - reach[s]))), min(height, (b + 1) * band_rows, int(y[s] + reach[s]) + 1)):
                dy = j - y[s]
                half = np.sqrt(max(limit - dy * dy, 0.0))
                for i in range(max(0, int(np.ceil(x[s] - half))), min(width, int(x[s] + half) + 1)):
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
    radii = np.geomspace(fwhm, 200 * fwhm, 300)
    level = light @ _basis(radii, fwhm).T
    last = np.array([int(np.nonzero(row > LEAST_LIGHT * sigma)[0].max(initial=0)) for row in level])
    reach = radii[last] * 1.2
    t = np.minimum(np.arange(DRAW_STEPS + 2) / DRAW_STEPS, 1.0)
    profiles = np.stack([_basis(t * far, fwhm) @ own for far, own in zip(reach, light, strict=True)])
    profiles *= np.clip((1 - t) / 0.3, 0, 1)
    _draw_bands(plane, place[:, 0].copy(), place[:, 1].copy(), reach, profiles, 32)
    return plane
