from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from layerblend.steps.flatten import fit as fitting
from layerblend.steps.flatten.fit import (
    fall_off_spared,
    fit_sky,
    legendre_design,
    legendre_terms,
    roughness,
    sky_surface,
    solve_signed,
    star_glare,
)
from layerblend.steps.flatten.objects import Galaxy
from layerblend.steps.flatten.tiles import make_tiles
from tests.scenes.sky import make_scene


def test_design_is_well_conditioned() -> None:
    # In raw pixel coordinates a degree-4 fit on 4000 x 6000 px has a condition number of 5e15.
    v, u = np.meshgrid(np.linspace(-1, 1, 63), np.linspace(-1, 1, 94), indexing="ij")
    assert np.linalg.cond(legendre_design(u, v, 4)) < 30
    assert np.linalg.cond(legendre_design(u, v, 7)) < 1e2


def test_planes_and_parabolas_are_free() -> None:
    terms = legendre_terms(7)
    free = [k for k, (i, j) in enumerate(terms) if i + j <= 2]
    R = roughness(7)
    assert np.abs(R[np.ix_(free, free)]).max() < 1e-9
    assert np.linalg.eigvalsh(R).min() > -1e-6
    k = terms.index((3, 0))
    # third derivative of P3 = (5 x^3 - 3 x)/2 is 15: mean square over the square is 225
    assert R[k, k] == pytest.approx(225)


def test_surface_is_the_design_at_every_pixel() -> None:
    rng = np.random.default_rng(0)
    coefficients = rng.normal(size=(36, 3))
    surface = sky_surface(coefficients, 7, 20, 30)
    v, u = np.meshgrid(np.linspace(-1, 1, 20), np.linspace(-1, 1, 30), indexing="ij")
    np.testing.assert_allclose(surface.reshape(-1, 3), legendre_design(u, v, 7) @ coefficients, atol=2e-5)


def test_amplitudes_are_not_negative() -> None:
    rng = np.random.default_rng(1)
    A = rng.normal(size=(50, 5))
    z = A @ np.array([1.0, -2.0, 3.0, -0.5, 0.7])
    c = solve_signed(A.T @ A, A.T @ z, np.array([False, False, True, True, True]))
    assert (c[2:] >= 0).all()
    assert c[1] < 0 and c[3] == 0


def test_glare_lies_round_stars_and_knots_of_a_galaxy_make_none() -> None:
    table = make_tiles(np.random.default_rng(0).normal(100, 1, (320, 480, 3)).astype(np.float32))
    light = np.zeros_like(table.star_light)
    assert not star_glare(replace(table, star_light=light), []).any()
    light[5, 20] = 1000
    glare = star_glare(replace(table, star_light=light), [])
    assert np.unravel_index(glare.argmax(), glare.shape) == (5, 20)
    # the published shape's fall: a quarter at the core radius
    assert glare[5, 22] / glare[5, 20] == pytest.approx(0.25)
    galaxy = Galaxy(20 * 16 + 7.5, 5 * 16 + 7.5, np.log(40.0), 0.0, 0.0)
    assert not star_glare(replace(table, star_light=light), [galaxy]).any()


def test_light_that_stars_scatter_does_not_lift_the_sky() -> None:
    """The simulated stars have haloes ten times as wide as their cores, with a seventh of the peak's hundredth."""
    scene = make_scene(61, kind="plane", amplitude=5, with_galaxy=False, shape=(480, 720), n_stars=400)
    table = make_tiles(scene.image)
    y, x = np.mgrid[8:480:16, 8:720:16]
    truth = scene.sky[y, x]

    def excess(table):
        fit = fit_sky(table)
        sky = legendre_design(2 * x / 719 - 1, 2 * y / 479 - 1, fit.degree) @ fit.coefficients
        return np.median(sky.reshape(*x.shape, 3) * table.sigma + table.level - truth, axis=(0, 1))

    without, found = excess(replace(table, star_light=np.zeros_like(table.star_light))), excess(table)
    assert np.abs(found).max() < 0.06
    assert np.abs(found).max() < 0.5 * np.abs(without).max()


