"""Filling."""

from __future__ import annotations

import numpy as np

from layerblend.maths.noise_line import Noise
from layerblend.steps.split.fill import dark_rims, fill_weight, mend, noise_draws, pull_push


def test_smooth_ground_is_bridged() -> None:
    yy, xx = np.mgrid[:100, :100].astype(np.float32)
    ground = 0.01 * xx + 0.02 * yy
    confidence = np.ones_like(ground)
    confidence[40:60, 40:60] = 0
    holed = np.where(confidence > 0, ground, 50).astype(np.float32)
    filled = pull_push(holed, confidence)
    np.testing.assert_allclose(filled[40:60, 40:60], ground[40:60, 40:60], atol=0.1)


def test_filled_place_has_the_noise_of_its_surroundings() -> None:
    sigma = 1e-3
    plane = np.random.default_rng(5).normal(0, sigma, (300, 300)).astype(np.float32)
    weight = np.zeros_like(plane)
    weight[100:160, 100:160] = 1
    plane[100:160, 100:160] += 3
    out = mend(plane, weight, weight, Noise(sigma**2, 0.0), noise_draws(), 4.0, np.ones(plane.shape, bool))
    inside = out[104:156, 104:156]
    assert abs(inside.mean()) < 0.3 * sigma
    assert 0.85 < inside.std() / sigma < 1.15
    np.testing.assert_array_equal(out[weight == 0], plane[weight == 0])


def test_weight_rises_with_the_star() -> None:
    star = np.array([[0.0, 1e-4, 1e-2, 1.0]], np.float32)
    none = np.zeros_like(star)
    weight, blind = fill_weight(star, 0.05 * star, none, none, none, Noise(1e-8, 1e-8), np.zeros(star.shape, bool))
    assert (np.diff(weight[0]) >= 0).all()
    assert weight[0, 3] == 1
    assert (blind <= weight).all()
    for share in fill_weight(none, none, none, none, none, Noise(1e-8, 0.0), np.ones(star.shape, bool)):
        assert share.min() == 1


def test_place_with_a_halos_noise_keeps_its_own_level() -> None:
    """Noise goes when pixels are averaged, what the model missed does not: only a blind place is bridged from its surroundings."""
    sigma = 1e-3
    rng = np.random.default_rng(6)
    plane = rng.normal(0, sigma, (300, 300)).astype(np.float32)
    weight, none = np.zeros_like(plane), np.zeros_like(plane)
    weight[100:160, 100:160] = 1
    plane[100:160, 100:160] = rng.normal(5 * sigma, 3 * sigma, (60, 60))
    out = mend(plane, weight, none, Noise(sigma**2, 0.0), noise_draws(), 4.0, np.ones(plane.shape, bool))[108:152, 108:152]
    assert abs(out.mean() / sigma - 5) < 0.3
    assert out.std() / sigma < 1.6


def test_filled_places_have_the_noise_of_their_own_light_and_nothing_of_stars_or_spots() -> None:
    """On the bright side light's own noise is three times the sky's. Half of the sky is under stars, whose errors are no noise to copy,
    and one pixel of fifty a spot of 30 sigma."""
    sigma, noise = 1e-3, Noise(1e-6, 1e-4)
    rng = np.random.default_rng(8)
    light = np.zeros((300, 300))
    light[:, 150:] = 0.08
    level = np.sqrt(noise.floor + noise.slope * light)
    plane = light + rng.normal(0, 1, light.shape) * level
    weight = np.zeros(light.shape, np.float32)
    weight[:, ::20] = weight[:, 1::20] = weight[:, 2::20] = weight[:, 3::20] = weight[:, 4::20] = 0.04
    plane[weight > 0] += 3.4 * level[weight > 0] * rng.choice([-1, 1], int((weight > 0).sum()))
    spots = (rng.random(light.shape) < 0.02) & (weight == 0)
    plane[spots] += 30 * sigma
    for column in (60, 220):
        weight[130:170, column : column + 40] = 1
    out = mend(plane.astype(np.float32), weight, weight, noise, noise_draws(), 4.0, np.ones(light.shape, bool))
    for column, scatter in ((60, sigma), (220, 3 * sigma)):
        inside = out[136:164, column + 6 : column + 34]
        assert 0.8 < inside.std() / scatter < 1.3
        assert np.abs(inside - inside.mean()).max() < 5.5 * scatter


def test_half_filled_places_have_the_whole_noise() -> None:
    """Variances of independent parts add: what a pixel keeps of its own noise and what it is given make up the picture's."""
    plane = np.random.default_rng(9).normal(0, 1, (300, 300)).astype(np.float32)
    for share in (0.3, 0.5, 0.8):
        weight = np.zeros_like(plane)
        weight[100:200, 100:200] = share
        out = mend(plane, weight, np.minimum(2 * weight, 1), Noise(1.0, 0.0), noise_draws(), 4.0, np.ones(plane.shape, bool))
        assert abs(out[105:195, 105:195].std() - 1) < 0.08


