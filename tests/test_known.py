"""Headers read once: the same facts as from the file, and from the file again as soon as anything about it has changed."""

import os
import time
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from layerblend import known as module
from layerblend.engine.notes import Notes
from layerblend.errors import InputError
from layerblend.files.frames import open_frame
from layerblend.known import KnownFrames

LONG_AGO = time.time() - 1000


def frame(path: Path, **cards: object) -> Path:
    header = fits.Header(list(cards.items()))
    fits.writeto(path, np.zeros((3, 8, 9), np.uint16), header, overwrite=True)
    os.utime(path, (LONG_AGO, LONG_AGO))
    return path


@pytest.fixture
def notes(tmp_path: Path) -> Notes:
    return Notes(tmp_path / "notes.sqlite", tmp_path)


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The files whose headers are read."""
    done: list[Path] = []

    def opened(path: Path, **options: object) -> object:
        done.append(path)
        return open_frame(path, **options)

    monkeypatch.setattr(module, "open_frame", opened)
    return done


def look(notes: Notes, path: Path, white: float | None = None) -> object:
    known = KnownFrames(notes, white)
    info = known.open(path)
    known.remember()
    return info


def test_a_header_is_read_once_and_tells_the_same(tmp_path: Path, notes: Notes, read: list[Path]) -> None:
    path = frame(tmp_path / "Größe 1.fits", EXPTIME=120.5, GAIN=100, FLAG=True, OBJECT="it's", ROWORDER="sideways")
    first, second = look(notes, path), look(notes, path)
    assert read == [path]
    assert second == first == open_frame(path) and first.words
    assert [type(value) for _, value, _ in second.cards] == [type(value) for _, value, _ in first.cards]
    assert isinstance(second.cards, tuple) and isinstance(second.words, tuple)


def test_another_file_or_white_level_is_read_again(tmp_path: Path, notes: Notes, read: list[Path]) -> None:
    path = frame(tmp_path / "a.fits", EXPTIME=1.0)
    look(notes, path)
    assert look(notes, path, 60000.0).white_level == 60000.0
    frame(path, EXPTIME=2.0)
    os.utime(path, (LONG_AGO + 1, LONG_AGO + 1))
    assert look(notes, path, 60000.0).exposure_s == 2.0
    assert len(read) == 3


def test_notes_of_other_code_are_read_again(tmp_path: Path, notes: Notes, read: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    path = frame(tmp_path / "a.fits")
    with monkeypatch.context() as older:
        older.setattr(module, "__version__", "0.0.older")
        look(notes, path)
    look(notes, path)
    (size, changed, record) = notes.headers()["a.fits"]
    notes.remember_headers([(path, size, changed, record.replace('"hdu"', '"unit"'))])
    assert look(notes, path) == open_frame(path)
    assert len(read) == 3


def test_trouble_and_fresh_files_are_not_remembered(tmp_path: Path, notes: Notes, read: list[Path]) -> None:
    broken = tmp_path / "broken.fits"
    broken.write_bytes(b"no header")
    os.utime(broken, (LONG_AGO, LONG_AGO))
    for _ in range(2):
        with pytest.raises(InputError):
            look(notes, broken)
    with pytest.raises(InputError, match="no file"):
        look(notes, tmp_path / "absent.fits")
    fresh = frame(tmp_path / "fresh.fits")
    os.utime(fresh)  # could change again within the clock's coarseness
    look(notes, fresh)
    assert len(read) == 4 and notes.headers() == {}
