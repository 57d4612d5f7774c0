"""The half-sets through the frozen operators of the whole set: what noise is measured on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from layerblend.kinds import Curve, DisplayRGB, LinearRGB, Plane, Stack, StarShape, working_luminance
from layerblend.maths.curve import stretch
from layerblend.steps.colour import apply_colour_gates, limit_green
from layerblend.steps.detail import apply_gates
from layerblend.steps.split import Split

from .layers import AddedLight, ColourLayer, DetailLayer, over_sky
from .picture import Base, join, lit_colour, starless_picture, with_added
from .starlight import StarLight, star_light, with_cores


def half_base(
    base: Base,
    colour: ColourLayer,
    detail: DetailLayer,
    curve: Curve,
    colour_split: Split,
    colour_half: LinearRGB | None,
    detail_split: Split,
    detail_half: LinearRGB | None,
    second: Plane | None = None,
    *,
    added: Sequence[float] = (),
    **settings: Any,
) -> Base | None:
    """The starless picture of one half-set, every operator as the whole set had it."""
    if colour_half is None or detail_half is None:
        return None
    light = working_luminance(_starless_half(detail_half, detail_split))
    image = _starless_half(colour_half, colour_split)
    if colour.gates is not None:
        image = apply_colour_gates(colour.gates, image, light)
    if colour.green_ceiling:
        image = limit_green(image)
    if detail.gates.shares:
        light = apply_gates(detail.gates, light)
    lit = lit_colour(image, light, curve, None, space=settings["space"], resolved=detail.resolved)
    picture = starless_picture(lit, curve, base.sharpening, **settings)
    return picture if second is None else with_added(picture, second, *added)


def half_added(added: AddedLight, split: Split, half: LinearRGB | None, curve: Curve) -> Plane:
    """The second filter's light of one half-set; of the whole where a finished stack has no half-sets: its noise is not judged."""
    if half is None:
        return added.plane
    return over_sky(apply_gates(added.gates, working_luminance(_starless_half(half, split))), curve)


def half_starlight(
    whole: StarLight,
    split: Split,
    stack: Stack,
    shape: StarShape,
    colour_split: Split,
    colour_stack: Stack,
    half: LinearRGB | None,
    colour_half: LinearRGB | None,
    curve: Curve,
    **settings: Any,
) -> StarLight | None:
    """The star layer of one half-set: its own light over the stars of the whole taken away, the same gate, the same light handed on."""
    if half is None or colour_half is None:
        return None
    split_half = replace(split, starless=_starless_half(half, split))
    colour_half_split = replace(colour_split, starless=_starless_half(colour_half, colour_split))
    coloured = with_cores(colour_half, colour_half_split, colour_stack, stack, shape, settings["repair"])
    return star_light(half, split_half, stack, shape, coloured, colour_half_split, curve, whole=whole, **settings)


def _starless_half(half: LinearRGB, split: Split) -> LinearRGB:
    """A half-set without the stars of the whole: its own noise is untouched."""
    return half - split.stars


def half_join(base: Base | None, stars: StarLight | None, *, mode: str, amount: float) -> DisplayRGB | None:
    """Stars over the starless picture of one half-set."""
    return None if base is None or stars is None else join(base, stars, mode=mode, amount=amount)


def plain_half(half: LinearRGB | None, curve: Curve) -> DisplayRGB | None:
    """One half-set of the plain stack."""
    return None if half is None else stretch(half, curve)
