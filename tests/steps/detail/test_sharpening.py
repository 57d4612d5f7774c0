"""Sharpening by scale and the core bend."""

import numpy as np
import pytest

from layerblend.steps.detail import bend_core, sharpen


def texture(seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(200)[:, None], np.fft.rfftfreq(230)[None]
    amplitude = np.maximum(np.hypot(fy, fx), 0.01) ** -1.4
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((200, 230))) * amplitude, s=(200, 230))
    return (0.4 + 0.08 * field / field.std()).astype(np.float32)


def test_gains_of_1_change_nothing() -> None:
    lightness = texture()
    np.testing.assert_array_equal(sharpen(lightness, [1], sigma=0.01), lightness)
    np.testing.assert_array_equal(sharpen(lightness, [1, 1, 1], sigma=0.01), lightness)


def test_detail_grows_and_noise_does_not() -> None:
    rng = np.random.default_rng(1)
    lightness = texture()
    lightness[:, :110] = 0.3
    noise, other = rng.normal(0, 0.01, (2, *lightness.shape)).astype(np.float32)
    out = sharpen(lightness + noise, [1, 1.5, 1.5], sigma=0.01, half_difference=other)
    quiet, busy = (slice(None), slice(0, 90)), (slice(None), slice(125, None))
    assert out[quiet].std() < 1.06 * (lightness + noise)[quiet].std()
    assert (out - lightness)[busy].std() > 0.011
    assert np.isfinite(out).all()


def test_a_noise_map_is_felt_where_it_says() -> None:
    """Detail and noise four times as strong on the right are changed four times as much."""
    rng = np.random.default_rng(1)
    field, noise, half = texture() - 0.4, rng.normal(0, 0.01, (200, 230)), rng.normal(0, 0.01, (200, 230))
    times = np.where(np.arange(230) < 115, 1.0, 4.0)

    def sharp(strong: np.ndarray) -> np.ndarray:
        planes = (np.asarray(strong * plane, np.float32) for plane in (field + noise, half, np.full(field.shape, 0.01)))
        lightness, difference, sigma = planes
        return sharpen(lightness, [1, 1.5, 1.5], sigma=sigma, half_difference=difference) - lightness

    even, uneven = sharp(np.ones(230)), sharp(times)
    for part, strong in ((np.s_[:, :80], 1), (np.s_[:, 150:], 4)):
        assert np.abs(uneven[part] / strong - even[part]).max() < 0.05 * even.std()


def test_noise_from_the_sky_serves_where_no_halves_are() -> None:
    """Fine texture over half of the picture is no noise."""
    rng = np.random.default_rng(1)
    lightness = np.where(np.arange(230) < 115, 0.2, 0.3 + 2 * (texture() - 0.4)).astype(np.float32)
    noise, half = rng.normal(0, 0.01, (2, *lightness.shape)).astype(np.float32)
    without, halves = (sharpen(lightness + noise, [1.5, 1.5], sigma=0.01, half_difference=h) for h in (None, half))
    assert np.abs(without - halves).mean() < 0.1 * np.abs(halves - lightness - noise).mean()


def test_noise_measured_on_the_own_sky_is_none_of_filled_gaps() -> None:
    noise = np.random.default_rng(3).normal(0, 0.01, (260, 260)).astype(np.float32)
    noise[:, :90] = np.nan
    sharp = sharpen(noise, [1, 2, 2], sigma=0.01)[150:, 150:]
    assert sharp.std() < 1.02 * noise[150:, 150:].std()


def test_sharpening_leaves_gaps_and_constant_pictures() -> None:
    lightness = texture()
    lightness[40:50, 40:50] = np.nan
    assert np.isnan(sharpen(lightness, [1.5, 1.5], sigma=0.005)).sum() == 100
    flat = np.full((64, 64), 0.5, np.float32)
    np.testing.assert_allclose(sharpen(flat, [2, 2], sigma=0.01), flat, atol=1e-6)


def test_the_bend_begins_at_lightness_55_and_ends_in_a_straight_line() -> None:
    """Even light of Oklab L = .612 + t loses strength times t^2 / .16 up to t = .08, t - .04 beyond. Of grey, L is (L* + 16) / 116."""
    for lightness, lost in ((0.5, 0.0), (0.612, 0.0), (0.652, 0.01), (0.692, 0.04), (0.9, 0.248)):
        even = np.full((80, 80), lightness, np.float32)
        np.testing.assert_allclose(bend_core(even, 0.35), lightness - 0.35 * lost, atol=1e-5)


def test_detail_of_40_px_is_no_broad_light() -> None:
    """A Gaussian of 24 px keeps exp(-2 pi^2 24^2 / 40^2) = .001 of a wave of 40 px: its height stays on the bent light."""
    wave = np.tile(0.05 * np.cos(2 * np.pi * np.arange(400) / 40), (200, 1))
    out = bend_core((0.85 + wave).astype(np.float32), 0.5)[:, 100:300]
    assert np.ptp(out) == pytest.approx(0.1, rel=0.03)


def test_the_ring_of_something_brighter_is_not_sharpened() -> None:
    """A dark ring of a hundredth of a star's height, far above the noise: alone it grows deeper, round the star it hardly does."""
    yy, xx = np.mgrid[:81, :81] - 40
    r = np.hypot(yy, xx)
    ring, star = -0.004 * np.exp(-((r - 5) ** 2) / 2), 0.4 * np.exp(-(r**2) / 4)
    half = np.random.default_rng(1).normal(0, 1e-4, (81, 81)).astype(np.float32)

    def sharp(light: np.ndarray) -> np.ndarray:
        return sharpen((0.3 + light).astype(np.float32), [1, 2.0], sigma=1e-4, half_difference=half)

    at = np.abs(r - 5) < 0.8
    alone, beside = ((sharp(light + ring) - sharp(light) - ring)[at].mean() for light in (0 * ring, star))
    assert alone < -0.15 * 0.004
    assert abs(beside) < 0.4 * abs(alone)


def test_core_bends_broad_light_and_keeps_its_detail() -> None:
    yy, xx = np.mgrid[:300, :300]
    broad = (0.3 + 0.6 * np.exp(-((yy - 150) ** 2 + (xx - 150) ** 2) / (2 * 60**2))).astype(np.float32)
    ripple = (0.02 * np.sin(xx / 1.5)).astype(np.float32)
    out = bend_core(broad + ripple, 0.35)
    assert out[150, 150] < broad[150, 150] - 0.05
    np.testing.assert_allclose(out[5:20, 5:20], (broad + ripple)[5:20, 5:20], atol=1e-4)
    centre = (slice(140, 160), slice(140, 160))
    assert np.std(out[centre] - bend_core(broad, 0.35)[centre]) > 0.95 * np.std(ripple[centre])
    np.testing.assert_array_equal(bend_core(broad, 0), broad)
