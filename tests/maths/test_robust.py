import numpy as np
import pytest
from astropy.stats import mad_std
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.maths.robust import (
    BAND_GAIN,
    MAD_TO_SIGMA,
    band_noise,
    lag_noise,
    lower_weighted_median,
    mad_sigma,
    nan_filled,
    tile_levels,
    weighted_median,
)
from tests.scenes.stars import star_field


def white(seed=0, shape=(600, 800), sigma=2.0, level=0.0):
    return (level + np.random.default_rng(seed).normal(0, sigma, shape)).astype(np.float32)


def half_pixel_moved(plane):
    return 0.5 * (plane[:, 1:] + plane[:, :-1])


# ---------------------------------------------------------------- mad_sigma
def test_mad_sigma_is_that_of_astropy():
    # astropy.stats.mad_std; the factor 1/norm.ppf(.75) = 1.482602218505602
    values = white(1, (999,))
    assert mad_sigma(values) == pytest.approx(mad_std(values), rel=1e-6)
    assert pytest.approx(1.482602218505602, rel=1e-12) == MAD_TO_SIGMA


def test_mad_sigma_leaves_out_nan_and_ignores_outliers():
    values = np.r_[np.random.default_rng(2).normal(5, 1, 20000), np.full(1000, 1e6), np.full(50, np.nan)]
    assert mad_sigma(values) == pytest.approx(1.0, abs=0.08)
    assert np.isnan(mad_sigma(np.full(3, np.nan)))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=40), st.floats(0.1, 10), st.floats(-100, 100))
def test_mad_sigma_scales_and_does_not_shift(values, scale, shift):
    values = np.array(values)
    assert mad_sigma(values * scale + shift) == pytest.approx(scale * mad_sigma(values), rel=1e-6, abs=1e-6)


# ---------------------------------------------------------------- weighted median
def test_weighted_median_of_equal_weights_is_the_median():
    values = white(3, (101,))
    assert weighted_median(values, np.ones(101)) == pytest.approx(float(np.median(values)), rel=1e-6)


def test_weighted_median_follows_the_weight():
    assert weighted_median(np.array([1.0, 2.0, 10.0]), np.array([1.0, 1.0, 100.0])) > 9
    assert np.isnan(weighted_median(np.zeros(0), np.zeros(0)))


@pytest.mark.parametrize("n", [1, 2, 3, 10, 101])
def test_lower_weighted_median_is_numpys_inverted_cdf(n):
    rng = np.random.default_rng(n)
    values, weights = np.round(rng.normal(size=n), 1), rng.integers(1, 4, n)  # with ties
    assert lower_weighted_median(values, weights) == np.quantile(values, 0.5, weights=weights, method="inverted_cdf")
    assert lower_weighted_median(np.array([1.0, 2.0]), np.array([1.0, 1.0])) == 1  # never between two values


# ---------------------------------------------------------------- noise
def test_both_noises_find_white_noise():
    plane = white(4, (1000, 1000))
    assert lag_noise(plane) == pytest.approx(2.0, rel=0.01)
    assert band_noise(plane) == pytest.approx(2.0, rel=0.015)


def test_band_gain_is_that_of_the_filter():
    # The sd that the band of unit white noise really has.
    import cv2

    plane = white(5, (1500, 1500), 1.0)
    band = cv2.GaussianBlur(plane, (0, 0), 1.2) - cv2.GaussianBlur(plane, (0, 0), 2.4)
    assert band[20:-20, 20:-20].std() == pytest.approx(BAND_GAIN, rel=0.01)


def test_lag_noise_of_a_moved_frame_is_the_scatter_of_its_pixels():
    # Pixel-difference estimates fail by half on resampled frames (scikit-image thread 1837); this one must stay within 10 %.
    moved = half_pixel_moved(white(6))
    assert lag_noise(moved) == pytest.approx(float(moved.std()), rel=0.02)


def test_band_noise_of_a_moved_frame_stays_near_the_noise_it_had():
    # Half a pixel of bilinear shift takes 29 % of the pixel scatter but little of the noise in the band of stars.
    plane = white(7, (1000, 1000))
    moved = half_pixel_moved(plane)
    assert moved.std() < 0.72 * plane.std()
    assert 0.9 < band_noise(moved) / 2.0 < 0.97


