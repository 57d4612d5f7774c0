"""The joint fit: simulated skies and galaxies of known truth."""

from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.flatten.fit import fit_sky
from layerblend.steps.flatten.legendre import legendre_design, sky_surface
from layerblend.steps.flatten.tiles import make_tiles
from tests.scenes.sky import make_scene


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
