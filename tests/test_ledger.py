"""Files of a result folder that need not be written again."""

import json
import os
from pathlib import Path

import pytest

from layerblend.files.provenance import RECORD
from layerblend.ledger import Ledger


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
