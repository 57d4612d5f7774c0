"""How sure the sky under a galaxy's halo is, and what serves where it is not.

The fit's own covariance tells how well sky and halo can be told apart. A galaxy that reaches the edge leaves no clean sky: sky and halo are
then one smooth light, which two models divide differently. Both are fitted, the mean of them serves, weighted by how well each describes
the picture, and what they differ by in the halo is in doubt as well, as is a share of the galaxy's light where the sky should be clean.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from layerblend.kinds import Array

from .filling import is_galaxy
from .fit import HALO, SkyFit, arms_error, cut_edges, fit_sky, in_halo, odd_halo
from .legendre import legendre_design, legendre_terms
from .tiles import TileTable
from .weighing import GALAXY_ERROR

# The second model is asked from this much galaxy light over the faintest tiles, sigma, below this share of clean sky, or where the sky is
# so supple in every channel that it may have eaten a galaxy.
ASK_FAR, ASK_CLEAN, ASK_STIFFNESS = 0.15, 0.04, 1e-7
# Both serve in a mean, weighted by how well they describe the tiles: a difference of misfits of so much is a factor of e (tiles share
# errors, so that it is more than the 2 of independent ones), with a head start for the first, which was nearer to the truth on simulated
# scenes at equal misfits. Below the least weight a model is left out.
MISFIT_UNIT, HEAD_START, LEAST_WEIGHT = 160.0, 150.0, 0.02
# A sky as supple as that in every channel has eaten a galaxy: the wide model gets at least this weight unless its misfit is so many times
# the first one's; the suppler the sky, the less its smaller misfit tells.
EATEN = ((1e-7, 1.5, 1.0), (1e-8, 2.2, 1.0), (1e-8, 3.0, 0.5))
# The first model may still be the true one where the wide one serves: so much of the weight is left to it where the doubt is told.
LEAST_DOUBT = 0.1
# Arms and knots are wider than a row of tiles, so that neighbours err together: the fit's own error, scaled by the residuals as they are
# (Birge 1932, Phys. Rev. 40, 207), times this is 1 sigma of the error made. What is said of a galaxy that the edge cuts is more, for its
# middle and shape are less sure than the fit knows. Light of a galaxy over the faintest tiles is expected to be none, though where no clean
# sky is there is some, and the halo is off by a share of it that the fit cannot know: 1 sigma of it. The amount said is to cover nineteen
# errors of twenty, in the worst of three channels that mostly err alike, hence a little more than 1.96 sigma. All from simulated galaxies
# (W/20 to W/6, 83 of 1500 px and 79 of 960 px), the factors near the most likely ones.
SHARED_ARMS, CUT_COVER, FAR_DOUBT, COVER = 3.0, 1.9, 0.25, 2.1
# A plane under a galaxy is off by so many times what it differs from the model with the galaxy in it.
PLANE_COVER = 2.0
# A halo of a colour that haloes do not have holds light of the sky: so many times what shows of it, for the fit lets little show. From
# simulated glows whose hump lies behind a galaxy.
ODD_COLOUR = 5.0
LOSS_ABOVE, LOSS_BELOW = 9.0, 22.0
# A second model whose sky spans so many times the first one's has run away.
MOST_REACH = 3.0


def ask_both(table: TileTable, fit: SkyFit) -> tuple[SkyFit, float]:
    """The model that serves (with a sky between the two where both are likely), and by how much, sigma, the halo may be off."""
    plain = fit.far <= ASK_FAR and fit.clean.mean() >= ASK_CLEAN and max(fit.stiffness) > ASK_STIFFNESS
    if not fit.galaxies or plain:
        return fit, _amount(halo_error(fit), fit)
    wide = fit_sky(table, wide=True)
    if _reach(wide) > MOST_REACH * _reach(fit) + HALO[1]:
        return fit, _amount(halo_error(fit), fit)
    first, second = misfits(fit, wide)
    share = float(1 / (1 + np.exp(np.clip((second - first + HEAD_START) / MISFIT_UNIT, -50, 50))))
    share = max([share] + [weight for supple, worse, weight in EATEN if max(fit.stiffness) <= supple and second < worse * first])
    best, other, less = (wide, fit, 1 - share) if share > 0.5 else (fit, wide, share)
    apart = mean_error(halo_error(best), halo_error(other), halo_difference(best, other), max(less, LEAST_DOUBT if best is wide else 0))
    doubt = _amount(apart, fit)
    return (best if less < LEAST_WEIGHT else _mean_sky(best, other, less)), doubt


def _amount(error: float, fit: SkyFit) -> float:
    """What is said of an ``error`` of 1 sigma, of a galaxy's light all over the frame, and of the colour of the haloes."""
    parts = (CUT_COVER if cut_edges(fit) else 1) * error, FAR_DOUBT * fit.far, ODD_COLOUR * odd_halo(fit)
    return COVER * float(np.linalg.norm(parts))


