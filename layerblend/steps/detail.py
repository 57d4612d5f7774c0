"""Detail: deconvolution toward a narrower star image, sharpening, and the bending of bright cores. Nothing here iterates.

Deconvolution and sharpening share one idea. A starlet coefficient is changed only as far as it stands above its noise, and above what
an error of the point spread function could make of its surroundings; everything else keeps the input's own coefficient (times ``grain``
where deconvolution also calms the sky). Deconvolution asks twice: a first, quiet picture is made by non-local means, which find the same
structure again nearby; its strength then decides how much of each coefficient is light and how much noise. What is admitted is held in
:class:`Gates`. With the gates frozen both are linear operators, so that half-sets can be sent through exactly what the full stack went
through.

References
----------
Starck, J.-L. & Murtagh, F. (1994), A&A 288, 342 (significant structures in wavelet space). Magain, P., Courbin, F. & Sohy, S. (1998),
ApJ 494, 472 (deconvolve toward a narrower star image, never to a point). Lee, J.-S. (1980), IEEE PAMI 2, 165 (local Wiener gain).
Ghael, S. P., Sayeed, A. M. & Baraniuk, R. G. (1997), Proc. SPIE 3169, 389 (Wiener gain from what a first pass found). Buades, A., Coll,
B. & Morel, J.-M. (2005), CVPR 2, 60 (non-local means).
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
import scipy
from numba import njit

from layerblend.errors import ArgumentError, check_image, check_range
from layerblend.kinds import Array, Mask, Plane, Shape, StarShape
from layerblend.maths.bands import over_rows
from layerblend.maths.cover import edge_connected
from layerblend.maths.moffat import moffat_otf
from layerblend.maths.patches import patch_means
from layerblend.maths.robust import nan_filled
from layerblend.maths.wavelet import measuring_tiles, pool, pool_product, scale_noise, scaled_mad, sky_pixels, smooth

# Deconvolution. Measured on simulated scenes: a width told 10 % too large rings far worse than one told too small.
SAFETY = 0.95  # of the measured width
TARGET_BETA = 4.5
NARROWEST = 0.55  # of the measured width, at strength .75 and above
NARROWING = 0.6  # ratio = 1 - .6 strength
DAMPING = 1e-3  # Tikhonov; gain 1 at frequency 0, so that flux is kept
PSF_ERROR = 0.05  # share of the strongest change nearby that an error of the point spread function may fake
PSF_REACH = 2.3  # FWHM
# Per starlet scale, in variances, what is taken for noise: in the quiet picture, and where it could not be made quiet.
SIGNIFICANCE, UNQUIET = (0.5, 1.0, 2.0, 2.0, 2.0), (4.0, 3.0, 2.0, 2.0, 2.0)
FOUND_POOL = 0.35  # x 2^scale px over which the light found is averaged
NOISE_WEIGHT, DOUBT_WEIGHT = np.float32(0.35), np.float32(2)  # of the variances of noise and star image beside the light found
PAD_PX = 64
FIELD_VARIATION = 1.10  # widest over narrowest star image above which the field is done in tiles
TILE_VARIATION = 1.04  # what one tile may still vary
MOST_TILES, LEAST_TILE_PX = 6, 128
VOID = np.float32(50)  # sigma below the sky, from the edge inwards: no light at all, sharpened it rings
SPIKE_SIGMA = 10.0  # a spike falls by at least this much, on both sides
SPIKE_STEPS = ((1, 0), (1, 1), (2, 0), (2, 1), (3, 0))  # px within which it falls; 1: its top is two pixels wide
UNEVEN = np.float32(0.5)  # of its fall that the ground on both sides may differ by
SURE_SHARE = 0.75  # of its whole fall that a star image may have had within a step for the step to tell it from a spike
# Sharpening.
SHARPEN_SIGNIFICANCE = 2.0
SHARPEN_GUARD = 0.12  # share of the strongest coefficient nearby below which a coefficient may be its ring
# Bright cores.
CORE_FROM = 0.612  # Oklab L of L* 55
CORE_KNEE = 0.08
CORE_PX = 24.0
BORDER_REACH = 1.5  # FWHM from a border within which nothing is sharpened
DARKEST = 3.0  # sigma below the sky: noise, not structure
PIT, PIT_DUG = 2.0, 1.0  # sigma: so far below all that is 2 px away, and below what it was, a pixel is dug, not seen
FLUX_PX = 16.0  # deconvolution leaves the light of places as large as this as it is
LEAST_FELT = np.float32(0.05)  # share of places nearby below which light that is missing is not put back
TINY, SHARE_STEP = np.float32(1e-20), np.float32(255)


@dataclass(frozen=True)
class Sharpener:
    """The linear filter of a deconvolution: star image -> narrower round star image, by tiles where the field varies.

    ``tiles`` : for each row and column of the lattice the star image in its middle; one entry for a uniform field.
    """

    tiles: tuple[tuple[Shape, ...], ...]
    ratio: float


@dataclass(frozen=True)
class Gates:
    """A frozen linear operator of detail: per starlet scale the admitted share of every pixel.

    ``shares`` : (H, W) uint8 in steps of 1/255, one per scale; the picture itself is made with these steps. ``grain`` : what is left of
    coefficients that are not admitted. ``gains`` : factor of the admitted ones, per scale. ``sharpener`` : their filter, or None.
    ``spikes`` : (H, W) bool, pixels that take the place of their surroundings first, or None. ``felt`` : (H, W) uint8 in steps of 1/255,
    how much of the filter is felt (less where stars were taken out, at borders and below the sky), or None: all of it everywhere.
    """

    shares: tuple[Array, ...] = field(repr=False)
    grain: float
    gains: tuple[float, ...]
    sharpener: Sharpener | None = None
    spikes: Mask | None = field(default=None, repr=False)
    felt: Array | None = field(default=None, repr=False)


# ---------------------------------------------------------------- deconvolution
def deconvolve(
    luminance: Plane,
    star_shape: StarShape,
    *,
    sigma: Any,
    half_difference: Plane | None = None,
    strength: float = 0.5,
    grain: float = 0.5,
    stars: Mask | None = None,
) -> Plane:
    """Sharpen the linear luminance toward a narrower star image, where it stands above the noise; calm the rest.

    Parameters
    ----------
    luminance : (H, W) float32, linear light, sky-subtracted, starless; NaN = no data (filled for the filters, restored after).
    star_shape : StarShape, measured star image; tiles of the field are done with their own where it varies by more than 10 %.
    sigma : float or (H, W) float32, standard deviation of ``luminance``.
    half_difference : (H, W) float32, optional; (A - B)/2 of the two half-sets. Without it the noise of every scale is measured on the
        picture's own sky.
    strength : float 0 to 1; the star image aimed at is 1 - .6 strength times as wide (not below .55).
    grain : float 0 to 1, share of the insignificant texture that is kept: 1 leaves the sky's noise alone.
    stars : (H, W) bool, optional; places where stars were taken out: nothing is sharpened there.

    Returns
    -------
    (H, W) float32. Strength 0 with grain 1 gives the input back. Nothing is clipped; flux is kept. Pixels that no star image could make
    (hot pixels and cosmic rays that stacking left in, see :func:`find_spikes`) are filled from their surroundings: they would ring.
    """
    luminance = check_image("luminance", luminance, colour=False)
    if strength == 0 and grain == 1:
        return luminance.copy()
    return deconvolve_and_keep(
        luminance, star_shape, sigma=sigma, half_difference=half_difference, strength=strength, grain=grain, stars=stars
    )[0]


def detail_gates(
    luminance: Plane,
    star_shape: StarShape,
    *,
    sigma: Any,
    half_difference: Plane | None = None,
    strength: float = 0.5,
    grain: float = 0.5,
    stars: Mask | None = None,
) -> Gates:
    """The frozen operator of :func:`deconvolve` (same parameters); applied to the luminance itself it gives the deconvolved one."""
    options = {"half_difference": half_difference, "strength": strength, "grain": grain, "stars": stars}
    return deconvolve_and_keep(luminance, star_shape, sigma=sigma, **options)[1]


def deconvolve_and_keep(luminance: Plane, star_shape: StarShape, **options: Any) -> tuple[Plane, Gates]:
    """The deconvolved luminance together with its frozen operator, at the cost of one (parameters of :func:`deconvolve`)."""
    luminance = check_image("luminance", luminance, colour=False)
    settings = {"half_difference": None, "strength": 0.5, "grain": 0.5, "stars": None} | options
    sigma = settings["sigma"] = _noise_map("sigma", settings["sigma"], luminance.shape)
    spikes = find_spikes(luminance, star_shape, sigma=sigma)
    filled, valid = _without(luminance, spikes)
    gates, sharp = _deconvolution_gates(filled, valid, star_shape, **settings)
    out = _apply(gates, filled, sharp)
    pits = _new_pits(filled, out, sigma)
    if pits.any():
        gates = replace(gates, felt=_less_felt(gates.felt, pits))
        out = _apply(gates, filled, sharp)
    return _restored(out, valid), replace(gates, spikes=spikes)


def find_spikes(luminance: Plane, star_shape: StarShape, *, sigma: Any) -> Mask | None:
    """Spots and lines that fall off on both sides more steeply than any star image: hot and dead pixels, cosmic rays, bad columns; and
    what is darker than any sky: borders where no frame had light and no mark says so.

    Parameters
    ----------
    luminance : (H, W) float32; NaN = no data.
    star_shape : StarShape; its narrowest place and direction counts.
    sigma : float or (H, W) float32, standard deviation of ``luminance``.

    Returns
    -------
    (H, W) bool, or None where there are none. Along a row or a column a spike has fallen after one step nearly as far as after two; a
    star image as wide as two steps about half as far.
    """
    filled, _ = nan_filled(check_image("luminance", luminance, colour=False))
    height, width = filled.shape
    corners = [star_shape.at(x, y) for y in (0, height - 1) for x in (0, width - 1)]
    narrowest = min(shape.fwhm**2 / shape.fwhm_major for shape in (*corners, star_shape.centre))
    beside = math.exp(-4 * math.log(2) / narrowest**2)  # of a Gaussian's peak
    noise = np.full((1, 1), sigma, np.float32) if np.ndim(sigma) == 0 else sigma
    void = filled < -VOID * noise
    found = void if not void.any() else cv2.dilate(edge_connected(void).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    for step, pair in SPIKE_STEPS:
        top, near, far = (np.square(0.5 * pair + steps) for steps in (0, step, 2 * step))
        share = (1 - beside ** (near - top)) / (1 - beside ** (far - top))
        if share > SURE_SHARE:
            break
        steep = np.empty(filled.shape, np.uint8)
        over_rows(_spike_rows, filled, noise, step, pair, np.float32(0.5 + 0.5 * share), steep)  # half way from a star to a spike
        side = 2 * step + 1 + pair
        found |= cv2.dilate(steep, np.ones((side, side), np.uint8), anchor=(step, step)).astype(bool)
    return found if found.any() else None


def _without(plane: Plane, spikes: Mask | None) -> tuple[Plane, Mask]:
    """The plane with gaps and spikes filled from their surroundings, and where data was."""
    valid = np.isfinite(plane)
    return nan_filled(plane if spikes is None else np.where(spikes, np.float32(np.nan), plane))[0], valid


def apply_gates(gates: Gates, plane: Plane) -> Plane:
    """Send a plane (a half-set, a half difference) through a frozen operator of detail; linear in the plane.

    Parameters
    ----------
    gates : Gates of :func:`detail_gates` or :func:`sharpen_gates`.
    plane : (H, W) float32; NaN = no data.
    """
    plane = check_image("plane", plane, colour=False)
    if gates.shares and gates.shares[0].shape != plane.shape:
        raise ArgumentError(f"`plane` {plane.shape} has not the size of the gates {gates.shares[0].shape}.")
    filled, valid = _without(plane, gates.spikes)
    sharp = filled if gates.sharpener is None else filter_plane(filled, gates.sharpener)
    return _restored(_apply(gates, filled, sharp), valid)


def _deconvolution_gates(
    filled: Plane,
    valid: Mask,
    star_shape: StarShape,
    sigma: Any,
    half_difference: Plane | None,
    strength: float,
    grain: float,
    stars: Mask | None,
) -> tuple[Gates, Plane]:
    """Gates of the deconvolution of a plane without gaps, and the plane through the filter alone."""
    check_range("strength", strength, 0.0, 1.0)
    check_range("grain", grain, 0.0, 1.0)
    sharpener = make_sharpener(star_shape, filled.shape, strength)
    felt = _where_felt(filled, valid, sigma, star_shape.centre.fwhm, stars)
    sharp = filter_plane(filled, sharpener)
    noise = _filtered_noise(filled, sharp, sigma, half_difference, sharpener)
    means, left = patch_means(filled, sigma * np.float32(_pixel_noise(filled, sigma, half_difference)))
    reach = round(PSF_REACH * star_shape.centre.fwhm)
    box = cv2.getStructuringElement(cv2.MORPH_RECT, (2 * reach + 1, 2 * reach + 1))
    shares = []
    rests: tuple[Plane, ...] = (filled, sharp, filter_plane(means, sharpener))
    for scale in range(len(SIGNIFICANCE)):
        smoother = tuple(smooth(rest, scale) for rest in rests)
        change, energy = _changes(rests, smoother)
        doubt = pool(cv2.dilate(change, box, borderType=cv2.BORDER_REFLECT_101), 1.5) if strength > 0 else np.zeros_like(change)
        shares.append(_trust(_found(energy, doubt, left, noise[scale], scale, sigma), doubt, noise[scale], sigma))
        rests = smoother
    return Gates(tuple(shares), float(grain), (1.0,) * len(shares), sharpener, felt=felt), sharp


def _found(energy: Plane, doubt: Plane, left: Plane, factor: float, scale: int, sigma: Any) -> Plane:
    """Energy of the light in one scale of the quiet picture, ``energy`` w^2: w^2 (1 - k s^2 / mean w^2)^2, averaged over very little.

    A bright knot is like nothing near it and keeps the noise around it: where noise is ``left``, more is asked."""
    wide = pool(energy, float(2**scale))
    noise = np.full((1, 1), sigma, np.float32) if np.ndim(sigma) == 0 else sigma
    levels = (np.float32(k) for k in (SIGNIFICANCE[scale], UNQUIET[scale], factor, PSF_ERROR))
    over_rows(_found_rows, wide, doubt, left, noise, *levels, energy)
    return pool(energy, FOUND_POOL * 2**scale)


def _trust(found: Plane, doubt: Plane, factor: float, sigma: Any) -> Array:
    """Admitted share: the light found over itself with noise and doubt, in steps of 1/255."""
    out = np.empty(found.shape, np.uint8)
    noise = np.full((1, 1), sigma, np.float32) if np.ndim(sigma) == 0 else sigma
    over_rows(_trust_rows, found, doubt, noise, np.float32(factor), np.float32(PSF_ERROR), out)
    return out


def _pixel_noise(filled: Plane, sigma: Any, half_difference: Plane | None) -> float:
    """Noise of a pixel in units of sigma: from the half difference, else from the picture's own sky."""
    source = filled if half_difference is None else check_image("half_difference", half_difference, colour=False)
    asked = sky_pixels(filled) if half_difference is None else np.isfinite(source)
    thin = (slice(None, None, 3), slice(None, None, 3))
    return max(scaled_mad(source[thin], _at(sigma, thin), asked[thin]), 1e-3)


