"""The demo's target."""

import numpy as np
import pytest

from layerblend.demo.galaxy import TILE, galaxy_light, noise_tile
from layerblend.demo.scenario import load_scenario

SHAPE, MARGIN, STRETCH = (184, 264), 12, 0.25


@pytest.fixture(scope="module")
def light() -> np.ndarray:
    return galaxy_light(load_scenario().target.galaxy, SHAPE, MARGIN, STRETCH, np.random.default_rng(3))


def test_noise_tiles_are_seamless_and_of_unit_spread() -> None:
    tile = noise_tile(np.random.default_rng(0), 3.0)
    assert tile.shape == (TILE, TILE)
    assert (tile.mean(), tile.std()) == (pytest.approx(0, abs=1e-12), pytest.approx(1))
    inside = np.abs(np.diff(tile, axis=0)).mean()
    assert np.abs(tile[0] - tile[-1]).mean() < 1.3 * inside


def test_light_is_finite_positive_and_reproducible(light: np.ndarray) -> None:
    assert light.dtype == np.float32
    assert np.isfinite(light).all()
    assert light.min() >= 0
    again = galaxy_light(load_scenario().target.galaxy, SHAPE, MARGIN, STRETCH, np.random.default_rng(3))
    np.testing.assert_array_equal(light, again)


def test_the_core_is_warm_the_arms_blue_and_the_knots_red(light: np.ndarray) -> None:
    galaxy = load_scenario().target.galaxy
    x = MARGIN + galaxy.centre[0] * (SHAPE[1] - 2 * MARGIN)
    y = MARGIN + galaxy.centre[1] * (SHAPE[0] - 2 * MARGIN)
    rows, columns = np.indices(SHAPE)
    r = np.hypot(rows - y, columns - x)
    core = light[r < 4].mean(0)
    outside = light[(r > 25) & (r < 60)]
    assert core[0] > core[1] > core[2]
    assert core[1] > 5 * outside[:, 1].mean()
    bright = outside[outside[:, 1] > np.percentile(outside[:, 1], 90)]
    assert np.median(bright[:, 2] / bright[:, 0]) > 1
    assert (light[..., 0] > 1.8 * light[..., 2]).sum() > 20


def test_the_outskirts_fade_into_the_dark(light: np.ndarray) -> None:
    rim = np.concatenate([light[0, :, 1], light[-1, :, 1]])
    assert np.median(rim) < 0.02 * light[..., 1].max()
