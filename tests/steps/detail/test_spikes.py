"""What no star could make."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerblend.maths.moffat import moffat_image
from layerblend.steps.detail import apply_gates, deconvolve
from layerblend.steps.detail.spikes import find_spikes
from tests.benchmarks.picture import detail_gates
from tests.scenes.picture import Scene
from tests.scenes.stars import varying_star


@settings(deadline=None)
@given(fwhm=st.floats(2.0, 8.0), dx=st.floats(-0.5, 0.5), dy=st.floats(-0.5, 0.5), stretch=st.floats(-0.25, 0.25), peak=st.floats(30, 1e5))
def test_no_star_counts_as_a_spike(fwhm: float, dx: float, dy: float, stretch: float, peak: float) -> None:
    star = varying_star(fwhm, (41, 41), e1=stretch)
    centre = star.centre
    plane = moffat_image((41, 41), centre.fwhm, centre.beta, centre.eccentricity, centre.angle, x=20 + dx, y=20 + dy)
    plane = (peak / plane.max() * plane).astype(np.float32)
    assert find_spikes(plane, star, sigma=1.0) is None


@pytest.mark.parametrize("side", [5, 394])
def test_stars_of_the_narrowest_corner_are_no_spikes(side: int) -> None:
    """Stars of 4 px in the middle and 2.1 at one side."""
    star = varying_star(4.0, (61, 400), slope=0.65 if side < 200 else -0.65)
    here = star.at(side, 30)
    plane = moffat_image((61, 400), here.fwhm, here.beta, x=side, y=30)
    assert here.fwhm < 2.2 and find_spikes((1e4 / plane.max() * plane).astype(np.float32), star, sigma=1.0) is None


def test_hot_pixels_cosmic_rays_and_columns_are_spikes_and_leave_no_ring(scene: Scene, stack) -> None:
    luminance, sigma, half, star = stack
    assert find_spikes(luminance, star, sigma=sigma) is None
    level = float(np.median(sigma))
    spoilt = luminance.copy()
    spoilt[40, 50] += 400 * level
    spoilt[120, 300:302] += np.array([300, 90], np.float32) * level
    spoilt[200:260, 30] -= 60 * level
    spoilt[279:281, 100:102] += 200 * level
    spoilt[330, 200:202] += np.array([150, 120], np.float32) * level
    found = find_spikes(spoilt, star, sigma=sigma)
    assert found is not None
    assert found[40, 50] and found[120, 300] and found[120, 301] and found[280, 100:102].all() and found[202:258, 30].all()
    assert found[330, 200:202].all()
    assert found.sum() < 8 * 69  # they and a margin
    options = {"sigma": sigma, "half_difference": half}
    clean, mended = deconvolve(luminance, star, **options), deconvolve(spoilt, star, **options)
    assert np.abs(mended - clean)[30:51, 40:61].max() < 8 * level
    assert np.abs(mended - clean)[110:131, 290:312].max() < 8 * level
    assert np.abs(mended - clean)[270:291, 90:112].max() < 8 * level
    gates = detail_gates(spoilt, star, **options)
    np.testing.assert_allclose(apply_gates(gates, spoilt), mended, atol=1e-6)


def test_a_spike_and_a_dark_border_are_told_by_the_noise_of_their_place() -> None:
    """Spots and a border that are 30 and 100 sigma on the left, but a fifth of that on the right, where the noise is."""
    star = varying_star(3.0, (120, 200))
    sigma = np.full((120, 200), 1.0, np.float32)
    sigma[:, 100:] = 5
    plane = (sigma * np.random.default_rng(3).normal(0, 1, sigma.shape)).astype(np.float32)
    plane[40, 30] += 30
    plane[40, 170] += 30
    plane[-2:] -= 100
    found = find_spikes(plane, star, sigma=sigma)
    assert found is not None
    assert found[40, 30] and found[-1, 3:90].all()
    assert not found[:, 110:].any()
    again = find_spikes(plane[:, ::-1].copy(), star, sigma=sigma[:, ::-1].copy())
    np.testing.assert_array_equal(again[:, ::-1], found)


@pytest.mark.parametrize("spot", [[[39, 63], [22, 32]], [[60, 50], [45, 60]], [[-40, -55], [-50, -45]]])
def test_spots_two_pixels_wide_are_no_narrow_stars(spot: list[list[float]]) -> None:
    """The first is a cosmic ray of a real exposure in units of its noise, where stars were 2.4 px wide: it grew a black ring."""
    star = varying_star(2.4, (61, 61))
    plane = np.random.default_rng(3).normal(5, 1, (61, 61)).astype(np.float32)
    plane[30:32, 30:32] += np.float32(spot)
    found = find_spikes(plane, star, sigma=1.0)
    assert found is not None and found[30:32, 30:32].all()
    assert found.sum() < 40


@pytest.mark.parametrize("wide", [1, 2])
@pytest.mark.parametrize("upright", [False, True])
def test_along_a_spike_its_margin_is_even(wide: int, upright: bool) -> None:
    plane = np.random.default_rng(3).normal(0, 1, (61, 61)).astype(np.float32)
    plane[30, 20 : 20 + wide] += 200
    found = find_spikes(plane.T.copy() if upright else plane, varying_star(4.0, (61, 61)), sigma=1.0)
    assert found is not None
    marked = np.flatnonzero((found.T if upright else found)[30])
    assert 20 - marked[0] == marked[-1] - (19 + wide) >= 1


def test_a_deep_dark_lane_inside_the_picture_is_no_border() -> None:
    yy, xx = np.mgrid[:100, :120]
    lane = -90 * np.exp(-((xx - 60) ** 2 / 60 + (yy - 50) ** 2 / 400))
    plane = (lane + np.random.default_rng(1).normal(0, 1, lane.shape)).astype(np.float32)
    assert (plane < -60).sum() > 100
    assert find_spikes(plane, varying_star(3.0, plane.shape), sigma=1.0) is None


@pytest.mark.parametrize("stretch", [-0.3, 0.3])
@pytest.mark.parametrize("fwhm", [2.2, 3.0, 4.5])
def test_long_stars_are_as_narrow_as_across(fwhm: float, stretch: float) -> None:
    star = varying_star(fwhm, (41, 41), e1=stretch)
    centre = star.centre
    plane = moffat_image((41, 41), centre.fwhm, centre.beta, centre.eccentricity, centre.angle, x=20, y=20)
    assert find_spikes((1e4 / plane.max() * plane).astype(np.float32), star, sigma=1.0) is None


@pytest.mark.parametrize(("fwhm", "apart", "second"), [(2.4, 3, 1.0), (3.0, 3, 1.0), (3.0, 4, 0.5), (3.0, 5, 0.5)])
def test_between_two_close_stars_is_no_dark_line(fwhm: float, apart: int, second: float) -> None:
    star = varying_star(fwhm, (41, 41))
    plane = sum(peak * moffat_image((41, 41), fwhm, star.beta, x=18 + x, y=20) for x, peak in ((0, 1), (apart, second)))
    assert find_spikes((1e4 / plane.max() * plane).astype(np.float32), star, sigma=1.0) is None


def test_a_border_without_light_that_is_not_marked_leaves_no_lines(scene: Scene, stack) -> None:
    luminance, sigma, half, star = stack
    level = float(np.median(sigma))
    dark = luminance.copy()
    dark[-2:] = -100 * level
    options = {"sigma": sigma, "half_difference": half}
    clean, mended = deconvolve(luminance, star, **options), deconvolve(dark, star, **options)
    assert np.abs(mended - clean)[-30:-3].max() < 3 * level


def test_what_is_left_of_a_bright_stars_arm_stays_where_stars_were_taken_out() -> None:
    """The star layer stands on it: without it there are dark gaps along the arm. Off the star such a line is no light and goes."""
    star, rng = varying_star(3.2, (120, 160)), np.random.default_rng(3)
    plane = rng.normal(0, 1, (120, 160)).astype(np.float32)
    plane[38:41, 20:100] += np.array([12, 40, 12], np.float32)[:, None]
    plane[90, 20:100] += 40
    stars = np.zeros(plane.shape, bool)
    stars[28:51, 10:110] = True
    out = deconvolve(plane, star, sigma=1.0, stars=stars)
    kept = [float(p[38:41, 30:90].sum() / p.shape[1]) for p in (plane, out)]
    assert find_spikes(plane, star, sigma=1.0)[39, 40:80].all()  # type: ignore[index]
    assert kept[1] > 0.9 * kept[0]
    assert np.abs(out[90, 30:90]).max() < 10
    gates = detail_gates(plane, star, sigma=1.0, stars=stars)
    np.testing.assert_allclose(apply_gates(gates, plane), out, atol=1e-5)
