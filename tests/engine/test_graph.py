"""The graph is checked when it is put together, before anything runs."""

import os.path
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from layerblend.engine.graph import Graph, GraphError, Node
from tests.engine import toys


def one(**settings: Any) -> float:
    return float(len(settings))


def chain() -> list[Node]:
    return [
        Node("sum", toys.add, inputs={"left": "a", "right": "b"}),
        Node("a", toys.scale, {"factor": 2}, ("source",)),
        Node("b", toys.scale, {"factor": 3}, ("source",)),
        Node("source", toys.source, {"seed": 1}),
    ]


def test_nodes_come_in_an_order_in_which_they_can_run() -> None:
    names = [node.name for node in Graph(chain())]
    assert names.index("source") < names.index("a") < names.index("sum")
    assert Graph(chain()).upstream("a") == ("source", "a")
    assert len(Graph(chain())) == 4
    assert "a" in Graph(chain())


def test_two_of_one_name() -> None:
    with pytest.raises(GraphError, match="Two nodes are called 'a'"):
        Graph([*chain(), Node("a", toys.source, {"seed": 2})])


def test_unknown_input_names_the_nearest() -> None:
    with pytest.raises(GraphError, match=r"'sum' takes 'sourze'.*Is 'source' meant"):
        Graph([Node("source", toys.source, {"seed": 1}), Node("sum", toys.scale, {"factor": 1}, ("sourze",))])
    with pytest.raises(GraphError, match=r"No node is called 'summ'\. Is 'sum' meant"):
        Graph(chain())["summ"]


def test_circle_is_named() -> None:
    with pytest.raises(GraphError, match=r"circle: .*a.* <- .*b"):
        Graph([Node("a", toys.scale, {"factor": 1}, ("b",)), Node("b", toys.scale, {"factor": 1}, ("a",))])


@pytest.mark.parametrize("value", [Path("x"), object(), float("nan"), {1: 2}, np.zeros(3), {"a": [Path("x")]}])
def test_settings_are_plain_data(value: Any) -> None:
    with pytest.raises(GraphError, match="Settings of node 'a' are no plain data"):
        Graph([Node("a", one, {"value": value})])


@pytest.mark.parametrize(
    ("node", "words"),
    [
        (Node("a", toys.source, {"sed": 1}), "cannot be called"),
        (Node("a", toys.source), "missing a required"),
        (Node("a", toys.source, {"seed": 1}, wants_folder=True), "folder"),
        (Node("a", toys.source, {"seed": 1}, execution={"seed": 2}), "gives seed twice"),
    ],
)
def test_calls_that_cannot_work_are_found_early(node: Node, words: str) -> None:
    with pytest.raises(GraphError, match=words):
        Graph([node])


def test_a_function_may_be_named_and_is_imported_when_it_runs() -> None:
    node = Node("a", "os.path:join", inputs=("x",))
    assert node.callable() is os.path.join
    Graph([Node("x", toys.source, {"seed": 1}), Node("a", "no.such.module:here", inputs=("x",))])


def test_inputs_by_place_by_name_and_in_groups() -> None:
    values = {"a": 1, "b": 2}.__getitem__
    assert Node("n", one, {"s": 9}, ("a", "b")).arguments(values) == ((1, 2), {"s": 9})
    node = Node("n", one, {"s": 9}, {"both": ("a", "b"), "left": "a"}, execution={"workers": 4})
    assert node.arguments(values) == ((), {"both": (1, 2), "left": 1, "s": 9, "workers": 4})
    assert node.needs == ("a", "b")
