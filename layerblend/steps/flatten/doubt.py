"""A galaxy that reaches the edge leaves no clean sky: sky and halo are then one smooth light, which two models divide differently.

Both models are fitted, the better one serves, and what they differ by in the halo is what nobody can tell from this picture alone.
"""

from __future__ import annotations

import numpy as np

from .fit import GALAXY_ERROR, SkyFit, fit_sky, galaxy_light, legendre_design
from .tiles import TileTable

# The second model is asked from this much galaxy light over the faintest tiles, sigma, below this share of clean sky, or where the sky is
# so supple in every channel that it may have eaten a galaxy.
ASK_FAR, ASK_CLEAN, ASK_STIFFNESS = 0.15, 0.04, 1e-7
# The wide model serves where its galaxy lights even the faintest tiles by this much, sigma, unless it is clearly the worse one. (A galaxy
# wider than the first model likes ends there as a small galaxy on a bent sky that has eaten the rest.)
WIDE_FAR = 1.0
CLEARLY_WORSE = 2.5
# A sky so supple in every channel is itself in doubt.
FLOPPY = 1e-8
LOSS_ABOVE, LOSS_BELOW = 9.0, 22.0
HALO = (0.7, 6.0)
# A second model whose sky spans so many times the first one's has run away.
MOST_REACH = 3.0


def ask_both(table: TileTable, fit: SkyFit) -> tuple[SkyFit, float]:
    """The model that serves, and by how much, sigma, the other one differs in the galaxy's halo (0 where it does not count)."""
    plain = fit.far <= ASK_FAR and fit.clean.mean() >= ASK_CLEAN and max(fit.stiffness) > ASK_STIFFNESS
    if not fit.galaxies or plain:
        return fit, 0.0
    wide = fit_sky(table, wide=True)
    if _reach(wide) > MOST_REACH * _reach(fit) + HALO[1]:
        return fit, 0.0
    first, second = misfits(fit, wide)
    if second > CLEARLY_WORSE * first:
        return fit, halo_difference(fit, wide) if max(fit.stiffness) <= FLOPPY else 0.0
    best, other = (wide, fit) if wide.far > WIDE_FAR else (fit, wide)
    return best, halo_difference(best, other)


def misfits(first: SkyFit, second: SkyFit) -> tuple[float, float]:
    """Bounded sums of squares of two models of one table, over the same rows with the same errors."""
    rows = first.rows
    light = (first.galaxy + second.galaxy) / 2
    error = np.hypot(rows.error[rows.used][:, None], GALAXY_ERROR * light)
    counts = (first.weight > 0) | (second.weight > 0)
    pulls = (np.where(counts, fit.residual / error, 0.0) for fit in (first, second))
    one, two = (float(np.minimum(pull**2, np.where(pull > 0, LOSS_ABOVE, LOSS_BELOW)).sum()) for pull in pulls)
    return one, two


def _reach(fit: SkyFit) -> float:
    """Span of the sky at the samples, sigma, in the channel where it is largest."""
    rows = fit.rows
    sky = legendre_design(rows.u[rows.used], rows.v[rows.used], fit.degree) @ fit.coefficients
    return float(np.ptp(sky, axis=0).max())


def halo_difference(best: SkyFit, other: SkyFit) -> float:
    """Mean difference of two skies over the halo of ``best``, sigma, in the channel where it is largest."""
    rows = best.rows
    u, v = rows.u[rows.used], rows.v[rows.used]
    light = galaxy_light(best, rows.x[rows.used], rows.y[rows.used]).mean(-1)
    halo = (light > HALO[0]) & (light < HALO[1])
    if not halo.any():
        return 0.0
    skies = [legendre_design(u[halo], v[halo], fit.degree) @ fit.coefficients for fit in (best, other)]
    return float(np.abs((skies[0] - skies[1]).mean(0)).max())
