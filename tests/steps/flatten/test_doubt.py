from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.flatten.doubt import FAR_DOUBT, HEAD_START, ask_both, halo_difference, misfits, plane_doubt
from layerblend.steps.flatten.fit import fit_sky, legendre_design
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
    assert uncertain >= FAR_DOUBT * best.far > 0
    # the sky that serves lies between the two
    places = fit.rows.u[fit.rows.used], fit.rows.v[fit.rows.used]
    low, mean, high = (np.mean(legendre_design(*places, f.degree) @ f.coefficients) for f in (wide, best, fit))
    assert min(low, high) - 1e-6 <= mean <= max(low, high) + 1e-6


def test_a_second_model_that_makes_good_the_head_start_serves_half(reaching, monkeypatch: pytest.MonkeyPatch) -> None:
    fit, wide = fit_sky(reaching), fit_sky(reaching, wide=True)
    monkeypatch.setattr("layerblend.steps.flatten.doubt.misfits", lambda first, second: (100.0 + HEAD_START, 100.0))
    best, uncertain = ask_both(reaching, fit)
    u, v = fit.rows.u[fit.rows.used], fit.rows.v[fit.rows.used]
    one, two, got = (legendre_design(u, v, f.degree) @ f.coefficients for f in (fit, wide, best))
    np.testing.assert_allclose(got, (one + two) / 2, atol=1e-6)
    assert uncertain == pytest.approx(max(halo_difference(fit, wide) / 2, FAR_DOUBT * fit.far))
    # residuals belong to the sky that serves
    np.testing.assert_allclose(best.residual + got, fit.residual + one, atol=1e-6)


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


def test_a_sky_so_supple_that_it_has_eaten_the_galaxy_does_not_serve(reaching, monkeypatch: pytest.MonkeyPatch) -> None:
    eaten = replace(fit_sky(reaching), stiffness=(1e-8,) * 3)
    for misfit, wide_serves in ((210.0, True), (350.0, False)):
        monkeypatch.setattr("layerblend.steps.flatten.doubt.misfits", lambda first, second, m=misfit: (100.0, m))
        monkeypatch.setattr("layerblend.steps.flatten.doubt.MISFIT_UNIT", 1.0)
        best, uncertain = ask_both(reaching, eaten)
        assert best.wide == wide_serves
        assert uncertain > 0


def test_a_plane_under_a_galaxy_that_fills_the_frame_is_in_doubt_and_under_a_nebula_nothing_is_known(reaching) -> None:
    plane = np.zeros((3, 3))
    assert plane_doubt(reaching, plane) > 0.5
    nebula = make_tiles(make_scene(2, kind="mix", amplitude=15, with_galaxy=False, nebula_strength=8, **SMALL).image)
    assert plane_doubt(nebula, plane) == 0
