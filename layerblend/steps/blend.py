"""Stars come back over the starless picture: the star layer, its gate, its size, and the blend modes.

What the modes do to stars over dark sky: *screen* puts them back as they were (over its own starless picture exactly); *plus-lighter*
adds codes, so that bright cores grow white sooner; *lighten* keeps the brighter of both, which loses faint stars in bright nebula;
*soft-light* hardly lifts stars over dark sky, since it multiplies what is there (use it for a faint, dreamy field); *normal* lays the
stars on top as if cut out, covering what lies behind.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_choice, check_display, check_image, check_numbers, check_range
from layerblend.kinds import Array, Curve, DisplayRGB, LinearImage, Plane, Weight
from layerblend.maths.bands import by_bands, over_bands, over_rows
from layerblend.maths.curve import gain_table, stretch, stretched_of
from layerblend.maths.wavelet import pool

MODES = ("screen", "soft-light", "lighten", "plus-lighter", "normal")
SCREEN, SOFT_LIGHT, LIGHTEN, PLUS_LIGHTER, NORMAL = range(5)
LEAST_ROOM = 1e-6  # 1 - starless below this leaves nothing to screen
PEAK_PX, PEAK_LEVEL = 11, 0.15  # a star of the layer: the highest within 5 px, clear of the noise
GATE_BLUR_PX = 1.0  # the gate judges the layer, not its single noisy pixels
# The same star holds the same light in both stacks however wide it is: where, at its peak, one holds less than this share of the other's
# within about half a width, only one of the splits took a source for a star.
AGREE, AGREE_REACH_FWHM = 0.45, 0.7
GATE_REACH_FWHM = 1.5  # round a star that passes the gate its own wings are kept: a sharp core in wider wings has too much light
# A wing is seen long before its colour is sure: an error of a pixel's noise tints a star's halo of ten times that. Colour is the colour
# stack's below the first multiple of the gate, the sharp stack's above the second.
COLOUR_FROM, COLOUR_FULL = 5.0, 30.0
SAME_STAR = 0.3  # less light than this share of the sharp stack's is another star's wing; from twice this its colour counts in full


# ---------------------------------------------------------------- the star layer
def star_layer(image: LinearImage, starless: LinearImage, curve: Curve, *, ground: LinearImage | None = None) -> Array:
    """The stars as a display layer: screened over the stretched starless picture it gives the stretched picture back exactly.

    Parameters
    ----------
    image, starless : (H, W, 3) or (H, W) float32, linear light, with and without stars; NaN = no data.
    curve : Curve of the result.
    ground : same shape, linear light that the stars will stand on, where that is another stack's; ``starless`` counts without it. The
        curve is steepest near the sky: on their own stack's ground, wide haloes take the colour of what little the skies differ by.

    Returns
    -------
    array of the same shape, float32, S = 1 - (1 - D(ground + image - starless))/(1 - D(ground)); signed: below 0 where the starless
    picture is brighter.

    Raises
    ------
    ArgumentError
        Pictures that are no floats or differ in shape.

    References
    ----------
    W3C Compositing and Blending Level 1 (2015), section 10.1 (screen, which this undoes).
    """
    image, starless = _pair("image", image, "starless", starless)
    ground = starless if ground is None else _pair("ground", ground, "starless", starless)[0]
    if image.ndim == 2:
        lit = np.asarray(image.astype(np.float64) - starless + ground, np.float32)
        return np.asarray(_layer_of(stretch(lit, curve), stretch(ground, curve)), np.float32)
    out = np.empty_like(image)
    constants = (curve.p, curve.s, curve.norm, curve.sky, gain_table(curve))
    over_bands(lambda first, last: _star_layer(image, starless, ground, *constants, out, first, last), out.shape[0])
    return out


def _layer_of(whole: Array, base: Array) -> Array:
    return (whole - base) / np.maximum(1 - base, np.float32(LEAST_ROOM))


def colour_stars(image: LinearImage, starless: LinearImage, amount: float) -> LinearImage:
    """More or less colour in the stars, in linear light: their light Y = (R + 2G + B)/4 stays, and so does their measured flux.

    A star's colour is stretched about its own grey, v = Y + amount (v - Y), less where a channel would fall below 0. Done on the display
    side instead, more colour raises the largest channel, which the curve takes for more light.

    Parameters
    ----------
    image, starless : (H, W, 3) float32, linear light, with and without stars; NaN = no data.
    amount : float 0 to 3; 1 gives the image back.
    """
    check_range("amount", amount, 0.0, 3.0)
    image, starless = _pair("image", image, "starless", starless)
    if amount == 1 or image.ndim == 2:
        return image
    out = np.empty_like(image)
    over_bands(lambda first, last: _colour_stars(image, starless, float(amount), out, first, last), out.shape[0])
    return out


def gate_stars(sharp: Array, deep: Array, sigma: Any, gate: float) -> Array:
    """Stars from the sharp layer where they stand above its noise, from the low-noise layer in their faint wings and in the sky.

    Parameters
    ----------
    sharp, deep : (H, W, 3) or (H, W) float32, star layers of the sharpest stack and of the colour stack.
    sigma : float or (H, W), noise of the sharp layer's luminance (R + 2G + B)/4, in units of the layer.
    gate : float >= 0, sigma. Where either layer stands above it ``sharp`` serves, below half of it ``deep``, smoothly in between. 0 gives
        ``sharp``. What counts is the light pooled over a pixel's neighbours, so that noise opens no gate and a star's rim goes with it.

    Returns
    -------
    array like ``sharp``.

    Raises
    ------
    ArgumentError
        Layers that differ in shape, a gate or a sigma below 0.
    """
    sharp, deep = _pair("sharp", sharp, "deep", deep)
    check_range("gate", gate, 0.0, math.inf)
    if gate == 0:
        return sharp.copy()
    share = gate_share(_luminance(sharp), sigma, gate, deep=_luminance(deep))
    if sharp.ndim == 3:
        share = share[..., None]
    return np.asarray(deep + share * (sharp - deep), np.float32)


def gate_share(light: Plane, sigma: Any, gate: float, *, deep: Plane | None = None) -> Weight:
    """Where the sharp stack's stars serve: 1 above ``gate`` sigma, 0 below half of it, smooth in between.

    Parameters
    ----------
    light : (H, W) float32, the stars' luminance in the sharp stack (image less starless), linear light or layer units; NaN counts as 0.
    sigma : float or (H, W), its noise in the same units.
    gate : float >= 0, sigma; 0 gives 1 everywhere.
    deep : (H, W) float32, optional; the stars' luminance in the colour stack. Where it is brighter it counts instead: the wings of its
        wider stars would else stand as a pale ring round the sharp ones.
    """
    if check_range("gate", gate, 0.0, math.inf) == 0:
        return np.ones_like(check_image("light", light, colour=False))
    return _passing(_gates_high(light, deep, sigma, gate))


def star_shares(light: Plane, deep: Plane, sigma: Any, gate: float, fwhm: float) -> tuple[Weight, Weight]:
    """Where the sharp stack's stars serve, star by star: for their light, and for their colour (see :func:`colour_from_deep`).

    Parameters
    ----------
    light, deep, sigma : as in :func:`gate_share`, linear light.
    gate : float > 0, sigma.
    fwhm : width of the sharp stack's stars, px.

    Returns
    -------
    (H, W), (H, W) float32, 0 to 1. Light: within 1.5 ``fwhm`` a star that passes the gate is the sharp stack's, wings and all, unless only
    one of the stacks holds it: then ``deep`` serves, over whose own starless picture nothing is lost and nothing counts twice. Colour: 1
    above 30 gates, 0 below 5.
    """
    high = _gates_high(light, deep, sigma, gate)
    passing = _passing(high)
    share = np.maximum(passing, _round(passing, fwhm)) * (1 - _round(_only_in_one(light, deep, high, fwhm), fwhm))
    return share, _smooth_step(high, COLOUR_FROM, COLOUR_FULL)


def _gates_high(light: Plane, deep: Plane | None, sigma: Any, gate: float) -> Plane:
    """Star light, the brighter of both stacks', in units of the gate."""
    light, given = check_image("light", light, colour=False), check_numbers("sigma", sigma)
    deep = light if deep is None else check_image("deep", deep, colour=False)
    if np.any(given < 0):
        raise ArgumentError("`sigma` must not be negative.")
    brighter, out = np.empty(light.shape, np.float32), np.empty(light.shape, np.float32)

    def brighter_rows(first: int, last: int) -> None:
        np.maximum(np.nan_to_num(light[first:last]), np.nan_to_num(deep[first:last]), out=brighter[first:last])

    over_bands(brighter_rows, len(out))
    pooled, noise = pool(brighter, GATE_BLUR_PX), np.broadcast_to(given, light.shape)

    def gate_rows(first: int, last: int) -> None:
        some = np.maximum(noise[first:last].astype(np.float32, copy=False), np.float32(1e-12))
        np.divide(pooled[first:last], np.float32(gate) * np.nan_to_num(some, nan=np.inf), out=out[first:last])

    over_bands(gate_rows, len(out))
    return out


