"""Reflections off centre."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from layerblend.maths.noise_line import Noise
from layerblend.steps.split import split_stars
from layerblend.steps.split.ghosts import Ghosts, _gain, _patches, draw_ghosts, find_ghosts, light_ghosts
from layerblend.steps.split.spikes import Shown
from tests.scenes.split import add_ghost, make_scene

SIGMA = 1e-4
NOISE = Noise(SIGMA**2, 0.0)
PEAKS = np.array([20.0, 12.0, 8.0, 5.0, 3.0, 2.0, 1.5, 1.0])


def _picture(slope: float, shift: tuple[float, float], ghost: float) -> tuple[np.ndarray, np.ndarray, Shown]:
    """Haloes of unlike strength with a disc beside each, and the discs alone."""
    rng = np.random.default_rng(1)
    plane, discs = rng.normal(0, SIGMA, (900, 900)), np.zeros((900, 900))
    x, y = rng.uniform(60, 840, (2, 8))
    yy, xx = np.ogrid[:900, :900]
    for a, b, peak in zip(x, y, PEAKS, strict=True):
        if ghost:
            add_ghost(discs, a + slope * (a - 449.5) + shift[0], b + slope * (b - 449.5) + shift[1], ghost * peak, 44.0, 3.2)
        plane += peak * 0.002 * rng.uniform(0.8, 1.5) * (1 + ((xx - a) ** 2 + (yy - b) ** 2) / 31**2) ** -2
    return (plane + discs).astype(np.float32), discs, Shown(x, y, PEAKS, np.full(8, 5.0), np.arange(8))


@pytest.mark.parametrize(("slope", "shift"), [(-0.06, (0.0, 0.0)), (0.08, (0.0, 0.0)), (0.0, (30.0, -20.0))])
def test_discs_are_found_beside_haloes(slope: float, shift: tuple[float, float]) -> None:
    plane, discs, stars = _picture(slope, shift, 8e-4)
    ghosts = find_ghosts(plane, np.ones(plane.shape, bool), NOISE, stars, 4.0)
    assert ghosts is not None
    found = np.array(ghosts.places(stars.x, stars.y, plane.shape)).T
    truth = np.column_stack([stars.x + slope * (stars.x - 449.5) + shift[0], stars.y + slope * (stars.y - 449.5) + shift[1]])
    assert np.abs(found - truth).max() < 3.0  # px, of a disc of 44 px radius
    left = discs - draw_ghosts(plane.shape, ghosts, stars.x, stars.y, stars.peak, SIGMA)
    assert left.std() < 0.15 * discs.std()
    half = light_ghosts((0.5 * plane).astype(np.float32), np.ones(plane.shape, bool), Noise(SIGMA**2 / 4, 0.0), stars, 4.0, ghosts)
    assert half is not None
    np.testing.assert_allclose(half.light[:8], 0.5 * ghosts.light[:8], rtol=0.1)


def test_discs_are_shifted_from_the_middle_of_the_picture() -> None:
    """A star on the axis has its reflection on itself, whatever the picture's shape; the others in proportion to their distance."""
    ghosts = Ghosts(-0.1, (0.0, 0.0), np.ones(3), 4.0)
    x, y = ghosts.places(np.array([499.5, 599.5]), np.array([199.5, 99.5]), (400, 1000))
    np.testing.assert_allclose(x, [499.5, 589.5])
    np.testing.assert_allclose(y, [199.5, 109.5])
    drawn = draw_ghosts((400, 1000), ghosts, np.array([599.5]), np.array([99.5]), np.array([2.0]), SIGMA)
    yy, xx = np.nonzero(drawn)
    np.testing.assert_allclose([xx.mean(), yy.mean(), drawn.max()], [589.5, 109.5, 2.0], atol=1e-3)


def test_light_in_one_place_is_no_disc_of_all_stars() -> None:
    """A close group of equal stars beside a galaxy: what they show alike is one thing, seen from each of them."""
    rng = np.random.default_rng(2)
    plane = rng.normal(0, SIGMA, (700, 700))
    x, y = 350 + rng.uniform(-7, 7, (2, 6))
    add_ghost(plane, 395.0, 350.0, 8e-3, 34.0, 3.2)
    stars = Shown(x, y, np.full(6, 8.0), np.full(6, 2.0), np.arange(6))
    assert find_ghosts(plane.astype(np.float32), np.ones(plane.shape, bool), NOISE, stars, 4.0) is None


def test_no_discs_where_there_are_none() -> None:
    plane, _, stars = _picture(0.0, (0.0, 0.0), 0.0)
    good = np.ones(plane.shape, bool)
    assert find_ghosts(plane, good, NOISE, stars, 4.0) is None
    for k, (x, y) in enumerate(zip(stars.x, stars.y, strict=True)):  # one beside each star, each in a direction of its own
        add_ghost(plane, x + 40 * np.cos(k), y + 40 * np.sin(k), 3e-3, 30.0, 3.0)
    assert find_ghosts(plane, good, NOISE, stars, 4.0) is None
    assert find_ghosts(plane, good, NOISE, Shown(*np.zeros((4, 0)), np.zeros(0, int)), 4.0) is None
    assert not draw_ghosts((5, 5), None, np.ones(1), np.ones(1), np.ones(1), SIGMA).any()


