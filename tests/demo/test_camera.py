"""The demo's frames: registered, noisy as they should be, with true headers."""

from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.lib.stride_tricks import sliding_window_view

from layerblend.demo.camera import FILTERS, Exposures, FramePlan, _moved_back, frame_plan, simulate_frames
from layerblend.demo.scenario import Scenario, load_scenario
from layerblend.demo.truth import Truth, simulate_truth
from layerblend.errors import ArgumentError

SIZE = (200, 150)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario()


@pytest.fixture(scope="module")
def truth(scenario: Scenario) -> Truth:
    return simulate_truth(scenario, SIZE, 5)


@pytest.fixture(scope="module")
def exposures(scenario: Scenario, truth: Truth) -> Exposures:
    return Exposures(scenario, truth, 5)


@pytest.fixture(scope="module")
def plan(scenario: Scenario) -> FramePlan:
    return replace(frame_plan(scenario, 48, 5)[3], trails=0)


# ---------------------------------------------------------------- the plan
def test_the_plan_holds_what_the_scenario_asks_for(scenario: Scenario) -> None:
    plans = frame_plan(scenario, 48, 1)
    assert len({plan.name for plan in plans}) == 48
    assert [plan.start for plan in plans] == sorted(plan.start for plan in plans)
    assert np.bincount([plan.night for plan in plans]).tolist() == [14, 12, 12, 10]
    assert sum(plan.trails for plan in plans) == scenario.odd.trails
    assert sum(plan.cloudy for plan in plans) == 1
    assert sum(plan.eccentricity > 0.75 for plan in plans) == 3
    widths = np.array([plan.fwhm for plan in plans])
    assert widths.max() > 1.7 * widths.min()


def test_small_sets_have_no_spoilt_frames_and_every_set_begins_with_the_first_night(scenario: Scenario) -> None:
    for n in (4, 7):
        plans = frame_plan(scenario, n, 1)
        assert len(plans) == n
        assert plans[0].night == 0
        assert not any(plan.cloudy for plan in plans)
    with pytest.raises(ArgumentError, match="`n`"):
        frame_plan(scenario, 0)


# ---------------------------------------------------------------- frames
def test_same_seed_same_frames_and_another_seed_others(scenario: Scenario, truth: Truth) -> None:
    first, second = (list(simulate_frames(scenario, truth, 2, 5)) for _ in range(2))
    for (name, planes, cards), (name2, planes2, cards2) in zip(first, second, strict=True):
        assert (name, cards) == (name2, cards2)
        assert planes.shape == (3, SIZE[1], SIZE[0])
        assert planes.dtype == np.uint16
        np.testing.assert_array_equal(planes, planes2)
    other = next(simulate_frames(scenario, truth, 2, 6))
    assert not np.array_equal(first[0][1], other[1])


def picture(planes: np.ndarray) -> np.ndarray:
    """Rows from the top, colours last."""
    return np.moveaxis(planes[:, ::-1], 0, -1).astype(float)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (3.37, -5.81), (-6.5, 0.25)])
def test_stars_stand_on_the_common_grid_whatever_the_shift(
    exposures: Exposures, truth: Truth, plan: FramePlan, shift: tuple[float, float]
) -> None:
    frame = picture(exposures.take(replace(plan, shift_x=shift[0], shift_y=shift[1], eccentricity=0.2)))[..., 1]
    near, far = 4, 9
    errors = []
    for star in truth.catalogue[3:25]:
        x, y = round(star["x"]), round(star["y"])
        if not (far + 8 < x < SIZE[0] - far - 8 and far + 8 < y < SIZE[1] - far - 8) or star["g"] < 150:
            continue
        others = np.hypot(truth.catalogue["x"] - star["x"], truth.catalogue["y"] - star["y"])
        if (others[others > 0] < far + 3).any():
            continue
        window = frame[y - near : y + near + 1, x - near : x + near + 1] - np.median(frame[y - far : y + far + 1, x - far : x + far + 1])
        dy, dx = np.mgrid[-near : near + 1, -near : near + 1]
        weight = window * np.exp(-(dx**2 + dy**2) / 8)
        centre = np.array([(weight * dx).sum(), (weight * dy).sum()]) / weight.sum()
        errors.append(centre - [star["x"] - x, star["y"] - y])
    assert len(errors) >= 3
    assert np.abs(np.median(errors, axis=0)).max() < 0.12


