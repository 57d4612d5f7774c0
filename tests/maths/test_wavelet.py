"""The starlet, the local means and the noise of the scales."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from layerblend.maths import wavelet

SPLINE = np.array([1, 4, 6, 4, 1]) / 16


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def spaced_spline(scale: int) -> np.ndarray:
    taps = np.zeros(4 * 2**scale + 1)
    taps[:: 2**scale] = SPLINE
    return taps


@pytest.mark.parametrize("scale", [0, 1, 3])
def test_smoothing_is_the_spaced_b3_spline(rng: np.random.Generator, scale: int) -> None:
    image = rng.standard_normal((61, 83)).astype(np.float32)
    taps = spaced_spline(scale)
    expected = ndimage.correlate1d(ndimage.correlate1d(image.astype(float), taps, 0, mode="mirror"), taps, 1, mode="mirror")
    np.testing.assert_allclose(wavelet.smooth(image, scale), expected, atol=1e-6)


@settings(deadline=None, max_examples=30)
@given(st.integers(1, 40), st.integers(1, 40), st.integers(0, 7), st.integers(0, 2**31))
def test_planes_and_rest_add_up(height: int, width: int, scales: int, seed: int) -> None:
    image = np.random.default_rng(seed).standard_normal((height, width)).astype(np.float32)
    planes, rest = wavelet.starlet(image, scales)
    assert len(planes) == scales
    np.testing.assert_allclose(sum(planes, rest), image, atol=2e-6)


def test_white_noise_factors_are_those_of_the_exact_filter() -> None:
    # Starck & Murtagh's table rounds to .890 .201 .086 .041 .020; here the sum of squares of the filter itself
    n = 2**11
    frequency = np.fft.fftfreq(n)
    before = np.ones(n)
    for scale, factor in enumerate(wavelet.WHITE_NOISE):
        phase = 2 * np.pi * frequency * 2**scale
        after = before * (6 + 8 * np.cos(phase) + 2 * np.cos(2 * phase)) / 16
        variance = np.mean(before**2) ** 2 - 2 * np.mean(before * after) ** 2 + np.mean(after**2) ** 2
        assert factor == pytest.approx(np.sqrt(variance), rel=1e-5)
        before = after
    assert wavelet.WHITE_NOISE[:4] == pytest.approx((0.8908, 0.2007, 0.0855, 0.0412), abs=5e-5)


@pytest.mark.parametrize("sigma", [0.8, 3.0, 33.0])
def test_pool_is_two_mirrored_box_means(rng: np.random.Generator, sigma: float) -> None:
    image = rng.standard_normal((70, 301)).astype(np.float32)
    expected = image.astype(float)
    size = 2 * wavelet.box_radius(sigma) + 1
    for _ in range(2):
        expected = ndimage.uniform_filter(expected, size, mode="mirror")
    np.testing.assert_allclose(wavelet.pool(image, sigma), expected, atol=1e-6)


def test_pool_has_about_the_variance_of_the_gaussian() -> None:
    image = np.zeros((101, 101), np.float32)
    image[50, 50] = 1
    blurred = wavelet.pool(image, 6.0)
    distance = (np.arange(101) - 50) ** 2
    assert np.sqrt(float((blurred.sum(0) * distance).sum())) == pytest.approx(6.0, rel=0.05)


def test_pool_keeps_its_mean_beside_a_very_bright_place() -> None:
    image = np.full((40, 600), 1e-4, np.float32)
    image[:, :5] = 1e6
    np.testing.assert_allclose(wavelet.pool(image, 4.0)[:, 100:], 1e-4, rtol=1e-4)


def test_pool_product(rng: np.random.Generator) -> None:
    a, b = rng.standard_normal((2, 50, 40)).astype(np.float32)
    np.testing.assert_allclose(wavelet.pool_product(a, b, 2.0), wavelet.pool(a * b, 2.0), atol=1e-6)
    np.testing.assert_array_equal(wavelet.pool_product(a, b, 0.1), a * b)


def test_noise_of_white_half_differences(rng: np.random.Generator) -> None:
    sigma = np.full((400, 400), 0.02, np.float32)
    sigma[:, 200:] = 0.05
    noise = (rng.standard_normal((400, 400)) * sigma).astype(np.float32)
    noise[10:30, 10:30] = np.nan
    found = wavelet.scale_noise(noise, sigma, 4)
    np.testing.assert_allclose(found, wavelet.WHITE_NOISE[:4], rtol=0.06)


def test_noise_seen_through_interpolation_is_measured_not_assumed(rng: np.random.Generator) -> None:
    # white noise moved by half a pixel: its finest scale falls far below the white factor
    white = rng.standard_normal((401, 401)).astype(np.float32)
    moved = 0.25 * (white[1:, 1:] + white[:-1, 1:] + white[1:, :-1] + white[:-1, :-1])
    true = [float(plane.std()) for plane in wavelet.starlet(moved, 3)[0]]
    np.testing.assert_allclose(wavelet.scale_noise(moved, 1.0, 3), true, rtol=0.05)


def test_faint_light_in_the_sky_is_no_noise(rng: np.random.Generator) -> None:
    # noise as debayering leaves it, alone and under wide star haloes: the second reads ten times too high without a limit
    white = rng.standard_normal((402, 402)).astype(np.float32)
    noise = cv2.blur(white, (3, 3))[1:-1, 1:-1]
    yy, xx = np.mgrid[:400, :400]
    haloes = sum(6 / (1 + ((yy - y) ** 2 + (xx - x) ** 2) / 30**2) for x, y in rng.uniform(0, 400, (12, 2))).astype(np.float32)
    everywhere, true = np.ones(noise.shape, bool), wavelet.scale_noise(noise, 1.0, 6)
    assert wavelet.scale_noise(noise + haloes, 1.0, 6, where=everywhere)[5] > 5 * true[5]
    np.testing.assert_allclose(wavelet.sky_scale_noise(noise, 1.0, 6, where=everywhere), true, rtol=0.05)  # few coefficients are so wide
    found = np.array(wavelet.sky_scale_noise(noise + haloes, 1.0, 6, where=everywhere))
    assert (found < 2.2 * np.array(true)).all()


@pytest.mark.parametrize("corner", [(0, 0), (0, 1), (1, 1)])
def test_tiles_without_sky_do_not_halve_the_noise_of_the_others(rng: np.random.Generator, corner: tuple[int, int]) -> None:
    """A large picture of which one corner alone is sky: the tiles in the other corners tell nothing."""
    noise = rng.standard_normal((2100, 2100), np.float32)
    where = np.zeros(noise.shape, bool)
    where[corner[0] * 1800 :, corner[1] * 1800 :][:300, :300] = True
    noise[~where] *= 5  # no sky
    np.testing.assert_allclose(wavelet.scale_noise(noise, 1.0, 2, where=where), wavelet.WHITE_NOISE[:2], rtol=0.03)
    sigma = np.where(where, np.float32(2), np.float32(9))
    np.testing.assert_allclose(wavelet.scale_noise(2 * noise, sigma, 2, where=where), wavelet.WHITE_NOISE[:2], rtol=0.03)
    few = np.zeros(noise.shape, bool)
    few[1800:1830, 1800:1830] = True
    assert wavelet.scale_noise(rng.standard_normal((2100, 2100), np.float32), 1.0, 1, where=few)[0] == pytest.approx(0.89, rel=0.2)


def test_sky_pixels_are_no_choice_of_dark_noise(rng: np.random.Generator) -> None:
    """A pixel weighs 1 / (2 pi 16^2) in a mean over 16 px of noise 1 / (2 sqrt(pi) 16): the darkest 30 % lie 1.16 x .035 below the mean."""
    noise = rng.standard_normal((600, 600), np.float32)
    assert noise[wavelet.sky_pixels(noise)].mean() == pytest.approx(-0.041, abs=0.02)


def test_no_pixels_give_no_noise() -> None:
    assert wavelet.scale_noise(np.full((8, 8), np.nan, np.float32), 1.0, 2) == [0.0, 0.0]


def test_sky_pixels_avoid_the_target() -> None:
    yy, xx = np.mgrid[:200, :300]
    image = np.exp(-np.hypot(yy - 100, xx - 150) / 30).astype(np.float32)
    sky = wavelet.sky_pixels(image)
    assert 0.2 < sky.mean() < 0.4
    assert image[sky].max() < 0.1


def test_sky_pixels_are_none_that_were_filled(rng: np.random.Generator) -> None:
    image = rng.standard_normal((200, 300), np.float32)
    valid = np.ones(image.shape, bool)
    valid[:, :150] = False
    image[~valid] = -0.5
    sky = wavelet.sky_pixels(image, valid)
    assert not sky[~valid].any()
    assert sky[valid].mean() == pytest.approx(wavelet.SKY_SHARE, abs=0.03)
    assert not wavelet.sky_pixels(image, np.zeros(image.shape, bool)).any()


def test_measuring_tiles_lie_inside_and_do_not_grow_with_the_frame() -> None:
    assert wavelet.measuring_tiles(300, 200) == [(slice(0, 300), slice(0, 200))]
    tiles = wavelet.measuring_tiles(3000, 4000)
    assert len(tiles) == 4
    assert all(rows.stop <= 3000 and columns.stop <= 4000 and rows.stop - rows.start == 1024 for rows, columns in tiles)