@pytest.mark.parametrize("options", [{}, {"galaxy": True}, {"stars": 1500, "bright": 1.5}, {"hot": 1e-3}])
def test_band_noise_is_the_sky_s_whatever_shines_in_front(options):
    field = star_field(8, 700, 900, noise=2e-4, **options)
    assert band_noise(field.image) == pytest.approx(2e-4, rel=0.04)


def test_band_noise_ignores_a_steep_gradient_and_gaps():
    plane = white(9, level=100.0) + np.linspace(0, 500, 800, dtype=np.float32)
    plane[:, :17] = np.nan
    plane[300:360, 200:330] = np.nan
    assert band_noise(plane) == pytest.approx(2.0, rel=0.03)
    assert lag_noise(plane) == pytest.approx(2.0, rel=0.03)


def test_noise_of_nothing_is_nan():
    assert np.isnan(band_noise(np.full((80, 80), np.nan, np.float32)))
    assert np.isnan(lag_noise(np.zeros((4, 3), np.float32)))


def test_noise_does_not_drown_in_a_large_level():
    # float32 sums lose whole levels on large frames (numpy thread 22956); differences and medians do not.
    plane = white(10, (1500, 2000), 1.0, level=30000.0)
    assert lag_noise(plane) == pytest.approx(1.0, rel=0.01)
    assert np.nanmax(np.abs(tile_levels(plane) - 30000)) < 0.4


# ---------------------------------------------------------------- nan_filled
def test_nan_filled_gives_back_the_same_array_when_nothing_is_missing():
    plane = white(11)
    filled, valid = nan_filled(plane)
    assert filled is plane and valid.all()


def test_nan_filled_bridges_a_slope_smoothly_and_keeps_the_data():
    yy, xx = np.mgrid[:200, :300].astype(np.float32)
    plane = 0.1 * xx + 0.05 * yy
    holed = plane.copy()
    holed[80:110, 100:150] = np.nan
    holed[:, :9] = np.nan
    before = holed.copy()
    filled, valid = nan_filled(holed)
    np.testing.assert_array_equal(holed, before)
    assert filled.dtype == np.float32 and np.isfinite(filled).all()
    np.testing.assert_array_equal(filled[valid], plane[valid])
    assert np.abs(filled - plane)[80:110, 100:150].max() < 2.5
    np.testing.assert_array_equal(valid, np.isfinite(before))


def test_nan_filled_of_nothing_is_zero_and_of_one_value_is_that_value():
    assert (nan_filled(np.full((7, 5), np.nan, np.float32))[0] == 0).all()
    plane = np.full((9, 6), np.nan, np.float32)
    plane[4, 2] = 3.0
    assert np.allclose(nan_filled(plane)[0], 3.0)


# ---------------------------------------------------------------- tiles
def test_tile_levels_are_the_middle_means_of_the_tiles():
    from scipy.stats import trim_mean

    plane = white(12, (130, 200), level=10.0)
    tiles = tile_levels(plane, 64)
    assert tiles.shape == (3, 4, 1) and tiles.dtype == np.float32
    # scipy.stats.trim_mean cuts the same quarter at either end.
    assert tiles[1, 2, 0] == pytest.approx(trim_mean(plane[64:128, 128:192], 0.25, axis=None), abs=1e-3)


def test_tile_levels_stand_stars_gaps_and_channels():
    image = np.stack([white(13, (256, 256), level=k) for k in (5.0, 6.0, 7.0)], -1)
    image[100:105, 100:105] = 1000.0
    image[:70, :70] = np.nan
    tiles = tile_levels(image, 64)
    assert np.isnan(tiles[0, 0]).all()
    assert np.abs(tiles[1:, 1:] - [5, 6, 7]).max() < 0.25


def test_tile_levels_of_coarse_counts_follow_the_level_between_the_counts():
    # A median of whole counts jumps by one; the middle half's mean follows.
    rng = np.random.default_rng(14)
    for level in (100.2, 100.4):
        counts = np.rint(rng.normal(level, 1.5, (512, 512))).astype(np.float32)
        assert float(np.mean(tile_levels(counts))) == pytest.approx(level, abs=0.05)
