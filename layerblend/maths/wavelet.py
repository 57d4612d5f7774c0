"""The starlet transform, local means at constant cost, and the noise that each starlet scale carries.

The starlet is the isotropic undecimated B3-spline wavelet of Starck & Murtagh, *Astronomical Image and Data Analysis* (2006): the image
is smoothed with the kernel (1, 4, 6, 4, 1)/16 whose taps move apart by 2^j pixels from scale to scale; the planes are the differences
of successive smoothings, so that planes and rest add up to the image. Edges are mirrored about the border pixel.

Kernels work on rows or on fixed blocks of columns and never sum across threads: the bytes do not depend on their number.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
from numba import njit

from layerblend.kinds import Mask, Plane
from layerblend.maths.bands import each, over_bands
from layerblend.maths.robust import MAD_TO_SIGMA

# Standard deviation of the planes of white noise of unit variance, scales 0..7: sqrt of the sum of squares of the exact 2-D filter.
WHITE_NOISE = (0.890796, 0.200664, 0.0855075, 0.0412174, 0.0204250, 0.0101898, 0.00509205, 0.00254567)
SKY_POOL_PX, SKY_SHARE = 16.0, 0.3
SHARED_SCALES, MOST_LEFT = 3, 0.6  # scales in which neighbours may share noise; the most that a wider one holds of the one before
LEAST_PIXELS = 2000  # that make a tile worth asking
MANY_PIXELS = 300_000  # of which every second row and column is enough
COLUMN_BLOCK = 256
CENTRE, NEAR, FAR = np.float32(6 / 16), np.float32(4 / 16), np.float32(1 / 16)


# ---------------------------------------------------------------- the transform
def starlet(image: Plane, scales: int) -> tuple[list[Plane], Plane]:
    """Split a plane into detail of growing size: ``scales`` starlet planes (2, 4, 8 ... px) and the smooth rest; their sum is the plane.

    Parameters
    ----------
    image : (H, W) float32, finite.
    scales : int >= 0.

    Returns
    -------
    planes, rest : list of (H, W) float32, (H, W) float32.
    """
    planes = []
    rest = np.ascontiguousarray(image, np.float32)
    for scale in range(scales):
        smoother = smooth(rest, scale)
        planes.append(rest - smoother)
        rest = smoother
    return planes, rest


def smooth(image: Plane, scale: int) -> Plane:
    """One smoothing of the starlet: the B3 spline (1, 4, 6, 4, 1)/16 with its taps 2^scale px apart, rows and columns.

    Parameters
    ----------
    image : (H, W) float32, finite.
    scale : int >= 0.
    """
    source = np.ascontiguousarray(image, np.float32)
    out = np.empty_like(source)
    over_bands(lambda first, last: _smooth_rows(source, 1 << scale, out, first, last), source.shape[0], pixels=source.size)
    return out


def pool(image: Plane, sigma: float) -> Plane:
    """Local mean over about a Gaussian of ``sigma`` px, at a cost that does not grow with it (two box means; Wells 1986).

    Parameters
    ----------
    image : (H, W) float32, finite.
    sigma : float, px; below about .4 nothing is averaged.
    """
    return pool_product(image, None, sigma)


def pool_product(first: Plane, second: Plane | None, sigma: float) -> Plane:
    """Local mean of ``first * second`` over about a Gaussian of ``sigma`` px (of ``first`` alone where ``second`` is None)."""
    a = np.ascontiguousarray(first, np.float32)
    b = a if second is None else np.ascontiguousarray(second, np.float32)
    rows = np.empty_like(a)
    radius = box_radius(sigma)
    if radius == 0:
        return a.copy() if second is None else a * b
    over_bands(lambda first, last: _box_rows(a, b, second is not None, radius, rows, first, last), a.shape[0])
    out = np.empty_like(a)
    blocks = -(-a.shape[1] // COLUMN_BLOCK)
    over_bands(lambda first, last: _box_columns(rows, radius, out, first, last), blocks)
    return out


def box_radius(sigma: float) -> int:
    """Half width of the box that, used twice, has the variance sigma^2 (nearest odd width)."""
    width = round(np.sqrt(6.0 * sigma * sigma + 1.0))
    return width // 2


# ---------------------------------------------------------------- noise per scale
def scale_noise(half_difference: Plane, sigma: Any, scales: int, *, where: Mask | None = None) -> list[float]:
    """Noise of every starlet plane in units of ``sigma``, measured on the half difference: correlation of any origin is in it.

    Parameters
    ----------
    half_difference : (H, W) float32; (A - B)/2 of two half-sets, or the image itself with ``where`` naming its sky. NaN is left out.
    sigma : float or (H, W) float32, standard deviation of the full stack.
    scales : int.
    where : (H, W) bool, optional; pixels to measure on.

    Returns
    -------
    list of float, one per scale; white noise gives ``WHITE_NOISE``. Large frames are measured on a few tiles (their median).
    """
    found: list[list[float]] = []
    for place, wanted in _asked_tiles(half_difference, where):
        tile = half_difference[place]
        known = np.isfinite(tile)
        planes, _ = starlet(tile if known.all() else np.where(known, tile, np.float32(0)), scales)
        step = 1 if tile.size <= MANY_PIXELS else 2
        thin = (slice(None, None, step), slice(None, None, step))
        spread, asked = sigma if np.ndim(sigma) == 0 else sigma[place][thin], wanted[thin]
        found.append(each(partial(_thin_mad, thin=thin, sigma=spread, where=asked), planes))
    return [float(value) for value in np.median(np.array(found).reshape(-1, scales), axis=0)]


def _asked_tiles(plane: Plane, where: Mask | None) -> list[tuple[tuple[slice, slice], Mask]]:
    """Tiles with enough pixels to measure on, and those pixels; the best one where none has enough. One without any would say 0."""
    tiles = []
    for place in measuring_tiles(*plane.shape):
        wanted = np.isfinite(plane[place])
        tiles.append((place, wanted if where is None else wanted & where[place]))
    counts = [int(np.count_nonzero(wanted)) for _, wanted in tiles]
    least = min(LEAST_PIXELS, max(counts))
    return [tile for tile, count in zip(tiles, counts, strict=True) if count >= least]


def _thin_mad(plane: Plane, *, thin: tuple[slice, slice], sigma: Any, where: Mask) -> float:
    return scaled_mad(plane[thin], sigma, where)


def scaled_mad(plane: Plane, sigma: Any, where: Mask) -> float:
    """1.4826 x median absolute deviation of ``plane / sigma`` over the pixels ``where``; 0 where there are none."""
    values = plane[where].astype(np.float64)
    values = values / (sigma if np.ndim(sigma) == 0 else np.asarray(sigma)[where])
    if values.size == 0:
        return 0.0
    return float(MAD_TO_SIGMA * np.median(np.abs(values - np.median(values))))


def sky_scale_noise(plane: Plane, sigma: Any, scales: int, *, where: Mask | None = None) -> list[float]:
    """Noise of every starlet plane in units of ``sigma``, measured on a sky full of stars; parameters as for :func:`scale_noise`.

    Their haloes lie in that sky too and grow from scale to scale. Noise that a pixel shares with its neighbours falls by half at each
    scale wider than these, white noise by .48 to .5: what falls less is light.
    """
    noise = scale_noise(plane, sigma, scales, where=where)
    for scale in range(SHARED_SCALES, scales):
        noise[scale] = min(noise[scale], MOST_LEFT * noise[scale - 1])
    return noise


def sky_pixels(luminance: Plane, valid: Mask | None = None) -> Mask:
    """The emptiest parts of a picture: where its mean over about 16 px is among the lowest 30 %; for noise where no half-sets are.

    Parameters
    ----------
    luminance : (H, W) float32, linear light, finite.
    valid : (H, W) bool, where data was before gaps were filled: what fills them is smooth and has no noise. Everywhere when left out.
    """
    level = pool(luminance, SKY_POOL_PX)
    if valid is None or valid.all():
        return np.asarray(level <= np.quantile(level[::4, ::4], SKY_SHARE))
    seen = level[::4, ::4][valid[::4, ::4]]
    return valid & (level <= np.quantile(seen if seen.size else level, SKY_SHARE))


def measuring_tiles(height: int, width: int, *, tile_px: int = 1024, tiles: int = 4) -> Sequence[tuple[slice, slice]]:
    """Places enough to measure noise on: the whole frame if it is small, else ``tiles`` squares spread evenly over it."""
    if height * width <= tiles * tile_px * tile_px:
        return [(slice(0, height), slice(0, width))]
    down, across = min(tile_px, height), min(tile_px, width)
    rows = sorted({round(f * (height - down)) for f in (0.0, 1.0)})
    columns = sorted({round(f * (width - across)) for f in (0.0, 1.0)})
    return [(slice(y, y + down), slice(x, x + across)) for y in rows for x in columns]


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True, inline="always")
def _mirror(index: int, size: int) -> int:
    """Index reflected about the border pixels, for any distance."""
    if size == 1:
        return 0
    period = 2 * size - 2
    index = abs(index) % period
    return index if index < size else period - index


@njit(cache=True, nogil=True)
def _smooth_rows(source, step, out, first, last):
    """Rows first..last of the B3 smoothing: the vertical taps into a line, then the horizontal taps."""
    height, width = source.shape
    line = np.empty(width, np.float32)
    inner = min(2 * step, width)
    for y in range(first, last):
        up2, up1 = _mirror(y - 2 * step, height), _mirror(y - step, height)
        down1, down2 = _mirror(y + step, height), _mirror(y + 2 * step, height)
        for x in range(width):
            line[x] = CENTRE * source[y, x] + NEAR * (source[up1, x] + source[down1, x]) + FAR * (source[up2, x] + source[down2, x])
        for x in range(2 * step, width - 2 * step):
            out[y, x] = CENTRE * line[x] + NEAR * (line[x - step] + line[x + step]) + FAR * (line[x - 2 * step] + line[x + 2 * step])
        for k in range(2 * inner):
            x = k if k < inner else width - 1 - (k - inner)
            near = line[_mirror(x - step, width)] + line[_mirror(x + step, width)]
            far = line[_mirror(x - 2 * step, width)] + line[_mirror(x + 2 * step, width)]
            out[y, x] = CENTRE * line[x] + NEAR * near + FAR * far


@njit(cache=True, nogil=True)
def _box_line(source, radius, out):
    """Running mean of a line, mirrored ends, sum in float64."""
    width = source.size
    scale = 1.0 / (2 * radius + 1)
    total = 0.0
    for k in range(-radius, radius + 1):
        total += source[_mirror(k, width)]
    for x in range(width):
        out[x] = total * scale
        if radius < x + 1 and x + radius + 1 < width:
            total += source[x + radius + 1] - np.float64(source[x - radius])
        else:
            total += np.float64(source[_mirror(x + radius + 1, width)]) - source[_mirror(x - radius, width)]


@njit(cache=True, nogil=True)
def _box_rows(a, b, multiply, radius, out, first, last):
    """Two running means along the rows first..last of a, or of a * b."""
    width = a.shape[1]
    line = np.empty(width, np.float32)
    once = np.empty(width, np.float32)
    for y in range(first, last):
        for x in range(width):
            line[x] = a[y, x] * b[y, x] if multiply else a[y, x]
        _box_line(line, radius, once)
        _box_line(once, radius, out[y])


@njit(cache=True, nogil=True)
def _box_down(source, radius, out):
    """Running mean down the columns, mirrored ends, sums in float64."""
    height, width = source.shape
    scale = 1.0 / (2 * radius + 1)
    total = np.zeros(width, np.float64)
    for k in range(-radius, radius + 1):
        row = source[_mirror(k, height)]
        for x in range(width):
            total[x] += row[x]
    for y in range(height):
        enter, leave = source[_mirror(y + radius + 1, height)], source[_mirror(y - radius, height)]
        for x in range(width):
            out[y, x] = total[x] * scale
            total[x] += np.float64(enter[x]) - np.float64(leave[x])


@njit(cache=True, nogil=True)
def _box_columns(source, radius, out, first, last):
    """Two running means down the columns of the blocks first..last."""
    height, width = source.shape
    for block in range(first, last):
        left, right = block * COLUMN_BLOCK, min(width, (block + 1) * COLUMN_BLOCK)
        once = np.empty((height, right - left), np.float32)
        _box_down(source[:, left:right], radius, once)
        _box_down(once, radius, out[:, left:right])
