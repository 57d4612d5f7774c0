import math

import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.maths.registration import find_registration, registration_fault

SHAPE = (600, 800)
MIDDLE = np.array([399.5, 299.5])


def field(count=80, seed=1):
    return np.random.default_rng(seed).uniform([0, 0], [799, 599], (count, 2))


def star_list(places, seed=2, jitter=0.15, lost=0.2):
    """Measured places: jittered, some lost, some false, only those inside the frame."""
    rng = np.random.default_rng(seed)
    places = places + rng.normal(0, jitter, places.shape)
    places = places[rng.uniform(size=len(places)) > lost]
    places = places[(places >= 0).all(1) & (places[:, 0] <= 799) & (places[:, 1] <= 599)]
    return np.column_stack([places, np.linspace(100, 1, len(places)), np.ones(len(places))]).astype(np.float32)


def turned(places, degrees, shift=(0.0, 0.0), mirrored=False):
    offset = (places - MIDDLE) * ([-1, 1] if mirrored else [1, 1])
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return offset @ np.array([[c, s], [-s, c]]) + MIDDLE + shift


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.4, -0.3), (-1.5, 0.8)])
def test_registered_frames_are_recognised_with_their_small_shift(shift):
    found = find_registration(star_list(field() + shift, 3), star_list(field(), 4), SHAPE)
    assert found.shift == pytest.approx(shift, abs=0.1) and abs(found.rotation) < 0.05
    assert found.matched > 30 and not found.turned and not found.mirrored


@pytest.mark.parametrize("shift", [(-46.1, 2.9), (-11.4, 0.6), (120.0, -80.0)])
def test_shifts_are_found(shift):
    found = find_registration(star_list(field() + shift, 3), star_list(field(), 4), SHAPE)
    assert found.shift == pytest.approx(shift, abs=0.2) and abs(found.rotation) < 0.1


@pytest.mark.parametrize("degrees", [0.6, -3.0, 25.0, 90.0, -120.0])
def test_rotations_are_found(degrees):
    found = find_registration(star_list(turned(field(), degrees, (5, -7)), 3), star_list(field(), 4), SHAPE)
    assert found.rotation == pytest.approx(degrees, abs=0.05) and found.shift == pytest.approx((5, -7), abs=0.3)
    assert not found.turned


def test_a_frame_on_its_head_is_told():
    found = find_registration(star_list(turned(field(), 180, (3, 2)), 3), star_list(field(), 4), SHAPE)
    assert found.turned and not found.mirrored and found.matched > 30


def test_a_mirrored_frame_is_told():
    found = find_registration(star_list(turned(field(), 0, mirrored=True), 3), star_list(field(), 4), SHAPE)
    assert found.mirrored and not found.turned


def test_another_field_or_no_stars_match_nothing():
    assert find_registration(star_list(field(seed=9)), star_list(field()), SHAPE).matched == 0
    assert find_registration(np.zeros((0, 4)), star_list(field()), SHAPE).matched == 0


@pytest.mark.parametrize("count", [2, 3, 4, 6])
def test_few_stars_that_coincide_are_enough(count):
    places = field(count, 5)
    found = find_registration(star_list(places, 3, lost=0), star_list(places, 4, lost=0), SHAPE)
    assert found.matched >= count - 1 and math.hypot(*found.shift) < 0.5


def test_a_dense_field_does_not_match_by_chance():
    places = field(300, 6)
    found = find_registration(star_list(places + np.array([6.0, 4.0]), 3), star_list(places, 4), SHAPE)
    assert found.shift == pytest.approx((6, 4), abs=0.2)


# ---------------------------------------------------------------- words
@pytest.mark.parametrize(
    "places, words",
    [
        (field() + 0.2, ""),
        (field() + np.array([-24.3, 3.2]), "shifted by (-24."),
        (turned(field(), 180), "turned by 180 degrees"),
        (turned(field(), 0.4), "rotated by 0."),
        (turned(field(), 0, mirrored=True), "mirrored"),
        (field(seed=9), "its stars do not stand"),
        (np.zeros((0, 2)), "its stars do not stand"),
    ],
)
def test_faults_say_what_is_wrong(places, words):
    fault = registration_fault(find_registration(star_list(places, 3), star_list(field(), 4), SHAPE))
    assert fault.startswith(words) and bool(fault) == bool(words)


def test_the_tolerance_counts():
    found = find_registration(star_list(field() + 1.5, 3), star_list(field(), 4), SHAPE)
    assert "shifted" in registration_fault(found)
    assert not registration_fault(found, tolerance_px=3.0)
    with pytest.raises(ArgumentError, match="`tolerance_px`"):
        registration_fault(found, tolerance_px=0)
