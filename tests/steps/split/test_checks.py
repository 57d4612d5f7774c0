"""The separation's judgement of itself."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.maths.moffat import StarFits
from layerblend.maths.noise_line import measure_noise
from layerblend.steps.split.checks import (
    compact_left,
    looks_stretched,
    rims_left,
    rings_left,
    sides_left,
    texture_ratio,
    widening_with_brightness,
)
from layerblend.steps.split.field import first_fits
from layerblend.steps.split.model import StarImage, render
from tests.scenes.split import add_ghost, add_spikes, make_scene


def test_linear_and_stretched() -> None:
    scene = make_scene(seed=31, mono=True)
    sigma = scene.extra["sigma0"]
    for stretch, expected in (
        (lambda v: v, False),
        (lambda v: 3 * v + 0.02, False),
        (lambda v: np.arcsinh(v / (100 * sigma)), True),
        (lambda v: np.sqrt(np.clip(v + 5 * sigma, 0, None)), True),
        (lambda v: np.clip(v + 0.05, 0, None) ** 0.45, True),  # with the sky's light still in it, faint stars are hardly touched
    ):
        plane = stretch(scene.image).astype(np.float32)
        good = np.ones(plane.shape, bool)
        fits = first_fits(plane, good, measure_noise(plane, good), scene.extra["saturated"])
        assert looks_stretched(fits) == expected


def _fits(slope: float, scatter: float, n: int, beta: float = 3.0) -> StarFits:
    """Stars over a range of three decades, their widths growing by ``slope`` (ln over ln of the peak)."""
    rng = np.random.default_rng(n)
    peak = 10 ** rng.uniform(-3, 0, n)
    width = 4.0 * peak**slope * np.exp(rng.normal(0, scatter, n))
    none = np.zeros(n)
    return StarFits(none, none, peak, peak, width, none, none, np.full(n, beta), none, none, np.ones(n, bool))


def test_only_a_clear_and_steep_widening_is_a_stretch() -> None:
    """Linear pictures had slopes to .002, stretches from .02 (the module's own count of 40); few scattered stars tell nothing."""
    assert not looks_stretched(_fits(0.004, 0.002, 400))  # however sure it is
    assert looks_stretched(_fits(0.03, 0.02, 400))
    assert not looks_stretched(_fits(0.03, 0.25, 30))  # however steep it seems
    assert not looks_stretched(_fits(0.2, 0.001, 5))
    assert looks_stretched(_fits(0.1, 0.02, 14))  # as few as a small picture holds, steeply
    assert not looks_stretched(_fits(0.015, 0.002, 14)) and looks_stretched(_fits(0.015, 0.002, 40))
    assert widening_with_brightness(_fits(0.2, 0.001, 5)) == (0.0, float("inf"))


def test_rings_and_leftovers() -> None:
    plane = np.random.default_rng(6).normal(0, 1e-3, (200, 200)).astype(np.float32)
    sigma = np.full(plane.shape, 1e-3, np.float32)
    x, y = np.array([60.0, 140.0]), np.array([100.0, 100.0])
    render(plane, np.array([[60.0, 100.0, np.log(4.0), 0, 0, 0, 0]]), np.array([0.03]), np.array([40.0]), StarImage.moffat(3.0))
    rings = rings_left(plane, sigma, x, y, 4.0)
    assert rings[0] > 2 and abs(rings[1]) < 1
    wide, far = plane[20:180], np.array([60.0, 140.0, 190.0, 5.0])
    upright = rings_left(wide, sigma[20:180], far, np.full(4, 80.0), 4.0)
    np.testing.assert_allclose(upright[:2], rings, rtol=1e-5)
    assert np.isnan(upright[2:]).all()
    np.testing.assert_allclose(
        rings_left(np.ascontiguousarray(wide.T), sigma[20:180].T.copy(), np.full(4, 80.0), far, 4.0), upright, rtol=1e-4
    )
    places = np.c_[x, y]
    assert compact_left(plane, np.full(plane.shape, 1e-3, np.float32), 4.0, places, np.zeros((0, 2))) == (1, 0)
    assert compact_left(plane, np.full(plane.shape, 1e-3, np.float32), 4.0, np.zeros((0, 2)), places) == (0, 0)
    assert compact_left(plane, np.full(plane.shape, 1e-3, np.float32), 4.0, np.zeros((0, 2)), np.zeros((0, 2))) == (0, 1)
    assert compact_left(plane, np.full(plane.shape, 1e-3, np.float32), 4.0, places, places[:1]) == (0, 0)


def test_a_faint_leftover_is_seen_and_noise_is_none() -> None:
    """Seen through its own image, on a level of its own, a star of 3 sigma stands 7 sigma high: 1 / sqrt(sum of squares) of that is 2.3."""
    plane = np.random.default_rng(12).normal(0, 1, (300, 300)).astype(np.float32)
    geo = np.zeros((9, 7))
    geo[:, :2], geo[:, 2] = [(x, y) for x in (60, 150, 240) for y in (60, 150, 240)], np.log(4.0)
    sigma = np.ones_like(plane)
    assert compact_left(plane, sigma, 4.0, geo[:, :2], np.zeros((0, 2))) == (0, 0)
    render(plane, geo, np.full(9, 3.0), np.full(9, 20.0), StarImage.moffat(3.0))
    found, unknown = compact_left(plane, sigma, 4.0, geo[:, :2], np.zeros((0, 2)))
    assert found >= 8 and unknown == 0


def test_texture_ratio_of_noise_is_one() -> None:
    plane = np.random.default_rng(7).normal(0, 1, (200, 200)).astype(np.float32)
    weight = np.zeros_like(plane)
    weight[50:150, 50:150] = 1
    ones, valid = np.ones_like(plane), weight >= 0
    assert abs(texture_ratio(plane, ones, weight, valid) - 1) < 0.05
    smooth = np.where(weight > 0, 0.5 * plane, plane).astype(np.float32)
    assert abs(texture_ratio(smooth, ones, weight, valid) - 0.5) < 0.05
    assert abs(texture_ratio(smooth, np.where(weight > 0, ones / 2, ones), weight, valid) - 1) < 0.05
    assert np.isnan(texture_ratio(plane, ones, 0.5 * weight, valid))
    plane[:, :20], plane[:, 60:], plane[:20], plane[180:] = 0.1, 0.1, 0.1, 0.1  # a border filled with grey
    assert np.isnan(texture_ratio(plane, ones, weight, valid))


@pytest.mark.parametrize("tint", [(1.0, 1.0, 1.0), (-1.0, -1.0, -1.0), (1.0, 0.0, 0.0), (0.0, 0.0, -1.0)])
def test_bright_dark_and_coloured_rims_are_seen(tint: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(6)
    clean = rng.normal(0, 1, (200, 200, 3)).astype(np.float32)
    yy, xx = np.mgrid[:200, :200]
    r = np.hypot(xx - 100, yy - 100)
    rim = clean + np.float32(1.5) * ((r > 24) & (r < 28))[..., None] * np.array(tint, np.float32)
    place = np.array([100.0])
    sigma = np.ones(3)
    assert rims_left(rim.astype(np.float32), sigma, place, place, 4.0)[0] > 0.5
    hill = clean + np.float32(0.02) * xx[..., None].astype(np.float32)
    assert rims_left(clean, sigma, place, place, 4.0)[0] < 0.2
    assert np.isnan(rims_left(3 * rim.astype(np.float32), sigma, place, place, 4.0)[0])  # ground three times as rough as its noise
    assert rims_left(hill, sigma, place, place, 4.0)[0] < 0.2


def test_streaks_and_patches_beside_stars_are_seen() -> None:
    clean = np.random.default_rng(8).normal(0, 1, (600, 600))
    x, y = (a.ravel().astype(float) for a in np.meshgrid([150, 300, 450], [150, 300, 450]))
    quiet, ground = sides_left(clean.astype(np.float32), 1.0, x, y, 4.0)
    assert quiet < 0.5 and ground < 0.5
    spiked, ghosted = clean.copy(), clean.copy()
    for a, b in zip(x, y, strict=True):
        add_spikes(spiked, a, b, 40.0, 1.6, 16.0, 2, 0.35, 200.0)
        add_ghost(ghosted, a + 20, b - 10, 4.0, 30.0, 3.0)
    for plane in (spiked, ghosted):
        left, _ = sides_left(plane.astype(np.float32), 1.0, x, y, 4.0)
        assert left > 1.5
    hills = clean + 8 * np.sin(np.mgrid[:600, :600].sum(0) / 9.0)
    left, ground = sides_left(hills.astype(np.float32), 1.0, x, y, 4.0)
    assert left < 2 * ground
    assert sides_left(clean.astype(np.float32), 1.0, x[:2], y[:2], 4.0) == (0.0, 0.0)


def test_light_that_stayed_on_purpose_and_hills_elsewhere_are_no_streaks() -> None:
    plane = np.random.default_rng(9).normal(0, 1, (700, 600)).astype(np.float32)
    x, y = (a.ravel().astype(float) for a in np.meshgrid([150, 300, 450], [150, 300, 450]))
    known = np.zeros(plane.shape, bool)
    for a, b in zip(x.astype(int), y.astype(int), strict=True):
        known[b - 25 : b - 14, a + 5 : a + 16] = True
    plane[known] += 30
    assert sides_left(plane, 1.0, x, y, 4.0)[0] > 1.5
    turned = sides_left(np.ascontiguousarray(plane[:560].T), 1.0, y, x, 4.0)
    np.testing.assert_allclose(turned, sides_left(plane[:560].copy(), 1.0, x, y, 4.0), rtol=0.15)
    assert sides_left(plane, 1.0, x, y, 4.0, known)[0] < 0.5
    quiet = np.where(known, 0, plane)
    quiet[380:] += 20 + 15 * np.sin(np.arange(600) / 9.0)
    assert sides_left(quiet.astype(np.float32), 1.0, x, y, 4.0)[0] < 0.5


def test_stars_before_bright_ground_are_looked_at_only_where_the_sky_has_too_few() -> None:
    """Nine bright stars, the five brightest before a structured galaxy; what is uneven there is the galaxy's."""
    plane = np.random.default_rng(10).normal(0, 1, (600, 900)).astype(np.float32)
    yy, xx = np.mgrid[:600, :900]
    plane += ((xx < 330) * (25 + 12 * np.sin(xx / 7.0) * np.sin(yy / 6.0))).astype(np.float32)
    x, y = np.array([110.0, 150, 200, 130, 210, 450, 600, 750, 800]), np.array([110.0, 250, 400, 480, 150, 120, 300, 450, 200])
    assert sides_left(plane, 1.0, x, y, 4.0)[0] < 0.5
    assert sides_left(plane, 1.0, x[:7], y[:7], 4.0)[0] > 1.5
