"""The light round clipped stars told apart from the ground."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from layerblend.maths.noise_line import Noise
from layerblend.steps.split.haloes import SECTORS, WIDTHS, Haloes, draw_haloes, read_cells
from layerblend.steps.split.model import StarImage, profile_at
from layerblend.steps.split.settle import RINGS, _draw, _fill_covariance, _waves_at, _weigh, settle

SIGMA, FWHM = 1e-4, 4.0
NOISE = Noise(SIGMA**2, 0.0)
IMAGE = StarImage.moffat(3.0)
PEAK = np.array([5.0, 4.0, 6.0, 5.0])
BLOB = np.array([5.0, 5.0, 6.0, 5.0])
GEO = np.array([[x, y, np.log(FWHM), 0, 0, 0, 0] for x, y in ((110.0, 300.0), (300.0, 120.0), (310.0, 480.0), (480.0, 305.0))])
COMMON = np.zeros(len(WIDTHS))
COMMON[6:8] = 0.0013


def _left(strength: np.ndarray, taken: np.ndarray, ground: np.ndarray) -> tuple[np.ndarray, np.ndarray, Haloes]:
    """What is left of a picture whose stars' haloes are so strong and of which so much was taken; the error in it; the haloes taken."""
    shape = ground.shape
    truth, wrong = (draw_haloes(shape, GEO, COMMON * (PEAK * s)[:, None], FWHM, SIGMA) for s in (strength, taken))
    noise = np.random.default_rng(3).normal(0, SIGMA, shape)
    return (
        (ground + truth - wrong + noise).astype(np.float32),
        truth - wrong,
        Haloes(np.arange(4), COMMON * (PEAK * taken)[:, None], COMMON),
    )


