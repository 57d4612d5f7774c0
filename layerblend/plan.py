"""Recipe -> graph: the whole way from frames to the picture and its half-sets, on one page.

Each node is (name, function, own settings, names of its inputs). Its key follows from these alone, so a changed role runs again only
what depends on it. The functions are in `layerblend.chain`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from layerblend import chain
from layerblend.engine.graph import Graph, Node
from layerblend.kinds import FrameInfo
from layerblend.recipe.schema import Recipe, StackSpec

STEPS = ("grade", "stack", "flatten", "white", "split", "detail", "colour", "combine", "stars", "result")
HALVES = ("a", "b")


@dataclass(frozen=True)
class Sources:
    """What the recipe's files are: frames with the key of their content, finished stacks likewise, the user's own measurements."""

    frames: tuple[FrameInfo, ...] = ()
    frame_keys: tuple[str, ...] = ()
    stack_files: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)
    stack_keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    given: Mapping[str, Mapping[str, float]] | None = None
    catalogue: Any = None


@dataclass(frozen=True)
class StackRun:
    """How frames are combined; never enters a key except for what changes pixels."""

    build: Callable[..., Any]


def build_graph(recipe: Recipe, sources: Sources, stack_frames: Callable[..., Any], map_frames: Callable[..., Any]) -> Graph:
    """The graph of one recipe. ``stack_frames`` runs the one pass with this run's workers, ``map_frames`` grades in parallel."""
    nodes: list[Node] = []
    if sources.frames:
        nodes += _frame_nodes(recipe, sources, stack_frames, map_frames)
    nodes += _stack_nodes(recipe, sources)
    nodes += _light_nodes(recipe, sources)
    nodes += _layer_nodes(recipe)
    nodes += _picture_nodes(recipe)
    nodes += _half_nodes(recipe)
    nodes += _plain_nodes(recipe)
    return Graph(nodes)
