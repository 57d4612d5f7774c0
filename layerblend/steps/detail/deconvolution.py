"""Deconvolution toward a narrower star image, where light stands above its noise. Nothing here iterates.

It asks twice: a first, quiet picture is made by non-local means, which find the same structure again nearby; its strength then decides
how much of each starlet coefficient is light and how much noise, or what an error of the star image could make of its surroundings.

References
----------
Starck, J.-L. & Murtagh, F. (1994), A&A 288, 342 (significant structures in wavelet space). Lee, J.-S. (1980), IEEE PAMI 2, 165 (local
Wiener gain). Ghael, S. P., Sayeed, A. M. & Baraniuk, R. G. (1997), Proc. SPIE 3169, 389 (Wiener gain from what a first pass found).
Buades, A., Coll, B. & Morel, J.-M. (2005), CVPR 2, 60 (non-local means).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_image, check_range
from layerblend.kinds import Array, Mask, Plane, StarShape
from layerblend.maths.bands import over_rows
from layerblend.maths.patches import patch_means
from layerblend.maths.robust import nan_filled
from layerblend.maths.wavelet import measuring_tiles, pool, scale_noise, scaled_mad, sky_pixels, smooth
from layerblend.steps.detail.filter import Sharpener, filter_plane, make_sharpener
from layerblend.steps.detail.gates import SHARE_STEP, TINY, Gates, noise_map, restored, through_gates
from layerblend.steps.detail.spikes import find_spikes, without_spikes

PSF_ERROR = 0.05  # share of the strongest change nearby that an error of the point spread function may fake
PSF_REACH = 2.3  # FWHM
# Per starlet scale, in variances, what is taken for noise: in the quiet picture, and where it could not be made quiet.
SIGNIFICANCE, UNQUIET = (0.5, 1.0, 2.0, 2.0, 2.0), (4.0, 3.0, 2.0, 2.0, 2.0)
FOUND_POOL = 0.35  # x 2^scale px over which the light found is averaged
NOISE_WEIGHT, DOUBT_WEIGHT = np.float32(0.35), np.float32(2)  # of the variances of noise and star image beside the light found
MOST_FWHM = 1000.0  # px, of a width that is told
BORDER_REACH = 1.5  # FWHM from a border within which nothing is sharpened
DARKEST = 3.0  # sigma below the sky: noise, not structure
PIT, PIT_DUG = 2.0, 1.0  # sigma: so far below all that is 2 px away, and below what it was, a pixel is dug, not seen


def deconvolve(
    luminance: Plane,
    star_shape: StarShape,
    *,
    sigma: Any,
    half_difference: Plane | None = None,
    strength: float = 0.5,
    grain: float = 0.5,
    stars: Mask | None = None,
    reference_fwhm: float | None = None,
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
    reference_fwhm : float px, optional; the width that ``strength`` is told for, that of the widest stack in use: a sharper one gets the
        same filter and ends narrower. Counts where it is above the measured width.
    grain : float 0 to 1, share of the insignificant texture that is kept: 1 leaves the sky's noise alone.
    stars : (H, W) bool, optional; places where stars were taken out: nothing is sharpened there.

    Returns
    -------
    (H, W) float32. Strength 0 with grain 1 gives the input back. Nothing is clipped; flux is kept. Pixels that no star image could make
    (hot pixels and cosmic rays that stacking left in, see :func:`find_spikes`) are filled from their surroundings, for they would ring;
        but not where stars were taken out.

    Raises
    ------
    ArgumentError
        Strength or grain outside 0..1, a negative sigma, arrays that differ in size, no StarShape.

    References
    ----------
    Wiener 1949, Extrapolation, Interpolation and Smoothing of Stationary Time Series (the filter); Starck & Murtagh 2006, Astronomical
    Image and Data Analysis (significance by starlet scale).
    """
    luminance = check_image("luminance", luminance, colour=False)
    if not isinstance(star_shape, StarShape):
        raise ArgumentError(f"`star_shape` must be a StarShape, as measure_psf gives it, got {type(star_shape).__name__}.")
    if strength == 0 and grain == 1:
        return luminance.copy()
    options = {"strength": strength, "grain": grain, "stars": stars, "reference_fwhm": reference_fwhm}
    return deconvolve_and_keep(luminance, star_shape, sigma=sigma, half_difference=half_difference, **options)[0]


