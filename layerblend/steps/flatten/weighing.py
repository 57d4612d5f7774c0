"""How the rows count: expected errors, what channels share of them, and robust weights."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from layerblend.kinds import Array
from layerblend.maths.robust import mad_sigma

from .problem import Problem

# Tukey's biweight, wide below the fit, narrower above it where stars and objects stand.
REACH_BELOW, REACH_ABOVE = 4.7, 3.0
# Expected scatter of a galaxy's tiles, share of its light: arms and knots. Where that makes the error, nothing is rejected (arms would
# be, and the galaxy come out too faint and too wide), but what stands out further than so many errors counts less.
GALAXY_ERROR, GALAXY_HUBER = 0.2, 2.0
# Share of the sky's departure from a parabola that its model may miss before a tile is rejected: else a glow's tip never gets in.
GLOW_ERROR = 0.1
HUBER_BELOW, HUBER_ABOVE = 2.0, 1.0
LEAST_OUTSIDE = 50
Loss = Callable[[Array], Array]


def expected_errors(problem: Problem, light: Array) -> Array:
    """(n, C) expected error: a share of the galaxy's light, so that arms and knots weigh little and the outskirts decide."""
    return np.sqrt(problem.error[:, None] ** 2 + (problem.arms * light) ** 2)


def _common_variance(problem: Problem, colour: float) -> float:
    """Of the light's share that all channels have in common, when the share ``colour`` is each one's own; never quite zero."""
    return max(problem.arms**2 - colour**2, 1e-15)


def precision_of(problem: Problem, light: Array, weight: Array, common: Array, colour: float) -> Array:
    """(n, C, C) inverse covariance of the rows: arms and knots stand in all channels alike but for the share ``colour`` of the light."""
    own = weight / (problem.error[:, None] ** 2 + (colour * light) ** 2)
    pull = own * light
    shared = np.maximum(common, 1e-9) / _common_variance(problem, colour) + (pull * light).sum(1)
    return own[:, :, None] * np.eye(problem.channels) - pull[:, :, None] * pull[:, None, :] / shared[:, None, None]


def parted(problem: Problem, r: Array, light: Array, bent: Array, colour: float) -> tuple[Array, Array, Array]:
    """Residuals (n, C) parted in three, each in units of its error.

    (n,) what all channels of a row share of the galaxy's light; (n, C) the rest; (n, C) the share of the rest's error that is a galaxy's.
    """
    tint, common = (colour * light) ** 2, _common_variance(problem, colour)
    own = problem.error[:, None] ** 2 + tint + (GLOW_ERROR * bent) ** 2
    shared = (r * light / own).sum(1) / (1 / common + (light**2 / own).sum(1))
    return shared / np.sqrt(common), (r - shared[:, None] * light) / np.sqrt(own), tint / own


def residual_scale(r: Array) -> float:
    """Robust scatter of residuals in units of their expected error, at least 1."""
    scatter = mad_sigma(r)
    return scatter if scatter > 1 else 1.0


def scale_outside(r: Array, inside: Array) -> float:
    """Scale of the residuals where a galaxy makes less than half of the expected error: where it makes more, a nebula could hide."""
    outside = inside < 0.5
    return residual_scale(r[outside]) if outside.sum() > LEAST_OUTSIDE else 1.0


def biweight(r: Array, reach: float) -> Array:
    """Biweight: 1 at zero, 0 beyond ``reach``."""
    u = np.abs(r) / reach
    return np.where(u < 1, (1 - u * u) ** 2, 0.0)


def uneven_biweight(r: Array, below: float = REACH_BELOW, above: float = REACH_ABOVE) -> Array:
    """Biweight with a narrower reach above the fit than below it."""
    return np.where(r > 0, biweight(r, above), biweight(r, below))


def uneven_huber(r: Array) -> Array:
    """Weights that never reach zero: what the first rounds reject by mistake can still come back."""
    reach = np.where(r > 0, HUBER_ABOVE, HUBER_BELOW)
    return np.minimum(1, reach / np.maximum(np.abs(r), 1e-9))


def bounded(r: Array) -> Array:
    """Weights of a galaxy's residuals, which are never rejected."""
    return np.minimum(1, GALAXY_HUBER / np.maximum(np.abs(r), 1e-9))


def robust_weights(r: Array, loss: Loss, inside: Array) -> Array:
    """Robust weights: ``loss`` on the sky, bounded pulls to the share ``inside`` of the error that is a galaxy's."""
    return (1 - inside) * loss(r) + inside * bounded(r)