def _filtered_noise(filled: Plane, sharp: Plane, sigma: Any, half_difference: Plane | None, sharpener: Sharpener) -> list[float]:
    """Noise per scale of the filtered plane in units of sigma: from the half difference, else from the picture's own sky."""
    scales = len(SIGNIFICANCE)
    if half_difference is None:
        return scale_noise(sharp, sigma, scales, where=sky_pixels(filled))
    half = check_image("half_difference", half_difference, colour=False)
    if half.shape != filled.shape:
        raise ArgumentError(f"`half_difference` {half.shape} and `luminance` {filled.shape} differ in size.")
    uniform = len(sharpener.tiles) == 1 and len(sharpener.tiles[0]) == 1
    places = measuring_tiles(*filled.shape) if uniform else [(slice(None), slice(None))]
    found = []
    for place in places:
        tile, valid = nan_filled(half[place])
        found.append(scale_noise(filter_plane(tile, sharpener), _at(sigma, place), scales, where=valid))
    return [float(v) for v in np.median(np.array(found), axis=0)]


def _where_felt(filled: Plane, valid: Mask, sigma: Any, fwhm: float, stars: Mask | None) -> Array:
    """How much of the filter is felt, 0 to 255: nothing where stars were taken out, for what is left of them would be amplified; round
    pixels far below the sky, for no light is as dark: sharpened, such noise makes specks; at borders, where cut stars would ring."""
    places = np.asarray(filled < -DARKEST * sigma, np.uint8)
    cv2.dilate(places, _disc(round(fwhm)), dst=places)
    outside = np.pad(~valid, 1, constant_values=True).astype(np.uint8)
    places |= np.asarray(cv2.dilate(outside, _disc(round(BORDER_REACH * fwhm))), np.uint8)[1:-1, 1:-1]
    if stars is not None:
        if stars.shape != filled.shape:
            raise ArgumentError(f"`stars` {stars.shape} and the luminance {filled.shape} differ in size.")
        places |= stars.astype(np.uint8)
    return np.asarray(np.rint(255 * (1 - np.minimum(2 * pool(places.astype(np.float32), 1.0), 1))), np.uint8)


