"""Half-sets through the frozen operators: what is given as a half comes out as the whole did."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from layerblend.chain.halves import half_added, half_base, half_join, half_starlight, plain_half
from layerblend.chain.layers import added_layer, colour_layer, detail_layer
from layerblend.chain.picture import full_base, full_lit_colour
from layerblend.chain.starlight import full_starlight
from layerblend.kinds import Curve
from tests.scenes.layers import CURVE, as_stack, plain_split, round_stars, split_of_one_star, star_field

PICTURE: dict[str, Any] = {"space": "oklab", "amount": 1.0, "chroma": "follow", "sharpen": [1.3, 1.2], "core": 0.1, "saturation": 1.2}
STARS: dict[str, Any] = {"gate": 3.0, "repair": False, "saturation": 1.2, "size": 1.0}


def noisy(seed: int) -> np.ndarray:
    """A half-set: the field's light with noise of its own."""
    return star_field(seed=seed)


@pytest.mark.parametrize("green_ceiling", [False, True])
def test_a_half_that_is_the_whole_gives_the_wholes_starless_picture(green_ceiling: bool) -> None:
    whole, halves = noisy(1), (noisy(2), noisy(3))
    split, sigma, shape = plain_split(whole), np.full_like(whole, 3e-4), round_stars(3.0)
    detail = detail_layer(split, shape, shape, sigma, *halves, deconvolve=0.5, grain=0.3)
    colour = colour_layer(split, sigma, *halves, split, sigma, *halves, denoise=1.0, green_ceiling=green_ceiling)
    second = added_layer(split, shape, sigma, *halves, CURVE)
    added = {"added": [20.0, 0.5]}
    base = full_base(full_lit_colour(colour, detail, CURVE, space="oklab"), CURVE, second, **added, **PICTURE)
    plane = half_added(second, split, whole, CURVE)
    np.testing.assert_array_equal(plane, second.plane)
    half = half_base(base, colour, detail, CURVE, split, whole, split, whole, plane, **added, **PICTURE)
    assert half is not None
    np.testing.assert_array_equal(half.picture, base.picture)


def test_a_half_that_is_the_whole_gives_the_wholes_stars() -> None:
    light = star_field(stars=1)
    split, stack, shape = split_of_one_star(light, 80, 60), as_stack(light), round_stars(3.0)
    whole = full_starlight(split, stack, shape, split, stack, np.full_like(light, 3e-4), CURVE, **STARS)
    half = half_starlight(whole, split, stack, shape, split, stack, light, light, CURVE, **STARS)
    assert half is not None and half.gate is whole.gate
    np.testing.assert_array_equal(half.layer, whole.layer)


def test_where_there_is_no_half_nothing_is_made() -> None:
    light, curve = star_field(), Curve(p=0.002, s=0.01, norm=6.0, sigma=0.0002, target=0.2)
    split, nothing = plain_split(light), np.zeros(1, np.float32)
    assert plain_half(None, curve) is None and half_join(None, None, mode="screen", amount=1) is None
    for halves in ((None, light), (light, None)):
        assert half_base(None, None, None, curve, split, halves[0], split, halves[1], **PICTURE) is None  # type: ignore[arg-type]
        assert half_starlight(None, split, None, None, split, None, *halves, curve, **STARS) is None  # type: ignore[arg-type]
    second = added_layer(split, round_stars(3.0), np.full_like(light, 3e-4), None, None, curve)
    assert half_added(replace(second, plane=nothing), split, None, curve) is nothing  # its noise is not judged
