"""The sources and the star image over the picture."""

from __future__ import annotations

import numpy as np

from layerblend.steps.split.model import StarImage, profile_at
from layerblend.steps.split.sources import CLIPPED_MARGIN, FIT_REACH, LEAST_LIGHT, Field, Sources

TERMS = np.zeros((3, 6))
TERMS[0, :2], TERMS[1, 0] = (np.log(4.0), 0.1), 0.2


def test_stars_take_the_shape_of_their_place() -> None:
    """ln fwhm rises by .1 from the middle to the right edge (Chebyshev terms as in `StarShape`)."""
    field = Field(201, 401, TERMS, StarImage.moffat(3.0))
    geo = np.zeros((3, 7))
    geo[:, 0], geo[:, 1] = (200, 400, 0), 100
    field.refresh(geo)
    np.testing.assert_allclose(np.exp(geo[:, 2]), 4.0 * np.exp([0.0, 0.1, -0.1]), rtol=0.01)
    np.testing.assert_allclose(geo[:, 3:5], [[0.2, 0.0]] * 3)
    assert abs(field.fwhm - 4.0) < 1e-9


def test_no_ellipse_is_longer_than_a_star_can_be() -> None:
    terms = TERMS.copy()
    terms[1:, 0] = 3.0, 4.0
    shapes = Field(100, 100, terms, StarImage.moffat(3.0)).shapes(np.array([50.0]), np.array([50.0]))
    np.testing.assert_allclose(shapes[0, 1:], [0.48, 0.64])


def test_stars_reach_to_where_noise_hides_them() -> None:
    field, sigma = Field(200, 200, TERMS, StarImage.moffat(2.5)), 1e-3
    reach = field.reach(np.array([0.3, 0.6]), sigma)
    light = np.array([0.3, 0.6]) * profile_at(field.image.profile, reach / field.fwhm)
    np.testing.assert_allclose(light, LEAST_LIGHT * sigma, rtol=0.02)


def test_clipped_stars_are_fitted_round_their_core() -> None:
    sources = Sources(np.zeros((2, 7)), np.ones(2), np.array([0.0, 6.0]))
    field = Field(200, 200, TERMS, StarImage.moffat(3.0))
    np.testing.assert_array_equal(sources.clipped, [False, True])
    np.testing.assert_allclose(field.fit_reach(sources.blob), [FIT_REACH * 4, 6 + CLIPPED_MARGIN * 4])
    assert len(sources) == 2
