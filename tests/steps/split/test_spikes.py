"""Straight arms of light."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from layerblend.maths.noise_line import Noise
from layerblend.steps.split import split_stars
from layerblend.steps.split.spikes import Shown, draw_spikes, find_spikes, light_spikes
from tests.scenes.split import add_spikes, make_scene
from tests.scenes.split_score import ring_means

SIGMA = 1e-4
NOISE = Noise(SIGMA**2, 0.0)
PLACES = np.array([[110.0, 130.3, 8.0], [290.6, 95.0, 4.0], [205.2, 300.0, 2.0], [330.0, 320.0, 1.0]])


def _shown() -> Shown:
    x, y, peak = PLACES.T
    return Shown(x, y, peak, np.array([5.0, 4.0, 3.0, 0.0]), np.arange(4))


def _picture(arms: int, angle: float) -> np.ndarray:
    plane = np.random.default_rng(3).normal(0, SIGMA, (420, 420))
    for x, y, peak in PLACES:
        add_spikes(plane, x, y, 0.004 * peak, 1.6, 16.0, arms // 2, angle, 400.0)
    return plane.astype(np.float32)


@pytest.mark.parametrize(("arms", "angle"), [(2, 0.0), (4, 0.35), (4, np.pi / 4), (6, 0.9), (8, 0.2)])
def test_lines_are_found_and_taken_off(arms: int, angle: float) -> None:
    plane = _picture(arms, angle)
    good = np.ones(plane.shape, bool)
    spikes = find_spikes(plane, good, NOISE, _shown(), 4.0)
    assert spikes is not None
    assert len(spikes.angle) == arms // 2
    np.testing.assert_allclose(np.sin(arms // 2 * (spikes.angle - angle)), 0, atol=5e-3)
    assert abs(spikes.width / 1.6 - 1) < 0.1
    np.testing.assert_allclose(spikes.fall(np.array([24.0, 40.0]))[0], 0.004 / (1 + np.array([2.25, 6.25])), rtol=0.15)
    left = plane - draw_spikes(plane.shape, spikes, *PLACES.T, SIGMA)
    yy, xx = np.mgrid[:420, :420]
    near = np.min([np.hypot(xx - x, yy - y) for x, y, _ in PLACES], 0)
    before, after = (float(np.var(a[near > 24])) - SIGMA**2 for a in (plane, left))
    assert after < 0.05 * before


def test_another_channel_keeps_the_lines_with_light_of_its_own() -> None:
    plane = _picture(4, 0.35)
    good = np.ones(plane.shape, bool)
    spikes = find_spikes(plane, good, NOISE, _shown(), 4.0)
    assert spikes is not None
    other = light_spikes((0.5 * plane).astype(np.float32), good, Noise(SIGMA**2 / 4, 0.0), _shown(), spikes)
    assert other is not None
    np.testing.assert_array_equal(other.angle, spikes.angle)
    np.testing.assert_allclose(other.fall(np.array([16.0])), 0.5 * spikes.fall(np.array([16.0])), rtol=0.02)


def test_arms_of_a_clipped_star_are_as_strong_as_they_look_whatever_its_peak() -> None:
    plane, stars = _picture(6, 0.9), _shown()
    good = np.ones(plane.shape, bool)
    told = stars.peak * np.array([1.5, 1.0, 0.8, 1.0])
    spikes = find_spikes(plane, good, NOISE, replace(stars, peak=told), 4.0)
    assert spikes is not None
    np.testing.assert_allclose(spikes.own * told, stars.peak, rtol=0.1)
    left = plane - draw_spikes(plane.shape, spikes, stars.x, stars.y, told, SIGMA)
    yy, xx = np.mgrid[:420, :420]
    ring = (np.hypot(xx - stars.x[0], yy - stars.y[0]) > 16) & (np.hypot(xx - stars.x[0], yy - stars.y[0]) < 40)
    assert np.std(left[ring]) < 0.1 * np.std(plane[ring])


@pytest.mark.parametrize("seed", [64, 77])
def test_arms_that_begin_in_the_wings_of_a_clipped_star_do_not_raise_its_peak(seed: int) -> None:
    """Light left from 2 to 6 widths round stars clipped at a twentieth of their peak: 6 to 8 sigma when the peak took the arms' light."""
    scene = make_scene(seed=seed, mono=True, spikes=6)
    off = (split_stars(scene.image).starless - scene.starless) / scene.sigma
    x, y, peak, _, saturated = scene.star_list.T
    huge = (peak > 20) & (saturated == 1)
    assert huge.any()
    assert (np.abs(ring_means(off.astype(np.float64), x[huge], y[huge], 8.0, 24.0)) < 3.5).all()


