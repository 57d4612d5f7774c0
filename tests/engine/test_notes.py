"""Notes save work and never stand in its way."""

import contextlib
import sqlite3
from pathlib import Path

import pytest

from layerblend.engine.notes import Notes


@pytest.fixture
def notes(tmp_path: Path) -> Notes:
    return Notes(tmp_path / "deep" / "notes.sqlite", tmp_path)


def test_nothing_is_known_at_first_and_nothing_is_written_for_it(tmp_path: Path, notes: Notes) -> None:
    assert notes.files() == {}
    assert notes.last("split") is None
    assert not (tmp_path / "deep").exists()


def test_files_are_known_by_path_size_and_time(tmp_path: Path, notes: Notes) -> None:
    notes.remember_file(tmp_path / "a", 1, 2**62, "key")
    assert notes.files() == {notes.name_of(tmp_path / "x" / ".." / "a"): (1, 2**62, "key")}
    notes.remember_file(tmp_path / "a", 1, 3, "new")
    assert notes.files() == {notes.name_of(tmp_path / "a"): (1, 3, "new")}


def test_headers_are_known_by_path(tmp_path: Path, notes: Notes) -> None:
    notes.remember_headers([])
    assert notes.headers() == {} and not (tmp_path / "deep").exists()
    notes.remember_headers([(tmp_path / "a", 1, 2**62, "one"), (tmp_path / "b", 2, 3, "other")])
    notes.remember_headers([(tmp_path / "a", 1, 4, "new")])
    assert notes.headers() == {"a": (1, 4, "new"), "b": (2, 3, "other")}


def test_a_file_found_whole_is_known_by_path_size_time_and_content(tmp_path: Path, notes: Notes) -> None:
    assert not notes.whole([(tmp_path / "a", 1, 2, "digest")], 0)[0]
    notes.remember_whole([(tmp_path / "a", 1, 2, "digest")], now=100.0)
    assert notes.whole([(tmp_path / "a", 1, 2, "digest"), (tmp_path / "b", 1, 2, "digest")], 99) == [True, False]
    assert not notes.whole([(tmp_path / "a", 1, 2, "digest")], 101)[0]
    for size, stamp, digest in ((2, 2, "digest"), (1, 3, "digest"), (1, 2, "other")):
        assert not notes.whole([(tmp_path / "a", size, stamp, digest)], 0)[0]


def test_nodes_are_noted_as_they_were_last_made(notes: Notes) -> None:
    notes.remember_nodes({"split ★": {"settings": {"grow": 1.5}}})
    notes.remember_nodes({"split ★": {"settings": {"grow": 2}}})
    notes.remember_nodes({})
    assert notes.last("split ★") == {"settings": {"grow": 2}}


def test_a_damaged_file_is_started_anew(tmp_path: Path, notes: Notes) -> None:
    notes.remember_file(tmp_path / "a", 1, 2, "key")
    (tmp_path / "deep" / "notes.sqlite").write_bytes(b"no database at all, and long enough to be looked at" * 30)
    assert notes.files() == {}
    notes.remember_file(tmp_path / "a", 1, 2, "key")
    assert notes.files() == {"a": (1, 2, "key")}


def test_a_busy_file_is_left_as_it_is(tmp_path: Path, notes: Notes, monkeypatch: pytest.MonkeyPatch) -> None:
    notes.remember_file(tmp_path / "a", 1, 2, "key")
    monkeypatch.setattr("layerblend.engine.notes._WAIT_S", 0.05)
    with contextlib.closing(sqlite3.connect(tmp_path / "deep" / "notes.sqlite")) as other_run:
        other_run.execute("BEGIN EXCLUSIVE")
        assert notes.files() == {}
        notes.remember_file(tmp_path / "b", 1, 2, "key")
    assert notes.files() == {"a": (1, 2, "key")}


def test_where_nothing_can_be_written_nothing_is_remembered(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    notes = Notes(tmp_path / "file" / "notes.sqlite", tmp_path)
    notes.remember_file(tmp_path / "a", 1, 2, "key")
    assert notes.files() == {}
