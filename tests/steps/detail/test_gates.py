"""The frozen operator."""

import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.steps.detail import apply_gates, deconvolve, sharpen, sharpen_gates
from layerblend.steps.detail.gates import noise_map
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


def test_noise_that_is_not_known_is_taken_as_usual_and_none_is_below_all_numbers() -> None:
    sigma = np.random.default_rng(0).uniform(0.9, 1.1, (60, 80)).astype(np.float32)
    holed = sigma.copy()
    holed[10:15] = np.nan
    holed[30] = 0
    found = noise_map("sigma", holed, (60, 80))
    np.testing.assert_allclose(found[10:15], 1, atol=0.05)
    assert (found[30] > 0).all() and found[30].max() < 1e-6
    np.testing.assert_array_equal(np.delete(found, [*range(10, 15), 30], 0), np.delete(sigma, [*range(10, 15), 30], 0))
    assert noise_map("sigma", 0.0, (60, 80)) > 0
    with pytest.raises(ArgumentError, match="differ in size"):
        noise_map("sigma", sigma, (80, 60))
