"""Frames: each read and measured by itself, then graded and ranked against each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from layerblend.errors import InputError
from layerblend.files.frames import read_image
from layerblend.kinds import Array, FrameInfo, FrameMeasure, FrameTable
from layerblend.steps.grade import grade_frame, grade_table, shared_brightness, unmeasured_row
from layerblend.steps.rank import rank_frames


def grade_one(info: FrameInfo, *, white_level: float | None) -> FrameMeasure:
    """Read one frame and measure it; ``white_level`` is in ``info`` already and stands here for the key.

    A packed frame whose pixels turn out to be damaged has no stars and says why: one bad file of hundreds ends no night's work.
    """
    try:
        image = read_image(info)
    except InputError as error:
        if error.code != "damaged":
            raise
        nothing = np.full((info.height, info.width, info.channels), np.nan, np.float32)
        said = str(error).removeprefix(f"{info.path.name} ").split(". ")[0]  # how to mend it is no reason
        return replace(grade_frame(nothing if info.channels == 3 else nothing[..., 0]), words=(said,))
    return grade_frame(image)


def shared_stars(infos: Sequence[FrameInfo], measures: Sequence[FrameMeasure]) -> tuple[Array, float]:
    """How bright every frame shows the stars it shares with the others; kept, since matching them anew would hold up every new blend."""
    return shared_brightness(infos, measures)


def rank_table(
    infos: Sequence[FrameInfo],
    measures: Sequence[FrameMeasure],
    shared: tuple[Array, float],
    *,
    given: Mapping[str, Mapping[str, float]] | None,
    ranking: dict[str, Any],
    names: Sequence[str],
    left_out: Mapping[str, FrameInfo],
) -> FrameTable:
    """Grade all frames against each other, exclude and rank them; those that the recipe leaves out by name stand at the end."""
    ranked = rank_frames(grade_table(infos, measures, given=given, names=names, shared=shared), **ranking)
    named = (unmeasured_row(name, info, "named in exclude.files") for name, info in left_out.items())
    return replace(ranked, rows=(*ranked.rows, *named))
