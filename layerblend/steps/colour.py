"""Colour: chroma noise taken away without its edges, saturation that leaves the sky alone, an optional ceiling for green.

Denoising works on the linear differences R - Y and B - Y, Y = (R + 2G + B)/4, per starlet scale: what the detail luminance predicts by
local regression is kept as far as the prediction is significant (the guided filter of He, Sun & Tang 2013 per scale), and of the rest
what stands above its noise in both differences together (local Wiener gain, Lee 1980): one gain for both, so that hue stays.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_image, check_map, check_numbers, check_range
from layerblend.kinds import Array, DisplayRGB, LinearRGB, Plane, working_luminance
from layerblend.maths.bands import over_bands, over_rows
from layerblend.maths.perceptual import (
    decode_row,
    encode_row,
    encode_srgb,
    map_gamut,
    oklab_row,
    oklch_to_oklab,
    saturate_row,
    saturation_ramp,
    shown_oklab_row,
)
from layerblend.maths.robust import nan_filled
from layerblend.maths.wavelet import pool, pool_product, scale_noise, sky_pixels, sky_scale_noise, smooth

SCALES, MOST_SCALES = 7, 30  # seven reach 128 px; fewer on small pictures
SIGNIFICANCE = (5.0, 4.5, 4.5, 6.0, 8.0, 12.0, 18.0)  # of the residual, per scale, in variances
# Of the guide, per scale, in variances. A knot is told by the finest scales: wide light near it, of another colour, must stand out clearly
# before it may lead.
GUIDE_SIGNIFICANCE = (1.0, 4.0, 6.0, 8.0)
SLOPE_POOL = 1.5  # px beyond 2^scale over which the regression on the guide runs
RESIDUAL_POOL = 0.4  # x 2^scale px
LEAST_POOL = 0.8  # px
TRUSTED_GUIDE = 1.5  # sigma of the guide's local structure at which the residual's threshold is relaxed half way
KNOT_SCALES = 3  # the finest ones, where a knot stands out least against the noise of its colour
FIRM = 3.0  # where the guide shows structure the gate opens more steeply: knots keep their colour
SLOPE_STEP, MOST_SLOPE = 8192.0, 3.99
SHARE_STEP = 255.0
TINY = np.float32(1e-20)
LEAST_NOISE = np.float32(1e-12)


@dataclass(frozen=True)
class ColourGates:
    """The frozen operator of a chroma denoising, per starlet scale.

    ``slopes`` : int16 (H, W, 2) in steps of 1/8192, what the guide's coefficient adds to R - Y and B - Y. ``shares`` : uint8 (H, W) in
    steps of 1/255, what is kept of the difference's own coefficient. Such steps keep the operator of 12 MP below half a gigabyte; the
    picture itself is made with them, so that it and what is sent through later are treated exactly alike.
    """

    slopes: tuple[Array, ...] = field(repr=False)
    shares: tuple[Array, ...] = field(repr=False)


# ---------------------------------------------------------------- chroma denoise
def denoise_colour(
    image: LinearRGB,
    guide: Plane,
    *,
    sigma: Any,
    half_difference: LinearRGB | None = None,
    strength: float = 1.0,
    guide_sigma: Any = None,
    guide_half_difference: Plane | None = None,
    scales: int = SCALES,
    starless: bool = True,
) -> LinearRGB:
    """Take the noise out of the colour; the luminance stays as it is, knots and edges keep their hue.

    Parameters
    ----------
    image : (H, W, 3) float32, linear light, sky-subtracted, starless as a rule; NaN = no data.
    guide : (H, W) float32, luminance of the deepest stack, the same place and unit.
    sigma : float, three floats, or (H, W, 3) float32: standard deviation per channel.
    half_difference : (H, W, 3) float32, optional, (A - B)/2 of the two half-sets. Without it the noise of every scale is measured on
        the picture's own sky.
    strength : float 0 to 1, scales the threshold (it never mixes noise back); 0 gives the image back.
    guide_sigma, guide_half_difference : the same for the guide; without them its noise is measured on its own sky.
    scales : int, starlet scales at most (7 reach 128 px); pictures smaller than that use fewer.
    starless : False where stars stayed in: noise that is measured on the picture's own sky is then told from their haloes.

    Returns
    -------
    (H, W, 3) float32, with (R + 2G + B)/4 unchanged.

    Raises
    ------
    ArgumentError
        Strength outside 0..1, a negative sigma, arrays that do not fit ``image``.

    References
    ----------
    Starck & Murtagh 2006, Astronomical Image and Data Analysis (starlet); He, Sun & Tang 2013, IEEE TPAMI 35, 1397 (guided filter).
    """
    image = check_image("image", image, colour=True)
    if check_range("strength", strength, 0.0, 1.0) == 0:
        return image.copy()
    gates = colour_gates(
        image, guide, sigma=sigma, half_difference=half_difference, strength=strength,
        guide_sigma=guide_sigma, guide_half_difference=guide_half_difference, scales=scales, starless=starless,
    )  # fmt: skip
    return apply_colour_gates(gates, image, guide)


def colour_gates(
    image: LinearRGB,
    guide: Plane,
    *,
    sigma: Any,
    half_difference: LinearRGB | None = None,
    strength: float = 1.0,
    guide_sigma: Any = None,
    guide_half_difference: Plane | None = None,
    scales: int = SCALES,
    starless: bool = True,
) -> ColourGates:
    """The frozen operator of :func:`denoise_colour` (same parameters), for :func:`apply_colour_gates`."""
    strength = check_range("strength", strength, 0.0, 1.0)
    image = check_image("image", image, colour=True)
    known = np.isfinite(guide)
    red, blue, guide = _prepared(image, guide)
    scales = min(int(check_range("scales", scales, 1, MOST_SCALES)), max(1, int(math.log2(min(guide.shape)))))
    spread, guide_spread = _noise_maps(sigma, image.shape), _guide_noise_map(guide_sigma, guide.shape)
    of_sky = scale_noise if starless else sky_scale_noise
    sky = None
    if half_difference is None or guide_half_difference is None:
        luminance, valid = nan_filled(working_luminance(image))
        sky = sky_pixels(luminance, valid & known)
    noise = _difference_noise((red, blue), spread, half_difference, scales, partial(of_sky, where=sky))
    if guide_half_difference is None:
        guide_noise = of_sky(guide, _as_sigma(guide_spread), scales, where=sky)
    else:
        guide_noise = scale_noise(
            check_map("guide_half_difference", guide_half_difference, guide.shape).astype(np.float32, copy=False),
            _as_sigma(guide_spread),
            scales,
        )
    levels = zip(noise[0], noise[1], guide_noise, strict=True)
    found, gates = _scales(red, blue, guide, guide_spread, list(levels)), []
    fine = next(found)
    for coarse in found:
        gates.append(_gates_of_scale(fine, coarse, spread, guide_spread, strength))
        fine = coarse
    gates.append(_gates_of_scale(fine, fine, spread, guide_spread, strength))
    slopes, shares = zip(*gates, strict=True)
    return ColourGates(slopes, shares)


def apply_colour_gates(gates: ColourGates, image: LinearRGB, guide: Plane) -> LinearRGB:
    """Send an image and its guide (a half-set of both) through a frozen chroma denoising; linear in the two together."""
    image = check_image("image", image, colour=True)
    red, blue, guide = _prepared(image, guide)
    if gates.shares and gates.shares[0].shape != guide.shape:
        raise ArgumentError(f"`image` {guide.shape} has not the size of the gates {gates.shares[0].shape}.")
    kept = np.zeros((*guide.shape, 2), np.float32)
    for scale, (slope, share) in enumerate(zip(gates.slopes, gates.shares, strict=True)):
        next_red, next_blue, next_guide = smooth(red, scale), smooth(blue, scale), smooth(guide, scale)
        over_rows(_keep, red, next_red, blue, next_blue, guide, next_guide, slope, share, kept)
        red, blue, guide = next_red, next_blue, next_guide
    out = np.empty_like(image)
    over_rows(_recoloured, image, red, blue, kept, out)
    return out


def _prepared(image: LinearRGB, guide: Plane) -> tuple[Plane, Plane, Plane]:
    """R - Y, B - Y and the guide, all without gaps and free to be written into."""
    guide = check_image("guide", guide, colour=False)
    if guide.shape != image.shape[:2]:
        raise ArgumentError(f"`guide` {guide.shape} and `image` {image.shape[:2]} differ in size.")
    red, blue = _differences(image)
    return nan_filled(red)[0], nan_filled(blue)[0], nan_filled(guide)[0].copy()


def _differences(image: LinearRGB) -> tuple[Plane, Plane]:
    red, blue = np.empty(image.shape[:2], np.float32), np.empty(image.shape[:2], np.float32)
    over_rows(_difference_rows, image, red, blue)
    return red, blue


def _noise_maps(sigma: Any, shape: tuple[int, ...]) -> Array:
    """Noise of R - Y and B - Y, (H, W, 2) or (1, 1, 2), channels taken as independent; gaps filled."""
    values = check_numbers("sigma", sigma).astype(np.float32, copy=False)
    if values.shape not in {(), (3,), shape}:
        raise ArgumentError(f"`sigma` must be a number, three numbers or an array of the image's shape {shape}, got {values.shape}.")
    _check_noise("sigma", values)
    channels = values if values.ndim == 3 else np.broadcast_to(values, (3,)).reshape(1, 1, 3)
    out = np.empty((*channels.shape[:2], 2), np.float32)
    over_rows(_difference_noise_rows, np.ascontiguousarray(channels), out)
    for k in range(2):
        out[..., k] = np.maximum(nan_filled(np.ascontiguousarray(out[..., k]))[0], LEAST_NOISE)  # 0 where all is missing
    return out


def _guide_noise_map(sigma: Any, shape: tuple[int, int]) -> Array:
    """The guide's noise, (H, W) or (1, 1); gaps filled."""
    values = check_numbers("guide_sigma", 1.0 if sigma is None else sigma).astype(np.float32, copy=False)
    if values.shape not in {(), shape}:
        raise ArgumentError(f"`guide_sigma` must be a number or of the guide's shape {shape}, got {values.shape}.")
    _check_noise("guide_sigma", values)
    return np.maximum(nan_filled(values)[0] if values.ndim else values.reshape(1, 1), LEAST_NOISE)


