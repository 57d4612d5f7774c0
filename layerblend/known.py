"""Headers of frames that an earlier run has read: hundreds of them take longer to read than a new blend takes."""

from __future__ import annotations

import dataclasses
import json
import time
from pathlib import Path
from typing import Any

from layerblend import __version__
from layerblend.engine.keys import SETTLED_NS, stamp_of
from layerblend.engine.notes import Notes
from layerblend.files.frames import open_frame
from layerblend.kinds import FrameInfo


class KnownFrames:
    """`open_frame` with a memory in ``notes``: a header counts as long as its file's path, size and time and the white level stay."""

    def __init__(self, notes: Notes, white_level: float | None) -> None:
        self._notes, self._white = notes, white_level
        self._noted = notes.headers()
        self._new: list[tuple[Path, int, int, str]] = []

    def open(self, path: Path) -> FrameInfo:
        """What the frame's header says, read now or earlier.

        Raises
        ------
        InputError : as `open_frame`; no trouble is remembered.
        """
        stamp = _stamp(path)
        noted = self._noted.get(self._notes.name_of(path))
        if noted is not None and noted[:2] == stamp and (info := self._from_record(path, noted[2])) is not None:
            return info
        info = open_frame(path, white_level=self._white)
        record = self._to_record(info)
        if record is not None and stamp is not None and stamp == _stamp(path) and time.time_ns() - stamp[1] > SETTLED_NS:
            self._new.append((path, *stamp, record))
        return info

    def remember(self) -> None:
        """Note what has been read."""
        self._notes.remember_headers(self._new)
        self._new = []

    def _made_by(self) -> list[Any]:
        return [__version__, self._white]

    def _to_record(self, info: FrameInfo) -> str | None:
        facts = {field.name: getattr(info, field.name) for field in dataclasses.fields(info) if field.name != "path"}
        try:
            return json.dumps([self._made_by(), facts])
        except TypeError:  # a complex number in a card
            return None

    def _from_record(self, path: Path, record: str) -> FrameInfo | None:
        try:
            made_by, facts = json.loads(record)
            if made_by != self._made_by():
                return None
            facts |= {"cards": tuple(tuple(card) for card in facts["cards"]), "words": tuple(facts["words"])}
            return FrameInfo(path=path, **facts)
        except (ValueError, TypeError, KeyError):  # noted by another state of the code
            return None


def _stamp(path: Path) -> tuple[int, int] | None:
    """`stamp_of` a file; None where there is none, which opening it says better."""
    try:
        return stamp_of(path)
    except OSError:
        return None
