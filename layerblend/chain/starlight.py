"""The star layer: the sharpest stack's stars on the colour stack's ground, faint ends and the colour of wings from the colour stack."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar, cast

import numpy as np

from layerblend.kinds import Array, Curve, LinearRGB, Mask, Plane, Stack, StarShape, Weight
from layerblend.maths.bands import each, over_bands
from layerblend.maths.noise import ground_error, luminance_error
from layerblend.maths.wavelet import pool
from layerblend.steps.blend import colour_from_deep, colour_stars, flux_share, shrink_stars, star_layer, star_luminance, star_shares
from layerblend.steps.cores import repair_cores
from layerblend.steps.shared_ground import Patch, ground_between, without_patches
from layerblend.steps.split import Split
from layerblend.steps.star_colour import even_colours

from .stacks import fewest_frames, saturated_map

LEAST_TO_TELL, BORDER_PX = 3, 2.0
MOSTLY = 0.85  # of a stack's frames reach a place that counts as covered; some of the rest lost a trail there
First = TypeVar("First")
Second = TypeVar("Second")


@dataclass(frozen=True)
class StarGate:
    """Where the sharp stack's stars serve (1) rather than the colour stack's (0): their light, and their colour, which asks for more."""

    light: Weight
    colour: Weight


@dataclass(frozen=True)
class StarLight:
    """The star layer as it is blended (signed), the gate that chose between two stacks' stars, how much of the stars' light making them
    smaller has left, and what was handed to the stars because their own stack's ground holds more of it than the ground they stand on."""

    layer: Array
    gate: StarGate | None
    light_left: float = 1.0
    handed: tuple[Patch, ...] = ()


def full_starlight(
    split: Split,
    stack: Stack,
    shape: StarShape,
    colour_split: Split,
    colour_stack: Stack,
    sigma: LinearRGB,
    curve: Curve,
    **settings: Any,
) -> StarLight:
    """The star layer of the whole set."""
    # of the parts, not of the stack: cores that stayed in the starless picture have been repaired there
    linear, colour_linear = each(lambda part: part.starless + part.stars, (split, colour_split))
    coloured = with_cores(colour_linear, colour_split, colour_stack, stack, shape, settings["repair"])
    return star_light(linear, split, stack, shape, coloured, colour_split, curve, sigma=sigma, **settings)


def with_cores(
    colour_linear: LinearRGB, colour_split: Split, colour_stack: Stack, stack: Stack, shape: StarShape, repair: bool
) -> LinearRGB:
    """The colour stack's light where a mono star stack takes all colour from it: clipped cores repaired, one colour in every star.

    Filters of unlike seeing give a star a middle and a rim of other colours, which a narrower star image would show as rings.
    """
    if not repair or stack.mean.ndim == 3 or colour_stack.mean.ndim == 2:
        return colour_linear
    whole_cores = repair_cores(colour_linear, saturated=saturated_map(colour_stack), star_shape=shape)
    return even_colours(whole_cores, colour_split.starless, colour_split.catalogue, colour_split.checks["fwhm"])


def star_light(
    linear: LinearRGB,
    split: Split,
    stack: Stack,
    shape: StarShape,
    colour_linear: LinearRGB,
    colour_split: Split,
    curve: Curve,
    *,
    sigma: LinearRGB | None = None,
    whole: StarLight | None = None,
    gate: float,
    repair: bool,
    saturation: float,
    size: float,
) -> StarLight:
    """The star layer of the sharpest stack, standing on the colour stack's ground: faint ends and the colour of the wings from the colour
    stack, cores repaired, coloured, sized.

    Where the sharp stack serves follows from its noise ``sigma``; a half-set does everything as the ``whole`` did.
    """
    ground = colour_split.starless
    handed = whole.handed if whole is not None else ground_between(split.starless, ground, _near_stars(split, colour_split, stack), curve)
    starless = without_patches(split.starless, handed)

    def repaired() -> LinearRGB:
        if not repair:
            return linear
        whole_cores = repair_cores(linear, saturated=saturated_map(stack), star_shape=shape)
        return whole_cores if stack.mean.ndim == 2 else even_colours(whole_cores, starless, split.catalogue, shape.centre.fwhm)

    def gated() -> StarGate | None:
        if gate == 0 or whole is not None:
            return None if whole is None else whole.gate
        assert sigma is not None
        light, deep_light = star_luminance(linear, starless), star_luminance(colour_linear, ground)
        return _star_gate(light, deep_light, stack, sigma, gate, shape.centre.fwhm)

    image, between = _both(repaired, gated)
    if between is not None:
        image = colour_from_deep(image, starless, colour_linear, ground, between.colour)
    layer = star_layer(colour_stars(image, starless, saturation), starless, curve, ground=ground)
    if between is not None:
        deep = star_layer(colour_stars(colour_linear, ground, saturation), ground, curve)
        over_bands(partial(_mix, deep, layer, between.light), len(layer))
    if size == 1:
        return StarLight(layer, between, handed=handed)
    smaller = shrink_stars(layer, size)
    return StarLight(smaller, between, flux_share(smaller, layer), handed)


def _near_stars(split: Split, colour_split: Split, stack: Stack) -> Mask:
    """Near stars, but for borders that some of the stack's frames do not reach: each has a sky of its own, and steps where it ends."""
    near = split.mask | colour_split.mask
    if stack.count is None:
        return near
    return np.asarray(near & (pool(fewest_frames(stack.count), BORDER_PX) > MOSTLY * stack.n_frames))


def _both(first: Callable[[], First], second: Callable[[], Second]) -> tuple[First, Second]:
    """The results of both, worked out side by side."""
    one, two = each(lambda work: work(), [first, second])
    return cast(First, one), cast(Second, two)


def _star_gate(light: Plane, deep_light: Plane, stack: Stack, sigma: LinearRGB, gate: float, fwhm: float) -> StarGate:
    """The gate between the stars of the sharp stack and those of the colour stack."""
    share, colour = star_shares(light, deep_light, ground_error(luminance_error(sigma)), gate, fwhm)
    if stack.mean.ndim == 2:
        colour = np.zeros_like(colour)  # a mono stack has no colour of its own
    if stack.count is not None:
        share = share * covered_share(stack.count, stack.n_frames)
    return StarGate(share, colour)


def covered_share(count: Array, frames: int) -> Weight:
    """1 where at least three of a stack's frames lie, falling softly to 0 before: at the borders of the sharp frames a trail or a cosmic
    ray cannot be told from a star."""
    few = (fewest_frames(count) < min(LEAST_TO_TELL, frames)).astype(np.float32)
    return np.asarray(1 - np.minimum(2 * pool(few, BORDER_PX), 1), np.float32)


def _mix(deep: Array, layer: Array, share: Weight, first: int, last: int) -> None:
    """Rows of ``layer`` become ``deep + share (layer - deep)``, in place: at 12 megapixels a picture more is a tenth of a second."""
    rows = slice(first, last)
    layer[rows] -= deep[rows]
    layer[rows] *= share[rows, :, None]
    layer[rows] += deep[rows]
