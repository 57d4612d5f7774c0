"""The picture: colour lit by the detail, sharpened and saturated, a second filter's light and the stars over it; and the plain stack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from layerblend.kinds import Curve, DisplayRGB, LinearRGB, Plane
from layerblend.maths.curve import stretch
from layerblend.maths.robust import MAD_TO_SIGMA, mad_sigma
from layerblend.maths.wavelet import measuring_tiles
from layerblend.steps.blend import blend
from layerblend.steps.colour import hue_layer, saturate
from layerblend.steps.combine import lightness_of, lit_lightness, match_lightness, set_lightness
from layerblend.steps.detail import Gates, apply_gates, bend_core, sharpen_gates

from .layers import AddedLight, ColourLayer, DetailLayer
from .starlight import StarLight


@dataclass(frozen=True)
class LitColour:
    """The stretched colour and the lightness that the detail gives it, kept because they do not change with how much of it is taken.

    ``own``, ``lit``: lightness of the colour itself and as the detail lights it. ``half``: half the difference of the half-sets in ``lit``
    where noise is measured, NaN elsewhere. ``resolved`` False: the detail's stars are too narrow to sharpen by.
    """

    picture: DisplayRGB
    own: Plane
    lit: Plane
    half: Plane | None = None
    resolved: bool = True


def full_lit_colour(colour: ColourLayer, detail: DetailLayer, curve: Curve, *, space: str) -> LitColour:
    """The lit colour of the whole set."""
    return lit_colour(colour.image, detail.light, curve, detail.half_light, space=space, resolved=detail.resolved)


def lit_colour(colour: LinearRGB, light: Plane, curve: Curve, half_light: Plane | None, *, space: str, resolved: bool = True) -> LitColour:
    """The colour stretched, and its lightness lit by the detail, its large scales those of the colour.

    ``half_light``: half the difference of the half-sets through the detail's operator, from which the sharpening learns its noise.
    """
    picture = stretch(colour, curve)
    own = lightness_of(picture, space=space)
    lit = _lit_lightness(colour, light, curve, own, space)
    half = None if half_light is None else _half_lightness(colour, light, half_light, curve, lit, own, space)
    return LitColour(picture, own, lit, half, resolved)


def _lit_lightness(colour: LinearRGB, light: Plane, curve: Curve, own: Plane, space: str) -> Plane:
    return match_lightness(lit_lightness(colour, light, curve, space=space), own)


def _half_lightness(colour: LinearRGB, light: Plane, half_light: Plane, curve: Curve, lit: Plane, own: Plane, space: str) -> Plane:
    half = np.full_like(lit, np.nan)
    for place in measuring_tiles(*lit.shape):
        half[place] = _lit_lightness(colour[place], light[place] + half_light[place], curve, own[place], space) - lit[place]
    return half


@dataclass(frozen=True)
class Base:
    """The starless picture and the frozen sharpening that made it."""

    picture: DisplayRGB
    sharpening: Gates | None


def full_base(lit: LitColour, curve: Curve, second: AddedLight | None = None, *, added: Sequence[float] = (), **settings: Any) -> Base:
    """The starless picture of the whole set; ``added``: hue and amount of the ``second`` filter's light, if there is one."""
    base = starless_picture(lit, curve, **settings)
    return base if second is None else with_added(base, second.plane, *added)


def starless_picture(
    lit: LitColour,
    curve: Curve,
    sharpening: Gates | None = None,
    *,
    space: str,
    amount: float,
    chroma: str,
    sharpen: Sequence[float],
    core: float,
    saturation: float,
) -> Base:
    """Colour lit by the detail: exchange lightness, sharpen, bend the core, saturate.

    ``sharpening``: gates to use instead of new ones (for half-sets).
    """
    lightness, gates = lit.own, None
    if amount > 0:
        lightness = lit.own + np.float32(amount) * (lit.lit - lit.own)
    if lit.resolved and any(gain != 1 for gain in sharpen):
        gates = sharpening
        if gates is None:
            half = None if lit.half is None or amount == 0 else np.float32(amount) * lit.half
            gates = _sharpening(lightness, half, sharpen)
        lightness = apply_gates(gates, lightness)
    if core > 0:
        lightness = bend_core(lightness, core)
    if lightness is lit.own:
        return Base(saturate(lit.picture, saturation, sky=curve.sky), gates)
    return Base(set_lightness(lit.picture, lightness, space=space, chroma=chroma, saturation=saturation, sky=curve.sky), gates)


def _sharpening(lightness: Plane, half: Plane | None, gains: Sequence[float]) -> Gates:
    """Gates of the sharpening."""
    noise = mad_sigma(lightness) if half is None else MAD_TO_SIGMA * float(np.median(np.abs(half[np.isfinite(half)])))
    return sharpen_gates(lightness, gains, sigma=max(noise, 1e-6), half_difference=half)


def with_added(base: Base, plane: Plane, hue: float, amount: float) -> Base:
    """The starless picture with a second filter's light screened over it."""
    return replace(base, picture=blend(base.picture, hue_layer(plane, hue), "screen", amount))


def join(base: Base, stars: StarLight, *, mode: str, amount: float) -> DisplayRGB:
    """Stars over the starless picture."""
    return blend(base.picture, stars.layer, mode, amount)


def plain_picture(linear: LinearRGB, curve: Curve) -> DisplayRGB:
    """The plain stack with sky, white and curve, nothing else."""
    return stretch(linear, curve)