def test_no_lines_where_stars_do_not_agree() -> None:
    rng = np.random.default_rng(4)
    good = np.ones((420, 420), bool)
    plane = rng.normal(0, SIGMA, good.shape)
    assert find_spikes(plane.astype(np.float32), good, NOISE, _shown(), 4.0) is None
    for k, (x, y, peak) in enumerate(PLACES):  # each with a streak of its own, as of a galaxy or a satellite
        add_spikes(plane, x, y, 0.004 * peak, 1.6, 16.0, 1, 0.3 + 0.7 * k, 400.0)
    assert find_spikes(plane.astype(np.float32), good, NOISE, _shown(), 4.0) is None
    none = Shown(*np.zeros((4, 0)), np.zeros(0, int))
    assert find_spikes(plane.astype(np.float32), good, NOISE, none, 4.0) is None
    assert not draw_spikes((5, 5), None, np.ones(1), np.ones(1), np.ones(1), SIGMA).any()


@pytest.mark.parametrize("whose", ["nobody's", "hidden"])
def test_where_no_star_is_left_to_show_arms_there_are_none(whose: str) -> None:
    plane = _picture(4, 0.35)
    good = np.ones(plane.shape, bool)
    spikes = find_spikes(plane, good, NOISE, _shown(), 4.0)
    assert spikes is not None
    shown = _shown()
    if whose == "hidden":
        shown = replace(shown, hidden=np.full(len(shown), 1e4))
    else:
        shown = Shown(shown.x[:0], shown.y[:0], shown.peak[:0], shown.hidden[:0], shown.index[:0])
    assert light_spikes(plane, good, NOISE, shown, spikes) is None


def test_light_to_one_side_is_no_line() -> None:
    """Arms go to both sides alike (Goodman, ch. 4); charge that trails behind every star as it is read out does not."""
    good = np.ones((420, 420), bool)
    plane = np.random.default_rng(5).normal(0, SIGMA, good.shape)
    for x, y, peak in PLACES:
        arm = np.zeros_like(plane)
        add_spikes(arm, x, y, 0.004 * peak, 1.6, 16.0, 1, 0.0, 400.0)
        plane += np.where(np.arange(420) > x, arm, 0)
    assert find_spikes(plane.astype(np.float32), good, NOISE, _shown(), 4.0) is None


@pytest.mark.parametrize("arms", [4, 6])
def test_arms_are_no_rows_of_stars(arms: int) -> None:
    """95th percentile of the error under star light, smoothed by the star's width, in the local noise: 6 to 15 when the arms stayed."""
    scene = make_scene(height=600, width=600, stars=400, saturated=5, spikes=arms, target=False, seed=43, mono=True)
    result = split_stars(scene.image)
    off = np.abs(cv2.GaussianBlur((result.starless - scene.starless) / scene.sigma, (0, 0), scene.options.fwhm / 2.355))
    lit = (scene.stars > scene.sigma) & ~scene.extra["saturated"]
    assert np.percentile(off[lit], 95) < 2.5
    places = scene.star_list[scene.star_list[:, 3] > 12, :2]
    taken = result.catalogue[result.catalogue["kept"] == ""]
    strong = taken[taken["peak"][:, 0] > 12 * scene.extra["sigma0"]]
    assert len(strong) < 1.1 * len(places) + 3
