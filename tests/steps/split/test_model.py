"""Drawing and fitting of the star image."""

from __future__ import annotations

import numpy as np
from astropy.modeling.functional_models import Moffat2D

from layerblend.steps.split.model import StarImage, render, star_light, sweep


def _geo(x: float, y: float, fwhm: float, e1: float = 0.0, e2: float = 0.0) -> np.ndarray:
    return np.array([[x, y, np.log(fwhm), e1, e2, 0.0, 0.0]])


def test_round_star_is_astropys_moffat() -> None:
    """Outside reference: astropy.modeling Moffat2D."""
    plane = np.zeros((41, 41), np.float32)
    render(plane, _geo(20.3, 19.6, 4.0), np.array([2.0]), np.array([18.0]), StarImage.moffat(3.0))
    model = Moffat2D(2.0, 20.3, 19.6, 4.0 / (2 * np.sqrt(2 ** (1 / 3.0) - 1)), 3.0)
    yy, xx = np.mgrid[:41, :41]
    inside = np.hypot(xx - 20.3, yy - 19.6) < 17.5
    np.testing.assert_allclose(plane[inside], model(xx, yy)[inside], atol=4e-6)


def test_light_is_the_moffats() -> None:
    """Outside reference: the integral of a Moffat, pi gamma^2 / (beta - 1) (Moffat 1969)."""
    gamma = 5.0 / (2 * np.sqrt(2 ** (1 / 2.7) - 1))
    np.testing.assert_allclose(star_light(StarImage.moffat(2.7), _geo(0, 0, 5.0)), np.pi * gamma**2 / 1.7, rtol=1e-9)


def test_fit_finds_what_was_drawn() -> None:
    image, truth = StarImage.moffat(3.0), _geo(30.4, 28.7, 4.4, 0.06, -0.04)
    data = np.full((60, 60), 0.01, np.float32)
    render(data, truth, np.array([1.0]), np.array([40.0]), image)
    geo, amp = _geo(30.0, 29.0, 4.4, 0.06, -0.04), np.array([0.8])
    model = np.zeros_like(data)
    render(model, geo, amp, np.array([40.0]), image)
    good, reach = np.ones(data.shape, bool), np.array([7.0])
    for _ in range(6):
        sweep(data, model, good, (1e-6, 0.0), geo, amp, reach, np.array([40.0]), image, 4.4, free=1, update=True)
    np.testing.assert_allclose(geo[0, :2], truth[0, :2], atol=2e-3)
    np.testing.assert_allclose(amp, 1.0, rtol=2e-3)
    wider = truth.copy()
    wider[0, 2] -= 0.05
    fit, _ = sweep(
        data, np.zeros_like(data), good, (1e-6, 0.0), wider, np.zeros(1), reach, np.array([40.0]), image, 4.4, free=2, update=False
    )
    assert abs(fit[0, 3] - 0.05) < 0.01


def test_bent_ground_does_not_widen_a_star_on_it() -> None:
    """A star on the crest of an arm: a ground with slopes alone makes it look wide, long and bright."""
    image, geo = StarImage.moffat(3.0), _geo(30.4, 28.7, 4.4)
    arm = 0.3 * np.exp(-0.5 * ((np.mgrid[:60, :60][1] - 30.4) / 6.0) ** 2)
    data = arm.astype(np.float32)
    render(data, geo, np.array([1.0]), np.array([40.0]), image)
    good, reach = np.ones(data.shape, bool), np.array([7.5])

    def off(bend: np.ndarray | None) -> np.ndarray:
        nothing = np.zeros_like(data)
        fit, _ = sweep(
            data, nothing, good, (1e-6, 0.0), geo.copy(), np.zeros(1), reach, np.array([40.0]), image, 4.4, free=3, update=False, bend=bend
        )
        return np.abs([fit[0, 0] - 1, fit[0, 3], np.hypot(fit[0, 4], fit[0, 5])])

    assert (off(np.array([0.3])) < 0.3 * off(None)).all()
    np.testing.assert_array_equal(off(np.array([0.0])), off(None))
