"""What the public functions say of arguments that cannot be: one sentence that names the argument, never numpy's own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import layerblend as lb
from layerblend.errors import ArgumentError

GREY = np.full((48, 64), 0.2, np.float32)
COLOUR = np.full((48, 64, 3), 0.2, np.float32)
CURVE = lb.fit_curve(np.linspace(0, 0.1, 48 * 64, dtype=np.float32).reshape(48, 64), sigma=1e-3)

WRONG: dict[str, tuple[str, Callable[[], Any]]] = {
    "amount is a text": ("amount", lambda: lb.combine_luminance(COLOUR, GREY, amount="a")),
    "amount is a list": ("amount", lambda: lb.blend(COLOUR, COLOUR, amount=[1])),
    "chroma where nothing is combined": ("chroma", lambda: lb.combine_luminance(COLOUR, GREY, amount=0, chroma="x")),
    "mode is no text": ("mode", lambda: lb.blend(COLOUR, COLOUR, mode=None)),
    "codes for display": ("display values", lambda: lb.blend((COLOUR * 65535).astype(np.uint16), COLOUR)),
    "gate is a text": ("gate", lambda: lb.gate_stars(COLOUR, COLOUR, 0.1, "a")),
    "sigma of the gate is a text": ("sigma", lambda: lb.gate_stars(COLOUR, COLOUR, "x", 3)),
    "sigma of the gate below 0": ("sigma", lambda: lb.gate_stars(COLOUR, COLOUR, -1.0, 3)),
    "one gain": ("gains", lambda: lb.sharpen(GREY, 1.2, sigma=0.1)),
    "no gains": ("gains", lambda: lb.sharpen(GREY, [], sigma=0.1)),
    "gains are a text": ("gains", lambda: lb.sharpen(GREY, "1.2", sigma=0.1)),
    "half difference of another size": ("half_difference", lambda: lb.sharpen(GREY, [1.2], sigma=0.1, half_difference=GREY[:20])),
    "guide's half difference of another size": (
        "guide_half_difference",
        lambda: lb.denoise_colour(COLOUR, GREY, sigma=0.1, guide_half_difference=GREY[:20]),
    ),
    "sigma of the colour is a text": ("sigma", lambda: lb.denoise_colour(COLOUR, GREY, sigma="x")),
    "sigma of the curve is a text": ("sigma", lambda: lb.fit_curve(GREY, sigma="x")),
    "sigma of the curve is none": ("sigma", lambda: lb.fit_curve(GREY, sigma=None)),
    "target of another size": ("target", lambda: lb.fit_curve(GREY, sigma=0.1, target=np.ones((3, 3), bool))),
    "saturation of another size": ("saturated", lambda: lb.measure_psf(GREY, saturated=np.zeros((3, 3)))),
    "saturation of another size for white": ("saturated", lambda: lb.white_balance(COLOUR, saturated=np.zeros((3, 3)))),
    "knots kept by a text": ("keep_knots", lambda: lb.split_stars(GREY, keep_knots="no")),
    "no curve": ("curve", lambda: lb.stretch(GREY, None)),
    "no curve back": ("curve", lambda: lb.unstretch(GREY, None)),
    "no star image": ("star_shape", lambda: lb.deconvolve(GREY, None, sigma=0.1)),
    "a place without a size": ("protect", lambda: lb.flatten(COLOUR, protect=[{"x": 3, "y": 4}])),
    "a place of no size": ("protect", lambda: lb.flatten(COLOUR, protect=[{"x": 3, "y": 4, "radius": 0}])),
    "a place that is a number": ("protect", lambda: lb.flatten(COLOUR, protect=[3])),
    "stacks without names": ("stacks", lambda: lb.nested_stacks("nowhere", [0.5])),
    "frames that are a number": ("paths", lambda: lb.grade_frames(3)),
    "workers are a text": ("workers", lambda: lb.grade_frames(".", workers="a")),
    "a white level below 0": ("white_level", lambda: lb.grade_frames(".", white_level=-3)),
    "a recipe that is a number": ("recipe", lambda: lb.run(3)),
    "a result that is a number": ("b", lambda: lb.compare(COLOUR, 3)),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_argument_is_named(case: str) -> None:
    name, call = WRONG[case]
    with pytest.raises(ArgumentError, match=name):
        call()


def test_places_to_protect_are_those_of_the_recipe() -> None:
    """A circle and the ellipse of the same axes protect the same."""
    rng = np.random.default_rng(3)
    image = rng.normal(0.1, 0.001, (128, 192, 3)).astype(np.float32)
    circle = lb.flatten(image, protect=[{"x": 80, "y": 60, "radius": 30}])
    ellipse = lb.flatten(image, protect=[{"x": 80, "y": 60, "a": 30, "b": 30, "angle": 10}])
    np.testing.assert_array_equal(circle.image, ellipse.image)
    assert not np.array_equal(circle.image, lb.flatten(image).image)
