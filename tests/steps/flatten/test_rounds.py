"""One round of the fit: rejection that can be taken back, and a sky as stiff as the data ask for."""

from __future__ import annotations

import numpy as np

from layerblend.steps.flatten.problem import Problem, make_problem
from layerblend.steps.flatten.rounds import State, choose_smoothness, solve_channels
from layerblend.steps.flatten.tiles import make_tiles
from layerblend.steps.flatten.weighing import GALAXY_ERROR


def sky_alone(bump: float) -> Problem:
    """Blank noise with a bump of so many sigma, a twelfth of the frame wide."""
    y, x = np.mgrid[:320, :480]
    light = bump * np.exp(-((x - 240) ** 2 + (y - 160) ** 2) / (2 * 60**2))
    image = 100 + light[..., None] + np.random.default_rng(3).normal(0, 1, (320, 480, 3))
    return make_problem(make_tiles(image.astype(np.float32)), [], False, GALAXY_ERROR)


def fresh(problem: Problem) -> State:
    n, channels = problem.z.shape
    ones = np.ones(channels)
    return State([], np.ones((n, channels)), np.zeros((n, channels)), None, [3e-7] * channels, ones, ones, np.ones(n), GALAXY_ERROR)


def test_what_stands_above_the_sky_is_rejected_and_can_come_back() -> None:
    problem = sky_alone(0)
    problem.z[40] += 50
    state, base = fresh(problem), np.ones(len(problem.z))
    solve_channels(problem, state, base, turns=4)
    assert (state.weight[40] == 0).all() and np.median(state.weight) > 0.5
    problem.z[40] -= 50
    solve_channels(problem, state, base, turns=4)
    assert (state.weight[40] > 0.1).all()


def test_a_bare_sky_is_stiff_and_one_with_a_glow_is_supple() -> None:
    chosen = []
    for bump in (0, 20):
        problem = sky_alone(bump)
        state, base = fresh(problem), np.ones(len(problem.z))
        solve_channels(problem, state, base)
        assert choose_smoothness([problem], state, base) is problem
        chosen.append(state.stiffness)
    assert min(chosen[0]) > max(chosen[1])
