"""Colour as the eye orders it: the sRGB transfer, Oklab, OkLCh and CIELAB, the sRGB gamut, and CIEDE2000.

Pixels are computed in float64 and rounded once, to the type of the array that came in, so that a way there and back stays within float32
rounding. Small functions of one pixel (their names end in ``_of``) serve the steps' own kernels, where the transfer may be
read from a table (``quick_``, 1e-7 of a code); the array functions wrap the exact ones.

References
----------
IEC 61966-2-1:1999 (sRGB transfer and primaries). Ottosson, B. (2020), "A perceptual color space for image processing" (Oklab).
CIE 15:2004 (CIELAB). W3C CSS Color Module Level 4, section 13 (gamut mapping by chroma reduction). Sharma, G., Wu, W. & Dalal, E.
(2005), Color Research & Application 30, 21 (CIEDE2000).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

from layerblend.kinds import Array
from layerblend.maths.bands import over_bands

# Linear sRGB -> cone responses -> Oklab, as published; the ways back are their exact inverses, so that nothing drifts.
CONES = np.array(
    [[0.4122214708, 0.5363325363, 0.0514459929], [0.2119034982, 0.6806995451, 0.1073969566], [0.0883024619, 0.2817188376, 0.6299787005]]
)
OKLAB = np.array(
    [[0.2104542553, 0.7936177850, -0.0040720468], [1.9779984951, -2.4285922050, 0.4505937099], [0.0259040371, 0.7827717662, -0.8086757660]]
)
CONES_BACK = np.linalg.inv(CONES)
OKLAB_BACK = np.linalg.inv(OKLAB)
# Linear sRGB -> XYZ (D65), from the primaries and white of IEC 61966-2-1; divided by white, so that neutral is exactly neutral.
XYZ = np.array(
    [[0.4123907993, 0.3575843394, 0.1804807884], [0.2126390059, 0.7151686788, 0.0721923154], [0.0193308187, 0.1191947798, 0.9505321522]]
)
XYZ_OVER_WHITE = XYZ / XYZ.sum(1, keepdims=True)
XYZ_OVER_WHITE_BACK = np.linalg.inv(XYZ_OVER_WHITE)

SRGB_KNEE, SRGB_KNEE_CODE, SRGB_SLOPE, SRGB_A, SRGB_GAMMA = 0.0031308, 0.04045, 12.92, 0.055, 2.4
LAB_DELTA = 6 / 29
GAMUT_STEPS = 32  # bisections of the chroma: 1e-9 of it
SKY_MARGIN = 1.25  # saturation starts above this multiple of the sky's code and is full at twice it
BELOW_GAMUT, ABOVE_GAMUT = 1e-7, 5e-7  # the rounding of float32, not a colour outside


TABLE = 4096  # steps of the quick decoding: below 1e-7 of a code


def _exact_decode(code: Array) -> Array:
    return np.where(code > SRGB_KNEE_CODE, ((code + SRGB_A) / (1 + SRGB_A)) ** SRGB_GAMMA, code / SRGB_SLOPE)


def _exact_encode(value: Array) -> Array:
    return np.where(value > SRGB_KNEE, (1 + SRGB_A) * value ** (1 / SRGB_GAMMA) - SRGB_A, value * SRGB_SLOPE)


_GRID = np.linspace(0, 1 + 1 / TABLE, TABLE + 2)
DECODED = _exact_decode(_GRID).astype(np.float32)  # over the code
# The way back over the bits of the light as float32: 2^9 straight pieces in each octave from 2^-9, below the knee, to 1.
ENCODE_BITS = 14
ENCODE_FROM = int(np.float32(2.0**-9).view(np.int32))
ENCODE_PIECES = (int(np.float32(1).view(np.int32)) - ENCODE_FROM) >> ENCODE_BITS
ENCODED = _exact_encode(
    (ENCODE_FROM + (np.arange(ENCODE_PIECES + 2, dtype=np.int32) << ENCODE_BITS)).astype(np.int32).view(np.float32).astype(np.float64)
).astype(np.float32)


# ---------------------------------------------------------------- one pixel
@njit(cache=True, nogil=True, error_model="numpy")
def cube_root(value):
    """Cube root to 1e-12: a guess from the exponent bits, then two steps of Halley's rule. No branch, so that loops over it use whole
    vectors."""
    size = abs(value)
    bits = np.float32(size).view(np.int32) // np.int32(3) + np.int32(709921077)
    root = np.float64(np.int32(bits).view(np.float32))
    for _ in range(2):
        cube = root * root * root
        root = root * (cube + size + size) / (cube + cube + size)
    return math.copysign(root, value)


@njit(cache=True, nogil=True, error_model="numpy")
def quick_decode_of(code):
    """Linear light of an sRGB code by table, exact outside 0..1 and below the knee."""
    if not SRGB_KNEE_CODE < code <= 1:
        return decode_of(code)
    place = code * TABLE
    step = int(place)
    return DECODED[step] + (place - step) * (DECODED[step + 1] - DECODED[step])


@njit(cache=True, nogil=True, error_model="numpy")
def quick_encode_of(value):
    """sRGB code of linear light by table, exact outside 0..1 and below the knee."""
    if not SRGB_KNEE < value <= 1:
        return encode_of(value)
    place = np.float32(value).view(np.int32) - np.int32(ENCODE_FROM)
    piece = place >> ENCODE_BITS
    part = (place & ((1 << ENCODE_BITS) - 1)) * (1 / (1 << ENCODE_BITS))
    return ENCODED[piece] + part * (ENCODED[piece + 1] - ENCODED[piece])


@njit(cache=True, nogil=True, error_model="numpy")
def encode_of(value):
    """sRGB code of linear light; the straight part goes on below 0."""
    if value > SRGB_KNEE:
        return (1 + SRGB_A) * value ** (1 / SRGB_GAMMA) - SRGB_A
    return value * SRGB_SLOPE


@njit(cache=True, nogil=True, error_model="numpy")
def decode_of(code):
    """Linear light of an sRGB code; the straight part goes on below 0."""
    if code > SRGB_KNEE_CODE:
        return ((code + SRGB_A) / (1 + SRGB_A)) ** SRGB_GAMMA
    return code / SRGB_SLOPE


@njit(cache=True, nogil=True, error_model="numpy")
def oklab_of(r, g, b):
    """Oklab (L, a, b) of linear sRGB."""
    long = cube_root(CONES[0, 0] * r + CONES[0, 1] * g + CONES[0, 2] * b)
    middle = cube_root(CONES[1, 0] * r + CONES[1, 1] * g + CONES[1, 2] * b)
    short = cube_root(CONES[2, 0] * r + CONES[2, 1] * g + CONES[2, 2] * b)
    return (
        OKLAB[0, 0] * long + OKLAB[0, 1] * middle + OKLAB[0, 2] * short,
        OKLAB[1, 0] * long + OKLAB[1, 1] * middle + OKLAB[1, 2] * short,
        OKLAB[2, 0] * long + OKLAB[2, 1] * middle + OKLAB[2, 2] * short,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def rgb_of_oklab(lightness, a, b):
    """Linear sRGB of Oklab, not limited to the gamut."""
    long = (OKLAB_BACK[0, 0] * lightness + OKLAB_BACK[0, 1] * a + OKLAB_BACK[0, 2] * b) ** 3
    middle = (OKLAB_BACK[1, 0] * lightness + OKLAB_BACK[1, 1] * a + OKLAB_BACK[1, 2] * b) ** 3
    short = (OKLAB_BACK[2, 0] * lightness + OKLAB_BACK[2, 1] * a + OKLAB_BACK[2, 2] * b) ** 3
    return (
        CONES_BACK[0, 0] * long + CONES_BACK[0, 1] * middle + CONES_BACK[0, 2] * short,
        CONES_BACK[1, 0] * long + CONES_BACK[1, 1] * middle + CONES_BACK[1, 2] * short,
        CONES_BACK[2, 0] * long + CONES_BACK[2, 1] * middle + CONES_BACK[2, 2] * short,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _lab_forward(t):
    return cube_root(t) if t > LAB_DELTA**3 else t / (3 * LAB_DELTA**2) + 4 / 29


@njit(cache=True, nogil=True, error_model="numpy")
def _lab_back(f):
    return f**3 if f > LAB_DELTA else 3 * LAB_DELTA**2 * (f - 4 / 29)


@njit(cache=True, nogil=True, error_model="numpy")
def lab_of(r, g, b):
    """CIELAB (L*, a*, b*), white D65, of linear sRGB."""
    x = _lab_forward(XYZ_OVER_WHITE[0, 0] * r + XYZ_OVER_WHITE[0, 1] * g + XYZ_OVER_WHITE[0, 2] * b)
    y = _lab_forward(XYZ_OVER_WHITE[1, 0] * r + XYZ_OVER_WHITE[1, 1] * g + XYZ_OVER_WHITE[1, 2] * b)
    z = _lab_forward(XYZ_OVER_WHITE[2, 0] * r + XYZ_OVER_WHITE[2, 1] * g + XYZ_OVER_WHITE[2, 2] * b)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


@njit(cache=True, nogil=True, error_model="numpy")
def rgb_of_lab(lightness, a, b):
    """Linear sRGB of CIELAB (D65), not limited to the gamut."""
    fy = (lightness + 16) / 116
    x, y, z = _lab_back(fy + a / 500), _lab_back(fy), _lab_back(fy - b / 200)
    return (
        XYZ_OVER_WHITE_BACK[0, 0] * x + XYZ_OVER_WHITE_BACK[0, 1] * y + XYZ_OVER_WHITE_BACK[0, 2] * z,
        XYZ_OVER_WHITE_BACK[1, 0] * x + XYZ_OVER_WHITE_BACK[1, 1] * y + XYZ_OVER_WHITE_BACK[1, 2] * z,
        XYZ_OVER_WHITE_BACK[2, 0] * x + XYZ_OVER_WHITE_BACK[2, 1] * y + XYZ_OVER_WHITE_BACK[2, 2] * z,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def inside_gamut(r, g, b):
    """Whether linear sRGB can be shown, but for rounding."""
    low, high = min(r, g, b), max(r, g, b)
    return low >= -BELOW_GAMUT and high <= 1 + ABOVE_GAMUT


@njit(cache=True, nogil=True, error_model="numpy")
def _limit(value):
    return min(max(value, 0.0), 1.0)


@njit(cache=True, nogil=True, error_model="numpy")
def shown_oklab(lightness, a, b):
    """Linear sRGB in [0, 1] of an Oklab colour: the same lightness and hue, as much of the chroma as the gamut holds."""
    if lightness != lightness or a != a or b != b:
        return np.nan, np.nan, np.nan
    lightness = _limit(lightness)
    r, g, blue = rgb_of_oklab(lightness, a, b)
    if not inside_gamut(r, g, blue):
        low, high = 0.0, 1.0
        for _ in range(GAMUT_STEPS):
            share = 0.5 * (low + high)
            r, g, blue = rgb_of_oklab(lightness, share * a, share * b)
            if inside_gamut(r, g, blue):
                low = share
            else:
                high = share
        r, g, blue = rgb_of_oklab(lightness, low * a, low * b)
    return _limit(r), _limit(g), _limit(blue)


@njit(cache=True, nogil=True, error_model="numpy")
def shown_lab(lightness, a, b):
    """Linear sRGB in [0, 1] of a CIELAB colour: the same L* and hue angle, as much of the chroma as the gamut holds."""
    if lightness != lightness or a != a or b != b:
        return np.nan, np.nan, np.nan
    lightness = min(max(lightness, 0.0), 100.0)
    r, g, blue = rgb_of_lab(lightness, a, b)
    if not inside_gamut(r, g, blue):
        low, high = 0.0, 1.0
        for _ in range(GAMUT_STEPS):
            share = 0.5 * (low + high)
            r, g, blue = rgb_of_lab(lightness, share * a, share * b)
            if inside_gamut(r, g, blue):
                low = share
            else:
                high = share
        r, g, blue = rgb_of_lab(lightness, low * a, low * b)
    return _limit(r), _limit(g), _limit(blue)


@njit(cache=True, nogil=True, error_model="numpy")
def saturation_of(lightness, amount, start, full):
    """Factor of the chroma for more or less colour, eased in between two lightnesses (the same everywhere where they are equal)."""
    share = 1.0
    if full > start:
        t = min(max((lightness - start) / (full - start), 0.0), 1.0)
        share = t * t * (3 - 2 * t)
    return 1 + share * (amount - 1)


def saturation_ramp(amount: float, sky: float | None) -> tuple[float, float]:
    """Oklab lightnesses between which more colour eases in, above a sky of display code ``sky``; less colour is the same everywhere."""
    if sky is None or amount <= 1:
        return -1.0, -1.0
    return _grey_lightness(SKY_MARGIN * sky), _grey_lightness(2 * sky)


def _grey_lightness(code: float) -> float:
    light = quick_decode_of(float(code))
    return float(oklab_of(light, light, light)[0])


# ---------------------------------------------------------------- one row of pixels
# Split into table reads and loops without branches, a row takes a third of the time of its pixels one by one: such loops use whole
# vectors, as long as kernels call these functions themselves and make no choice between them (either stops the compiler). Light and
# Oklab lie in (3, W) float64 rows.
@njit(cache=True, nogil=True, error_model="numpy")
def decode_row(picture, light):
    """Linear light of one row (W, 3) of sRGB codes."""
    for c in range(3):
        outside = 0
        for x in range(picture.shape[0]):
            code = np.float64(picture[x, c])
            inside = (code >= 0) & (code <= 1)
            outside += not inside
            place = (code if inside else 0.0) * TABLE
            step = np.uint32(place)
            light[c, x] = DECODED[step] + (place - step) * (DECODED[step + np.uint32(1)] - DECODED[step])
        if outside:
            for x in range(picture.shape[0]):
                light[c, x] = quick_decode_of(np.float64(picture[x, c]))


@njit(cache=True, nogil=True, error_model="numpy")
def encode_row(light, out):
    """sRGB codes of one row of linear light, into (W, 3)."""
    for c in range(3):
        beyond = 0
        for x in range(out.shape[0]):
            value = light[c, x]
            beyond += value > 1
            curved = (value > SRGB_KNEE) & (value <= 1)
            place = np.float32(value if curved else 1.0).view(np.int32) - np.int32(ENCODE_FROM)
            piece = np.uint32(place >> ENCODE_BITS)
            part = (place & ((1 << ENCODE_BITS) - 1)) * (1 / (1 << ENCODE_BITS))
            code = ENCODED[piece] + part * (ENCODED[piece + np.uint32(1)] - ENCODED[piece])
            out[x, c] = code if curved else value * SRGB_SLOPE
        if beyond:
            for x in range(out.shape[0]):
                out[x, c] = quick_encode_of(light[c, x])


@njit(cache=True, nogil=True, error_model="numpy")
def oklab_row(light, oklab):
    """Oklab of one row of linear light."""
    for x in range(light.shape[1]):
        oklab[0, x], oklab[1, x], oklab[2, x] = oklab_of(light[0, x], light[1, x], light[2, x])


@njit(cache=True, nogil=True, error_model="numpy")
def lab_row(light, lab):
    """CIELAB, over 100, of one row of linear light."""
    for x in range(light.shape[1]):
        lightness, a, b = lab_of(light[0, x], light[1, x], light[2, x])
        lab[0, x], lab[1, x], lab[2, x] = lightness / 100, a / 100, b / 100


@njit(cache=True, nogil=True, error_model="numpy")
def shown_oklab_row(oklab, light):
    """One row of `shown_oklab`."""
    for x in range(light.shape[1]):
        light[0, x], light[1, x], light[2, x] = rgb_of_oklab(_limit(oklab[0, x]), oklab[1, x], oklab[2, x])
    for x in range(light.shape[1]):
        if inside_gamut(light[0, x], light[1, x], light[2, x]):
            light[0, x], light[1, x], light[2, x] = _limit(light[0, x]), _limit(light[1, x]), _limit(light[2, x])
        else:
            light[0, x], light[1, x], light[2, x] = shown_oklab(oklab[0, x], oklab[1, x], oklab[2, x])


@njit(cache=True, nogil=True, error_model="numpy")
def saturate_row(oklab, amount, start, full):
    """More or less colour in one row of Oklab."""
    for x in range(oklab.shape[1]):
        gain = saturation_of(oklab[0, x], amount, start, full)
        oklab[1, x] *= gain
        oklab[2, x] *= gain


# ---------------------------------------------------------------- arrays
def encode_srgb(linear: Any) -> Array:
    """sRGB code values of linear light, any shape (IEC 61966-2-1); not clipped, the straight part goes on below 0."""
    return _valuewise(_encode_values, linear)


def decode_srgb(code: Any) -> Array:
    """Linear light of sRGB code values, any shape (IEC 61966-2-1); not clipped."""
    return _valuewise(_decode_values, code)


def linear_to_oklab(linear: Any) -> Array:
    """Oklab (L 0..1, a, b) of linear sRGB, both (..., 3) (Ottosson 2020)."""
    return _pixelwise(_to_oklab, linear)


def oklab_to_linear(oklab: Any) -> Array:
    """Linear sRGB of Oklab, both (..., 3); colours outside the gamut stay outside."""
    return _pixelwise(_from_oklab, oklab)


def linear_to_lab(linear: Any) -> Array:
    """CIELAB (L* 0..100, a*, b*; D65, CIE 15) of linear sRGB, both (..., 3)."""
    return _pixelwise(_to_lab, linear)


def lab_to_linear(lab: Any) -> Array:
    """Linear sRGB of CIELAB (D65), both (..., 3); colours outside the gamut stay outside."""
    return _pixelwise(_from_lab, lab)


def map_gamut(oklab: Any) -> Array:
    """Linear sRGB in [0, 1] of Oklab, both (..., 3): chroma is reduced at constant lightness and hue until the colour can be shown."""
    return _pixelwise(_gamut, oklab)


def map_gamut_lab(lab: Any) -> Array:
    """Linear sRGB in [0, 1] of CIELAB, both (..., 3): chroma is reduced at constant L* and hue angle until the colour can be shown."""
    return _pixelwise(_gamut_lab, lab)


def oklab_to_oklch(oklab: Any) -> Array:
    """OkLCh (L, chroma, hue in degrees 0..360) of Oklab, both (..., 3)."""
    values = np.asarray(oklab)
    hue = np.degrees(np.arctan2(values[..., 2], values[..., 1])) % 360.0
    return np.stack([values[..., 0], np.hypot(values[..., 1], values[..., 2]), hue], -1).astype(values.dtype)


def oklch_to_oklab(oklch: Any) -> Array:
    """Oklab of OkLCh (hue in degrees), both (..., 3)."""
    values = np.asarray(oklch)
    hue = np.radians(values[..., 2])
    return np.stack([values[..., 0], values[..., 1] * np.cos(hue), values[..., 1] * np.sin(hue)], -1).astype(values.dtype)


def delta_e_2000(lab1: Any, lab2: Any) -> Array:
    """Colour difference CIEDE2000 (kL = kC = kH = 1) of two CIELAB arrays (..., 3) (Sharma, Wu & Dalal 2005).

    Returns
    -------
    (...) array of the inputs' type.
    """
    first, second = np.broadcast_arrays(np.asarray(lab1), np.asarray(lab2))
    kind = np.result_type(first.dtype, second.dtype, np.float32)
    flat1 = np.ascontiguousarray(first, kind).reshape(-1, 3)
    flat2 = np.ascontiguousarray(second, kind).reshape(-1, 3)
    out = np.empty(flat1.shape[0], kind)
    over_bands(lambda first_row, last_row: _delta_e(flat1, flat2, out, first_row, last_row), out.size)
    return out.reshape(first.shape[:-1])


def _pixelwise(kernel: Any, image: Any) -> Array:
    """Run a kernel over the pixels of a (..., 3) array."""
    array = _as_float(image)
    flat = np.ascontiguousarray(array).reshape(-1, 3)
    out = np.empty_like(flat)
    over_bands(lambda first, last: kernel(flat, out, first, last), flat.shape[0])
    return out.reshape(array.shape)


def _valuewise(kernel: Any, values: Any) -> Array:
    """Run a kernel over the single values of an array of any shape."""
    array = _as_float(values)
    flat = np.ascontiguousarray(array).reshape(-1)
    out = np.empty_like(flat)
    over_bands(lambda first, last: kernel(flat, out, first, last), flat.size)
    return out.reshape(array.shape)


def _as_float(values: Any) -> Array:
    array = np.asarray(values)
    return array if array.dtype in (np.float32, np.float64) else array.astype(np.float64)


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True, error_model="numpy")
def _encode_values(values, out, first, last):
    for i in range(first, last):
        out[i] = encode_of(np.float64(values[i]))


@njit(cache=True, nogil=True, error_model="numpy")
def _decode_values(values, out, first, last):
    for i in range(first, last):
        out[i] = decode_of(np.float64(values[i]))


@njit(cache=True, nogil=True, error_model="numpy")
def _to_oklab(pixels, out, first, last):
    for i in range(first, last):
        out[i, 0], out[i, 1], out[i, 2] = oklab_of(np.float64(pixels[i, 0]), np.float64(pixels[i, 1]), np.float64(pixels[i, 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _from_oklab(pixels, out, first, last):
    for i in range(first, last):
        out[i, 0], out[i, 1], out[i, 2] = rgb_of_oklab(np.float64(pixels[i, 0]), np.float64(pixels[i, 1]), np.float64(pixels[i, 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _to_lab(pixels, out, first, last):
    for i in range(first, last):
        out[i, 0], out[i, 1], out[i, 2] = lab_of(np.float64(pixels[i, 0]), np.float64(pixels[i, 1]), np.float64(pixels[i, 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _from_lab(pixels, out, first, last):
    for i in range(first, last):
        out[i, 0], out[i, 1], out[i, 2] = rgb_of_lab(np.float64(pixels[i, 0]), np.float64(pixels[i, 1]), np.float64(pixels[i, 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _gamut(pixels, out, first, last):
    for i in range(first, last):
        out[i, 0], out[i, 1], out[i, 2] = shown_oklab(np.float64(pixels[i, 0]), np.float64(pixels[i, 1]), np.float64(pixels[i, 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _gamut_lab(pixels, out, first, last):
    for i in range(first, last):
        out[i, 0], out[i, 1], out[i, 2] = shown_lab(np.float64(pixels[i, 0]), np.float64(pixels[i, 1]), np.float64(pixels[i, 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _delta_e(lab1, lab2, out, first, last):
    for i in range(first, last):
        out[i] = _delta_e_of(
            np.float64(lab1[i, 0]), np.float64(lab1[i, 1]), np.float64(lab1[i, 2]),
            np.float64(lab2[i, 0]), np.float64(lab2[i, 1]), np.float64(lab2[i, 2]),
        )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _hue_of(a, b):
    """Hue angle in degrees 0..360, 0 for grey."""
    if a == 0 and b == 0:
        return 0.0
    return math.degrees(math.atan2(b, a)) % 360.0


@njit(cache=True, nogil=True, error_model="numpy")
def _delta_e_of(l1, a1, b1, l2, a2, b2):
    """CIEDE2000 of two colours; numbers in brackets are the equations of Sharma et al. 2005."""
    mean_chroma7 = (0.5 * (math.hypot(a1, b1) + math.hypot(a2, b2))) ** 7  # (2), (3)
    stretch = 1.5 - 0.5 * math.sqrt(mean_chroma7 / (mean_chroma7 + 25.0**7))  # (4)
    a1, a2 = a1 * stretch, a2 * stretch  # (5)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)  # (6)
    h1, h2 = _hue_of(a1, b1), _hue_of(a2, b2)  # (7)
    turn, mean_hue = 0.0, h1 + h2
    if c1 * c2 != 0:
        turn, mean_hue = h2 - h1, 0.5 * (h1 + h2)  # (10), (14)
        if abs(h2 - h1) > 180:
            turn += 360.0 if h2 <= h1 else -360.0
            mean_hue += 180.0 if h1 + h2 < 360 else -180.0
    d_hue = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(0.5 * turn))  # (11)
    lightness, chroma = 0.5 * (l1 + l2), 0.5 * (c1 + c2)  # (12), (13)
    weight = (
        1
        - 0.17 * math.cos(math.radians(mean_hue - 30))
        + 0.24 * math.cos(math.radians(2 * mean_hue))
        + 0.32 * math.cos(math.radians(3 * mean_hue + 6))
        - 0.20 * math.cos(math.radians(4 * mean_hue - 63))
    )  # (15)
    chroma7 = chroma**7
    twist = -math.sin(math.radians(60 * math.exp(-(((mean_hue - 275) / 25) ** 2)))) * 2 * math.sqrt(chroma7 / (chroma7 + 25.0**7))
    offset = (lightness - 50) ** 2
    term_l = (l2 - l1) / (1 + 0.015 * offset / math.sqrt(20 + offset))  # (18)
    term_c = (c2 - c1) / (1 + 0.045 * chroma)  # (19)
    term_h = d_hue / (1 + 0.015 * chroma * weight)  # (20)
    return math.sqrt(max(term_l**2 + term_c**2 + term_h**2 + twist * term_c * term_h, 0.0))  # (22)
