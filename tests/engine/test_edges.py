"""Kinds along an edge are compared as far as annotations tell, and no further."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, TypeVar

import numpy as np
import pytest
from numpy.typing import NDArray
from typing_extensions import TypeAliasType

from layerblend.engine.edges import fits, gives, named, takes
from layerblend.engine.graph import Graph, GraphError, Node
from layerblend.kinds import Curve, DisplayRGB, LinearImage, Mask, StarShape


def make_curve() -> Curve:
    return Curve(0, 1, 1, 1, 1)


def make_curve_perhaps() -> Curve | None:
    return None


def make_image() -> LinearImage:
    return np.zeros((2, 2), np.float32)


def make_anything() -> Any:
    return None


def use_curve(curve: Curve, *more: StarShape) -> float:
    return curve.p


def use_image(image: DisplayRGB) -> Mask:
    return image > 0


def use_names(names: Sequence[str], *, mask: Mask | None = None) -> None:
    return None


def broken_hints(image: "Nothing") -> "Nothing":  # type: ignore[name-defined]  # noqa: F821
    return image


@pytest.mark.parametrize(
    ("function", "kinds"),
    [
        (make_curve, {Curve}),
        (make_curve_perhaps, {Curve}),
        (make_image, {np.ndarray}),
        (make_anything, None),
        (use_names, None),
        (broken_hints, None),
        (len, None),
    ],
)
def test_what_a_function_gives(function: Any, kinds: Any) -> None:
    assert gives(function) == kinds


def test_what_a_function_takes() -> None:
    assert takes(use_curve) == ([{Curve}], {"curve": {Curve}}, {StarShape})
    assert takes(use_names)[1] == {"names": {Sequence}, "mask": {np.ndarray}}
    assert takes(broken_hints) == ([None], {"image": None}, None)


def test_fitting() -> None:
    assert fits(frozenset({int}), frozenset({float}))
    assert fits(frozenset({tuple}), frozenset({Sequence}))
    assert fits(frozenset({Curve, int}), frozenset({Curve}))
    assert fits(None, frozenset({Curve}))
    assert not fits(frozenset({str}), frozenset({Path, int}))
    assert named(frozenset({str, Path})) == "Path or str"


def test_a_graph_whose_edges_do_not_fit_is_refused() -> None:
    curve, image = Node("curve", make_curve), Node("image", make_image)
    Graph([curve, image, Node("a", use_curve, inputs=("curve",)), Node("b", use_image, inputs={"image": "image"})])
    Graph([Node("x", make_anything), Node("a", use_curve, inputs=("x",))])
    with pytest.raises(GraphError, match="'a' takes Curve from 'image', which gives ndarray"):
        Graph([curve, image, Node("a", use_curve, inputs=("image",))])
    with pytest.raises(GraphError, match="'a' takes StarShape from 'image'"):
        Graph([curve, image, Node("a", use_curve, inputs=("curve", "image"))])
    with pytest.raises(GraphError, match="'b' takes ndarray from 'curve'"):
        Graph([curve, Node("b", use_image, inputs={"image": "curve"})])
    with pytest.raises(GraphError, match=r"'b' takes ndarray from \('image',\), which gives tuple"):
        Graph([image, Node("b", use_image, inputs={"image": ("image",)})])


def test_annotated_arrays_are_arrays() -> None:
    def make() -> Annotated[NDArray[np.float32], "(H, W)"]:
        return np.zeros((1, 1), np.float32)

    assert gives(make) == {np.ndarray}


def test_a_named_hint_stands_for_what_it_names() -> None:
    """numpy's NDArray is one from 2.5 on."""
    item = TypeVar("item")
    plain, general = TypeAliasType("plain", Curve | None), TypeAliasType("general", list[item], type_params=(item,))

    def make() -> plain:  # type: ignore[valid-type]
        return None

    def make_list() -> general[Curve]:  # type: ignore[valid-type]
        return []

    make.__annotations__["return"], make_list.__annotations__["return"] = plain, general[Curve]  # type: ignore[index]
    assert gives(make) == {Curve} and gives(make_list) == {list}