def _new_pits(before: Plane, after: Plane, sigma: Any) -> Mask:
    """Pixels that sharpening dug far below all that is 2 px around them: a dip narrower than a star is noise."""
    ring = np.ones((5, 5), np.uint8)
    ring[1:4, 1:4] = 0
    around = cv2.erode(after, ring, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray((around - after > PIT * sigma) & (before - after > PIT_DUG * sigma))


def _less_felt(felt: Array | None, places: Mask) -> Array:
    """The filter's felt share, faded out round more places."""
    around = cv2.dilate(places.astype(np.uint8), _disc(1)).astype(np.float32)
    more = np.minimum(2 * pool(around, 1.0), 1)
    return np.asarray(np.rint((255 if felt is None else felt) * (1 - more)), np.uint8)


def _disc(radius: int) -> Array:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)))


# ---------------------------------------------------------------- the filter
def make_sharpener(star_shape: StarShape, shape: tuple[int, int], strength: float) -> Sharpener:
    """The filter for a field: one star image, or a lattice of them where its width varies by more than 10 %."""
    ratio = max(1 - NARROWING * strength, NARROWEST)
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
    workers = min(os.cpu_count() or 1, 4)
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


# ---------------------------------------------------------------- sharpening
def sharpen(lightness: Plane, gains: Sequence[float], *, sigma: Any, half_difference: Plane | None = None) -> Plane:
    """Amplify detail of the display lightness by size, only where it stands above its noise and is not the ring of something brighter.

    Parameters
    ----------
    lightness : (H, W) float32, display lightness (Oklab L, 0..1); NaN stays NaN.
    gains : factors 0 to 3 of the starlet scales, finest first (about 2, 4, 8, 16 px); [1] changes nothing.
    sigma : float or (H, W) float32, standard deviation of ``lightness``.
    half_difference : (H, W) float32, optional; half the difference of the two half-sets' lightness. Without it the noise of every scale
        is measured on the picture's own sky.

    Returns
    -------
    (H, W) float32, not clipped.
    """
    lightness = check_image("lightness", lightness, colour=False)
    if all(gain == 1 for gain in gains):
        return lightness.copy()
    return apply_gates(sharpen_gates(lightness, gains, sigma=sigma, half_difference=half_difference), lightness)


