"""The frozen operator."""

import numpy as np

from layerblend.steps.detail import apply_gates, deconvolve, sharpen, sharpen_gates
from tests.benchmarks.picture import detail_gates
from tests.steps.detail.test_sharpening import texture


def test_frozen_operator_is_linear_and_that_of_the_picture(stack) -> None:
    luminance, sigma, half, star = stack
    gates = detail_gates(luminance, star, sigma=sigma, half_difference=half)
    through = [apply_gates(gates, plane) for plane in (luminance + half, luminance - half, luminance)]
    np.testing.assert_allclose((through[0] + through[1]) / 2, through[2], atol=1e-5 * np.abs(luminance).max())
    np.testing.assert_allclose(through[2], deconvolve(luminance, star, sigma=sigma, half_difference=half), atol=1e-7)


def test_sharpening_through_frozen_gates_is_linear() -> None:
    lightness = texture()
    gates = sharpen_gates(lightness, [1.2, 1.1], sigma=0.005)
    np.testing.assert_allclose(apply_gates(gates, 2 * lightness), 2 * apply_gates(gates, lightness), rtol=1e-5)
    np.testing.assert_allclose(apply_gates(gates, lightness), sharpen(lightness, [1.2, 1.1], sigma=0.005), atol=1e-7)
