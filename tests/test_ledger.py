"""Files of a result folder that need not be written again."""

import json
import os
from pathlib import Path

import pytest

from layerblend.files.provenance import RECORD
from layerblend.ledger import WRITING, Ledger


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    (tmp_path / "a.tif").write_bytes(b"pixels")
    made = Ledger.read(tmp_path)
    made.note("a.tif", "key")
    (tmp_path / RECORD).write_text(json.dumps({"written": made.written}), encoding="utf-8")
    return Ledger.read(tmp_path)


def test_a_file_is_current_as_long_as_nothing_changed(ledger: Ledger) -> None:
    assert ledger.is_current("a.tif", "key")
    assert not ledger.is_current("a.tif", "other")
    assert not ledger.is_current("a.tif", None)
    assert not ledger.is_current("b.tif", "key")


@pytest.mark.parametrize("change", [lambda path: path.write_bytes(b"others"), lambda path: path.write_bytes(b"more pixels"), os.unlink])
def test_a_changed_or_lost_file_is_not_current(ledger: Ledger, change) -> None:
    path = ledger.folder / "a.tif"
    os.utime(path, (1, 1))
    ledger.note("a.tif", "key")
    assert ledger.is_current("a.tif", "key")
    change(path)
    assert not ledger.is_current("a.tif", "key")


def test_a_file_that_was_not_made_is_not_noted(ledger: Ledger) -> None:
    ledger.note("rejected.png", "key")
    assert "rejected.png" not in ledger.written


@pytest.mark.parametrize("text", [None, "no json", "[]", '{"written": 3}'])
def test_without_a_record_nothing_is_current(tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / RECORD).write_text(text, encoding="utf-8")
    assert Ledger.read(tmp_path).written == {}


def test_what_somebody_changed_is_kept(ledger: Ledger) -> None:
    path = ledger.folder / "a.tif"
    assert ledger.keep_changed(["a.tif", "b.tif"]) == {}
    for number, content in (("", b"edited"), ("-2", b"edited again")):
        path.write_bytes(content)
        os.utime(path, (1, 1))
        kept = ledger.folder / f"a-kept{number}.tif"
        assert ledger.keep_changed(["a.tif"]) == {"a.tif": kept}
        assert kept.read_bytes() == content and not path.exists()
    path.write_bytes(b"")  # nothing to keep
    assert ledger.keep_changed(["a.tif"]) == {}


def test_what_a_killed_run_wrote_is_its_own(ledger: Ledger) -> None:
    ledger.begin(["a.tif", "layers/b.tif"])
    (ledger.folder / "a.tif").write_bytes(b"new pixels")
    after = Ledger.read(ledger.folder)
    assert after.keep_changed(["a.tif"]) == {}
    after.begin(["c.tif"])
    assert Ledger.read(ledger.folder).begun == {"a.tif", "layers/b.tif", "c.tif"}
    record = json.loads((ledger.folder / RECORD).read_text(encoding="utf-8"))
    assert record["written"] == ledger.written  # what was known stays known
    (ledger.folder / RECORD).write_text(json.dumps({"written": record["written"]}), encoding="utf-8")
    assert list(Ledger.read(ledger.folder).keep_changed(["a.tif"])) == ["a.tif"]


def test_after_a_failure_what_was_put_aside_comes_back(ledger: Ledger) -> None:
    path = ledger.folder / "a.tif"
    path.write_bytes(b"edited")
    os.utime(path, (1, 1))
    kept = ledger.keep_changed(["a.tif"])
    ledger.give_back(kept)
    assert path.read_bytes() == b"edited" and not kept["a.tif"].exists()
    kept = ledger.keep_changed(["a.tif"])
    path.write_bytes(b"new")
    ledger.give_back(kept)
    assert path.read_bytes() == b"new" and kept["a.tif"].read_bytes() == b"edited"


@pytest.mark.parametrize("noted", [3, {}, [3, None]])
def test_a_damaged_list_of_what_was_begun_is_none(ledger: Ledger, noted: object) -> None:
    (ledger.folder / RECORD).write_text(json.dumps({WRITING: noted}), encoding="utf-8")
    assert Ledger.read(ledger.folder).begun == frozenset()