def _passing(high: Plane) -> Weight:
    return _smooth_step(high, 0.5, 1.0)


def _round(share: Weight, fwhm: float) -> Weight:
    """A weight and what lies within a star's reach of it, smoothly."""
    reach = round(GATE_REACH_FWHM * fwhm)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return pool(_highest_near(share, disc), GATE_BLUR_PX)


def _highest_near(plane: Plane, shape: Array) -> Plane:
    """The highest value around every pixel; ``shape``: what is around, (2 n + 1, 2 n + 1)."""
    return by_bands(lambda rows: cv2.dilate(rows, shape, borderType=cv2.BORDER_REFLECT_101), plane, len(shape) // 2)


def _only_in_one(light: Plane, deep: Plane, high: Plane, fwhm: float) -> Weight:
    """1 at the peaks of stars that one stack holds and that stayed in the other's starless picture, 0 elsewhere."""
    near, far = (pool(np.nan_to_num(plane), AGREE_REACH_FWHM * fwhm) for plane in (light, deep))
    apart = np.minimum(near, far) < np.float32(AGREE) * np.maximum(near, far)
    peak = high >= _highest_near(high, np.ones((5, 5), np.uint8))
    return (apart & peak & (high > 0.5)).astype(np.float32)


def star_luminance(image: LinearImage, starless: LinearImage) -> Plane:
    """(H, W) float32: luminance (R + 2G + B)/4 of what a split took away, 0 where there is no data; both (H, W, 3) float32."""
    image, starless = _pair("image", check_image("image", image, colour=True), "starless", starless)
    out: Any = np.empty(image.shape[:2], np.float32)
    over_bands(lambda first, last: _star_luminance(image, starless, out, first, last), out.shape[0])
    return np.asarray(out)


def colour_from_deep(image: LinearImage, starless: LinearImage, deep: LinearImage, ground: LinearImage, share: Weight) -> LinearImage:
    """The sharp stack with the wings of its stars in the colour that the colour stack's stars have there; their brightness stays.

    Parameters
    ----------
    image, starless : (H, W, 3) float32, linear light of the sharp stack, with and without stars; NaN = no data.
    deep, ground : (H, W, 3) float32, the colour stack with and without stars; where its stars have less than a third of the sharp stack's
        light, nothing changes: a source that only one of the splits took for a star keeps its colour.
    share : (H, W), from :func:`star_shares`: 1 keeps a pixel, 0 gives it the colour of ``deep``.

    Returns
    -------
    (H, W, 3) float32, like ``image``, with its luminance (R + 2G + B)/4 within rounding.
    """
    image, starless = _pair("image", check_image("image", image, colour=True), "starless", starless)
    deep, ground = _pair("deep", deep, "ground", ground)
    out = np.empty_like(_pair("image", image, "deep", deep)[0])
    over_bands(lambda first, last: _colour_from_deep(image, starless, deep, ground, share, out, first, last), out.shape[0])
    return out


def shrink_stars(layer: Array, size: float) -> Array:
    """Smaller stars: the layer's bright spots are narrowed by a morphological erosion, peaks hardly touched.

    Parameters
    ----------
    layer : (H, W, 3) or (H, W) float32, star layer.
    size : float .5 to 1, wanted width (at half of the height a star had) as a share of the typical star's in the layer; 1 gives the layer
        back.

    Returns
    -------
    array like ``layer``. :func:`flux_share` of both says how much light was taken away.
    """
    check_range("size", size, 0.5, 1.0)
    layer = check_image("layer", layer)
    if size == 1:
        return layer.copy()
    radius = (1 - size) * star_radius(_luminance(layer))
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    out = layer
    for step in range(math.ceil(radius)):
        eroded = cv2.erode(out, cross, borderType=cv2.BORDER_REFLECT_101)
        out = out + np.float32(min(radius - step, 1)) * (eroded - out)
    return np.asarray(out, np.float32)


def star_radius(layer: Plane) -> float:
    """Radius of the typical star of a layer where it has half its height, px: from the area above half of the local peak."""
    box = np.ones((PEAK_PX, PEAK_PX), np.uint8)
    peak = _highest_near(layer, box)
    stars = np.count_nonzero((layer >= peak) & (layer > PEAK_LEVEL))
    area = np.count_nonzero((layer > 0.5 * peak) & (peak > PEAK_LEVEL))
    return math.sqrt(area / (math.pi * stars)) if stars else 0.0


def flux_share(after: Array, before: Array) -> float:
    """Light of a star layer as a share of what it held before (sums of positive values, float64)."""
    total = float(np.maximum(before, 0).sum(dtype=np.float64))
    return float(np.maximum(after, 0).sum(dtype=np.float64)) / total if total > 0 else 1.0


# ---------------------------------------------------------------- blend
def blend(base: DisplayRGB, top: Array, mode: str = "screen", amount: float = 1.0) -> DisplayRGB:
    """Lay the star layer over the starless picture.

    Parameters
    ----------
    base : (H, W, 3) or (H, W) float32, display.
    top : same shape, star layer S; may be signed (see :func:`star_layer`). Values above 1 count as 1.
    mode : "screen" B + S - BS; "soft-light" as in W3C Compositing Level 1, with source .5 + S/2, so that S = 0 changes nothing;
        "lighten" max(B, S); "plus-lighter" min(B + S, 1); "normal" S over B with the largest channel of S as its coverage.
    amount : float 0 to 1, scales S; 0 gives the base back.

    Returns
    -------
    array like ``base``, 0..1. For S >= 0 screen, lighten and plus-lighter are nowhere darker than the base.

    Raises
    ------
    ArgumentError
        An unknown mode, an amount outside 0..1, pictures that are no display values or differ in shape.

    References
    ----------
    W3C Compositing and Blending Level 1 (2015), sections 9 and 10.
    """
    check_choice("mode", mode, MODES)
    check_range("amount", amount, 0.0, 1.0)
    base, top = _pair("base", check_display("base", base), "top", check_display("top", top))
    if amount == 0:
        return base.copy()
    channels = base.reshape(*base.shape[:2], -1)
    layer = np.ascontiguousarray(top).reshape(channels.shape)
    out = np.empty_like(channels)
    which = MODES.index(mode)
    over_bands(lambda first, last: _blend(channels, layer, which, float(amount), out, first, last), out.shape[0])
    return out.reshape(base.shape)


def _pair(name1: str, first: Any, name2: str, second: Any) -> tuple[Array, Array]:
    one, two = np.ascontiguousarray(check_image(name1, first)), np.ascontiguousarray(check_image(name2, second))
    if one.shape != two.shape:
        raise ArgumentError(f"`{name1}` {one.shape} and `{name2}` {two.shape} differ in shape.")
    return one, two


def _luminance(layer: Array) -> Array:
    return layer if layer.ndim == 2 else np.asarray((layer[..., 0] + 2 * layer[..., 1] + layer[..., 2]) * np.float32(0.25))


def _smooth_step(high: Plane, start: float, full: float) -> Weight:
    """0 up to ``start``, 1 from ``full`` on, a cubic in between."""
    out = np.empty_like(high)
    over_rows(_smooth_rows, high, np.float32(start), np.float32(1 / (full - start)), out)
    return out


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True, error_model="numpy")
def _smooth_rows(high, start, slope, out, first, last):
    for y in range(first, last):
        for x in range(high.shape[1]):
            t = min(max((high[y, x] - start) * slope, np.float32(0)), np.float32(1))
            out[y, x] = t * t * (np.float32(3) - np.float32(2) * t)


