"""The one stretch of a result, from linear light to display values and back.

The code y(v) = asinh((v + p)/s)/norm (the form of Lupton et al. 2004, PASP 116, 133) is given to the largest channel of u = v + p, and
linear display light keeps the ratios of u: hue and saturation are those of the light. The pedestal p makes the sky grey and keeps it
clear of 0. Lupton et al. keep the ratios of *encoded* values instead, which oversaturates and turns hues once the display decodes
them. Codes above .8 roll off along .8 + .2 t/(1 + t) and never reach 1.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

from layerblend.errors import ArgumentError
from layerblend.kinds import Array, Curve
from layerblend.maths.bands import over_bands
from layerblend.maths.perceptual import decode_of, decode_row, encode_of, encode_row, quick_decode_of, quick_encode_of

SHOULDER = 0.8
MOST = 1 - 1e-12  # the shoulder's end belongs to infinite light
SQUARES_END = 1e150  # beyond this a square is infinite in float64; the asinh is ln 2x there, to rounding
# The quick gain is read from a table over the bits of u/s as float32: 2^11 straight pieces in each octave, 1e-7 of the gain.
PIECE_BITS = 12
FIRST_OCTAVE, LAST_OCTAVE = -14, 14
FIRST_BITS = int(np.float32(2.0**FIRST_OCTAVE).view(np.int32))
EXACT = np.zeros(0)  # in place of a table: no quick gain
PIECES = (int(np.float32(2.0**LAST_OCTAVE).view(np.int32)) - FIRST_BITS) >> PIECE_BITS
# The quick light of a code below the shoulder, from a table over the codes: (norm/CODE_PIECES)^2/8 of it at most, 1e-8 for norm 10.
CODE_PIECES = 1 << 15


# ---------------------------------------------------------------- one pixel
@njit(cache=True, nogil=True, error_model="numpy")
def asinh_of(x):
    """asinh for x >= 0, exact to rounding also for small x."""
    if x > SQUARES_END:
        return math.log(x) + math.log(2.0)
    square = x * x
    return math.log1p(x + square / (1 + math.sqrt(square + 1)))


@njit(cache=True, nogil=True, error_model="numpy")
def shoulder_of(code):
    """Roll off codes above .8 so that 1 is never reached."""
    if code <= SHOULDER:
        return code
    t = (code - SHOULDER) / (1 - SHOULDER)
    return SHOULDER + (1 - SHOULDER) * t / (1 + t)


@njit(cache=True, nogil=True, error_model="numpy")
def unshoulder_of(code):
    """Inverse of the roll-off."""
    if code <= SHOULDER:
        return code
    t = min((code - SHOULDER) / (1 - SHOULDER), MOST)
    return SHOULDER + (1 - SHOULDER) * t / (1 - t)


@njit(cache=True, nogil=True, error_model="numpy")
def code_of(u, s, norm):
    """Display code of light with the pedestal on it, u = v + p; 0 for u <= 0."""
    if u <= 0:
        return 0.0
    return shoulder_of(asinh_of(u / s) / norm)


@njit(cache=True, nogil=True, error_model="numpy")
def light_of(code, s, norm):
    """Light with the pedestal on it of a display code."""
    return math.sinh(unshoulder_of(code) * norm) * s


@njit(cache=True, nogil=True, error_model="numpy")
def gain_of(u, s, norm):
    """What linear display light is of light with the pedestal on it, u > 0, as a factor."""
    return decode_of(code_of(u, s, norm)) / u


@njit(cache=True, nogil=True, error_model="numpy")
def quick_gain_of(u, s, norm, table):
    """The same read from the curve's table."""
    scaled = u / s
    if not 2.0**FIRST_OCTAVE <= scaled < 2.0**LAST_OCTAVE:
        return gain_of(u, s, norm)
    place = np.float32(scaled).view(np.int32) - np.int32(FIRST_BITS)
    piece = place >> PIECE_BITS
    part = (place & ((1 << PIECE_BITS) - 1)) * (1 / (1 << PIECE_BITS))
    return table[piece] + part * (table[piece + 1] - table[piece])