def sharpen_gates(lightness: Plane, gains: Sequence[float], *, sigma: Any, half_difference: Plane | None = None) -> Gates:
    """The frozen operator of :func:`sharpen` (same parameters), for :func:`apply_gates`."""
    factors = tuple(check_range("gains", gain, 0.0, 3.0) for gain in gains)
    filled, valid = nan_filled(check_image("lightness", lightness, colour=False))
    sigma = _noise_map("sigma", sigma, filled.shape)
    if half_difference is None:
        noise = scale_noise(filled, sigma, len(factors), where=sky_pixels(filled))
    else:
        noise = scale_noise(check_image("half_difference", half_difference, colour=False), sigma, len(factors), where=valid)
    shares = []
    rest = filled
    for scale, gain in enumerate(factors):
        smoother = smooth(rest, scale)
        # a gain of 1 changes nothing, whatever is admitted
        shares.append(_sharpened_share(rest, smoother, scale, noise[scale], sigma) if gain != 1 else np.zeros(filled.shape, np.uint8))
        rest = smoother
    return Gates(tuple(shares), 1.0, factors)


def _sharpened_share(rest: Plane, smoother: Plane, scale: int, factor: float, sigma: Any) -> Array:
    """What of one scale stands above its noise and is not the ring of something brighter."""
    size: Any = cv2.absdiff(rest, smoother)
    reach = 2 * 2**scale + 1
    box = cv2.getStructuringElement(cv2.MORPH_RECT, (2 * reach + 1, 2 * reach + 1))
    doubt = cv2.dilate(size, box, borderType=cv2.BORDER_REFLECT_101)
    energy = pool_product(size, size, float(max(2**scale, 0.8)))
    return _admit(energy, doubt, SHARPEN_GUARD, SHARPEN_SIGNIFICANCE, factor, sigma)