def _check_noise(name: str, values: Array) -> None:
    """A map may have gaps, a number may not; neither is below zero."""
    if np.fmin.reduce(values, axis=None) < 0:
        raise ArgumentError(f"`{name}` must not be negative.")
    if values.ndim < 2 and not np.isfinite(values).all():
        raise ArgumentError(f"`{name}` must be finite, got {values}.")


def _as_sigma(spread: Array) -> Any:
    """A noise array of one pixel as a number."""
    return float(spread[0, 0]) if spread.shape == (1, 1) else spread


def _difference_noise(
    planes: tuple[Plane, Plane], spread: Array, half_difference: LinearRGB | None, scales: int, of_sky: Callable[..., list[float]]
) -> list[list[float]]:
    """For both differences the noise per scale in units of their own noise map."""
    measure = of_sky
    if half_difference is not None:
        half = np.ascontiguousarray(check_image("half_difference", half_difference, colour=True))
        check_map("half_difference", half[..., 0], planes[0].shape)
        planes, measure = _differences(half), scale_noise
    return [measure(plane, _as_sigma(spread[..., k]), scales) for k, plane in enumerate(planes)]


@dataclass(frozen=True)
class _Scale:
    """Coefficients of one scale (the guide's gated, with their admitted share) and their mean products over the regression's window."""

    index: int
    noise: tuple[float, float, float]
    red: Plane
    blue: Plane
    guide: Plane
    admitted: Plane
    power: Plane
    with_red: Plane
    with_blue: Plane


