"""Values survive being taken apart and put together, types and bytes included."""

import json
import math
from collections import namedtuple
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from layerblend.engine.values import Reader, UnkeepableError, UnreadableError, Writer, maps_in
from layerblend.kinds import Curve, FrameInfo, Shape
from tests.engine.toys import Pair, Picture

PACKAGES = ("layerblend", "tests")


def same(one: Any, two: Any) -> bool:
    """Equal in type, structure and every byte of every array; NaN equals NaN."""
    if isinstance(one, np.ndarray) and isinstance(two, np.ndarray):
        return one.dtype == two.dtype and one.shape == two.shape and one.tobytes() == two.tobytes()
    if type(one) is not type(two):
        return False
    if isinstance(one, float):
        return one == two or (math.isnan(one) and math.isnan(two))
    if isinstance(one, np.generic):
        return bool(one.dtype == two.dtype) and one.tobytes() == two.tobytes()
    if isinstance(one, list | tuple):
        return len(one) == len(two) and all(same(a, b) for a, b in zip(one, two, strict=True))
    if isinstance(one, dict):
        return list(one) == list(two) and all(same(inner, two[key]) for key, inner in one.items())
    if is_dataclass(one) and not isinstance(one, type):
        return all(same(getattr(one, item.name), getattr(two, item.name)) for item in fields(one))
    return bool(one == two)


def there_and_back(value: Any, folder: Path = Path("/nowhere")) -> Any:
    writer = Writer(folder, PACKAGES)
    tree = json.loads(json.dumps(writer.tree(value)))
    return Reader(writer.arrays.__getitem__, lambda name: np.load(folder / name), folder, PACKAGES).value(tree)


LEAVES = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text()
    | st.binary(max_size=20)
    | st.builds(Path, st.text("ab/.", max_size=5))
    | hnp.arrays(
        st.sampled_from(["f4", ">f4", "f8", "u2", "i8", "?", "c8"]), hnp.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=4)
    )
    | hnp.from_dtype(np.dtype("f4"))
    | st.builds(Shape, *[st.floats()] * 5)
    | st.builds(Curve, *[st.floats()] * 5)
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.tuples(inner, inner)
        | st.dictionaries(st.text(max_size=3) | st.integers(), inner, max_size=3)
        | st.builds(Pair, inner, inner)
        | st.builds(Picture, inner, st.text(max_size=3), inner)
    ),
    max_leaves=8,
)


@examples(max_examples=60, deadline=None)
@given(VALUES)
def test_any_value_survives(value: Any) -> None:
    assert same(there_and_back(value), value)


@pytest.mark.parametrize(
    "value", [{1, 2}, frozenset({"a"}), {"~": 1}, {"~": "tuple", "items": []}, {(1, 2): "x"}, np.datetime64("2026-01-01")]
)
def test_odd_values_survive(value: Any) -> None:
    assert there_and_back(value) == value


@pytest.mark.parametrize("rows", [2, 2000], ids=["inline", "file"])
def test_arrays_come_back_in_c_order_and_writeable(rows: int) -> None:
    array = np.arange(rows * 3.0).reshape(rows, 3)
    for turned in (np.asfortranarray(array), array[::-1], array[:, ::2]):
        back = there_and_back(turned)
        assert back.flags.c_contiguous
        assert back.flags.writeable
        assert same(back, turned)


def test_records_within_arrays_survive() -> None:
    table = np.array([(1, 2.5), (3, 4.5)], [("n", "i4"), ("v", "f8")])
    assert same(there_and_back(table), table)


def test_frame_records_survive() -> None:
    info = FrameInfo(Path("a.fits"), 0, 4, 5, 3, True, 16, 1.0, 32768.0, None, 2880, False, 65535.0, 60.0, None, "L", (("A", 1, ""),))
    assert there_and_back(info) == info


Outside = namedtuple("Outside", "x")


@pytest.mark.parametrize(
    "value",
    [object(), len, np.array([object()]), np.ma.masked_array([1.0]), [lambda: 1], type, 1j],
    ids=["object", "function", "object array", "masked array", "lambda", "type", "complex"],
)
def test_what_cannot_be_kept_is_told(value: Any) -> None:
    with pytest.raises(UnkeepableError, match="cannot be kept"):
        Writer(None, PACKAGES).tree(value)


def test_records_of_other_packages_are_neither_kept_nor_read() -> None:
    with pytest.raises(UnkeepableError, match="its package is none of layerblend"):
        Writer().tree(Outside(1))
    tree = Writer(None, PACKAGES).tree(Pair(1, 2))
    with pytest.raises(UnreadableError, match="no known package"):
        Reader(lambda number: None, lambda name: None, Path()).value(tree)
    with pytest.raises(UnreadableError, match="no known package"):
        Reader(lambda number: None, lambda name: None, Path()).value({"~": "record", "type": "os:system", "fields": {}})


@pytest.mark.parametrize(
    "tree",
    [
        {"~": "record", "type": "layerblend.kinds:Curve", "fields": {"p": 1}},
        {"~": "record", "type": "layerblend.kinds:Gone", "fields": {}},
        {"~": "record", "type": "layerblend.gone:Curve", "fields": {}},
        {"~": "record", "type": "layerblend.kinds:working_luminance", "fields": {}},
        {"~": "named", "type": "layerblend.kinds:Shape", "items": [1]},
        {"~": "nothing known"},
        {"~": "tuple"},
    ],
)
def test_a_record_that_has_changed_is_not_guessed_at(tree: Any) -> None:
    with pytest.raises(UnreadableError):
        Reader(lambda number: None, lambda name: None, Path()).value(tree)


def test_mapped_files_of_the_work_folder_are_not_written_again(tmp_path: Path) -> None:
    made = np.lib.format.open_memmap(tmp_path / "a.npy", mode="w+", dtype="f4", shape=(400, 50))
    made[:] = 7
    writer = Writer(tmp_path, PACKAGES)
    writer.tree([made, np.asarray(made), tmp_path / "b.txt", Path("/elsewhere")])
    assert not writer.arrays
    assert writer.inside == ["a.npy", "a.npy", "b.txt"]
    assert same(there_and_back(np.asarray(made), tmp_path), np.full((400, 50), 7, np.float32))


def test_parts_and_changed_copies_of_mapped_files_are_written(tmp_path: Path) -> None:
    made = np.lib.format.open_memmap(tmp_path / "a.npy", mode="w+", dtype="f4", shape=(400, 50))
    made.flush()
    changed = np.load(tmp_path / "a.npy", mmap_mode="c")
    changed[0] = 1
    writer = Writer(tmp_path, PACKAGES)
    for part in (made[1:], made[:, ::2], made.T, made.view("i4"), made.reshape(50, 400), changed):
        writer.tree(part)
    assert len(writer.arrays) == 6
    assert not writer.inside
    elsewhere = Writer(tmp_path / "other", PACKAGES)
    elsewhere.tree(made)
    assert len(elsewhere.arrays) == 1


def test_maps_are_found_behind_views_in_values_of_every_kind(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", np.zeros((3, 20, 30), "f4"))
    mapped = np.load(tmp_path / "a.npy", mmap_mode="c")
    view = np.moveaxis(np.asarray(mapped)[:, ::-1], 0, 2)  # as planes of a file become a picture
    own = np.zeros(3)
    values: list[Any] = [mapped, view, [own, view], {"a": (view, 1, "x")}, Pair(view, own), Picture(view, "text")]
    for value in values:
        assert list(maps_in(value)) == [mapped.base], value
    assert not list(maps_in([own, own[1:], None, 3, Picture, np.frombuffer(b"12345678")]))
