from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.flatten.doubt import (
    ASK_FAR,
    COVER,
    FAR_DOUBT,
    HEAD_START,
    LEAST_DOUBT,
    alike_in_colour,
    ask_both,
    halo_difference,
    halo_error,
    mean_error,
    misfits,
    plane_doubt,
)
from layerblend.steps.flatten.fit import COLOUR_ERROR, fit_sky, galaxy_light, in_halo, odd_halo
from layerblend.steps.flatten.legendre import legendre_design, sky_surface
from layerblend.steps.flatten.sky import find_surface, flatten
from layerblend.steps.flatten.tiles import make_tiles
from layerblend.steps.flatten.weighing import GALAXY_ERROR
from layerblend.steps.flatten.words import SAY_FROM
from tests.benchmarks.sky import galaxy_scene
from tests.scenes.sky import flatten_score, make_scene

SMALL = {"shape": (480, 720), "n_stars": 150, "fwhm": 3.0}
UNSAID = (
    {"seed": 40, "kind": "deg3", "amplitude": 15, "frac": 1 / 6, "inclination": 40},
    {"seed": 41, "kind": "vign", "amplitude": 15, "frac": 1 / 8, "inclination": 40, "centre": "off"},
    {"seed": 43, "kind": "vign", "amplitude": 15, "frac": 1 / 8, "inclination": 40, "centre": "off"},
)


@pytest.fixture(scope="module")
def reaching():
    """A galaxy whose halo leaves no clean sky."""
    return make_tiles(make_scene(21, kind="plane", amplitude=10, frac=1 / 5, **SMALL).image)


def test_a_small_galaxy_is_beyond_doubt() -> None:
    table = make_tiles(make_scene(20, kind="deg2", amplitude=10, frac=1 / 25, **SMALL).image)
    fit = fit_sky(table)
    best, uncertain = ask_both(table, fit)
    assert best is fit and 0 < uncertain < SAY_FROM / 2


def test_a_galaxy_that_reaches_the_edge_is_in_doubt_by_what_two_models_differ(reaching) -> None:
    fit, wide = fit_sky(reaching), fit_sky(reaching, wide=True)
    best, uncertain = ask_both(reaching, fit)
    assert uncertain > COVER * min(halo_error(fit), halo_error(wide)) > 0
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
    apart = halo_difference(fit, wide)
    expected = (halo_error(fit) ** 2 + halo_error(wide) ** 2) / 2 + apart**2 / 4 + (FAR_DOUBT * fit.far) ** 2
    assert uncertain == pytest.approx(COVER * np.sqrt(expected), rel=0.01)
    # residuals belong to the sky that serves
    np.testing.assert_allclose(best.residual + got, fit.residual + one, atol=1e-6)


def test_light_of_the_galaxy_all_over_the_frame_is_in_doubt() -> None:
    table = make_tiles(make_scene(20, kind="deg2", amplitude=10, frac=1 / 25, **SMALL).image)
    fit = fit_sky(table)
    said = [ask_both(table, replace(fit, far=far))[1] for far in (0.0, ASK_FAR)]
    assert said[1] == pytest.approx(np.hypot(said[0], COVER * FAR_DOUBT * ASK_FAR))


def test_a_large_galaxy_leaves_the_channels_zeros_together() -> None:
    """Skies that bent under the arms, each by another amount, left colour in the sky: a scene picked because one fit alone fails there."""
    truth = make_scene(119060, kind="plane", amplitude=12, frac=1 / 6)
    table = make_tiles(truth.image)
    fit, _ = ask_both(table, fit_sky(table))
    mended = alike_in_colour(table, fit)
    places = legendre_design(table.u, table.v, mended.degree)
    assert fit.degree == mended.degree
    np.testing.assert_allclose((places @ mended.coefficients).mean(1), (places @ fit.coefficients).mean(1), atol=1e-9)
    before, after = (
        np.ptp(flatten_score(truth, sky_surface(f.coefficients * table.sigma, f.degree, 1000, 1500) + table.level)["offset"])
        for f in (fit, mended)
    )
    assert after < 0.2 < before


def test_a_small_galaxy_is_fitted_once() -> None:
    table = make_tiles(make_scene(20, kind="deg2", amplitude=10, frac=1 / 25, **SMALL).image)
    fit = fit_sky(table)
    assert alike_in_colour(table, fit) is fit


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