def _scales(red: Plane, blue: Plane, guide: Plane, guide_spread: Array, noise: Sequence[tuple[float, float, float]]) -> Iterator[_Scale]:
    """The scales from fine to coarse, as many as ``noise`` has levels (of red, blue, guide); the planes are used up."""
    for index, levels in enumerate(noise):
        next_red, next_blue, next_guide = smooth(red, index), smooth(blue, index), smooth(guide, index)
        red -= next_red
        blue -= next_blue
        guide -= next_guide
        near, window = max(2.0**index, LEAST_POOL), 2.0**index + SLOPE_POOL
        admitted = pool_product(guide, guide, near)
        over_rows(_gate_guide, admitted, guide, guide_spread, np.float32(levels[2]), _of_scale(GUIDE_SIGNIFICANCE, index))
        products = [pool_product(plane, guide, window) for plane in (guide, red, blue)]
        yield _Scale(index, levels, red, blue, guide, admitted, *products)
        red, blue, guide = next_red, next_blue, next_guide


def _of_scale(values: Sequence[float], index: int) -> np.float32:
    """The value of a scale; coarser ones than are listed have the last."""
    return np.float32(values[min(index, len(values) - 1)])


def _gates_of_scale(fine: _Scale, coarse: _Scale, spread: Array, guide_spread: Array, strength: float) -> tuple[Array, Array]:
    """Slopes and share of one scale. A knot has its colour at every scale: the next coarser one, where it is clearer, helps to find it."""
    index, weight = fine.index, np.float32(strength)
    slope_red, slope_blue, residual = (np.empty_like(fine.red) for _ in range(3))
    # half the number of independent coefficients in the window: both differences share one test
    independent = np.float32(math.pi * (2.0**index + SLOPE_POOL) ** 2 / 4.0**index)
    levels, gains = np.array(fine.noise[:2], np.float32), np.zeros(2, np.float32)
    if index < KNOT_SCALES and coarse is not fine:
        gains = np.square(levels / np.maximum(coarse.noise[:2], LEAST_NOISE), dtype=np.float32)
    over_rows(
        _regress, fine.red, fine.blue, fine.guide, fine.power, fine.with_red, fine.with_blue, coarse.power, coarse.with_red,
        coarse.with_blue, gains, spread, levels, independent, weight, slope_red, slope_blue, residual,
    )  # fmt: skip
    reach = max(RESIDUAL_POOL * 2.0**index, LEAST_POOL)
    residual = pool(residual, reach)
    trust = pool_product(fine.guide, fine.guide, reach)
    slopes, shares = np.empty((*fine.red.shape, 2), np.int16), np.empty(fine.red.shape, np.uint8)
    k = _of_scale(SIGNIFICANCE, index)
    limit = np.float32(max(fine.noise[2], 1e-12) * TRUSTED_GUIDE)
    over_rows(_close, residual, trust, fine.admitted, guide_spread, limit, k, weight, slope_red, slope_blue, slopes, shares)
    return slopes, shares


