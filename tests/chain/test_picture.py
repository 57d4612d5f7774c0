"""The picture: with nothing to do it is the stretch."""

from __future__ import annotations

import numpy as np

from layerblend.chain.picture import lit_colour, starless_picture
from layerblend.kinds import working_luminance
from layerblend.maths.curve import stretch
from tests.scenes.layers import CURVE, star_field


def test_a_starless_picture_with_nothing_to_do_is_the_stretch() -> None:
    light = star_field()
    nothing = {"space": "oklab", "amount": 0, "chroma": "follow", "sharpen": [1], "core": 0, "saturation": 1}
    lit = {space: lit_colour(light, working_luminance(light), CURVE, None, space=space) for space in ("oklab", "cielab")}
    base = starless_picture(lit["oklab"], CURVE, **nothing)
    np.testing.assert_array_equal(base.picture, stretch(light, CURVE))
    for space, colour in lit.items():
        made = starless_picture(colour, CURVE, **{**nothing, "amount": 1, "space": space})
        np.testing.assert_allclose(made.picture, base.picture, atol=2e-3)
