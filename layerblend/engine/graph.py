"""The run as an explicit graph: named pure functions, each with its own settings and the names of what it takes."""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Any

from layerblend.engine import edges
from layerblend.engine.keys import canonical

Inputs = Mapping[str, str | tuple[str, ...]] | tuple[str, ...]


class GraphError(ValueError):
    """The graph cannot be run as it was put together; the sentence names the node."""


@dataclass(frozen=True)
class Node:
    """One step of the run.

    Parameters
    ----------
    name : str
        What others call its result by; unique in the graph.
    function : callable or str
        A pure function, or ``"package.module:name"``, which is imported only when the node runs.
    settings : mapping
        Keyword arguments that shape the result. Plain data (numbers, texts, lists, groups); they enter the key.
    inputs : tuple of names, or mapping from argument to a name or a tuple of names
        Results of other nodes: a tuple is passed by position, a mapping by keyword; a tuple of names arrives as a tuple of values.
    version : int
        Raised by hand whenever the same settings and inputs give another result.
    keep : bool
        Whether the result goes into the store; leave it out for what is quickly made.
    wants_folder : bool
        The function gets ``folder=``, a work folder of its own which a later run of the same node finds as this one left it.
    files : tuple of paths
        Files that the function reads; they enter the key by content, not by name, place or date.
    execution : mapping
        Keyword arguments that cannot change the result: paths of the files, workers, progress. They never enter the key.
    step : str
        The step's name in the key; the node's own name when empty. Nodes that do the same work share it under one step name.
    parallel : bool
        May run in the runner's executor: the function and what it takes and gives can be pickled.
    priority : int
        When the store is full, lower numbers go first.
    """

    name: str
    function: Callable[..., Any] | str
    settings: Mapping[str, Any] = field(default_factory=dict)
    inputs: Inputs = ()
    version: int = 1
    keep: bool = True
    wants_folder: bool = False
    files: tuple[Path, ...] = ()
    execution: Mapping[str, Any] = field(default_factory=dict)
    step: str = ""
    parallel: bool = False
    priority: int = 0

    @property
    def needs(self) -> tuple[str, ...]:
        """Names of the nodes whose results this one takes, each once."""
        named = self.inputs.values() if isinstance(self.inputs, Mapping) else self.inputs
        flat = (name for entry in named for name in ((entry,) if isinstance(entry, str) else entry))
        return tuple(dict.fromkeys(flat))

    @property
    def step_name(self) -> str:
        """The name that enters the key."""
        return self.step or self.name

    def callable(self) -> Callable[..., Any]:
        """The function itself, imported now if it was given by name."""
        if not isinstance(self.function, str):
            return self.function
        module, _, name = self.function.partition(":")
        function: Callable[..., Any] = getattr(importlib.import_module(module), name)
        return function

    def arguments(self, value_of: Callable[[str], Any]) -> tuple[tuple[Any, ...], dict[str, Any]]:
        """Positional and keyword arguments, with ``value_of`` giving the results of other nodes (the folder is the runner's)."""

        def fetch(entry: str | tuple[str, ...]) -> Any:
            return value_of(entry) if isinstance(entry, str) else tuple(value_of(name) for name in entry)

        keywords = {**self.settings, **self.execution}
        if isinstance(self.inputs, Mapping):
            return (), {**{argument: fetch(entry) for argument, entry in self.inputs.items()}, **keywords}
        return tuple(fetch(name) for name in self.inputs), keywords


class Graph:
    """Nodes by name, checked when put together: names unique and known, no circles, settings plain data, calls and kinds that fit."""

    def __init__(self, nodes: Iterable[Node]) -> None:
        self._nodes: dict[str, Node] = {}
        for node in nodes:
            if node.name in self._nodes:
                raise GraphError(f"Two nodes are called {node.name!r}.")
            self._nodes[node.name] = node
        for node in self._nodes.values():
            self._check(node)
        for node in self._nodes.values():
            self._check_kinds(node)
        try:
            self._order = tuple(TopologicalSorter({node.name: node.needs for node in self._nodes.values()}).static_order())
        except CycleError as error:
            raise GraphError(f"Nodes wait for one another in a circle: {' <- '.join(error.args[1])}.") from None

    def _check(self, node: Node) -> None:
        for name in node.needs:
            if name not in self._nodes:
                raise GraphError(f"Node {node.name!r} takes {name!r}, which no node makes.{self.hint(name)}")
        try:
            canonical(node.settings)
        except (TypeError, ValueError) as error:
            raise GraphError(f"Settings of node {node.name!r} are no plain data: {error}") from None
        if not isinstance(node.function, str):
            _check_signature(node)

    def _check_kinds(self, node: Node) -> None:
        """What flows along an edge is what the step takes, as far as annotations tell."""
        if isinstance(node.function, str):
            return
        by_place, by_name, rest = edges.takes(node.function)
        if isinstance(node.inputs, Mapping):
            wanted = [(entry, by_name.get(argument)) for argument, entry in node.inputs.items()]
        else:
            wanted = [(name, by_place[index] if index < len(by_place) else rest) for index, name in enumerate(node.inputs)]
        for entry, kinds in wanted:
            maker = self._nodes[entry].function if isinstance(entry, str) else tuple
            given = frozenset({tuple}) if maker is tuple else None if isinstance(maker, str) else edges.gives(maker)
            if given and kinds and not edges.fits(given, kinds):
                raise GraphError(f"Node {node.name!r} takes {edges.named(kinds)} from {entry!r}, which gives {edges.named(given)}.")

    def __getitem__(self, name: str) -> Node:
        try:
            return self._nodes[name]
        except KeyError:
            raise GraphError(f"No node is called {name!r}.{self.hint(name)}") from None

    def __contains__(self, name: object) -> bool:
        return name in self._nodes

    def __iter__(self) -> Iterator[Node]:
        """Nodes in an order in which they can run."""
        return (self._nodes[name] for name in self._order)

    def __len__(self) -> int:
        return len(self._nodes)

    def hint(self, name: str) -> str:
        """' Is NAME meant?' with the nearest known name, or nothing."""
        near = get_close_matches(name, self._nodes, 1)
        return f" Is {near[0]!r} meant?" if near else ""

    def upstream(self, *names: str) -> tuple[str, ...]:
        """These nodes and all that they come from, in an order in which they can run."""
        wanted: set[str] = set()
        open_names = [self[name].name for name in names]
        while open_names:
            name = open_names.pop()
            if name not in wanted:
                wanted.add(name)
                open_names += self[name].needs
        return tuple(name for name in self._order if name in wanted)


def _check_signature(node: Node) -> None:
    """A call that cannot work is found when the graph is made, not after an hour."""
    try:
        signature = inspect.signature(node.function)  # type: ignore[arg-type]
    except (TypeError, ValueError):  # compiled functions may have none
        return
    places, keywords = node.arguments(lambda name: None)
    try:
        signature.bind(*places, **keywords, **({"folder": None} if node.wants_folder else {}))
    except TypeError as error:
        raise GraphError(f"The function of node {node.name!r} cannot be called so: {error}.") from None
    doubled = sorted(set(node.settings) & set(node.execution)) + (
        sorted(set(node.inputs) & {*node.settings, *node.execution}) if isinstance(node.inputs, Mapping) else []
    )
    if doubled:
        raise GraphError(f"Node {node.name!r} gives {', '.join(doubled)} twice.")