def deconvolve_and_keep(luminance: Plane, star_shape: StarShape, **options: Any) -> tuple[Plane, Gates]:
    """The deconvolved luminance together with its frozen operator, at the cost of one (parameters of :func:`deconvolve`)."""
    luminance = check_image("luminance", luminance, colour=False)
    settings = {"half_difference": None, "strength": 0.5, "grain": 0.5, "stars": None, "reference_fwhm": None} | options
    sigma = settings["sigma"] = noise_map("sigma", settings["sigma"], luminance.shape)
    spikes = _off_stars(find_spikes(luminance, star_shape, sigma=sigma), settings["stars"])
    filled, valid = without_spikes(luminance, spikes)
    gates, sharp = _deconvolution_gates(filled, valid, star_shape, **settings)
    out = through_gates(gates, filled, sharp)
    pits = _new_pits(filled, out, sigma)
    if pits.any():
        gates = replace(gates, felt=_less_felt(gates.felt, pits))
        out = through_gates(gates, filled, sharp)
    return restored(out, valid), replace(gates, spikes=spikes)


def _off_stars(spikes: Mask | None, stars: Mask | None) -> Mask | None:
    """Spikes but for those that lie for the most part where stars were taken out: what a bright star's arms left there is narrow too, and
    the star layer stands on it. Nothing is sharpened there."""
    if spikes is None or stars is None or stars.shape != spikes.shape:
        return spikes
    count, labels = cv2.connectedComponents(spikes.astype(np.uint8), connectivity=8)
    pixels, within = np.bincount(labels.ravel(), minlength=count), np.bincount(labels[stars], minlength=count)
    own = 2 * within <= pixels
    own[0] = False
    return own[labels] if own.any() else None


def _deconvolution_gates(
    filled: Plane,
    valid: Mask,
    star_shape: StarShape,
    sigma: Any,
    half_difference: Plane | None,
    strength: float,
    grain: float,
    stars: Mask | None,
    reference_fwhm: float | None,
) -> tuple[Gates, Plane]:
    """Gates of the deconvolution of a plane without gaps, and the plane through the filter alone."""
    check_range("strength", strength, 0.0, 1.0)
    check_range("grain", grain, 0.0, 1.0)
    if reference_fwhm is not None:
        check_range("reference_fwhm", reference_fwhm, 0, MOST_FWHM, open_low=True)
    sharpener = make_sharpener(star_shape, filled.shape, strength, reference_fwhm)
    felt = _where_felt(filled, valid, sigma, star_shape.centre.fwhm, stars)
    sharp = filter_plane(filled, sharpener)
    sky = sky_pixels(filled, valid) if half_difference is None else valid  # where the picture itself is asked
    noise = _filtered_noise(sharp, sigma, half_difference, sharpener, sky)
    means, left = patch_means(filled, sigma * np.float32(_pixel_noise(filled, sigma, half_difference, sky)))
    reach = round(PSF_REACH * star_shape.centre.fwhm)
    box = cv2.getStructuringElement(cv2.MORPH_RECT, (2 * reach + 1, 2 * reach + 1))
    shares = []
    rests: tuple[Plane, ...] = (filled, sharp, filter_plane(means, sharpener))
    for scale in range(len(SIGNIFICANCE)):
        smoother = tuple(smooth(rest, scale) for rest in rests)
        change, energy = _changes(rests, smoother, felt)
        doubt = pool(cv2.dilate(change, box, borderType=cv2.BORDER_REFLECT_101), 1.5) if strength > 0 else np.zeros_like(change)
        shares.append(_trust(_found(energy, doubt, left, noise[scale], scale, sigma), doubt, noise[scale], sigma))
        rests = smoother
    return Gates(tuple(shares), float(grain), (1.0,) * len(shares), sharpener, felt=felt), sharp


def _changes(rests: Sequence[Plane], smoother: Sequence[Plane], felt: Array) -> tuple[Plane, Plane]:
    """|w_out - w_in| as far as it is ``felt``, and w_quiet^2, of one starlet scale, from successive smoothings of the plane, the filtered
    and the quiet one."""
    change, energy = np.empty_like(rests[0]), np.empty_like(rests[0])
    over_rows(_change_rows, rests[0], smoother[0], rests[1], smoother[1], rests[2], smoother[2], felt, change, energy)
    return change, energy


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


