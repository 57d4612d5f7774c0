from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layerblend.errors import ArgumentError
from layerblend.kinds import FrameInfo, FrameMeasure, FrameRow, FrameTable
from layerblend.steps.rank import kept_count, rank_frames


def row(file="a.fits", **values):
    info = FrameInfo(Path(file), 0, 10, 10, 1, False, 16, 1, 0, None, 0, False, 1.0, 60.0, "", "")
    nothing = np.zeros((0, 4), np.float32)
    measure = FrameMeasure(100, 3, 3, 0.3, 0, 3, (0.1,), 1e-3, (1e-3,), nothing, np.zeros((1, 1, 1), np.float32))
    base = FrameRow(file, Path(file), info, measure, 100, 3.0, 3.1, 0.3, 0.0, 0.1, 0.1, 0.1, 1e-3, 20.0, 1.0, 1.0, "2024-01-01", 60.0)
    return replace(base, **values)


def names(table):
    return [r.file for r in table]


def test_sharpest_stand_first_and_equals_in_natural_order():
    table = FrameTable((row("f10.fits"), row("f9.fits"), row("f2.fits", fwhm_major=2.5), row("f1.fits", fwhm_major=4.0)))
    assert names(rank_frames(table)) == ["f2.fits", "f9.fits", "f10.fits", "f1.fits"]


def test_raised_figures_in_names_are_no_numbers():
    assert names(rank_frames(FrameTable((row("M51_10²3.fits"), row("M51_9²3.fits"))))) == ["M51_9²3.fits", "M51_10²3.fits"]


def test_snr_descends_and_a_minus_reverses():
    table = FrameTable((row("a", snr=10), row("b", snr=30), row("c", snr=20)))
    assert names(rank_frames(table, rank_by="snr")) == ["b", "c", "a"]
    assert names(rank_frames(table, rank_by="-snr")) == ["a", "c", "b"]
    assert names(rank_frames(table, rank_by="-fwhm")) == ["a", "b", "c"]


@pytest.mark.parametrize("column", ["snr", "stars", "transparency"])
def test_of_these_columns_more_is_better(column):
    table = FrameTable((row("a", **{column: 0.6}), row("b", **{column: 0.9}), row("c", **{column: 0.8})))
    assert names(rank_frames(table, rank_by=column, min_stars=None)) == ["b", "c", "a"]


def test_dates_rank_both_ways_and_unknown_ones_come_last():
    table = FrameTable((row("a", date=""), row("b", date="2024-03-02"), row("c", date="2024-01-10"), row("d", date="2024-03-02")))
    assert names(rank_frames(table, rank_by="date")) == ["c", "b", "d", "a"]
    assert names(rank_frames(table, rank_by="-date")) == ["b", "d", "c", "a"]


def test_a_measured_column_of_the_user_ranks_and_missing_values_come_last():
    table = FrameTable((row("a", extra={"score": 3.0}), row("b", extra={"score": 1.0}), row("c")))
    assert names(rank_frames(table, rank_by="score")) == ["b", "a", "c"]
    assert names(rank_frames(table, rank_by="-score")) == ["a", "b", "c"]
    unknown = FrameTable((row("a", fwhm_major=float("nan")), row("b", fwhm_major=4.0), row("c", fwhm_major=3.0)))
    assert names(rank_frames(unknown)) == ["c", "b", "a"]
    assert names(rank_frames(unknown, rank_by="-fwhm_major")) == ["b", "c", "a"]


def test_an_unknown_column_is_refused_with_the_known_ones():
    with pytest.raises(ArgumentError, match=r"fwhm_major.*got 'sharpness'"):
        rank_frames(FrameTable((row(),)), rank_by="sharpness")


