"""The galaxies' shapes: centres, scales and ellipses by least squares, sky and amplitudes following."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy

from layerblend.kinds import Array

from .objects import Galaxy
from .problem import Problem, gram, solve_signed
from .rounds import State
from .weighing import precision_of

LARGEST_SCALE, SMALLEST_SCALE = 0.25, 0.008
CENTRE_REACH = 0.04
FIRST_GROWS, OTHERS_GROW = 2.5, 1.5
POWER_RANGE = (0.6, 1.3)
SHAPE_STEPS = (20.0, 20.0, 0.1, 0.05, 0.05, 0.1)
SHAPE_TURNS = 10
POWER_ERROR = 0.1


def shape_bounds(galaxies: Sequence[Galaxy], width: int) -> tuple[Array, Array]:
    """The centre stays near its guess; only the first galaxy may grow much, else a star's halo swallows a glow."""
    powers = np.log(POWER_RANGE)
    low, high = [], []
    for index, g in enumerate(galaxies):
        largest = min(np.log(LARGEST_SCALE * width), g.log_scale + np.log(OTHERS_GROW if index else FIRST_GROWS))
        low += [g.x - CENTRE_REACH * width, g.y - CENTRE_REACH * width, np.log(SMALLEST_SCALE * width), -0.93, -0.93, powers[0]]
        high += [g.x + CENTRE_REACH * width, g.y + CENTRE_REACH * width, largest, 0.93, 0.93, powers[1]]
    return np.array(low), np.array(high)


def improve_shapes(problem: Problem, state: State, bounds: tuple[Array, Array], *, starts: Sequence[float] = ()) -> None:
    """Least squares for centres, scales and ellipses, from where they are and from other ``starts`` of the first scale, px."""
    cost = _ShapeCost(problem, state)
    guesses = [state.galaxies]
    guesses += [[state.galaxies[0]._replace(log_scale=float(np.log(s))), *state.galaxies[1:]] for s in starts]
    vectors = [np.clip(np.array(g).ravel(), bounds[0] + 1e-6, bounds[1] - 1e-6) for g in guesses]
    best = min(vectors, key=lambda q: float((cost.residual(q) ** 2).sum()))
    steps = np.tile(SHAPE_STEPS, len(state.galaxies))
    found = scipy.optimize.least_squares(cost.residual, best, jac=cost.jacobian, bounds=bounds, x_scale=steps, max_nfev=SHAPE_TURNS)
    state.galaxies = [Galaxy(*map(float, p)) for p in found.x.reshape(-1, len(Galaxy._fields))]