@njit(cache=True, nogil=True, error_model="numpy")
def quick_light_of(code, s, norm, table):
    """Light with the pedestal on it of a display code, read from the curve's table."""
    if not 0 <= code < SHOULDER:
        return light_of(code, s, norm)
    place = code * (CODE_PIECES / SHOULDER)
    piece = int(place)
    return table[piece] + (place - piece) * (table[piece + 1] - table[piece])


# ---------------------------------------------------------------- arrays
def gain_table(curve: Curve) -> Array:
    """What `quick_gain_of` reads for a curve, float64."""
    scaled = (FIRST_BITS + (np.arange(PIECES + 2, dtype=np.int32) << PIECE_BITS)).astype(np.int32).view(np.float32)
    return np.asarray(_gains(scaled.astype(np.float64) * curve.s, curve.s, curve.norm))


def light_table(curve: Curve) -> Array:
    """What `quick_light_of` reads for a curve, float64."""
    return np.sinh(np.arange(CODE_PIECES + 2) * (SHOULDER / CODE_PIECES) * curve.norm) * curve.s


def stretch(image: Any, curve: Curve) -> Array:
    """Linear light to display values by the result's curve; hue is kept, cores roll off, nothing is clipped above.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) float, linear light, sky near 0; NaN = no data.
    curve : Curve.

    Returns
    -------
    array of the same shape and type, 0 <= value < 1. Light below -p gives 0 (crushed); no data gives grey at sky level.

    Raises
    ------
    ArgumentError
        ``image`` is no picture in floats, ``curve`` no Curve.

    References
    ----------
    Lupton et al. 2004, PASP 116, 133; IEC 61966-2-1 (encoding).
    """
    array, mono = _pixels(image, curve)
    out = np.empty_like(array)
    p, s, norm, sky = curve.p, curve.s, curve.norm, curve.sky
    if mono:
        over_bands(lambda first, last: _stretch_mono(array, p, s, norm, sky, out, first, last), array.shape[0])
        return out
    table = gain_table(curve) if array.itemsize == 4 else EXACT
    over_bands(lambda first, last: _stretch_rgb(array, p, s, norm, sky, table, out, first, last), array.shape[0])
    return out


def unstretch(display: Any, curve: Curve) -> Array:
    """Display values back to linear light: the exact inverse of :func:`stretch` for pixels that were not crushed.

    Parameters
    ----------
    display : (H, W, 3) or (H, W) float, 0 <= value < 1.
    curve : Curve.

    Returns
    -------
    array of the same shape and type, linear light; inf where the display value is 1, or so near to it that its light is beyond the type.

    Raises
    ------
    ArgumentError
        ``display`` is no picture in floats, ``curve`` no Curve.

    References
    ----------
    Lupton et al. 2004, PASP 116, 133; IEC 61966-2-1 (decoding).
    """
    array, mono = _pixels(display, curve)
    out = np.empty_like(array)
    p, s, norm = curve.p, curve.s, curve.norm
    if mono:
        over_bands(lambda first, last: _unstretch_mono(array, p, s, norm, out, first, last), array.shape[0])
        return out
    table = light_table(curve) if array.itemsize == 4 else EXACT
    over_bands(lambda first, last: _unstretch_rgb(array, p, s, norm, table, out, first, last), array.shape[0])
    return out


