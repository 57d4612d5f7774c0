"""The star image over the field: width and ellipse as quadratics in the place, one Moffat beta."""

from __future__ import annotations

import numpy as np

from layerblend.errors import FEW_STARS, InputError, check_image, check_map
from layerblend.kinds import Array, LinearImage, StarShape
from layerblend.maths import moffat
from layerblend.maths import stars as find
from layerblend.maths.robust import MAD_TO_SIGMA, mad_sigma, weighted_median

SATURATION = 0.98
MOST_STARS = 400
DETECT_SIGMA = 8.0
# Stars share the field among cells so that the corners are heard.
CELLS = 8
# Peak over noise asked for, loosened step by step while fewer than ENOUGH stars are left.
PEAK_SNR = (40.0, 20.0, 10.0, 5.0)
ENOUGH_STARS = 60
# Stars needed for a quadratic, a linear field; below, one shape for all.
QUADRATIC_STARS, LINEAR_STARS = 60, 25
TERMS = {6: "quadratic over the field", 3: "linear over the field", 1: "the same all over the field"}
MIN_STARS = 3
UNDERSAMPLED_PX = 2.0
CLIP_SIGMA = 4.0
LEAST_SCATTER = 0.01
# The first fit leaves out what is this much wider (in ln) than most stars: rather galaxies than corners.
START_WIDER = 0.2


def measure_psf(image: LinearImage, *, saturated: Array | None = None) -> StarShape:
    """Fit the star image and how it changes over the field.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float32, linear, 1.0 = white level, with or without sky; NaN = no data
    saturated : (H, W), share of a pixel's frames that were saturated, or bool; without it pixels at or above .98 count

    Returns
    -------
    StarShape; the same all over the field, linear or (from 60 stars on) quadratic, as the stars ask for; ``words`` say so, and
    whether stars are undersampled.

    Raises
    ------
    InputError : fewer than three usable stars

    References
    ----------
    Moffat 1969, A&A 3, 455.
    """
    image = check_image("image", image)
    if saturated is not None:
        check_map("saturated", saturated, image.shape)
    above, codes = find.prepare_plane(image, saturated=saturated, saturation=SATURATION)
    candidates = find.detect_stars(above, codes, threshold=DETECT_SIGMA)
    fits, noise = _fit_field_stars(above, codes, candidates)
    stars = _usable(fits, noise)
    if len(stars) < MIN_STARS:
        raise InputError(
            f"The star image cannot be measured: {len(stars)} usable stars where at least {MIN_STARS} are needed; "
            "stack more frames, or give a stack whose stars are not all saturated or trailed.",
            code=FEW_STARS,
        )
    height, width = image.shape[:2]
    terms, kept, order = _shape_field(stars, noise, height, width)
    used = stars.take(kept)
    beta = weighted_median(used.beta, moffat.shape_weights(used, noise))
    return StarShape(beta, terms, height, width, _star_rows(used), _words(terms, order, len(used), height, width, beta))


def _fit_field_stars(above: Array, codes: Array, candidates: find.Candidates) -> tuple[moffat.StarFits, float]:
    """Fits of isolated stars spread over the field, and the noise of a pixel."""
    if len(candidates) == 0:
        return moffat.fit_moffat_stars(above, np.zeros(0), np.zeros(0), fwhm=3.0, noise=1.0), 1.0
    fwhm = find.guess_fwhm(above, candidates)
    alone = candidates.take(_isolated(candidates, fwhm))
    chosen = alone.take(_spread_over_field(alone, above.shape))
    noise = chosen.pixel_noise
    return moffat.fit_moffat_stars(above, chosen.x, chosen.y, fwhm=fwhm, noise=noise, codes=codes), noise


def _isolated(candidates: find.Candidates, fwhm: float) -> Array:
    """Stars far from others; loosened where a crowded field leaves fewer than 60."""
    for share, reach_fwhm in ((0.05, 3.0), (0.2, 2.2), (0.5, 1.8)):
        alone = find.isolated(candidates, reach_fwhm * fwhm, share=share)
        if alone.sum() >= ENOUGH_STARS:
            break
    return alone if alone.sum() >= MIN_STARS else np.ones(len(candidates), bool)