def test_arms_do_not_make_a_galaxy_wider() -> None:
    scene = make_scene(62, kind="plane", amplitude=5, frac=1 / 14, shape=(640, 960), n_stars=200, inclination=40)
    galaxy = fit_sky(make_tiles(scene.image)).galaxies[0]
    # the radius keeps the ellipse's area, so that the scale is the disc's times the root of its axis ratio
    assert np.exp(galaxy.log_scale) / (960 / 14 * np.sqrt(np.cos(np.deg2rad(40)))) == pytest.approx(1, abs=0.2)


def test_a_channel_with_little_gradient_tells_the_others_what_is_galaxy() -> None:
    """A large galaxy under gradients of 2 and 25 sigma: fitted alone, the channels with much gradient lose more of the halo."""
    options = {"kind": "deg3", "frac": 1 / 9, "shape": (640, 960), "n_stars": 200, "mult": (0.08, 1.0, 1.0)}
    scene = make_scene(64, amplitude=25, **options)
    halo = (scene.galaxy.mean(-1) > 0.7) & (scene.galaxy.mean(-1) < 6)
    v, u = np.meshgrid(np.linspace(-1, 1, 640), np.linspace(-1, 1, 960), indexing="ij")

    def offset(image, truth):
        table = make_tiles(image)
        fit = fit_sky(table)
        sky = legendre_design(u[halo], v[halo], fit.degree) @ fit.coefficients * table.sigma + table.level
        return np.abs((sky - truth[halo]).mean(0))

    together = offset(scene.image, scene.sky)
    alone = np.array([offset(scene.image[..., [c]], scene.sky[..., [c]])[0] for c in (1, 2)])
    assert together[1:].max() < 0.7 * alone.max()


def test_the_weights_of_a_row_are_its_covariance_inverted() -> None:
    """Noise of its own in each channel, arms in all alike, and their colour."""
    light = np.array([[0.0, 0.0, 0.0], [3.0, 2.0, 1.0], [40.0, 50.0, 60.0]])
    problem = SimpleNamespace(error=np.array([0.05, 0.1, 0.2]), channels=3, arms=fitting.GALAXY_ERROR)
    got = fitting._precision(problem, light, np.ones((3, 3)), np.ones(3), 0.1)
    for row in range(3):
        own = problem.error[row] ** 2 + (0.1 * light[row]) ** 2
        covariance = np.diag(own) + (fitting.GALAXY_ERROR**2 - 0.1**2) * np.outer(light[row], light[row])
        assert got[row] @ covariance == pytest.approx(np.eye(3), abs=1e-6)


def test_arms_do_not_part_the_channels_skies() -> None:
    """Truth: the sky under a large galaxy with arms; what its shape leaves open must be the same in every channel."""
    apart = []
    for seed in (50, 51, 52):
        scene = make_scene(seed, shape=(600, 900), n_stars=300, kind="mix", amplitude=10, frac=1 / 9, peak=80)
        table = make_tiles(scene.image)
        fit = fit_sky(table)
        sky = sky_surface(fit.coefficients, fit.degree, 600, 900) * table.sigma + table.level
        off = scene.galaxy.mean(-1) < 0.5
        apart.append(np.ptp(np.median((sky - scene.sky)[off], axis=0)))
    assert np.mean(apart) < 0.065


def test_of_a_lens_s_fall_off_only_a_thousandth_of_the_penalty_is_left() -> None:
    """By integrals on a grid: squared third derivatives of r^4, and of x^4 - y^4, which keeps all of its own that is not r^4's."""
    aspect, degree = 2 / 3, 7
    v, u = np.mgrid[-1:1:121j, -1:1:121j]
    design = legendre_design(u, v, degree)
    free, full = fall_off_spared(roughness(degree), aspect, degree), roughness(degree)

    def cost(light, penalty) -> float:
        terms = np.linalg.lstsq(design, light.ravel(), rcond=None)[0]
        return float(terms @ penalty @ terms)

    fall_off = (u**2 + (aspect * v) ** 2) ** 2
    assert cost(fall_off, free) == pytest.approx(1e-3 * cost(fall_off, full), rel=1e-6)
    assert cost(u**3, free) == pytest.approx(cost(u**3, full), rel=1e-6)
    assert cost(u**2 * v**4, free) > 0.5 * cost(u**2 * v**4, full)
    assert np.linalg.eigvalsh(free).min() > -1e-9 * np.linalg.eigvalsh(full).max()
