"""Clipped light: a star's or a galaxy's core."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.steps.split.broad import part_broad
from layerblend.steps.split.mask import Blobs, find_blobs


def _sky(shape: tuple[int, int] = (128, 128), sigma: float = 1e-3, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, shape).astype(np.float32)


def _clipped(light: np.ndarray, level: float) -> tuple[np.ndarray, Blobs]:
    return np.minimum(light + _sky(light.shape), level).astype(np.float32), find_blobs(light > level)


def _moffat(rho: np.ndarray) -> np.ndarray:
    """Beta 3, FWHM 1."""
    return (1 + 4 * (2 ** (1 / 3) - 1) * np.asarray(rho) ** 2) ** -3.0


def _with_aureole(rho: np.ndarray) -> np.ndarray:
    """A hundredth of the light scattered over ten times the width; its end falls with the square of the radius, as King 1971 found."""
    return _moffat(rho) + 0.01 / (1 + (np.asarray(rho) / 5) ** 2)


AT = np.hypot(*(np.mgrid[:160, :160] - 80))
ALL = np.ones((160, 160), bool)


@pytest.mark.parametrize("times", [1.5, 5, 50, 700])
@pytest.mark.parametrize("light", [_moffat, _with_aureole])
def test_a_clipped_star_is_a_star_however_bright(light, times: float) -> None:  # type: ignore[no-untyped-def]
    plane, blobs = _clipped(times * light(AT / 4), 1.0)
    stars, broad = part_broad(blobs, plane, ALL, 4.0, light)
    assert len(stars.x) == 1 and len(broad) == 0
    np.testing.assert_array_equal(stars.mask, blobs.mask)


@pytest.mark.parametrize("times", [1.2, 5, 50])
def test_a_star_of_less_halo_than_is_told_is_a_star(times: float) -> None:
    """The common halo may be told too bright; what falls as steeply as stars do is one all the same."""
    plane, blobs = _clipped(times * _moffat(AT / 4), 1.0)
    assert len(part_broad(blobs, plane, ALL, 4.0, _with_aureole)[1]) == 0


def test_what_the_imager_calls_a_star_is_one() -> None:
    plane, blobs = _clipped(3 * np.exp(-AT / 9), 1.0)
    assert len(part_broad(blobs, plane, ALL, 4.0, _moffat, stars=[[82, 79]])[1]) == 0
    assert len(part_broad(blobs, plane, ALL, 4.0, _moffat, stars=[[12, 9]])[1]) == 1


@pytest.mark.parametrize("times", [1.5, 4])
@pytest.mark.parametrize("length", [6.0, 14.0])
def test_the_clipped_core_of_a_galaxy_is_none(times: float, length: float) -> None:
    """Light that falls by e in ``length`` px (an exponential bulge), FWHM 4."""
    plane, blobs = _clipped(times * np.exp(-AT / length), 1.0)
    stars, broad = part_broad(blobs, plane, ALL, 4.0, _moffat)
    assert len(stars.x) == 0 and not stars.mask.any() and not stars.small.any()
    np.testing.assert_allclose(broad, [[80, 80]], atol=0.1)


@pytest.mark.parametrize("length", [4.0, 6.0])
def test_light_that_ends_where_a_star_so_bright_would_shine_on_is_none(length: float) -> None:
    """Beside so wide a clip the stars' common halo falls no faster than the bulge: only its far end tells them apart."""
    plane, blobs = _clipped(50 * np.exp(-AT / length), 1.0)
    assert len(part_broad(blobs, plane, ALL, 4.0, _with_aureole)[1]) == 1


def test_of_a_star_and_a_galaxy_the_star_is_left() -> None:
    star = 8 * _moffat(np.hypot(*(np.mgrid[:160, :160] - np.array([30, 40])[:, None, None])) / 4)
    plane, blobs = _clipped(3 * np.exp(-AT / 9) + star, 1.0)
    stars, broad = part_broad(blobs, plane, ALL, 4.0, _moffat)
    np.testing.assert_allclose([stars.x, stars.y], [[40], [30]], atol=0.5)
    np.testing.assert_allclose(broad, [[80, 80]], atol=0.5)
    assert stars.mask[30, 40] and not stars.mask[80, 80]


def test_a_hot_block_is_no_galaxy() -> None:
    plane = _sky((160, 160))
    hot = np.zeros(plane.shape, bool)
    hot[79:82, 79:82] = True
    plane[hot] = 1.0
    for seed in range(8):
        noise = _sky(plane.shape, seed=seed) * ~hot
        assert len(part_broad(find_blobs(hot), plane + noise, ALL, 4.0, _moffat)[1]) == 0


