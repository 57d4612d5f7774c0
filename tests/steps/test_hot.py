"""Hot pixels that stand still: they go, and nothing that came through the telescope does."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import shift

from layerblend.steps.hot import fill_hot, find_hot, no_hot_pixels

SIDE, SIGMA = 240, np.array([1.0, 1.4, 0.8], np.float32)
# What bilinear debayering makes of one pixel: red and blue, green.
DEBAYERED = (np.outer((0.5, 1, 0.5), (0.5, 1, 0.5)), np.array([[0, 0.25, 0], [0.25, 1, 0.25], [0, 0.25, 0]]))


def bell(x: float, y: float, fwhm: float) -> np.ndarray:
    down, right = np.mgrid[:SIDE, :SIDE]
    squared = ((right - x) ** 2 + (down - y) ** 2) / fwhm**2
    return np.asarray((1 + 4 * (2 ** (1 / 3) - 1) * squared) ** -3.0)


def sky(seed: int, fwhm: float, stars: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """A field of stars of all colours, without noise, and noise."""
    rng = np.random.default_rng(seed)
    light = np.zeros((SIDE, SIDE, 3))
    for height in np.geomspace(15, 1500, stars):
        colour = rng.dirichlet((4, 4, 4)) * 3
        light += height * colour * bell(*rng.uniform(8, SIDE - 8, 2), fwhm)[..., None]
    return light.astype(np.float32), (rng.standard_normal((SIDE, SIDE, 3)) * SIGMA).astype(np.float32)


def with_hot(picture: np.ndarray, seed: int, heights: np.ndarray) -> tuple[np.ndarray, list[tuple[int, int, int]]]:
    rng, out, places = np.random.default_rng(seed), picture.copy(), []
    while len(places) < len(heights):
        x, y = rng.integers(12, SIDE - 12, 2)
        if picture[y - 6 : y + 7, x - 6 : x + 7].max() > 4 or any(np.hypot(x - a, y - b) < 12 for a, b, _ in places):
            continue
        c = len(places) % 3
        out[y - 1 : y + 2, x - 1 : x + 2, c] += (heights[len(places)] * SIGMA[c] * DEBAYERED[c == 1]).astype(np.float32)
        places.append((int(x), int(y), c))
    return out, places


def test_hot_pixels_are_filled_and_stars_stay() -> None:
    light, noise = sky(1, 3.0)
    hot_light, places = with_hot(light, 2, np.geomspace(15, 800, 60))
    found = find_hot(hot_light + noise)
    spots = set(zip(found.x.tolist(), found.y.tolist(), found.channel.tolist(), strict=True))
    assert len(spots & set(places)) >= 57 and not spots - set(places)
    off = (fill_hot(hot_light + noise, found) - light) / SIGMA
    sums = np.array([off[y - 2 : y + 3, x - 2 : x + 3, c].mean() for x, y, c in places if (x, y, c) in spots])
    assert np.abs(np.median(sums)) < 0.1 and np.sqrt(np.mean(sums**2)) < 0.5  # .2 from noise alone
    grain = np.array([off[y - 1 : y + 2, x - 1 : x + 2, c].std() for x, y, c in places if (x, y, c) in spots])
    assert 0.75 < np.median(grain) < 1.1
    away = np.ones(light.shape, bool)
    for x, y, c in places:
        away[y - 7 : y + 8, x - 7 : x + 8, c] = False
    np.testing.assert_array_equal(fill_hot(hot_light + noise, found)[away], (hot_light + noise)[away])
    assert "spots that shine in one channel alone" in found.words[0]


@pytest.mark.parametrize("fwhm", [1.6, 2.0, 3.0, 5.0])
def test_without_hot_pixels_nothing_is_filled(fwhm: float) -> None:
    for seed in (3, 4):
        light, noise = sky(seed, fwhm, stars=60)
        assert not len(find_hot(light + noise))


@pytest.mark.parametrize("fwhm", [1.6, 2.0, 3.0])
def test_glowing_hydrogen_stays(fwhm: float) -> None:
    """Knots as narrow as stars that shine in red alone."""
    light, noise = sky(5, fwhm)
    rng = np.random.default_rng(6)
    for height in np.geomspace(10, 500, 30):
        light[..., 0] += (height * bell(*rng.uniform(12, SIDE - 12, 2), fwhm)).astype(np.float32)
    assert len(find_hot(light + noise)) <= 1


def test_stars_as_narrow_as_hot_pixels_are_left_and_so_are_these() -> None:
    light, noise = sky(7, 1.7)
    hot_light, _ = with_hot(light, 8, np.geomspace(15, 800, 30))
    found = find_hot(hot_light + noise)
    assert set(found.channel.tolist()) <= {1}  # green hot pixels are narrower still


def test_half_sets_stay_halves_of_the_whole_and_missing_data_missing() -> None:
    light, noise = sky(9, 3.0)
    hot_light, places = with_hot(light, 10, np.full(30, 100.0))
    halves = [hot_light + noise + sign * np.roll(noise, 50, 0) for sign in (1, -1)]
    whole = ((halves[0] + halves[1]) / 2).astype(np.float32)
    gap = whole.copy()
    gap[:20] = np.nan
    found = find_hot(whole)
    filled = [fill_hot(part, found) for part in halves]
    np.testing.assert_allclose((filled[0] + filled[1]) / 2, fill_hot(whole, found), atol=2e-3)
    np.testing.assert_array_equal(np.isnan(fill_hot(gap, find_hot(gap))), np.isnan(gap))
    assert len(find_hot(gap)) >= sum(y > 28 for _, y, _ in places) - 1


def test_what_clipped_and_pictures_of_one_channel_are_left_alone() -> None:
    light, noise = sky(11, 3.0)
    hot_light, places = with_hot(light, 12, np.full(6, 200.0))
    picture, saturated = hot_light + noise, np.zeros((SIDE, SIDE), np.float32)
    for x, y, _ in places:
        saturated[y, x] = 1
    assert not len(find_hot(picture, saturated=saturated))
    assert not len(find_hot(picture[..., 0].copy()))
    assert fill_hot(picture, no_hot_pixels()) is picture and no_hot_pixels().words == ()


@pytest.mark.parametrize("fwhm", [2.0, 3.0])
def test_single_pixels_of_a_camera_that_is_not_debayered_are_filled(fwhm: float) -> None:
    """Too narrow for any fit."""
    light, noise = sky(21, fwhm)
    rng, dots, heights = np.random.default_rng(22), [], np.geomspace(12, 600, 30)
    picture = light + noise
    while len(dots) < len(heights):
        x, y = rng.integers(12, SIDE - 12, 2)
        if light[y - 6 : y + 7, x - 6 : x + 7].max() < 4:
            c = len(dots) % 3
            picture[y, x, c] += heights[len(dots)] * SIGMA[c]
            dots.append((int(x), int(y), c))
    found = find_hot(picture)
    assert len(set(zip(found.x.tolist(), found.y.tolist(), found.channel.tolist(), strict=True)) & set(dots)) >= 28


def test_lobes_that_resampling_left_round_bright_ones_go_too() -> None:
    light, noise = sky(41, 3.0)
    hot_light, places = with_hot(np.zeros_like(light), 42, np.full(20, 800.0))
    moved = np.stack([shift(hot_light[..., c], (0.4, 0.45), order=5, mode="nearest") for c in range(3)], -1)
    picture = light + noise + moved
    off = np.abs(fill_hot(picture, find_hot(picture)) - light) / SIGMA
    assert np.median([off[y - 5 : y + 6, x - 5 : x + 6, c].max() for x, y, c in places]) < 12  # 21 when 2.3 px are filled


def test_a_star_beside_a_hot_pixel_keeps_its_light() -> None:
    light, noise = sky(41, 3.0)
    picture, places = with_hot(light, 42, np.full(20, 300.0))
    for x, y, _ in places:
        picture += (60 * bell(x + 4, y, 2.4)[..., None]).astype(np.float32)
    filled = fill_hot(picture + noise, find_hot(picture + noise))
    assert np.median([filled[y, x + 4, c] - light[y, x + 4, c] for x, y, c in places]) > 55