@njit(cache=True, nogil=True, error_model="numpy")
def _same(image, starless, y, x):
    """Whether no star was taken away here: most of a picture, which costs nothing then."""
    return image[y, x, 0] == starless[y, x, 0] and image[y, x, 1] == starless[y, x, 1] and image[y, x, 2] == starless[y, x, 2]


@njit(cache=True, nogil=True, error_model="numpy")
def _star_layer(image, starless, ground, p, s, norm, sky, table, out, first, last):
    for y in range(first, last):
        for x in range(image.shape[1]):
            if _same(image, starless, y, x):
                out[y, x, 0] = out[y, x, 1] = out[y, x, 2] = 0
                continue
            # in float64 light taken from its own ground and laid on it again is the same to the bit
            red, green, blue = np.float64(image[y, x, 0]), np.float64(image[y, x, 1]), np.float64(image[y, x, 2])
            red, green, blue = red - starless[y, x, 0], green - starless[y, x, 1], blue - starless[y, x, 2]
            r, g, b = np.float64(ground[y, x, 0]), np.float64(ground[y, x, 1]), np.float64(ground[y, x, 2])
            whole = stretched_of(r + red, g + green, b + blue, p, s, norm, sky, table)
            base = stretched_of(r, g, b, p, s, norm, sky, table)
            for c in range(3):
                # of the rounded values, which the layer will be screened over
                under = np.float32(base[c])
                out[y, x, c] = (np.float32(whole[c]) - under) / max(np.float32(1) - under, np.float32(LEAST_ROOM))