def _pixel_noise(filled: Plane, sigma: Any, half_difference: Plane | None, sky: Mask) -> float:
    """Noise of a pixel in units of sigma: from the half difference, else from the picture's own ``sky``."""
    source = filled if half_difference is None else check_image("half_difference", half_difference, colour=False)
    asked = sky if half_difference is None else np.isfinite(source)
    thin = (slice(None, None, 3), slice(None, None, 3))
    return max(scaled_mad(source[thin], _at(sigma, thin), asked[thin]), 1e-3)


def _filtered_noise(sharp: Plane, sigma: Any, half_difference: Plane | None, sharpener: Sharpener, sky: Mask) -> list[float]:
    """Noise per scale of the filtered plane in units of sigma: from the half difference, else from the picture's own ``sky``."""
    scales = len(SIGNIFICANCE)
    if half_difference is None:
        return scale_noise(sharp, sigma, scales, where=sky)
    half = check_image("half_difference", half_difference, colour=False)
    if half.shape != sharp.shape:
        raise ArgumentError(f"`half_difference` {half.shape} and `luminance` {sharp.shape} differ in size.")
    uniform = len(sharpener.tiles) == 1 and len(sharpener.tiles[0]) == 1
    places = measuring_tiles(*sharp.shape) if uniform else [(slice(None), slice(None))]
    found = []
    for place in places:
        tile, valid = nan_filled(half[place])
        found.append(scale_noise(filter_plane(tile, sharpener), _at(sigma, place), scales, where=valid))
    return [float(v) for v in np.median(np.array(found), axis=0)]


def _where_felt(filled: Plane, valid: Mask, sigma: Any, fwhm: float, stars: Mask | None) -> Array:
    """How much of the filter is felt, 0 to 255: nothing where stars were taken out, for what is left of them would be amplified; round
    pixels far below the sky, for no light is as dark: sharpened, such noise makes specks; at borders, where cut stars would ring."""
    dark = np.asarray(filled < -DARKEST * sigma, np.uint8)
    places = np.asarray(cv2.dilate(dark, _disc(round(fwhm))), np.uint8)
    outside = np.pad(~valid, 1, constant_values=True).astype(np.uint8)
    places |= np.asarray(cv2.dilate(outside, _disc(round(BORDER_REACH * fwhm))), np.uint8)[1:-1, 1:-1]
    if stars is not None:
        if stars.shape != filled.shape:
            raise ArgumentError(f"`stars` {stars.shape} and the luminance {filled.shape} differ in size.")
        places |= stars.astype(np.uint8)
    return np.asarray(np.rint(255 * (1 - np.minimum(2 * pool(places.astype(np.float32), 1.0), 1))), np.uint8)


def _new_pits(before: Plane, after: Plane, sigma: Any) -> Mask:
    """Pixels that sharpening dug far below all that is 2 px around them, for a dip narrower than a star is noise, or far below the sky."""
    ring = np.ones((5, 5), np.uint8)
    ring[1:4, 1:4] = 0
    around = cv2.erode(after, ring, borderType=cv2.BORDER_REFLECT_101)
    too_dark = (around - after > PIT * sigma) | (after < -DARKEST * sigma)
    return np.asarray(too_dark & (before - after > PIT_DUG * sigma))


def _less_felt(felt: Array | None, places: Mask) -> Array:
    """The filter's felt share, faded out round more places."""
    around = cv2.dilate(places.astype(np.uint8), _disc(1)).astype(np.float32)
    more = np.minimum(2 * pool(around, 1.0), 1)
    return np.asarray(np.rint((255 if felt is None else felt) * (1 - more)), np.uint8)


def _disc(radius: int) -> Array:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)))


def _at(sigma: Any, place: tuple[slice, slice]) -> Any:
    return sigma if np.ndim(sigma) == 0 else sigma[place]


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True)
def _change_rows(rest_in, next_in, rest_out, next_out, rest_quiet, next_quiet, felt, change, energy, first, last):
    for y in range(first, last):
        for x in range(rest_in.shape[1]):
            # what the filter would do where it is not felt is no doubt: a bright star that the imager keeps would be calmed away
            change[y, x] = felt[y, x] / SHARE_STEP * abs((rest_out[y, x] - next_out[y, x]) - (rest_in[y, x] - next_in[y, x]))
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
