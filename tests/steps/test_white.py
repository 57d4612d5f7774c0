import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.maths.blackbody import blackbody_rgb, through_dust
from layerblend.steps.white import _from_population, white_balance
from tests.scenes.sky import make_scene


@pytest.fixture(scope="module")
def scene():
    return make_scene(301, kind="mix", amplitude=10, frac=1 / 20, n_stars=150, shape=(600, 900), white=(0.7, 1, 1.4), with_galaxy=False)


def test_stars_give_the_factors(scene) -> None:
    white = white_balance(scene.image - scene.sky, saturated=(scene.image > 0.9 * scene.full).any(-1))
    across = np.log(white.factors * (0.7, 1, 1.4)) @ (1.31, 0, 1) / np.hypot(1.31, 1)
    assert white.factors[1] == 1
    assert abs(across) < 0.02
    assert white.across < 2 < white.along


def test_given_factors_and_sky(scene) -> None:
    np.testing.assert_allclose(white_balance(scene.image, source=(2.0, 1.0, 0.5)).factors, (2, 1, 0.5))
    np.testing.assert_allclose(white_balance(scene.image, source="sky", sky=(2.0, 1.0, 4.0)).factors, (0.5, 1, 0.25))
    with pytest.raises(ArgumentError, match="sky-subtracted"):
        white_balance(scene.image - scene.sky, source="sky")
    with pytest.raises(ArgumentError, match="three factors"):
        white_balance(scene.image, source=(1.0, -1.0, 1.0))
    with pytest.raises(ArgumentError, match="stars"):
        white_balance(np.ones((64, 64, 3), np.float32))


def test_a_field_seen_through_the_usual_dust_is_not_taken_for_a_warm_camera() -> None:
    """Stars of 5600 K in the middle, seen through .3 mag of dust (the cosecant law at 30 degrees): the camera's factors come out."""
    rng = np.random.default_rng(5)
    kelvin = np.exp(rng.normal(np.log(5600), 0.26, 4000))
    flux = 1000 * through_dust(blackbody_rgb(kelvin), 0.3) * (0.7, 1, 1.4)
    stars = np.hstack([np.zeros((4000, 2)), flux, np.full((4000, 3), 0.01)])
    white = _from_population(stars)
    error = np.log(white.factors * (0.7, 1, 1.4))[[0, 2]] @ (1, -1.31) / np.hypot(1, 1.31)
    assert abs(error) < 0.02
    # odd sources beside the stars move it little
    stars[:200, 2] *= 5
    odd = _from_population(stars)
    assert np.abs(np.log(odd.factors / white.factors)).max() < 0.04