def _spread_over_field(candidates: find.Candidates, shape: tuple[int, ...]) -> Array:
    """Indices of up to 400 candidates, taken in turn from the cells of a coarse grid, brightest first in each."""
    cell = (candidates.y * CELLS // shape[0]) * CELLS + candidates.x * CELLS // shape[1]
    order = np.argsort(cell, kind="stable")  # candidates come brightest first
    first = np.searchsorted(cell[order], cell[order])
    turn = np.empty(len(candidates), np.int64)
    turn[order] = np.arange(len(candidates)) - first
    return np.sort(np.argsort(turn, kind="stable")[:MOST_STARS])


def _usable(fits: moffat.StarFits, noise: float) -> moffat.StarFits:
    """Fits that are stars, bright enough if the field offers enough of them."""
    stars = fits.take(moffat.star_class(fits, noise=noise, spread=0.4))
    for least in PEAK_SNR:
        bright = stars.take(stars.peak >= least * noise)
        if len(bright) >= ENOUGH_STARS:
            return bright
    return bright


def _shape_field(stars: moffat.StarFits, noise: float, height: int, width: int) -> tuple[Array, Array, int]:
    """Terms of ln fwhm, e1, e2 over the field by weighted least squares, the stars that agree with them, and the number of terms each.

    Fits with 1, 3 and 6 terms are tried, as many as the stars can carry; the one of least Bayesian information criterion (Schwarz 1978,
    Ann. Stat. 6, 461) is taken, so that a handful of odd stars does not bend the field.
    """
    u, v = 2 * stars.x / max(width - 1, 1) - 1, 2 * stars.y / max(height - 1, 1) - 1
    basis = _basis(u, v)
    values = np.column_stack([np.log(stars.fwhm), stars.e1, stars.e2])
    weights = moffat.shape_weights(stars, noise)
    tried = [(_fit_terms(basis, values, weights, order), order) for order in _orders_for(u, v)]
    tried = [(fit, order) for fit, order in tried if order == 1 or _stays_in_range(fit[0], basis[fit[1]])]
    (_, narrow_kept), _ = tried[-1]
    scale = np.sqrt(np.mean(1 / weights[narrow_kept]))
    residuals = [(values - basis @ terms.T) * np.sqrt(weights)[:, None] * scale for (terms, _), _ in tried]
    scatter = np.min([_scatters(residual[kept]) for residual, ((_, kept), _) in zip(residuals, tried, strict=True)], axis=0)
    criteria = [
        np.minimum((residual / scatter) ** 2, CLIP_SIGMA**2).sum() + 3 * order * np.log(len(stars))
        for residual, (_, order) in zip(residuals, tried, strict=True)
    ]
    (terms, kept), order = tried[int(np.argmin(criteria))]
    return terms, kept, order


def _basis(u: Array, v: Array) -> Array:
    return np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def _orders_for(u: Array, v: Array) -> tuple[int, ...]:
    """Numbers of terms that so many stars, so spread, can carry."""
    spread = min(np.ptp(u), np.ptp(v))
    if u.size >= QUADRATIC_STARS and spread > 1.0:
        return (1, 3, 6)
    return (1, 3) if u.size >= LINEAR_STARS and spread > 0.8 else (1,)


def _fit_terms(basis: Array, values: Array, weights: Array, order: int) -> tuple[Array, Array]:
    """Least squares with so many terms; stars far off in width or ellipse are dropped, and taken back when they agree again."""
    root = np.sqrt(weights)[:, None]
    kept = values[:, 0] < moffat.densest(values[:, 0], weights) + START_WIDER
    terms = np.zeros((3, 6))
    for _ in range(10):
        terms[:, :order] = np.linalg.lstsq(basis[kept, :order] * root[kept], values[kept] * root[kept], rcond=None)[0].T
        residual = values - basis @ terms.T
        now = np.all(np.abs(residual) <= CLIP_SIGMA * _scatters(residual[kept]), axis=1)
        if now.sum() < max(MIN_STARS, order) or np.array_equal(now, kept):
            break
        kept = now
    return terms, kept


def _scatters(residual: Array) -> Array:
    """Scatter of width and ellipse components. Galaxies and blends are only ever wider than stars: the narrower half tells the width's."""
    narrower = residual[residual[:, 0] <= 0, 0]
    width = MAD_TO_SIGMA * float(np.median(-narrower)) if len(narrower) else 0.0
    return np.maximum([width, mad_sigma(residual[:, 1]), mad_sigma(residual[:, 2])], LEAST_SCATTER)


def _stays_in_range(terms: Array, used: Array) -> bool:
    """The corners' widths must not leave the range found at the stars by more than 15 %."""
    u, v = np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0])
    field, stars = _basis(u.ravel(), v.ravel()) @ terms[0], used @ terms[0]
    return bool(field.max() <= stars.max() + 0.15 and field.min() >= stars.min() - 0.15)


def _star_rows(stars: moffat.StarFits) -> Array:
    columns = [stars.x, stars.y, stars.flux, stars.peak, stars.fwhm, stars.fwhm_major, stars.eccentricity, stars.angle]
    rows = np.column_stack(columns)
    return rows[np.argsort(-rows[:, 2], kind="stable")]


def _words(terms: Array, order: int, stars: int, height: int, width: int, beta: float) -> tuple[str, ...]:
    shape = StarShape(beta, terms, height, width, np.zeros((0, 8)))
    middle = shape.centre
    words = [f"star shape from {stars} stars ({TERMS[order]}): fwhm {middle.fwhm:.2f} px in the middle"]
    if order > 1:
        corners = [shape.at(x, y).fwhm for x in (0, width - 1) for y in (0, height - 1)]
        words[0] += f", {min(corners):.2f} to {max(corners):.2f} px in the corners"
    if middle.fwhm < UNDERSAMPLED_PX:
        words.append(f"undersampled: stars are {middle.fwhm:.2f} px wide, below {UNDERSAMPLED_PX:g} px their shape is only roughly known")
    if stars < LINEAR_STARS:
        words.append(f"only {stars} stars: one shape for the whole field")
    return tuple(words)
