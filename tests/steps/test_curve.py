"""The curve's three conditions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.errors import ArgumentError
from layerblend.maths.curve import stretch
from layerblend.steps.curve import fit_curve, largest_black


def picture(level: float, sigma: float = 1e-3) -> np.ndarray:
    rng = np.random.default_rng(1)
    yy, xx = np.mgrid[:120, :160]
    light = level * np.exp(-np.hypot(yy - 60, xx - 80) / 15)
    return (light[..., None] * np.array([1, 0.9, 0.7]) + rng.normal(0, sigma, (120, 160, 3))).astype(np.float32)


@settings(deadline=None, max_examples=60)
@given(st.floats(0.02, 0.4), st.floats(0.42, 0.9), st.floats(2, 20), st.floats(0.1, 30), st.floats(1e-5, 1e-2))
def test_sky_bright_and_black_land_where_they_are_wanted(sky: float, bright: float, black: float, level: float, sigma: float) -> None:
    image = picture(level)
    curve = fit_curve(image, sigma=sigma, sky=sky, bright=bright, black=black)
    code = stretch(np.array([[-curve.p, 0.0, curve.target]]), curve)[0]
    shown = bright if bright <= 0.8 else 0.8 + 0.2 * (bright - 0.8) / 0.2 / (1 + (bright - 0.8) / 0.2)
    assert code == pytest.approx([0, sky, shown], abs=1e-6)
    assert curve.black <= black
    assert curve.p == pytest.approx(curve.black * curve.sigma)


def test_bright_is_the_99_5th_percentile_of_the_target() -> None:
    image = picture(2.0)
    target = np.zeros((120, 160), bool)
    target[40:80, 60:100] = True
    curve = fit_curve(image, sigma=1e-3, target=target)
    luminance = (image[..., 0] + 2 * image[..., 1] + image[..., 2]) / 4
    assert curve.target == pytest.approx(np.percentile(luminance[target], 99.5), rel=1e-5)
    assert fit_curve(image, sigma=1e-3).target < curve.target


def test_a_faint_target_gets_a_lower_black_and_says_so() -> None:
    image = picture(0.03)
    curve = fit_curve(image, sigma=1e-3)
    assert curve.black < 10
    assert curve.black == pytest.approx(0.9 * largest_black(curve.target, curve.sigma, 0.12, 0.7))
    assert stretch(np.zeros((1, 1)), curve)[0, 0] == pytest.approx(0.12, abs=1e-6)


def test_the_largest_black_is_that_of_a_straight_line() -> None:
    """A line from black at -25 sigma through .1 at the sky shows .5 at 100 sigma: .1 / 25 = .5 / 125."""
    assert largest_black(1.0, 0.01, 0.1, 0.5) == pytest.approx(25)


def test_a_target_lost_in_the_noise_is_shown_as_one_of_20_sigma() -> None:
    assert fit_curve(picture(0.0), sigma=1e-3).target == pytest.approx(0.02)
    nowhere = np.zeros((120, 160), bool)
    assert fit_curve(picture(1.0), sigma=1e-3, target=nowhere) == fit_curve(picture(1.0), sigma=1e-3)


def test_noise_map_no_data_empty_and_noise_free_pictures() -> None:
    image = picture(1.0)
    image[:20] = np.nan
    sigma = np.full((120, 160), 2e-3, np.float32)
    sigma[:20] = np.nan
    assert fit_curve(image, sigma=sigma).sigma == pytest.approx(2e-3)
    for flat in (np.zeros((30, 30, 3), np.float32), np.full((30, 30), 0.2, np.float32)):
        curve = fit_curve(flat, sigma=0.0)
        assert np.isfinite(stretch(flat, curve)).all()
        assert curve.sigma == pytest.approx(max(1e-6 * flat.max(), 1e-9))
    with pytest.raises(ArgumentError, match="no data"):
        fit_curve(np.full((4, 4), np.nan, np.float32), sigma=1e-3)


@pytest.mark.parametrize(
    ("options", "words"),
    [({"sky": 0.5}, "sky"), ({"bright": 0.95}, "bright"), ({"black": 1}, "black"), ({"sky": 0.4, "bright": 0.35}, "smaller")],
)
def test_values_out_of_range_are_named(options: dict, words: str) -> None:
    with pytest.raises(ArgumentError, match=words):
        fit_curve(picture(1.0), sigma=1e-3, **options)
    with pytest.raises(ArgumentError, match="sigma"):
        fit_curve(picture(1.0), sigma=float("nan"))
    with pytest.raises(ArgumentError, match="target"):
        fit_curve(picture(1.0), sigma=1e-3, target=np.ones((160, 120), bool))
