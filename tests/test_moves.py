"""Finished files get their names, also where other programs look at them for a moment."""

from pathlib import Path

import pytest

from layerblend import moves
from layerblend.moves import mend_words, take_name


def refusing(times: int, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A disk that refuses to replace a file a few times; gives the pauses made."""
    pauses: list[float] = []
    replace = Path.replace

    def refuse(part: Path, path: Path) -> Path:
        if len(pauses) < times:
            raise PermissionError(13, "Access is denied")
        return replace(part, path)

    monkeypatch.setattr(Path, "replace", refuse)
    monkeypatch.setattr(moves.time, "sleep", pauses.append)
    return pauses


def test_what_a_scanner_holds_for_a_moment_is_asked_for_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(moves, "ON_WINDOWS", True)
    pauses = refusing(3, monkeypatch)
    (tmp_path / "part").write_bytes(b"new")
    take_name(tmp_path / "part", tmp_path / "name")
    assert (tmp_path / "name").read_bytes() == b"new"
    assert len(pauses) == 3


@pytest.mark.parametrize("patient", [True, False])
def test_what_is_held_for_good_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, patient: bool) -> None:
    monkeypatch.setattr(moves, "ON_WINDOWS", patient)
    pauses = refusing(100, monkeypatch)
    (tmp_path / "part").touch()
    with pytest.raises(PermissionError):
        take_name(tmp_path / "part", tmp_path / "name")
    assert sum(pauses) == pytest.approx(1.55 if patient else 0)


def test_only_a_file_that_is_there_can_be_held(tmp_path: Path) -> None:
    refusal = PermissionError(13, "Access is denied")
    assert mend_words(refusal, tmp_path / "name") == "" == mend_words(OSError(28, "full"), tmp_path)
    (tmp_path / "name").touch()
    assert "close name there" in mend_words(refusal, tmp_path / "name")


def test_a_path_too_long_for_windows_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says that there is no such path."""
    absent, long = FileNotFoundError(2, "The system cannot find the path specified"), tmp_path / "a" / ("b" * 260)
    assert mend_words(absent, long) == ""
    monkeypatch.setattr(moves, "ON_WINDOWS", True)
    assert f"too long for Windows ({len(str(long))} characters" in mend_words(absent, long)
    absent.filename = str(long)
    assert "too long" in mend_words(absent, tmp_path) and mend_words(FileNotFoundError(2, "no"), tmp_path) == ""
