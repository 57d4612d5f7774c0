"""Robust levels and noise: medians that stars do not move, and noise that stays right where neighbouring pixels share it."""

from __future__ import annotations

import cv2
import numpy as np

from layerblend.kinds import Array, LinearImage, Mask, Plane

# sigma = 1.4826 MAD for a normal distribution: 1 / norm.ppf(0.75)
MAD_TO_SIGMA = 1.482602218505602
# The band in which frames are weighted: blur of 1.2 px minus blur of 2.4 px.
BAND_INNER_PX = 1.2
BAND_OUTER_PX = 2.4
# Pixels this many sigma off the band's sky scatter belong to stars; so do their neighbours.
STAR_SIGMA = 4.0
STAR_FOOTPRINT_PX = 9
CLIP_ROUNDS = 8
# Sky is where the mean of a box this wide is low: far from bright stars' wings and off galaxies. The band hardly knows that mean.
LEVEL_BOX_PX = 25
STRIP_ROWS = 64
STRIP_MARGIN = 16
# The filters look this far: nearer to missing pixels nothing is measured.
GAP_REACH_PX = 12
# Enough pixels for a noise figure good to .6 %, enough for tile levels good to .08 sigma each.
NOISE_PIXELS = 600_000
LEVEL_PIXELS = 1_500_000
# The band is smooth over two pixels: every second one tells nearly all.
BAND_STEP = 2
TILE_COVER = 0.25


def mad_sigma(values: Array) -> float:
    """Robust standard deviation, 1.4826 times the median absolute deviation from the median; NaN are left out.

    Parameters
    ----------
    values : array of any shape, any unit

    Returns
    -------
    float, unit of ``values``; NaN when no finite value is there.
    """
    finite = np.asarray(values)
    finite = finite[np.isfinite(finite)]
    if finite.size == 0:
        return float("nan")
    return float(MAD_TO_SIGMA * np.median(np.abs(finite - np.median(finite))))


def weighted_median(values: Array, weights: Array) -> float:
    """The value with half of the weight on either side, linear between the two middle ones; NaN when there is none.

    Parameters
    ----------
    values, weights : (n,), finite, weights > 0
    """
    if len(values) == 0:
        return float("nan")
    order = np.argsort(values, kind="stable")
    ordered = np.asarray(weights, np.float64)[order]
    middle = np.cumsum(ordered) - 0.5 * ordered
    return float(np.interp(0.5 * ordered.sum(), middle, np.asarray(values, np.float64)[order]))


def lower_weighted_median(values: Array, weights: Array) -> float:
    """The smallest of the values that has at least half of the weight at or below it: always one of the values, never between two.

    Parameters
    ----------
    values, weights : (n,), finite, weights > 0, n > 0
    """
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(total, 0.5 * total[-1])]])


def lag_noise(plane: Plane, lag: int = 4) -> float:
    """Scatter of a single pixel, from differences of pixels ``lag`` columns apart, so that noise shared by neighbours does not hide.

    Parameters
    ----------
    plane : (H, W) float32, linear; NaN = no data
    lag : int, px, beyond the reach of debayering, registration or drizzling

    Returns
    -------
    float, unit of ``plane``: robust sd of the differences over sqrt 2; NaN when nothing can be measured.

    References
    ----------
    Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88, 1273 (the MAD as scale).
    """
    rows = plane[:: _stride(plane.shape[0], plane.shape[1], NOISE_PIXELS)]
    if rows.shape[1] <= lag:
        return float("nan")
    return mad_sigma(rows[:, lag:] - rows[:, :-lag]) / np.sqrt(2.0)


