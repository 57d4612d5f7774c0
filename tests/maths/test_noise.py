"""Noise maps against noise that was put in."""

import cv2
import numpy as np

from layerblend.maths.noise import error_map, ground_error, luminance_error, signal_error_map


def test_error_map_keeps_the_mean_variance_and_the_gaps() -> None:
    rng = np.random.default_rng(1)
    stderr = np.sqrt(rng.chisquare(10, (60, 80)) / 10).astype(np.float32)
    stderr[:5] = np.nan
    calm = error_map(stderr)
    assert np.isnan(calm[:5]).all()
    assert np.isfinite(calm[5:]).all()
    assert abs(np.mean(calm[5:] ** 2) - 1) < 0.03
    assert np.std(calm[5:]) < 0.3 * np.std(stderr[5:])


def test_luminance_error_is_the_error_of_y() -> None:
    """Y = (R + 2G + B)/4 of unit noise has sigma sqrt(.0625 + .25 + .0625) (propagation of errors)."""
    sigma = np.ones((4, 5, 3), np.float32)
    assert np.allclose(luminance_error(sigma), np.sqrt(0.375))
    plane = np.full((4, 5), 2.0, np.float32)
    assert luminance_error(plane) is plane


def _shot(light: np.ndarray, floor: float, slope: float) -> tuple[np.ndarray, np.ndarray]:
    truth = np.sqrt(floor + slope * light)
    return truth, (light + truth * np.random.default_rng(2).standard_normal(light.shape)).astype(np.float32)


def test_signal_error_follows_shot_noise() -> None:
    """A target over half of the picture, sky on the other."""
    truth, noisy = _shot(np.repeat(np.maximum(np.linspace(-400, 400, 600), 0)[:, None], 500, 1), 4.0, 0.5)
    noisy[:3, :7] = np.nan
    sigma = signal_error_map(noisy)
    assert sigma.dtype == np.float32 and np.isnan(sigma[:3, :7]).all()
    for rows in (slice(0, 290), slice(350, 450), slice(450, 590)):
        assert abs(np.nanmedian((sigma / truth)[rows]) - 1) < 0.04
    colour = signal_error_map(np.stack([noisy, noisy, noisy], -1))
    assert colour.shape == (600, 500, 3)
    np.testing.assert_array_equal(colour[..., 1], sigma)


def test_stars_are_no_noise() -> None:
    """A field of 2000 stars over a wide galaxy: stars' slopes must not pass for noise that grows with the light."""
    rng = np.random.default_rng(3)
    light = np.zeros((600, 600))
    np.add.at(light, tuple(rng.integers(0, 600, (2, 2000))), 300 * rng.pareto(1.2, 2000).clip(max=300))
    y, x = np.mgrid[:600, :600] - 300
    light = cv2.GaussianBlur(light, (0, 0), 1.7) + 500 * np.exp(-np.hypot(x, y) / 60)
    truth, noisy = _shot(light, 4.0, 0.02)
    sigma = signal_error_map(noisy)
    middle = np.hypot(x, y) < 60
    assert abs(np.median((sigma / truth)[middle]) - 1) < 0.15
    assert abs(np.median((sigma / truth)[~middle]) - 1) < 0.1


def test_ground_error_looks_through_stars_and_keeps_gaps() -> None:
    sigma = np.full((80, 90), 2.0, np.float32)
    sigma[30:40, 40:50] = 50.0
    sigma[:4] = np.nan
    ground = ground_error(sigma)
    assert np.isnan(ground[:4]).all()
    assert np.allclose(ground[4:], 2.0)


def test_rounding_of_the_blur_makes_no_noise_unknown() -> None:
    """Errors of very different size, as of two frames that are equal by chance here and not there."""
    rng = np.random.default_rng(1)
    stderr = np.full((96, 128), np.nan, np.float32)
    stderr[9:-9, 9:-9] = 10 ** rng.uniform(-10, -2, (78, 110))
    calm = error_map(stderr)
    assert np.isfinite(calm[9:-9, 9:-9]).all() and np.isnan(calm[0]).all()
