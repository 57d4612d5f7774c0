"""Stars of Y in each channel."""

from __future__ import annotations

import dataclasses

import numpy as np

from layerblend.kinds import working_luminance
from layerblend.maths.noise_line import Noise, measure_noise
from layerblend.steps.split.channels import Channel, draw_channel, fit_channel, spare_kept
from layerblend.steps.split.field import first_field, first_fits, fit_field
from layerblend.steps.split.haloes import WIDTHS, Haloes, draw_haloes, halo_basis
from layerblend.steps.split.mask import Blobs, find_blobs
from layerblend.steps.split.model import StarImage
from layerblend.steps.split.settle import Settled
from layerblend.steps.split.sources import Field
from tests.scenes.split import make_scene


def test_lateral_colour_is_followed() -> None:
    scene = make_scene(height=500, width=500, stars=300, saturated=0, target=False, galaxies=0, seed=22, lateral=0.5)
    luminance = working_luminance(scene.image)
    good = np.ones(luminance.shape, bool)
    noise = measure_noise(luminance, good)
    start = first_field(500, 500, first_fits(luminance, good, noise, ~good), None)
    assert start is not None
    blobs = Blobs(np.zeros(0), np.zeros(0), np.zeros(0), ~good, ~good)
    fitted = fit_field(luminance, good, noise, blobs, start)
    red = np.ascontiguousarray(scene.image[..., 0])
    channel = fit_channel(red, luminance, good, measure_noise(red, good), fitted)
    moved = channel.geo[:, :2] - fitted.sources.geo[:, :2]
    u = 2 * fitted.sources.x / 499 - 1
    assert abs(np.polyfit(u, moved[:, 0], 1)[0] + 0.5) < 0.08


def test_clipped_stars_keep_their_colour_where_debayering_took_it_from_their_rims() -> None:
    """Clipped stars half as bright in red; round their cores debayering has taken most of that away."""
    scene = make_scene(height=500, width=500, stars=200, saturated=8, target=False, galaxies=0, seed=41)
    luminance = np.ascontiguousarray(scene.image[..., 1])
    clipped = scene.extra["saturated"]
    blobs = find_blobs(clipped)
    good = ~clipped
    noise = measure_noise(luminance, good)
    start = first_field(500, 500, first_fits(luminance, good, noise, clipped), None)
    assert start is not None
    fitted = fit_field(luminance, good, noise, blobs, start)
    share, y, x = np.ones_like(luminance), *np.mgrid[:500, :500]
    cores = fitted.sources.clipped
    assert cores.sum() >= 6
    for place, blob in zip(fitted.sources.geo[cores, :2], fitted.sources.blob[cores], strict=True):
        away = np.hypot(x - place[0], y - place[1]) - blob
        lost = 0.85 * np.clip(1 - np.maximum(away, 0) / (2.5 * start.fwhm), 0, 1)
        share = np.minimum(share, np.where(away < 60, 0.5 * (1 - lost), 1).astype(np.float32))
    red = luminance * share
    channel = fit_channel(red, luminance, good, measure_noise(red, good), fitted)
    shares = channel.peak[cores] / fitted.sources.peak[cores]
    assert shares.min() > 0.3 and shares.max() < 0.6  # 0 to .05 where only the rims told


def test_faint_stars_have_the_common_halo_and_bright_ones_not_twice() -> None:
    """A halo of a hundredth of every star's light: drawn with stars too faint to show it, left to ``halo`` for those that do."""
    state = Field(80, 160, np.zeros((3, 6)), StarImage.moffat(3.0))
    state.terms[0, 0] = np.log(4.0)
    geo = np.zeros((2, 7))
    geo[:, 0], geo[:, 1] = (40.0, 120.0), 40.0
    state.refresh(geo)
    common = np.zeros(len(WIDTHS))
    common[6] = 0.01
    none = np.zeros((80, 160), np.float32)
    peak, noise = np.array([0.5, 0.5]), Noise(1e-8, 0.0)
    haloes = Haloes(np.array([0]), peak[:1, None] * common, common)
    channel = Channel(geo, peak, np.zeros((2, 7)), np.zeros((2, 7)), none, none, haloes, Settled(None), noise)
    drawn = draw_channel(channel, np.ones(2, bool), state)
    bare = draw_channel(dataclasses.replace(channel, haloes=Haloes.none()), np.ones(2, bool), state)
    np.testing.assert_array_equal(drawn[:, :75], bare[:, :75])
    np.testing.assert_allclose((drawn - bare)[40, 120], 0.005, rtol=0.01)
    np.testing.assert_allclose((drawn - bare)[40, 128], 0.5 * halo_basis(np.array([8.0]), 4.0)[0] @ common, rtol=0.05)
    assert not draw_channel(channel, np.zeros(2, bool), state).any()


def test_what_is_no_star_keeps_its_wide_light() -> None:
    state = Field(80, 160, np.zeros((3, 6)), StarImage.moffat(3.0))
    state.terms[0, 0] = np.log(4.0)
    geo = np.zeros((3, 7))
    geo[:, 0], geo[:, 1] = (40.0, 80.0, 120.0), 40.0
    peak, noise, common = np.full(3, 0.5), Noise(1e-8, 0.0), np.full(len(WIDTHS), 0.001)
    light = peak[:2, None] * common
    whole, first, none = (draw_haloes((80, 160), geo[s], light[s], 4.0, noise.sigma) for s in ([0, 1], [0], []))
    haloes = Haloes(np.array([0, 1]), light, common)
    channel = Channel(geo, peak, np.zeros((3, 7)), np.zeros((3, 7)), whole, none, haloes, Settled(None), noise)
    np.testing.assert_allclose(spare_kept(channel, np.array([True, False, True]), state).halo, first, atol=1e-8)
    np.testing.assert_array_equal(spare_kept(channel, np.array([True, True, False]), state).halo, whole)
    np.testing.assert_allclose(spare_kept(channel, np.zeros(3, bool), state).halo, none, atol=1e-8)
