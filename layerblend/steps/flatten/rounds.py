"""One round of the fit: sky and amplitudes of all channels under robust weights, and the sky's stiffness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from layerblend.kinds import Array, Mask
from layerblend.maths.bands import each

from .objects import Galaxy
from .problem import Problem, solve_signed
from .weighing import (
    GLOW_ERROR,
    bounded,
    expected_errors,
    parted,
    precision_of,
    residual_scale,
    robust_weights,
    scale_outside,
    uneven_biweight,
    uneven_huber,
)

# Penalty on squared third derivatives; the first leaves nothing but a parabola.
STIFFNESS = (1e3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9)
SHARED_ERROR = 2.0


@dataclass
class State:
    """What the rounds improve: weights (n, C), galaxy light at the rows (n, C), amplitudes (components, C), stiffness per channel.

    ``common``: (n,) weights of what the channels share; ``colour``: share of a galaxy's light by which one channel may stand alone.
    """

    galaxies: list[Galaxy]
    weight: Array
    light: Array
    amplitude: Array | None
    stiffness: list[float]
    excess: Array
    outside: Array
    common: Array
    colour: float
    coefficients: Array | None = None


def solve_channels(problem: Problem, state: State, base: Array, *, turns: int = 0) -> None:
    """Sky and amplitudes of every channel, rejection against the channel's own fit; changes ``state``.

    Always from bounded weights first, so that what was rejected by mistake in an earlier round can come back; then ``turns`` rounds of
    weights that fall to zero.
    """
    G = problem.columns(state.galaxies)
    A = np.hstack([problem.design, G])
    prior = problem.prior_rows(G, state.amplitude)
    light, weight, common = state.light, np.repeat(base[:, None], problem.channels, axis=1), np.ones(len(base))
    counts = base > 0
    for loss in [uneven_huber] * 3 + [uneven_biweight] * turns:
        k = problem.solve(A, precision_of(problem, light, weight, common, state.colour), state.stiffness, prior)
        light = G @ k[problem.n_sky :]
        bent = problem.bent @ k[: problem.n_sky]
        r = problem.z - A @ k
        error = np.hypot(expected_errors(problem, light), GLOW_ERROR * bent)
        inside = (problem.arms * light / error) ** 2
        state.excess = np.array([residual_scale(channel[counts]) for channel in (r / error).T])
        state.outside = np.array([scale_outside((r / error)[counts, c], inside[counts, c]) for c in range(problem.channels)])
        shared, rest, inside = parted(problem, r, light, bent, state.colour)
        scale = np.array([residual_scale(channel[counts]) for channel in rest.T])
        weight, common = base[:, None] * robust_weights(rest / scale, loss, inside), bounded(shared)
    state.coefficients, state.amplitude, state.light, state.weight, state.common = k, k[problem.n_sky :], light, weight, common


def choose_smoothness(problems: Sequence[Problem], state: State, base: Array) -> Problem:
    """That of the ``problems``, and the stiffness, under which the data are most probable (marginal likelihood); changes ``state``."""
    problem = problems[0]
    G = problem.columns(state.galaxies)
    A = np.hstack([problem.design, G])
    prior = problem.prior_rows(G, state.amplitude)
    precision = precision_of(problem, state.light, state.weight, state.common, state.colour)
    soft = problem.solve(A, precision, [STIFFNESS[-1]] * problem.channels, prior)
    # Weights from before the rejection, else a glow that was rejected is never missed.
    shared, rest, _ = parted(problem, problem.z - A @ soft, state.light, problem.bent @ soft[: problem.n_sky], state.colour)
    weight = base[:, None] * uneven_biweight(rest, 8.0, 6.0)
    precision = precision_of(problem, state.light, weight, bounded(shared), state.colour)
    normal, right = problem.normal(A, precision, [0.0] * problem.channels, prior)
    found = each(lambda one: _most_probable(one, normal, right, problem.signs(A), state.stiffness), problems)
    best = min(range(len(problems)), key=lambda k: found[k][0])
    state.stiffness = found[best][1]
    return problems[best]


def _most_probable(problem: Problem, normal: Array, right: Array, signs: Mask, first: Sequence[float]) -> tuple[float, list[float]]:
    """Twice the negative log of the data's probability, up to a constant, and the stiffness of every channel that makes it largest, channel
    by channel, from ``first`` on."""
    chosen, columns, least = list(first), len(normal) // problem.channels - problem.n_sky, np.inf
    for c in range(problem.channels):
        costs = []
        for stiffness in STIFFNESS:
            tried = [*chosen[:c], stiffness, *chosen[c + 1 :]]
            N = (normal + scipy.linalg.block_diag(*[problem.smooth(s, columns) for s in tried])) / SHARED_ERROR
            k = solve_signed(N, right / SHARED_ERROR, signs)
            misfit = k @ N @ k - 2 * right @ k / SHARED_ERROR
            N = N + 1e-9 * np.trace(N) / len(N) * np.eye(len(N))
            costs.append(misfit + np.linalg.slogdet(N)[1] - (problem.n_smooth - 6) * np.log(tried).sum())
        chosen[c], least = STIFFNESS[int(np.argmin(costs))], min(costs)
    return float(least + problem.handicap), chosen
