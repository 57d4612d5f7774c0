from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.flatten.doubt import ask_both, halo_difference, misfits
from layerblend.steps.flatten.fit import fit_sky
from layerblend.steps.flatten.tiles import make_tiles
from tests.scenes.sky import make_scene

SMALL = {"shape": (480, 720), "n_stars": 150, "fwhm": 3.0}


@pytest.fixture(scope="module")
def reaching():
    """A galaxy whose halo leaves no clean sky."""
    return make_tiles(make_scene(21, kind="plane", amplitude=10, frac=1 / 5, **SMALL).image)


def test_a_small_galaxy_is_beyond_doubt() -> None:
    table = make_tiles(make_scene(20, kind="deg2", amplitude=10, frac=1 / 25, **SMALL).image)
    fit = fit_sky(table)
    best, uncertain = ask_both(table, fit)
    assert best is fit and uncertain == 0


def test_a_galaxy_that_reaches_the_edge_is_in_doubt_by_what_two_models_differ(reaching) -> None:
    fit, wide = fit_sky(reaching), fit_sky(reaching, wide=True)
    best, uncertain = ask_both(reaching, fit)
    assert best.wide == (wide.far > 1.0)
    assert uncertain == pytest.approx(halo_difference(*((wide, fit) if best.wide else (fit, wide))))
    assert uncertain > 0


def test_a_model_does_not_differ_from_itself(reaching) -> None:
    fit = fit_sky(reaching)
    first, second = misfits(fit, fit)
    assert first == second > 0
    assert halo_difference(fit, fit) == 0


def test_a_worse_model_has_the_larger_misfit(reaching) -> None:
    fit = fit_sky(reaching)
    worse = replace(fit, residual=fit.residual + np.float64(0.3))
    first, second = misfits(fit, worse)
    assert second > first
