"""What writing needs to know of a stack's light, and finished pictures back in linear light."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layerblend.kinds import Array, Curve, LinearRGB, Mask, Stack, working_luminance
from layerblend.maths.bands import over_bands
from layerblend.maths.curve import unstretch

MOST_OVER = 8.0  # a repaired core is no more than so many times as bright as the brightest light of the stacks


@dataclass(frozen=True)
class Cover:
    """Where a stack has data, where all its frames have (of a finished stack: where it has), its brightest light, and what was left out."""

    covered: Mask
    common: Mask
    brightest: float
    words: tuple[str, ...] = ()


def cover_of(linear: LinearRGB, stack: Stack) -> Cover:
    """What writing needs to know of a stack's light, kept so that the light itself need not be made again."""
    covered = np.isfinite(working_luminance(linear))
    common = covered
    if stack.count is not None and stack.rejected is not None:  # a sample that was thrown out was there
        samples = np.add(stack.count, stack.rejected, dtype=np.int32).reshape(*covered.shape, -1)
        common = covered & (samples.min(-1) >= stack.n_frames)
    return Cover(covered, common, float(np.nanmax(linear)), _border_words(stack, covered))


def _border_words(stack: Stack, covered: Mask) -> tuple[str, ...]:
    if stack.count is not None:
        return ()
    known = np.isfinite(stack.mean if stack.mean.ndim == 2 else working_luminance(stack.mean))
    share = float(np.mean(known & ~covered))
    if not share:
        return ()
    return (
        f"{Path(stack.files[0]).name} has a border that its frames did not all reach (darker than the sky, or one row again and again), "
        f"{share:.1%} of the picture; it counts as no data.",
    )


def linear_light(display: Array, curve: Curve, brightest: float) -> Array:
    """A finished picture back in linear light, none brighter than ``brightest``: white itself stands for any light, even endless.

    Repaired cores keep their hue: all channels of a pixel are dimmed alike.
    """
    light = unstretch(display, curve)
    if light.ndim == 2:
        return np.minimum(light, np.float32(brightest))

    def dim(first: int, last: int) -> None:
        part = light[first:last]
        bright = np.maximum(np.maximum(part[..., 0], part[..., 1]), part[..., 2]) > brightest  # few: the rest is left alone
        cores = np.minimum(part[bright], np.float32(MOST_OVER * brightest))
        part[bright] = cores * (np.float32(brightest) / cores.max(-1, keepdims=True))

    over_bands(dim, len(light))
    return light
