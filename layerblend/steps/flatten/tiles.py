"""The sky's sample table: one set of tiles, chosen on luminance, whose means then serve every channel.

A sample that is decided channel by channel can be kept in red and dropped in blue, and the gradient stays in blue. Here each tile's
pixels are chosen once, on the luminance in units of noise, and the same pixels are averaged in all channels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.kinds import Array, Mask, Plane
from layerblend.maths.bands import each, over_bands
from layerblend.maths.robust import mad_sigma

TILE_PX = 16
# Wider pictures are looked at in bins of 2 x 2 (3 x 3 ...) pixels: the sky is smooth, and the time stays that of a small picture.
WIDEST_UNBINNED_PX = 2600
LAG_PX = 4
# Stars: threshold in sigma (the first one of the 3 x 3 mean), and how far their light is left out, px.
STAR_LEVELS = ((5.0, 4), (15.0, 10), (60.0, 18), (300.0, 32), (1500.0, 64))
# These reaches are for stars at least 3 px wide (3.4 as `peak_width` has it); those of narrower ones shrink with their width, or in deep
# pictures hardly a tile is left.
REACH_FWHM, LEAST_REACH = 3.4, 0.4
BRIGHT_PEAK, FEWEST_PEAKS = 60.0, 20
BASE_PERCENTILE = 40
# The 3 x 3 mean of white noise has a third of its deviation; star images of stacks share noise between neighbours, hence a bit more.
SMOOTHED_NOISE = 1 / 2.2
PIXEL_REACH = (-3.5, 3.0)
TILE_FLOOR = 0.05
# Least share of a tile's pixels that must be sky. In crowded fields, where fewer than CROWDED of the tiles have so many, the smaller one:
# a sky carried over from a few tiles is worse than one with a little starlight in it.
LEAST_TILE_SHARE, CROWDED_TILE_SHARE = 0.35, 0.12
CROWDED = 0.3
# Least share for joined tiles, of that for tiles.
LEAST_BLOCK_SHARE = 0.57
NO_DATA = 2
# Debayering and registration spread noise over neighbours: means fall more slowly than with the root of their pixels. Told by means of
# blocks this wide, hardly wider than such noise reaches, lest structure pass for it; the quiet quarter of them counts, and a factor
# above this.
BLOCK_PX, MOST_BLOCK_ROWS, FEWEST_BLOCKS = 4, 200, 500
QUIET, QUIET_SIGMA = 0.25, 0.3186
# Drizzled or enlarged frames spread it farther: pixels half a block apart then differ by less than this share of what those a whole block
# apart do (.9 and more as debayering and registration leave it, .6 to .7 enlarged by two), and blocks are twice as wide.
LEAST_ALIKE = 0.8
LEAST_SHARED = 1.1
# What stands out of a galaxy by less than this share of its light is an arm or a knot and no star: without the arms a disc is measured too
# faint in its inner part, hence taken for a wider one.
ROUGHNESS = 0.7


@dataclass(frozen=True)
class TileTable:
    """Tile means of the sky, in units of each channel's noise of one pixel, zero at the channel's ``level``. Where neighbours share noise
    the unit is larger, so that the mean of n pixels has the noise of 1/sqrt(n).

    ``x``, ``y``: (ny, nx) float64, where a tile's pixels lie on average, px. ``value``: (ny, nx, C) float64. ``count``: (ny, nx) pixels
    averaged. ``error``: (ny, nx) of the mean. ``used``: more than ``least_share`` of the pixels. ``median``: (ny, nx) luminance of all
    the tile's pixels, stars and objects included, for finding objects. ``level``, ``sigma``: (C,) linear light. ``star_light``: (ny, nx)
    luminance above its surroundings of the pixels left out as stars, summed over the tile, sigma x bins.
    """

    height: int
    width: int
    tile_px: float
    x: Array
    y: Array
    value: Array
    count: Array
    error: Array
    used: Array
    median: Array
    level: Array
    sigma: Array
    star_light: Array
    least_share: float = LEAST_TILE_SHARE

    @property
    def u(self) -> Array:
        """Tile centres from -1 to 1 across the picture."""
        return 2 * self.x / max(self.width - 1, 1) - 1

    @property
    def v(self) -> Array:
        """Tile centres from -1 to 1 down the picture."""
        return 2 * self.y / max(self.height - 1, 1) - 1


def channel_noise(image: Array) -> Array:
    """(C,) noise of one pixel per channel, from differences four pixels apart (safe where neighbours share noise); 0 if constant."""
    rows = image[:: max(1, image.shape[0] // 200)]
    difference = (rows[:, LAG_PX:] - rows[:, :-LAG_PX]).reshape(-1, image.shape[2])
    difference = difference[np.isfinite(difference).all(1)]
    if len(difference) < 16:
        return np.zeros(image.shape[2])
    return np.array(each(lambda channel: mad_sigma(np.ascontiguousarray(channel)), difference.T)) / np.sqrt(2)


def channel_level(image: Array) -> Array:
    """(C,) median of a thinned-out picture, so that values stay small numbers; 0 where nothing is covered."""
    step = max(1, int(np.sqrt(image.shape[0] * image.shape[1] / 250_000)))
    thin = image[::step, ::step].reshape(-1, image.shape[2])
    thin = thin[np.isfinite(thin).all(1)]
    return np.median(thin, 0).astype(np.float64) if len(thin) else np.zeros(image.shape[2])


@dataclass(frozen=True)
class Light:
    """What the tiles are measured on.

    ``bins``: (h, w, C) float32 picture above ``level`` in units of ``sigma``, in bins of ``factor`` px; ``light``: (h, w) mean of its
    channels; ``above``: (h, w) light above its surroundings, smoothed; ``median``: (ny, nx) of the tiles; ``skip``, ``stars``: (h, w) bins
    that are not to count, and star pixels known beforehand.
    """

    height: int
    width: int
    factor: int
    bins: Array
    light: Plane
    above: Plane
    noise: float
    median: Array
    level: Array
    sigma: Array
    skip: Array | None
    stars: Array | None


def measure_light(image: Array, *, sigma: Array | None = None, skip: Mask | None = None, stars: Mask | None = None) -> Light:
    """Bin the picture and take the medians of tiles of 16 px (of 16 bins in large pictures).

    Parameters
    ----------
    image : (H, W, C) float32, linear, NaN where no data is
    sigma : (C,) noise of one pixel, or None to measure it
    skip : (H, W) bool, places that must not count as sky (and not as objects to be found)
    stars : (H, W) bool, star pixels known beforehand, or None to find them
    """
    height, width = image.shape[:2]
    scale = _safe_scale(channel_noise(image) if sigma is None else np.asarray(sigma, np.float64), image)
    level = channel_level(image)
    factor = max(1, -(-width // WIDEST_UNBINNED_PX))
    bins, light = _bin_light(image, level, scale, factor)
    median = tile_medians(light)
    masks = (None if mask is None else _binned_mask(mask, factor) for mask in (skip, stars))
    return Light(height, width, factor, bins, light, _above_base(light, median), light_noise(light), median, level, scale, *masks)


def shared_noise(of: Light, block_px: int = BLOCK_PX) -> Array:
    """(C,) factor by which means scatter more than a pixel's noise says, since neighbours share it; 1 where they do not.

    Second differences of the means of neighbouring blocks without stars, which no gradient changes.
    """
    mask = _star_mask(of.above, of.noise, np.zeros(of.median.shape), 1.0) if of.stars is None else of.stars
    size = max(1, round(block_px / of.factor))
    rows, columns = (n // size for n in of.light.shape)
    chosen = np.arange(0, rows, max(1, rows // MOST_BLOCK_ROWS))
    lines = (size * chosen[:, None] + np.arange(size)).ravel()
    bins = np.where(mask[lines, : columns * size, None] > 0, np.float32(np.nan), of.bins[lines, : columns * size])
    mean = bins.reshape(len(chosen), size, columns, size, of.bins.shape[2]).mean((1, 3))
    bend = (mean[:, 2:] - 2 * mean[:, 1:-1] + mean[:, :-2]).reshape(-1, mean.shape[-1]) / np.sqrt(6)
    bend = np.abs(bend[np.isfinite(bend).all(1)])
    if len(bend) < FEWEST_BLOCKS:
        return np.ones(mean.shape[-1]) if block_px <= BLOCK_PX else shared_noise(of)
    factor = np.quantile(bend, QUIET, axis=0) / QUIET_SIGMA * size * of.factor
    return np.where(factor > LEAST_SHARED, factor, 1.0)


def noise_block(image: Array) -> int:
    """Width, px, of blocks hardly wider than neighbours in a picture (H, W, C) share their noise, for `shared_noise`."""
    rows = image[:: max(1, len(image) // MOST_BLOCK_ROWS)]
    return 2 * BLOCK_PX if _quiet_bend(rows, BLOCK_PX // 2) < LEAST_ALIKE * _quiet_bend(rows, BLOCK_PX) else BLOCK_PX


def _quiet_bend(rows: Array, lag: int) -> float:
    """How far pixels differ from the mean of those ``lag`` to the left and right, in the quiet quarter, where structure adds little."""
    bend = np.abs(rows[:, 2 * lag :] - 2 * rows[:, lag:-lag] + rows[:, : -2 * lag]).reshape(-1, rows.shape[-1])
    bend = bend[np.isfinite(bend).all(1)]
    return float(np.median(np.quantile(bend, QUIET, axis=0))) if len(bend) >= FEWEST_BLOCKS else math.nan


def tile_table(of: Light, rough: Array | None = None) -> TileTable:
    """Measure the sky in the tiles.

    Parameters
    ----------
    of : Light
    rough : (ny, nx) float, light of galaxies, sigma: arms and knots may stand out by a part of it and are no stars
    """
    allowed = np.zeros(of.median.shape) if rough is None else ROUGHNESS * rough.astype(np.float64)
    reach = min(max(of.factor * peak_width(of.above, of.noise) / REACH_FWHM, LEAST_REACH), 1.0)
    mask = _star_mask(of.above, of.noise, allowed, reach) if of.stars is None else of.stars
    left_out = np.where(np.isfinite(of.light), mask, np.uint8(NO_DATA))
    if of.skip is not None:
        left_out[of.skip > 0] = NO_DATA
    value, count, x, y = _tile_means(of.bins, of.light, left_out, of.noise, allowed)
    factor = of.factor
    pixels = count * factor**2
    full = TILE_PX**2 * factor**2
    crowded = (pixels >= LEAST_TILE_SHARE * full).sum() < CROWDED * np.isfinite(of.median).sum()
    least = CROWDED_TILE_SHARE if crowded else LEAST_TILE_SHARE
    return TileTable(
        height=of.height,
        width=of.width,
        tile_px=TILE_PX * factor,
        x=factor * x + (factor - 1) / 2,
        y=factor * y + (factor - 1) / 2,
        value=value,
        count=pixels,
        error=np.sqrt(1 / np.maximum(pixels, 1) + TILE_FLOOR**2),
        used=pixels >= least * full,
        median=filled_tiles(of.median, np.isfinite(of.median)),
        level=of.level,
        sigma=of.sigma,
        star_light=_tile_sums(np.where(mask > 0, np.maximum(of.above, 0), 0)),
        least_share=least,
    )


def make_tiles(image: Array, *, sigma: Array | None = None, skip: Mask | None = None, stars: Mask | None = None) -> TileTable:
    """Table of a picture that is taken to hold no galaxy with arms; parameters as for `measure_light`."""
    return tile_table(measure_light(image, sigma=sigma, skip=skip, stars=stars))


def light_noise(light: Plane) -> float:
    """Noise of the luminance, from differences four pixels apart."""
    return max(float(channel_noise(light[..., None])[0]), 1e-6)


def join_tiles(table: TileTable, factor: int = 2) -> TileTable:
    """Tiles joined ``factor`` by ``factor``, weighted by their pixels: the rows of the fit."""
    ny, nx = (-(-n // factor) for n in table.count.shape)
    weight = table.count * table.used

    def total(a: Array) -> Array:
        pad = [(0, ny * factor - a.shape[0]), (0, nx * factor - a.shape[1])] + [(0, 0)] * (a.ndim - 2)
        return np.pad(a, pad).reshape(ny, factor, nx, factor, *a.shape[2:]).sum((1, 3))

    count = total(weight)
    safe = np.maximum(count, 1)
    tile_px = table.tile_px * factor
    return TileTable(
        height=table.height,
        width=table.width,
        tile_px=tile_px,
        x=total(table.x * weight) / safe,
        y=total(table.y * weight) / safe,
        value=total(table.value * weight[..., None]) / safe[..., None],
        count=count,
        error=np.sqrt(1 / safe + TILE_FLOOR**2),
        used=count > LEAST_BLOCK_SHARE * table.least_share * tile_px**2,
        median=total(table.median * weight) / safe,
        level=table.level,
        sigma=table.sigma,
        star_light=total(table.star_light),
    )


def _safe_scale(sigma: Array, image: Array) -> Array:
    """A constant channel has no noise: it takes the largest of the others, so that nothing divides by zero."""
    largest = float(sigma.max()) if sigma.size else 0.0
    if not largest > 0:
        finite = np.abs(image[np.isfinite(image)])
        largest = max(float(finite.max()) if finite.size else 1.0, 1e-30) * 1e-6
    return np.where(sigma > 1e-6 * largest, sigma, largest)


def _binned_mask(mask: Mask, factor: int) -> Array:
    """A bin is masked when any of its pixels is."""
    if factor == 1:
        return np.asarray(mask, np.uint8)
    height, width = (factor * -(-n // factor) for n in mask.shape)
    padded = np.zeros((height, width), np.uint8)
    padded[: mask.shape[0], : mask.shape[1]] = mask
    rows = np.bitwise_or.reduce(padded.reshape(height // factor, factor, width), axis=1)
    return np.asarray(np.bitwise_or.reduce([rows[:, first::factor] for first in range(factor)]))


def _bin_light(image: Array, level: Array, scale: Array, factor: int) -> tuple[Array, Plane]:
    """Picture above its level, in sigma, averaged over bins; and its mean over the channels, NaN where any pixel of a bin has no data."""
    shape = tuple(-(-n // factor) for n in image.shape[:2])
    bins = np.empty((*shape, image.shape[2]), np.float32)
    light = np.empty(shape, np.float32)
    inverse = 1 / scale
    over_bands(lambda a, b: _bin_rows(image, level, inverse, factor, a, b, bins, light), shape[0])
    return bins, light


@njit(cache=True, nogil=True)
def _bin_rows(image, level, inverse, factor, first, last, bins, light):  # type: ignore[no-untyped-def]
    height, width, channels = image.shape
    for i in range(first, last):
        for j in range(light.shape[1]):
            top, bottom = i * factor, min(height, (i + 1) * factor)
            left, right = j * factor, min(width, (j + 1) * factor)
            share = 1.0 / ((bottom - top) * (right - left))
            mean = 0.0
            for c in range(channels):
                total = 0.0
                for y in range(top, bottom):
                    for x in range(left, right):
                        total += image[y, x, c] - level[c]
                total *= inverse[c] * share
                bins[i, j, c] = total
                mean += total
            light[i, j] = mean / channels if np.isfinite(mean) else np.nan


def tile_medians(light: Plane) -> Array:
    """(ny, nx) medians of 16 px tiles over every second pixel; NaN where fewer than six are covered."""
    shape = tuple(-(-n // TILE_PX) for n in light.shape)
    out = np.empty(shape, np.float32)
    over_bands(lambda a, b: _median_rows(light, TILE_PX, a, b, out), shape[0])
    return out


@njit(cache=True, nogil=True)
def _median_rows(light, tile, first, last, out):  # type: ignore[no-untyped-def]
    height, width = light.shape
    buffer = np.empty(tile * tile, np.float32)
    for i in range(first, last):
        for j in range(out.shape[1]):
            n = 0
            for y in range(i * tile, min(height, (i + 1) * tile), 2):
                for x in range(j * tile, min(width, (j + 1) * tile), 2):
                    if np.isfinite(light[y, x]):
                        buffer[n] = light[y, x]
                        n += 1
            out[i, j] = np.median(buffer[:n]) if n > 5 else np.nan


def filled_tiles(plane: Array, known: Array) -> Array:
    """Tiles that are not known take the value of the nearest known one, so that filters see no edge there."""
    if not known.any():
        return np.zeros_like(plane)
    nearest = scipy.ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return plane[tuple(nearest)]


def _above_base(light: Plane, median: Array) -> Plane:
    """(H, W) light of stars (and of small bright objects) above the 32 px base, 3 x 3 mean, 0 where no data is."""
    filled = filled_tiles(median, np.isfinite(median))
    coarse = cv2.resize(filled, (-(-filled.shape[1] // 2), -(-filled.shape[0] // 2)), interpolation=cv2.INTER_AREA)
    base = scipy.ndimage.percentile_filter(coarse, BASE_PERCENTILE, 3)
    height, width = light.shape
    above = light - cv2.resize(base, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.blur(np.nan_to_num(above, copy=False), (3, 3)), np.float32)


def _tile_sums(plane: Plane) -> Array:
    """(ny, nx) float64 sums over the tiles."""
    ny, nx = (-(-n // TILE_PX) for n in plane.shape)
    padded = np.pad(plane, [(0, ny * TILE_PX - plane.shape[0]), (0, nx * TILE_PX - plane.shape[1])])
    return np.asarray(padded.reshape(ny, TILE_PX, nx, TILE_PX).sum((1, 3), dtype=np.float64))


def peak_width(above: Plane, noise: float) -> float:
    """Typical full width at half maximum of bright peaks in a 3 x 3 mean, bins, as of Gaussians; endless where there are few.

    From a peak's fall over two bins, at which the mean no longer holds the peak itself; the mean adds a variance of 2/3 square bins.
    """
    inner = above[2:-2, 2:-2]
    highest = cv2.dilate(above, np.ones((3, 3), np.uint8))[2:-2, 2:-2]
    y, x = np.nonzero((inner > BRIGHT_PEAK * noise) & (inner == highest))
    if len(y) < FEWEST_PEAKS:
        return float("inf")
    around = (above[y, x + 2] + above[y + 4, x + 2] + above[y + 2, x] + above[y + 2, x + 4]) / 4
    fall = -np.log(np.clip(np.median(around / inner[y, x]), 1e-6, 1 - 1e-6))
    return float(np.sqrt(max(8 * np.log(2) * (2 / fall - 2 / 3), 0.0)))


def _star_mask(above: Plane, noise: float, allowed: Array, scale: float) -> Array:
    """(H, W) uint8: light of stars left out the wider the brighter it is; ``scale`` x the usual reach."""
    if allowed.any():
        above = above - cv2.resize(allowed.astype(np.float32), above.shape[::-1], interpolation=cv2.INTER_LINEAR)

    def grown(step: int) -> Array:
        threshold, reach = STAR_LEVELS[step]
        hit = (above > threshold * noise * (SMOOTHED_NOISE if step == 0 else 1.0)).astype(np.uint8)
        return _dilated(hit, round(scale * reach))

    return np.asarray(np.bitwise_or.reduce(each(grown, range(len(STAR_LEVELS)))))


def _dilated(hit: Array, reach: int) -> Array:
    """Grown by ``reach`` pixels, the wide ones at quarter size."""
    if reach <= 6:
        return cv2.dilate(hit, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2))
    height, width = hit.shape
    small = _binned_mask(hit > 0, 4)
    kernel = 2 * (reach // 4 + 1) + 1
    small = cv2.dilate(small, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (kernel, kernel)))
    return np.repeat(np.repeat(small, 4, 0), 4, 1)[:height, :width]


def _tile_means(bins: Array, light: Plane, left_out: Array, noise: float, allowed: Array) -> tuple[Array, Array, Array, Array]:
    """Means of every tile's sky pixels: value (ny, nx, C), count, and mean place x, y in bins."""
    ny, nx = (-(-n // TILE_PX) for n in light.shape)
    value, count = np.zeros((ny, nx, bins.shape[2])), np.zeros((ny, nx))
    x, y = np.zeros((ny, nx)), np.zeros((ny, nx))
    low, high = (r * noise for r in PIXEL_REACH)
    over_bands(lambda a, b: _mean_rows(bins, light, left_out, TILE_PX, low, high, allowed, a, b, value, count, x, y), ny)
    return value, count, x, y


@njit(cache=True, nogil=True)
def _mean_rows(bins, light, left_out, tile, low, high, allowed, first, last, value, count, place_x, place_y):  # type: ignore[no-untyped-def]
    height, width, channels = bins.shape
    buffer = np.empty(tile * tile, np.float32)
    for i in range(first, last):
        for j in range(count.shape[1]):
            top, bottom = i * tile, min(height, (i + 1) * tile)
            left, right = j * tile, min(width, (j + 1) * tile)
            place_x[i, j], place_y[i, j] = (left + right - 1) / 2, (top + bottom - 1) / 2
            n = 0
            for y in range(top, bottom):
                for x in range(left, right):
                    if left_out[y, x] == 0:
                        buffer[n] = light[y, x]
                        n += 1
            if n < 12:
                continue
            middle = np.median(buffer[:n])
            kept, sum_x, sum_y = 0, 0.0, 0.0
            for y in range(top, bottom):
                for x in range(left, right):
                    d = light[y, x] - middle
                    if left_out[y, x] == 0 and low - allowed[i, j] < d < high + allowed[i, j]:
                        for c in range(channels):
                            value[i, j, c] += bins[y, x, c]
                        kept += 1
                        sum_x += x
                        sum_y += y
            if kept == 0:
                continue
            count[i, j] = kept
            for c in range(channels):
                value[i, j, c] /= kept
            place_x[i, j], place_y[i, j] = sum_x / kept, sum_y / kept
