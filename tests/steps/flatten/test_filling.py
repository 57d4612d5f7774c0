from dataclasses import replace

import numpy as np
import pytest

from layerblend.steps.flatten.filling import TOO_FULL, fills_frame, lower_plane
from layerblend.steps.flatten.fit import fit_sky
from layerblend.steps.flatten.tiles import make_tiles
from tests.scenes.sky import make_scene

SMALL = {"shape": (480, 720), "n_stars": 150, "fwhm": 3.0}


def table_of(seed, **options):
    scene = make_scene(seed, **SMALL, **options)
    return make_tiles(scene.image), scene


@pytest.fixture(scope="module")
def nebula():
    return table_of(2, kind="mix", amplitude=15, with_galaxy=False, nebula_strength=8)


def test_a_nebula_is_everywhere(nebula) -> None:
    assert fills_frame(nebula[0], fit_sky(nebula[0]))


@pytest.mark.parametrize("kind", ["plane", "corner", "moon"])
def test_bare_sky_and_a_galaxy_do_not_fill_the_frame(kind) -> None:
    for options in ({"with_galaxy": False}, {"frac": 1 / 15}):
        table, _ = table_of(3, kind=kind, amplitude=20, **options)
        assert not fills_frame(table, fit_sky(table))


def test_left_overs_or_structure_under_a_supple_sky_tell_it(nebula) -> None:
    table, _ = table_of(4, kind="plane", with_galaxy=False)
    fit = fit_sky(table)
    assert fills_frame(table, replace(fit, excess=np.array([1.0, TOO_FULL + 0.1, 1.0])))
    assert fills_frame(table, replace(fit, outside=np.array([1.0, TOO_FULL + 0.1, 1.0])))
    # a supple sky alone is no proof, nor is structure under a stiff one
    assert not fills_frame(table, replace(fit, stiffness=(1e-9,) * 3))
    quiet = replace(fit_sky(nebula[0]), excess=np.full(3, 1.3), outside=np.ones(3))
    assert fills_frame(nebula[0], replace(quiet, stiffness=(1e-9,) * 3))
    assert not fills_frame(nebula[0], replace(quiet, stiffness=(1e-9, 1e-9, 1e-4)))


def test_the_plane_passes_below_the_light_that_is_not_sky() -> None:
    """Truth: a tilt per channel under patches of light that cover a half of the frame."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[-1:1:320j, -1:1:480j].astype(np.float32)
    tilt = np.stack([100 + 3 * x, 100 - 2 * y, 100 + x + y], -1)
    light = 20 * np.maximum(np.sin(7 * x) * np.cos(9 * y), 0)
    image = (tilt + light[..., None] + rng.normal(0, 1, tilt.shape)).astype(np.float32)
    table = make_tiles(image)
    coefficients = lower_plane(table) * table.sigma + table.level * np.array([[1], [0], [0]])
    # it leans less than the truth, so that a nebula's own slope does not tip it over
    assert np.abs(coefficients[0] - 100).max() < 1.5
    share = coefficients[[2, 1], [0, 1]] / (3, -2)
    assert (share > 0.4).all() and (share < 1.1).all()
    assert np.abs(coefficients[[1, 2], [0, 1]]).max() < 0.3


@pytest.mark.parametrize("slope", [20.0, 150.0])
def test_a_slope_far_over_the_nebulas_structure_is_followed_whole(nebula, slope) -> None:
    """City light; half of it stayed, for a nebula's own small slope was held back by a share, not by its size."""
    table, _ = nebula
    lit = replace(table, value=table.value + slope * (table.u - 0.5 * table.v)[..., None])
    added = (lower_plane(lit) - lower_plane(table))[1:]
    np.testing.assert_allclose(added, np.array([[-0.5 * slope], [slope]]) * np.ones((1, 3)), rtol=0.1)


def test_a_large_galaxys_arms_are_no_nebula() -> None:
    """A scale length of a sixth of the frame: under a sky that has eaten it the arms are structure, but nothing else is left over."""
    table, _ = table_of(5, kind="deg3", amplitude=15, frac=1 / 6, inclination=40)
    fit = fit_sky(table)
    assert not fills_frame(table, replace(fit, stiffness=(1e-9,) * 3))


def test_fine_structure_is_looked_for_under_a_supple_sky_whichever_was_taken() -> None:
    """Where nothing is sky, a stiffness a tenth larger is chance; where the sky is stiff, structure is a galaxy's."""
    table, _ = table_of(2, kind="mix", amplitude=15, with_galaxy=False, nebula_strength=8, nebula_slope=2.2)
    quiet = replace(fit_sky(table), excess=np.ones(3), outside=np.ones(3))
    told = [fills_frame(table, replace(quiet, stiffness=(stiffness,) * 3)) for stiffness in (1e-7, 1e-6, 1e-5)]
    assert told == [True, True, False]