class _ShapeCost:
    """Residuals of all channels for given galaxy shapes; sky and amplitudes are solved inside (variable projection).

    The residual holds the data, the sky's roughness and the priors, so that a shape which needs a rough sky pays for it.
    """

    def __init__(self, problem: Problem, state: State):
        self.problem, self.amplitude = problem, state.amplitude
        self.at = np.empty(0)  # the shapes that were looked at last: none yet
        self.precision = precision_of(problem, state.light, state.weight, state.common, state.colour)
        self.root = np.linalg.cholesky(self.precision + 1e-12 * np.eye(problem.channels)).transpose(0, 2, 1)
        values, vectors = np.linalg.eigh(problem.penalty)
        kept = values > 1e-9 * values.max()
        self.rough = (vectors[:, kept] * np.sqrt(values[kept])).T
        self.stiff = np.sqrt(state.stiffness)
        N, right = problem.normal(problem.design, self.precision, state.stiffness, np.zeros((0, 0)))
        self.factor = scipy.linalg.cho_factor(N + 1e-6 * np.eye(len(N)))
        self.alone = scipy.linalg.cho_solve(self.factor, right)

    def _galaxies(self, q: Array) -> list[Galaxy]:
        return [Galaxy(*p) for p in q.reshape(-1, len(Galaxy._fields))]

    def residual(self, q: Array) -> Array:
        """One long vector: the data, roughness per channel and what is known of amplitudes; then the prior on the profile's power."""
        problem = self.problem
        G = problem.columns(self._galaxies(q))
        self.prior = problem.prior_rows(G, self.amplitude)
        terms, amplitudes = len(self.alone), G.shape[1] * problem.channels
        self.across = gram(problem.design, G, self.precision).reshape(terms, amplitudes)
        self.through = scipy.linalg.cho_solve(self.factor, self.across)
        own = gram(G, G, self.precision).reshape(amplitudes, amplitudes)
        self.inner = own - self.across.T @ self.through + self.prior.T @ self.prior
        right = (G.T @ np.einsum("ncd,nd->nc", self.precision, problem.z)).T.ravel() - self.across.T @ self.alone
        self.solution = solve_signed(self.inner, right, np.tile(problem.positive(G), problem.channels))
        sky = self.alone - self.through @ self.solution
        r = problem.z - problem.design @ self._by_channel(sky).T - G @ self._by_channel(self.solution).T
        self.at, self.G = q.copy(), G
        known = [self.prior @ self.solution, self._powers(q) / POWER_ERROR]
        return np.concatenate([self._whitened(r[..., None])[:, 0], self._roughness(sky), *known])

    def _whitened(self, rows: Array) -> Array:
        """(C n, m) of (n, C, m): of unit variance and apart from each other."""
        return np.einsum("ncd,ndm->ncm", self.root, rows).reshape(-1, rows.shape[-1])

    def _roughness(self, sky: Array) -> Array:
        """Of sky terms (C x terms, ...), channel by channel."""
        return np.concatenate([s * (self.rough @ terms) for s, terms in zip(self.stiff, self._by_channel(sky), strict=True)])

    def _by_channel(self, terms: Array) -> Array:
        return terms.reshape(self.problem.channels, -1, *terms.shape[1:])

    def _powers(self, q: Array) -> Array:
        return q.reshape(-1, len(Galaxy._fields))[:, Galaxy._fields.index("log_power")]

    def jacobian(self, q: Array) -> Array:
        """Derivative with sky and amplitudes following (Kaufman's form: the projector's own change is left out)."""
        if not np.array_equal(q, self.at):
            self.residual(q)
        problem, G = self.problem, self.G
        slopes = column_slopes(problem, self._galaxies(q))
        faint, positive = problem.faint(G, self.amplitude), problem.positive(G)
        active = self.solution != 0
        known = np.zeros((len(self.prior), len(q)))
        far_rows = 1 + len(problem.profile.positive[1:]) * len(self._galaxies(q))
        D = np.empty((len(problem.x), problem.channels, len(q)))
        for c, amplitude in enumerate(self._by_channel(self.solution)):
            D[:, c] = light_slopes(slopes, amplitude)
            far = np.stack([d[faint].mean(0) @ np.where(positive, amplitude, 0)[k : k + d.shape[1]] for k, d in slopes])
            known[c * far_rows] = np.sqrt(len(problem.x)) / problem.far_error * far
        weighted = np.einsum("ncd,ndm->ncm", self.precision, D)
        onto_sky, onto_galaxies = (np.concatenate([X.T @ weighted[:, c] for c in range(problem.channels)]) for X in (problem.design, G))
        follow = np.zeros((len(active), len(q)))
        if active.any():
            right = onto_galaxies - self.through.T @ onto_sky + self.prior.T @ known
            inner = self.inner[np.ix_(active, active)] + 1e-9 * np.eye(active.sum())
            follow[active] = np.linalg.solve(inner, right[active])
        sky = scipy.linalg.cho_solve(self.factor, onto_sky) - self.through @ follow
        moved = np.stack([problem.design @ s + G @ a for s, a in zip(self._by_channel(sky), self._by_channel(follow), strict=True)], 1) - D
        powers = np.zeros((len(self._powers(q)), len(q)))
        powers[np.arange(len(powers)), np.arange(len(powers)) * len(Galaxy._fields) + Galaxy._fields.index("log_power")] = 1 / POWER_ERROR
        return np.vstack([self._whitened(moved), -self._roughness(sky), known - self.prior @ follow, powers])


def column_slopes(problem: Problem, galaxies: Sequence[Galaxy]) -> list[tuple[int, Array]]:
    """For every parameter of every galaxy: index of the galaxy's first column, and the columns' finite difference."""
    out = []
    per_galaxy = len(problem.profile.positive)
    for g, galaxy in enumerate(galaxies):
        here = problem.columns([galaxy])
        for name, step in zip(Galaxy._fields, SHAPE_STEPS, strict=True):
            there = problem.columns([galaxy._replace(**{name: getattr(galaxy, name) + 0.01 * step})])
            out.append((g * per_galaxy, (there - here) / (0.01 * step)))
    return out


def light_slopes(slopes: Sequence[tuple[int, Array]], amplitude: Array) -> Array:
    """(n, parameters) change of one channel's galaxy light with the shapes."""
    return np.stack([columns @ amplitude[first : first + columns.shape[1]] for first, columns in slopes], 1)
