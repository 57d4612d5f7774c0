"""The noise line."""

from __future__ import annotations

import cv2
import numpy as np

from layerblend.maths.noise_line import Noise, measure_noise
from layerblend.steps.split.model import StarImage, render


def test_white_noise() -> None:
    plane = np.random.default_rng(2).normal(0, 3e-4, (400, 400)).astype(np.float32)
    noise = measure_noise(plane, np.ones(plane.shape, bool))
    assert abs(noise.sigma / 3e-4 - 1) < 0.03
    assert noise.slope < 1e-7


def test_noise_shared_by_neighbours_is_not_hidden() -> None:
    plane = cv2.GaussianBlur(np.random.default_rng(2).normal(0, 1, (400, 400)).astype(np.float32), (0, 0), 0.8)
    noise = measure_noise(plane, np.ones(plane.shape, bool))
    assert abs(noise.sigma / plane.std() - 1) < 0.03


def test_growth_with_light() -> None:
    rng = np.random.default_rng(3)
    light = np.tile(np.linspace(0, 0.2, 600, dtype=np.float32) ** 2, (600, 1))
    plane = (light + rng.standard_normal(light.shape) * np.sqrt(1e-8 + 1e-5 * light)).astype(np.float32)
    noise = measure_noise(plane, np.ones(plane.shape, bool))
    assert abs(noise.slope / 1e-5 - 1) < 0.25


def test_stars_are_no_light_that_tells_the_noise() -> None:
    """Where no wide light is the noise is said not to grow; steep stars, read as noise, would hide every faint source beside them."""
    rng = np.random.default_rng(4)
    plane = rng.normal(0, 1, (600, 600)).astype(np.float32)
    geo = np.zeros((250, 7))
    geo[:, :2], geo[:, 2] = rng.uniform(5, 595, (250, 2)), np.log(4.0)
    render(plane, geo, np.full(250, 400.0), np.full(250, 30.0), StarImage.moffat(3.0))
    noise = measure_noise(plane, np.ones(plane.shape, bool))
    assert noise.slope == 0
    assert abs(noise.sigma - 1) < 0.05


def test_map() -> None:
    np.testing.assert_allclose(Noise(4.0, 2.0).map(np.array([[-1.0, 6.0]], np.float32)), [[2.0, 4.0]])
