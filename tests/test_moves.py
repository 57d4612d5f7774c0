"""Finished files get their names, also where other programs look at them for a moment."""

from pathlib import Path

import pytest

from layerblend import moves
from layerblend.moves import held_words, take_name


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
    monkeypatch.setattr(moves, "IMPATIENT", False)
    pauses = refusing(3, monkeypatch)
    (tmp_path / "part").write_bytes(b"new")
    take_name(tmp_path / "part", tmp_path / "name")
    assert (tmp_path / "name").read_bytes() == b"new"
    assert len(pauses) == 3


@pytest.mark.parametrize("impatient", [True, False])
def test_what_is_held_for_good_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, impatient: bool) -> None:
    monkeypatch.setattr(moves, "IMPATIENT", impatient)
    pauses = refusing(100, monkeypatch)
    (tmp_path / "part").touch()
    with pytest.raises(PermissionError):
        take_name(tmp_path / "part", tmp_path / "name")
    assert sum(pauses) == pytest.approx(0 if impatient else 1.55)


def test_only_a_file_that_is_there_can_be_held(tmp_path: Path) -> None:
    refusal = PermissionError(13, "Access is denied")
    assert held_words(refusal, tmp_path / "name") == "" == held_words(OSError(28, "full"), tmp_path)
    (tmp_path / "name").touch()
    assert "close name there" in held_words(refusal, tmp_path / "name")