def band_noise(plane: Plane, *, valid: Mask | None = None, pixels: int = NOISE_PIXELS) -> float:
    """Noise of the sky in the band where stars and detail live, as the sd of the white noise that would show the same there.

    Frames that were resampled have quiet pixels but not less noise; weights must come from a band, not from pixels. The robust sd of
    (blur of 1.2 px - blur of 2.4 px) over sky pixels is divided by that filter's gain on white noise.

    Parameters
    ----------
    plane : (H, W) float32, linear, with or without sky level; NaN = no data
    valid : (H, W) bool, where data is; where the plane is not NaN when left out
    pixels : int, about so many pixels of a large plane are looked at, in strips spread over it

    Returns
    -------
    float, unit of ``plane``; NaN when no sky can be seen.
    """
    strips = [_band_strip(plane, valid, first) for first in _strip_starts(plane, pixels)]
    band = np.concatenate([strip[::BAND_STEP, ::BAND_STEP].ravel() for strip, _ in strips])
    level = np.concatenate([smooth[::BAND_STEP, ::BAND_STEP].ravel() for _, smooth in strips])
    known = np.isfinite(band)
    if not known.any():
        return float("nan")
    low = known & (level <= _sky_ceiling(level[known]))
    scatter = mad_sigma(band)
    for _ in range(CLIP_ROUNDS):
        near_star = np.concatenate([_star_footprints(strip, scatter)[::BAND_STEP, ::BAND_STEP].ravel() for strip, _ in strips])
        sky = low & ~near_star
        before, scatter = scatter, mad_sigma(band[sky]) if sky.sum() >= 100 else scatter
        if not scatter < 0.99 * before:
            break
    return scatter / BAND_GAIN