@pytest.mark.parametrize(
    "values, limits, reason",
    [
        ({"eccentricity": 0.81}, {}, "eccentricity .81 above .75"),
        ({"eccentricity": 0.7503}, {}, "eccentricity .7503 above .75"),
        ({"stars": 30}, {}, "30 stars, below 40% of the median 100"),
        ({"fwhm_major": 5.2}, {"max_fwhm": 4.5}, "fwhm_major 5.20 px above 4.5 px"),
        ({"transparency": 0.4}, {"min_transparency": 0.6}, "transparency .40 below .60"),
        ({"sky_r": 0.3, "sky_g": 0.3, "sky_b": 0.3}, {"max_sky": 0.2}, "sky 0.3 above 0.2"),
        ({"sky_r": 0.1, "sky_g": 0.3, "sky_b": 0.2}, {"max_sky": 0.2}, "sky 0.225 above 0.2"),
    ],
)
def test_each_limit_has_its_reason_and_the_frame_goes_to_the_end(values, limits, reason):
    table = FrameTable((row("bad.fits", **values), row("a.fits", fwhm_major=4.0), row("b.fits", fwhm_major=4.2)))
    ranked = rank_frames(table, **limits)
    assert names(ranked)[-1] == "bad.fits" and ranked[-1].excluded == reason
    assert [r.file for r in ranked.used] == ["a.fits", "b.fits"]
    assert f"1 of 3 frames left out: bad.fits ({reason})" in ranked.words


def test_of_many_left_out_the_first_are_named():
    table = FrameTable((*(row(f"{n}", eccentricity=0.9) for n in range(5)), row("good")))
    assert rank_frames(table).words == (
        "5 of 6 frames left out: 0 (eccentricity .90 above .75), 1 (eccentricity .90 above .75), 2 (eccentricity .90 above .75) and 2 more",
    )


def test_all_reasons_are_told_and_limits_can_be_lifted():
    table = FrameTable((row("a", eccentricity=0.9, stars=10), row("b"), row("c")))
    assert rank_frames(table)[-1].excluded == "eccentricity .90 above .75; 10 stars, below 40% of the median 100"
    assert not rank_frames(table, max_eccentricity=None, min_stars=None)[0].excluded


def test_frames_without_stars_keep_their_reason_and_do_not_lower_the_median():
    """The median of 100 and 30 is 65, .4 of it 26; that of 0, 30 and 100 would be 30, .4 of it 12."""
    table = FrameTable((row("a", stars=0, excluded="no stars: clouds"), row("b"), row("c", stars=30)))
    ranked = rank_frames(table)
    assert ranked[-1].excluded == "no stars: clouds"
    assert len(ranked.used) == 2
    assert rank_frames(table, min_stars=0.5)[-1].excluded == "30 stars, below 50% of the median 65"
    assert rank_frames(FrameTable((row("b"), row("c", stars=40), row("d"))))[-1].excluded == ""


def test_earlier_exclusions_by_limits_are_judged_anew():
    once = rank_frames(FrameTable((row("a", eccentricity=0.8), row("b"))))
    assert not rank_frames(once, max_eccentricity=0.9)[-1].excluded


def test_words_tell_of_an_empty_set():
    ranked = rank_frames(FrameTable((row("a", eccentricity=0.9),)))
    assert any("no frame is left" in word for word in ranked.words)


def test_limits_outside_their_range_are_refused():
    for wrong in ({"max_eccentricity": 1.5}, {"min_stars": -1}, {"max_fwhm": -2}, {"min_transparency": -0.1}):
        with pytest.raises(ArgumentError, match=f"`{next(iter(wrong))}`"):
            rank_frames(FrameTable((row(),)), **wrong)


# ---------------------------------------------------------------- counts
@pytest.mark.parametrize(
    "keep, n, count", [(0.25, 48, 12), (0.25, 3, 1), (0.25, 1, 1), (0.5, 5, 3), (0.75, 2, 2), (1.0, 7, 7), (0.01, 20, 1)]
)
def test_kept_count(keep, n, count):
    assert kept_count(keep, n) == count


@given(st.floats(0.001, 1.0), st.floats(0.001, 1.0), st.integers(1, 700))
def test_stacks_nest(small, large, n):
    small, large = min(small, large), max(small, large)
    assert 1 <= kept_count(small, n) <= kept_count(large, n) <= n


def test_a_share_outside_its_range_is_refused():
    for keep in (0.0, 1.01, -0.3):
        with pytest.raises(ArgumentError, match="`keep`"):
            kept_count(keep, 10)