def test_light_that_does_not_end_is_no_disc() -> None:
    plane, _, stars = _picture(0.0, (0.0, 0.0), 0.0)
    for x, y in zip(stars.x, stars.y, strict=True):
        add_ghost(plane, x + 45, y - 20, 3e-3, 140.0, 3.0)
    assert find_ghosts(plane, np.ones(plane.shape, bool), NOISE, stars, 4.0) is None


@pytest.mark.parametrize("shift", [0.0, 1e-9, 1e-4])
def test_discs_round_their_own_stars_tell_nothing(shift: float) -> None:
    """They are halos; what rounding leaves of them was no positive definite matrix, and the search for a finer shift came by."""
    plane, _, stars = _picture(0, (0, 0), 0)
    patches = _patches(plane, np.ones(plane.shape, bool), NOISE, stars, 4.0)
    gain, light, *_ = _gain(patches, stars, Ghosts(0.0, (shift, 0.0), np.zeros(0), 4.0), plane.shape)
    assert np.isfinite(gain) and np.isfinite(light).all() and gain < 400


def test_a_ring_of_the_disc_that_no_star_shows_is_as_bright_as_its_neighbour() -> None:
    """Its light was 1e152 where cores hid the middles of all discs."""
    plane, _, stars = _picture(0.0, (30.0, -20.0), 8e-4)
    patches = _patches(plane, np.ones(plane.shape, bool), NOISE, stars, 4.0)
    ghosts = Ghosts(0.0, (30.0, -20.0), np.zeros(0), 4.0)
    gain, right, *_ = _gain(patches, stars, ghosts, plane.shape)
    x, y = ghosts.places(stars.x, stars.y, plane.shape)
    middle = np.hypot(patches.x - x[patches.star], patches.y - y[patches.star]) < 8.0
    blind = patches._replace(weight=np.where(middle, 0.0, patches.weight))
    fewer, light, *_ = _gain(blind, stars, ghosts, plane.shape)
    assert 0.5 * gain < fewer < gain
    np.testing.assert_array_equal(light[:2], light[2])
    np.testing.assert_allclose(light[:8], right[:8], atol=0.3 * right.max())


def test_discs_go_with_their_stars() -> None:
    """95th percentile of the error under star light, smoothed by the star's width, in the local noise: 30 when the discs stayed."""
    scene = make_scene(height=700, width=700, stars=500, saturated=8, ghost=8e-4, target=False, seed=44, mono=True)
    off = (split_stars(scene.image).starless - scene.starless) / scene.sigma
    off = np.abs(cv2.GaussianBlur(off, (0, 0), scene.options.fwhm / 2.355))
    lit = (scene.stars > scene.sigma) & ~scene.extra["saturated"]
    assert np.percentile(off[lit], 95) < 4.5


def test_discs_of_one_colour_alone_are_ground() -> None:
    """Uneven ground beside a few stars, seen in green only, was taken for a reflection and taken out with all other stars, too."""
    scene = make_scene(height=700, width=700, stars=500, saturated=8, target=False, seed=45)
    image = scene.image.copy()
    green = np.zeros(image.shape[:2], np.float32)
    level = scene.stars[..., 1].max()
    light = scene.stars[..., 1]
    for y, x in np.argwhere((light > 0.2 * level) & (light == cv2.dilate(light, np.ones((61, 61))))):
        add_ghost(green, 1.15 * (x - 349.5) + 349.5, 1.15 * (y - 349.5) + 349.5, 8e-4 * scene.stars[y, x, 1], 40.0, 3.2)
    result = split_stars(np.asarray(image + green[..., None] * np.float32([0, 1, 0]), np.float32))
    assert green.max() > 3 * float(np.median(scene.sigma))
    assert result.checks["reflections"] == 0


def test_what_is_best_beyond_all_shifts_that_are_tried_is_no_reflection() -> None:
    """The discs of two stars would lie on the target: 33 widths off, they took its knots away."""
    parted = split_stars(make_scene(seed=134, mono=True, spikes=6).image)
    assert parted.checks["spike_lines"] == 3 and parted.checks["reflections"] == 0


@pytest.mark.parametrize(("shape", "hidden"), [((33, 31), 40.0), ((1, 300), 5.0), ((300, 2), 5.0)])
def test_small_pictures_that_cores_hide_show_no_discs(shape: tuple[int, int], hidden: float) -> None:
    plane, good = np.full(shape, SIGMA, np.float32), np.ones(shape, bool)
    x, y = np.linspace(0, shape[1] - 1, 8), np.linspace(0, shape[0] - 1, 8)
    assert find_ghosts(plane, good, NOISE, Shown(x, y, PEAKS, np.full(8, hidden), np.arange(8)), 4.0) is None
