"""Clipped blobs and compact peaks."""

from __future__ import annotations

import numpy as np
import pytest

from layerblend.steps.split.mask import clipped_mask, find_blobs, find_peaks, peak_response
from layerblend.steps.split.model import StarImage, render


def _sky(shape: tuple[int, int] = (128, 128), sigma: float = 1e-3, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, shape).astype(np.float32)


def _star(plane: np.ndarray, x: float, y: float, peak: float, fwhm: float = 4.0) -> None:
    render(plane, np.array([[x, y, np.log(fwhm), 0, 0, 0, 0.0]]), np.array([peak]), np.array([60.0]), StarImage.moffat(3.0))


def test_plateau_is_found_and_a_smooth_core_is_not() -> None:
    plane = _sky()
    _star(plane, 60, 60, 5.0)
    clipped = np.minimum(plane, 0.95)
    found = clipped_mask(clipped[None], np.array([1e-3]), None)
    np.testing.assert_array_equal(found, clipped >= 0.95 * 0.96)
    yy, xx = np.mgrid[:128, :128]
    galaxy = (plane * 0 + 0.8 * np.exp(-(np.hypot(xx - 64, yy - 64) ** 2) / 800)).astype(np.float32) + _sky()
    assert not clipped_mask(galaxy[None], np.array([1e-3]), None).any()


def test_map_of_shares_decides() -> None:
    share = np.zeros((128, 128), np.float32)
    share[5:9, 5:9] = 0.5
    np.testing.assert_array_equal(clipped_mask(_sky()[None], np.array([1e-3]), share), share > 0)


def test_a_plateau_in_one_colour_is_enough() -> None:
    """A red star clips in red alone; whichever channel it is, its core says nothing."""
    planes = np.stack([_sky(seed=k) for k in range(3)])
    for plane in planes:
        _star(plane, 60, 70, 0.5)
    for c in range(3):
        clipped = planes.copy()
        _star(clipped[c], 60, 70, 5.0)
        clipped[c] = np.minimum(clipped[c], 0.95)
        np.testing.assert_array_equal(clipped_mask(clipped, np.full(3, 1e-3), None), clipped[c] >= 0.95 * 0.96)
    for c, peak in enumerate((5.0, 3.0, 2.0)):
        _star(planes[c], 60, 70, peak)
    planes = np.minimum(planes, 0.95)
    np.testing.assert_array_equal(clipped_mask(planes, np.full(3, 1e-3), None), planes[0] >= 0.95 * 0.96)


def test_few_frames_of_many_are_enough_and_one_of_hundreds_is_not() -> None:
    """A clipped frame in fifty bends a bright pixel by per cents, one in four hundred by less than its noise; no map, no clipping."""
    share = np.array([[0.02, 0.0025, 0.0, np.nan, 1.0]], np.float32)
    np.testing.assert_array_equal(clipped_mask(np.zeros((1, 1, 5), np.float32), np.ones(1), share), [[True, False, False, False, True]])


def test_single_clipped_pixels_make_no_core() -> None:
    """Which pixels are left out all the same, with their neighbours; a core of 3 x 3 is a star, at its middle."""
    mask = np.zeros((40, 60), bool)
    mask[10, 20] = True
    mask[24:27, 44:47] = True
    blobs = find_blobs(mask)
    np.testing.assert_allclose(np.c_[blobs.x, blobs.y], [[45, 25]])
    assert 2 < blobs.radius[0] < 3  # its neighbours with it
    assert blobs.mask[9:12, 19:22].all() and blobs.mask[23:28, 43:48].all() and blobs.mask.sum() == 9 + 25
    np.testing.assert_array_equal(blobs.small, blobs.mask & (np.arange(60) < 30))


def test_the_star_of_a_bled_column_is_where_the_column_is_widest() -> None:
    """Charge runs far down one way: the centroid of the column lies 13 px beside the star, which would be drawn there."""
    yy, xx = np.mgrid[:120, :160]
    mask = (np.hypot(xx - 110, yy - 40) < 8) | ((np.abs(xx - 110) < 2) & (yy > 36) & (yy < 112))
    blobs = find_blobs(mask)
    assert len(blobs.x) == 1
    np.testing.assert_allclose([blobs.x[0], blobs.y[0]], [110, 40], atol=1.5)