@njit(cache=True, nogil=True, error_model="numpy")
def _star_luminance(image, starless, out, first, last):
    for y in range(first, last):
        for x in range(image.shape[1]):
            light = 0.25 * (
                image[y, x, 0] - starless[y, x, 0] + 2 * (image[y, x, 1] - starless[y, x, 1]) + image[y, x, 2] - starless[y, x, 2]
            )
            out[y, x] = light if light == light else 0


@njit(cache=True, nogil=True, error_model="numpy")
def _colour_from_deep(image, starless, deep, ground, share, out, first, last):
    for y in range(first, last):
        for x in range(image.shape[1]):
            out[y, x] = image[y, x]
            if share[y, x] == 1 or _same(image, starless, y, x):
                continue
            r, g, b = image[y, x, 0] - starless[y, x, 0], image[y, x, 1] - starless[y, x, 1], image[y, x, 2] - starless[y, x, 2]
            grey = 0.25 * (np.float64(r) + 2 * np.float64(g) + b)
            red, green, blue = deep[y, x, 0] - ground[y, x, 0], deep[y, x, 1] - ground[y, x, 1], deep[y, x, 2] - ground[y, x, 2]
            theirs = 0.25 * (np.float64(red) + 2 * np.float64(green) + blue)
            if grey > 0 and theirs > SAME_STAR * grey:
                part = (1 - np.float64(share[y, x])) * min(theirs / (SAME_STAR * grey) - 1, 1.0)
                out[y, x, 0] += part * (grey * red / theirs - r)
                out[y, x, 1] += part * (grey * green / theirs - g)
                out[y, x, 2] += part * (grey * blue / theirs - b)