def bend_core(lightness: Plane, strength: float) -> Plane:
    """Calm bright cores: their broad light (24 px) is bent down above L* 55, the detail on it stays as strong as it was.

    Parameters
    ----------
    lightness : (H, W) float32, Oklab L, 0..1; NaN stays NaN.
    strength : float 0 to 1; the slope above the bend is 1 - strength. 0 changes nothing.
    """
    check_range("strength", strength, 0.0, 1.0)
    lightness = check_image("lightness", lightness, colour=False)
    if strength == 0:
        return lightness.copy()
    filled, _ = nan_filled(lightness)
    base = pool(filled, CORE_PX)
    t = base - np.float32(CORE_FROM)
    over = np.where(t < CORE_KNEE, np.maximum(t, 0) ** 2 / np.float32(2 * CORE_KNEE), t - np.float32(CORE_KNEE / 2))
    return np.asarray(lightness - np.float32(strength) * over, np.float32)


# ---------------------------------------------------------------- shared
def _noise_map(name: str, sigma: Any, shape: tuple[int, int]) -> Any:
    """Noise as a positive float or a finite positive map."""
    if np.ndim(sigma) == 0:
        return max(check_range(name, sigma, 0.0, math.inf), 1e-12)
    noise = check_image(name, sigma, colour=False)
    if noise.shape != shape:
        raise ArgumentError(f"`{name}` {noise.shape} and the plane {shape} differ in size.")
    known = np.isfinite(noise)
    typical = float(np.median(noise[known][::17])) if known.any() else 1.0
    return np.maximum(np.where(known, noise, np.float32(typical)), np.float32(1e-12))


