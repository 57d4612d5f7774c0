"""Shapes of galaxies: bounds, and the derivative that the least squares go by."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.steps.flatten.objects import Galaxy, find_galaxies
from layerblend.steps.flatten.problem import make_problem
from layerblend.steps.flatten.rounds import State, solve_channels
from layerblend.steps.flatten.shapes import _ShapeCost, shape_bounds
from layerblend.steps.flatten.tiles import make_tiles
from layerblend.steps.flatten.weighing import GALAXY_ERROR
from tests.scenes.sky import make_scene


@pytest.mark.parametrize("wide", [False, True])
def test_the_derivative_points_where_the_cost_falls(wide: bool) -> None:
    """Kaufman's form leaves out what is at right angles to the residual, so that the gradient is exact: against differences."""
    scene = make_scene(62, kind="plane", amplitude=5, frac=1 / 14, shape=(480, 720), n_stars=100)
    table = make_tiles(scene.image)
    galaxies = find_galaxies(table)[:1]
    problem = make_problem(table, galaxies, wide, GALAXY_ERROR)
    n, channels = problem.z.shape
    ones = np.ones(channels)
    state = State(galaxies, np.ones((n, channels)), np.zeros((n, channels)), None, [3e-7] * channels, ones, ones, np.ones(n), GALAXY_ERROR)
    solve_channels(problem, state, np.ones(n))
    cost = _ShapeCost(problem, state)
    q = np.array(galaxies).ravel() + 0.01
    gradient = 2 * cost.jacobian(q).T @ cost.residual(q)
    steps = 1e-4 * np.array([20.0, 20.0, 0.1, 0.05, 0.05, 0.1])
    for k, step in enumerate(steps):
        ahead, behind = (float((cost.residual(q + s * step * (np.arange(len(q)) == k)) ** 2).sum()) for s in (1, -1))
        assert gradient[k] == pytest.approx((ahead - behind) / (2 * step), rel=0.05, abs=0.02 * np.abs(gradient * steps).max() / step)


def test_only_the_first_galaxy_may_grow_much() -> None:
    two = [Galaxy(100.0, 100.0, np.log(20.0), 0.0, 0.0), Galaxy(300.0, 50.0, np.log(20.0), 0.0, 0.0)]
    low, high = shape_bounds(two, 2000)
    scale = Galaxy._fields.index("log_scale")
    size = len(Galaxy._fields)
    assert np.exp(high[[scale, size + scale]]) == pytest.approx([50, 30])
    assert (low < np.array(two).ravel()).all() and (high > np.array(two).ravel()).all()
