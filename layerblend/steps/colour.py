"""Colour: chroma noise taken away without its edges, saturation that leaves the sky alone, an optional ceiling for green.

Denoising works on the linear differences R - Y and B - Y, Y = (R + 2G + B)/4, per starlet scale: what the detail luminance predicts by
local regression is kept as far as the prediction is significant (the guided filter of He, Sun & Tang 2013 per scale), and of the rest
what stands above its noise in both differences together (local Wiener gain, Lee 1980): one gain for both, so that hue stays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_image, check_range
from layerblend.kinds import DisplayRGB, LinearRGB, Plane, working_luminance
from layerblend.maths.bands import over_bands
from layerblend.maths.perceptual import decode_of, encode_of, encode_srgb, map_gamut, oklab_of, oklch_to_oklab, shown_oklab
from layerblend.maths.robust import nan_filled
from layerblend.maths.wavelet import pool, pool_product, scale_noise, sky_pixels, smooth

SCALES = 6
SIGNIFICANCE = (3.0, 2.5, 2.0, 1.5, 1.5, 1.5)  # of the residual, per scale, in variances
GUIDE_SIGNIFICANCE = 2.0
RESIDUAL_POOL = 0.7  # x 2^scale px
TRUSTED_GUIDE = 5.0  # sigma of the guide at which the residual's threshold is relaxed half way
Y_WEIGHTS = (0.25, 0.5, 0.25)
RED, BLUE = (0.75, -0.5, -0.25), (-0.25, -0.5, 0.75)  # R - Y and B - Y
SKY_MARGIN = 1.25  # saturation starts above this multiple of the sky's code and is full at twice it
TINY = np.float32(1e-20)
LEAST_NOISE = np.float32(1e-12)


@dataclass(frozen=True)
class ColourGates:
    """The frozen operator of a chroma denoising: per scale the slopes of both differences on the guide, and the admitted residual.

    ``slopes`` : per scale two (H, W) float32. ``guide_shares``, ``shares`` : per scale (H, W) float32, 0..1.
    """

    slopes: tuple[tuple[Plane, Plane], ...] = field(repr=False)
    guide_shares: tuple[Plane, ...] = field(repr=False)
    shares: tuple[Plane, ...] = field(repr=False)


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
) -> LinearRGB:
    """Take the noise out of the colour; the luminance stays as it is, knots and edges keep their hue.

    Parameters
    ----------
    image : (H, W, 3) float32, linear light, sky-subtracted, starless; NaN = no data.
    guide : (H, W) float32, luminance of the deepest stack, the same place and unit.
    sigma : float, three floats, or (H, W, 3) float32: standard deviation per channel.
    half_difference : (H, W, 3) float32, optional, (A - B)/2 of the two half-sets. Without it the noise of every scale is measured on
        the picture's own sky.
    strength : float 0 to 1, scales the threshold (it never mixes noise back); 0 gives the image back.
    guide_sigma, guide_half_difference : the same for the guide; without them its noise is measured on its own sky.
    scales : int, starlet scales (6 reach 64 px).

    Returns
    -------
    (H, W, 3) float32, with (R + 2G + B)/4 unchanged.
    """
    image = check_image("image", image, colour=True)
    if check_range("strength", strength, 0.0, 1.0) == 0:
        return image.copy()
    gates = colour_gates(
        image, guide, sigma=sigma, half_difference=half_difference, strength=strength,
        guide_sigma=guide_sigma, guide_half_difference=guide_half_difference, scales=scales,
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
) -> ColourGates:
    """The frozen operator of :func:`denoise_colour` (same parameters), for :func:`apply_colour_gates`."""
    strength = check_range("strength", strength, 0.0, 1.0)
    image = check_image("image", image, colour=True)
    planes, guide, sky = _prepared(image, guide)
    noises = _difference_noise(image, planes, sigma, half_difference, scales, sky)
    guide_map = 1.0 if guide_sigma is None else _without_gaps(np.asarray(guide_sigma, np.float32))
    if guide_half_difference is None:
        guide_noise = scale_noise(guide, guide_map, scales, where=sky)
    else:
        guide_noise = scale_noise(guide_half_difference, guide_map, scales)
    slopes, guide_shares, shares = [], [], []
    rests, guide_rest = list(planes), guide
    for scale in range(scales):
        next_guide = smooth(guide_rest, scale)
        nexts = [smooth(rest, scale) for rest in rests]
        guide_plane = guide_rest - next_guide
        guide_sd = np.asarray(guide_noise[scale] * np.asarray(guide_map, np.float32), np.float32)
        share = _significant(pool_product(guide_plane, guide_plane, max(2.0**scale, 0.8)), guide_sd, GUIDE_SIGNIFICANCE)
        led = guide_plane * share
        variances = [np.maximum(np.asarray(noise[scale] * spread, np.float32), LEAST_NOISE) ** 2 for noise, spread in noises]
        coefficients = [rest - following for rest, following in zip(rests, nexts, strict=True)]
        pair = _slopes(coefficients, led, variances, scale, strength)
        residuals = [w - a * led for w, a in zip(coefficients, pair, strict=True)]
        shares.append(_residual_share(residuals, variances, led, guide_sd, scale, strength))
        slopes.append(pair)
        guide_shares.append(share)
        rests, guide_rest = nexts, next_guide
    return ColourGates(tuple(slopes), tuple(guide_shares), tuple(shares))


def apply_colour_gates(gates: ColourGates, image: LinearRGB, guide: Plane) -> LinearRGB:
    """Send an image and its guide (a half-set of both) through a frozen chroma denoising; linear in the two together."""
    image = check_image("image", image, colour=True)
    planes, guide, _ = _prepared(image, guide, sky=False)
    done = [np.zeros_like(plane) for plane in planes]
    rests, guide_rest = list(planes), guide
    for scale, (pair, guide_share, share) in enumerate(zip(gates.slopes, gates.guide_shares, gates.shares, strict=True)):
        next_guide = smooth(guide_rest, scale)
        led = (guide_rest - next_guide) * guide_share
        for k, slope in enumerate(pair):
            following = smooth(rests[k], scale)
            predicted = slope * led
            done[k] += predicted + share * (rests[k] - following - predicted)
            rests[k] = following
        guide_rest = next_guide
    return _with_differences(image, done[0] + rests[0], done[1] + rests[1])


def _prepared(image: LinearRGB, guide: Plane, *, sky: bool = True) -> tuple[list[Plane], Plane, Any]:
    """R - Y and B - Y and the guide without gaps, and where the sky is."""
    guide = check_image("guide", guide, colour=False)
    if guide.shape != image.shape[:2]:
        raise ArgumentError(f"`guide` {guide.shape} and `image` {image.shape[:2]} differ in size.")
    luminance = working_luminance(image)
    planes = [nan_filled(np.asarray(image[..., channel] - luminance, np.float32))[0] for channel in (0, 2)]
    filled = nan_filled(guide)[0]
    return planes, filled, sky_pixels(nan_filled(luminance)[0]) if sky else None


def _difference_noise(
    image: LinearRGB, planes: list[Plane], sigma: Any, half_difference: LinearRGB | None, scales: int, sky: Any
) -> list[tuple[list[float], Any]]:
    """For both differences the noise per scale in units of their own noise map, and that map."""
    per_channel = _channel_noise(sigma, image.shape)
    found = []
    halves = None
    if half_difference is not None:
        half = check_image("half_difference", half_difference, colour=True)
        luminance = working_luminance(half)
        halves = [half[..., channel] - luminance for channel in (0, 2)]
    for k, weights in enumerate((RED, BLUE)):
        spread = np.sqrt(sum(np.float32(weight**2) * per_channel[c] ** 2 for c, weight in enumerate(weights)))
        noise = scale_noise(planes[k], spread, scales, where=sky) if halves is None else scale_noise(halves[k], spread, scales)
        found.append((noise, spread))
    return found


def _channel_noise(sigma: Any, shape: tuple[int, ...]) -> list[Any]:
    """Noise per channel, each a float32 number or map without gaps."""
    values = np.asarray(sigma, np.float32)
    if values.shape not in {(), (3,), shape}:
        raise ArgumentError(f"`sigma` must be a number, three numbers or an array of the image's shape {shape}, got {values.shape}.")
    channels = [values] * 3 if values.ndim == 0 else [values[..., c] for c in range(3)]
    if not all(np.nanmin(channel) >= 0 for channel in channels):
        raise ArgumentError("`sigma` must not be negative.")
    return [np.maximum(_without_gaps(c), LEAST_NOISE) for c in channels]


def _without_gaps(noise: Any) -> Any:
    """A noise map filled where there is no data, so that filters do not spread the gap; a number as it is."""
    return nan_filled(noise)[0] if noise.ndim == 2 else noise


def _significant(energy: Plane, noise: Any, k: float) -> Plane:
    return np.asarray(np.maximum(1 - np.float32(k) * noise * noise / np.maximum(energy, TINY), 0), np.float32)


def _slopes(coefficients: list[Plane], led: Plane, variances: list[Any], scale: int, strength: float) -> tuple[Plane, Plane]:
    """Local regression of both differences on the guide, shrunk by its own significance."""
    window = 2.0**scale + 1
    power = pool_product(led, led, window) + TINY
    raw = [pool_product(w, led, window) / power for w in coefficients]
    independent = 4 * math.pi * window**2 / (2 * 4.0**scale)
    z = sum(a * a * power * np.float32(independent / 2) / v for a, v in zip(raw, variances, strict=True))
    shrink = np.maximum(1 - np.float32(strength) / np.maximum(z, TINY), 0)
    return raw[0] * shrink, raw[1] * shrink


def _residual_share(residuals: list[Plane], variances: list[Any], led: Plane, guide_sd: Any, scale: int, strength: float) -> Plane:
    """What of the unpredicted colour is admitted: one share for both differences; relaxed where the guide shows structure."""
    reach = max(RESIDUAL_POOL * 2.0**scale, 0.8)
    energy = pool(np.asarray(sum(r * r / v for r, v in zip(residuals, variances, strict=True)) * np.float32(0.5), np.float32), reach)
    trust = pool_product(led, led, reach) / (np.maximum(guide_sd, TINY) * np.float32(TRUSTED_GUIDE)) ** 2
    k = 1 + np.float32(SIGNIFICANCE[min(scale, len(SIGNIFICANCE) - 1)] - 1) / (1 + trust)
    return np.asarray(np.maximum(1 - np.float32(strength) * k / np.maximum(energy, TINY), 0), np.float32)


def _with_differences(image: LinearRGB, red: Plane, blue: Plane) -> LinearRGB:
    """The image's own luminance with other colour differences; gaps stay gaps."""
    luminance = working_luminance(image)
    out = np.empty_like(image)
    out[..., 0] = luminance + red
    out[..., 2] = luminance + blue
    out[..., 1] = luminance - np.float32(0.5) * (red + blue)
    return out


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
    start = full = -1.0
    if sky is not None and amount > 1:
        start, full = _grey_lightness(SKY_MARGIN * sky), _grey_lightness(2 * sky)
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


def _grey_lightness(code: float) -> float:
    light = decode_of(float(code))
    return float(oklab_of(light, light, light)[0])


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True)
def _saturate(display, amount, start, full, out, first, last):
    for y in range(first, last):
        for x in range(display.shape[1]):
            lightness, a, b = oklab_of(
                decode_of(np.float64(display[y, x, 0])), decode_of(np.float64(display[y, x, 1])), decode_of(np.float64(display[y, x, 2]))
            )
            share = 1.0
            if full > start:
                t = min(max((lightness - start) / (full - start), 0.0), 1.0)
                share = t * t * (3 - 2 * t)
            gain = 1 + share * (amount - 1)
            red, green, blue = shown_oklab(lightness, gain * a, gain * b)
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = encode_of(red), encode_of(green), encode_of(blue)