def _at(sigma: Any, place: tuple[slice, slice]) -> Any:
    return sigma if np.ndim(sigma) == 0 else sigma[place]


def _restored(plane: Plane, valid: Mask) -> Plane:
    """Gaps become gaps again."""
    return plane if valid.all() else np.where(valid, plane, np.float32(np.nan))


def _apply(gates: Gates, plane: Plane, sharp: Plane) -> Plane:
    """The operator on a plane without gaps and on the same plane through the filter."""
    out = np.zeros_like(plane)
    rest_in, rest_out = plane, sharp
    same = sharp is plane
    felt = np.full((1, 1), 255, np.uint8) if gates.felt is None else gates.felt
    for scale, (share, gain) in enumerate(zip(gates.shares, gates.gains, strict=True)):
        next_in = smooth(rest_in, scale)
        next_out = next_in if same else smooth(rest_out, scale)
        over_rows(_add_scale, rest_in, next_in, rest_out, next_out, share, felt, np.float32(gates.grain), np.float32(gain), out)
        rest_in, rest_out = next_in, next_out
    out += rest_in
    if gates.sharpener is not None:
        # the rings of a sharpened star, fainter than its core, are admitted less: without this crowds of stars gain 2 % of light
        out += _light_lost(plane - out, gates.felt)
    return out