def _strip_starts(plane: Plane, pixels: int) -> range:
    count = -(-plane.shape[0] // STRIP_ROWS)
    wanted = max(1, pixels // (STRIP_ROWS * plane.shape[1]))
    return range(0, plane.shape[0], STRIP_ROWS * max(1, -(-count // wanted)))


def _band_strip(plane: Plane, valid: Mask | None, first: int) -> tuple[Plane, Plane]:
    """Band and smooth level of some rows, NaN where data was missing nearby."""
    low, high = max(0, first - STRIP_MARGIN), min(plane.shape[0], first + STRIP_ROWS + STRIP_MARGIN)
    rows = plane[low:high]
    known = np.isfinite(rows) if valid is None else valid[low:high]
    filled = np.ascontiguousarray(rows) if known.all() else np.where(known, rows, _any_level(rows, known))
    inner = cv2.GaussianBlur(filled, (0, 0), BAND_INNER_PX)
    outer = cv2.GaussianBlur(filled, (0, 0), BAND_OUTER_PX)
    level = cv2.blur(filled, (LEVEL_BOX_PX, LEVEL_BOX_PX))
    band = inner - outer
    if not known.all():
        near_gap = cv2.dilate((~known).astype(np.uint8), np.ones((2 * GAP_REACH_PX + 1,) * 2, np.uint8)) > 0
        band[near_gap] = np.nan
    keep = slice(first - low, min(first + STRIP_ROWS, plane.shape[0]) - low)
    return np.asarray(band[keep], np.float32), np.asarray(level[keep], np.float32)


def _any_level(rows: Plane, known: Mask) -> np.float32:
    """What stands in for missing pixels; none of them is looked at, it only keeps the filters finite."""
    sample = rows[::8][known[::8]]
    return np.float32(np.median(sample)) if sample.size else np.float32(0)


def _sky_ceiling(level: Array) -> float:
    """Level above which a pixel lies on a galaxy, a nebula or among stars: as far above the median as the 16 % quantile lies below."""
    low, middle = np.quantile(level[:: max(1, level.size // 50_000)], (0.16, 0.5))
    return float(2 * middle - low)


def _star_footprints(band: Plane, rough: float) -> Mask:
    peaks = (np.abs(band) > STAR_SIGMA * rough).astype(np.uint8)
    return cv2.dilate(peaks, np.ones((STAR_FOOTPRINT_PX, STAR_FOOTPRINT_PX), np.uint8)) > 0


def _band_gain() -> float:
    """Sd of the band of unit white noise: the norm of the difference of the two discrete kernels OpenCV uses."""

    def taps(sigma: float) -> Array:
        return np.pad(kernel := cv2.getGaussianKernel(2 * round(4 * sigma) + 1, sigma).ravel(), 20 - kernel.size // 2)

    inner, outer = taps(BAND_INNER_PX), taps(BAND_OUTER_PX)
    return float(np.sqrt((inner @ inner) ** 2 + (outer @ outer) ** 2 - 2 * (inner @ outer) ** 2))


BAND_GAIN = _band_gain()


def nan_filled(plane: Plane) -> tuple[Plane, Mask]:
    """The plane with its gaps filled smoothly from what surrounds them, and where data was; so filters do not spread NaN.

    Parameters
    ----------
    plane : (H, W) float32; NaN (or infinite) = no data

    Returns
    -------
    filled : (H, W) float32, finite; the very array given when nothing was missing, so do not write into it; zeros when all is missing
    valid : (H, W) bool, where ``plane`` had data
    """
    valid = np.isfinite(plane)
    if valid.all():
        return plane, valid
    value = np.where(valid, plane, np.float32(0)).astype(np.float32)
    pyramid = [(value, valid.astype(np.float32))]
    while min(pyramid[-1][0].shape) > 1 and not (pyramid[-1][1] > 0).all():
        value, weight = pyramid[-1]
        size = (-(-value.shape[1] // 2), -(-value.shape[0] // 2))
        pooled = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
        level = cv2.resize(value * weight, size, interpolation=cv2.INTER_AREA) / np.maximum(pooled, np.float32(1e-12))
        pyramid.append((level.astype(np.float32), np.minimum(pooled * 4, 1).astype(np.float32)))
    coarse = _bridge_rest(*pyramid.pop())
    for value, weight in reversed(pyramid):
        wide = cv2.resize(coarse, (value.shape[1], value.shape[0]), interpolation=cv2.INTER_LINEAR)
        coarse = value * weight + wide * (1 - weight)
    return np.where(valid, plane, coarse).astype(np.float32), valid


def _bridge_rest(value: Plane, weight: Plane) -> Plane:
    """What is still empty on the coarsest level takes the mean of what is there."""
    total = float(weight.sum())
    mean = float((value * weight).sum() / total) if total > 0 else 0.0
    return np.where(weight > 0, value, np.float32(mean)).astype(np.float32)


def tile_levels(image: LinearImage, tile_px: int = 64) -> Array:
    """Coarse table of sky levels: the mean of the middle half of the values of every tile, which stars and hot pixels hardly move.

    The middle half's mean is steadier than the median on integer frames, whose median jumps by whole counts.

    Parameters
    ----------
    image : (H, W, C) or (H, W) float32, linear; NaN = no data
    tile_px : int, side of the tiles, px; tile (i, j) begins at row i * tile_px, column j * tile_px; the last ones may be smaller

    Returns
    -------
    (ny, nx, C) float32 (C = 1 for a plane); NaN where less than a quarter of a full tile has data. Large frames are sampled on every
    second, third ... row.
    """
    cube = image if image.ndim == 3 else image[..., None]
    height, width, channels = cube.shape
    stride = min(_stride(height, width * channels, LEVEL_PIXELS), max(1, tile_px // 4))
    ny, nx, rows = -(-height // tile_px), -(-width // tile_px), len(range(stride // 2, tile_px, stride))
    samples = np.full((ny, rows, nx * tile_px, channels), np.nan, np.float32)
    for i in range(ny):
        picked = cube[i * tile_px + stride // 2 : min((i + 1) * tile_px, height) : stride]
        samples[i, : len(picked), :width] = picked
    values = samples.reshape(ny, rows, nx, tile_px, channels).transpose(0, 2, 4, 1, 3).reshape(ny, nx, channels, rows * tile_px)
    return _middle_means(values, least=TILE_COVER * rows * tile_px)


def _middle_means(values: Array, least: float) -> Array:
    """Mean of the middle half of the finite values along the last axis; NaN where fewer than ``least`` are finite."""
    values[~np.isfinite(values)] = np.nan
    ordered = np.sort(values, axis=-1)  # NaN last
    count = np.count_nonzero(np.isfinite(ordered), axis=-1)[..., None]
    low, high = count // 4, count - count // 4
    place = np.arange(values.shape[-1])
    total = np.where((place >= low) & (place < high), ordered, np.float32(0)).sum(-1, dtype=np.float64)
    known = count[..., 0] >= max(least, 1)
    return np.where(known, total / np.maximum(high - low, 1)[..., 0], np.nan).astype(np.float32)


def _stride(rows: int, row_values: int, wanted: int) -> int:
    return max(1, (rows * row_values) // wanted)
