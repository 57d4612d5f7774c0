"""Structure of the ground round sources."""

from __future__ import annotations

import cv2
import numpy as np

from layerblend.steps.split.mask import peak_response
from layerblend.steps.split.rough import roughness

SIDE, FWHM = 400, 4.0
X, Y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(40, 380, 20), np.arange(40, 380, 20)))


def _noise(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 1, (SIDE, SIDE)).astype(np.float32)


def test_noise_alone_is_not_rough() -> None:
    rough = roughness(peak_response(_noise(1), FWHM), X, Y, FWHM)
    assert np.median(rough.scatter) == 0
    assert abs(np.median(rough.share) - 1) < 0.05


def test_what_fills_gaps_makes_no_ground_rough() -> None:
    plane, seen = _noise(1), np.ones((SIDE, SIDE), bool)
    seen[:, : SIDE // 2] = False
    plane[~seen] = 0
    right = SIDE // 2 + 30 < X
    rough = roughness(peak_response(plane, FWHM), X[right], Y[right], FWHM, seen)
    assert np.median(rough.scatter) == 0
    assert abs(np.median(rough.share) - 1) < 0.05


def test_the_grounds_own_scatter_is_found_where_it_is() -> None:
    """Uneven on the left quarter only, by a known amount."""
    ground = cv2.GaussianBlur(_noise(2), (0, 0), 4.0)
    ground *= 3 / ground.std()
    ground[:, SIDE // 4 :] = 0
    rough = roughness(peak_response(_noise(3) + ground, FWHM), X, Y, FWHM)
    left = X < SIDE // 4 - 20
    own = float(np.std(peak_response(ground, FWHM)[20:-20, 20 : SIDE // 4 - 20]))
    assert abs(np.median(rough.scatter[left]) / own - 1) < 0.25
    assert np.median(rough.scatter[X > SIDE // 4 + 20]) < 0.05 * own


def test_a_source_that_nobody_fitted_makes_no_ground_rough_and_its_own_none() -> None:
    plane = _noise(4)
    plane[199:202, 209:212] += 30
    rough = roughness(peak_response(plane, FWHM), np.array([200.0, 210.0]), np.array([200.0, 200.0]), FWHM)
    assert 1.2 < rough.share[0] < 5
    assert rough.share[1] < 1.2