def test_borders_that_the_shifted_sensor_missed_are_zero(exposures: Exposures, plan: FramePlan) -> None:
    frame = picture(exposures.take(replace(plan, shift_x=5.5, shift_y=-3.5)))
    assert (frame[:, -6:] == 0).all()
    assert (frame[:4] == 0).all()
    assert (frame[10:-10, 10:-10] > 0).mean() > 0.999


@pytest.mark.parametrize(("shift", "kept"), [(0.0, 1.0), (0.5, 0.5)])
def test_sky_noise_is_the_shot_noise_of_the_sky(
    exposures: Exposures, scenario: Scenario, plan: FramePlan, shift: float, kept: float
) -> None:
    # interpolation half way between pixels averages two in each direction, and so leaves half of the noise
    unmoved = replace(plan, shift_x=shift, shift_y=shift)
    a, b = (picture(exposures.take(replace(unmoved, number=n)))[20:-20, 20:-20] for n in (100, 101))
    camera = scenario.camera
    for channel in range(3):
        difference = (a - b)[..., channel]
        sigma = 1.4826 * np.median(np.abs(difference - np.median(difference))) / np.sqrt(2)
        electrons = np.median(a[..., channel]) * camera.electrons_per_adu
        expected = np.sqrt((electrons + camera.read_noise**2) / FILTERS[channel]) / camera.electrons_per_adu
        assert sigma == pytest.approx(kept * expected, rel=0.15)


def test_bright_stars_reach_the_white_level_and_faint_sky_does_not(exposures: Exposures, plan: FramePlan) -> None:
    frame = exposures.take(plan)
    assert frame.max() == 65535
    assert np.median(frame) < 3000


def test_a_cloud_takes_starlight_and_adds_sky(exposures: Exposures, plan: FramePlan) -> None:
    clear = picture(exposures.take(plan))
    cloudy = picture(exposures.take(replace(plan, cloudy=True, transparency=0.3)))
    assert np.median(cloudy) > 1.1 * np.median(clear)
    assert np.percentile(cloudy[..., 1], 97) - np.median(cloudy[..., 1]) < np.percentile(clear[..., 1], 97) - np.median(clear[..., 1])


def test_a_trail_crosses_the_frame(exposures: Exposures, plan: FramePlan) -> None:
    without, with_trail = (picture(exposures.take(replace(plan, trails=n))) for n in (0, 1))
    added = np.clip(with_trail - without, 0, None)[..., 1]
    assert (added > 150).sum() > 100


def test_headers_tell_the_truth(exposures: Exposures, scenario: Scenario, plan: FramePlan) -> None:
    header = fits.Header()
    for key, value, comment in exposures.cards(plan):
        header[key] = (value, comment)
    assert header["EXPTIME"] == scenario.exposure_s
    assert header["DATE-OBS"].startswith(str(scenario.nights[0].date))
    del header["DATE-OBS"]  # the library would remark that it derives a further date
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"] = 2, *SIZE
    wcs = WCS(header)
    # image scale in arcsec per pixel = 206.265 x pixel (um) / focal length (mm): small-angle formula, 206265 arcsec to the radian
    scale = np.abs(np.diag(wcs.pixel_scale_matrix)) * 3600
    np.testing.assert_allclose(scale, 206.265 * scenario.camera.pixel_um / scenario.camera.focal_mm)
    centre = wcs.pixel_to_world((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
    assert (centre.ra.deg, centre.dec.deg) == (pytest.approx(scenario.target.ra), pytest.approx(scenario.target.dec))


# ---------------------------------------------------------------- the common grid
@settings(max_examples=30, deadline=None)
@given(st.floats(-6, 6), st.floats(-6, 6))
def test_moving_back_undoes_the_shift(shift_x: float, shift_y: float) -> None:
    y, x = np.mgrid[:40, :50].astype(np.float32)

    def scene(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 10 + np.sin(x / 6) + np.cos(y / 7)

    sensor = np.repeat(scene(x - np.float32(shift_x), y - np.float32(shift_y))[..., None], 3, 2)
    frame = _moved_back(sensor, shift_x, shift_y)
    covered = frame[..., 0] != 0
    expected = np.repeat(scene(x, y)[..., None], 3, 2)
    np.testing.assert_allclose(frame[covered], expected[covered], atol=8e-3)
    assert sliding_window_view(covered, (25, 35)).all(axis=(2, 3)).any()