def _settled(strength: np.ndarray, taken: np.ndarray, ground: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Error left (sigma) 3 to 6 FWHM from each star before and after."""
    bare, off, haloes = _left(strength, taken, ground)
    added = settle(bare, np.ones(bare.shape, bool), NOISE, GEO, PEAK, BLOB, FWHM, IMAGE, haloes)[0]
    yy, xx = np.mgrid[: bare.shape[0], : bare.shape[1]]
    rings = [(r > 3 * FWHM) & (r < 6 * FWHM) for r in (np.hypot(xx - x, yy - y) for x, y in GEO[:, :2])]
    return tuple(np.array([error[ring].mean() / SIGMA for ring in rings]) for error in (off, off - added))


def test_round_excess_on_the_sky_goes_with_the_star() -> None:
    before, after = _settled(np.array([1.2, 0.8, 1.0, 1.1]), np.array([0.8, 1.0, 1.0, 1.1]), np.zeros((600, 600), np.float32))
    assert abs(before[0]) > 20
    assert abs(before[1]) > 10
    assert np.abs(after).max() < 0.5


def test_uneven_ground_stays() -> None:
    """A halo that has taken a third more than its own light from clouds 60 sigma high gives most of it back."""
    after = []
    for seed in range(4):
        clouds = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, (600, 600)), (0, 0), 20)
        ground = (SIGMA * (60 + 9 * clouds / clouds.std())).astype(np.float32)
        before, left = _settled(np.ones(4), np.array([1.35, 1.0, 1.0, 1.0]), ground)
        assert before[0] < -20
        after.append(left)
    assert np.abs(np.array(after)[:, 0]).mean() < 6
    assert np.abs(after).mean() < 5


def test_low_ground_that_bends_goes_on_under_a_star(monkeypatch: pytest.MonkeyPatch) -> None:
    """Outskirts of a galaxy 15 FWHM off, 5 sigma high: made a plane, they took light from the stars or left some of theirs."""
    yy, xx = np.mgrid[:600, :600]
    ground = sum(SIGMA * 14 * np.exp(-np.hypot(xx - x - 60, yy - y - 10) / 60) for x, y in GEO[:, :2]).astype(np.float32)
    strength = np.array([1.2, 0.8, 1.1, 0.9])
    _, bending = _settled(strength, np.ones(4), ground)
    monkeypatch.setattr("layerblend.steps.split.settle.BEND", 0.0)
    _, flat = _settled(strength, np.ones(4), ground)
    assert np.abs(bending).max() < 0.65
    assert (np.abs(bending) < 0.8 * np.abs(flat)).all()


def test_high_ground_does_not_bend(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same outskirts twenty times as high: arms bend over shorter ways than a star's light."""
    yy, xx = np.mgrid[:600, :600]
    ground = sum(SIGMA * 280 * np.exp(-np.hypot(xx - x - 60, yy - y - 10) / 60) for x, y in GEO[:, :2]).astype(np.float32)
    strength = np.array([1.2, 0.8, 1.1, 0.9])
    _, fading = _settled(strength, np.ones(4), ground)
    monkeypatch.setattr("layerblend.steps.split.settle.BEND_GROUND", 1e9)
    _, bending = _settled(strength, np.ones(4), ground)
    monkeypatch.setattr("layerblend.steps.split.settle.BEND", 0.0)
    _, flat = _settled(strength, np.ones(4), ground)
    assert np.abs(fading - flat).max() < 0.1 * np.abs(bending - flat).max()


def test_an_arm_far_outside_does_not_lift_the_ground_behind_a_star() -> None:
    """Before even ground with a bright arm 16 widths away a star gets its own light, as on open sky."""
    across = (np.arange(600) - GEO[0, 0]) / FWHM
    for low, high in ((4, 40), (15, 60)):
        course = SIGMA * (low + high * np.exp(-(((across + 17) / 5) ** 2)))
        ground = np.repeat(course[None].astype(np.float32), 600, 0)
        for strength in (1.2, 0.8):
            before, after = _settled(np.array([strength, 1, 1, 1]), np.ones(4), ground)
            assert abs(before[0]) > 10
            assert abs(after[0]) < 1


def test_an_arm_near_by_does_not_keep_a_stars_own_light() -> None:
    """A halo a fifth stronger than usual goes with its star, though an arm close by shows that the ground is uneven."""
    across, down = (np.arange(600) - GEO[0, 0]) / FWHM, (np.arange(600)[:, None] - GEO[0, 1]) / FWHM
    after = []
    for away, wide, high in ((6, 1.0, 10), (6, 2.5, 25), (8, 1.5, 10), (8, 2.5, 50), (10, 1.5, 25), (10, 2.5, 10)):
        ridge = np.exp(-(((0.8 * across + 0.6 * down - away) / wide) ** 2) / 2)
        ground = (SIGMA * (4 + high * ridge)).astype(np.float32)
        before, left = _settled(np.array([1.2, 1, 1, 1]), np.ones(4), ground)
        assert before[0] > 10
        after.append(left[0])
    assert np.abs(after).mean() < 1.5
    assert np.abs(after).max() < 3


def test_nothing_to_settle() -> None:
    plane = np.zeros((64, 64), np.float32)
    none = np.zeros(0)
    light, settled = settle(plane, plane == 0, NOISE, np.zeros((0, 7)), none, none, FWHM, IMAGE, Haloes.none())
    assert not light.any()
    assert settled.uneven is None
    assert not settled.of(np.zeros(0, bool), plane.shape, SIGMA).any()


def test_every_star_has_its_part_of_what_was_settled() -> None:
    bare, _, haloes = _left(np.array([1.2, 0.8, 1.0, 1.1]), np.array([0.8, 1.0, 1.0, 1.1]), np.zeros((600, 600), np.float32))
    light, settled = settle(bare, np.ones(bare.shape, bool), NOISE, GEO, PEAK, BLOB, FWHM, IMAGE, haloes)
    parts = [settled.of(np.arange(4) == s, bare.shape, SIGMA) for s in range(4)]
    np.testing.assert_allclose(sum(parts), light, atol=1e-3 * SIGMA)
    assert parts[0][300, 118] > 10 * SIGMA  # too little was taken
    assert parts[1][128, 300] < -5 * SIGMA


def test_star_without_light_in_this_channel() -> None:
    bare, _, haloes = _left(np.ones(4), np.ones(4), np.zeros((600, 600), np.float32))
    for peak in (PEAK * [1, 0, 1, 1], np.zeros(4)):
        light = haloes.light * (peak > 0)[:, None]
        added = settle(bare, np.ones(bare.shape, bool), NOISE, GEO, peak, BLOB, FWHM, IMAGE, Haloes(haloes.index, light, COMMON))[0]
        assert np.isfinite(added).all()


def test_courses_round_a_star_are_drawn_as_they_are_read() -> None:
    """Light once and twice round the star, in all four ways: sectors run from +x towards +y, as the cells are read."""
    drawn = np.geomspace(0.3, 100.0, 96)
    profiles = np.random.default_rng(1).uniform(0.5, 1.5, (1, 5, 1)) / (1 + (drawn / 8) ** 2)
    x, y = np.array([250.0]), np.array([240.0])
    plane = _draw((500, 510), x, y, drawn * FWHM, profiles, 1e-3)
    inner, outer = np.array([12.0]), np.array([80.0])
    cells, _ = read_cells(plane, np.ones(plane.shape, bool), x, y, inner, outer, RINGS)
    radii = 3.0 * (80 / 12) ** ((np.arange(RINGS) + 0.5) / RINGS)
    np.testing.assert_allclose(cells[0], _waves_at(radii, drawn, profiles[0]), atol=0.1)  # whole pixels are read


def test_a_lopsided_star_takes_its_light_along() -> None:
    """A place a little off and wings that are longer one way than the other are the star's, not clouds behind it."""
    bare, _, haloes = _left(np.ones(4), np.ones(4), np.zeros((600, 600), np.float32))
    yy, xx = np.mgrid[:600, :600]
    own = np.zeros((600, 600))
    for (x, y), peak in zip(GEO[:, :2], PEAK, strict=True):
        dx, dy = xx - x, yy - y
        r = np.maximum(np.hypot(dx, dy), 1)
        own += 0.05 * peak * profile_at(IMAGE.profile, r / FWHM) * (r / 6) * (dy / r + dx * dy / r**2)
    added = settle((bare + own).astype(np.float32), bare < 1, NOISE, GEO, PEAK, BLOB, FWHM, IMAGE, haloes)[0]
    for x, y in GEO[:, :2]:
        ring = (np.hypot(xx - x, yy - y) > 2.2 * FWHM) & (np.hypot(xx - x, yy - y) < 4 * FWHM)
        assert np.std(own[ring]) > 3 * SIGMA
        assert np.std((own - added)[ring]) < 0.25 * np.std(own[ring])


def test_weights_solve_the_covariance() -> None:
    """Against numpy's solver, and a cell that fits nowhere loses its weight."""
    rng = np.random.default_rng(2)
    ring, sector = np.nonzero(np.ones((RINGS, SECTORS), bool))
    radii = np.geomspace(2, 20, RINGS)
    turn = 2 * np.pi * np.arange(SECTORS) / SECTORS
    apart = radii[:, None, None] ** 2 + radii[None, :, None] ** 2 - 2 * np.outer(radii, radii)[..., None] * np.cos(turn)
    ground = 1 / (1 + 0.5 * apart / 6**2)
    own = 4 * np.exp(-np.abs(np.log(radii[:, None] / radii)))[..., None] * np.ones(SECTORS)
    variance, height = np.full(ring.size, 0.5), np.ones(ring.size)
    rest = (variance, height, ring, sector, own, ground, radii, 2.0, 0.7)
    covariance = np.zeros((ring.size, ring.size))
    _fill_covariance(*rest, covariance)
    covariance = np.tril(covariance) + np.tril(covariance, -1).T
    value = np.linalg.cholesky(covariance) @ rng.normal(0, 0.5, ring.size)
    np.testing.assert_allclose(_weigh(value, *rest), np.linalg.solve(covariance, value), rtol=1e-4, atol=1e-5)
    value[40] += 50
    assert abs(_weigh(value, *rest)[40]) < 0.2 * abs(np.linalg.solve(covariance, value)[40])
