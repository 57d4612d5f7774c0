"""What the steps have to say, gathered so that no picture need be opened for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from layerblend.kinds import Array, Shape, Stack, StarShape
from layerblend.steps.flatten import Flattened
from layerblend.steps.split import Split

from .light import Brightness
from .starlight import StarLight
from .writing import Cover


@dataclass(frozen=True)
class StackFacts:
    """What is told of a stack in use, so that its pictures need not be opened for it: size, header, star image, split, words by step."""

    height: int
    width: int
    cards: tuple[tuple[str, Any, str], ...]
    top_down: bool
    star: Shape
    checks: Mapping[str, float]
    words: Mapping[str, tuple[str, ...]]


def stack_facts(stack: Stack, brightness: Brightness, shape: StarShape, split: Split, cover: Cover) -> StackFacts:
    """Numbers and words of a stack, its star image and its split."""
    words = {"split": split.words, "stars": shape.words, "stack": (*stack.words, *cover.words, *brightness.words)}
    height, width = stack.mean.shape[:2]
    return StackFacts(height, width, tuple(stack.cards), stack.top_down, shape.centre, split.checks, words)


@dataclass(frozen=True)
class SkyFacts:
    """What flattening found, in sigma of a pixel: gradient before and after, by channel."""

    before: Array
    after: Array
    frame_filling: bool
    uncertain: float
    words: tuple[str, ...]


def sky_facts(sky: Flattened) -> SkyFacts:
    """Numbers and words of the flattening."""
    return SkyFacts(sky.before, sky.after, sky.frame_filling, sky.uncertain, sky.words)


@dataclass(frozen=True)
class StarFacts:
    """What is told of the star layer.

    ``negative``: share of its pixels below 0: half of blank sky is, more means that stars left holes. ``light_left``: of its light after
    the stars were made smaller.
    """

    negative: float
    light_left: float


def star_facts(stars: StarLight) -> StarFacts:
    """Numbers of the star layer."""
    return StarFacts(float(np.mean(stars.layer < 0)), stars.light_left)
