"""Groups of similar seeing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layerblend.steps.stack.strata import make_strata


def test_strata_hold_frames_of_similar_seeing():
    fwhm = np.random.default_rng(0).permutation(np.concatenate([np.linspace(2.5, 2.7, 9), np.linspace(4.2, 4.8, 51)]))
    strata = make_strata(fwhm)
    groups = [fwhm[strata.members[a:b]] for a, b in zip(strata.edges[:-1], strata.edges[1:], strict=True)]
    assert sorted(np.concatenate(groups)) == sorted(fwhm)
    assert len(groups[0]) == 9
    assert all(g.max() / g.min() <= 1.2 for g in groups)


def test_a_few_far_sharper_frames_stand_alone():
    strata = make_strata(np.array([2.2] * 4 + [4.0] * 12))
    assert list(strata.edges) == [0, 4, 16]
    assert np.allclose(strata.tolerance, 0.05)


def test_one_outlier_stays_with_the_others_under_a_wide_tolerance():
    strata = make_strata(np.array([2.0, *[4.0] * 12]))
    assert list(strata.edges) == [0, 13]
    assert strata.tolerance[0] == pytest.approx(1.0)


def test_an_elongated_frame_widens_the_tolerance_of_its_group():
    """Axis ratio .76: (a - b)/(a + b) = .136, so two thirds of it; frames that share one elongation need none."""
    e, angle = np.zeros(12), np.zeros(12)
    e[3], angle[3] = 0.65, 30
    assert make_strata(np.full(12, 3.0), eccentricity=e, angle=angle).tolerance[0] == pytest.approx(0.0911, abs=1e-3)
    shared = make_strata(np.full(12, 3.0), eccentricity=np.full(12, 0.65), angle=np.full(12, 30.0))
    assert shared.tolerance[0] == pytest.approx(0.05)


def test_large_sets_are_cut_into_even_groups():
    strata = make_strata(np.full(600, 3.0))
    assert np.diff(strata.edges).max() <= 64
    assert np.diff(strata.edges).min() >= 59
    assert make_strata(np.full(3, np.nan)).edges[-1] == 3


@given(st.lists(st.floats(1.0, 12.0), min_size=1, max_size=300))
def test_strata_are_a_division_of_all_frames(widths):
    strata = make_strata(np.array(widths))
    assert sorted(strata.members) == list(range(len(widths)))
    assert strata.edges[0] == 0
    assert strata.edges[-1] == len(widths)
    assert (np.diff(strata.edges) >= 1).all()
