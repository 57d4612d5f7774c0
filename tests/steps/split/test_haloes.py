"""Wide light of bright stars."""

from __future__ import annotations

import numpy as np

from layerblend.steps.split.haloes import WIDTHS, draw_haloes, fit_haloes
from layerblend.steps.split.noise import Noise


def test_halo_on_sky_is_found() -> None:
    rng = np.random.default_rng(4)
    plane = rng.normal(0, 1e-4, (500, 500)).astype(np.float32)
    geo = np.array([[150.0, 240.0, np.log(4.0), 0, 0, 0, 0], [360.0, 250.0, np.log(4.0), 0, 0, 0, 0]])
    light = np.zeros((2, len(WIDTHS)))
    light[:, 4] = 0.02, 0.01
    truth = draw_haloes(plane.shape, geo, light, 4.0, 1e-4)
    plane += truth
    good = np.ones(plane.shape, bool)
    haloes, halo = fit_haloes(plane, np.zeros_like(plane), good, Noise(1e-8, 0.0), geo, np.array([8.0, 4.0]), np.array([6.0, 5.0]), 4.0)
    off = np.abs(halo - truth) / 1e-4
    for x, y in geo[:, :2]:
        yy, xx = np.mgrid[:500, :500]
        r = np.hypot(xx - x, yy - y)
        assert np.median(off[(r > 12) & (r < 60)]) < 1.0
    assert len(haloes.index) == 2


def test_no_bright_star_no_halo() -> None:
    plane = np.zeros((64, 64), np.float32)
    none = np.zeros(0)
    haloes, halo = fit_haloes(plane, plane, plane == 0, Noise(1e-8, 0.0), np.zeros((0, 7)), none, none, 4.0)
    assert len(haloes.index) == 0 and not halo.any()
