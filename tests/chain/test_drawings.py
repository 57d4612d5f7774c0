"""Pictures of what single steps did."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from layerblend.chain.drawings import rejection_png, split_png
from layerblend.chain.stacks import StackPass
from tests.scenes.layers import as_stack, plain_split, star_field


def test_the_split_is_drawn_as_a_png() -> None:
    light = star_field()
    assert split_png(light, plain_split(light)).startswith(b"\x89PNG")


def test_a_stack_without_counts_has_no_picture_of_what_was_rejected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("layerblend.chain.drawings.open_stack", lambda path: as_stack(star_field()))
    report: Any = SimpleNamespace(frames=())
    assert rejection_png(StackPass({"all": Path("all")}, report), name="all") is None
