"""Pictures of what single steps did, as PNG."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from threading import Lock
from typing import Any

from layerblend.files.stacks import open_stack
from layerblend.kinds import FrameTable, LinearRGB, Stack
from layerblend.steps.flatten import Flattened
from layerblend.steps.rank import kept_count
from layerblend.steps.split import Split

from .stacks import StackPass, native

_drawing = Lock()


@contextlib.contextmanager
def _plots() -> Iterator[Any]:
    """The drawing of plots, one at a time (matplotlib's fonts and settings belong to everybody), loaded when one is drawn: it takes a tenth
    of the time of a new blend."""
    with _drawing:
        from layerblend.report import plots

        yield plots


def grade_png(table: FrameTable, *, shares: Mapping[str, float], title: str, left_out: Sequence[str]) -> bytes:
    """The frames night by night and their ranking, as a PNG; frames ``left_out`` by name are in the table and stand here for the key."""
    kept = {name: kept_count(share, len(table.used)) for name, share in shares.items() if table.used}
    with _plots() as plots:
        return bytes(plots.grade_report(table, kept=kept, title=title))


def flatten_png(stack: Stack, sky: Flattened) -> bytes:
    """What flattening did, as a PNG."""
    samples = sky.samples
    places = {name: samples[name] for name in ("x", "y", "residual", "used")}
    with _plots() as plots:
        return bytes(plots.flatten_picture(native(stack.mean), sky.model, **places, sigma=list(sky.sigma)))


def split_png(linear: LinearRGB, split: Split) -> bytes:
    """What star separation did, as a PNG."""
    with _plots() as plots:
        return bytes(plots.split_picture(linear, split.starless, split.stars, split.mask))


def rejection_png(stacks: StackPass, *, name: str) -> bytes | None:
    """Where samples were rejected and which frames lost most, as a PNG; None for a stack without counts."""
    stack = open_stack(stacks.paths[name])
    if stack.rejected is None or stack.count is None:
        return None
    rows = [(row["file"], row["rejected"]) for row in stacks.report.frames]
    with _plots() as plots:
        return bytes(plots.rejection_picture(stack.rejected, stack.count, frames=rows))