# ---------------------------------------------------------------- green, saturation, hue
def limit_green(image: LinearRGB) -> LinearRGB:
    """No greener than the mean of red and blue: what is above goes to all three channels, so that the luminance stays.

    Parameters
    ----------
    image : (H, W, 3) float32, linear light, sky near 0, white-balanced and denoised (noise would be bent toward magenta).
    """
    image = check_image("image", image, colour=True)
    excess = np.maximum(image[..., 1] - np.float32(0.5) * (image[..., 0] + image[..., 2]), 0)[..., None]
    return np.asarray(image + excess * np.array([0.5, -0.5, 0.5], np.float32), np.float32)


def saturate(display: DisplayRGB, amount: float, *, sky: float | None = 0.12) -> DisplayRGB:
    """More or less colour: chroma in OkLCh times ``amount``, at the same lightness and hue.

    Parameters
    ----------
    display : (H, W, 3) float32, display.
    amount : float 0 to 3; 1 gives the picture back.
    sky : float, display code of the sky: an amount above 1 starts above it, so that the sky's colour noise is left alone. None: everywhere
        (for star layers).

    Returns
    -------
    (H, W, 3) float32, display, 0..1; what the display cannot show loses chroma only.
    """
    check_range("amount", amount, 0.0, 3.0)
    display = check_image("display", display, colour=True)
    if amount == 1:
        return display.copy()
    start, full = saturation_ramp(amount, sky)
    out = np.empty_like(display)
    over_bands(lambda first, last: _saturate(display, float(amount), start, full, out, first, last), out.shape[0])
    return out