@pytest.mark.parametrize("kept", ["", "broad"])
def test_another_stacks_verdict_is_taken_over(kept: str) -> None:
    rows = np.zeros(1, [("x", "f4"), ("y", "f4"), ("saturated", "?"), ("kept", "U8")])
    rows["x"], rows["y"], rows["saturated"], rows["kept"] = 81, 79, True, kept
    for light in (5 * _moffat(AT / 4), 4 * np.exp(-AT / 14)):
        plane, blobs = _clipped(light, 1.0)
        assert len(part_broad(blobs, plane, ALL, 4.0, _moffat, rows)[1]) == (kept == "broad")
        rows["x"] = 10  # a place where nothing clipped says nothing
        assert len(part_broad(blobs, plane, ALL, 4.0, _moffat, rows)[1]) == (light[80, 90] > 0.5)
        rows["x"] = 81


RIGHT, DOWN = np.mgrid[:160, :160][::-1] - 80


def _bulge(x: float = 80.0, y: float = 80.0, height: float = 0.1, flat: float = 0.6) -> np.ndarray:
    """Exponential, falls by e in 12 px along its long axis."""
    return height * np.exp(-np.hypot(RIGHT + 80 - x, (DOWN + 80 - y) / flat) / 12)


@pytest.mark.parametrize("times", [1.5, 8])
@pytest.mark.parametrize("flat", [0.5, 1.0])
def test_a_clipped_point_in_the_middle_of_a_bulge_is_its_core(times: float, flat: float) -> None:
    """A bulge a tenth as bright as the clip: beside it the point falls like a star, for it is one in all but what it stands on."""
    plane, blobs = _clipped(times * _moffat(AT / 4) + _bulge(flat=flat), 1.0)
    stars, broad = part_broad(blobs, plane, ALL, 4.0, _moffat, hills=blobs.mask)
    assert len(stars.x) == 0
    np.testing.assert_allclose(broad, [[80, 80]], atol=0.5)


@pytest.mark.parametrize(
    "ground",
    [
        pytest.param(0 * AT, id="sky"),
        pytest.param(_bulge(104, 80), id="two bulge lengths off the middle"),
        pytest.param(0.1 * np.exp(-((RIGHT - DOWN) ** 2) / 150), id="on an arm"),
        pytest.param(0.1 + 0.001 * RIGHT, id="slope"),
        pytest.param(3 * _moffat(np.hypot(RIGHT - 16, DOWN) / 4), id="beside another star"),
    ],
)
@pytest.mark.parametrize("light", [_moffat, _with_aureole])
@pytest.mark.parametrize("times", [1.5, 20])
def test_a_clipped_star_on_any_other_ground_is_a_star(light, times: float, ground: np.ndarray) -> None:  # type: ignore[no-untyped-def]
    plane, _ = _clipped(times * light(AT / 4) + ground, 1.0)
    blobs = find_blobs(times * light(AT / 4) > 1)
    assert len(part_broad(blobs, plane, ALL, 4.0, light, hills=blobs.mask)[1]) == 0


def test_a_clipped_point_in_a_corner_is_a_star() -> None:
    """Too little is seen round it to tell."""
    plane = (3 * _moffat(np.hypot(RIGHT + 79, DOWN + 79) / 4) + _bulge(1, 1)).astype(np.float32)
    blobs = find_blobs(plane > 1)
    assert len(part_broad(blobs, np.minimum(plane, 1), ALL, 4.0, _moffat, hills=blobs.mask)[1]) == 0


def test_only_light_whose_halo_was_learnt_is_looked_at_for_hills() -> None:
    """What had to be left out of the learning has a halo that ``light`` does not hold."""
    plane, blobs = _clipped(8 * _moffat(AT / 4) + _bulge(), 1.0)
    assert len(part_broad(blobs, plane, ALL, 4.0, _moffat, hills=np.zeros_like(blobs.mask))[1]) == 0


@pytest.mark.parametrize(
    "ground",
    [
        pytest.param(_bulge(88, 80, height=0.3, flat=1.0), id="two FWHM off the middle"),
        pytest.param(_bulge(height=0.005, flat=1.0), id="a hill lower than the star's own light"),
    ],
)
def test_a_clipped_star_near_a_middle_or_on_a_low_hill_is_a_star(ground: np.ndarray) -> None:
    plane, blobs = _clipped(8 * _moffat(AT / 4) + ground, 1.0)
    assert len(part_broad(blobs, plane, ALL, 4.0, _moffat, hills=blobs.mask)[1]) == 0
