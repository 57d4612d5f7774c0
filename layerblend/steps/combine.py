"""The detail's lightness joins the colour's hue: its luminance in linear light, then lightness into colour on the display side.

All changes of lightness keep the hue: colour differences are scaled with lightness (``chroma="follow"``) or left (``"keep"``), and what
the display cannot show loses chroma only.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from layerblend.errors import ArgumentError, check_choice, check_display, check_image, check_range
from layerblend.kinds import Curve, DisplayRGB, LinearRGB, Plane
from layerblend.maths.bands import over_bands
from layerblend.maths.curve import gain_table, shown_of
from layerblend.maths.perceptual import (
    decode_of,
    decode_row,
    encode_row,
    lab_of,
    lab_row,
    oklab_of,
    oklab_row,
    quick_decode_of,
    quick_encode_of,
    saturate_row,
    saturation_of,
    saturation_ramp,
    shown_lab,
    shown_oklab,
    shown_oklab_row,
)
from layerblend.maths.robust import nan_filled
from layerblend.maths.wavelet import pool

MATCH_PX = 16.0  # scales above this take the colour layer's lightness
FLOOR = 1e-4  # lightness (of 1) below which a ratio of lightness means nothing
MOST_GAIN, LEAST_GAIN = 4.0, 0.0  # of chroma where it follows lightness: dark noise must not become colour


# ---------------------------------------------------------------- linear light
def lit_lightness(colour: LinearRGB, detail: Plane, curve: Curve, *, space: str = "oklab") -> Plane:
    """Display lightness of the colour stack lit by the detail luminance: the detail's luminance with the colour's differences, stretched.

    The differences R - Y, B - Y are added rather than ratios R/Y multiplied: ratios bring in the noise of the colour stack's own
    luminance, which cost 5 % of the detail's SNR on simulated scenes.

    Parameters
    ----------
    colour : (H, W, 3) float32, linear light, sky near 0; NaN = no data.
    detail : (H, W) float32, linear light, luminance (R + 2G + B)/4 wanted.
    curve : Curve of the result.
    space : "oklab" or "cielab".

    Returns
    -------
    (H, W) float32, 0..1: lightness of the stretched light colour + (detail - Y). No data in either gives the sky's lightness.
    """
    check_choice("space", space, ("oklab", "cielab"))
    colour = check_image("colour", colour, colour=True)
    detail = _same_plane(detail, colour)
    out: Any = np.empty(detail.shape, np.float32)
    constants = (curve.p, curve.s, curve.norm, float(decode_of(curve.sky)), gain_table(curve))
    over_bands(lambda first, last: _lit(colour, detail, *constants, space == "oklab", out, first, last), out.shape[0])
    return out


def match_lightness(lightness: Plane, to: Plane, *, sigma_px: float = MATCH_PX) -> Plane:
    """Lightness with its large scales (beyond about ``sigma_px``) taken from another picture of the same place; NaN stays NaN.

    Parameters
    ----------
    lightness, to : (H, W) float32, the same unit.
    """
    difference, _ = nan_filled(np.asarray(to - lightness, np.float32))
    return np.asarray(lightness + pool(difference, sigma_px), np.float32)


# ---------------------------------------------------------------- display
def lightness_of(display: Any, *, space: str = "oklab") -> Plane:
    """Lightness of a display picture, 0..1: Oklab L, or CIELAB L*/100.

    Parameters
    ----------
    display : (H, W, 3) or (H, W) float, sRGB-encoded.
    space : "oklab" or "cielab".
    """
    check_choice("space", space, ("oklab", "cielab"))
    picture: Any = check_image("display", display)
    out: Any = np.empty(picture.shape[:2], np.float32)
    if picture.ndim == 2:
        over_bands(lambda first, last: _lightness_grey(picture, space == "oklab", out, first, last), out.shape[0])
    else:
        over_bands(lambda first, last: _lightness_rgb(picture, space == "oklab", out, first, last), out.shape[0])
    return out


def combine_luminance(
    colour: DisplayRGB, luminance: Any, *, space: str = "oklab", amount: float = 1.0, chroma: str = "follow"
) -> DisplayRGB:
    """Give a colour picture the lightness of another: hue stays, chroma follows the lightness or is kept.

    Parameters
    ----------
    colour : (H, W, 3) float32, display.
    luminance : (H, W) float32, display-encoded grey whose lightness in ``space`` is wanted; or (H, W, 3), whose lightness is taken.
    space : "oklab" (Ottosson 2020) or "cielab" (CIE 15).
    amount : float 0 to 1, share of the new lightness; 0 gives ``colour`` back.
    chroma : "follow" scales chroma with lightness (as light on a surface does), "keep" leaves it.

    Returns
    -------
    (H, W, 3) float32, display, 0..1; colours that the display cannot show lose chroma at the same lightness and hue.

    Raises
    ------
    ArgumentError
        An unknown choice, an amount outside 0..1, pictures that are no display values or differ in size.

    References
    ----------
    Ottosson 2020, A perceptual color space for image processing (Oklab); CIE 15:2018 (CIELAB); IEC 61966-2-1 (sRGB).
    """
    check_choice("space", space, ("oklab", "cielab"))
    check_choice("chroma", chroma, ("follow", "keep"))
    check_range("amount", amount, 0.0, 1.0)
    colour = check_display("colour", colour, colour=True)
    luminance = check_display("luminance", luminance)
    if luminance.shape[:2] != colour.shape[:2]:
        raise ArgumentError(f"`luminance` {luminance.shape[:2]} and `colour` {colour.shape[:2]} differ in size.")
    if amount == 0:
        return colour.copy()
    return set_lightness(colour, lightness_of(luminance, space=space), space=space, amount=amount, chroma=chroma)


def set_lightness(
    display: DisplayRGB,
    lightness: Plane,
    *,
    space: str = "oklab",
    amount: float = 1.0,
    chroma: str = "follow",
    saturation: float = 1.0,
    sky: float | None = None,
) -> DisplayRGB:
    """A display picture with another lightness (0..1, the unit of :func:`lightness_of`); a NaN lightness leaves the pixel.

    Parameters and result as in :func:`combine_luminance`. ``saturation`` and ``sky``: more or less colour after it, in the same pass over
    the pixels (OkLCh in either space), as `steps.colour.saturate` gives it.
    """
    check_choice("space", space, ("oklab", "cielab"))
    check_choice("chroma", chroma, ("follow", "keep"))
    check_range("amount", amount, 0.0, 1.0)
    check_range("saturation", saturation, 0.0, 3.0)
    display = check_image("display", display, colour=True)
    lightness = _same_plane(lightness, display)
    out = np.empty_like(display)
    kernel: Any = _set_lab if space == "cielab" else _set_oklab if saturation == 1 else _set_and_saturate
    options = (float(amount), chroma == "follow", float(saturation), *saturation_ramp(saturation, sky))
    over_bands(lambda first, last: kernel(display, lightness, *options, out, first, last), out.shape[0])
    return out


def _same_plane(plane: Any, picture: Any) -> Plane:
    checked = check_image("the plane", plane, colour=False)
    if checked.shape != picture.shape[:2]:
        raise ArgumentError(f"The plane {checked.shape} and the picture {picture.shape[:2]} differ in size.")
    return checked


# ---------------------------------------------------------------- kernels
@njit(cache=True, nogil=True, error_model="numpy")
def relit_of(r, g, b, wanted):
    """One pixel of linear light with the luminance ``wanted`` and its own colour differences."""
    step = wanted - 0.25 * (r + 2 * g + b)
    return r + step, g + step, b + step


@njit(cache=True, nogil=True, error_model="numpy")
def _lit(colour, detail, p, s, norm, sky_light, table, oklab, out, first, last):
    light, lab = np.empty((3, colour.shape[1])), np.empty((3, colour.shape[1]))
    for y in range(first, last):
        for x in range(colour.shape[1]):
            r, g, b = np.float64(colour[y, x, 0]), np.float64(colour[y, x, 1]), np.float64(colour[y, x, 2])
            r, g, b = relit_of(r, g, b, np.float64(detail[y, x]))
            light[0, x], light[1, x], light[2, x] = shown_of(r, g, b, p, s, norm, sky_light, table)
        if oklab:
            oklab_row(light, lab)
        else:
            lab_row(light, lab)
        out[y] = lab[0]


@njit(cache=True, nogil=True, error_model="numpy")
def _lightness_grey(grey, oklab, out, first, last):
    for y in range(first, last):
        for x in range(grey.shape[1]):
            light = quick_decode_of(np.float64(grey[y, x]))
            out[y, x] = oklab_of(light, light, light)[0] if oklab else lab_of(light, light, light)[0] / 100


@njit(cache=True, nogil=True, error_model="numpy")
def _lightness_rgb(picture, oklab, out, first, last):
    light, lab = np.empty((3, picture.shape[1])), np.empty((3, picture.shape[1]))
    for y in range(first, last):
        decode_row(picture[y], light)
        if oklab:
            oklab_row(light, lab)
        else:
            lab_row(light, lab)
        out[y] = lab[0]


@njit(cache=True, nogil=True, error_model="numpy")
def chroma_gain(old, new, follow):
    """Factor of the colour differences when lightness goes from old to new."""
    if not follow:
        return 1.0
    return min(max(new / max(old, FLOOR), LEAST_GAIN), MOST_GAIN)


@njit(cache=True, nogil=True, error_model="numpy")
def _set_oklab(display, lightness, amount, follow, saturation, start, full, out, first, last):
    light, lab = np.empty((3, display.shape[1])), np.empty((3, display.shape[1]))
    for y in range(first, last):
        decode_row(display[y], light)
        oklab_row(light, lab)
        _lighten_row(lab, lightness[y], amount, follow)
        shown_oklab_row(lab, light)
        encode_row(light, out[y])
        _leave_unknown(display[y], lightness[y], out[y])


@njit(cache=True, nogil=True, error_model="numpy")
def _set_and_saturate(display, lightness, amount, follow, saturation, start, full, out, first, last):
    light, lab = np.empty((3, display.shape[1])), np.empty((3, display.shape[1]))
    for y in range(first, last):
        decode_row(display[y], light)
        oklab_row(light, lab)
        _lighten_row(lab, lightness[y], amount, follow)
        shown_oklab_row(lab, light)
        oklab_row(light, lab)
        saturate_row(lab, saturation, start, full)
        shown_oklab_row(lab, light)
        encode_row(light, out[y])


@njit(cache=True, nogil=True, error_model="numpy")
def _lighten_row(lab, lightness, amount, follow):
    """One row of Oklab with the wanted lightness, where there is one."""
    for x in range(lab.shape[1]):
        old, new = lab[0, x], np.float64(lightness[x])
        new = old + amount * (new - old) if new == new else old
        gain = chroma_gain(old, new, follow)
        lab[0, x], lab[1, x], lab[2, x] = new, gain * lab[1, x], gain * lab[2, x]


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_unknown(display, lightness, out):
    """Pixels without a wanted lightness stay as they are, to the bit."""
    for x in range(lightness.size):
        if lightness[x] != lightness[x]:
            out[x] = display[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _set_lab(display, lightness, amount, follow, saturation, start, full, out, first, last):
    for y in range(first, last):
        for x in range(display.shape[1]):
            r = quick_decode_of(np.float64(display[y, x, 0]))
            g = quick_decode_of(np.float64(display[y, x, 1]))
            b = quick_decode_of(np.float64(display[y, x, 2]))
            new = 100 * np.float64(lightness[y, x])
            if new == new:
                old, green_red, blue_yellow = lab_of(r, g, b)
                new = old + amount * (new - old)
                gain = chroma_gain(old, new, follow)
                r, g, b = shown_lab(new, gain * green_red, gain * blue_yellow)
            elif saturation == 1:
                out[y, x, 0], out[y, x, 1], out[y, x, 2] = display[y, x, 0], display[y, x, 1], display[y, x, 2]
                continue
            if saturation != 1:
                new, green_red, blue_yellow = oklab_of(r, g, b)
                gain = saturation_of(new, saturation, start, full)
                r, g, b = shown_oklab(new, gain * green_red, gain * blue_yellow)
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = quick_encode_of(r), quick_encode_of(g), quick_encode_of(b)