def hue_layer(plane: Any, hue: float, *, chroma: float = 0.12) -> DisplayRGB:
    """A display plane (a second filter's starless light) given one hue, to be screened over a picture.

    Parameters
    ----------
    plane : (H, W) float32, display, its sky at 0.
    hue : float, degrees in OkLCh (about 30 red, 110 yellow, 145 green, 265 blue).
    chroma : float, OkLCh chroma where the plane is bright.
    """
    grey = np.clip(check_image("plane", plane, colour=False), 0, 1)
    flat = np.stack([grey, np.float32(chroma) * np.minimum(2 * grey, 1), np.full_like(grey, hue)], -1)
    return np.asarray(encode_srgb(map_gamut(oklch_to_oklab(flat))), np.float32)


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True, error_model="numpy")
def _difference_rows(image, red, blue, first, last):
    for y in range(first, last):
        for x in range(image.shape[1]):
            luminance = np.float32(0.25) * (image[y, x, 0] + np.float32(2) * image[y, x, 1] + image[y, x, 2])
            red[y, x] = image[y, x, 0] - luminance
            blue[y, x] = image[y, x, 2] - luminance


@njit(cache=True, nogil=True, error_model="numpy")
def _difference_noise_rows(sigma, out, first, last):
    """Weights of R - Y are 3/4, -1/2, -1/4; of B - Y -1/4, -1/2, 3/4."""
    for y in range(first, last):
        for x in range(sigma.shape[1]):
            red, green, blue = sigma[y, x, 0] ** 2, sigma[y, x, 1] ** 2, sigma[y, x, 2] ** 2
            out[y, x, 0] = max(math.sqrt(0.5625 * red + 0.25 * green + 0.0625 * blue), LEAST_NOISE)
            out[y, x, 1] = max(math.sqrt(0.0625 * red + 0.25 * green + 0.5625 * blue), LEAST_NOISE)


@njit(cache=True, nogil=True, error_model="numpy")
def _gate_guide(energy, guide, spread, noise, k, first, last):
    """The guide's coefficients times their admitted share; the share is left in ``energy``."""
    one = spread.size == 1
    for y in range(first, last):
        for x in range(guide.shape[1]):
            level = noise * (spread[0, 0] if one else spread[y, x])
            share = max(np.float32(1) - k * level * level / max(energy[y, x], TINY), np.float32(0))
            guide[y, x] *= share
            energy[y, x] = share


@njit(cache=True, nogil=True, error_model="numpy")
def _regress(
    red, blue, guide, power, with_red, with_blue, power_2, with_red_2, with_blue_2, gains, spread, noise, independent, strength,
    slope_red, slope_blue, residual, first, last,
):  # fmt: skip
    """Slopes of both differences on the guide, shrunk by their own significance, and the energy of what they leave, in variances.

    ``gains`` : what the mean products of the next coarser scale (marked 2) count, the inverse of their noise's variance in this scale's.
    """
    one = spread.size == 2
    for y in range(first, last):
        for x in range(red.shape[1]):
            spread_red, spread_blue = (spread[0, 0, 0], spread[0, 0, 1]) if one else (spread[y, x, 0], spread[y, x, 1])
            variance_red = max(noise[0] * spread_red, LEAST_NOISE) ** 2
            variance_blue = max(noise[1] * spread_blue, LEAST_NOISE) ** 2
            strong_red = power[y, x] + gains[0] * power_2[y, x] + TINY
            strong_blue = power[y, x] + gains[1] * power_2[y, x] + TINY
            a = (with_red[y, x] + gains[0] * with_red_2[y, x]) / strong_red
            b = (with_blue[y, x] + gains[1] * with_blue_2[y, x]) / strong_blue
            z = (a * a * strong_red / variance_red + b * b * strong_blue / variance_blue) * independent
            shrink = max(np.float32(1) - strength / max(z, TINY), np.float32(0))
            a, b = a * shrink, b * shrink
            slope_red[y, x], slope_blue[y, x] = a, b
            left_red, left_blue = red[y, x] - a * guide[y, x], blue[y, x] - b * guide[y, x]
            residual[y, x] = np.float32(0.5) * (left_red * left_red / variance_red + left_blue * left_blue / variance_blue)


