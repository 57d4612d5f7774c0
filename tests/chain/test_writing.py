"""What writing needs to know: borders without data, finished pictures back in light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from layerblend.chain.light import Brightness, linear_picture
from layerblend.chain.writing import cover_of, linear_light
from layerblend.maths.curve import stretch
from tests.scenes.layers import CURVE, WHITE, as_stack, no_sky, star_field


def test_a_dim_border_of_a_stack_from_elsewhere_is_no_data_and_is_told() -> None:
    light = star_field()
    light[:, :9] -= 0.2
    sky = replace(no_sky(light), sigma=np.full(3, 3e-4))
    parts = (as_stack(light), sky, replace(WHITE, factors=np.ones(3)), Brightness())
    linear = linear_picture(*parts, foreign=True)
    assert np.isnan(linear[:, :9]).all() and np.isfinite(linear[:, 20:]).all()
    assert "stack.fits has a border" in cover_of(linear, parts[0]).words[0]
    assert np.isfinite(own := linear_picture(*parts)).all() and not cover_of(own, parts[0]).words


def test_white_is_no_brighter_than_the_stacks() -> None:
    light = np.array([[[0.0, 0.01, 0.02], [0.3, 0.2, 0.1]]], np.float32)
    shown = stretch(light, CURVE)
    np.testing.assert_allclose(linear_light(shown, CURVE, 1.0), light, rtol=2e-4, atol=1e-7)
    shown[0, 1] = 1.0
    np.testing.assert_allclose(linear_light(shown, CURVE, 1.3)[0, 1], [1.3, 1.3, 1.3], rtol=1e-6)
    # a repaired core is brighter than the stacks: dimmed, it keeps its colour, as do planes of one channel
    core = stretch(np.array([[[2.8, 1.7, 0.8]]], np.float32), CURVE)
    np.testing.assert_allclose(linear_light(core, CURVE, 1.4), [[[1.4, 0.85, 0.4]]], rtol=1e-4)
    np.testing.assert_allclose(linear_light(core[..., 0], CURVE, 1.4), [[1.4]], rtol=1e-6)