def _light_lost(missing: Plane, felt: Array | None) -> Plane:
    """What is missing, spread over its surroundings as far as they felt the filter; the sum stays."""
    if felt is None:
        return pool(missing, FLUX_PX)
    part = felt / SHARE_STEP
    return np.asarray(part * pool(missing / np.maximum(pool(part, FLUX_PX), LEAST_FELT), FLUX_PX), np.float32)


def _changes(rests: Sequence[Plane], smoother: Sequence[Plane]) -> tuple[Plane, Plane]:
    """|w_out - w_in| and w_quiet^2 of one starlet scale, from successive smoothings of the plane, the filtered and the quiet one."""
    change, energy = np.empty_like(rests[0]), np.empty_like(rests[0])
    over_rows(_change_rows, rests[0], smoother[0], rests[1], smoother[1], rests[2], smoother[2], change, energy)
    return change, energy


def _admit(energy: Plane, doubt: Plane, guard: float, k: float, factor: float, sigma: Any) -> Array:
    """Admitted share 1 - k s^2 / energy, s^2 = (factor sigma)^2 + (guard doubt)^2, not below 0; in steps of 1/255."""
    out = np.empty(energy.shape, np.uint8)
    noise = np.full((1, 1), sigma, np.float32) if np.ndim(sigma) == 0 else sigma
    over_rows(_admit_rows, energy, doubt, noise, np.float32(k), np.float32(factor), np.float32(guard), out)
    return out


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True)
def _spike_rows(plane, sigma, step, pair, steepest, found, first, last):
    """Whether a pixel, or with ``pair`` also the one before it, stands out along its row or its column."""
    one = sigma.size == 1
    bottom, right = plane.shape[0] - 1, plane.shape[1] - 1
    for y in range(first, last):
        above = max(y - pair, 0)
        up, up2, down, down2 = max(above - step, 0), max(above - 2 * step, 0), min(y + step, bottom), min(y + 2 * step, bottom)
        for x in range(plane.shape[1]):
            least = SPIKE_SIGMA * (sigma[0, 0] if one else sigma[y, x])
            beside = max(x - pair, 0)
            left, left2, on, on2 = max(beside - step, 0), max(beside - 2 * step, 0), min(x + step, right), min(x + 2 * step, right)
            across = _weaker(plane[y, x], plane[y, beside], plane[y, left] + plane[y, on])
            along = _weaker(plane[y, x], plane[above, x], plane[up, x] + plane[down, x])
            found[y, x] = _stands_out(
                across - plane[y, left], across - plane[y, on], across - plane[y, left2], across - plane[y, on2], least, steepest
            ) or _stands_out(along - plane[up, x], along - plane[down, x], along - plane[up2, x], along - plane[down2, x], least, steepest)


