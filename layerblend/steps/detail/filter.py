"""The linear filter of a deconvolution: measured star image -> narrower round one, by tiles where the star image varies over the field.

Magain, P., Courbin, F. & Sohy, S. (1998), ApJ 494, 472: deconvolve toward a narrower star image, never to a point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from layerblend.kinds import Array, Plane, Shape, StarShape
from layerblend.maths.bands import thread_count
from layerblend.maths.moffat import moffat_otf

# Measured on simulated scenes: a width told 10 % too large rings far worse than one told too small.
SAFETY = 0.95  # of the measured width
TARGET_BETA = 4.5
NARROWEST = 0.55  # of the measured width
NARROWING = 0.6  # ratio = 1 - .6 strength, for a star image of the reference's width
DAMPING = 1e-3  # Tikhonov; gain 1 at frequency 0, so that flux is kept
PAD_PX = 64
FIELD_VARIATION = 1.10  # widest over narrowest star image above which the field is done in tiles
TILE_VARIATION = 1.04  # what one tile may still vary
MOST_TILES, LEAST_TILE_PX = 6, 128


@dataclass(frozen=True)
class Sharpener:
    """The linear filter of a deconvolution: star image -> narrower round star image, by tiles where the field varies.

    ``tiles`` : for each row and column of the lattice the star image in its middle; one entry for a uniform field.
    """

    tiles: tuple[tuple[Shape, ...], ...]
    ratio: float


def make_sharpener(star_shape: StarShape, shape: tuple[int, int], strength: float, reference_fwhm: float | None = None) -> Sharpener:
    """The filter for a field: one star image, or a lattice of them where its width varies by more than 10 %."""
    ratio = narrowing(star_shape.centre.fwhm, strength, reference_fwhm)
    corners = [star_shape.at(x, y).fwhm for y in np.linspace(0, shape[0] - 1, 5) for x in np.linspace(0, shape[1] - 1, 5)]
    variation = max(corners) / min(corners)
    if strength == 0 or variation <= FIELD_VARIATION:
        return Sharpener(((star_shape.centre,),), ratio)
    wanted = min(math.ceil(math.log(variation) / math.log(TILE_VARIATION)), MOST_TILES)
    down, across = (max(1, min(wanted, size // LEAST_TILE_PX)) for size in shape)
    lattice = tuple(
        tuple(star_shape.at((i + 0.5) * shape[1] / across - 0.5, (j + 0.5) * shape[0] / down - 0.5) for i in range(across))
        for j in range(down)
    )
    return Sharpener(lattice, ratio)


def narrowing(fwhm: float, strength: float, reference_fwhm: float | None = None) -> float:
    """Width aimed at over ``fwhm``: the filter takes off, in quadrature, what it would take off a star image of the reference's width.

    Ratios alone would give the wider of two star images the stronger filter, and half of what the sharper one shows more would be lost.
    """
    ratio = max(1 - NARROWING * strength, NARROWEST)
    wider = 1.0 if reference_fwhm is None else max(reference_fwhm / fwhm, 1.0)
    return max(math.sqrt(max(1 - (1 - ratio**2) * wider**2, 0.0)), NARROWEST)


def filter_plane(plane: Plane, sharpener: Sharpener) -> Plane:
    """The plane through the filter alone, without gates; linear. Tiles overlap by half and are joined by smooth weights that sum to 1."""
    if sharpener.ratio == 1:
        return plane
    down, across = len(sharpener.tiles), len(sharpener.tiles[0])
    if down == across == 1:
        return _filter_tile(plane, sharpener.tiles[0][0], sharpener.ratio)
    out = np.zeros_like(plane)
    for j in range(down):
        rows, row_weight = _span(j, down, plane.shape[0])
        for i in range(across):
            columns, column_weight = _span(i, across, plane.shape[1])
            tile = _filter_tile(np.ascontiguousarray(plane[rows, columns]), sharpener.tiles[j][i], sharpener.ratio)
            out[rows, columns] += row_weight[:, None] * column_weight[None, :] * tile
    return out


def _span(index: int, count: int, size: int) -> tuple[slice, Array]:
    """Pixels that a tile serves along one axis and its weight there: 1 in the middle, cosine ramps across the overlap."""
    pitch = size / count
    ramp = pitch / 2
    position = np.arange(size) + 0.5
    rise = np.ones(size) if index == 0 else np.clip((position - index * pitch) / ramp + 0.5, 0, 1)
    fall = np.ones(size) if index == count - 1 else np.clip(((index + 1) * pitch - position) / ramp + 0.5, 0, 1)
    weight = np.sin(0.5 * np.pi * rise) ** 2 * np.sin(0.5 * np.pi * fall) ** 2
    used = np.flatnonzero(weight > 0)
    span = slice(int(used[0]), int(used[-1]) + 1)
    return span, weight[span].astype(np.float32)


def _filter_tile(plane: Plane, star: Shape, ratio: float) -> Plane:
    """One filter over one plane, edges mirrored."""
    height, width = plane.shape
    pad = max(PAD_PX, round(10 * star.fwhm))
    sizes = [scipy.fft.next_fast_len(n + 2 * pad, True) for n in (height, width)]
    transfer = _transfer((sizes[0], sizes[1]), star, ratio)
    border = [pad, sizes[0] - height - pad, pad, sizes[1] - width - pad]
    padded = _mirrored(plane, *border)
    workers = thread_count()
    spectrum = scipy.fft.rfft2(padded, workers=workers)
    spectrum *= transfer
    out = scipy.fft.irfft2(spectrum, s=sizes, workers=workers, overwrite_x=True)
    return np.ascontiguousarray(out[pad : pad + height, pad : pad + width], np.float32)


def _mirrored(plane: Plane, top: int, bottom: int, left: int, right: int) -> Plane:
    """The plane with mirrored borders of any width."""
    if max(top, bottom) < plane.shape[0] and max(left, right) < plane.shape[1]:
        return np.asarray(cv2.copyMakeBorder(plane, top, bottom, left, right, cv2.BORDER_REFLECT_101))
    return np.pad(plane, ((top, bottom), (left, right)), mode="reflect")


def _transfer(shape: tuple[int, int], star: Shape, ratio: float) -> Array:
    """Transfer function measured star image -> round narrower one: G H (1 + eps)/(H^2 + eps), 1 at frequency 0."""
    wide = moffat_otf(shape, SAFETY * star.fwhm, star.beta, star.eccentricity, star.angle)
    target = max(ratio * star.fwhm, NARROWEST * star.fwhm_major)
    narrow = moffat_otf(shape, SAFETY * target, TARGET_BETA)
    return np.asarray(narrow * wide * np.float32(1 + DAMPING) / (wide * wide + np.float32(DAMPING)), np.float32)