def test_places_without_data_lend_neither_level_nor_noise() -> None:
    """Beside the end of the data, on whatever side, a hole keeps the ground's level and the picture's noise."""
    rng = np.random.default_rng(10)
    for turns in range(4):
        valid, weight = np.ones((300, 300), bool), np.zeros((300, 300), np.float32)
        valid[:, 100:] = False
        weight[100:200, 70:100] = 1
        valid, weight = (np.ascontiguousarray(np.rot90(a, turns)) for a in (valid, weight))
        plane = np.where(valid, rng.normal(50, 1, valid.shape), 0).astype(np.float32)
        out = mend(plane, weight, weight, Noise(1.0, 0.0), noise_draws(), 4.0, valid)
        inside = np.rot90(out, -turns)[104:196, 74:96]
        assert abs(inside.mean() - 50) < 1
        assert abs(inside.std() - 1) < 0.15


def test_weight_is_the_share_of_doubt_and_reaches_a_pixel_round() -> None:
    """W = e^2 / (e^2 + sigma^2), none under .15, all over .85 (the module's head): e of 1 sigma, and the star's own noise alone."""
    none, clear = np.zeros((7, 7), np.float32), np.zeros((7, 7), bool)
    wrong, star = none.copy(), none.copy()
    wrong[3, 3] = 1.0
    weight, blind = fill_weight(none, wrong, none, none, none, Noise(1.0, 0.0), clear)
    np.testing.assert_allclose(weight[2:5, 2:5], 0.5, atol=1e-6)  # of a star a neighbour may be off by as much: it is steep
    assert weight.sum() < 4.6 and (weight == blind).all()
    star[3, 3] = 4.0
    weight, blind = fill_weight(star, none, none, none, none, Noise(1.0, 0.25), clear)
    np.testing.assert_allclose(weight[3, 3], 0.5, atol=1e-6)
    assert not blind.any()


def test_haloes_and_arms_are_less_sure_than_sky() -> None:
    """A halo of 1000 sigma may be off by 4, an arm of 100 by 6: both outweigh the noise."""
    light = np.array([[0.0, 1.0, 1000.0]], np.float32)
    none, clear = np.zeros_like(light), np.zeros(light.shape, bool)
    for halo, streaks in ((light, none), (0.1 * light, 0.1 * light)):
        weight, blind = fill_weight(none, none, halo, streaks, none, Noise(1.0, 0.0), clear)
        np.testing.assert_allclose(weight[0], [0, 0, 1], atol=0.01)
        np.testing.assert_array_equal(weight, blind)


def test_dark_rims_of_coloured_stars_are_filled() -> None:
    """Where debayering took light, 20 sigma below the ground of 30 that slopes; shot noise and what a star image misses are no such."""
    sigma, rng = 1e-3, np.random.default_rng(2)
    yy, xx = np.mgrid[:120, :120].astype(np.float32)
    away = np.hypot(yy - 60, xx - 50)
    star = np.float32(0.2) * np.exp(-((away / 4) ** 2))
    noise = Noise(sigma**2, 1e-4)
    ground = sigma * (30 + 0.1 * (xx - 50))
    residual = (ground + noise.map(ground + star) * rng.normal(0, 1, away.shape)).astype(np.float32)
    rim, opaque = (away > 4.5) & (away < 6), away < 4
    cores = opaque | (np.hypot(yy - 20, xx - 90) < 2)
    missed = np.zeros_like(star)
    assert not dark_rims(residual, star, missed, noise, opaque, cores).any()
    residual[rim] -= 20 * noise.map(ground + star)[rim]
    found = dark_rims(residual, star, missed, noise, opaque, cores)
    assert found[rim].mean() > 0.99
    assert found[~rim].sum() <= 2
    assert not dark_rims(residual, star, star + np.float32(10 * sigma), noise, opaque, cores).any()


def test_a_core_on_low_ground_is_not_judged_by_its_neighbours_ground() -> None:
    """Beside a bulge 60 sigma high nothing is dark for being lower."""
    sigma, rng = 1e-3, np.random.default_rng(4)
    yy, xx = np.mgrid[:80, :80].astype(np.float32)
    residual = (sigma * 60 * (xx < 26) + rng.normal(0, sigma, xx.shape)).astype(np.float32)
    cores = (np.hypot(yy - 40, xx - 18) < 3) | (np.hypot(yy - 40, xx - 31) < 2)
    none = np.zeros_like(residual)
    assert not dark_rims(residual, none, none, Noise(sigma**2, 0.0), none > 0, cores).any()