def _pixels(image: Any, curve: Curve) -> tuple[Array, bool]:
    """The picture as a contiguous float array, and whether it is mono."""
    if not isinstance(curve, Curve):
        raise ArgumentError(f"`curve` must be a Curve, as fit_curve gives it, got {type(curve).__name__}.")
    array = np.asarray(image)
    if array.dtype.kind != "f":
        raise ArgumentError(f"The stretch needs floats, got {array.dtype}.")
    if array.ndim not in (2, 3) or (array.ndim == 3 and array.shape[2] != 3):
        raise ArgumentError(f"The stretch needs the shape (H, W) or (H, W, 3), got {array.shape}.")
    kind = np.float64 if array.dtype == np.float64 else np.float32
    return np.ascontiguousarray(array, kind), array.ndim == 2


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True, error_model="numpy")
def _gains(lights, s, norm):
    out = np.empty_like(lights)
    for i in range(lights.size):
        out[i] = gain_of(lights[i], s, norm)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def shown_of(r, g, b, p, s, norm, sky_light, table):
    """Linear display light of one pixel of linear light; the curve's ``table`` where the result is rounded to float32, else ``EXACT``."""
    r, g, b = r + p, g + p, b + p
    if r != r or g != g or b != b:
        return sky_light, sky_light, sky_light
    most = max(r, g, b)
    if most <= 0:
        return 0.0, 0.0, 0.0
    gain = quick_gain_of(most, s, norm, table) if table.size else gain_of(most, s, norm)
    return max(r, 0.0) * gain, max(g, 0.0) * gain, max(b, 0.0) * gain


@njit(cache=True, nogil=True, error_model="numpy")
def stretched_of(r, g, b, p, s, norm, sky, table):
    """Display values of one pixel of linear light; ``table`` as in `shown_of`."""
    if r != r or g != g or b != b:
        return sky, sky, sky
    r, g, b = shown_of(r, g, b, p, s, norm, 0.0, table)
    if table.size:
        return quick_encode_of(r), quick_encode_of(g), quick_encode_of(b)
    return encode_of(r), encode_of(g), encode_of(b)


@njit(cache=True, nogil=True, error_model="numpy")
def _stretch_rgb(image, p, s, norm, sky, table, out, first, last):
    if not table.size:
        for y in range(first, last):
            for x in range(image.shape[1]):
                r, g, b = np.float64(image[y, x, 0]), np.float64(image[y, x, 1]), np.float64(image[y, x, 2])
                out[y, x, 0], out[y, x, 1], out[y, x, 2] = stretched_of(r, g, b, p, s, norm, sky, table)
        return
    light, sky_light = np.empty((3, image.shape[1])), quick_decode_of(sky)
    for y in range(first, last):
        for x in range(image.shape[1]):
            r, g, b = np.float64(image[y, x, 0]), np.float64(image[y, x, 1]), np.float64(image[y, x, 2])
            light[0, x], light[1, x], light[2, x] = shown_of(r, g, b, p, s, norm, sky_light, table)
        encode_row(light, out[y])


@njit(cache=True, nogil=True, error_model="numpy")
def _stretch_mono(image, p, s, norm, sky, out, first, last):
    for y in range(first, last):
        for x in range(image.shape[1]):
            value = np.float64(image[y, x])
            out[y, x] = sky if value != value else code_of(value + p, s, norm)


@njit(cache=True, nogil=True, error_model="numpy")
def light_again(r, g, b, most_light, p):
    """Linear light of one pixel of linear display light, the largest channel's light given."""
    most = max(r, g, b)
    gain = most_light / most if most > 0 else 0.0
    return r * gain - p, g * gain - p, b * gain - p


@njit(cache=True, nogil=True, error_model="numpy")
def _unstretch_rgb(display, p, s, norm, table, out, first, last):
    if not table.size:
        for y in range(first, last):
            for x in range(display.shape[1]):
                r, g, b = np.float64(display[y, x, 0]), np.float64(display[y, x, 1]), np.float64(display[y, x, 2])
                light = light_of(max(r, g, b), s, norm)
                out[y, x, 0], out[y, x, 1], out[y, x, 2] = light_again(decode_of(r), decode_of(g), decode_of(b), light, p)
        return
    shown = np.empty((3, display.shape[1]))
    for y in range(first, last):
        decode_row(display[y], shown)
        for x in range(display.shape[1]):
            code = np.float64(max(display[y, x, 0], display[y, x, 1], display[y, x, 2]))
            light = quick_light_of(code, s, norm, table)
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = light_again(shown[0, x], shown[1, x], shown[2, x], light, p)


@njit(cache=True, nogil=True, error_model="numpy")
def _unstretch_mono(display, p, s, norm, out, first, last):
    for y in range(first, last):
        for x in range(display.shape[1]):
            out[y, x] = light_of(np.float64(display[y, x]), s, norm) - p
