"""Keys: what changes a result changes the key, nothing else does; files count by content."""

import hashlib
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from layerblend.engine.keys import SETTLED_NS, FileKeys, canonical, content_key, node_key
from layerblend.engine.notes import Notes
from layerblend.errors import InputError

SETTINGS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)
GROUPS = st.dictionaries(st.text(min_size=1, max_size=6), SETTINGS, max_size=5)


@examples(max_examples=60, deadline=None)
@given(GROUPS)
def test_order_of_settings_does_not_matter(settings: dict[str, Any]) -> None:
    turned = dict(reversed(settings.items()))
    assert node_key("step", 1, settings, []) == node_key("step", 1, turned, [])


@examples(max_examples=60, deadline=None)
@given(GROUPS, GROUPS)
def test_different_settings_have_different_keys(one: dict[str, Any], two: dict[str, Any]) -> None:
    same = canonical(one) == canonical(two)
    assert (node_key("step", 1, one, []) == node_key("step", 1, two, [])) == same


def test_the_key_stays_what_it_was() -> None:
    # written down once: a change here means that every store in the world is made anew (then raise KEY_FORMAT)
    assert node_key("split", 2, {"grow": 1.0, "keep": [[1, 2]]}, {"image": "aa"}, ["bb"]) == "6884e58bd97fe4a41a88bf6fc5c01d07c1ef1cfa"


@pytest.mark.parametrize(
    "other",
    [
        node_key("split2", 1, {"grow": 1}, ["aa"]),
        node_key("split", 2, {"grow": 1}, ["aa"]),
        node_key("split", 1, {"grow": 1.1}, ["aa"]),
        node_key("split", 1, {"grown": 1}, ["aa"]),
        node_key("split", 1, {"grow": True}, ["aa"]),
        node_key("split", 1, {"grow": "1"}, ["aa"]),
        node_key("split", 1, {"grow": 1}, ["ab"]),
        node_key("split", 1, {"grow": 1}, {"image": "aa"}),
        node_key("split", 1, {"grow": 1}, ["aa"], ["cc"]),
        node_key("split", 1, {"grow": 1}, [["aa"]]),
    ],
)
def test_everything_that_shapes_a_result_enters(other: str) -> None:
    assert other != node_key("split", 1, {"grow": 1}, ["aa"])


def test_files_count_in_their_order() -> None:
    """Stacks of red, green and blue: given the other way round they are another picture."""
    assert node_key("stack", 1, {}, [], ["aa", "bb"]) != node_key("stack", 1, {}, [], ["bb", "aa"])
    assert node_key("stack", 1, {}, ["aa", "bb"]) != node_key("stack", 1, {}, ["bb", "aa"])


def test_one_number_has_one_text() -> None:
    assert canonical({"a": 1}) == canonical({"a": 1.0}) == canonical({"a": np.float64(1)}) == '{"a":1}'
    assert canonical((1, 2)) == canonical([1, 2])
    assert canonical(True) != canonical(1)
    assert canonical(np.float32(0.5)) == "0.5"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Path("x"), object(), {1: 2}, np.zeros(2)])
def test_what_is_no_plain_data(value: Any) -> None:
    with pytest.raises((TypeError, ValueError)):
        canonical(value)


def aged(path: Path, text: str, age_s: float = 100.0) -> Path:
    path.write_text(text, encoding="utf-8")
    when = time.time_ns() - int(age_s * 1e9)
    os.utime(path, ns=(when, when))
    return path


@pytest.fixture
def files(tmp_path: Path) -> FileKeys:
    return FileKeys(Notes(tmp_path / "notes.sqlite", tmp_path))


def test_files_count_by_content_not_by_name_or_date(tmp_path: Path, files: FileKeys) -> None:
    one, two, other = aged(tmp_path / "a", "light"), aged(tmp_path / "b", "light", 50), aged(tmp_path / "c", "dark")
    assert files.of(one) == files.of(two) == content_key(one)
    assert files.of(one) == hashlib.sha256(b"light").hexdigest()  # as provenance gives it
    assert files.of(one) != files.of(other)


def test_a_file_is_read_once(tmp_path: Path, files: FileKeys, monkeypatch: pytest.MonkeyPatch) -> None:
    path = aged(tmp_path / "a", "light")
    assert files.known(path) is None
    key = files.of(path)
    monkeypatch.setattr("layerblend.engine.keys.content_key", lambda path: pytest.fail("read again"))
    assert files.of(path) == files.known(path) == key
    # another program over the same notes knows it too
    assert FileKeys(Notes(tmp_path / "notes.sqlite", tmp_path)).known(path) == key


def test_a_changed_file_is_read_again(tmp_path: Path, files: FileKeys) -> None:
    path = aged(tmp_path / "a", "light")
    before = files.of(path)
    aged(path, "night", 90)
    assert files.known(path) is None
    assert files.of(path) != before


def test_a_file_just_written_is_not_remembered_yet(tmp_path: Path, files: FileKeys) -> None:
    path = aged(tmp_path / "a", "light", 0)
    before = files.of(path)
    stamp = path.stat().st_mtime_ns
    path.write_text("night", encoding="utf-8")  # same size, and within one tick of a coarse clock
    os.utime(path, ns=(stamp, stamp))
    assert files.of(path) != before
    assert SETTLED_NS > 2_000_000_000  # the time stamps of FAT are 2 s apart


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path: Path, files: FileKeys, monkeypatch: pytest.MonkeyPatch) -> None:
    path = aged(tmp_path / "a", "light")

    def read(path: Path) -> str:
        aged(path, "light and more", 50)
        return "key of neither"

    monkeypatch.setattr("layerblend.engine.keys.content_key", read)
    with pytest.raises(InputError, match="changed while it was read"):
        files.of(path)
    assert files.known(path) is None


def test_a_moved_project_keeps_its_notes(tmp_path: Path) -> None:
    home = tmp_path / "project"
    (home / "frames").mkdir(parents=True)
    path = aged(home / "frames" / "a", "light")
    notes = Notes(home / "notes.sqlite", home)
    key = FileKeys(notes).of(path)
    moved = home.rename(tmp_path / "moved")
    assert FileKeys(Notes(moved / "notes.sqlite", moved)).known(moved / "frames" / "a") == key


def test_a_missing_file_is_named(tmp_path: Path, files: FileKeys) -> None:
    assert files.known(tmp_path / "gone.fits") is None
    with pytest.raises(InputError, match=r"gone\.fits cannot be read"):
        files.of(tmp_path / "gone.fits")