@njit(cache=True, nogil=True, error_model="numpy")
def _close(residual, trust, guide_share, guide_spread, limit, k, strength, slope_red, slope_blue, slopes, shares, first, last):
    """Share of the residual that is admitted, and the slopes that remain for the ungated guide coefficient."""
    one = guide_spread.size == 1
    for y in range(first, last):
        for x in range(residual.shape[1]):
            level = limit * (guide_spread[0, 0] if one else guide_spread[y, x])
            trusted = trust[y, x] / max(level * level, TINY)
            threshold = strength * (np.float32(1) + (k - np.float32(1)) / (np.float32(1) + trusted))
            excess = residual[y, x] / max(threshold, TINY)
            share = 0.0
            if excess > 1:
                share = 1 - excess ** -(1 + FIRM * trusted / (1 + trusted))
            step = round(share * SHARE_STEP)
            shares[y, x] = step
            left = (1 - step / SHARE_STEP) * guide_share[y, x]
            slopes[y, x, 0] = round(min(max(left * slope_red[y, x], -MOST_SLOPE), MOST_SLOPE) * SLOPE_STEP)
            slopes[y, x, 1] = round(min(max(left * slope_blue[y, x], -MOST_SLOPE), MOST_SLOPE) * SLOPE_STEP)


@njit(cache=True, nogil=True, error_model="numpy")
def _keep(red, next_red, blue, next_blue, guide, next_guide, slopes, shares, kept, first, last):
    """Add one scale: share x own coefficient + slope x guide coefficient."""
    own, led = np.float32(1 / SHARE_STEP), np.float32(1 / SLOPE_STEP)
    for y in range(first, last):
        for x in range(red.shape[1]):
            share = own * shares[y, x]
            lead = led * (guide[y, x] - next_guide[y, x])
            kept[y, x, 0] += share * (red[y, x] - next_red[y, x]) + lead * slopes[y, x, 0]
            kept[y, x, 1] += share * (blue[y, x] - next_blue[y, x]) + lead * slopes[y, x, 1]


@njit(cache=True, nogil=True, error_model="numpy")
def _recoloured(image, red, blue, kept, out, first, last):
    """The image's own luminance with the kept differences."""
    for y in range(first, last):
        for x in range(image.shape[1]):
            luminance = np.float32(0.25) * (image[y, x, 0] + np.float32(2) * image[y, x, 1] + image[y, x, 2])
            more_red, more_blue = red[y, x] + kept[y, x, 0], blue[y, x] + kept[y, x, 1]
            out[y, x, 0] = luminance + more_red
            out[y, x, 1] = luminance - np.float32(0.5) * (more_red + more_blue)
            out[y, x, 2] = luminance + more_blue


@njit(cache=True, nogil=True, error_model="numpy")
def _saturate(display, amount, start, full, out, first, last):
    light, lab = np.empty((3, display.shape[1])), np.empty((3, display.shape[1]))
    for y in range(first, last):
        decode_row(display[y], light)
        oklab_row(light, lab)
        saturate_row(lab, amount, start, full)
        shown_oklab_row(lab, light)
        encode_row(light, out[y])