@njit(cache=True, nogil=True)
def _weaker(one, other, sides):
    """The one of two values that differs less from the pixels beside them, of which ``sides`` is the sum."""
    return min(one, other) if one + other > sides else max(one, other)


@njit(cache=True, nogil=True)
def _stands_out(before, after, before2, after2, least, steepest):
    """Whether a value falls to (or rises to, if below) both neighbours by more than ``least``, nearly as far as in two steps, to an even
    ground: between two stars there is none."""
    if before < 0:
        before, after, before2, after2 = -before, -after, -before2, -after2
    near, far = min(before, after), max(before2, after2)
    uneven = max(before, after, far) - min(near, before2, after2)
    return near > least and near > steepest * far and uneven < UNEVEN * near


@njit(cache=True, nogil=True)
def _change_rows(rest_in, next_in, rest_out, next_out, rest_quiet, next_quiet, change, energy, first, last):
    for y in range(first, last):
        for x in range(rest_in.shape[1]):
            change[y, x] = abs((rest_out[y, x] - next_out[y, x]) - (rest_in[y, x] - next_in[y, x]))
            energy[y, x] = (rest_quiet[y, x] - next_quiet[y, x]) ** 2


@njit(cache=True, nogil=True)
def _found_rows(wide, doubt, left, sigma, quiet, unquiet, factor, guard, energy, first, last):
    one = sigma.size == 1
    for y in range(first, last):
        for x in range(energy.shape[1]):
            noise = factor * (sigma[0, 0] if one else sigma[y, x])
            unsure = guard * doubt[y, x]
            k = quiet + (unquiet - quiet) * left[y, x]
            share = max(np.float32(1) - k * (noise * noise + unsure * unsure) / max(wide[y, x], TINY), np.float32(0))
            energy[y, x] *= share * share


@njit(cache=True, nogil=True)
def _trust_rows(found, doubt, sigma, factor, guard, out, first, last):
    one = sigma.size == 1
    for y in range(first, last):
        for x in range(found.shape[1]):
            noise = factor * (sigma[0, 0] if one else sigma[y, x])
            unsure = guard * doubt[y, x]
            rest = NOISE_WEIGHT * noise * noise + DOUBT_WEIGHT * unsure * unsure
            share = found[y, x] / max(found[y, x] + rest, TINY)
            out[y, x] = np.uint8(share * SHARE_STEP + np.float32(0.5))


@njit(cache=True, nogil=True)
def _admit_rows(energy, doubt, sigma, k, factor, guard, out, first, last):
    one = sigma.size == 1
    for y in range(first, last):
        for x in range(energy.shape[1]):
            noise = factor * (sigma[0, 0] if one else sigma[y, x])
            unsure = guard * doubt[y, x]
            share = np.float32(1) - k * (noise * noise + unsure * unsure) / max(energy[y, x], TINY)
            out[y, x] = np.uint8(max(share, np.float32(0)) * SHARE_STEP + np.float32(0.5))


@njit(cache=True, nogil=True)
def _add_scale(rest_in, next_in, rest_out, next_out, share, felt, grain, gain, out, first, last):
    everywhere = felt.size == 1
    for y in range(first, last):
        for x in range(rest_in.shape[1]):
            before, after = rest_in[y, x] - next_in[y, x], rest_out[y, x] - next_out[y, x]
            if not everywhere:
                after = before + felt[y, x] / SHARE_STEP * (after - before)
            admitted = share[y, x] / SHARE_STEP
            out[y, x] += grain * (np.float32(1) - admitted) * before + gain * admitted * after