@njit(cache=True, nogil=True, error_model="numpy")
def _colour_stars(image, starless, amount, out, first, last):
    for y in range(first, last):
        for x in range(image.shape[1]):
            if _same(image, starless, y, x):
                out[y, x] = image[y, x]
                continue
            r, g, b = image[y, x, 0] - starless[y, x, 0], image[y, x, 1] - starless[y, x, 1], image[y, x, 2] - starless[y, x, 2]
            grey = 0.25 * (np.float64(r) + 2 * np.float64(g) + b)
            most = max(grey / max(grey - min(r, g, b), 1e-12), 1.0) if grey > 0 else 1.0
            share = min(amount, most)
            out[y, x, 0] = starless[y, x, 0] + grey + share * (r - grey)
            out[y, x, 1] = starless[y, x, 1] + grey + share * (g - grey)
            out[y, x, 2] = starless[y, x, 2] + grey + share * (b - grey)


@njit(cache=True, nogil=True, error_model="numpy")
def soft_light_of(base, layer):
    """W3C soft-light of a base in [0, 1] with the source .5 + layer/2, layer in [-1, 1]."""
    if layer <= 0:
        return base + layer * base * (1 - base)
    lifted = ((16 * base - 12) * base + 4) * base if base <= 0.25 else math.sqrt(base)
    return base + layer * (lifted - base)


@njit(cache=True, nogil=True, error_model="numpy")
def _limit(value):
    return min(max(value, 0.0), 1.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _blend(base, top, mode, amount, out, first, last):
    channels = base.shape[2]
    for y in range(first, last):
        for x in range(base.shape[1]):
            cover = 0.0
            if mode == NORMAL:
                for c in range(channels):
                    cover = max(cover, np.float64(top[y, x, c]))
                cover = _limit(amount * cover)
            for c in range(channels):
                below = np.float64(base[y, x, c])
                layer = min(amount * np.float64(top[y, x, c]), 1.0)
                if layer != layer or below != below:
                    out[y, x, c] = base[y, x, c]
                    continue
                below = _limit(below)
                if mode == SCREEN:
                    value = below + layer - below * layer
                elif mode == SOFT_LIGHT:
                    value = soft_light_of(below, max(layer, -1.0))
                elif mode == LIGHTEN:
                    value = max(below, layer)
                elif mode == PLUS_LIGHTER:
                    value = below + layer
                else:
                    value = layer + (1 - cover) * below
                out[y, x, c] = _limit(value)
