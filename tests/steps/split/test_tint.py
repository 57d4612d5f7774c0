"""The ground under bright stars keeps the colour of the ground round it."""

from __future__ import annotations

import numpy as np

from layerblend.maths.noise import Y_WEIGHTS
from layerblend.steps.split.tint import even_tint, ring_changes

WEIGHTS = np.array(Y_WEIGHTS)
RADII = np.geomspace(2, 80, 20)
STAR = 4e4 * (1 + (RADII / 3) ** 2) ** -1.3


def test_a_green_disc_behind_a_star_takes_the_colour_round_it_and_keeps_its_light() -> None:
    ground = np.outer(12 * np.exp(-RADII / 400), (1.2, 1.0, 0.7))
    left = ground + np.outer(np.minimum(0.1 * STAR, 9), (0.4, 1.0, -0.4))
    mended = left + ring_changes(STAR, left, noise=1.0)
    np.testing.assert_allclose(mended @ WEIGHTS, left @ WEIGHTS, rtol=1e-9)
    inner = STAR > 60
    off, now = ((a / (a @ WEIGHTS)[:, None] - ground / (ground @ WEIGHTS)[:, None])[inner] for a in (left, mended))
    assert np.abs(off).max() > 0.4 and np.abs(now).max() < 0.2


def test_what_the_ground_may_well_have_stays() -> None:
    """A redder middle of a galaxy, an arm that is bluer by a tenth, and a sky without any colour."""
    light = 10 + 20 * np.exp(-RADII / 20)
    redder = light[:, None] * (1 + np.outer(0.05 * np.exp(-RADII / 20), (1, 0, -1)))
    assert np.abs(ring_changes(STAR, redder, noise=1.0)).max() == 0
    dark = np.zeros((len(RADII), 3))
    assert np.abs(ring_changes(STAR, dark, noise=1.0)).max() < 1e-9
    assert (
        np.abs(ring_changes(np.zeros(len(RADII)), dark + np.array([3, 0, -3]), noise=1.0)).max() == 0
    )  # where no star is nothing is changed


def test_a_picture_is_evened_round_its_stars_alone() -> None:
    rng = np.random.default_rng(4)
    down, right = np.indices((260, 260))
    distance = np.hypot(down - 120, right - 130)
    star = (1e5 * (1 + (distance / 3) ** 2) ** -1.5).astype(np.float32)
    noise = rng.normal(0, 1, (3, 260, 260))
    tint = np.array([0.5, 0.5, -1.5])[:, None, None] * np.minimum(0.05 * star, 8)
    starless = (noise + tint).astype(np.float32)
    before, valid = starless.copy(), np.ones(star.shape, bool)
    valid[:30] = False
    geo = np.array([[130.0, 120, 1, 0, 0]])
    even_tint(starless, star, valid, 0.6, geo, np.array([1e5]), np.array([6.0]), 3.0)
    inside = distance < 20
    off, now = (np.ptp(picture[:, inside].mean(1)) for picture in (before, starless))
    assert off > 10 and now < 0.1 * off
    np.testing.assert_allclose(np.tensordot(WEIGHTS, starless, 1), np.tensordot(WEIGHTS, before, 1), atol=2e-4)
    np.testing.assert_array_equal(starless[:, distance > 100], before[:, distance > 100])
    same = before.copy()
    even_tint(same, star, valid, 0.6, geo[:0], np.zeros(0), np.zeros(0), 3.0)
    np.testing.assert_array_equal(same, before)
