"""One light for all stacks: sky and white found once, then every stack, its half-sets and its noise above that sky in that white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from layerblend.errors import InputError
from layerblend.kinds import Array, Ellipse, LinearImage, LinearRGB, Stack, working_luminance
from layerblend.maths.bands import over_bands
from layerblend.maths.noise import error_map, signal_error_map
from layerblend.maths.registration import find_registration
from layerblend.steps.flatten import Flattened, apply_sky, dim_border, flatten, flattened_error, repeated_border
from layerblend.steps.grade import grade_frame
from layerblend.steps.hot import HotPixels, fill_hot, find_hot, no_hot_pixels
from layerblend.steps.match import flux_ratio
from layerblend.steps.white import White, white_balance

from .stacks import native, saturated_map, size_of, stretch_suspected

FEWEST_TO_PLACE = 5
FARTHEST_PX = 2.0  # a finished stack lies on the colour stack when no star that both show is farther off
NO_HOT_PIXELS = no_hot_pixels()
FEW_THEN_ALL = (slice(None, None, 64), slice(None))  # rows to look at: a few are enough where one pixel is


def find_sky(stack: Stack, *, protect: Sequence[Sequence[float]], frame_filling: str, mode: str) -> Flattened:
    """The sky model of the deepest stack; every stack of the same frames uses it. ``protect``: x, y, a, b, angle of ellipses."""
    return flatten(native(stack.mean), protect=[Ellipse(*place) for place in protect], frame_filling=frame_filling, mode=mode)


def find_white(stack: Stack, sky: Flattened, *, source: Any, catalogue: Array | None) -> White:
    """One set of factors for all stacks; a mono stack has nothing to balance."""
    image = sky.image
    if image.ndim == 2:
        words = () if source == "stars" else ("The stack is mono: there is no colour to balance, so white.from has no effect.",)
        return White(factors=np.ones(3), along=0.0, across=0.0, green=0.0, stars=np.zeros((0, 2)), source="mono", words=words)
    saturated = saturated_map(stack)
    level = np.nanmedian(sky.model.reshape(-1, 3), axis=0) + sky.level if source == "sky" else None
    with stretch_suspected(stack):
        if source == "catalogue":
            return white_balance(image, source="stars", saturated=saturated, catalogue=catalogue)
        return white_balance(image, source=source, saturated=saturated, sky=level)


@dataclass(frozen=True)
class Brightness:
    """The factor that brings a stack to the brightness of the colour stack, and what there is to say about it."""

    factor: float = 1.0
    words: tuple[str, ...] = ()


def relative_brightness(*compared: Any) -> Brightness:
    """A stack from elsewhere against the colour stack, by the stars that both show; nothing to do for stacks of the same frames.

    Both are compared in white-balanced light, where they are joined.

    Raises
    ------
    InputError
        The stack has another size, or its stars stand elsewhere.
    """
    if not compared:
        return Brightness()
    stack, sky, reference, reference_sky, white = compared
    image, fixed = (_balanced(without_sky(s.mean, f), white, 1.0) for s, f in ((stack, sky), (reference, reference_sky)))
    name = Path(stack.files[0]).name
    if image.shape != fixed.shape:
        sizes = f"{size_of(image)} where the colour stack is {size_of(fixed)}"
        raise InputError(f"The stack {name} is {sizes}; give stacks of one size and place.", file=stack.files[0], code="mixed_grid")
    mine, theirs = (grade_frame(working_luminance(light)) for light in (image, fixed))
    placed = find_registration(mine.star_list, theirs.star_list, image.shape[:2])
    if placed.matched >= FEWEST_TO_PLACE and not placed.farthest_px <= FARTHEST_PX:
        text = f"The stars of {name} lie up to {placed.farthest_px:.1f} px from those of the colour stack; register the stacks first."
        raise InputError(text, file=stack.files[0], code="misplaced")
    if not placed.matched:
        return Brightness(1.0, (f"{name} shows too few of the colour stack's stars to be matched in brightness; it is used as it is.",))
    reach = max(FARTHEST_PX, theirs.fwhm / 2) if theirs.stars else FARTHEST_PX
    return Brightness(flux_ratio(mine.star_list, theirs.star_list, reach_px=reach))


def without_sky(mean: LinearImage, sky: Flattened) -> LinearImage:
    """A stack's light above its sky. Where flattening was told to leave the sky, its level still goes: the curve wants the sky at zero."""
    flat = apply_sky(native(mean), sky)
    if not np.any(sky.level):
        return flat
    return flat - _left_sky(sky)


def _left_sky(sky: Flattened) -> Array:
    """Light of the sky that flattening left, in the shape of a pixel."""
    return np.asarray(sky.level if sky.model.ndim == 3 else sky.level[0], np.float32)


def find_hot_pixels(stack: Stack, sky: Flattened, *, fill: bool) -> HotPixels:
    """Hot pixels that stand still, in the deepest stack: every stack of the same frames has them. None where they are to stay."""
    return find_hot(without_sky(stack.mean, sky), saturated=saturated_map(stack)) if fill else no_hot_pixels()


def linear_picture(
    stack: Stack, sky: Flattened, white: White, brightness: Brightness, hot: HotPixels = NO_HOT_PIXELS, *, foreign: bool = False
) -> LinearRGB:
    """A stack without its sky, white-balanced; mono becomes grey. One from elsewhere may have a border that nobody marked."""
    flat = fill_hot(without_sky(stack.mean, sky), hot)
    if foreign and stack.count is None:
        border = dim_border(flat, sky.sigma) | repeated_border(stack.mean)
        flat = np.where(border if flat.ndim == 2 else border[..., None], np.float32(np.nan), flat)
    return _balanced(flat, white, brightness.factor)


def linear_half(
    stack: Stack, sky: Flattened, white: White, brightness: Brightness, hot: HotPixels = NO_HOT_PIXELS, *, half: int
) -> LinearRGB | None:
    """The same of one half-set, or None where the stack has none (or nothing but twice the same frame, or one frame)."""
    if stack.halves is None or not _differ(*stack.halves):
        return None
    return _balanced(fill_hot(without_sky(stack.halves[half], sky), hot), white, brightness.factor)


def _differ(half_a: LinearImage, half_b: LinearImage) -> bool:
    """Whether two half-sets tell noise: they have data in common, and it is not the same."""
    return any(np.any(np.abs(half_a[rows] - half_b[rows]) > 0) for rows in FEW_THEN_ALL)


def noise_map(stack: Stack, sky: Flattened, white: White, brightness: Brightness, *, foreign: bool = False) -> LinearRGB:
    """(H, W, 3) noise of the balanced picture: from the stack's error map, else (none, or that of a single frame) from the picture.

    The picture is not asked for: only the second way needs it, and half a second of a new star stack went into making it.
    """
    if stack.stderr is None or not any(np.any(stack.stderr[rows] > 0) for rows in FEW_THEN_ALL):
        return signal_error_map(linear_picture(stack, sky, white, brightness, foreign=foreign))
    return _balanced(flattened_error(error_map(stack.stderr), sky), white, brightness.factor)


def _balanced(image: LinearImage, white: White, factor: float) -> LinearRGB:
    """White-balanced and scaled; a mono stack has no balance and becomes grey."""
    if image.ndim == 2:
        return np.repeat((image * np.float32(factor))[..., None], 3, axis=2)
    scale, out = (np.asarray(white.factors) * factor).astype(np.float32), np.empty(image.shape, np.float32)
    over_bands(lambda first, last: np.multiply(image[first:last], scale, out=out[first:last]), len(out))
    return out
