"""Sizes that the kernels rely on."""

from __future__ import annotations

from layerblend.steps.stack.sizes import CELL, GROUP, LANE, LIMIT, NO_DATA, STRIP


def test_strips_and_cells_fill_a_lane_without_rest() -> None:
    assert LANE % STRIP == 0 and LANE % CELL == 0


def test_a_group_holds_as_many_frames_of_either_half() -> None:
    assert GROUP == 6  # the kernel adds three and three, by name


def test_missing_data_lie_beyond_the_limit() -> None:
    assert NO_DATA > LIMIT
