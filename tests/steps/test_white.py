import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.maths.blackbody import BANDS_NM, DUST_OVER_V, blackbody_rgb, through_dust
from layerblend.steps.white import _from_population, log_ratios, unusual_spread, white_balance
from tests.scenes.sky import dusty_stars, extinction, make_scene


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
    with pytest.raises(ArgumentError, match="no light of its own"):
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


def test_the_dust_of_the_scenes_is_the_published_curve() -> None:
    """Cardelli, Clayton & Mathis 1989, ApJ 345, 245, table 3, R_V 3.1: B 1.337, V 1, R .751 (from memory; the formula misses B by 1 %)."""
    np.testing.assert_allclose(extinction(1000 / np.array([2.27, 1.82, 1.43])), (1.337, 1, 0.751), rtol=0.012)
    np.testing.assert_allclose(extinction(BANDS_NM), DUST_OVER_V, atol=0.002)


@pytest.mark.parametrize(("r_v", "magnitudes", "across_over"), [(3.1, 2.0, 0.1), (3.1, 4.0, 0.1), (2.6, 2.0, 0.2)])
def test_errors_behind_patchy_dust_are_said(r_v: float, magnitudes: float, across_over: float) -> None:
    """Behind heavy patchy dust the balance is off; how often by more than twice what it says."""
    over = []
    for number in range(16):
        white = _from_population(dusty_stars(np.random.default_rng(900 + number), 200, magnitudes, r_v))
        error = 100 * np.log(1 / white.factors)[[0, 2]]
        along, across = abs(error @ (1, -1.31)) / np.hypot(1, 1.31), abs(error @ (1.31, 1)) / np.hypot(1, 1.31)
        over.append((along > 2 * white.along, across > 2 * white.across))
        assert any("patchy dust" in word for word in white.words) == (unusual_spread_of(white) > 0.05)
    assert (np.mean(over, axis=0) <= (0.3, across_over)).all()


def unusual_spread_of(white) -> float:
    return unusual_spread(log_ratios(white.stars[:, 2:5]) @ np.array([1, -1.31]) / np.hypot(1, 1.31))


def test_usual_stars_do_not_scatter_unusually() -> None:
    for number in range(8):
        stars = dusty_stars(np.random.default_rng(number), 400, 0.3, 3.1)
        assert _from_population(stars).along < 8
        assert unusual_spread_of(_from_population(stars)) < 0.06