def test_a_sky_that_was_put_aside_may_still_be_right(reaching, monkeypatch: pytest.MonkeyPatch) -> None:
    fit = fit_sky(reaching)
    raised = fit.coefficients.copy()
    raised[0] += 5
    monkeypatch.setattr("layerblend.steps.flatten.doubt.misfits", lambda first, second: (100.0, 110.0))
    _, near = ask_both(reaching, replace(fit, stiffness=(1e-8,) * 3))
    _, far = ask_both(reaching, replace(fit, stiffness=(1e-8,) * 3, coefficients=raised))
    assert far == pytest.approx(np.hypot(near, COVER * np.sqrt(LEAST_DOUBT * (1 - LEAST_DOUBT)) * 5), rel=0.02)


def test_a_plane_under_a_galaxy_that_fills_the_frame_is_in_doubt_and_under_a_nebula_nothing_is_known(reaching) -> None:
    plane = np.zeros((3, 3))
    assert plane_doubt(reaching, plane) > 0.5
    nebula = make_tiles(make_scene(2, kind="mix", amplitude=15, with_galaxy=False, nebula_strength=8, **SMALL).image)
    assert plane_doubt(nebula, plane) == 0


def test_the_error_of_the_halo_is_the_scatter_over_many_skies() -> None:
    """Tiles of a galaxy as the model has it, with noise and knots as expected: the fits scatter by what each of them says."""
    table = make_tiles(make_scene(20, kind="plane", amplitude=1, frac=1 / 9, **SMALL).image)
    fit = fit_sky(table, stiffness=1e-5)
    light = galaxy_light(fit, table.x, table.y)
    halo = in_halo(fit.galaxy)
    places = fit.rows.u[fit.rows.used][halo], fit.rows.v[fit.rows.used][halo]
    rng = np.random.default_rng(3)
    skies, told = [], []
    for _ in range(12):
        knots = COLOUR_ERROR * _over_rows(rng, light.shape) + np.sqrt(GALAXY_ERROR**2 - COLOUR_ERROR**2) * _over_rows(rng, light.shape[:2])
        noise = table.error[..., None] * rng.normal(size=light.shape)
        again = fit_sky(replace(table, value=light * (1 + knots) + noise), stiffness=1e-5)
        skies.append((legendre_design(*places, again.degree) @ again.coefficients).mean(0))
        told.append(again.halo_error)
    scatter, expected = np.std(skies, axis=0), np.mean(told, axis=0)
    # what is known beforehand holds the sky too, so that it scatters less than it may be off
    assert (scatter < 1.3 * expected).all() and (scatter > 0.3 * expected).all()


def _over_rows(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Noise that the 2 x 2 tiles of a row share, the last axis being the channels where there is one."""
    rows = rng.normal(size=(shape[0] // 2 + 1, shape[1] // 2 + 1, *(shape[2:] or (1,))))
    return rows.repeat(2, 0).repeat(2, 1)[: shape[0], : shape[1]]


@pytest.mark.parametrize("scene", UNSAID)
def test_an_error_that_was_made_is_said(scene) -> None:
    """Large galaxies of known truth, whose halo is off by more than .5 sigma."""
    truth = make_scene(**scene, **SMALL)
    table = make_tiles(truth.image)
    surface = find_surface(table, "auto")
    model = sky_surface(surface.coefficients * table.sigma, surface.degree, table.height, table.width) + table.level
    made = np.abs(flatten_score(truth, model)["halo_offset"]).max()
    assert made > 0.5
    assert surface.uncertain > made / 2


def test_the_mean_of_two_models_is_in_doubt_by_either_and_by_what_they_differ() -> None:
    assert mean_error(0.3, 0.4, 5.0, 0.0) == pytest.approx(0.3)
    assert mean_error(0.3, 0.3, 1.0, 0.5) == pytest.approx(np.hypot(0.3, 0.5))


def test_a_halo_greener_than_haloes_are_is_in_doubt() -> None:
    """A glow whose hump lies behind a galaxy shows in the halo's colour; this scene's error was said by a third before."""
    table = make_tiles(make_scene(20, kind="deg2", amplitude=10, frac=1 / 12, **SMALL).image)
    fit = fit_sky(table)
    usual = odd_halo(fit)
    green, red = fit.amplitudes.copy(), fit.amplitudes.copy()
    green[1, 1] += 3
    red[1, 0] += 3
    assert odd_halo(replace(fit, amplitudes=green)) > 3 * odd_halo(replace(fit, amplitudes=red)) / 2 > usual
    assert odd_halo(replace(fit, wide=True)) == 0
    scene = galaxy_scene(123000, 12, 3)
    flat = flatten(scene.image)
    wrong = np.abs(flatten_score(scene, flat.model)["halo_offset"]).max()
    assert 0.3 < wrong < 0.6 and flat.uncertain > 0.8 * wrong