def test_touching_clipped_stars_are_parted() -> None:
    mask = np.zeros((60, 60), bool)
    yy, xx = np.mgrid[:60, :60]
    mask |= np.hypot(xx - 20, yy - 30) < 6
    mask |= np.hypot(xx - 31, yy - 30) < 5
    blobs = find_blobs(mask)
    assert len(blobs.x) == 2
    np.testing.assert_allclose(np.sort(blobs.x), [20, 31], atol=1)


def test_peaks_of_stars_not_of_noise() -> None:
    plane = _sky((256, 256))
    places = [(40, 50), (120, 90), (200, 200)]
    for x, y in places:
        _star(plane, x, y, 0.02)
    peaks = find_peaks(peak_response(plane, 4.0), np.full(plane.shape, 1e-3, np.float32), 6.0)
    assert {(round(x), round(y)) for x, y in zip(peaks.x, peaks.y, strict=True)} == set(places)
    np.testing.assert_allclose(peaks.height, 0.02, rtol=0.15)


def test_noise_beside_filled_gaps_makes_no_peaks() -> None:
    plane, seen = _sky((300, 300)), np.ones((300, 300), bool)
    seen[:, :180] = False
    plane[~seen] = 0
    sigma = np.full(plane.shape, 1e-3, np.float32)
    assert len(find_peaks(peak_response(plane, 4.0), sigma, 5.0, seen=seen).x) == 0


@pytest.mark.parametrize(("gap", "second"), [(5.0, 5.5), (7.0, 4.5), (8.0, 6.0)])
def test_clipped_stars_grown_into_one_are_parted_along_its_length(gap: float, second: float) -> None:
    yy, xx = np.mgrid[:60, :60]
    across, down = 30 + gap * np.cos(0.6), 24 + gap * np.sin(0.6)
    mask = (np.hypot(xx - 30, yy - 24) < 6) | (np.hypot(xx - across, yy - down) < second)
    blobs = find_blobs(mask)
    assert len(blobs.x) == 2
    np.testing.assert_allclose([blobs.x[0], blobs.y[0]], [30, 24], atol=0.8)
    np.testing.assert_allclose([blobs.x[1], blobs.y[1]], [across, down], atol=0.8)


def test_long_star_images_are_single() -> None:
    """Blobs that are all long the same way are stars of a long star image, a lone long one with straight sides is a bled column."""
    yy, xx = np.mgrid[:120, :120]
    mask = np.zeros((120, 120), bool)
    for x, y, r in ((20, 30, 5), (60, 80, 7), (90, 40, 6), (30, 90, 4)):
        mask |= np.hypot((xx - x) / 1.35, yy - y) < r
    assert len(find_blobs(mask).x) == 4
    column = np.zeros((120, 120), bool)
    column[20:100, 50:57] = True
    column |= np.hypot(xx - 53, yy - 60) < 8
    assert len(find_blobs(column).x) == 1


def test_structured_ground_and_what_fits_miss_are_no_stars() -> None:
    """Ground rougher than the noise hides faint stars there and nowhere else; so does what a bright star may have left."""
    plane, sigma = _sky((320, 320), seed=3), np.full((320, 320), 1e-3, np.float32)
    plane[:, :192] += 8 * _sky((320, 192), seed=4)
    for x in (60, 256):
        _star(plane, x, 160, 0.008)
    peaks = find_peaks(peak_response(plane, 4.0), sigma, 5.0)
    assert {(round(x), round(y)) for x, y in zip(peaks.x, peaks.y, strict=True)} == {(256, 160)}
    extra = np.zeros_like(plane)
    extra[:, 192:] = 0.002
    assert not len(find_peaks(peak_response(plane, 4.0), sigma, 5.0, extra).x)


def test_peaks_of_a_picture_that_is_mostly_one_value_have_a_finite_strength() -> None:
    """Coarse steps: most pixels are exactly alike, so that the usual scatter is 0."""
    plane = np.zeros((128, 128), np.float32)
    _star(plane, 60, 70, 0.5, fwhm=3.0)
    plane = np.round(plane * 50) / np.float32(50)
    peaks = find_peaks(peak_response(plane, 3.0), np.full_like(plane, 1e-9), 5.0)
    assert (peaks.x[0], peaks.y[0]) == (60, 70)
    assert np.isfinite(peaks.strength).all()