def alike_in_colour(table: TileTable, fit: SkyFit) -> SkyFit:
    """``fit``, and where a galaxy is large, the channels' differences from a fit whose arms are as wide as they are.

    Arms that err together bend each channel's sky as far as it is supple, hence by another amount; expecting more of them keeps the
    channels together. The mean of the channels stays: the halo's light was no nearer to the truth on simulated scenes.
    """
    arms = arms_error(fit)
    if arms == GALAXY_ERROR or fit.coefficients.shape[1] == 1:
        return fit
    calm = fit_sky(table, arms=arms)
    degree = max(fit.degree, calm.degree)
    change = _raised(calm, degree) - _raised(fit, degree)
    return _moved(fit, degree, change - change.mean(1, keepdims=True))


def plane_doubt(table: TileTable, plane: Array) -> float:
    """By how much, sigma, a galaxy's halo may be off where a ``plane`` was taken for a frame that is full: 0 where no galaxy is."""
    wide = fit_sky(table, wide=True)
    if not is_galaxy(wide):
        return 0.0
    apart = halo_difference(wide, replace(wide, degree=1, coefficients=plane))
    return float(np.hypot(PLANE_COVER * apart, _amount(halo_error(wide), wide)))


def halo_error(fit: SkyFit) -> float:
    """1 sigma of the mean sky over the halo, in units of a pixel's noise, in the channel where it is largest."""
    return _made(fit, fit.halo_error)


def bright_doubt(fit: SkyFit) -> float:
    """By how much, sigma, the sky may be off under what is brighter than a halo, where an edge cuts the galaxy; 0 where none does."""
    return CUT_COVER * COVER * _made(fit, fit.bright_error) if cut_edges(fit) else 0.0


def _made(fit: SkyFit, error: Array) -> float:
    """The fit's own ``error`` (C,), scaled by its residuals."""
    misfit, _ = misfits(fit, fit)
    return SHARED_ARMS * np.sqrt(misfit / fit.residual.size) * float(error.max())


def mean_error(one: float, other: float, difference: float, share: float) -> float:
    """1 sigma of a mean to which the ``other`` model gives ``share`` (Hoeting et al. 1999, Statistical Science 14, 382)."""
    return float(np.sqrt((1 - share) * one**2 + share * other**2 + share * (1 - share) * difference**2))


def _mean_sky(best: SkyFit, other: SkyFit, share: float) -> SkyFit:
    """``best`` with the sky moved by ``share`` towards that of ``other``; the higher of the two degrees."""
    degree = max(best.degree, other.degree)
    return _moved(best, degree, share * (_raised(other, degree) - _raised(best, degree)))


def _moved(fit: SkyFit, degree: int, change: Array) -> SkyFit:
    """``fit`` with its sky changed by coefficients of ``degree``, which is not below its own."""
    rows = fit.rows
    light = legendre_design(rows.u[rows.used], rows.v[rows.used], degree) @ change
    return replace(fit, degree=degree, coefficients=_raised(fit, degree) + change, residual=fit.residual - light)


def _raised(fit: SkyFit, degree: int) -> Array:
    """Coefficients of the same sky among the terms of a higher degree."""
    terms = legendre_terms(degree)
    out = np.zeros((len(terms), fit.coefficients.shape[1]))
    out[[terms.index(term) for term in legendre_terms(fit.degree)]] = fit.coefficients
    return out


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
    halo = in_halo(best.galaxy)
    if not halo.any():
        return 0.0
    skies = [legendre_design(u[halo], v[halo], fit.degree) @ fit.coefficients for fit in (best, other)]
    return float(np.abs((skies[0] - skies[1]).mean(0)).max())
