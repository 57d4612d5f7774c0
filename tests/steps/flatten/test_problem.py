"""What is fitted: signed amplitudes, stars' glare."""

from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.flatten.objects import Galaxy
from layerblend.steps.flatten.problem import solve_signed, star_glare
from layerblend.steps.flatten.tiles import make_tiles


def test_amplitudes_are_not_negative() -> None:
    rng = np.random.default_rng(1)
    A = rng.normal(size=(50, 5))
    z = A @ np.array([1.0, -2.0, 3.0, -0.5, 0.7])
    c = solve_signed(A.T @ A, A.T @ z, np.array([False, False, True, True, True]))
    assert (c[2:] >= 0).all()
    assert c[1] < 0 and c[3] == 0


def test_glare_lies_round_stars_and_knots_of_a_galaxy_make_none() -> None:
    table = make_tiles(np.random.default_rng(0).normal(100, 1, (320, 480, 3)).astype(np.float32))
    light = np.zeros_like(table.star_light)
    assert not star_glare(replace(table, star_light=light), []).any()
    light[5, 20] = 1000
    glare = star_glare(replace(table, star_light=light), [])
    assert np.unravel_index(glare.argmax(), glare.shape) == (5, 20)
    # the published shape's fall: a quarter at the core radius
    assert glare[5, 22] / glare[5, 20] == pytest.approx(0.25)
    galaxy = Galaxy(20 * 16 + 7.5, 5 * 16 + 7.5, np.log(40.0), 0.0, 0.0)
    assert not star_glare(replace(table, star_light=light), [galaxy]).any()
