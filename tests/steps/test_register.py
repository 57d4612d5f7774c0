import math
from pathlib import Path

import numpy as np
import pytest

from layerblend.errors import ArgumentError
from layerblend.kinds import FrameInfo, FrameMeasure, FrameRow
from layerblend.steps.register import check_registration, find_registration

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


# ---------------------------------------------------------------- the set
def row(name, stars):
    info = FrameInfo(Path(name), 0, *SHAPE, 1, False, 16, 1, 0, None, 0, False, 1.0, 60.0, "", "")
    measure = FrameMeasure(len(stars), 3, 3, 0, 0, 3, (0.1,), 1e-3, (1e-3,), stars, np.zeros((1, 1, 1), np.float32))
    return FrameRow(name, Path(name), info, measure, len(stars), 3, 3, 0, 0, 0.1, 0.1, 0.1, 1e-3, 20, 1, 1, "", 60.0)


def test_faults_name_the_frame_and_what_is_wrong():
    places = field()
    rows = [
        row("base.fits", star_list(places, 3)),
        row("good.fits", star_list(places + 0.2, 4)),
        row("moved.fits", star_list(places + np.array([-24.3, 3.2]), 5)),
        row("head.fits", star_list(turned(places, 180), 6)),
        row("tilted.fits", star_list(turned(places, 0.4), 7)),
        row("mirror.fits", star_list(turned(places, 0, mirrored=True), 8)),
        row("other.fits", star_list(field(seed=9), 9)),
        row("empty.fits", np.zeros((0, 4), np.float32)),
    ]
    faults = [answer.fault for answer in check_registration(rows)]
    assert faults[0] == "" and faults[1] == ""
    for fault, name, words in zip(
        faults[2:],
        ["moved", "head", "tilted", "mirror", "other", "empty"],
        ["shifted by", "turned by 180 degrees", "rotated by 0.", "mirrored", "same stars", "same stars"],
        strict=True,
    ):
        assert fault.startswith(f"{name}.fits ") and "base.fits" in fault
        assert words in fault
    assert "(-24." in faults[2]


def test_any_frame_can_be_the_reference_and_the_tolerance_counts():
    places = field()
    rows = [row("a.fits", star_list(places + 1.5, 3)), row("b.fits", star_list(places, 4))]
    assert "shifted" in check_registration(rows, reference=1)[0].fault
    assert not check_registration(rows, reference=1, tolerance_px=3.0)[0].fault
    with pytest.raises(ArgumentError, match="`tolerance_px`"):
        check_registration(rows, tolerance_px=0)
